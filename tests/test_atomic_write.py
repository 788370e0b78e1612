"""A file is whole or not there."""

import pytest

from listener.atomic_write import write_whole, write_whole_with
from listener.errors import UserError


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path) -> None:
    path = tmp_path / "page.html"
    write_whole(path, "old")

    def fails_half_way(part) -> None:
        part.write_text("ne")
        raise OSError(28, "No space left on device")

    with pytest.raises(UserError, match=r"page\.html: cannot be written: No space left on device"):
        write_whole_with(path, fails_half_way)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_an_interrupt_leaves_nothing_either(tmp_path) -> None:
    def interrupted(part) -> None:
        part.write_text("ne")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole_with(tmp_path / "page.html", interrupted)
    assert list(tmp_path.iterdir()) == []


def test_replacing_is_a_choice(tmp_path) -> None:
    path = tmp_path / "drill.yaml"
    write_whole(path, "mine")
    write_whole(path, b"new")
    assert path.read_bytes() == b"new"
    with pytest.raises(UserError, match="is there already; move it away or choose another name"):
        write_whole(path, "x", replace=False)
    with pytest.raises(UserError, match="cannot be written"):
        write_whole(tmp_path / "none" / "x.html", "x")
