"""A folder that installs the listener on a computer without a network: wheels, models, checksums and one script.

The wheels are gathered by pip, which a person starts beforehand: this package starts no program and asks no network.
"""

import email.parser
import hashlib
import platform
import re
import shutil
import sys
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from listener import __version__
from listener.atomic_write import check_new
from listener.errors import UserError
from listener.tell import cautions

SUMS, SCRIPT = "SHA256SUMS", "install.sh"
_OWN = "launch-listener"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_EXTRA = re.compile(r"""extra\s*==\s*["']([^"']+)["']""")

_README = """\
The launch listener {version}, to be installed without a network on Debian with Python {python} on {machine}:

    sh install.sh            as root into /opt/launch-listener, else into ~/launch-listener (or: sh install.sh FOLDER)

It checks SHA256SUMS first, starts nothing else, and leaves nothing behind when it fails.

{cautions}
"""


@dataclass(frozen=True, slots=True)
class Wheel:
    """A wheel (PEP 427): its name as PEP 503 writes it, version, tags, and what it needs: (name, extras of it, own extra)."""

    path: Path
    name: str
    version: str
    python_tags: tuple[str, ...]
    abi_tags: tuple[str, ...]
    platform_tags: tuple[str, ...]
    needs: tuple[tuple[str, tuple[str, ...], str | None], ...]

    def fits(self, python: tuple[int, int], machine: str) -> bool:
        """Whether it is for this Python and kind of machine, as far as its tags say."""
        own = f"cp{python[0]}{python[1]}"
        is_python = any(tag in (own, f"py{python[0]}") for tag in self.python_tags) or (
            "abi3" in self.abi_tags and any(re.fullmatch(rf"cp{python[0]}\d+", tag) for tag in self.python_tags)
        )
        return is_python and any(tag == "any" or tag.endswith(machine) for tag in self.platform_tags)


def normal(name: str) -> str:
    """A package's name as it is compared (PEP 503).

    >>> normal("Launch_Listener")
    'launch-listener'
    """
    return re.sub(r"[-_.]+", "-", name).lower()


def read_wheel(path: Path) -> Wheel:
    """What a wheel says of itself. Raises UserError for a file that is none."""
    try:
        name, version, *_, python, abi, system = path.name.removesuffix(".whl").split("-")
        with zipfile.ZipFile(path) as archive:
            (metadata,) = [n for n in archive.namelist() if re.fullmatch(r"[^/]+\.dist-info/METADATA", n)]
            told = email.parser.HeaderParser().parsestr(archive.read(metadata).decode("utf-8"))
    except (OSError, ValueError, zipfile.BadZipFile) as error:
        raise UserError(f"{path}: is no whole wheel ({error}); gather the wheels again") from None
    needs = tuple(_need(str(line)) for line in told.get_all("Requires-Dist", []))
    pythons, abis, systems = (tuple(part.split(".")) for part in (python, abi, system))
    return Wheel(path, normal(name), version, pythons, abis, systems, tuple(one for one in needs if one))


def _need(line: str) -> tuple[str, tuple[str, ...], str | None] | None:
    """'rich[a]>=13; extra == "x"' (PEP 508). None for what only other systems or Pythons need: pip judges that."""
    what, _, marker = line.partition(";")
    found, extra = _NAME.match(what.strip()), _EXTRA.search(marker)
    if found is None or (marker.strip() and not extra) or (extra and " and " in marker):
        return None
    extras = re.search(r"\[([^]]*)\]", what)
    names = tuple(name.strip() for name in extras[1].split(",")) if extras else ()
    return normal(found[0]), names, extra[1] if extra else None


def missing(wheels: Sequence[Wheel], extras: Sequence[str]) -> list[str]:
    """Names of packages that the listener with these extras needs and no wheel gives, in order of the alphabet."""
    by_name = {wheel.name: wheel for wheel in wheels}
    lacking = {"pip"} - set(by_name)
    waiting, seen = [(_OWN, tuple(extras))], set()
    while waiting:
        name, wanted = waiting.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        if name not in by_name:
            lacking.add(name)
            continue
        waiting += [(need, inner) for need, inner, extra in by_name[name].needs if extra is None or extra in wanted]
    return sorted(lacking)


