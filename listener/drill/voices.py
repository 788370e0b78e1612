"""Clean speech to make exercises from: a folder of recordings with a manifest.yaml of their words."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soxr
import yaml
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.sound.edges import faded
from listener.sound.files import open_recording

Samples = NDArray[np.float32]

DISTRACTORS = ("said_once", "said_twice", "look_alike", "talk", "three_words", "read_back", "other_call")


@dataclass(frozen=True, slots=True)
class Piece:
    """Something said in one go on one recording; words_s are the times of its parts in the file."""

    file: Path
    voice: str
    kind: str
    text: str
    words_s: tuple[tuple[float, float], ...]

    @property
    def length_s(self) -> float:
        """From the start of the first word to the end of the last, seconds."""
        return self.words_s[-1][1] - self.words_s[0][0]


@dataclass(frozen=True, slots=True)
class Voices:
    """What a folder offers: calls of the phrase, ordinary traffic, and what is not a call."""

    calls: tuple[Piece, ...]
    traffic: tuple[Piece, ...]
    distractors: tuple[Piece, ...]


def read_voices(folder: Path, phrase: str) -> Voices:
    """The clean pieces of a folder's manifest.

    Raises UserError when there is no such folder or manifest, or nobody says the phrase in it.
    """
    manifest = folder / "manifest.yaml"
    try:
        clips = yaml.safe_load(manifest.read_text(encoding="utf-8"))["clips"]
        pieces = [piece for clip in clips for piece in _pieces(folder, clip, phrase)]
    except OSError:
        raise UserError(
            f"{manifest}: cannot be read; name the project's recordings_synthetic folder with --voices"
        ) from None
    except (yaml.YAMLError, KeyError, TypeError) as error:
        raise UserError(f"{manifest}: is not a manifest of recordings ({type(error).__name__}); build it again") from None
    calls = tuple(p for p in pieces if p.kind == "call")
    if not calls:
        known = sorted({clip["phrase"] for clip in clips if clip["kind"] == "call" and clip.get("noise") is None})
        raise UserError(f"{folder}: nobody calls {phrase!r} in quiet there; there are: {', '.join(known)}")
    traffic = tuple(p for p in pieces if p.kind not in ("call", *DISTRACTORS))
    return Voices(calls, traffic, tuple(p for p in pieces if p.kind in DISTRACTORS))


def _pieces(folder: Path, clip: dict[str, Any], phrase: str) -> Iterator[Piece]:
    """A clip's clean speech: one piece, or one for each transmission of an exercise."""
    for said in clip.get("transmissions", [clip]):
        plain = said.get("noise") is None and clip.get("radio", "band") == "band" and said.get("words")
        if not plain or clip["channels"] != 1:
            continue
        if said["kind"] == "call":
            words = [word for call in clip["calls"] for word in call["words"] if said is clip]
            if not words or clip["phrase"] != phrase:
                continue
        else:
            # Where the phrase is not the clip's, its look-alikes are no distractors for ours.
            if said["kind"] in DISTRACTORS and clip["phrase"] != phrase:
                continue
            words = [(word["start_s"], word["end_s"]) for word in said["words"]]
        text = ", ".join(word["text"] for word in said["words"])
        yield Piece(folder / clip["file"], said["voice"], said["kind"], text, tuple((a, b) for a, b in words))


def sound_of(piece: Piece, start_s: float, end_s: float) -> Samples:
    """The samples of a stretch of a piece's file at RATE_HZ, float32, edges faded over 5 ms."""
    try:
        with open_recording(piece.file) as recording:
            rate_hz = recording.rate_hz
            samples = recording.span(round(start_s * rate_hz), round(end_s * rate_hz))[:, 0]
    except UserError as error:
        raise UserError(f"{error}; build the recordings again") from None
    samples = np.asarray(soxr.resample(samples, rate_hz, RATE_HZ), np.float32)
    return faded(samples, min(round(0.005 * RATE_HZ), samples.size // 2))
