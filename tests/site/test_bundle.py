"""A bundle installs without a network, whole or not at all."""

import hashlib
import os
import platform
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from listener import __version__
from listener.cli import app
from listener.errors import UserError
from listener.site.install.bundle import make_bundle, read_wheel

ROOT = Path(__file__).parents[2]
HERE = f"cp{sys.version_info.major}{sys.version_info.minor}"


def wheel(folder: Path, name: str, version: str = "1.0", needs: tuple[str, ...] = (), tags: str = "py3-none-any", code: str = "") -> Path:
    """A small wheel: one module, and a command of the same name if it has code."""
    folder.mkdir(exist_ok=True)
    module = name.replace("-", "_")
    info = f"{module}-{version}.dist-info"
    files = {
        f"{module}.py": code,
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n"
        + "".join(f"Requires-Dist: {need}\n" for need in needs) + "Provides-Extra: drills\n",
        f"{info}/WHEEL": f"Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: {tags}\n",
        f"{info}/entry_points.txt": f"[console_scripts]\n{module} = {module}:main\n" if code else "",
    }  # fmt: skip
    path = folder / f"{module}-{version}-{tags}.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for inner, text in files.items():
            archive.writestr(inner, text)
        archive.writestr(f"{info}/RECORD", "".join(f"{inner},,\n" for inner in [*files, f"{info}/RECORD"]))
    return path


@pytest.fixture
def wheels(tmp_path: Path) -> Path:
    """The listener as a toy with the same names, and a real pip."""
    folder = tmp_path / "wheels"
    code = "def main():\n    import numpy_toy\n    print('heard')\n"
    wheel(folder, "launch-listener", __version__, ("Numpy_Toy>=1", "plots[fast]; extra == 'drills'", "win; sys_platform == 'win32'"), code=code)
    wheel(folder, "numpy-toy", tags=f"{HERE}-{HERE}-manylinux_2_17_{platform.machine()}")
    wheel(folder, "plots", needs=("quick; extra == 'fast'",))
    wheel(folder, "quick", tags="cp37-abi3-manylinux_2_17_" + platform.machine())
    return folder


@pytest.fixture
def pip(wheels: Path, need: Callable[[bool, str], None]) -> None:
    """A wheel of pip, as Debian and Python themselves bring it."""
    import ensurepip

    places = [Path(ensurepip.__file__).parent / "_bundled", Path("/usr/share/python-wheels")]
    found = [path for place in places for path in place.glob("pip-*.whl")]
    need(bool(found), "a wheel of pip (apt install python3-venv)")
    shutil.copy(found[0], wheels)


def toy_pip(wheels: Path) -> None:
    wheel(wheels, "pip", "9.9")


# --- what goes in ------------------------------------------------------------------------------------------------


def test_what_is_lacking_is_named_with_the_line_that_gathers_it(tmp_path: Path, wheels: Path) -> None:
    (wheels / f"quick-1.0-cp37-abi3-manylinux_2_17_{platform.machine()}.whl").unlink()
    with pytest.raises(UserError, match=r"lacks wheels of pip, quick; gather them all with: pip wheel --wheel-dir \S+ '\.\[drills\]' pip"):
        make_bundle(tmp_path / "out", wheels)
    toy_pip(wheels)
    make_bundle(tmp_path / "out", wheels, extras=())  # quick is only needed for what drills bring
    assert not (tmp_path / "none").exists()


def test_wheels_for_another_machine_do_not_count(tmp_path: Path, wheels: Path) -> None:
    toy_pip(wheels)
    (wheels / f"numpy_toy-1.0-{HERE}-{HERE}-manylinux_2_17_{platform.machine()}.whl").unlink()
    wheel(wheels, "numpy-toy", tags=f"{HERE}-{HERE}-win_amd64")
    with pytest.raises(UserError, match=r"lacks wheels of numpy-toy \(numpy-toy for another Python or machine\)"):
        make_bundle(tmp_path / "out", wheels)
    assert list(tmp_path.iterdir()) == [wheels]


