"""The journal: what was heard, shown and done, in one file that survives a pulled plug (`database`).

One writer, a thread of the station: append() never waits. Every row carries a hash over itself and the row before it,
so that a change shows (`row`). While the disk takes no rows they wait in memory and are written when it does again.
"""

import logging
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from listener.errors import UserError
from listener.keep.database import FILE_NAME, Database
from listener.keep.repair import Damaged, Trouble, is_damage, trouble_of
from listener.keep.row import Row, utc_text

try:
    import fcntl
except ImportError:  # no file locks on this system: two stations in one folder are not noticed
    fcntl = None  # type: ignore[assignment]

log = logging.getLogger(__name__)

MOST_WAITING = 10_000
_RETRY_S = 0.5
_CHECK_S = 1.0


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
        self._on_trouble = on_trouble
        self._on_damage = on_damage or self._append_damage
        self._lock = threading.Condition()
        self._waiting: deque[tuple[Row, Future[bool]]] = deque()
        self._stopping = False
        self.lost = 0
        self._trouble: Trouble | None = None
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
            self.database = Database(folder)
        except (sqlite3.Error, OSError) as error:
            raise UserError(f"{folder / FILE_NAME}: cannot keep a journal: {error}; make room or set watch.folder") from None
        self._next_id = self.database.next_id
        self.opened_after = self._next_id - 1
        for fault in self.database.found:
            self.append("fault", fault)
            if fault["what"] == "journal_damaged":
                on_trouble(Trouble("damaged", fault["detail"]))
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

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
                self._try(self.database.check)
            if stopping and (not kept or not self._waiting):
                break
            if not kept:
                time.sleep(_RETRY_S)
        self._try(self.database.close)

    def _try(self, work: Callable[..., None], *arguments: Any) -> bool:
        """Do it; a damaged file is set aside, and any other trouble is told and tried again later."""
        try:
            work(*arguments)
        except (sqlite3.DatabaseError, Damaged) as error:
            if not is_damage(error):
                self._say(trouble_of(error))
                return False
            try:
                self._repair(str(error))
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
        self.database.write([row for row, _ in batch])
        written = {row.id for row, _ in batch}
        with self._lock:
            self._waiting = deque(entry for entry in self._waiting if entry[0].id not in written)
        for _, kept in batch:
            if not kept.done():
                kept.set_result(True)
        self.database.anchor_head()

    def _repair(self, why: str) -> None:
        detail = self.database.repair(why)
        with self._lock:
            self._next_id = max(self._next_id, self.database.next_id)
        self._on_damage(detail)
        self._on_trouble(Trouble("damaged", detail))

    def _append_damage(self, detail: str) -> None:
        self.append("fault", {"what": "journal_damaged", "detail": detail})

    def _say(self, trouble: Trouble | None) -> None:
        if trouble != self._trouble:
            self._trouble = trouble
            (log.error if trouble else log.info)("%s", trouble or "the journal is being written again")
            self._on_trouble(trouble)

    def _give_up_one(self) -> None:
        """Memory is bounded: the oldest row that is not an alert goes."""
        at = next((i for i, (row, _) in enumerate(self._waiting) if row.kind != "alert"), 0)
        _, kept = self._waiting[at]
        del self._waiting[at]
        self.lost += 1
        kept.set_result(False)
