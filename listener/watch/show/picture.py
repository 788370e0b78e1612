"""What the console shows: a view of the station as a picture for a terminal of any size, and rows as plain lines.

Words and shapes say everything; colours (Okabe and Ito's, which colour-blind people can tell apart) only repeat it.
"""

from datetime import UTC, datetime
from textwrap import wrap

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.text import Text

from listener.events import around_text, confidence_text
from listener.keep.records import words as row_words
from listener.keep.row import Row
from listener.watch.show.big_text import LINES, big
from listener.watch.state import ChannelView, Shown, State, StationView, Step, WordHeard, Work, followed

_SHAPES = {State.LISTENING: "●", State.PARTLY_HEARD: "◆", State.CALL_HEARD: "▲", State.BLIND: "✖"}
_COLOURS = {
    State.LISTENING: "#56B4E9",
    State.PARTLY_HEARD: "#E69F00",
    State.CALL_HEARD: "#000000 on #F0E442",
    State.BLIND: "#FFFFFF on #D55E00",
}
_EDGES = {
    State.LISTENING: "#56B4E9", State.PARTLY_HEARD: "#E69F00", State.CALL_HEARD: "#F0E442", State.BLIND: "#D55E00",
}  # fmt: skip
ALARM = f"bold {_COLOURS[State.BLIND]}"
_METER_CELLS = 30
_LOWEST_DBOV = -60.0
_BIG_CHANNEL_LINES = LINES + 4
_SMALL_CHANNEL_LINES = 5
_FOOT_LINES = 6
_FAULT_LINES = 2
_TOLD = ("alert", "partly_heard", "update", "state", "fault", "gap", "proof", "start", "stop", "acknowledge", "step", "resolve",
         "evidence", "maintenance", "hand_over", "connected")  # fmt: skip


def meter_bar(level_dbov: float, peak_dbov: float, cells: int = _METER_CELLS) -> Text:
    """Level as a bar from -60 to 0 dBov with its number; the peak is a mark in it."""
    share = min(1.0, max(0.0, 1 - level_dbov / _LOWEST_DBOV))
    full = round(share * cells)
    peak = min(cells - 1, round(min(1.0, max(0.0, 1 - peak_dbov / _LOWEST_DBOV)) * cells))
    line = "█" * full + "·" * (cells - full)
    line = line[:peak] + "|" + line[peak + 1 :]
    number = f"{level_dbov:4.0f} dBov" if level_dbov > -119 else "no sound"
    return Text(f"{line} {number}")


