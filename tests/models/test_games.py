"""What lies in the games' data files: recordings, speakers, script."""

import io
import struct

import numpy as np
import pytest
import soundfile

from tests.parts import need_python

need_python("wordfreq", "the train extra")

from models.training.games import AmazonQueen, SteelSky  # noqa: E402
from models.training.writer import letters  # noqa: E402


def _tone(seconds: float) -> np.ndarray:
    return 0.3 * np.sin(2 * np.pi * 300 * np.arange(round(seconds * 11_025)) / 11_025)


def _wave(seconds: float) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, _tone(seconds), 11_025, format="WAV")
    return file.getvalue()


@pytest.fixture
def queen(tmp_path):
    """A package whose data file is laid out as the game's: a head of 15 bytes, the table, the files."""

    def package(files: dict[str, bytes]) -> AmazonQueen:
        at, table, body = 15 + 21 * len(files) + 12, b"", b""
        for name, content in files.items():
            table += name.encode().ljust(12, b"\0") + b"\1" + struct.pack(">II", at + len(body), len(content))
            body += content
        path = tmp_path / AmazonQueen.DATA
        path.parent.mkdir(parents=True)
        path.write_bytes(b"QTBL" + b"\0" * 11 + table + b"\0" * 12 + body)
        return AmazonQueen(tmp_path)

    return package


def test_recordings_come_at_16_khz_and_those_too_short_or_long_do_not(queen) -> None:
    found = dict(queen({"010001J1.SB": _wave(2.0), "010002P1.SB": _wave(0.2), "ROOM.PCX": b"picture"}).recordings())
    assert list(found) == ["010001J1"]
    assert len(found["010001J1"]) == pytest.approx(2.0 * 16_000, abs=40)


def test_the_script_has_a_line_for_each_sentence_of_its_own(queen) -> None:
    """A byte of length may stand before a line and look like a letter; "*" and digits begin a new recording."""
    lines = queen(
        {"A.DOG": b"\0\0;Close the hatch!*03It leaks.\0\x07\0EWho said that?\0", "A.PCX": b"\0Not a line\0"}
    ).script()
    assert {lines[letters(t)] for t in ("close the hatch", "it leaks", "who said that")} == {
        "Close the hatch!", "It leaks.", "Who said that?",
    }  # fmt: skip
    assert "notaline" not in lines


@pytest.mark.parametrize(
    ("name", "who"), [("610024J1", "hero"), ("JOE01111", "hero"), ("5700CCP2", "570"), ("C20G_032", "C20G")]
)
def test_a_recording_s_name_tells_its_character(queen, name: str, who: str) -> None:
    assert queen({}).speaker(name) == who


def test_speech_of_the_other_game_is_unsigned_bytes_behind_a_head(tmp_path) -> None:
    """Files are numbered; those from 50,000 to 59,999 are speech; an offset may count in sixteens."""
    sound = np.round(_tone(1.0) * 127 + 128).astype(np.uint8).tobytes()
    files = [(50_001, bytes(22) + sound), (60_001, bytes(22) + sound), (59_999, bytes(22) + sound)]
    table, body = struct.pack("<I", len(files)), b""
    for number, content in files:
        body += bytes(-len(body) % 16)
        offset = len(body) // 16 | 1 << 23 if number == 59_999 else len(body)
        table += struct.pack("<H", number) + offset.to_bytes(3, "little") + len(content).to_bytes(3, "little")
        body += content
    folder = tmp_path / SteelSky.FOLDER
    folder.mkdir(parents=True)
    (folder / "sky.dnr").write_bytes(table)
    (folder / "sky.dsk").write_bytes(body)
    found = dict(SteelSky(tmp_path).recordings())
    assert list(found) == ["50001", "59999"]
    for said in found.values():
        assert len(said) == pytest.approx(16_000, abs=20)
        assert abs(np.mean(said)) < 0.01
        assert np.std(said) == pytest.approx(0.3 / np.sqrt(2), rel=0.02)
