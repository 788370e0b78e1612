"""The console view: a live picture on a terminal, plain lines anywhere else.

It runs in a thread of its own: a terminal that stands still must not stop the station.
"""

import logging
import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from listener.watch.show.entry import IDLE_S, Entry, radio_work, resolve, take_watch, tick_step
from listener.watch.show.picture import ALARM, is_told, picture, plain_line
from listener.watch.station import Station

log = logging.getLogger(__name__)

_DRAWN_S = 0.25  # as often as this; and at once when there is something new in the journal
_STALE_S = 2.0
_SAID_S = 5.0


class ConsoleView:
    """Shows a station until closed. on_quit: called when the person presses q."""

    def __init__(self, station: Station, plain: bool, on_quit: Callable[[], None]) -> None:
        self._station = station
        self._on_quit = on_quit
        self._cursor = station.cursor  # rows of earlier watches are for `listener journal`
        self._ended = threading.Event()
        console = Console(highlight=False)
        live = not plain and console.is_terminal
        self._thread = threading.Thread(target=self._show, args=(console, live), name="view", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the picture and give the terminal back."""
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
        while True:
            ended = self._ended.is_set()
            rows = self._station.rows_after(self._cursor, 0.0 if ended else 0.5)
            for row in rows:
                self._cursor = row.id
                if is_told(row):
                    print(plain_line(row), flush=True)
            if ended:
                return

    def _live(self, console: Console) -> None:
        drawn_s, cursor = -1.0, -1
        entry: Entry | None = None
        said, said_s = "", 0.0
        with _keys() as key, Live(console=console, screen=True, auto_refresh=False) as live:
            while not self._ended.is_set():
                view = self._station.snapshot()
                if view.cursor != cursor or time.monotonic() - drawn_s >= _DRAWN_S:
                    drawn_s, cursor = time.monotonic(), view.cursor
                    foot = entry.line if entry else said if time.monotonic() - said_s < _SAID_S else ""
                    parts: list[RenderableType] = [picture(view, console.height, console.width, foot)]
                    if (stale_s := time.time() - view.unix_s) > _STALE_S:
                        parts.insert(0, Text(f" ✖ THIS VIEW IS {stale_s:.0f} s OLD ", style=ALARM))
                    live.update(Group(*parts), refresh=True)
                pressed = key(0.05)
                if entry and not pressed and time.monotonic() - entry.touched_s > IDLE_S:
                    entry = None
                if entry and pressed:
                    entry.touched_s, drawn_s = time.monotonic(), -1.0
                    if (ended := entry.press(pressed)) is not None:
                        entry, said, said_s = None, ended, time.monotonic()
                    continue
                match pressed:
                    case "a":
                        if self._station.hides_alerts:
                            self._station.desk.by_ear("console")
                        else:
                            self._station.desk.acknowledge_all("console")
                    case "b":
                        self._station.desk.acknowledge_blind("console")
                    case "w" | "m" | "r":
                        entry = {"w": take_watch, "m": radio_work, "r": resolve}[pressed](self._station)
                        drawn_s = -1.0
                        if entry:
                            entry.touched_s = time.monotonic()
                    case "1" | "2" | "3" | "4" | "5" | "6" | "7" | "8" | "9":
                        if ticked := tick_step(self._station, int(pressed)):
                            said, said_s, drawn_s = ticked, time.monotonic(), -1.0
                    case "q":
                        self._on_quit()


def _no_key(wait_s: float) -> str:
    time.sleep(wait_s)
    return ""


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
        yield _no_key
        return

    def key(wait_s: float) -> str:
        ready, _, _ = select.select([descriptor], [], [], wait_s)
        return os.read(descriptor, 1).decode(errors="ignore") if ready else ""

    try:
        yield key
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
