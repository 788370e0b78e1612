"""The journal's database: one SQLite file that survives a pulled plug, its damage found and repaired.

WAL with synchronous=FULL: a row that write() has taken is on the disk. When the file is damaged it is set aside, what
can be read is saved into a new one (`repair`), and writing goes on. The last row's hash is kept outside as well
(`anchor`), so that rows taken from the end show.
"""

import contextlib
import itertools
import logging
import os
import sqlite3
import time
from pathlib import Path
from typing import Any

from listener.keep.anchor import GENESIS, Anchor, Head
from listener.keep.repair import Damaged, is_damage, salvage, set_aside
from listener.keep.row import COLUMNS, SCHEMA, Row, chain_hash, columns_of

FILE_NAME = "journal.db"
_INSERT = "INSERT INTO journal VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
_LAST_ROWS = 20

log = logging.getLogger(__name__)


class Database:
    """For one thread at a time. Every method raises sqlite3.Error, OSError or Damaged when the disk does not do it.

    next_id: of the row that follows. found: what was wrong when it was opened, as the bodies of fault rows.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE_NAME
        self.next_id = 1
        self.found: list[dict[str, Any]] = []
        self._chain = ""  # of the last row on the disk
        self._head: Head | None = None
        self._anchored: Head | None = None
        self._check_all_s = 0.0
        self._connection: sqlite3.Connection | None = None
        self._anchor = Anchor(folder)
        try:
            said = self._connect().execute("PRAGMA quick_check(1)").fetchone()[0]
            if said != "ok":
                raise Damaged(said)
        except (sqlite3.DatabaseError, Damaged) as error:
            if not is_damage(error):
                raise
            self.found.append({"what": "journal_damaged", "detail": self.repair(str(error))})
        self._compare_with_head()

    @property
    def connection(self) -> sqlite3.Connection:
        """The writer's connection."""
        assert self._connection, "open from the start on"
        return self._connection

    def write(self, rows: list[Row]) -> None:
        """Write these rows, in the order of their ids: all of them or none."""
        lines, chain = [], self._chain
        for row in rows:
            lines.append(columns_of(row, chain))
            chain = lines[-1][8]
        with self.connection as transaction:
            transaction.executemany(_INSERT, lines)
        self._chain = chain
        self._head = Head(lines[-1][0], chain)

    def anchor_head(self) -> None:
        """After the rows themselves, so that the head is never ahead of them."""
        if self._head and self._head != self._anchored:
            self._anchor.set(self._head)
            self._anchored = self._head

    def check(self) -> None:
        """The file is still ours and its last rows read back as they were written."""
        self.anchor_head()  # where the disk had no room for it before
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

    def repair(self, why: str) -> str:
        """Keep the damaged file under another name, and save what can be read of it into a new one; says so in a line."""
        if self._connection:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
        aside = set_aside(self.path)
        saved = salvage(aside) if aside.exists() else []
        with self._connect() as transaction:
            transaction.executemany(_INSERT, saved)
        if saved:
            self._chain = saved[-1][8]
            self.next_id = max(self.next_id, saved[-1][0] + 1)
        detail = f"the journal was damaged ({why}); {len(saved)} rows were saved, the old file is {aside.name}"
        log.error("%s", detail)
        return detail

    def close(self) -> None:
        """Let the files go."""
        try:
            self.connection.close()
        finally:
            self._anchor.close()

    def _check_all(self, reader: sqlite3.Connection) -> None:
        """Every page, as often as that takes no more than a fiftieth of the time."""
        began = time.monotonic()
        if began < self._check_all_s:
            return
        said = reader.execute("PRAGMA quick_check(1)").fetchone()[0]
        self._check_all_s = time.monotonic() + 50 * (time.monotonic() - began)
        if said != "ok":
            raise Damaged(said)

    def _connect(self) -> sqlite3.Connection:
        # The writer's thread is the only user after __init__.
        self._connection = made = sqlite3.connect(self.path, timeout=2, check_same_thread=False)
        made.execute("PRAGMA journal_mode=WAL")
        made.execute("PRAGMA synchronous=FULL")
        made.execute("PRAGMA busy_timeout=2000")
        made.execute(SCHEMA)
        made.execute("CREATE INDEX IF NOT EXISTS by_about ON journal (about) WHERE about IS NOT NULL")
        made.commit()
        last = made.execute("SELECT id, chain FROM journal ORDER BY id DESC LIMIT 1").fetchone()
        self._chain = last[1] if last else ""
        self.next_id = max(self.next_id, last[0] + 1 if last else 1)
        file = os.stat(self.path)
        self._file = (file.st_dev, file.st_ino)
        return made

    def _compare_with_head(self) -> None:
        """Rows that the head knows of are there. If not, their ids stay empty and a row tells it, whatever follows."""
        head, here = self._anchor.found, self.next_id - 1
        if head is None:
            self._anchor.set(Head(here, self._chain or GENESIS))
        if head is None and here:
            detail = f"the head file was not there: whether rows after {here} were taken away cannot be known"
            self.found.append({"what": "journal_head_missing", "detail": detail})
        elif head and head.id > here:
            self.next_id = head.id + 1
            if not self.found:  # else damage took them, and that is told
                detail = f"rows {here + 1} to {head.id} were taken from the end of the journal, or its file was replaced"
                self.found.append({"what": "journal_cut", "detail": detail})
