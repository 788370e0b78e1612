"""Faults put in on purpose, in real processes: BLIND with the reason within two seconds, recovery, nothing lost."""

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from listener.errors import UserError
from listener.keep.database import FILE_NAME
from listener.keep.records import Query, Records
from listener.watch.clock import SystemClock
from listener.watch.parts import recogniser
from listener.watch.station import Station
from tests.watch import engines
from tests.watch.parts import (
    PIPEWIRE,
    channel,
    follow,
    has_sound_server,
    is_blind,
    is_state,
    load_bursts,
    running,
    save,
    settings,
    sound_server,
    talk,
    traffic,
)  # fmt: skip

STARTED_S = 20.0
SEEN_S = 2.0
WELL_S = 15.0


def rows(station: Station, kind: str) -> list[dict]:
    return [row.body for row in Records(station.folder).rows(Query(kinds=(kind,)))]


def station_on_file(tmp_path: Path, calls_s: list[float], length_s: float = 60.0, **given) -> Station:
    load = given.pop("load", load_bursts)
    clock = given.pop("clock", None)
    sound = given.pop("sound", None)
    file = save(tmp_path / "radio.wav", traffic(length_s, calls_s, 16_000) if sound is None else sound, 16_000)
    return Station(
        settings(tmp_path, [{"name": "Launch", "file": str(file)}], **given), tmp_path / "state", load=load, clock=clock
    )


def wait_stream(station: Station, stream_s: float) -> None:
    follow(station, lambda s: channel(s).stream_s >= stream_s, stream_s + STARTED_S)


# -- the recogniser ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "fault, code", [(signal.SIGKILL, "worker_dead"), (signal.SIGSTOP, "stalled")], ids=["kill -9", "stopped"]
)
def test_a_recogniser_that_dies_or_stops_in_the_middle_of_a_call_loses_nothing(tmp_path, fault, code):
    with running(station_on_file(tmp_path, [6.0, 30.0])) as station:
        follow(station, is_state("LISTENING"), STARTED_S)
        wait_stream(station, 8.0)  # the second word is being said
        os.kill(channel(station).pids["recogniser"], fault)
        assert follow(station, is_blind(code), SEEN_S) < SEEN_S
        follow(station, is_state("CALL HEARD"), WELL_S)
        assert station.desk.acknowledge_all("test") == 1
        follow(station, is_state("LISTENING"), WELL_S)
        # Once more, so near behind the call that the next one hears it again: it is not told twice.
        os.kill(channel(station).pids["recogniser"], signal.SIGKILL)
        follow(station, is_blind("worker_dead"), SEEN_S)
        follow(station, is_state("LISTENING"), WELL_S)
        assert channel(station).restarts == 2
    (alert,) = rows(station, "alert")
    assert alert["start_s"] == pytest.approx(7.0, abs=0.05) and alert["end_s"] == pytest.approx(9.0, abs=0.05)
    states = [state["state"] for state in rows(station, "state")]
    assert states.count("CALL HEARD") == 1 and states[-1] == "LISTENING"


def test_what_a_recogniser_still_holds_at_the_end_is_told_but_nothing_twice(tmp_path):
    with running(station_on_file(tmp_path, [1.0])) as station:
        follow(station, is_state("CALL HEARD"), STARTED_S)
        (alert,) = station.channels[0].calls._heard
        later = replace(alert, start_s=alert.start_s + 60.0, end_s=alert.end_s + 60.0)
        # As one would that was started anew a moment ago: it has just heard the call again, and another.
        stop = station.channels[0].recogniser.stop
        station.channels[0].recogniser.stop = lambda: [*stop(), alert, later]
    assert [row["start_s"] for row in rows(station, "alert")] == [alert.start_s, later.start_s]


@pytest.mark.parametrize(
    "load, code, said",
    [
        (engines.breaking, "worker_dead", "ZeroDivisionError: nobody foresaw this"),
        (engines.missing_model, "worker_dead", "models/none: no model there"),
        (engines.deaf, "proof_failed", "a known call of 'suspend' was played to a second recogniser and not found"),
        (engines.slow, "behind", "the recogniser is"),
    ],
    ids=["error", "no model", "deaf", "slow"],
)
def test_a_recogniser_that_cannot_do_its_work_is_blind_and_says_why(tmp_path, load, code, said):
    with running(station_on_file(tmp_path, [], sound=talk(60.0, 16_000), load=load)) as station:
        follow(station, is_blind(code), STARTED_S + 10)
        assert any(said in because.detail for because in channel(station).because)


def test_a_leaking_recogniser_is_started_anew(tmp_path):
    with running(station_on_file(tmp_path, [], load=engines.leaking, supervision={"memory_mb": 400})) as station:
        follow(station, is_blind("leaking"), STARTED_S)
        first = channel(station).pids["recogniser"]
        follow(station, lambda s: channel(s).pids["recogniser"] not in (0, first), WELL_S)
    assert any(r["code"] == "leaking" for state in rows(station, "state") for r in state["reasons"])


