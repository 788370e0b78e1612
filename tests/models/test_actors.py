"""Recordings of actors: what lies in the game's data file, which line of the script each says."""

import io
import struct

import numpy as np
import pytest
import soundfile

from tests.parts import need_python

need_python("rapidfuzz", "the train extra")
need_python("wordfreq", "the train extra")

from models.training import actors  # noqa: E402
from models.training.words import Ration  # noqa: E402


def _recording(seconds: float) -> bytes:
    file = io.BytesIO()
    tone = 0.3 * np.sin(2 * np.pi * 300 * np.arange(round(seconds * 11_025)) / 11_025)
    soundfile.write(file, tone, 11_025, format="WAV")
    return file.getvalue()


def _data_file(files: dict[str, bytes]) -> bytes:
    """A data file laid out as the game's: a head of 15 bytes, the table, the files."""
    at, table, body = 15 + 21 * len(files) + 12, b"", b""
    for name, content in files.items():
        table += name.encode().ljust(12, b"\0") + b"\1" + struct.pack(">II", at + len(body), len(content))
        body += content
    return b"QTBL" + b"\0" * 11 + table + b"\0" * 12 + body


def test_recordings_come_at_16_khz_and_those_too_short_or_long_do_not() -> None:
    data = _data_file({"010001J1.SB": _recording(2.0), "010002P1.SB": _recording(0.2), "ROOM.PCX": b"picture"})
    found = dict(actors.recordings(data))
    assert list(found) == ["010001J1"]
    assert len(found["010001J1"]) == pytest.approx(2.0 * 16_000, abs=40)


def test_the_script_has_a_line_for_each_sentence_of_its_own() -> None:
    """A byte of length may stand before a line and look like a letter; "*" and digits begin a new recording."""
    data = _data_file({"A.DOG": b"\0\0;Close the hatch!*03It leaks.\0\x07\0EWho said that?\0", "A.PCX": b"\0Not a line\0"})
    lines = actors.script(data)
    assert {lines[actors.letters(t)] for t in ("close the hatch", "it leaks", "who said that")} == {
        "Close the hatch!", "It leaks.", "Who said that?",
    }  # fmt: skip
    assert "notaline" not in lines


def test_what_was_heard_becomes_the_nearest_line_or_nothing() -> None:
    lines = {actors.letters(t): t for t in ("Close the hatch!", "It leaks.", "Ask Xqzzv about it.")}
    assert actors.nearest("Close the hutch", lines) == "close the hatch"
    assert actors.nearest("Something else was said", lines) is None
    assert actors.nearest("Ask Xqzzv about it", lines) is None, "a word that cannot be pronounced teaches nothing"


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("Put it on. Put it on. Put", "Put it on."),
        ("Put it on.", "Put it on."),
        ("No. No.", "No."),
        ("Hello Hello Hello Hel", "Hello"),
        ("Wait. Wait for me.", "Wait. Wait for me."),
        ("We met. We met again later.", "We met. We met again later."),
    ],
)
def test_a_line_written_again_is_written_once(written: str, kept: str) -> None:
    assert actors.once(written) == kept


@pytest.mark.parametrize(
    ("name", "who"), [("610024J1", "hero"), ("JOE01111", "hero"), ("5700CCP2", "570"), ("C20G_032", "C20G")]
)
def test_a_recording_s_name_tells_its_character(name: str, who: str) -> None:
    assert actors.character(name) == who


def test_no_word_is_given_more_often_than_its_ration() -> None:
    ration = Ration(in_all=3, by_one=2)
    given = [ration.take("stop", who) for who in ("a", "a", "a", "b", "b", "c")]
    assert given == [True, True, False, True, False, False]
    assert ration.take("go", "a")
