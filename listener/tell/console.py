"""Events for people: one line each, in words first and colour second."""

from rich.console import Console
from rich.text import Text

from listener.events import Alert, Call, PartlyHeard, Update, around_text, chance_text, confidence_text

_BAR_CELLS = 10
_NAMES = {"alert": "CALL HEARD", "partly_heard": "partly heard", "candidate": "candidate"}
_STYLES = {"alert": "bold", "partly_heard": "", "candidate": "dim"}


def clock(seconds: float) -> str:
    """Seconds as minutes and seconds: 62.34 -> '1:02.3'; from one hour on '1:01:02.3'."""
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    front = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{front}:{rest / 10:04.1f}"


def bar(share: float) -> str:
    """A share 0..1 as a bar of ten cells."""
    full = round(share * _BAR_CELLS)
    return "█" * full + "░" * (_BAR_CELLS - full)


def call_line(call: Call, channels: int) -> Text:
    """One call as a line: time in the file, what, phrase, confidence as bar and per cent, delay."""
    heard = len(call.hits)
    count = f"{heard} of {call.repeats}" if isinstance(call, PartlyHeard) else f"x{heard}"
    line = Text(f"{clock(call.start_s):>10}  ")
    line.append(f"{_NAMES[call.kind]:<12}  ", style=_STYLES[call.kind])
    line.append(f"{call.phrase} {count}  ", style="bold" if isinstance(call, Alert) else "")
    line.append(f"{bar(call.confidence)} {confidence_text(call.confidence):>4}")
    if isinstance(call, Alert):
        line.append(f"  {call.raised_s - call.end_s:.2f} s after its last word", style="dim")
    if call.chance_per_h is not None:
        line.append(f"  talk alone: {chance_text(call.chance_per_h)}", style="dim")
    if channels > 1:
        line.append(f"  channel {call.channel}")
    return line


def update_line(update: Update, channels: int) -> Text:
    """What became known about a call that was told, as a line below it."""
    line = Text(f"{clock(update.start_s):>10}  {'about it':<12}  ")
    line.append(around_text(update.position, update.caller))
    line.append(f"  at {clock(update.raised_s)}", style="dim")
    if channels > 1:
        line.append(f"  channel {update.channel}")
    return line


def results_console() -> Console:
    """The console for results (stdout): never folds a line, plain when not a terminal."""
    return Console(soft_wrap=True, highlight=False)


def side_console() -> Console:
    """The console for progress, faults and totals (stderr)."""
    return Console(stderr=True, soft_wrap=True, highlight=False)