def test_sound_that_came_while_a_recogniser_stood_still_too_long_is_a_journalled_gap(tmp_path):
    limits = {"backlog_s": 2.0, "heartbeat_s": 3.0}
    with running(station_on_file(tmp_path, [], supervision=limits)) as station:
        follow(station, is_state("LISTENING"), STARTED_S)
        os.kill(channel(station).pids["recogniser"], signal.SIGSTOP)
        follow(station, is_blind("behind"), SEEN_S + 1.0)
        follow(station, lambda s: channel(s).gaps == 1, WELL_S)
        follow(station, is_state("LISTENING"), WELL_S)
    (gap,) = rows(station, "gap")
    assert gap["seconds"] > 4.0 and gap["samples"] == pytest.approx(gap["seconds"] * 16_000, abs=20)
    assert "unheard" in gap["why"]


def test_on_a_busy_machine_what_is_too_long_ago_is_left_and_nothing_is_loaded_anew(tmp_path, monkeypatch):
    """To load anew makes a busy machine busier: four channels never came to listen that way."""
    monkeypatch.setattr(recogniser, "_CATCH_UP_S", 3.0)
    load = engines.slow  # and yet uses hardly any of the processor, as one that does not get it
    with running(station_on_file(tmp_path, [], sound=talk(60.0, 16_000), load=load, supervision={"backlog_s": 2.0})) as station:
        follow(station, is_blind("behind"), STARTED_S)
        follow(station, lambda s: channel(s).gaps == 2, STARTED_S)
        assert channel(station).restarts == 0
        follow(station, lambda s: channel(s).behind_s < 1.0, 5.0)
    gap = rows(station, "gap")[-1]
    assert gap["seconds"] > 1.0 and gap["why"] == "unheard: the recogniser was behind"


# -- capture, journal, disk, clock ---------------------------------------------------------------------------


def test_a_capture_process_that_dies_is_blind_and_comes_back(tmp_path):
    with running(station_on_file(tmp_path, [3.0])) as station:
        follow(station, is_state("LISTENING"), STARTED_S)
        os.kill(channel(station).pids["capture"], signal.SIGKILL)
        assert follow(station, is_blind("device_gone"), SEEN_S) < SEEN_S
        follow(station, is_state("CALL HEARD"), STARTED_S)


def test_a_damaged_last_page_of_the_journal_is_told_set_aside_and_written_on(tmp_path):
    with running(station_on_file(tmp_path, [6.0])) as station:
        follow(station, is_state("LISTENING"), STARTED_S)
        path = station.folder / FILE_NAME
        sqlite3.connect(path).execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with open(path, "r+b") as file:
            file.seek(-4096, os.SEEK_END)
            file.write(b"\xa5" * 4096)
        assert follow(station, is_blind("journal"), SEEN_S) < SEEN_S
        follow(station, is_state("CALL HEARD"), WELL_S + 8)
        alert = channel(station).last_alert
    assert [row.id for row in Records(station.folder).rows(Query(kinds=("alert",)))] == [alert.id]
    assert list(station.folder.glob("journal.damaged-*.db"))


class SteppingClock(SystemClock):
    """The wall clock can be stepped."""

    step_s = 0.0

    def unix(self) -> float:
        return time.time() + self.step_s


def test_a_step_of_the_computer_s_clock_is_told_and_passes(tmp_path):
    clock = SteppingClock()
    with running(station_on_file(tmp_path, [], clock=clock)) as station:
        follow(station, is_state("LISTENING"), STARTED_S)
        clock.step_s = -3600.0
        assert follow(station, is_blind("clock_jump"), SEEN_S) < SEEN_S
        follow(station, is_state("LISTENING"), WELL_S)
    assert any("stepped by -3600.0 s" in fault["detail"] for fault in rows(station, "fault"))


@dataclass
class SmallDisk:
    """A disk of 3 MB; where none can be mounted, SQLite's limit of pages gives the same error, SQLITE_FULL."""

    folder: Path
    mounted: bool

    def fill(self, station: Station) -> None:
        if not self.mounted:
            station.logbook.journal.database.connection.execute("PRAGMA max_page_count = 1")
            return
        try:
            with open(self.folder / "filler", "wb") as out:
                while True:
                    out.write(b"x" * 4096)
                    out.flush()
        except OSError:
            assert shutil.disk_usage(self.folder).free == 0

    def free(self, station: Station) -> None:
        if self.mounted:
            (self.folder / "filler").unlink()
        else:
            station.logbook.journal.database.connection.execute("PRAGMA max_page_count = 1000000")


@pytest.fixture
def small_disk(tmp_path):
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", str(place)], capture_output=True)
    yield SmallDisk(place, done.returncode == 0)
    if done.returncode == 0:
        subprocess.run(["umount", "-l", str(place)], check=True)


