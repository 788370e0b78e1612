"""A call's folder for an investigation: whole, checkable with and without the program, and never written over."""

import json
import shutil
import subprocess

import numpy as np
import pytest
from typer.testing import CliRunner

from listener.cli import app
from listener.errors import UserError
from listener.keep.bundle import make_bundle, verify_bundle
from listener.keep.clips import Clip, take_clip
from listener.keep.journal import Journal
from listener.keep.records import Records
from listener.sound.ring import Ring

NOON = 1_935_576_000.0


@pytest.fixture
def journal(tmp_path):
    """A watch with a call and its clip, a note about it an hour later, and much else before and after."""
    ring = Ring.create(8_000, 1, 10.0)
    ring.write(np.random.default_rng(1).uniform(-0.5, 0.5, (40_000, 1)).astype(np.float32))
    folder = tmp_path / "watch"
    journal = Journal(folder)
    journal.append("settings", {"settings": {"engine": "ear"}}, unix_s=NOON - 9_000)
    journal.append("start", {"version": "0.1.0"}, unix_s=NOON - 9_000)
    for minute in range(-60, 60, 5):
        journal.append("state", {"state": "LISTENING", "reasons": []}, "Launch", unix_s=NOON + 60 * minute)
    body = {"phrase": "suspend", "repeats": 3, "confidence": 0.98, "hits": [], "engine": "ear", "model": "ear-4"}
    call, _ = journal.append("alert", body, "Launch", 24_000, unix_s=NOON)
    taken = take_clip(Clip(call.id, "Launch", call.utc, ring, 0, 0, 40_000), folder / "evidence")
    journal.append("evidence", {"file": taken.file, "sha256": taken.sha256}, "Launch", about=call.id, unix_s=NOON + 6)
    journal.append("note", {"who": "Ann", "text": "true call, \"Kite Two\""}, about=call.id, unix_s=NOON + 7_200)
    assert journal.close()
    ring.free()
    return folder, call.id


def test_it_holds_what_an_investigation_needs(journal, tmp_path):
    folder, call = journal
    out = tmp_path / "call"
    make_bundle(Records(folder), call, out)
    rows = [json.loads(line) for line in (out / "rows.jsonl").read_text().splitlines()]
    assert [r["kind"] for r in rows if r["about"] == call or r["id"] == call] == ["alert", "evidence", "note"]
    assert sum(r["kind"] == "state" for r in rows) == 8, "from ten minutes before to thirty after, the end not included"
    assert (out / "rows.csv").read_text().startswith("id,utc,")
    assert json.loads((out / "settings.json").read_text())["settings"] == {"engine": "ear"}
    versions = json.loads((out / "versions.json").read_text())
    assert (versions["heard_by"], versions["engine"], versions["model"]) == ("0.1.0", "ear", "ear-4")
    assert versions["journal_head"] == str(Records(folder).head())
    assert [p.suffix for p in (out / "evidence").iterdir()] == [".flac"] and (out / "problems.txt").read_text() == ""
    assert "never permission" in (out / "README.txt").read_text().replace("\n", " ")
    assert verify_bundle(out) == []


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="needs sha256sum (coreutils)")
def test_its_checksums_are_those_of_coreutils(journal, tmp_path):
    folder, call = journal
    make_bundle(Records(folder), call, tmp_path / "call")
    done = subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=tmp_path / "call", capture_output=True, text=True)
    assert done.returncode == 0 and done.stdout.count(": OK") == 8


def test_what_is_changed_in_it_is_named_also_when_the_checksums_are_made_anew(journal, tmp_path):
    folder, call = journal
    out = tmp_path / "call"
    make_bundle(Records(folder), call, out)
    chain = out / "chain.csv"
    chain.write_text(chain.read_text().replace("0.98", "0.48"))
    assert verify_bundle(out) == ["chain.csv was changed", f"row {call} was changed, or the row before it was"]
    subprocess.run("sha256sum $(grep -v SHA256SUMS SHA256SUMS | cut -c67-) > new; mv new SHA256SUMS", shell=True, cwd=out, check=True)
    assert verify_bundle(out) == [f"row {call} was changed, or the row before it was"]
    (out / "rows.csv").unlink()
    (out / "more.txt").write_text("")
    assert {"rows.csv is missing", "more.txt was added"} <= set(verify_bundle(out))


def test_it_says_what_was_wrong_with_the_journal(journal, tmp_path):
    folder, call = journal
    next((folder / "evidence").iterdir()).unlink()
    make_bundle(Records(folder), call, tmp_path / "call")
    assert "is missing" in (tmp_path / "call" / "problems.txt").read_text()


def test_nothing_that_is_there_is_written_over_and_a_row_that_is_no_call_is_one_line(journal, tmp_path):
    folder, call = journal
    (tmp_path / "there").mkdir()
    with pytest.raises(UserError, match="is there already"):
        make_bundle(Records(folder), call, tmp_path / "there")
    for row in (1, 9_999):
        with pytest.raises(UserError, match=f"row {row} is not a call"):
            make_bundle(Records(folder), row, tmp_path / "none")
    with pytest.raises(UserError, match="is not a whole bundle"):
        verify_bundle(tmp_path / "there")
    assert not (tmp_path / "none").exists()


def test_the_commands(journal, tmp_path):
    folder, call = journal
    run = CliRunner().invoke
    made = run(app, ["journal", "bundle", str(call), "--folder", str(folder), "--out", str(tmp_path / "call")])
    assert made.exit_code == 0 and f"call {call}" in made.stdout
    assert run(app, ["journal", "verify", str(tmp_path / "call")]).stdout == "nothing wrong found\n"
    (tmp_path / "call" / "rows.csv").write_text("")
    spoilt = run(app, ["journal", "verify", str(tmp_path / "call")])
    assert spoilt.exit_code == 1 and "rows.csv was changed" in spoilt.stdout
    checked = run(app, ["journal", "--check", "--folder", str(folder)])
    assert checked.exit_code == 0 and checked.stdout.startswith("29 rows, nothing wrong; head: 29 ")
