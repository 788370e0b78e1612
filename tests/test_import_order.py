"""Imports run downwards only, in the order that DEVELOPERS.md states; imports inside functions count too.

Read with ast, so a module that cannot be imported here (an extra is missing) is read as well.
"""

import ast
import re
from collections import defaultdict
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "listener"

# Imports that may run upwards: (file, what it imports) -> why. None are needed today.
EXCUSED: dict[tuple[str, str], str] = {}


def stated_order(text: str) -> list[set[str]]:
    """The floors from the top down, as DEVELOPERS.md writes them: "a, b -> c -> d"."""
    found = re.search(r"Imports run downwards only[^:]*:\s*\n\n((?: {4}.*\n)+)", text)
    assert found, "DEVELOPERS.md no longer states the order of imports"
    return [{room.strip() for room in floor.split(",")} for floor in " ".join(found[1].split()).split("->")]


def imports_of(path: Path, root: Path = ROOT) -> list[tuple[str, int]]:
    """(dotted module, line) of everything that a file imports from its own package, wherever in the file."""
    package = path.relative_to(root).parent.parts
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else ()
            base = ".".join([*start, *([node.module] if node.module else [])])
            names = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        found += [(name, node.lineno) for name in names if name.startswith("listener.")]
    return found


def module_name(path: Path, root: Path = ROOT) -> str:
    return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")


def modules() -> dict[str, Path]:
    return {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def room(name: str) -> str:
    """listener.watch.page.feed -> watch; listener.errors.UserError -> errors."""
    return name.split(".")[1]


FLOORS = stated_order((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
HEIGHT = {name: -floor for floor, names in enumerate(FLOORS) for name in names}


def upward(path: Path, root: Path = ROOT) -> list[str]:
    """Imports of a file that do not go to a lower floor, as "file:line imports module"."""
    here = module_name(path, root)
    if here in ("listener", "listener.__main__"):  # the package's face and its door stand above all floors
        return []
    found = []
    for name, line in imports_of(path, root):
        if name == "listener.__version__" or room(name) == room(here):
            continue
        file = str(path.relative_to(root))
        below = HEIGHT.get(room(name), 0) < HEIGHT[room(here)]
        if not below and (file, name) not in EXCUSED:
            found.append(f"{file}:{line} imports {name}")
    return found


def test_every_room_has_a_floor_and_every_floor_has_its_rooms():
    rooms = {room(name) for name in modules() if name not in ("listener", "listener.__main__")}
    assert rooms == set(HEIGHT)


@pytest.mark.parametrize("path", modules().values(), ids=modules())
def test_imports_run_downwards_only(path):
    assert upward(path) == []


def test_no_module_imports_itself_by_a_round_about_way():
    known = modules()
    graph = defaultdict(set)
    for name, path in known.items():
        for imported, _ in imports_of(path):
            inner = imported if imported in known else imported.rpartition(".")[0]
            if inner in known and inner != name and inner != "listener":
                graph[name].add(inner)
    assert len(list(TopologicalSorter(graph).static_order())) > 100  # raises CycleError with the circle in it


def test_an_arrow_that_runs_up_or_to_a_neighbour_is_found(tmp_path):
    file = tmp_path / "listener" / "keep" / "bad.py"
    file.parent.mkdir(parents=True)
    file.write_text(
        "def f():\n    from listener.watch import state\n    from ..tell import html\n    import listener.sound.pcm\n"
    )
    assert imports_of(file, tmp_path) == [
        ("listener.watch.state", 2), ("listener.tell.html", 3), ("listener.sound.pcm", 4),
    ]  # fmt: skip
    assert [line.split(" imports ")[1] for line in upward(file, tmp_path)] == [
        "listener.watch.state",
        "listener.tell.html",
    ]