def test_on_a_full_disk_calls_are_still_told_and_are_written_when_there_is_room(tmp_path, small_disk):
    file = save(tmp_path / "radio.wav", traffic(60.0, [6.0], 16_000), 16_000)
    given = settings(tmp_path, [{"name": "Launch", "file": str(file)}])
    with running(Station(given, small_disk.folder / "state", load=load_bursts)) as station:
        follow(station, is_state("LISTENING"), STARTED_S)
        small_disk.fill(station)
        station.desk.add("note", 0, {"text": "z" * 5000})
        assert follow(station, is_blind("disk_full"), SEEN_S) < SEEN_S
        follow(station, is_state("CALL HEARD"), WELL_S + 8)
        assert "disk_full" in [b.code for b in channel(station).because]
        small_disk.free(station)
        follow(station, lambda s: "disk_full" not in [b.code for b in channel(s).because], WELL_S)
        shown = channel(station).last_alert
    (alert,) = Records(station.folder).rows(Query(kinds=("alert",)))
    assert (alert.id, alert.utc) == (shown.id, shown.utc)
    assert Records(station.folder).check() == []


# -- the sound server --------------------------------------------------------------------------------------------


@pytest.fixture
def server(tmp_path, need, monkeypatch):
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", ["launch"]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        yield server


def station_on_server(tmp_path: Path, **given) -> Station:
    channels = [{"name": "Launch", "device": "launch", "rate_hz": 48_000}]
    return Station(settings(tmp_path, channels, **given), tmp_path / "state", load=load_bursts)


def test_a_device_that_vanishes_and_one_that_falls_silent_are_seen_and_come_back(tmp_path, server):
    radio = save(tmp_path / "radio.wav", traffic(120.0, [60.0], 48_000))
    player = server.play("launch", radio)
    with running(station_on_server(tmp_path)) as station:
        follow(station, is_state("LISTENING"), STARTED_S)

        module = server.control("list", "short", "modules").split("module-null-sink")[0].split()[-1]
        server.control("unload-module", module)
        assert follow(station, is_blind("device_gone"), SEEN_S) < SEEN_S
        player.kill()
        went = time.monotonic()
        follow(station, lambda s: time.monotonic() - went > 2.5, 5.0)
        server.add_sink("launch")
        player = server.play("launch", save(tmp_path / "call.wav", traffic(40.0, [5.0, 25.0], 48_000)))
        follow(station, is_state("CALL HEARD"), STARTED_S + 10)
        assert station.desk.acknowledge_all("test") == 1

        if not PIPEWIRE:  # which goes on with zeros, and does not wake such a sink again
            server.control("suspend-sink", "launch", "1")
            assert follow(station, is_blind("no_frames"), SEEN_S) < SEEN_S
            server.control("suspend-sink", "launch", "0")
            follow(station, is_state("LISTENING"), WELL_S)

        player.kill()  # nobody plays: the null sink gives exact zeros
        assert follow(station, is_blind("digital_silence"), SEEN_S + 0.3) < SEEN_S + 0.3
    gap = rows(station, "gap")[0]
    assert 2.5 < gap["seconds"] < 12.0 and gap["why"] == "the device was gone"
    assert gap["samples"] == pytest.approx(gap["seconds"] * 48_000, abs=30)


def rings_of_nobody() -> set[str]:
    """Rings of 48 kHz that lie in the computer's shared memory and that no process uses."""
    used = set()
    for maps in Path("/proc").glob("[0-9]*/maps"):
        with suppress(OSError):
            used |= set(re.findall(r"/dev/shm/(\S+)", maps.read_text()))
    with_size = {file.name: file.stat().st_size for file in Path("/dev/shm").iterdir() if file.exists()}
    return {name for name, size in with_size.items() if size > 4 * 40 * 48_000 and name not in used}


def test_a_device_that_is_not_there_at_the_start_is_blind_until_it_is(tmp_path, server):
    module = server.control("list", "short", "modules").split("module-null-sink")[0].split()[-1]
    server.control("unload-module", module)
    with running(station_on_server(tmp_path)) as station:
        before = rings_of_nobody()
        follow(station, is_blind("device_gone"), STARTED_S)
        assert ("connected it to nothing" if PIPEWIRE else "cannot be opened") in channel(station).because[0].detail
        follow(station, lambda s: channel(s).restarts >= 2, STARTED_S)
        follow(station, lambda s: rings_of_nobody() <= before, 1.0)  # a try that failed keeps no ring
        server.add_sink("launch")
        player = server.play("launch", save(tmp_path / "radio.wav", traffic(30.0, [], 48_000)))
        follow(station, is_state("LISTENING"), STARTED_S)
        player.kill()


def test_two_stations_cannot_share_a_folder(tmp_path):
    with running(station_on_file(tmp_path, [])), pytest.raises(UserError, match="another listener"):
        station_on_file(tmp_path, [])