@pytest.mark.parametrize(
    "spoil, said",
    [
        (lambda wheels: (wheels / "plots-1.0-py3-none-any.whl").write_text("x"), "is no whole wheel"),
        (lambda wheels: shutil.rmtree(wheels), "no such folder"),
        (lambda wheels: [path.unlink() for path in wheels.iterdir()], r"no \.whl files in it"),
        (lambda wheels: (wheels.parent / "out").mkdir(), "out: is there already"),
        (lambda wheels: (wheels.parent / "out").symlink_to("nowhere"), "out: is there already"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_one_line_and_nothing_is_made(tmp_path: Path, wheels: Path, spoil, said: str) -> None:
    toy_pip(wheels)
    spoil(wheels)
    before = sorted(tmp_path.iterdir())
    with pytest.raises(UserError, match=said) as error:
        make_bundle(tmp_path / "out", wheels)
    assert "\n" not in str(error.value) and sorted(tmp_path.iterdir()) == before


def test_another_version_s_wheel_is_refused(tmp_path: Path, wheels: Path) -> None:
    toy_pip(wheels)
    (wheels / f"launch_listener-{__version__}-py3-none-any.whl").unlink()
    wheel(wheels, "launch-listener", "9.9")
    with pytest.raises(UserError, match=f"is version 9.9, and this is {__version__}"):
        make_bundle(tmp_path / "out", wheels)


def test_names_are_compared_as_pep_503_does_and_extras_are_followed(wheels: Path) -> None:
    own = read_wheel(wheels / f"launch_listener-{__version__}-py3-none-any.whl")
    assert own.needs == (("numpy-toy", (), None), ("plots", ("fast",), "drills"))


def test_the_checksums_are_those_that_sha256sum_checks(tmp_path: Path, wheels: Path) -> None:
    toy_pip(wheels)
    model = tmp_path / "vosk-model"
    model.mkdir()
    (model / "graph").write_text("g")
    done = CliRunner().invoke(app, ["bundle", str(tmp_path / "out"), "--wheels", str(wheels), "--model", str(model)])
    assert done.exit_code == 0 and "sh install.sh" in done.output
    out = tmp_path / "out"
    subprocess.run(["sha256sum", "--strict", "--check", "--quiet", "SHA256SUMS"], cwd=out, check=True)
    listed = {line.split("  ")[1] for line in (out / "SHA256SUMS").read_text().splitlines()}
    assert listed == {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()} - {"SHA256SUMS"}
    assert "models/vosk-model/graph" in listed
    assert hashlib.sha256(b"g").hexdigest() in (out / "SHA256SUMS").read_text()


# --- installing it ------------------------------------------------------------------------------------------------


def without_network(need: Callable[[bool, str], None]) -> list[str]:
    """A command that runs another one where there is no route and no interface but a dead loopback."""
    able = shutil.which("unshare") and subprocess.run(["unshare", "-rn", "true"], capture_output=True).returncode == 0
    need(bool(able), "network namespaces (unshare -rn)")
    return ["unshare", "-rn"]


def installs(out: Path, to: Path, command: list[str]) -> "subprocess.CompletedProcess[str]":
    env = {"PATH": os.environ["PATH"], "HOME": str(to.parent)}
    return subprocess.run([*command, "sh", out / "install.sh", to], capture_output=True, text=True, env=env, timeout=600)


def test_it_installs_where_there_is_no_network(tmp_path: Path, wheels: Path, pip: None, need) -> None:
    command, to = without_network(need), tmp_path / "here it is"
    make_bundle(tmp_path / "the bundle", wheels)
    assert subprocess.run([*command, "cat", "/proc/net/route"], capture_output=True, text=True).stdout.count("\n") <= 1  # no route
    done = installs(tmp_path / "the bundle", to, command)
    assert done.returncode == 0, done.stderr
    assert f"Next, type:   {to}/bin/listener install" in done.stdout
    assert (to / "bundle-folder").read_text().strip() == str(tmp_path / "the bundle")
    assert subprocess.run([to / "bin/launch_listener"], capture_output=True, text=True).stdout == "heard\n"
    again = installs(tmp_path / "the bundle", to, command)
    assert again.returncode == 1 and "is there already" in again.stderr and (to / "bin/launch_listener").exists()


@pytest.mark.parametrize(
    "spoil, said",
    [
        (lambda out: (out / "wheels/plots-1.0-py3-none-any.whl").write_text("x"), "a file of this bundle is damaged"),
        (lambda out: (out / "wheels/plots-1.0-py3-none-any.whl").unlink(), "a file of this bundle is damaged"),
        (lambda out: _without(out, "plots"), "nothing was installed"),
        (lambda out: _script(out, f'"{sys.version_info.major}.{sys.version_info.minor} ', '"2.7 '), "this bundle is for Python 2.7 on"),
    ],
)  # fmt: skip
def test_a_bundle_that_is_not_whole_installs_nothing(tmp_path: Path, wheels: Path, pip: None, spoil, said: str) -> None:
    out, to = tmp_path / "out", tmp_path / "to"
    make_bundle(out, wheels)
    spoil(out)
    done = installs(out, to, [])
    assert done.returncode == 1 and said in done.stderr, done.stderr
    assert not to.exists()


def _sums(out: Path, keep: Callable[[str], bool]) -> None:
    lines = (out / "SHA256SUMS").read_text().splitlines(keepends=True)
    (out / "SHA256SUMS").write_text("".join(line for line in lines if keep(line)))


def _without(out: Path, name: str) -> None:
    """As if it had been left out when the bundle was made: the checksums agree, pip does not."""
    next((out / "wheels").glob(f"{name}-*")).unlink()
    _sums(out, lambda line: f"/{name}-" not in line)


def _script(out: Path, old: str, new: str) -> None:
    text = (out / "install.sh").read_text()
    assert old in text
    (out / "install.sh").write_text(text.replace(old, new).replace(old.strip('"'), new.strip('"')))
    _sums(out, lambda line: "install.sh" not in line)
