"""A long watch, faster than the clock: memory stays, times stay true, every call is found.

By default a quarter of an hour of stream. LISTENER_SOAK_H=10 makes it a full watch (some minutes).
"""

import os
from pathlib import Path

import pytest

from listener.alert.records import Query, Records
from listener.watch.station import Station
from tests.watch.parts import CALL_S, channel, follow, load_bursts, running, save, settings, traffic

HOURS = float(os.environ.get("LISTENER_SOAK_H", "0.25"))
ROUND_S = 60.0
CALLS_S = (7.0, 31.3, 48.9)
GROWTH_MB = 20.0
DRIFT_S = 0.050


def memory_mb(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc (Linux)")
def test_a_long_watch_neither_grows_nor_drifts_nor_misses_a_call(tmp_path):
    rounds = round(HOURS * 3600 / ROUND_S)
    file = save(tmp_path / "radio.wav", traffic(ROUND_S, list(CALLS_S), 16_000), 16_000)
    given = settings(tmp_path, [{"name": "Launch", "file": str(file)}], supervision={"backlog_s": 30.0})
    memory: dict[str, list[float]] = {"station": [], "capture": [], "recogniser": []}
    station = Station(given, tmp_path / "state", load=load_bursts, speed=0.0, rounds=rounds)
    length_s = rounds * ROUND_S

    def measure() -> None:
        pids = {"station": os.getpid(), **channel(station).pids}
        for name, pid in pids.items():
            memory[name].append(memory_mb(pid))

    with running(station):
        follow(station, lambda s: channel(s).proof_passed is True, 60.0)
        # The ring (40 s of sound) and the strips fill up first: growth is counted after five minutes of stream.
        follow(station, lambda s: channel(s).stream_s > min(300.0, length_s / 3), 120.0)
        for tenth in range(1, 11):
            measure()
            start_s = min(300.0, length_s / 3)
            aim_s = start_s + (length_s - start_s) * tenth / 10
            follow(station, lambda s, aim_s=aim_s: channel(s).stream_s >= aim_s - 1e-3, max(120.0, length_s / 10))
            station.acknowledge_all("soak")
        follow(station, lambda s: channel(s).behind_s == 0, 30.0)
        measure()
    for name, sizes in memory.items():
        assert sizes[-1] - sizes[0] < GROWTH_MB, f"{name}: {[round(size, 1) for size in sizes]} MB"
    ends_s = [row.body["end_s"] for row in Records(station.folder).rows(Query(kinds=("alert",)))]
    expected_s = [k * ROUND_S + call + CALL_S[-1][1] for k in range(rounds) for call in CALLS_S]
    assert len(ends_s) == len(expected_s)
    drift_s = max(abs(found - said) for found, said in zip(ends_s, expected_s, strict=True))
    print(f"{HOURS:g} h: {len(ends_s)} calls, drift at most {drift_s * 1000:.0f} ms, memory {memory}")
    assert drift_s <= DRIFT_S
    assert Records(station.folder).check() == []
