"""The journal: what was heard, shown and done, in one SQLite file that survives a pulled plug.

WAL with synchronous=FULL: a row that append() reports as kept is on the disk. One writer, a thread of
the station. Every row carries a hash over itself and the row before it, so that a change shows.
When the disk is full rows wait in memory and are written when there is room again; when the file is
damaged it is set aside, what can be read is saved into a new one (`repair`), and writing goes on. The last row's hash
is kept outside the database as well (`anchor`), so that rows taken from the end show.
"""

import contextlib
import hashlib
import itertools
import json
import logging
import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from listener.errors import UserError
from listener.keep.anchor import GENESIS, Anchor, Head
from listener.keep.repair import COLUMNS, Damaged, Trouble, is_damage, salvage, set_aside, trouble_of

try:
    import fcntl
except ImportError:  # no file locks on this system: two stations in one folder are not noticed
    fcntl = None  # type: ignore[assignment]

log = logging.getLogger(__name__)

FILE_NAME = "journal.db"
MOST_WAITING = 10_000
_RETRY_S = 0.5
_CHECK_S = 1.0
_LAST_ROWS = 20

SCHEMA = """
CREATE TABLE IF NOT EXISTS journal (
  id INTEGER PRIMARY KEY,   -- counts up by one; also the cursor of the event stream
  utc TEXT NOT NULL,        -- ISO 8601, microseconds, Z
  monotonic_s REAL NOT NULL,
  kind TEXT NOT NULL,
  channel TEXT,             -- its name
  sample INTEGER,           -- in the channel's stream, where that means something
  about INTEGER,            -- the id of the alert that this row is about
  body TEXT NOT NULL,       -- JSON
  chain TEXT NOT NULL       -- SHA-256 over this row and the chain before it
)
"""
_INSERT = "INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"

