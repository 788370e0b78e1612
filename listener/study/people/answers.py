"""What a listener answered, line by line in a file of their own: on the disk before the page is told that it is.

DIR/people/ID.jsonl; the first line says who (a random id, never a name) and for which study. A line that a kill cut off
is no line: it is cut away before the next one is written, and its sound is heard again.
"""

import json
import os
import secrets
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from listener.errors import UserError

FOLDER = "people"
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that are taken for another
_ID_SIZE = 5
Line = dict[str, Any]


def new_id() -> str:
    """A short random name for a listener."""
    return "".join(secrets.choice(_LETTERS) for _ in range(_ID_SIZE))


def listener_path(folder: Path, listener: str) -> Path:
    """The listener's file. Raises UserError for what cannot be an id, or where there is none."""
    path = folder / FOLDER / f"{listener}.jsonl"
    if not (listener and set(listener) <= set(_LETTERS)) or not path.is_file():
        raise UserError(f"{folder}: has no listener {listener[:20]!r}; 'listener study people' begins a new one")
    return path


def listener_paths(folder: Path) -> list[Path]:
    """The files of all listeners, in order of their ids."""
    return sorted((folder / FOLDER).glob("*.jsonl"))


def read_lines(path: Path) -> list[Line]:
    """All whole lines. Raises UserError where one is none of ours, or the first does not say who."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from None
    lines = []
    for number, text in enumerate(data.split(b"\n")[:-1], 1):
        try:
            line = json.loads(text)
        except ValueError:
            line = None
        if not isinstance(line, dict) or "kind" not in line:
            raise UserError(f"{path}: line {number} is no answer; restore the file, or take it out of the folder")
        lines.append(line)
    if not lines or lines[0]["kind"] != "listener":
        raise UserError(f"{path}: does not begin with a listener; restore the file, or take it out of the folder")
    return lines


def append(path: Path, line: Line) -> Line:
    """Write one line to the end and onto the disk, with the time; gives the line. Raises UserError when it cannot be."""
    line = {**line, "utc": datetime.now(UTC).isoformat(timespec="milliseconds")}
    try:
        with path.open("ab+") as file:
            _cut_what_is_not_whole(file.fileno())
            file.write(json.dumps(line, allow_nan=False).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise UserError(f"{path}: the answer cannot be written: {error.strerror}; make room, then go on") from None
    return line


def create(folder: Path, head: Line) -> Path:
    """A file for a new listener, with the first line; gives its path. The id is in the line, under "id"."""
    place = folder / FOLDER
    try:
        place.mkdir(exist_ok=True)
        path = place / f"{head['id']}.jsonl"
        path.open("xb").close()
        append(path, {"kind": "listener", **head})
        _sync_folder(place)
    except OSError as error:
        raise UserError(f"{place}: no listener can be begun: {error.strerror}") from None
    return path


def _cut_what_is_not_whole(file: int) -> None:
    """Bytes behind the last line's end are what a kill left of a line."""
    size = os.fstat(file).st_size
    tail = os.pread(file, min(size, 65_536), max(0, size - 65_536))
    if tail and not tail.endswith(b"\n"):
        os.ftruncate(file, size - len(tail) + tail.rfind(b"\n") + 1)


def _sync_folder(place: Path) -> None:
    hold = os.open(place, os.O_RDONLY)
    try:
        os.fsync(hold)
    finally:
        os.close(hold)
