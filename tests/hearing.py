"""Sound files through the Monitor in tests, several at once on all cores."""

import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from listener.events import Event
from listener.replay.run import replay
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.speech.spotter import Engine


@dataclass(frozen=True)
class FileHeard:
    """What came of one file: the events of each kind, and the processor seconds it took."""

    events: list[Event]
    took_s: float
    sound_s: float

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]


_engines: dict[str, Engine] = {}


def _engine(settings: Settings) -> Engine:
    """Loaded once for the same phrases: loading costs more than hearing a short file."""
    key = settings.model_dump_json(include={"engine", "ear", "vosk", "phrases", "pronounce"})
    if key not in _engines:
        _engines[key] = load_engine(settings)
    return _engines[key]


def hear(path: Path, settings: Settings) -> FileHeard:
    """One file, every channel."""
    engine = _engine(settings)
    began_s = time.process_time()
    parts = list(replay(path, settings, engine))
    took_s = time.process_time() - began_s
    return FileHeard([e for part in parts for e in part.events], took_s, parts[-1].read_s * parts[-1].channels)


def hear_all(jobs: list[tuple[Path, Settings]]) -> list[FileHeard]:
    """Many files, two at a time, the longest first so that neither process waits long for the other."""
    order = sorted(range(len(jobs)), key=lambda i: -jobs[i][0].stat().st_size)
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        heard = dict(zip(order, pool.map(hear, *zip(*(jobs[i] for i in order), strict=True)), strict=True))
    return [heard[i] for i in range(len(jobs))]
