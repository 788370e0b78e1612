"""One row of the journal: its fields, its text, and the hash that chains it to the row before it."""

import hashlib
import json
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

KINDS = (
    "start", "stop", "settings", "alert", "partly_heard", "state", "fault", "gap", "proof", "evidence",
    "recording", "acknowledge", "note", "mark", "step", "maintenance", "hand_over", "connected",
    "transmission", "resolve", "by_ear", "update",
)  # fmt: skip

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
COLUMNS = "id, utc, monotonic_s, kind, channel, sample, about, body, chain"


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
    """A body as it is stored and hashed: JSON with sorted keys and no spaces, so that equal bodies are equal texts.

    A number that is none is stored as null: JSON has no word for it, and one such value must not stop the journal.

    >>> body_text({"delay_s": float("nan"), "confidence": 0.5})
    '{"confidence":0.5,"delay_s":null}'
    """
    try:
        return _text(body)
    except ValueError:
        return _text(_finite(body))


def _text(body: Any) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False)


def _finite(value: Any) -> Any:
    match value:
        case float():
            return value if math.isfinite(value) else None
        case dict():
            return {key: _finite(of) for key, of in value.items()}
        case list() | tuple():
            return [_finite(one) for one in value]
        case _:
            return value


def chain_hash(before: str, row: Row, body: str) -> str:
    """SHA-256 over the chain so far and every field of the row."""
    parts = (before, row.id, row.utc, repr(float(row.monotonic_s)), row.kind, row.channel, row.sample, row.about, body)
    return hashlib.sha256("\x1f".join("" if p is None else str(p) for p in parts).encode()).hexdigest()


def columns_of(row: Row, chain_before: str) -> tuple[Any, ...]:
    """A row as its database columns, chained to the row before it."""
    body = body_text(row.body)
    chain = chain_hash(chain_before, row, body)
    return (row.id, row.utc, row.monotonic_s, row.kind, row.channel, row.sample, row.about, body, chain)


def read_row(values: tuple[Any, ...]) -> Row:
    """A row out of its database columns."""
    return Row(*(*values[:7], json.loads(values[7]), values[8]))
