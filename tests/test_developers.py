"""DEVELOPERS.md names real files."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_walk_of_one_block_is_short_and_names_real_files():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    walk = text.split("## A walk of one Block", 1)[1].split("\n## ", 1)[0]
    files = re.findall(r"`(listener/[\w/]+\.py)`", walk)
    assert len(walk.strip().splitlines()) < 20 and len(files) >= 10
    assert [file for file in files if not (ROOT / file).is_file()] == []
