"""The journal: what was reported as kept is there, whatever is done to the process, the disk or the file."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from listener.errors import UserError
from listener.keep.database import FILE_NAME
from listener.keep.journal import MOST_WAITING, Journal
from listener.keep.records import Query, Records, as_csv, as_json_lines, when
from listener.keep.repair import Trouble


@pytest.fixture
def journal(tmp_path):
    made = Journal(tmp_path)
    yield made
    made.close()


def fill(journal: Journal, count: int) -> None:
    for i in range(count):
        _, kept = journal.append("note", {"text": f"remark {i}", "pad": "x" * 200})
    assert kept.result(10)


def bodies(folder: Path, **query) -> list[dict]:
    return [row.body for row in Records(folder).rows(Query(**query))]


def test_a_row_reads_back_as_it_was_written(journal, tmp_path):
    row, kept = journal.append(
        "alert", {"phrase": "suspend", "confidence": 0.9}, "Launch", 48_000, unix_s=1_800_000_000.25, monotonic_s=12.5
    )
    assert kept.result(5) is True
    (read,) = Records(tmp_path).rows()
    assert read.utc == "2027-01-15T08:00:00.250000Z"
    assert (read.id, read.kind, read.channel, read.sample, read.monotonic_s) == (1, "alert", "Launch", 48_000, 12.5)
    assert read.body == row.body and len(read.chain) == 64


def test_the_file_is_in_wal_mode_and_every_commit_is_synced(journal, tmp_path):
    """SQLite's documentation: synchronous=FULL is 2; in WAL mode it syncs the log at each commit."""
    assert journal.database.connection.execute("PRAGMA synchronous").fetchone() == (2,)
    assert journal.database.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_ids_count_on_and_the_chain_holds_after_a_restart(tmp_path):
    for _ in range(3):
        journal = Journal(tmp_path)
        fill(journal, 4)
        assert journal.close()
    records = Records(tmp_path)
    assert [row.id for row in records.rows()] == list(range(1, 13))
    assert records.check() == []