KINDS = (
    "start", "stop", "settings", "alert", "partly_heard", "state", "fault", "gap", "proof", "evidence",
    "recording", "acknowledge", "note", "mark", "step", "maintenance", "hand_over", "connected",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Row:
    """One row. utc: of what it tells; monotonic_s: the computer's steady clock at the same moment.

    about: the alert's id for rows about an alert. body: what is special to the kind, plain JSON values.
    chain: empty until the row is on the disk.
    """

    id: int
    utc: str
    monotonic_s: float
    kind: str
    channel: str | None
    sample: int | None
    about: int | None
    body: dict[str, Any] = field(hash=False)
    chain: str = ""

    def as_dict(self) -> dict[str, Any]:
        """The row as plain values, body included, for JSON."""
        return {
            "id": self.id, "utc": self.utc, "monotonic_s": round(self.monotonic_s, 3), "kind": self.kind,
            "channel": self.channel, "sample": self.sample, "about": self.about, "body": self.body,
        }  # fmt: skip


def utc_text(unix_s: float) -> str:
    """A time as text that sorts.

    >>> utc_text(1_935_576_000.25)
    '2031-05-03T12:00:00.250000Z'
    """
    return datetime.fromtimestamp(unix_s, UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def body_text(body: dict[str, Any]) -> str:
    """A body as it is stored and hashed: JSON with sorted keys and no spaces, so that equal bodies are equal texts."""
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def chain_hash(before: str, row: Row, body: str) -> str:
    """SHA-256 over the chain so far and every field of the row."""
    parts = (before, row.id, row.utc, repr(float(row.monotonic_s)), row.kind, row.channel, row.sample, row.about, body)
    return hashlib.sha256("\x1f".join("" if p is None else str(p) for p in parts).encode()).hexdigest()


def read_row(values: tuple[Any, ...]) -> Row:
    """A row out of its database columns."""
    return Row(*(*values[:7], json.loads(values[7]), values[8]))


class JournalInUse(UserError):
    """Another station writes the journal in this folder."""


class Journal:
    """The one writer. Raises UserError when the folder cannot be used or another station has it.

    on_trouble(trouble): called from the writer when rows cannot be kept (None when all is well again).
    on_damage(detail): called from the writer when a damaged file was set aside; is to append the row that says so.
    opened_after: the last id that was there.
    """

    def __init__(
        self, folder: Path, on_trouble: Callable[[Trouble | None], None] = lambda trouble: None,
        on_damage: Callable[[str], None] | None = None,
    ) -> None:  # fmt: skip
        self.path = folder / FILE_NAME
        self._on_trouble = on_trouble
        self._on_damage = on_damage or self._append_damage
        self._lock = threading.Condition()
        self._waiting: deque[tuple[Row, Future[bool]]] = deque()
        self._stopping = False
        self.lost = 0
        self._check_all_s = 0.0
        self._trouble: Trouble | None = None
        self._told: list[dict[str, Any]] = []  # faults found before the writer runs
        self._thread: threading.Thread | None = None
        self._chain = ""  # of the last row on the disk
        self._next_id = 1
        self._head: Head | None = None
        self._anchored: Head | None = None
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._hold = open(folder / "journal.lock", "a")  # noqa: SIM115, held as long as we live
        except OSError as error:
            raise UserError(f"{folder}: cannot keep a journal there: {error.strerror}; set watch.folder") from None
        if fcntl:
            try:
                fcntl.flock(self._hold, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise JournalInUse(
                    f"{folder}: another listener keeps its journal there; stop it or set watch.folder"
                ) from None
        try:
            self._anchor = Anchor(folder)
            self._open()
            self._compare_with_head()
        except (sqlite3.Error, OSError) as error:
            raise UserError(f"{self.path}: cannot keep a journal: {error}; make room or set watch.folder") from None
        self.opened_after = self._next_id - 1
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()
        for fault in self._told:
            self.append("fault", fault)
        self._told.clear()

    # -- for the station ------------------------------------------------------------------------------

    def append(
        self, kind: str, body: dict[str, Any], channel: str | None = None, sample: int | None = None,
        about: int | None = None, unix_s: float | None = None, monotonic_s: float | None = None,
    ) -> tuple[Row, "Future[bool]"]:  # fmt: skip
        """Take one row to be written. Never waits.

        Gives the row (its id is final) and a future that is True once it is on the disk, False when
        it had to be given up.
        """
        unix_s = time.time() if unix_s is None else unix_s
        monotonic_s = time.monotonic() if monotonic_s is None else monotonic_s
        kept: Future[bool] = Future()
        with self._lock:
            row = Row(self._next_id, utc_text(unix_s), monotonic_s, kind, channel, sample, about, body)
            self._next_id += 1
            if len(self._waiting) >= MOST_WAITING:
                self._give_up_one()
            self._waiting.append((row, kept))
            self._lock.notify()
        return row, kept

    @property
    def trouble(self) -> Trouble | None:
        """Why rows cannot be kept at the moment, or None."""
        return self._trouble

    def close(self, wait_s: float = 5.0) -> bool:
        """Write what waits and close; gives whether everything was kept."""
        with self._lock:
            self._stopping = True
            self._lock.notify()
        assert self._thread, "it runs from the start on"
        self._thread.join(wait_s)
        done = not self._thread.is_alive() and not self._waiting
        self._hold.close()
        return done

    # -- the writer's thread --------------------------------------------------------------------------

    def _run(self) -> None:
        checked = time.monotonic()
        while True:
            with self._lock:
                if not self._waiting and not self._stopping:
                    self._lock.wait(_CHECK_S)
                batch = list(self._waiting)
                stopping = self._stopping
            kept = self._try(self._write, batch) if batch else True
            if time.monotonic() - checked >= _CHECK_S:
                checked = time.monotonic()
                self._try(self._check)
            if stopping and (not kept or not self._waiting):
                break
            if not kept:
                time.sleep(_RETRY_S)
        self._try(self._database.close)
        self._anchor.close()

    def _try(self, work: Callable[..., None], *arguments: Any) -> bool:
        """Do it; a damaged file is set aside, and any other trouble is told and tried again later."""
        try:
            work(*arguments)
        except (sqlite3.DatabaseError, Damaged) as error:
            if not _is_spoilt(error):
                self._say(trouble_of(error))
                return False
            try:
                self._save_from_damage(str(error))
            except (sqlite3.Error, OSError) as worse:
                self._say(Trouble("damaged", f"the journal is damaged and no new one can be made ({worse})"))
            return False
        except OSError as error:
            self._say(trouble_of(error))
            return False
        if work == self._write or not self._waiting:
            self._say(None)
        return True

    def _write(self, batch: list[tuple[Row, "Future[bool]"]]) -> None:
        chain = self._chain
        lines = []
        for row, _ in batch:
            body = body_text(row.body)
            chain = chain_hash(chain, row, body)
            lines.append((row.id, row.utc, row.monotonic_s, row.kind, row.channel, row.sample, row.about, body, chain))
        with self._database:
            self._database.executemany(_INSERT, lines)
        self._chain = chain
        written = {row.id for row, _ in batch}
        with self._lock:
            self._waiting = deque(entry for entry in self._waiting if entry[0].id not in written)
        for _, kept in batch:
            if not kept.done():
                kept.set_result(True)
        self._head = Head(lines[-1][0], chain)
        self._anchor_head()

    def _anchor_head(self) -> None:
        """After the rows themselves, so that the head is never ahead of them."""
        if self._head and self._head != self._anchored:
            self._anchor.set(self._head)
            self._anchored = self._head

    def _check(self) -> None:
        """The file is still ours and its last rows read back as they were written."""
        self._anchor_head()  # where the disk had no room for it before
        here = os.stat(self.path)
        if (here.st_dev, here.st_ino) != self._file:
            raise Damaged("the file was replaced")
        reader = sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=1)
        try:
            rows = reader.execute(f"SELECT {COLUMNS} FROM journal ORDER BY id DESC LIMIT ?", (_LAST_ROWS,)).fetchall()
            self._check_all(reader)
        finally:
            reader.close()
        for after, before in itertools.pairwise(rows):
            if after[8] != chain_hash(before[8], Row(*(*after[:7], {})), after[7]):
                raise Damaged(f"row {after[0]} does not read back as it was written")
        if rows and rows[0][8] != self._chain:
            raise Damaged("the last row is not the one that was written")
        if not rows and self._chain:
            raise Damaged("the rows are gone")

    def _check_all(self, reader: sqlite3.Connection) -> None:
        """Every page, as often as that takes no more than a fiftieth of the time."""
        began = time.monotonic()
        if began < self._check_all_s:
            return
        said = reader.execute("PRAGMA quick_check(1)").fetchone()[0]
        self._check_all_s = time.monotonic() + 50 * (time.monotonic() - began)
        if said != "ok":
            raise Damaged(said)

    def _open(self) -> None:
        """Open or make the file; one that is damaged is set aside first."""
        try:
            self._connect()
            said = self._database.execute("PRAGMA quick_check(1)").fetchone()[0]
            if said != "ok":
                raise Damaged(said)
        except (sqlite3.DatabaseError, Damaged) as error:
            if not _is_spoilt(error):
                raise
            self._save_from_damage(str(error))

    def _connect(self) -> None:
        # The writer's thread is the only user after __init__.
        self._database = sqlite3.connect(self.path, timeout=2, check_same_thread=False)
        self._database.execute("PRAGMA journal_mode=WAL")
        self._database.execute("PRAGMA synchronous=FULL")
        self._database.execute("PRAGMA busy_timeout=2000")
        self._database.execute(SCHEMA)
        self._database.execute("CREATE INDEX IF NOT EXISTS by_about ON journal (about) WHERE about IS NOT NULL")
        self._database.commit()
        last = self._database.execute("SELECT id, chain FROM journal ORDER BY id DESC LIMIT 1").fetchone()
        self._chain = last[1] if last else ""
        self._next_id = max(self._next_id, last[0] + 1 if last else 1)
        found = os.stat(self.path)
        self._file = (found.st_dev, found.st_ino)

    def _compare_with_head(self) -> None:
        """Rows that the head knows of are there. If not, their ids stay empty and a row tells it, whatever follows."""
        head, here = self._anchor.found, self._next_id - 1
        if head is None:
            self._anchor.set(Head(here, self._chain or GENESIS))
        if head is None and here:
            detail = f"the head file was not there: whether rows after {here} were taken away cannot be known"
            self._told.append({"what": "journal_head_missing", "detail": detail})
        elif head and head.id > here:
            self._next_id = head.id + 1
            if not self._told:  # else damage took them, and that is told
                detail = f"rows {here + 1} to {head.id} were taken from the end of the journal, or its file was replaced"
                self._told.append({"what": "journal_cut", "detail": detail})

    def _save_from_damage(self, why: str) -> None:
        """Keep the damaged file under another name, and save what can be read of it into a new one."""
        with contextlib.suppress(AttributeError, sqlite3.Error):  # it may never have been opened
            self._database.close()
        aside = set_aside(self.path)
        saved = salvage(aside) if aside.exists() else []
        self._connect()
        with self._database:
            self._database.executemany(_INSERT, saved)
        if saved:
            self._chain = saved[-1][8]
            self._next_id = max(self._next_id, saved[-1][0] + 1)
        detail = f"the journal was damaged ({why}); {len(saved)} rows were saved, the old file is {aside.name}"
        log.error("%s", detail)
        if self._thread:
            self._on_damage(detail)
        else:
            self._told.append({"what": "journal_damaged", "detail": detail})
        self._on_trouble(Trouble("damaged", detail))

    def _append_damage(self, detail: str) -> None:
        self.append("fault", {"what": "journal_damaged", "detail": detail})

    def _say(self, trouble: Trouble | None) -> None:
        if trouble != self._trouble:
            self._trouble = trouble
            (log.error if trouble else log.info)("%s", trouble or "the journal is being written again")
            self._on_trouble(trouble)

    def _give_up_one(self) -> None:
        """Memory is bounded: the oldest row that is no alert goes."""
        at = next((i for i, (row, _) in enumerate(self._waiting) if row.kind != "alert"), 0)
        _, kept = self._waiting[at]
        del self._waiting[at]
        self.lost += 1
        kept.set_result(False)


def _is_spoilt(error: sqlite3.DatabaseError | Damaged) -> bool:
    return isinstance(error, Damaged) or not isinstance(error, sqlite3.OperationalError) or is_damage(error)
