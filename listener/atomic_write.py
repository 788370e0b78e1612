"""Files that are whole or not there: written beside, then renamed."""

import os
from collections.abc import Callable
from pathlib import Path

from listener.errors import UserError


def write_whole(path: Path, content: str | bytes, replace: bool = True) -> None:
    """Write a file so that nobody ever sees half of it. Text is UTF-8.

    Raises UserError when it cannot be written, or when it is there and replace is False.
    """
    data = content.encode() if isinstance(content, str) else content
    write_whole_with(path, lambda part: part.write_bytes(data), replace)


def write_whole_with(path: Path, write: Callable[[Path], object], replace: bool = True) -> None:
    """The same for a file that `write(part)` makes at the path it is given."""
    if not replace and path.exists():
        raise UserError(f"{path}: is there already; move it away or choose another name")
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write(part)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        raise UserError(f"{path}: cannot be written: {error.strerror or error}; choose another place") from None
    finally:
        part.unlink(missing_ok=True)
