"""Rows for people, with real threads: each once, in order, none lost, whoever asks and whoever writes meanwhile."""

import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from listener.keep.database import FILE_NAME
from listener.keep.records import Query, Records
from listener.watch import publication
from listener.watch.clock import SystemClock
from listener.watch.publication import Publication
from listener.watch.station import Station
from tests.watch.parts import channel, follow, is_state, load_bursts, running, save, settings, traffic

WRITERS, READERS, ROWS = 4, 3, 400


@pytest.fixture
def few_kept(monkeypatch):
    """So few rows are kept in memory that a slow reader must read the file."""
    monkeypatch.setattr(publication, "KEPT_ROWS", 50)


@pytest.fixture
def rows(tmp_path) -> Iterator[Publication]:
    made = Publication(tmp_path, SystemClock(), lambda text: None)
    yield made
    made.close()


def together(*works: Callable[[], None]) -> list[threading.Thread]:
    threads = [threading.Thread(target=work, daemon=True) for work in works]
    for thread in threads:
        thread.start()
    return threads


def read_all(rows: Publication | Station, into: list[int], ended: threading.Event, pause_s: float = 0.0) -> None:
    """What a page does: ask for what follows the last row it has, until the end, and once more."""
    while True:
        is_last = ended.is_set()
        into += [row.id for row in rows.rows_after(into[-1] if into else 0, 0.05)]
        if is_last:
            return
        time.sleep(pause_s)


def test_rows_of_many_threads_reach_every_reader_once_and_in_order(rows, few_kept):
    ended = threading.Event()
    seen: list[list[int]] = [[] for _ in range(READERS)]
    readers = together(*(lambda n=n: read_all(rows, seen[n], ended, pause_s=0.1 * n) for n in range(READERS)))
    writers = together(
        *(
            lambda n=n: [rows.append("note", {"who": str(n), "text": str(k)}) for k in range(ROWS)]
            for n in range(WRITERS)
        )
    )
    while any(thread.is_alive() for thread in writers) or rows.is_waiting:  # in this order: none writes after the last look
        rows.publish()
    ended.set()
    for thread in readers:
        thread.join(10.0)
    assert seen == [list(range(1, WRITERS * ROWS + 1))] * READERS


def test_a_row_is_published_when_it_is_on_the_disk_and_what_follows_from_it_is_done_first(rows, tmp_path):
    done: list[tuple[int, int]] = []
    row = rows.append("note", {"who": "a", "text": "b"}, then=lambda row: done.append((row.id, rows.cursor)))
    assert rows.rows_after(0) == [] and done == []
    rows.publish(wait_s=2.0)
    assert [r.id for r in rows.rows_after(0)] == [row.id] and done == [(row.id, 0)]
    assert [r.id for r in Records(tmp_path).rows()] == [row.id]


def test_a_journal_that_hangs_holds_a_row_back_for_less_than_a_second(rows, tmp_path):
    other = sqlite3.connect(tmp_path / FILE_NAME, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")  # another program holds the file: nothing can be written
    began = time.monotonic()
    row = rows.append("note", {"who": "a", "text": "b"})
    while not rows.rows_after(0):
        rows.publish()
        assert time.monotonic() - began < 1.0
        time.sleep(0.01)
    assert list(Records(tmp_path).rows()) == []
    other.execute("ROLLBACK")
    other.close()
    assert rows.close()
    assert [r.id for r in Records(tmp_path).rows()] == [row.id]


def test_a_watch_that_starts_again_goes_on_behind_the_rows_of_the_one_before(tmp_path):
    for run in range(2):
        rows = Publication(tmp_path, SystemClock(), lambda text: None)
        assert rows.cursor == 3 * run
        for text in "abc":
            rows.append("note", {"who": "a", "text": text})
        rows.publish(wait_s=2.0)
        assert [row.id for row in rows.rows_after(rows.cursor - 3)] == [3 * run + k for k in (1, 2, 3)]
        assert [row.id for row in rows.rows_after(0)] == list(range(1, 3 * run + 4)), "old ones come from the file"
        rows.close()


def test_that_the_journal_was_damaged_is_a_row_for_people_too(rows, tmp_path):
    rows.append("note", {"who": "a", "text": "z" * 20_000})
    rows.publish(wait_s=2.0)
    sqlite3.connect(tmp_path / FILE_NAME).execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with open(tmp_path / FILE_NAME, "r+b") as file:
        file.seek(-4096, os.SEEK_END)
        file.write(b"\xa5" * 4096)
    ends = time.monotonic() + 5.0
    while not [r for r in rows.rows_after(0) if r.body.get("what") == "journal_damaged"]:
        assert time.monotonic() < ends
        rows.append("note", {"who": "a", "text": "more"})
        rows.publish(wait_s=0.2)
    seen = [r.id for r in rows.rows_after(1)]
    assert seen == list(range(2, 2 + len(seen)))


def test_a_station_is_asked_and_told_by_many_threads_while_it_turns(tmp_path: Path):
    file = save(tmp_path / "radio.wav", traffic(8.0, [1.0], 16_000), 16_000)
    given = settings(tmp_path, [{"name": "Launch", "file": str(file)}])
    ended = threading.Event()
    broken: list[BaseException] = []
    acknowledged: list[int] = []
    noted: list[int] = []
    seen: list[int] = []

    with running(Station(given, tmp_path / "state", load=load_bursts)) as station:

        def until_ended(work: Callable[[], object]) -> Callable[[], None]:
            def turn() -> None:
                try:
                    while not ended.is_set():
                        work()
                        time.sleep(0.001)
                except BaseException as error:  # noqa: BLE001, it is looked at below
                    broken.append(error)

            return turn

        def acknowledge() -> None:
            for shown in station.snapshot().channels[0].unacknowledged:
                if station.desk.acknowledge(shown.id, "one of three"):
                    acknowledged.append(shown.id)

        def look() -> None:
            times = [s.unix_s for s in station.strip(0)]
            assert times == sorted(times)
            station.words_heard(0)
            station.snapshot().as_dict()

        def note() -> None:
            noted.append(station.desk.add("note", 1, {"who": "a", "text": "b"}).id)

        threads = together(*[until_ended(acknowledge)] * 3, *[until_ended(look)] * 2, until_ended(note))
        threads += together(lambda: read_all(station, seen, ended))
        follow(station, is_state("LISTENING"), 20.0)
        follow(station, lambda s: len(acknowledged) >= 1, 30.0)
        ended.set()
        for thread in threads[:-1]:
            thread.join(5.0)
        follow(station, lambda s: s.snapshot().cursor >= noted[-1], 5.0)
        threads[-1].join(5.0)
        seen += [row.id for row in station.rows_after(seen[-1])]
        assert channel(station).gaps == 0
    assert broken == []
    alerts = [row.id for row in Records(station.folder).rows(Query(kinds=("alert",)))]
    about = [row.about for row in Records(station.folder).rows(Query(kinds=("acknowledge",)))]
    assert about == acknowledged and len(set(about)) == len(about), "each is acknowledged by one of the three, once"
    assert set(about) <= set(alerts)
    assert seen == list(range(1, len(seen) + 1)) and set(noted) <= set(seen)
