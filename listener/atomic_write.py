"""Files that are whole or not there: written beside, then renamed. And what may be written over.

The one rule for everything that a command writes: **it writes where nothing is, and replaces only what this
program made itself**. It knows its own pages by a line in their head, and its own folders by a file in them.
A recording, a drill, labels or anything else that is there already is left alone, whatever it is called.
"""

import itertools
import os
import stat
from collections.abc import Callable
from pathlib import Path

from listener.errors import UserError

PAGE_MARK = '<meta name="generator" content="launch-listener">'
"""Stands in the head of every page that the program writes."""

FOLDER_MARK = ".launch-listener"
"""Lies in every folder that the program keeps for itself."""

_HEAD_BYTES = 2_000
_number = itertools.count()


def check_new(path: Path) -> None:
    """Raises UserError when anything is there (also a link that leads nowhere)."""
    try:
        os.lstat(path)
    except FileNotFoundError:
        return
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None
    raise UserError(f"{path}: is there already; move it away or choose another name")


def check_page(path: Path) -> None:
    """Raises UserError when something is there that is not a page of this program's own."""
    try:
        there = os.stat(path)
        if stat.S_ISREG(there.st_mode):
            with path.open("rb") as file:
                if PAGE_MARK.encode() in file.read(_HEAD_BYTES):
                    return
    except FileNotFoundError:
        check_new(path)  # a link that leads nowhere is something that is there
        return
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None
    raise UserError(f"{path}: is there already and is not a page that this program wrote; choose another name")


def check_folder(path: Path, known_by: tuple[str, ...] = ()) -> None:
    """Raises UserError where own_folder would for what is there. Makes nothing."""
    try:
        names = set(os.listdir(path))
    except FileNotFoundError:
        return
    except NotADirectoryError:
        raise UserError(f"{path}: is there already and is not a folder; choose another name") from None
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None
    if names and not names & {FOLDER_MARK, *known_by}:
        raise UserError(f"{path}: holds files that are not this program's; give another folder")


def own_folder(path: Path, known_by: tuple[str, ...] = ()) -> None:
    """Make a folder for the program's own files, in which it may then replace what it likes.

    known_by: names of files that tell an older folder of ours. Raises UserError when it cannot be made,
    or holds files and none of these.
    """
    check_folder(path, known_by)
    try:
        path.mkdir(parents=True, exist_ok=True)
        mark = path / FOLDER_MARK
        if not mark.exists():
            mark.write_text("Written by the launch listener, which may replace files here.\n")
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None


def write_new(path: Path, content: str | bytes) -> None:
    """Write a file whole. Raises UserError when something is there, or it cannot be written."""
    check_new(path)
    write_whole(path, content)


def write_page(path: Path, html: str) -> None:
    """Write a page whole, in place of an older page of ours if there is one. Raises UserError otherwise."""
    check_page(path)
    write_whole(path, html)


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file of a folder of our own so that nobody ever sees half of it. Text is UTF-8.

    Whatever is there is replaced. Raises UserError when it cannot be written.
    """
    # A name may hold bytes that are no text (surrogates, here); they are written as \udcXX.
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content
    write_whole_with(path, lambda part: part.write_bytes(data))


def write_private(path: Path, content: str | bytes) -> None:
    """The same, readable by nobody but its owner from its first byte on."""
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content

    def write(part: Path) -> None:
        part.touch(0o600)
        part.write_bytes(data)

    write_whole_with(path, write)


def write_whole_with(path: Path, write: Callable[[Path], object]) -> None:
    """The same for a file that `write(part)` makes at the path it is given."""
    part = path.parent / f".listener-{os.getpid()}-{next(_number)}.part"
    try:
        try:
            write(part)
            with part.open("rb+") as file:
                os.fsync(file.fileno())
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from None


def _cannot(path: Path, error: Exception) -> UserError:
    reason = getattr(error, "strerror", None) or error
    return UserError(f"{path}: cannot be written: {reason}; choose another place")
