"""A file is whole or not there."""

import os
from pathlib import Path

import pytest

import listener
from listener.atomic_write import PAGE_MARK, own_folder, write_new, write_page, write_whole, write_whole_with
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


def test_nothing_that_is_there_is_written_over(tmp_path) -> None:
    path = tmp_path / "drill.yaml"
    write_new(path, "mine")
    with pytest.raises(UserError, match="is there already; move it away or choose another name"):
        write_new(path, "x")
    with pytest.raises(UserError, match="is there already and is not a page that this program wrote"):
        write_page(path, f"<head>{PAGE_MARK}")
    with pytest.raises(UserError, match="cannot be written"):
        write_whole(tmp_path / "none" / "x.html", "x")
    assert path.read_text() == "mine"


def test_a_page_of_ours_is_replaced_by_the_next_one(tmp_path) -> None:
    path = tmp_path / "drill.html"
    write_page(path, f"<head>{PAGE_MARK}</head>first")
    write_page(path, f"<head>{PAGE_MARK}</head>second")
    assert path.read_text().endswith("second")
    with pytest.raises(UserError, match="is there already"):
        write_new(path, "x")


@pytest.mark.parametrize("make", [os.mkfifo, os.mkdir, lambda path: os.symlink("nowhere", path)])
def test_what_is_no_file_is_left_alone_and_not_waited_for(tmp_path, make) -> None:
    path = tmp_path / "odd.html"
    make(path)
    for write in (write_new, write_page):
        with pytest.raises(UserError, match="odd.html: is there already"):
            write(path, "x")
    assert os.path.lexists(path)


def test_a_name_that_is_too_long_or_holds_a_zero_is_a_line(tmp_path) -> None:
    for name in ("x" * 300, "a\0b"):
        for write in (write_new, write_page, write_whole):
            with pytest.raises(UserError, match="cannot be written"):
                write(tmp_path / name, "x")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_is_ours_when_it_is_new_empty_or_marked(tmp_path) -> None:
    own_folder(tmp_path / "new")
    own_folder(tmp_path / "new")
    theirs = tmp_path / "theirs"
    theirs.mkdir()
    (theirs / "report.html").write_text("mine")
    with pytest.raises(UserError, match="holds files that are not this program's"):
        own_folder(theirs)
    own_folder(theirs, known_by=("report.html",))
    with pytest.raises(UserError, match="is not a folder"):
        own_folder(theirs / "report.html")


def test_every_page_bears_the_mark() -> None:
    templates = [p for p in (Path(listener.__file__).parent).rglob("templates/*.html") if "watch" not in p.parts]
    assert len(templates) >= 3
    for template in templates:
        assert template.read_text().count('<meta charset="utf-8">') == (1 if "<head>" in template.read_text() else 0)
