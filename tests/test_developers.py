"""DEVELOPERS.md names real files."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    return TEXT.split(f"## {title}", 1)[1].split("\n## ", 1)[0]


def rooms() -> dict[str, list[str]]:
    """The map: folder -> the names beside it, without what stands in brackets and behind a colon."""
    found: dict[str, str] = {}
    for line in re.findall(r"^ {4}(.+)", section("The rooms"), re.MULTILINE):
        if room := re.match(r"([\w/]+/) +(.*)", line):
            found[room[1]] = room[2]
        else:
            found[list(found)[-1]] += " " + line.strip()
    plain = {room: re.sub(r"\([^()]*\)", "", text).split(":")[0] for room, text in found.items()}
    return {room: [name.strip() for name in re.split("[,;]", text)] for room, text in plain.items()}


def test_the_walk_of_one_block_is_short_and_names_real_files():
    walk = section("A walk of one Block")
    files = re.findall(r"`(listener/[\w/]+\.py)`", walk)
    assert len(walk.strip().splitlines()) < 20 and len(files) >= 10
    assert [file for file in files if not (ROOT / file).is_file()] == []


def test_the_map_names_every_room_and_only_what_is_there():
    named = rooms()
    packages = {f"{path.parent.relative_to(ROOT)}/" for path in (ROOT / "listener").rglob("*.py")}
    assert packages - set(named) == set()
    assert [room for room in named if not (ROOT / room).is_dir()] == []
    wrong = [
        room + name
        for room, names in named.items()
        if room.startswith("listener/")
        for name in names
        if not ((ROOT / room / f"{name}.py").is_file() or (ROOT / room / name).is_dir())
    ]
    assert wrong == []


def test_every_path_in_the_text_is_there():
    paths = re.findall(r"`((?:listener|models|tests|configs|docs|recordings_synthetic)/[\w/.-]+)`", TEXT)
    assert len(paths) > 20
    assert [path for path in paths if not (ROOT / path).exists()] == []
