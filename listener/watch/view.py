"""The console view: a live picture on a terminal, plain lines anywhere else.

Words and shapes say everything; colours (Okabe and Ito's, which colour-blind people can tell apart) only
repeat it. It runs in a thread of its own: a terminal that stands still must not stop the station.
"""

import logging
import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from listener.alert.console import bar
from listener.alert.journal import Row
from listener.alert.records import words as row_words
from listener.watch.letters import LINES, big
from listener.watch.state import ChannelView, Shown, State, StationView
from listener.watch.station import Station

log = logging.getLogger(__name__)

_SHAPES = {State.LISTENING: "●", State.PARTLY_HEARD: "◆", State.CALL_HEARD: "▲", State.BLIND: "✖"}
_COLOURS = {
    State.LISTENING: "#56B4E9",
    State.PARTLY_HEARD: "#E69F00",
    State.CALL_HEARD: "black on #F0E442",
    State.BLIND: "white on #D55E00",
}
_EDGES = {
    State.LISTENING: "#56B4E9", State.PARTLY_HEARD: "#E69F00", State.CALL_HEARD: "#F0E442", State.BLIND: "#D55E00",
}  # fmt: skip
_METER_CELLS = 30
_LOWEST_DBOV = -60.0
_TOLD = ("alert", "partly_heard", "state", "fault", "gap", "proof", "start", "stop", "acknowledge", "evidence")
_BIG_CHANNEL_LINES = LINES + 7


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
    """Local time and UTC: '14:03:21 (13:03:21 UTC)'."""
    moment = datetime.fromtimestamp(unix_s, UTC)
    return f"{moment.astimezone():%H:%M:%S} ({moment:%H:%M:%S} UTC)"


def call_text(shown: Shown, now_unix_s: float) -> Text:
    """One call in words."""
    what = "CALL HEARD" if shown.kind == "alert" else "partly heard"
    line = Text(f"{what}: {shown.phrase.upper()} x{shown.words_heard}  ", style="bold")
    line.append(f"{clock_text(shown.unix_s)}  {ago(now_unix_s - shown.unix_s)} ago  ")
    line.append(f"{bar(shown.confidence)} {shown.confidence:.0%}  ")
    if shown.kind == "alert":
        seen = f"seen by {shown.acknowledged_by}" if shown.acknowledged_by else "NOT ACKNOWLEDGED"
        line.append(f"{seen}; advisory: confirm by ear", style="" if shown.acknowledged_by else "bold")
    return line


def channel_panel(channel: ChannelView, now_unix_s: float, is_big: bool) -> RenderableType:
    """One channel: its state as a big word (or one line, where there is no room), and what it rests on."""
    state, shape = channel.state, _SHAPES[channel.state]
    lines: list[RenderableType] = []
    if is_big:
        lines += [Text(f" {line} ", style=_COLOURS[state]) for line in big(state.value)]
    else:
        lines.append(Text(f" {shape} {state.value} ", style=f"bold {_COLOURS[state]}"))
    for because in channel.because:
        since = f"since {clock_text(because.since_unix_s)}, {ago(now_unix_s - because.since_unix_s)}"
        lines.append(Text(f"{shape} {because.detail} ({since})", style="bold"))
    level = Text("level ")
    level.append_text(meter_bar(channel.level_dbov, channel.peak_dbov))
    level.append(f"   SNR about {channel.snr_db:.0f} dB   behind {channel.behind_s:.1f} s")
    lines.append(level)
    recent = [w for w in channel.words if now_unix_s - w.unix_s < 30]
    heard = "  ".join(f"{w.phrase} {ago(now_unix_s - w.unix_s)} ({w.score:+.0f})" for w in recent[-5:])
    lines.append(Text(f"words {heard or '-'}"))
    calls = list(channel.unacknowledged)[-3:] or [c for c in (channel.last_alert,) if c]
    lines += [call_text(call, now_unix_s) for call in calls] or [Text("no call heard yet")]
    if channel.last_partly and now_unix_s - channel.last_partly.unix_s < 600:
        lines.append(call_text(channel.last_partly, now_unix_s))
    title = Text(f" {shape} {channel.name}  ", style="bold")
    proof = {None: "not proved yet", True: "proof passed", False: "PROOF FAILED"}[channel.proof_passed]
    when = f" {ago(now_unix_s - channel.proof_unix_s)} ago" if channel.proof_unix_s else ""
    foot = Text(f"{channel.device}   {proof}{when}   gaps {channel.gaps}   restarts {channel.restarts}")
    return Panel(Group(*lines), title=title, title_align="left", subtitle=foot, subtitle_align="left",
                 border_style=_EDGES[state])  # fmt: skip


