"""What `listener replay` prints: results on stdout; progress, faults and totals on stderr."""

import time
from collections import Counter
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from listener.errors import UserError
from listener.events import Candidate, Event, Fault, PartlyHeard, Update
from listener.network.captures import is_capture
from listener.replay.captured import replay_capture, utc
from listener.replay.run import replay
from listener.settings import Settings
from listener.speech.engines import ENGINES, load_engine
from listener.tell.console import call_line, clock, results_console, side_console, update_line
from listener.tell.json_lines import json_line
from listener.tell.json_lines import update_line as json_update


class Report:
    """Prints what is heard as it comes, and counts it.

    as_json: alerts as JSON lines instead of lines for people. everything: calls that were heard too
    weakly for an alert as well (and, as JSON, those partly heard).
    """

    def __init__(self, as_json: bool, everything: bool) -> None:
        self._as_json = as_json
        self._everything = everything
        self._results, self.side = results_console(), side_console()
        self._kinds: Counter[str] = Counter()
        self._headed: Path | None = None
        self._files = 0
        self._sound_s = 0.0

    def tell(self, event: Event, file: Path, channels: int, began_unix_s: float | None = None) -> None:
        """One event of a file. began_unix_s: when second 0 of it was, if that is known."""
        self._kinds[event.kind] += 1
        if isinstance(event, Fault):
            where = f"{file}: channel {event.channel}" if channels > 1 else f"{file}"
            self.warn(f"{where}: {event.detail} (at {clock(event.raised_s)})")
        elif not self._is_wanted(event):
            return
        elif isinstance(event, Update):
            if self._as_json:
                print(json_update(event, str(file)), flush=True)
            else:
                self._results.print(update_line(event, channels))
        elif self._as_json:
            print(json_line(event, str(file), None if began_unix_s is None else utc(began_unix_s + event.start_s)), flush=True)
        else:
            if self._headed != file:
                self._results.print(str(file), markup=False)
                self._headed = file
            line = call_line(event, channels)
            if began_unix_s is not None:
                line.append(f"  stream {event.channel}  {utc(began_unix_s + event.start_s)}")
            self._results.print(line)

    def warn(self, line: str) -> None:
        """One line on stderr."""
        self.side.print(f"listener: {line}", markup=False)

    def add(self, sound_s: float) -> None:
        """A file is done; sound_s of sound was heard in it, all channels together."""
        self._files += 1
        self._sound_s += sound_s

    def totals(self, took_s: float) -> None:
        """The last line on stderr."""
        speed = f"real-time factor {took_s / self._sound_s:.3f}" if self._sound_s else "no sound"
        self.side.print(
            f"{_count(self._files, 'file')}, {clock(self._sound_s)} of sound: "
            f"{_count(self._kinds['alert'], 'call')} heard, {self._kinds['partly_heard']} partly; "
            f"took {took_s:.1f} s, {speed}",
            markup=False,
        )

    def _is_wanted(self, event: Event) -> bool:
        if isinstance(event, Candidate) or (self._as_json and isinstance(event, PartlyHeard)):
            return self._everything
        return True


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def replay_files(
    files: list[Path], settings: Settings, as_json: bool, everything: bool, paced: bool, stream: int | None = None
) -> int:
    """Replay every file and print what is heard; gives the exit status: 1 if any file was bad.

    stream: of packet captures, only the stream of this number.
    """
    engine = load_engine(settings)
    report, bad = Report(as_json, everything), False
    began_s = time.perf_counter()
    with _progress(report.side) as progress:
        for file in files:
            task = progress.add_task(file.name, total=None)
            heard_s = 0.0
            try:
                parts = (
                    replay_capture(file, settings, engine, stream, report.warn)
                    if is_capture(file)
                    else replay(file, settings, engine, paced)
                )
                for heard in parts:
                    progress.update(task, completed=heard.read_s, total=heard.length_s)
                    heard_s = heard.read_s * heard.channels
                    for event in heard.events:
                        report.tell(event, file, heard.channels, heard.began_unix_s)
            except UserError as error:
                bad = True
                report.warn(str(error))
            report.add(heard_s)
            progress.remove_task(task)
    report.totals(time.perf_counter() - began_s)
    return 1 if bad else 0


def _progress(side: Console) -> Progress:
    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TimeRemainingColumn(),
        console=side,
        transient=True,
        disable=not side.is_terminal,
    )


def print_engines(settings: Settings) -> None:
    """One line an engine: its name, whether it can be used with these settings, and if not why."""
    for name in ENGINES:
        chosen = "*" if name == settings.engine else " "
        try:
            load_engine(settings.model_copy(update={"engine": name}))
            state = "ready"
        except UserError as error:
            state = str(error)
        print(f"{chosen} {name:<8} {state}")
