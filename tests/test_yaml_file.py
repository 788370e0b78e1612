"""What a YAML file may hold at all: one line for whatever is wrong, at once, in every file that people write."""

import os
import time

import pytest

from listener.errors import SettingsError
from listener.yaml_file import MOST_BYTES, read_yaml

BOMB = "a: &a [x, x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{before}'] * 10)}]\n" for before, name in zip("abcdefgh", "bcdefghi")
)


@pytest.mark.parametrize(
    "data, said",
    [
        (b"a: 1\nb: 2\na: 3\n", "line 3: not valid YAML: 'a' stands here twice"),
        (b"a: {b: 1, 'b': 2}\n", "line 1: not valid YAML: 'b' stands here twice"),
        (b"[" * 100, "nested more than 40 deep"),
        (b"a: " + b"[" * 200_000, "nest"),
        (BOMB.encode(), "more than 100,000 entries"),
        (b"a: &a [*a]\n", "a group that holds itself"),
        (b'a: "b\\0"\n', "line 1: not valid YAML: a control character, or half a character, in a text"),
        (b'a: "\\ud800"\n', "not valid YAML"),
        (b'"\\a": 1\n', "line 1: not valid YAML: a control character"),
        (b"a: \x00\n", "not valid YAML"),
        ("a: ü\n".encode("latin-1"), "it is not a text file (UTF-8)"),
        ("a: 1\n".encode("utf-16"), "it is not a text file (UTF-8)"),
        (b"a: 2026-02-31\n", "not valid YAML: day is out of range for month"),
        (b"a: !!int ''\n", "not valid YAML"),
        (b"a: " + b"9" * 5000, "not valid YAML"),
        (b"a: !!python/object:os.system x\n", "not valid YAML: could not determine a constructor"),
        (b"# \n" * MOST_BYTES, "longer than 1 MB; is it the right file?"),
    ],
    ids=range(17),
)
def test_it_ends_in_one_line_within_a_second(tmp_path, data, said):
    path = tmp_path / "mine.yaml"
    path.write_bytes(data)
    began_s = time.monotonic()
    with pytest.raises(SettingsError) as caught:
        read_yaml(path, "the settings")
    assert said in str(caught.value)
    assert str(caught.value).startswith(f"{path}: ") and "\n" not in str(caught.value)
    assert time.monotonic() - began_s < 2.0


def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.yaml")
    with pytest.raises(SettingsError, match="pipe.yaml: cannot read the settings: it is not a plain file"):
        read_yaml(tmp_path / "pipe.yaml", "the settings")


def test_anchors_that_repeat_a_group_are_fine(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text("\ufeffa: &a {x: 1}\nb: *a\nc: {<<: *a, y: 2}\n", encoding="utf-8")
    assert read_yaml(path, "the settings") == {"a": {"x": 1}, "b": {"x": 1}, "c": {"x": 1, "y": 2}}