def test_many_threads_may_append(journal, tmp_path):
    threads = [threading.Thread(target=fill, args=(journal, 50)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [row.id for row in Records(tmp_path).rows()] == list(range(1, 401))
    assert Records(tmp_path).check() == []


def test_a_second_writer_in_the_same_folder_is_refused(journal, tmp_path):
    with pytest.raises(UserError, match="another listener keeps its journal there"):
        Journal(tmp_path)


def test_a_folder_that_cannot_be_used_is_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match="cannot keep a journal there: .*; set watch.folder"):
        Journal(tmp_path / "file" / "below")


_WRITER = """
import sys
from pathlib import Path
from listener.keep.journal import Journal
journal = Journal(Path(sys.argv[1]))
for i in range(100_000):
    _, kept = journal.append("note", {"number": i})
    if kept.result(10):
        print(i, flush=True)
"""


@pytest.mark.parametrize("after_rows", [1, 40, 150])
def test_kill_9_loses_no_row_that_was_reported_as_kept(tmp_path, after_rows):
    writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    seen = [int(writer.stdout.readline()) for _ in range(after_rows)]
    os.kill(writer.pid, signal.SIGKILL)
    seen += [int(line) for line in writer.stdout.read().splitlines() if line]
    writer.wait()
    written = [body["number"] for body in bodies(tmp_path)]
    assert written[: len(seen)] == seen
    assert Records(tmp_path).check() == []
    again = Journal(tmp_path)
    fill(again, 1)
    again.close()
    assert Records(tmp_path).check() == []


def test_a_full_disk_keeps_rows_in_memory_and_writes_them_when_there_is_room(tmp_path):
    """SQLite's own page limit stands in for the disk: the same error, SQLITE_FULL."""
    said: list[Trouble | None] = []
    journal = Journal(tmp_path, said.append)
    fill(journal, 3)
    pages = journal.database.connection.execute("PRAGMA page_count").fetchone()[0]
    journal.database.connection.execute(f"PRAGMA max_page_count = {pages}")
    kept = [journal.append("note", {"text": "y" * 3000})[1] for _ in range(20)]
    _wait_for(lambda: journal.trouble is not None and journal.trouble.code == "full", 2.0)
    assert not kept[-1].done()
    journal.database.connection.execute("PRAGMA max_page_count = 1000000")
    assert all(one.result(5) for one in kept)
    _wait_for(lambda: journal.trouble is None, 2.0)
    assert said[0].code == "full" and said[-1] is None
    journal.close()
    assert len(bodies(tmp_path)) == 23 and Records(tmp_path).check() == []


def test_memory_is_bounded_while_the_disk_is_full_and_alerts_are_the_last_to_go(tmp_path):
    journal = Journal(tmp_path)
    fill(journal, 1)
    pages = journal.database.connection.execute("PRAGMA page_count").fetchone()[0]
    journal.database.connection.execute(f"PRAGMA max_page_count = {pages}")
    _, alert = journal.append("alert", {"phrase": "suspend", "pad": "z" * 5000})
    rest = [journal.append("note", {"text": "y" * 100})[1] for _ in range(MOST_WAITING + 50)]
    assert journal.lost == 51 and rest[0].result(0) is False and not alert.done()
    journal.database.connection.execute("PRAGMA max_page_count = 1000000")
    assert alert.result(10) is True
    journal.close()


def damage(path: Path, page: int) -> None:
    """Overwrite one page (counted from the end) with rubbish."""
    size = sqlite3.connect(path).execute("PRAGMA page_size").fetchone()[0]
    with open(path, "r+b") as file:
        file.seek(-size * page, os.SEEK_END)
        file.write(b"\xa5" * size)


def checkpoint(path: Path) -> None:
    database = sqlite3.connect(path)
    database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()


@pytest.mark.parametrize("page", [1, 3])
def test_damage_found_at_the_start_is_set_aside_and_what_reads_is_saved(tmp_path, page):
    journal = Journal(tmp_path)
    fill(journal, 200)
    journal.close()
    checkpoint(tmp_path / FILE_NAME)
    damage(tmp_path / FILE_NAME, page)
    journal = Journal(tmp_path)
    fill(journal, 5)
    journal.close()
    assert len(list(tmp_path.glob("journal.damaged-*.db"))) == 1
    read = [body.get("text") for body in bodies(tmp_path)]
    assert read.count(None) == 1  # the fault that tells of it
    assert len(read) > 150, "most of 200 rows lie on other pages"
    fault = bodies(tmp_path, kinds=("fault",))[0]
    assert fault["what"] == "journal_damaged" and "rows were saved" in fault["detail"]
    ids = [row.id for row in Records(tmp_path).rows()]
    assert ids == sorted(set(ids))


def test_damage_to_the_last_page_while_running_is_told_within_two_seconds_and_nothing_new_is_lost(tmp_path):
    said: list[Trouble | None] = []
    journal = Journal(tmp_path, said.append)
    fill(journal, 200)
    journal.database.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    damage(tmp_path / FILE_NAME, 1)
    began = time.monotonic()
    _wait_for(lambda: any(trouble and trouble.code == "damaged" for trouble in said), 2.0)
    assert time.monotonic() - began < 2.0
    fill(journal, 10)
    journal.close()
    texts = [body.get("text") for body in bodies(tmp_path)]
    assert [f"remark {i}" for i in range(10)] == [t for t in texts if t][-10:]


def test_a_changed_a_missing_and_an_added_row_are_found(tmp_path):
    journal = Journal(tmp_path)
    fill(journal, 20)
    journal.close()
    path = tmp_path / FILE_NAME
    for change, found in (
        ("UPDATE journal SET body = '{\"text\":\"never said\"}' WHERE id = 7", "row 7 was changed"),
        ("DELETE FROM journal WHERE id = 12", "rows 12 to 12 are missing"),
    ):
        database = sqlite3.connect(path)
        database.execute(change)
        database.commit()
        database.close()
        assert any(found in line for line in Records(path).check())


def test_rows_are_found_by_time_kind_channel_text_and_cursor(journal, tmp_path):
    for i in range(6):
        journal.append(
            "alert" if i % 2 else "gap",
            {"n": i, "word": "Kestrel" if i == 3 else ""},
            f"C{i % 3}",
            unix_s=1_800_000_000 + 60 * i,
        )
    fill(journal, 1)
    assert [b["n"] for b in bodies(tmp_path, kinds=("alert",))] == [1, 3, 5]
    assert [b["n"] for b in bodies(tmp_path, channel="C1")] == [1, 4]
    assert [b["n"] for b in bodies(tmp_path, text="kestrel")] == [3]
    assert [b["n"] for b in bodies(tmp_path, after_id=4, kinds=("alert", "gap"))] == [4, 5]
    assert [b["n"] for b in bodies(tmp_path, since=when("2027-01-15T08:01:00"), until=when("2027-01-15T08:03"))] == [
        1,
        2,
    ]
    assert [b["n"] for b in bodies(tmp_path, kinds=("gap",), limit=1, newest_first=True)] == [4]


def test_export_as_json_lines_and_csv(journal, tmp_path):
    journal.append("note", {"text": "=1+1, \"quoted\"\nline"}, "=Launch")[1].result(5)
    rows = list(Records(tmp_path).rows())
    (line,) = as_json_lines(rows)
    assert json.loads(line)["body"] == {"text": "=1+1, \"quoted\"\nline"}
    heading, row = as_csv(rows)
    assert heading == "id,utc,monotonic_s,kind,channel,sample,about,body"
    assert ",'=Launch," in row, "a spreadsheet must not run a channel's name"


def test_a_missing_journal_and_a_wrong_time_are_one_line(tmp_path):
    with pytest.raises(UserError, match="no journal there yet"):
        Records(tmp_path)
    with pytest.raises(UserError, match="'yesterday' is not a time; write it as"):
        when("yesterday")


def _wait_for(true, within_s: float) -> None:
    ends = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends, "not in time"
        time.sleep(0.02)
