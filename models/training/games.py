"""The spoken lines in the data files of two freely redistributable adventure games.

Each game gives (name, sound) of its recordings, who speaks as far as the file tells, and the script where it is to be had.
"""

from __future__ import annotations

import io
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
import soxr

from listener.events import RATE_HZ
from models.training import rnc
from models.training.corpus import Samples
from models.training.writer import letters

SHORTEST_S, LONGEST_S = 0.35, 12.0


class Game(Protocol):
    """A game's speech."""

    engine: str

    def recordings(self) -> Iterator[tuple[str, Samples]]:
        """(name, mono float32 at 16 kHz) of every spoken line of a fair length."""

    def speaker(self, name: str) -> str:
        """Who speaks in a recording; recordings of one name are by one voice, or nearly always."""

    def script(self) -> dict[str, str]:
        """The lines of the script by their letters alone; empty where it is not to be had."""


def _fair(said: np.ndarray, rate_hz: int) -> Samples | None:
    return soxr.resample(said, rate_hz, RATE_HZ) if SHORTEST_S <= len(said) / rate_hz <= LONGEST_S else None


@dataclass(frozen=True, slots=True)
class Entry:
    """A file inside a game's data file."""

    name: str
    offset: int
    size: int


class AmazonQueen:
    """The Debian package flight-of-the-amazon-queen: 6,700 lines of some fifty characters, 4.6 hours, with the script."""

    engine = "amazon_queen"
    DATA = "usr/share/scummvm/flight-of-the-amazon-queen/queen.1c"

    def __init__(self, package: Path) -> None:
        self._data = (package / self.DATA).read_bytes()

    def entries(self) -> Iterator[Entry]:
        """The table at the start of the data file: 12 bytes of name, a bundle number, offset and size (big-endian)."""
        at = 15
        while re.fullmatch(rb"[\w.-]+", name := self._data[at : at + 12].rstrip(b"\0")):
            offset, size = struct.unpack(">II", self._data[at + 13 : at + 21])
            yield Entry(name.decode(), offset, size)
            at += 21

    def _content(self, entry: Entry) -> bytes:
        return self._data[entry.offset : entry.offset + entry.size]

    def recordings(self) -> Iterator[tuple[str, Samples]]:
        """Every spoken line: its name and its samples, float32 at RATE_HZ. Too short or long ones are left out."""
        for entry in self.entries():
            if entry.name.endswith(".SB"):
                said = _fair(*soundfile.read(io.BytesIO(self._content(entry)), dtype="float32"))
                if said is not None:
                    yield entry.name[:-3], said

    def script(self) -> dict[str, str]:
        """Lines lie in the files of dialogues and scenes, each behind a byte with its length (which may look like a
        letter), with "*" and two digits where a sentence of its own begins.
        """
        lines: dict[str, str] = {}
        for entry in self.entries():
            if entry.name.rsplit(".", 1)[-1] in ("DOG", "CUT", "JAS"):
                for found in re.findall(rb"[ -~]{3,}", self._content(entry)):
                    for part in re.split(r"\*\d*", found.decode()):
                        for line in (part, part[1:], part[2:]):
                            if re.match(r"[A-Z\"'.(]", line):
                                lines.setdefault(letters(line), line)
        lines.pop("", None)
        return lines

    def speaker(self, name: str) -> str:
        """The hero, or somebody of a dialogue or scene, as the recording's name tells."""
        if re.fullmatch(r"[0-9A-FX]{6}J\d|JOE\w+", name):
            return "hero"
        return name[:3] if re.fullmatch(r"[0-9A-FX]{6}P\d", name) else name[:4]


class SteelSky:
    """The Debian package beneath-a-steel-sky: 3,650 lines by a British cast, 2.2 hours, packed, without a script to read."""

    engine = "steel_sky"
    FOLDER = "usr/share/scummvm/beneath-a-steel-sky"
    SPEECH = range(50_000, 60_000)  # numbers of the files that hold speech
    HEAD = 22  # bytes before the sound: 8 bits without sign, 11,025 Hz

    def __init__(self, package: Path) -> None:
        self._table = (package / self.FOLDER / "sky.dnr").read_bytes()
        self._data = (package / self.FOLDER / "sky.dsk").read_bytes()

    def entries(self) -> Iterator[Entry]:
        """The table: a count; then number (16 bits), offset (23 bits, one that says: in sixteens), size (22 bits, flags)."""
        (count,) = struct.unpack_from("<I", self._table)
        for at in range(4, 4 + 8 * count, 8):
            number = int.from_bytes(self._table[at : at + 2], "little")
            offset = int.from_bytes(self._table[at + 2 : at + 5], "little")
            size = int.from_bytes(self._table[at + 5 : at + 8], "little") & 0x3FFFFF
            yield Entry(str(number), (offset & 0x7FFFFF) << (4 if offset >> 23 else 0), size)

    def recordings(self) -> Iterator[tuple[str, Samples]]:
        """Every spoken line: its number as text and its samples, float32 at RATE_HZ. Too short or long ones are left out."""
        for entry in self.entries():
            if int(entry.name) in self.SPEECH:
                packed = self._data[entry.offset + self.HEAD : entry.offset + entry.size]
                sound = np.frombuffer(rnc.unpack(packed) if packed.startswith(rnc.MAGIC) else packed, np.uint8)
                said = _fair((sound.astype(np.float32) - sound.mean(dtype=np.float32)) / 128, 11_025)
                if said is not None:
                    yield entry.name, said

    def script(self) -> dict[str, str]:
        """Empty: the package has no text of its lines."""
        return {}

    def speaker(self, name: str) -> str:
        """Not told by the file: every recording counts as a speaker of its own."""
        return name


GAMES = {game.engine: game for game in (AmazonQueen, SteelSky)}
