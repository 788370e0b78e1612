"""What `listener replay` prints: results on stdout, progress, faults and totals on stderr."""

import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from listener.alert.console import call_line, clock, results_console, side_console
from listener.alert.lines import json_line
from listener.errors import UserError
from listener.events import Candidate, Event, Fault, PartlyHeard
from listener.replay import replay
from listener.settings import Settings
from listener.speech.engines import ENGINES, load_engine


@dataclass(slots=True)
class _Totals:
    files: int = 0
    sound_s: float = 0.0
    kinds: Counter[str] = field(default_factory=Counter)

    def line(self, took_s: float) -> str:
        rate = f"real-time factor {took_s / self.sound_s:.3f}" if self.sound_s else "nothing heard"
        return (
            f"{self.files} file{'' if self.files == 1 else 's'}, {clock(self.sound_s)} of sound: "
            f"{self.kinds['alert']} call{'' if self.kinds['alert'] == 1 else 's'} heard, "
            f"{self.kinds['partly_heard']} partly; took {took_s:.1f} s, {rate}"
        )


def replay_files(files: list[Path], settings: Settings, as_json: bool, everything: bool, paced: bool) -> int:
    """Replay every file and print what is heard; gives the exit status (1 if any file was bad)."""
    engine = load_engine(settings)
    results, side = results_console(), side_console()
    totals, bad = _Totals(), False
    began = time.perf_counter()
    with _progress(side) as progress:
        for path in files:
            task = progress.add_task(path.name, total=None)
            heading = not as_json
            read_s = 0.0
            try:
                for heard in replay(path, settings, engine, paced):
                    progress.update(task, completed=heard.read_s, total=heard.length_s)
                    read_s = heard.read_s * heard.channels
                    totals.kinds.update(event.kind for event in heard.events)
                    for event in heard.events:
                        if not _is_shown(event, as_json, everything):
                            continue
                        if isinstance(event, Fault):
                            side.print(f"{path}: channel {event.channel}: {event.detail}", markup=False)
                            continue
                        if as_json:
                            print(json_line(event, str(path)), flush=True)
                            continue
                        if heading:
                            results.print(str(path), markup=False)
                            heading = False
                        results.print(call_line(event, heard.channels))
            except UserError as error:
                bad = True
                side.print(f"listener: {error}", markup=False)
            totals.files += 1
            totals.sound_s += read_s
            progress.remove_task(task)
    side.print(totals.line(time.perf_counter() - began), markup=False)
    return 1 if bad else 0


def _is_shown(event: Event, as_json: bool, everything: bool) -> bool:
    if isinstance(event, Candidate):
        return everything
    return everything or not (as_json and isinstance(event, PartlyHeard))


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
