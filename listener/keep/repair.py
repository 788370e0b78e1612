"""A damaged journal: how damage is known, and what can be saved of it."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from listener.keep.row import COLUMNS

_NEEDED = (1, 2, 3, 7, 8)  # columns without which a row is none

Code = Literal["full", "unwritable", "damaged"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Why the journal is not as it should be. code: a short name that programs can rely on; detail: for people."""

    code: Code
    detail: str

    def __str__(self) -> str:
        return self.detail


class Damaged(Exception):
    """The file reads, but not what was written."""


def is_damage(error: sqlite3.DatabaseError | Damaged) -> bool:
    """Whether the file itself is at fault, not the disk or another program, by SQLite's codes (sqlite.org/rescode.html).

    SQLITE_ERROR is the table that is not there: all else about our statements is tested.
    """
    if not isinstance(error, sqlite3.OperationalError):
        return True
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)


def trouble_of(error: Exception) -> Trouble:
    """What an error of the disk or of the database means for the rows that wait."""
    if isinstance(error, OSError):
        return Trouble("unwritable", f"the journal cannot be written ({error.strerror or error})")
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    text = f"the journal cannot be written ({error}); it is kept in memory until it can"
    return Trouble("full" if code == sqlite3.SQLITE_FULL else "unwritable", text)


def set_aside(path: Path) -> Path:
    """Move a damaged database, with its log, to a name of its own beside it; gives that name."""
    aside = path.with_name(f"journal.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.db")
    for suffix in ("", "-wal", "-shm"):
        old = Path(f"{path}{suffix}")
        if old.exists():
            old.rename(f"{aside}{suffix}")
    return aside


def salvage(path: Path) -> list[tuple[Any, ...]]:
    """Every row that can still be read, as columns, in order of ids."""
    rows: dict[int, tuple[Any, ...]] = {}
    for order in ("ASC", "DESC"):  # forwards up to the damage, then backwards to it
        for values in _readable(path, order):
            if values[0] in rows:
                break
            rows[values[0]] = values
    return [rows[i] for i in sorted(rows) if all(rows[i][k] is not None for k in _NEEDED)]


def _readable(path: Path, order: str) -> Iterator[tuple[Any, ...]]:
    try:
        reader = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        yield from reader.execute(f"SELECT {COLUMNS} FROM journal ORDER BY id {order}")
    except sqlite3.Error:
        return