def make_bundle(
    out: Path, wheels: Path, extras: Sequence[str] = ("drills",), debs: Path | None = None, models: Sequence[Path] = ()
) -> int:
    """Write the folder `out`, whole or not at all; gives its size in bytes.

    wheels: a folder with every wheel; debs: one with Debian packages; models: folders of further recognisers' models.
    Raises UserError for what is missing or is for another machine, and when `out` is there already.
    """
    check_new(out)
    fitting = _fitting(wheels, extras)
    packages = _all(debs, ".deb") if debs else []
    for model in models:
        if not model.is_dir():
            raise UserError(f"{model}: no such folder; name the model's own")
    part = out.with_name(f".{out.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)  # an earlier try that was stopped
        part.mkdir(parents=True)
        for folder, paths in (("wheels", [wheel.path for wheel in fitting]), ("debs", packages)):
            for path in paths:
                (part / folder).mkdir(exist_ok=True)
                shutil.copy(path, part / folder / path.name)
        for model in models:
            shutil.copytree(model, part / "models" / model.name)
        (part / SCRIPT).write_text(_script(extras), encoding="utf-8")
        (part / "README.txt").write_text(_readme(), encoding="utf-8")
        (part / SUMS).write_text("".join(_sums(part)), encoding="utf-8")
        size = sum(path.stat().st_size for path in part.rglob("*") if path.is_file())
        part.rename(out)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise UserError(f"{out}: cannot be written: {error.strerror or error}; choose another place") from None
    return size


def _fitting(folder: Path, extras: Sequence[str]) -> list[Wheel]:
    """The wheels that fit this computer. Raises UserError for what is lacking."""
    python, machine = (sys.version_info.major, sys.version_info.minor), platform.machine()
    wheels = [read_wheel(path) for path in _all(folder, ".whl")]
    fitting = [wheel for wheel in wheels if wheel.fits(python, machine)]
    own = [wheel for wheel in fitting if wheel.name == _OWN]
    if own and own[0].version != __version__:
        raise UserError(f"{own[0].path}: is version {own[0].version}, and this is {__version__}; gather the wheels again")
    if lacking := missing(fitting, extras):
        others = sorted({wheel.name for wheel in wheels} & set(lacking))
        why = f" ({', '.join(others)} for another Python or machine)" if others else ""
        raise UserError(
            f"{folder}: lacks wheels of {', '.join(lacking)}{why}; gather them all with: "
            f"pip wheel --wheel-dir {folder} '.[{','.join(extras)}]' pip"
        )
    return fitting


def _all(folder: Path, ending: str) -> list[Path]:
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; README tells how to fill it")
    found = sorted(path for path in folder.iterdir() if path.suffix == ending and path.is_file())
    if not found:
        raise UserError(f"{folder}: no {ending} files in it; README tells how to fill it")
    return found


def _script(extras: Sequence[str]) -> str:
    text = (files("listener.site.install") / SCRIPT).read_text(encoding="utf-8")
    given = {"PYTHON": _python(), "MACHINE": platform.machine(), "VERSION": __version__,
             "EXTRAS": f"[{','.join(extras)}]" if extras else ""}  # fmt: skip
    for name, value in given.items():
        text = text.replace(f"@{name}@", value)
    return text


def _readme() -> str:
    return _README.format(
        version=__version__, python=_python(), machine=platform.machine(), cautions="\n".join(cautions.ALL)
    )


def _python() -> str:
    return f"{sys.version_info.major}.{sys.version_info.minor}"


def _sums(folder: Path) -> Iterator[str]:
    """As `sha256sum` writes them."""
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        yield f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}\n"