def ago(seconds: float) -> str:
    """A time span for people: '8 s', '3 min', '2 h 5 min'."""
    seconds = max(0.0, seconds)
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = int(seconds // 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60} min"


def clock_text(unix_s: float) -> str:
    """Local time and UTC: '14:03:21 (13:03:21 UTC)'; once where they are the same."""
    moment = datetime.fromtimestamp(unix_s, UTC)
    local = moment.astimezone()
    return f"{moment:%H:%M:%S} UTC" if not local.utcoffset() else f"{local:%H:%M:%S} ({moment:%H:%M:%S} UTC)"


def call_text(shown: Shown, now_unix_s: float) -> Text:
    """One call in words."""
    when = f"{clock_text(shown.unix_s)}  {ago(now_unix_s - shown.unix_s)} ago"
    if shown.kind == "by_ear":
        ended = f"{shown.resolved_as}, {shown.resolved_by}" if shown.resolved_as else f"by {shown.acknowledged_by}"
        return Text(f"CALL HEARD BY EAR: {shown.phrase.upper()}  {when}  {ended}", style="bold")
    if shown.kind != "alert":
        return Text(f"partly heard: {shown.phrase.upper()}, {shown.words_heard} of {shown.repeats}  {when}")
    line = Text(f"CALL HEARD: {shown.phrase.upper()} x{shown.words_heard}  {when}  {confidence_text(shown.confidence)}  ")
    if around := around_text(shown.position, shown.caller):
        line.append(f"{around}  ", style="bold")
    if shown.resolved_as:
        return line.append(f"{shown.resolved_as}, {shown.resolved_by}")
    if shown.acknowledged_by:
        return line.append(f"seen by {shown.acknowledged_by}")
    return Text(f"{line}NOT ACKNOWLEDGED; advisory: confirm by ear", style="bold")


def steps_text(call: Shown, now_unix_s: float, steps: tuple[Step, ...], endings: tuple[str, ...]) -> Text:
    """What follows an open call: when each step was done, from the end of the call, and which is open. Judges nothing."""
    done = {step.name: step for step in call.steps}
    since_s = now_unix_s - call.unix_s
    parts = [f"+{since_s:.0f} s"]
    is_next = True
    for number, step in enumerate(steps, 1):
        set_s = "" if step.within_s is None else f", set {step.within_s:g} s"
        if known := done.get(step.name):
            parts.append(f"{number} {step.name} {known.since_call_s:+.0f} s {known.who}{set_s}")
            continue
        over = " OVER" if step.within_s is not None and since_s > step.within_s else ""
        parts.append(f"{number} {step.name} {'OPEN' if is_next else '–'}{set_s}{over}")
        is_next = False
    if call.acknowledged_by and endings:
        parts.append("NOT RESOLVED (r)")
    return Text("  ".join(parts), style="bold")


def calls_text(channel: ChannelView, now_unix_s: float, steps: tuple[Step, ...], endings: tuple[str, ...]) -> list[Text]:
    """The newest calls, those first that nobody acknowledged, then those that have not ended; with their steps."""
    calls = [*list(channel.unacknowledged)[-3:], *channel.unresolved[-2:]] or [c for c in (channel.last_alert,) if c]
    lines: list[Text] = []
    for call in sorted(calls, key=lambda call: (not call.acknowledged_by, call.unix_s), reverse=True)[:3]:
        lines.append(call_text(call, now_unix_s))
        if (steps or endings) and call in followed(channel, endings, now_unix_s):
            lines.append(steps_text(call, now_unix_s, steps, endings))
    return lines or [Text("no call heard yet")]


def work_text(work: Work | None, now_unix_s: float) -> str:
    """Work on a channel's radio, now or just ended; empty if there is none."""
    if work is None:
        return ""
    what = f": {work.text}" if work.text else ""
    if work.ended_unix_s is None:
        return f"being worked on by {work.who} until {clock_text(work.until_unix_s)}{what}"
    how = f"ended by {work.ended_by}" if work.ended_by else "ended: its time was over"
    return f"work by {work.who} {how}, {ago(now_unix_s - work.ended_unix_s)} ago"


def hears_text(channel: ChannelView) -> str:
    """Whether a channel that shows a call hears now."""
    return "BLIND now" if channel.because else "listening now"


def words_text(words: tuple[WordHeard, ...], now_unix_s: float) -> Text:
    """The single words of the last half minute; one that was heard weakly has a question mark."""
    recent = [w for w in words if now_unix_s - w.unix_s < 30]
    heard = "  ".join(f"{w.phrase}{'' if w.score > 0 else '?'} {ago(now_unix_s - w.unix_s)}" for w in recent[-5:])
    return Text(f"words {heard or '-'}")


def big_state(channel: ChannelView, width: int) -> list[Text]:
    """Shape and state in big letters across so many columns, and the channel's name where there is room."""
    state = channel.state
    lines = big(f"{_SHAPES[state]} {state.value}")
    if len(lines[0]) + 1 > width:
        lines = big(state.value)  # the shape stands in the title
    name = big(channel.name)
    if len(lines[0]) + len(name[0]) + 8 <= width:
        room = width - len(name[0]) - 3
        lines = [line.ljust(room) + of_name for line, of_name in zip(lines, name, strict=True)]
    return [Text(f" {line}".ljust(width), style=_COLOURS[state], no_wrap=True, overflow="crop") for line in lines]


def channel_panel(
    channel: ChannelView, now_unix_s: float, width: int, room: int, steps: tuple[Step, ...] = (), endings: tuple[str, ...] = ()
) -> RenderableType:
    """One channel in at most so many lines: its state as a big word, or one line where there is no room for it, and
    what it rests on. What matters least is left out first. steps, endings: the unit's own, after a call.
    """
    state, shape = channel.state, _SHAPES[channel.state]
    within = width - 4
    lines = big_state(channel, within) if room >= _BIG_CHANNEL_LINES else [
        Text(f" {shape} {state.value} ", style=f"bold {_COLOURS[state]}")
    ]  # fmt: skip
    told = [Text(hears_text(channel), style=ALARM if channel.because else "bold")] if state == State.CALL_HEARD else []
    for because in channel.because:
        since = f"since {clock_text(because.since_unix_s)}, {ago(now_unix_s - because.since_unix_s)}"
        told.append(Text(f"{_SHAPES[State.BLIND]} {because.detail} ({since})", style="bold"))
    known = f"BLIND: seen by {channel.blind_seen_by}" if channel.blind_seen_by else ""
    told += [Text(line, style="bold") for line in (work_text(channel.work, now_unix_s), known) if line]
    told += calls_text(channel, now_unix_s, steps, endings)
    if channel.last_partly and now_unix_s - channel.last_partly.unix_s < 600:
        told.append(call_text(channel.last_partly, now_unix_s))
    level = Text("level ").append_text(meter_bar(channel.level_dbov, channel.peak_dbov))
    level.append(f"   SNR {channel.snr_db:.0f} dB   behind {channel.behind_s:.1f} s")
    for line in (*told, level, words_text(channel.words, now_unix_s)):
        lines += [Text(part, style=line.style) for part in wrap(line.plain, within)]
    title = Text(f" {shape} {channel.name}  ", style="bold")
    proof = {None: "not proved yet", True: "proof passed", False: "PROOF FAILED"}[channel.proof_passed]
    when = f" {ago(now_unix_s - channel.proof_unix_s)} ago" if channel.proof_unix_s else ""
    foot = Text(f"{channel.device}   {proof}{when}   gaps {channel.gaps}   restarts {channel.restarts}")
    return Panel(Group(*lines[: room - 2]), title=title, title_align="left", subtitle=foot, subtitle_align="left",
                 border_style=_EDGES[state])  # fmt: skip


def channel_line(channel: ChannelView, now_unix_s: float, width: int) -> Text:
    """One channel in one line: state, name, and the reason, the call or the level."""
    state = channel.state
    line = Text(f" {_SHAPES[state]} {state.value:<12} ", style=f"bold {_COLOURS[state]}", no_wrap=True, overflow="ellipsis")
    line.append(f" {channel.name:<12} ", style="bold default on default")
    if state == State.BLIND and channel.because:
        at_work = f"worked on by {channel.work.who}: " if channel.work and channel.is_worked_on else ""
        told = Text(f"{at_work}{channel.because[0].detail}, {ago(now_unix_s - channel.because[0].since_unix_s)}")
    elif state == State.LISTENING and channel.unresolved:
        told = Text(f"not resolved: {call_text(channel.unresolved[-1], now_unix_s)}")
    elif state == State.CALL_HEARD and channel.unacknowledged:
        told = Text(f"{hears_text(channel)}  {call_text(channel.unacknowledged[-1], now_unix_s)}")
    else:
        told = meter_bar(channel.level_dbov, channel.peak_dbov, 12)
    line.append(told.plain, style="default on default")
    line.truncate(width, overflow="ellipsis")
    return line


def picture(view: StationView, height: int, width: int, entry: str = "") -> RenderableType:
    """The whole view for a terminal of so many lines and columns: as big as all channels have room for.

    entry: the line that a person is writing, in place of the keys.
    """
    room = (height - _FOOT_LINES) // max(1, len(view.channels))
    if room >= _SMALL_CHANNEL_LINES:
        parts = [channel_panel(channel, view.unix_s, width, room, view.steps, view.resolved_as) for channel in view.channels]
    else:
        parts = [channel_line(channel, view.unix_s, width) for channel in view.channels]
    troubles = [text for text in (view.journal_trouble, view.tone_trouble) if text]
    faults = [f"{datetime.fromtimestamp(at, UTC):%H:%M:%S} UTC  {text}" for at, text in view.faults if text not in troubles]
    below = [*faults, *troubles][-_FAULT_LINES:]
    foot = [foot_text(view), Text(entry or keys_text(view, width), style="bold" if entry else "dim"), caution_text(width)]
    lines = [*(Text(line) for line in below), *foot]
    for line in lines:
        line.no_wrap, line.overflow = True, "ellipsis"
    return Group(*parts, *lines)


def foot_text(view: StationView) -> Text:
    """Time, who has the watch, journal, tone, recording, acceptance."""
    foot = Text(f"{clock_text(view.unix_s)}  on watch {ago(view.uptime_s)}", style="bold")
    if view.hand_over:
        foot.append(f", {view.hand_over.who} since {datetime.fromtimestamp(view.hand_over.unix_s).astimezone():%H:%M}")
    if view.drill:
        foot.append(f"  DRILL, ALERTS {view.drill.upper()}")
    foot.append(f"  journal {'ok' if not view.journal_trouble else 'TROUBLE'}")
    foot.append(f"  tone {'SOUNDING' if view.tone_sounding else 'TROUBLE' if view.tone_trouble else 'ready'}")
    return foot.append("".join(f"  {text}" for text in (view.recording, view.acceptance) if text))


def keys_text(view: StationView, width: int) -> str:
    """What the keys do, and where the page is if there is room for it."""
    first = "I hear the call" if view.drill == "hidden" else "acknowledge"
    keys = f"a: {first}  b: BLIND seen  w: take the watch  m: radio work  q: quit"
    return f"{keys}  {view.page}" if view.page and len(keys) + len(view.page) + 2 <= width else keys


def caution_text(width: int) -> Text:
    """What this is not, and who decides: as much of it as one line holds."""
    long = (
        "Advisory, not certified. Local orders and qualified persons decide; "
        "no alert is never permission; it only backs up eye and ear."
    )
    short = "Advisory, not certified; no alert is never permission; local orders first."
    return Text(long if len(long) <= width else short, style="dim")


def plain_line(row: Row) -> str:
    """A journal row as one line: UTC, channel, what."""
    return f"{row.utc[:23]}Z  {row.channel or '-':<12}  {row_words(row)}"


def is_told(row: Row) -> bool:
    """Whether a row is one for people who read lines."""
    return row.kind in _TOLD
