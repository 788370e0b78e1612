"""Carrying a plan out, and taking it back: everything or nothing, and never a file that the program did not make."""

import hashlib
import json
import os
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from listener import __version__
from listener.atomic_write import check_folder, check_new, own_folder, write_new
from listener.errors import UsageError, UserError
from listener.keep.database import FILE_NAME
from listener.site.install.plan import Places, Plan, account_ids


class Installed(BaseModel):
    """What was written: files with their SHA-256, and folders that were made. bundle: where it can be installed from again."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    version: str
    files: dict[str, str]
    folders: tuple[str, ...]
    station: str
    bundle: str | None
    typed_to_stop: tuple[str, ...] = ()


def check(plan: Plan) -> None:
    """Raises UserError for whatever would be in the way. Writes nothing."""
    check_not_installed(plan.places)
    for file in plan.files:
        _check_writable(file.path.parent)
        check_new(file.path)
    check_station(plan.wanted.folder)
    if plan.wanted.account:
        account_ids(plan.wanted.account)


def check_not_installed(where: Places) -> None:
    """Raises UsageError where there is an installation already."""
    if where.record.exists():
        raise UsageError(f"{where.record}: the listener is installed here already; 'listener install --remove' first")


def check_station(folder: Path) -> None:
    """Raises UserError for a folder that journal and clips cannot go into."""
    check_folder(folder, (FILE_NAME,))
    _check_writable(folder)


def _check_writable(folder: Path) -> None:
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise UserError(f"{there}: is not a folder, so {folder} cannot be made; choose another place")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UserError(f"{there}: cannot be written to by this account, so nothing was installed; choose another place")


def install(plan: Plan) -> None:
    """Write all of it. When anything fails, what was written is taken back and UserError says why."""
    check(plan)
    done: list[Path] = []
    made: list[Path] = []
    try:
        _make_folder(plan.wanted.folder, made)
        own_folder(plan.wanted.folder, (FILE_NAME,))
        plan.wanted.folder.chmod(0o700)
        if plan.wanted.account:
            for path in (plan.wanted.folder, *plan.wanted.folder.iterdir()):
                os.chown(path, *account_ids(plan.wanted.account))
        for file in plan.files:
            _make_folder(file.path.parent, made)
            write_new(file.path, file.text)
            done.append(file.path)
        _make_folder(plan.places.settings, made)
        write_new(plan.places.record, _record(plan, made))
    except (OSError, UserError) as error:
        _take_back(done, made, plan.wanted.folder)
        why = error if isinstance(error, UserError) else f"{error.filename}: {error.strerror}"
        raise UserError(f"{why}; nothing was installed") from None


def _make_folder(folder: Path, made: list[Path]) -> None:
    """With all above it; the new ones are noted."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    for path in reversed(missing):
        path.mkdir()
        made.append(path)


def _take_back(done: list[Path], made: list[Path], station: Path) -> None:
    for path in done:
        path.unlink(missing_ok=True)
    if station in made:
        for path in station.iterdir():
            path.unlink()
    for path in reversed(made):
        _remove_empty(path)


def _remove_empty(path: Path) -> None:
    try:
        path.rmdir()
    except OSError:
        pass  # somebody else has put something there meanwhile, or it is gone


def _record(plan: Plan, made: list[Path]) -> str:
    system = "" if plan.wanted.is_system else " --user"
    record = Installed(
        version=__version__, files={str(file.path): _sum(file.path) for file in plan.files},
        folders=tuple(str(path) for path in made if path != plan.wanted.folder and path not in plan.wanted.folder.parents),
        station=str(plan.wanted.folder), bundle=str(plan.wanted.bundle) if plan.wanted.bundle else None,
        typed_to_stop=(f"systemctl{system} disable --now launch-listener",) if plan.wanted.has_unit else (),
    )  # fmt: skip
    return json.dumps(record.model_dump(mode="json"), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _sum(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def installed(where: Places) -> Installed:
    """What was installed. Raises UsageError where nothing was, UserError where the record cannot be read."""
    try:
        return Installed.model_validate(json.loads(where.record.read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise UsageError(f"{where.settings}: no installation of the listener there; nothing was removed") from None
    except (OSError, ValueError, ValidationError) as error:
        reason = getattr(error, "strerror", None) or "it was changed"
        raise UserError(f"{where.record}: cannot be read ({reason}); nothing was removed") from None


def what_remains(record: Installed) -> tuple[list[Path], list[Path]]:
    """The files that are as they were written, to be removed, and those that somebody has changed since, to be kept."""
    same: list[Path] = []
    changed: list[Path] = []
    for name, wanted in record.files.items():
        path = Path(name)
        if path.is_file() and not path.is_symlink():
            (same if _sum(path) == wanted else changed).append(path)
    return same, changed


def remove(where: Places) -> tuple[list[Path], list[Path]]:
    """Take away what was installed and nobody has changed; gives what was removed and what was kept. The journal stays."""
    record = installed(where)
    same, changed = what_remains(record)
    try:
        for path in same:
            path.unlink()
        where.record.unlink()
    except OSError as error:
        raise UserError(f"{error.filename}: cannot be removed: {error.strerror}") from None
    for name in reversed(record.folders):
        _remove_empty(Path(name))
    return same, changed
