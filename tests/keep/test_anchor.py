"""What is taken from a journal, changed in it or put into it shows: at the front, in the middle and at the end."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from listener.keep.anchor import HEAD_NAME, Head, read_head
from listener.keep.database import FILE_NAME
from listener.keep.journal import Journal
from listener.keep.records import Records
from listener.keep.row import COLUMNS, Row, body_text, chain_hash

ROWS = 40


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """A journal of 40 rows, written in two watches and closed in order."""
    folder = tmp_path_factory.mktemp("whole")
    for _ in range(2):
        journal = Journal(folder)
        kept = [journal.append("note", {"n": n})[1] for n in range(ROWS // 2)]
        assert all(one.result(10) for one in kept) and journal.close()
    return folder


@pytest.fixture
def folder(whole, tmp_path) -> Path:
    return shutil.copytree(whole, tmp_path / "journal")


def change(folder: Path, *statements: str) -> None:
    database = sqlite3.connect(folder / FILE_NAME)
    for statement in statements:
        database.execute(statement)
    database.commit()
    database.close()


def write_on(folder: Path) -> None:
    journal = Journal(folder)
    assert journal.append("note", {"later": True})[1].result(10) and journal.close()


def rechain(folder: Path, first: int) -> None:
    """What somebody who knows how the chain is made does after a change."""
    database = sqlite3.connect(folder / FILE_NAME)
    before = ""
    for values in database.execute(f"SELECT {COLUMNS} FROM journal ORDER BY id").fetchall():
        chain = chain_hash(before, Row(*values[:7], {}), values[7]) if values[0] >= first else values[8]
        database.execute("UPDATE journal SET chain = ? WHERE id = ?", (chain, values[0]))
        before = chain
    database.commit()
    database.close()


def test_a_whole_journal_has_nothing_wrong_and_its_head_is_its_last_row(folder):
    records = Records(folder)
    assert records.check() == [] and records.cannot_show() == []
    assert read_head(folder) == records.head() and records.head().id == ROWS == records.count()


@pytest.mark.parametrize(
    "statement, said",
    [
        ("DELETE FROM journal WHERE id <= 31", "rows 1 to 31 are missing"),
        ("DELETE FROM journal WHERE id BETWEEN 10 AND 12", "rows 10 to 12 are missing"),
        ("DELETE FROM journal WHERE id > 37", "rows 38 to 40 are missing at the end"),
        ("DELETE FROM journal", "rows 1 to 40 are missing at the end"),
        ("UPDATE journal SET body = '{}' WHERE id = 40", "row 40 was changed"),
        ("UPDATE journal SET utc = '2031' WHERE id = 1", "row 1 was changed"),
        ("UPDATE journal SET chain = 'x' WHERE id = 20", "row 20 was changed"),
    ],
)
def test_it_is_told_which_rows(folder, statement, said):
    change(folder, statement)
    assert any(said in line for line in Records(folder).check()), Records(folder).check()


def test_a_change_with_all_hashes_made_anew_differs_from_the_anchored_head(folder):
    change(folder, """UPDATE journal SET body = '{"n":"never"}' WHERE id = 7""")
    rechain(folder, 7)
    assert Records(folder).check() == ["row 40 is not the one that was anchored: it or rows before it were written anew"]


@pytest.mark.parametrize("statement", ["DELETE FROM journal WHERE id > 37", "DELETE FROM journal"])
def test_a_watch_that_goes_on_after_a_cut_says_so_and_leaves_the_ids_empty(folder, statement):
    change(folder, statement)
    write_on(folder)
    found = Records(folder).check()
    assert any(line.endswith("were taken from the end of the journal, or its file was replaced") for line in found)
    assert any("to 40 are missing" in line for line in found)
    write_on(folder)
    assert Records(folder).check() == found, "it is told for good"


def test_a_journal_whose_file_was_replaced_by_an_empty_one(folder):
    for path in folder.glob(f"{FILE_NAME}*"):
        path.unlink()
    write_on(folder)
    assert any("rows 1 to 40" in line for line in Records(folder).check())


def test_without_the_head_file_it_is_told_that_the_end_cannot_be_proved(folder):
    """So also for a journal from before there was one."""
    (folder / HEAD_NAME).unlink()
    records = Records(folder)
    assert records.check() == []
    assert records.cannot_show() == ["journal.head is not there: rows taken from the end would not show"]
    write_on(folder)
    (line,) = Records(folder).cannot_show()
    assert line == "row 41: the head file was not there: whether rows after 40 were taken away cannot be known"


def test_a_head_that_a_crash_tore_counts_as_the_one_before_and_the_next_watch_goes_on(folder):
    whole = (folder / HEAD_NAME).read_bytes()
    (folder / HEAD_NAME).write_bytes(whole[:-30])
    assert read_head(folder).id < ROWS
    assert Records(folder).check() == [] and "not anchored" in Records(folder).cannot_show()[0]
    write_on(folder)
    assert Records(folder).check() == [] and Records(folder).cannot_show() == []
    assert read_head(folder) == Records(folder).head()


def test_rows_that_were_added_behind_the_head_cannot_be_told_from_a_crash_and_are_named(folder):
    last = Records(folder).head()
    row = Row(ROWS + 1, "2031-05-01T12:00:00.000000Z", 1.0, "note", None, None, None, {})
    chain = chain_hash(last.chain, row, body_text({}))
    change(folder, f"INSERT INTO journal VALUES ({row.id}, '{row.utc}', 1.0, 'note', NULL, NULL, NULL, '{{}}', '{chain}')")
    assert Records(folder).check() == []
    (line,) = Records(folder).cannot_show()
    assert line.startswith("rows 41 to 41 are not anchored")


_FIELDS = {"utc": "'2031'", "monotonic_s": "-1.5", "kind": "'alert'", "channel": "'Deck'", "sample": "77", "about": "3"}


@given(st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_deleted_or_edited_is_found(whole, tmp_path, data):
    """Any set of rows deleted, or any field of any row edited, hashes of later rows made anew or not."""
    folder = tmp_path / "tried"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(whole, folder)
    if data.draw(st.booleans()):
        gone = data.draw(st.sets(st.integers(1, ROWS), min_size=1))
        change(folder, f"DELETE FROM journal WHERE id IN ({', '.join(map(str, sorted(gone)))})")
        first = min(gone)
    else:
        first, name = data.draw(st.integers(1, ROWS)), data.draw(st.sampled_from(sorted(_FIELDS)))
        change(folder, f"UPDATE journal SET {name} = {_FIELDS[name]} WHERE id = {first}")
    if data.draw(st.booleans()):
        rechain(folder, first)
    assert Records(folder).check() != []


_WRITER = """
import sys
from pathlib import Path
from listener.keep.journal import Journal
journal = Journal(Path(sys.argv[1]))
for i in range(100_000):
    if journal.append("note", {"number": i})[1].result(10):
        print(i, flush=True)
"""


@pytest.mark.parametrize("after_rows", [1, 7, 60])
def test_after_kill_9_at_any_moment_nothing_false_is_said(tmp_path, after_rows):
    writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    for _ in range(after_rows):
        writer.stdout.readline()
    assert Records(tmp_path).check() == [], "also while it is being written"
    os.kill(writer.pid, signal.SIGKILL)
    writer.wait()
    assert Records(tmp_path).check() == []
    write_on(tmp_path)
    assert Records(tmp_path).check() == [] and Records(tmp_path).cannot_show() == []


def test_the_head_file_stays_small(tmp_path, monkeypatch):
    monkeypatch.setattr("listener.keep.anchor._LONGEST", 300)
    for _ in range(4):
        write_on(tmp_path)
    assert (tmp_path / HEAD_NAME).stat().st_size < 500
    assert read_head(tmp_path) == Records(tmp_path).head() and isinstance(read_head(tmp_path), Head)