def picture(view: StationView, height: int) -> RenderableType:
    """The whole view for a terminal of so many lines."""
    is_big = height >= len(view.channels) * _BIG_CHANNEL_LINES + 4
    parts = [channel_panel(channel, view.unix_s, is_big) for channel in view.channels]
    foot = Text(f"{clock_text(view.unix_s)}  on watch {ago(view.uptime_s)}  ", style="bold")
    foot.append(f"journal {'ok' if not view.journal_trouble else 'TROUBLE'}  ")
    foot.append(f"tone {'SOUNDING' if view.tone_sounding else view.tone_trouble or 'ready'}  {view.recording}  ")
    foot.append(f"{view.page}  " if view.page else "")
    foot.append("a: acknowledge  q: quit", style="dim")
    faults = [Text(f"{datetime.fromtimestamp(at, UTC):%H:%M:%S} UTC  {text}") for at, text in view.faults[-3:]]
    return Group(*parts, *faults, foot)


def plain_line(row: Row) -> str:
    """A journal row as one line: UTC, channel, what."""
    return f"{row.utc[:23]}Z  {row.channel or '-':<12}  {row_words(row)}"


class ConsoleView:
    """Shows a station until closed. on_quit: called when the person presses q."""

    def __init__(self, station: Station, plain: bool, on_quit: Callable[[], None]) -> None:
        self._station = station
        self._on_quit = on_quit
        self._ended = threading.Event()
        console = Console(highlight=False)
        live = not plain and console.is_terminal
        self._thread = threading.Thread(target=self._show, args=(console, live), name="view", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ended.set()
        self._thread.join(2.0)

    def _show(self, console: Console, live: bool) -> None:
        """The live picture; should it break, plain lines and the reason, since a frozen picture looks calm."""
        if live:
            try:
                return self._live(console)
            except Exception as error:  # noqa: BLE001
                print(f"the live view broke ({type(error).__name__}: {error}); plain lines follow", flush=True)
        try:
            self._lines()
        except OSError as error:
            log.error("nobody reads the lines any more: %s", error)
        return None

    def _lines(self) -> None:
        cursor = 0
        while True:
            ended = self._ended.is_set()
            rows = self._station.rows_after(cursor, 0.0 if ended else 0.5)
            for row in rows:
                cursor = row.id
                if row.kind in _TOLD:
                    print(plain_line(row), flush=True)
            if ended:
                return

    def _live(self, console: Console) -> None:
        with _keys() as key, Live(console=console, screen=True, auto_refresh=False) as live:
            while not self._ended.is_set():
                view = self._station.snapshot()
                stale_s = time.time() - view.unix_s
                parts: list[RenderableType] = [picture(view, console.height)]
                if stale_s > 2:
                    parts.insert(0, Text(f" ✖ THIS VIEW IS {stale_s:.0f} s OLD ", style=f"bold {_COLOURS[State.BLIND]}"))
                live.update(Group(*parts), refresh=True)
                match key(0.25):
                    case "a":
                        self._station.acknowledge_all("console")
                    case "q":
                        self._on_quit()


@contextmanager
def _keys() -> Iterator[Callable[[float], str]]:
    """Gives a function that waits so long for one key, "" if none came. The terminal is put back afterwards."""
    try:
        import termios
        import tty

        descriptor = sys.stdin.fileno()
        before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
    except (ImportError, OSError, ValueError, termios.error):
        yield lambda wait_s: time.sleep(wait_s) or ""
        return

    def key(wait_s: float) -> str:
        ready, _, _ = select.select([descriptor], [], [], wait_s)
        return os.read(descriptor, 1).decode(errors="ignore") if ready else ""

    try:
        yield key
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
