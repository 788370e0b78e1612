"""One folder for an investigation of a call: rows, clips, settings, versions, checksums, and how to check them.

Everything in it can be checked without this program (`sha256sum -c SHA256SUMS`), and with it (`verify`): then the chain
of hashes is followed through the rows as well, from the hash before the first of them to the head of the journal.
"""

import csv
import hashlib
import itertools
import json
import platform
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from listener import __version__
from listener.atomic_write import check_new, write_whole
from listener.errors import UserError
from listener.keep.anchor import Head
from listener.keep.records import Query, Records, as_csv, as_json_lines, when
from listener.keep.row import Row, body_text, chain_hash

BEFORE = timedelta(minutes=10)
AFTER = timedelta(minutes=30)
_SUMS, _CHAIN = "SHA256SUMS", "chain.csv"
_FIELDS = ("id", "utc", "monotonic_s", "kind", "channel", "sample", "about", "body", "chain")

_README = """\
Call {id}: {utc}, channel {channel}. Made by the launch listener {version}.

rows.jsonl, rows.csv   the journal's rows from ten minutes before the call to thirty minutes after it, and every later
                       one about it
chain.csv              the journal from the first of these rows to its end, exactly as stored, with the chain of hashes
evidence/              the clips of the calls in these rows
settings.json          the settings that were in force
versions.json          program, Python, system; engine and model as the call's row names them; the journal's head
problems.txt           what the check of the whole journal said when this was made (empty: nothing found)
SHA256SUMS             checksums of all these files

Check it:  sha256sum -c SHA256SUMS   or   listener journal verify FOLDER   (follows the chain too)

The listener is advisory and not certified; it backs up the visual signals and the assigned listener. What it kept is
what it heard, not what was said. Local orders and the persons licensed or qualified to decide come first; the absence
of an alert is never permission. Local law on recordings applies to this folder.
"""


def make_bundle(records: Records, call_id: int, out: Path) -> int:
    """Write the folder `out`; gives the number of rows. Raises UserError when the call is not there or `out` is."""
    call = records.row(call_id)
    if call is None or call.kind not in ("alert", "partly_heard"):
        raise UserError(f"{records.path}: row {call_id} is not a call; 'listener journal --kind alert' lists them")
    check_new(out)
    rows = _rows_around(records, call)
    part = out.with_name(f".{out.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)  # an earlier try that was stopped
        part.mkdir(parents=True)
        _fill(part, records, call, rows)
        part.rename(out)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise UserError(f"{out}: cannot be written: {error.strerror or error}; choose another place") from None
    return len(rows)


def verify_bundle(folder: Path) -> list[str]:
    """What is wrong with a bundle, one line each. Raises UserError when it is none."""
    try:
        sums = (folder / _SUMS).read_text(encoding="utf-8").splitlines()
        found = list(_changed(folder, sums))
        rows = _read_chain(folder / _CHAIN)
        head = json.loads((folder / "versions.json").read_text(encoding="utf-8"))["journal_head"]
    except (OSError, ValueError, KeyError, TypeError, csv.Error) as error:
        raise UserError(f"{folder}: is not a whole bundle of 'listener journal bundle' ({error})") from None
    return found + list(_broken(rows, head))


def _rows_around(records: Records, call: Row) -> list[Row]:
    at = datetime.fromisoformat(call.utc)
    since, until = when((at - BEFORE).isoformat()), when((at + AFTER).isoformat())
    rows = {row.id: row for query in (Query(since=since, until=until), Query(about=call.id)) for row in records.rows(query)}
    return [rows[i] for i in sorted(rows)]


def _fill(folder: Path, records: Records, call: Row, rows: list[Row]) -> None:
    write_whole(folder / "rows.jsonl", "".join(f"{line}\n" for line in as_json_lines(rows)))
    write_whole(folder / "rows.csv", "\n".join(as_csv(rows)) + "\n")
    head = records.head()  # a station may be writing on: what follows is left out
    assert head, "there is a call"
    _write_chain(folder / _CHAIN, records, rows[0].id, head.id)
    for row in rows:
        clip = records.clip(row.id) if row.kind == "alert" else None
        if clip:
            (folder / "evidence").mkdir(exist_ok=True)
            shutil.copyfile(clip, folder / "evidence" / clip.name)
    settings = _last_before(records, call.id, "settings")
    body = settings.body if settings else None
    write_whole(folder / "settings.json", json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    write_whole(folder / "versions.json", json.dumps(_versions(records, call, head), indent=1, allow_nan=False) + "\n")
    write_whole(folder / "problems.txt", "".join(f"{line}\n" for line in (*records.check(), *records.cannot_show())))
    about = {"id": call.id, "utc": call.utc, "channel": call.channel, "version": __version__}
    write_whole(folder / "README.txt", _README.format(**about))
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    write_whole(folder / _SUMS, "".join(f"{_sha256(path)}  {path.relative_to(folder).as_posix()}\n" for path in files))


def _versions(records: Records, call: Row, head: Head) -> dict[str, object]:
    start = _last_before(records, call.id, "start")
    return {
        "heard_by": start.body.get("version") if start else None,
        "bundled_by": __version__,
        "python": platform.python_version(),
        "system": platform.platform(),
        "engine": call.body.get("engine"),
        "model": call.body.get("model"),
        "call_chain": call.chain,
        "journal_head": str(head),
    }


def _last_before(records: Records, id: int, kind: str) -> Row | None:
    return next(iter(records.rows(Query(kinds=(kind,), before_id=id, newest_first=True, limit=1))), None)


def _write_chain(path: Path, records: Records, first: int, last: int) -> None:
    """The rows as they are hashed; before them one with the id and the chain of the row that stands before."""
    before = records.row(first - 1)
    with path.open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow(_FIELDS)
        lines.writerow([first - 1, *[""] * 7, before.chain if before else ""])
        for row in records.rows(Query(after_id=first - 1, before_id=last + 1)):
            cells = (row.channel, row.sample, row.about)
            lines.writerow([
                row.id, row.utc, repr(float(row.monotonic_s)), row.kind, *("" if c is None else c for c in cells),
                body_text(row.body), row.chain,
            ])  # fmt: skip


def _read_chain(path: Path) -> list[tuple[Row, str]]:
    """Each row with its body's text."""
    with path.open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    return [
        (
            Row(
                int(x["id"]), x["utc"], float(x["monotonic_s"] or 0), x["kind"], x["channel"] or None,
                int(x["sample"]) if x["sample"] else None, int(x["about"]) if x["about"] else None, {}, x["chain"],
            ),
            x["body"],
        )
        for x in lines
    ]  # fmt: skip


def _broken(rows: list[tuple[Row, str]], head: str) -> Iterator[str]:
    for (before, _), (row, body) in itertools.pairwise(rows):
        if row.id != before.id + 1:
            yield f"rows {before.id + 1} to {row.id - 1} are missing"
        elif row.chain != chain_hash(before.chain, row, body):
            yield f"row {row.id} was changed, or the row before it was"
    last = rows[-1][0]
    if f"{last.id} {last.chain}" != head:
        yield f"the chain ends with row {last.id}, which is not the journal's head ({head})"


def _changed(folder: Path, sums: list[str]) -> Iterator[str]:
    listed = set()
    for line in sums:
        digest, name = line.split("  ", 1)
        listed.add(name)
        path = folder / name
        if not path.is_file():
            yield f"{name} is missing"
        elif _sha256(path) != digest:
            yield f"{name} was changed"
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    yield from (f"{name} was added" for name in sorted(there - listed - {_SUMS}))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
