"""Reading the journal: from any process, while the station writes it or after it has gone."""

import csv
import hashlib
import io
import json
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from listener.errors import UsageError, UserError
from listener.events import Answer, around_text, chance_text, confidence_text
from listener.keep.anchor import HEAD_NAME, Head, read_head
from listener.keep.database import FILE_NAME
from listener.keep.row import COLUMNS, Row, chain_hash, read_row

_STEP = 500


@dataclass(frozen=True, slots=True)
class Query:
    """Which rows: all conditions together; None or empty is no condition.

    after_id: rows with a higher id (the cursor). before_id: with a lower one. since, until: UTC text as in the
    journal, [since, until).
    kinds, channel: exact. about: an alert's id: its own row and every row about it. text: anywhere in the body.
    newest_first with limit gives the last ones.
    """

    after_id: int | None = None
    since: str | None = None
    until: str | None = None
    kinds: tuple[str, ...] = ()
    channel: str | None = None
    about: int | None = None
    text: str | None = None
    limit: int | None = None
    newest_first: bool = False
    before_id: int | None = None


class Records:
    """The rows of one journal, read only. Open it in the thread that uses it.

    Raises UserError when there is no journal in the folder, or it cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME if folder.is_dir() else folder
        if not self.path.exists():
            raise UserError(f"{self.path}: no journal there yet; 'listener watch' makes it")
        self._database = sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=5, check_same_thread=False)

    def close(self) -> None:
        """Let go of the journal. Rows that are still being read end."""
        self._database.close()

    def rows(self, query: Query = Query()) -> Iterator[Row]:
        """The rows asked for, in order of their ids."""
        where, values = _conditions(query)
        order = "DESC" if query.newest_first else "ASC"
        limit = f" LIMIT {int(query.limit)}" if query.limit is not None else ""
        sql = f"SELECT {COLUMNS} FROM journal{where} ORDER BY id {order}{limit}"
        try:
            for found in self._database.execute(sql, values):
                yield read_row(found)
        except (sqlite3.Error, ValueError) as error:
            raise UserError(f"{self.path}: cannot be read: {error}; 'listener journal --check' tells more") from None

    def row(self, id: int) -> Row | None:
        """One row, or None."""
        found = self._database.execute(f"SELECT {COLUMNS} FROM journal WHERE id = ?", (id,)).fetchone()
        return read_row(found) if found else None

    def last_id(self) -> int:
        """The highest id, 0 for an empty journal."""
        return int(self._database.execute("SELECT coalesce(max(id), 0) FROM journal").fetchone()[0])

    def clip(self, alert_id: int) -> Path | None:
        """The sound file that belongs to an alert, if it has been taken and is there."""
        for row in self.rows(Query(about=alert_id, kinds=("evidence",))):
            path = self.path.parent / row.body.get("file", "")
            if row.body.get("file") and path.is_file():
                return path
        return None

    def count(self) -> int:
        """How many rows there are."""
        return int(self._database.execute("SELECT count(*) FROM journal").fetchone()[0])

    def head(self) -> Head | None:
        """The last row and its chain: noted elsewhere by a person, it proves later that nothing before it was touched."""
        found = self._database.execute("SELECT id, chain FROM journal ORDER BY id DESC LIMIT 1").fetchone()
        return Head(*found) if found else None

    def check(self) -> list[str]:
        """What is wrong with the journal and its clips, one line each; nothing if nothing was found.

        Every row from the first to the anchored one must be there, unchanged. See cannot_show for what that leaves open.
        """
        anchored = self._anchored()  # before the rows: the writer anchors after them
        try:
            found = [f"database: {said}" for (said,) in self._database.execute("PRAGMA integrity_check") if said != "ok"]
            found += [*self._broken_chain(), *self._beyond_the_end(anchored), *self._told_by_the_journal()]
        except sqlite3.Error as error:
            return [f"database: {error}"]
        return found + list(self._changed_clips())

    def cannot_show(self) -> list[str]:
        """What the check cannot prove of this journal, one line each."""
        head, last = self._anchored(), self.last_id()
        found = [
            f"row {row.id}: {row.body['detail']}"
            for row in self.rows(Query(kinds=("fault",), text="journal_head_missing"))
            if row.body.get("what") == "journal_head_missing"
        ]
        if head is None and last:
            found.append(f"{HEAD_NAME} is not there: rows taken from the end would not show")
        elif head and last > head.id:
            found.append(f"rows {head.id + 1} to {last} are not anchored: written just before a crash, or added by hand")
        return found

    def _anchored(self) -> Head | None:
        try:
            return read_head(self.path.parent)
        except OSError as error:
            raise UserError(f"{self.path.parent / HEAD_NAME}: cannot be read: {error.strerror}") from None

    def _broken_chain(self) -> Iterator[str]:
        before_id, before_chain = 0, ""
        for values in self._database.execute(f"SELECT {COLUMNS} FROM journal ORDER BY id"):
            row = Row(*(*values[:7], {}))
            if row.id != before_id + 1:
                yield f"rows {before_id + 1} to {row.id - 1} are missing"
            elif values[8] != chain_hash(before_chain, row, values[7]):
                yield f"row {row.id} was changed, or the row before it was"
            before_id, before_chain = row.id, values[8]

    def _beyond_the_end(self, anchored: Head | None) -> Iterator[str]:
        if anchored is None:
            return
        last = self.last_id()
        if last < anchored.id:
            yield f"rows {last + 1} to {anchored.id} are missing at the end"
            return
        found = self._database.execute("SELECT chain FROM journal WHERE id = ?", (anchored.id,)).fetchone()
        if found and found[0] != anchored.chain:
            yield f"row {anchored.id} is not the one that was anchored: it or rows before it were written anew"

    def _told_by_the_journal(self) -> Iterator[str]:
        """Damage and cuts that an earlier start found stay told: a repaired journal is not a whole one."""
        for row in self.rows(Query(kinds=("fault",))):
            if row.body.get("what") in ("journal_damaged", "journal_cut"):
                yield f"row {row.id}: {row.body['detail']}"

    def _changed_clips(self) -> Iterator[str]:
        for row in self.rows(Query(kinds=("evidence",))):
            name = row.body.get("file")
            if not name:
                continue
            path = self.path.parent / name
            if not path.is_file():
                yield f"clip {name} of row {row.id} is missing"
            elif hashlib.sha256(path.read_bytes()).hexdigest() != row.body.get("sha256"):
                yield f"clip {name} of row {row.id} was changed"


def _conditions(query: Query) -> tuple[str, list[object]]:
    parts: list[str] = []
    values: list[object] = []
    for condition, value in (
        ("id > ?", query.after_id), ("id < ?", query.before_id), ("utc >= ?", query.since), ("utc < ?", query.until),
        ("channel = ?", query.channel),
    ):  # fmt: skip
        if value is not None:
            parts.append(condition)
            values.append(value)
    if query.kinds:
        parts.append(f"kind IN ({', '.join('?' * len(query.kinds))})")
        values += query.kinds
    if query.about is not None:
        parts.append("(id = ? OR about = ?)")
        values += [query.about, query.about]
    if query.text:
        parts.append("instr(lower(body), lower(?)) > 0")
        values.append(query.text)
    return (" WHERE " + " AND ".join(parts) if parts else ""), values


def when(text: str, end: bool = False) -> str:
    """A time that a person gave, as UTC text of the journal: a day, or a day and time, Z or local offset.

    end: a bare day means its end. Raises UserError for what is not a time.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is not a time; write it as 2031-05-01 or 2031-05-01T12:00:00 (UTC)") from None
    if end and len(text) == 10:
        moment += timedelta(days=1)
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


