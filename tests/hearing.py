"""Sound files through the Monitor in tests, several at once on all cores."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from listener.events import Event
from listener.replay import replay
from listener.settings import Settings
from listener.speech.engines import load_engine


@dataclass(frozen=True)
class Heard:
    """What came of one file: the events of each kind, and the processor seconds it took."""

    events: list[Event]
    took_s: float
    sound_s: float

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]


def hear(path: Path, settings: Settings) -> Heard:
    """One file, every channel."""
    import time

    engine = load_engine(settings)
    began_s = time.process_time()
    parts = list(replay(path, settings, engine))
    took_s = time.process_time() - began_s
    return Heard([e for part in parts for e in part.events], took_s, parts[-1].read_s * parts[-1].channels)


def hear_all(jobs: list[tuple[Path, Settings]]) -> list[Heard]:
    """Many files, two at a time."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        return list(pool.map(hear, *zip(*jobs, strict=True)))
