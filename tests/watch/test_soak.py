"""A long watch, faster than the clock: memory stays, times stay true, every call is found.

By default six minutes of stream with an engine that loads at once. LISTENER_SOAK_H=10 makes it a full
watch, and LISTENER_SOAK_ENGINE=ear gives it the shipped ear and the recorded exercise over and over.
"""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.events import Alert
from listener.keep.records import Query, Records
from listener.replay.run import replay
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.station import Station
from tests.watch.parts import CALL_S, channel, follow, load_bursts, running, save, settings, traffic

HOURS = float(os.environ.get("LISTENER_SOAK_H", "0.1"))
ENGINE = os.environ.get("LISTENER_SOAK_ENGINE", "bursts")
EXERCISE = Path(__file__).parent.parent.parent / "recordings_synthetic" / "exercise_halvard.flac"
BURSTS_S = (7.0, 31.3, 48.9)
GROWTH_MB = 20.0
DRIFT_S = 0.050
# A soak takes all the computer gives and is often run behind other work: nothing in it is judged by the clock.
PATIENT = {"backlog_s": 30.0, "heartbeat_s": 60.0}


@dataclass(frozen=True)
class Round:
    """What is played over and over: a whole number of seconds, so that it cuts no frame of the gate anew."""

    file: Path
    length_s: float
    settings: Settings
    load: LoadEngine
    ends_s: tuple[float, ...]  # of the calls in it


def round_of_bursts(tmp_path: Path) -> Round:
    file = save(tmp_path / "radio.wav", traffic(60.0, list(BURSTS_S), 16_000), 16_000)
    given = settings(tmp_path, [{"name": "Launch", "file": str(file)}], supervision=PATIENT)
    return Round(file, 60.0, given, load_bursts, tuple(call + CALL_S[-1][1] for call in BURSTS_S))


def round_of_the_exercise(tmp_path: Path) -> Round:
    """Its calls are those that `replay` finds in the same file."""
    sound, rate_hz = soundfile.read(EXERCISE, dtype="float32")
    length_s = -(-len(sound) // rate_hz)
    sound = np.concatenate([sound, np.zeros(length_s * rate_hz - len(sound), np.float32)])
    file = save(tmp_path / "radio.wav", sound, rate_hz)
    health = {"digital_silence_s": "off", "lowest_level_dbov": "off", "steady_carrier_s": "off"}
    watch = {
        "channels": [{"name": "Launch", "file": str(file)}], "tone": {"enabled": False}, "least_free_mb": 1,
        "health": health, "supervision": PATIENT,
    }  # fmt: skip
    given = Settings.model_validate({"engine": ENGINE, "watch": watch})
    ends_s = [
        e.end_s for heard in replay(file, given, load_engine(given)) for e in heard.events if isinstance(e, Alert)
    ]
    return Round(file, float(length_s), given, load_engine, tuple(ends_s))


def memory_mb(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc (Linux)")
def test_a_long_watch_neither_grows_nor_drifts_nor_misses_a_call(tmp_path):
    played = round_of_bursts(tmp_path) if ENGINE == "bursts" else round_of_the_exercise(tmp_path)
    rounds = max(1, round(HOURS * 3600 / played.length_s))
    length_s = rounds * played.length_s
    memory: dict[str, list[float]] = {"station": [], "capture": [], "recogniser": []}
    station = Station(played.settings, tmp_path / "state", load=played.load, speed=0.0, rounds=rounds)

    def measure() -> None:
        pids = {"station": os.getpid(), **channel(station).pids}
        for name, pid in pids.items():
            memory[name].append(memory_mb(pid))

    with running(station):
        follow(station, lambda s: channel(s).proof_passed is True, 120.0)
        # The ring (40 s of sound) and the strips fill up first: growth is counted after five minutes of stream.
        start_s = min(300.0, length_s / 3)
        follow(station, lambda s: channel(s).stream_s > start_s, max(120.0, length_s))
        for tenth in range(1, 11):
            measure()
            aim_s = start_s + (length_s - start_s) * tenth / 10
            follow(station, lambda s, aim_s=aim_s: channel(s).stream_s >= aim_s - 1e-3, max(120.0, length_s))
            station.desk.acknowledge_all("soak")
        follow(station, lambda s: channel(s).behind_s == 0, 120.0)
        measure()
        restarts = channel(station).restarts
    ends_s = [row.body["end_s"] for row in Records(station.folder).rows(Query(kinds=("alert",)))]
    expected_s = [k * played.length_s + end_s for k in range(rounds) for end_s in played.ends_s]
    print(f"{length_s / 3600:.2f} h of {ENGINE}: {len(ends_s)} of {len(expected_s)} calls, {restarts} restarts")
    print("memory, MB:", {name: [round(size, 1) for size in sizes] for name, sizes in memory.items()})
    assert len(ends_s) == len(expected_s) > 0
    drift_s = max(abs(found - said) for found, said in zip(ends_s, expected_s, strict=True))
    print(f"drift at most {drift_s * 1000:.0f} ms")
    assert drift_s <= DRIFT_S
    for name, sizes in memory.items():
        assert sizes[-1] - sizes[0] < GROWTH_MB, f"{name}: {[round(size, 1) for size in sizes]} MB"
    assert Records(station.folder).check() == []