def as_json_lines(rows: Iterable[Row]) -> Iterator[str]:
    """One JSON object a row."""
    for row in rows:
        yield json.dumps(row.as_dict(), ensure_ascii=False, allow_nan=False)


def as_csv(rows: Iterable[Row]) -> Iterator[str]:
    """The rows as CSV lines (RFC 4180), the heading first; the body is JSON in the last column."""
    names = ["id", "utc", "monotonic_s", "kind", "channel", "sample", "about", "body"]
    yield ",".join(names)
    for row in rows:
        cells = {**row.as_dict(), "body": json.dumps(row.body, ensure_ascii=False, allow_nan=False)}
        line = io.StringIO()
        csv.writer(line, lineterminator="").writerow(_harmless(cells[name]) for name in names)
        yield line.getvalue()


def _harmless(cell: object) -> object:
    """Spreadsheets run cells that begin like a formula: those get a quote in front."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in "=+-@\t" else cell


def words(row: Row) -> str:
    """What a row says, in one line for people."""
    b = row.body
    match row.kind:
        case "alert":
            rare = b.get("chance_per_h")
            sure = f"confidence {confidence_text(b['confidence'])}" + (f", talk alone: {chance_text(rare)}" if rare else "")
            return f"CALL HEARD: {b['phrase']} x{len(b['hits'])}, {sure}"
        case "update":
            return around_text(*(Answer(**b[key]) if b[key] else None for key in ("position", "caller")))
        case "partly_heard":
            return f"partly heard: {b['phrase']}, {len(b['hits'])} of {b['repeats']}"
        case "state":
            return " ".join([b["state"], *(f"({r['code']}: {r['detail']})" for r in b.get("reasons", ()))])
        case "gap":
            return f"{b['seconds']:.2f} s of sound {b.get('why', 'missing')}"
        case "transmission":
            what = "transmission (squelch)" if b["by"] == "squelch" else f"push-to-talk {b['detail']}".rstrip()
            return f"the radio says: {what} {'begins' if b['begins'] else 'ends'}"
        case "connected":
            return f"the sound comes from {b['title']}{f' ({name})' if (name := b['name']) not in b['title'] else ''}"
        case "proof":
            return f"proof test {'passed' if b['passed'] else 'FAILED'}: {b['detail']}"
        case "fault":
            return f"{b['what']}: {b['detail']}"
        case "evidence":
            return f"clip {b['file']}" if b.get("file") else f"no clip: {b['detail']}"
        case "acknowledge":
            return f"{'BLIND seen' if b.get('blind') else 'acknowledged'} by {b['who']}"
        case "maintenance" if b["begins"]:
            return f"being worked on by {b['who']} until {b['until'][11:16]} UTC{f': {text}' if (text := b['text']) else ''}"
        case "maintenance":
            return f"work ended, {f'by {who}' if (who := b['who']) else 'its time was over'}"
        case "hand_over":
            said = "; ".join(filter(None, ("; ".join(b["open"]) or "nothing open", b["text"])))
            return f"{b['who']} takes the watch{f' from {before}' if (before := b['from']) else ''}: {said}"
        case "note":
            return f"note by {b['who']}: {b['text']}"
        case "mark":
            return f"marked as {b['mark']} by {b['who']}"
        case "step":
            return f"step {b['step']!r} {_step_text(b)}, {b['who']}"
        case "by_ear":
            return f"call heard by ear in a drill without alerts, {b['who']}"
        case "resolve" if b["as"]:
            left = f"; not done: {', '.join(b['still_open'])}" if b["still_open"] else ""
            return f"resolved: {b['as']}, {seconds_text(b['since_call_s'])} the call, {b['who']}{left}"
        case "resolve":
            return f"open again: resolution taken back, {b['who']}"
        case _:
            told = ", ".join(f"{key} {value}" for key, value in b.items() if not isinstance(value, (dict, list)))
            return f"{row.kind}: {told}"


def seconds_text(since_s: float) -> str:
    """A time from the call, for people, from the end of its last word.

    >>> seconds_text(8.26), seconds_text(-3.0)
    ('8.3 s after', '3.0 s before')
    """
    return f"{abs(since_s):.1f} s {'before' if since_s < 0 else 'after'}"


def _step_text(body: dict[str, Any]) -> str:
    """When a step was done. Rows of an earlier version do not say."""
    if not body.get("done", True):
        return "taken back"
    if (since_s := body.get("since_call_s")) is None:
        return "done"
    said = f"done {seconds_text(since_s)} the call"
    if (within_s := body.get("within_s")) is not None:
        said += f" (set: {within_s:g} s)"
    if left := body.get("still_open"):
        said += f", before {' and '.join(map(repr, left))}"
    return said + (", as told" if body.get("told") else "")
