"""The bank: every piece of speech and noise that a study draws from, rendered or read once, before the trials.

It lies beside the results as 16-bit samples (bank.npy) and a list (bank.json), so that a trial in any
process, today or after a kill, starts from the same samples.
"""

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.atomic_write import write_whole
from listener.errors import UserError
from listener.events import RATE_HZ
from listener.radio import measured_response, rms_dbov, speech_level
from listener.radio.level import SILENT_DBOV
from listener.sound.files import SOUND_FILES
from listener.speech.pronounce import pronunciations
from listener.study.plan import BABBLE, Plan, RecordedNoise, RecordedRoom
from listener.study.prepared import Listed, Prepared
from listener.study.recorded import Piece, Source, read_mono, read_sound, sources
from listener.study.talk import TALK
from listener.study.voices import say

AROUND = "around"
SHORTEST_PHONE_S = 0.025
"""No clip of a phrase may be shorter than this for each of its sounds (common practice, no source)."""

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Clip:
    """One piece in the bank.

    role: "word" (the phrase once), "call" (a call as recorded), AROUND (a position or caller), "line" (other talk),
    "noise", "room" (a response).
    words: for a call, the (start_s, end_s) of its words within the clip. start, size: in samples.
    """

    role: str
    speaker: str
    text: str
    source: str
    words: tuple[tuple[float, float], ...]
    start: int
    size: int


class Bank:
    """Clips and their samples. Frozen once made; samples may be a memory map."""

    def __init__(self, clips: tuple[Clip, ...], samples: NDArray[np.int16]) -> None:
        self.clips = clips
        self._samples = samples
        self.talk: tuple[Plan, tuple[Any, ...]] | None = None  # what `negatives` has dealt out of it, for which plan

    def sound(self, clip: Clip) -> Samples:
        """The clip's samples, float32 at RATE_HZ, full scale 1."""
        return self._samples[clip.start : clip.start + clip.size].astype(np.float32) / np.float32(32768)

    def speakers(self, phrase: str) -> tuple[str, ...]:
        """Who says the phrase, in order of name."""
        return tuple(sorted(self._takes.get(phrase, {})))

    def takes(self, phrase: str, speaker: str) -> tuple[Clip, ...]:
        """The speaker's whole calls if any were recorded, else single words."""
        takes = self._takes[phrase][speaker]
        return tuple(c for c in takes if c.role == "call") or tuple(takes)

    def said_around(self, words: str, speaker: str) -> tuple[Clip, ...]:
        """The speaker's takes of what is said around a call."""
        return tuple(c for c in self.clips if (c.role, c.text, c.speaker) == (AROUND, words, speaker))

    @cached_property
    def lines(self) -> tuple[Clip, ...]:
        """Lines of speech that hold no call: the talk around the calls and the negatives."""
        return tuple(c for c in self.clips if c.role == "line")

    def noises(self, name: str) -> tuple[Clip, ...]:
        """Recorded noise of this name."""
        return tuple(c for c in self.clips if c.role == "noise" and c.text == name)

    def responses(self, room: str) -> tuple[Clip, ...]:
        """Measured impulse responses of this room; none for a simulated one."""
        return tuple(c for c in self.clips if c.role == "room" and c.text == room)

    @cached_property
    def digest(self) -> str:
        """SHA-256 over the samples and what they are, hex."""
        sha = hashlib.sha256(json.dumps([asdict(c) for c in self.clips], sort_keys=True, allow_nan=False).encode())
        for start in range(0, self._samples.size, 1 << 22):
            sha.update(np.ascontiguousarray(self._samples[start : start + (1 << 22)]).astype("<i2").tobytes())
        return sha.hexdigest()

    @cached_property
    def _takes(self) -> dict[str, dict[str, list[Clip]]]:
        takes: dict[str, dict[str, list[Clip]]] = {}
        for clip in self.clips:
            if clip.role in ("word", "call"):
                takes.setdefault(clip.text, {}).setdefault(clip.speaker, []).append(clip)
        return takes

    def save(self, folder: Path) -> None:
        """Write bank.npy and bank.json; the list comes last, so that where it is, all is there."""
        np.save(folder / "bank.npy", self._samples)
        write_whole(folder / "bank.json", json.dumps([asdict(c) for c in self.clips], allow_nan=False))

    def in_memory(self) -> "Bank":
        """The same with its samples in memory, to be sent elsewhere."""
        return Bank(self.clips, np.array(self._samples))

    @classmethod
    def load(cls, folder: Path) -> "Bank":
        """The saved bank; its samples stay on disk until they are used."""
        listed = json.loads((folder / "bank.json").read_text(encoding="utf-8"))
        clips = _as_clips(listed)
        return cls(clips, np.load(folder / "bank.npy", mmap_mode="r" if clips else None))


def build(plan: Plan, tell: Callable[[str], None] = lambda _: None, prepared: Prepared | None = None) -> Bank:
    """Render and read everything that the plan needs, and check it.

    tell: hears what is being prepared. prepared: where each part is kept until the bank is whole, so that a kill loses
    no more than the part it came in; the bits are the same. Raises UserError for silent speech or noise, clips too short
    for their phrase, a phrase that nobody says, missing files and voices.
    """
    clips: list[Clip] = []
    parts: list[NDArray[np.int16]] = []
    at = 0
    holds: dict[Path | None, int] = {}
    for source in _sources(plan, tell):
        make = partial(_part, source, plan)
        listed, samples = prepared.part(source.name, source.files, make) if prepared else make()
        clips += [replace(clip, start=clip.start + at) for clip in _as_clips(listed)]
        holds[source.folder] = holds.get(source.folder, 0) + len(listed)
        parts.append(samples)
        at += samples.size
    for folder, count in holds.items():
        if folder and not count and _wants_lines(plan):
            raise _no_speech(folder)
    bank = Bank(tuple(clips), np.concatenate(parts) if parts else np.zeros(0, np.int16))
    _check_complete(plan, bank)
    return bank


def _part(source: Source, plan: Plan) -> tuple[Listed, NDArray[np.int16]]:
    """A source's pieces, checked: clips as plain values that start in these samples, and the samples."""
    clips, sounds, at = [], [np.zeros(0, np.int16)], 0
    for piece in source.make():
        if piece.role == "line" and not _wants_lines(plan):
            continue
        _CHECKS.get(piece.role, _check_speech)(piece)
        samples = np.clip(np.round(piece.samples * 32768.0), -32768, 32767).astype(np.int16)
        clips.append(asdict(Clip(piece.role, piece.speaker, piece.text, piece.source, piece.words, at, samples.size)))
        sounds.append(samples)
        at += samples.size
    return clips, np.concatenate(sounds)


def _as_clips(listed: Listed) -> tuple[Clip, ...]:
    return tuple(Clip(**{**c, "words": tuple(map(tuple, c["words"]))}) for c in listed)


def _wants_lines(plan: Plan) -> bool:
    return plan.negatives.hours > 0 or BABBLE in plan.noises


def _sources(plan: Plan, tell: Callable[[str], None]) -> Iterator[Source]:
    """Everything that the bank is made of, in its order: voices, recordings, other talk, noises."""
    for voice in plan.speech.voices:
        tell(f"voice {voice}")
        yield Source(f"voice {voice}", (), partial(_said_by, voice, plan))
    folders = [recorded.folder for recorded in (*plan.speech.recordings, *plan.negatives.recordings)]
    wanted = [(recorded, False) for recorded in plan.speech.recordings]
    wanted += [(recorded, True) for recorded in plan.negatives.recordings]
    for recorded, only_lines in wanted:
        tell(f"recordings {recorded.folder.name}")
        prefix = _prefix(recorded.folder, folders)
        found = list(sources(recorded, plan.phrases, only_lines, prefix))
        if not found:
            raise _no_speech(recorded.folder)
        yield from found
    for noise in plan.noises:
        if isinstance(noise, RecordedNoise):
            tell(f"noise {noise.name}")
            yield from (Source(f"noise {noise.name} {file}", (file,), partial(_noise_of, noise.name, file))
                        for file in _sound_files(noise.path, f"noise {noise.name!r}"))  # fmt: skip
    for name, room in plan.rooms.items():
        if isinstance(room, RecordedRoom):
            tell(f"room {name}")
            yield from (Source(f"room {name} {file}", (file,), partial(_room_of, name, file))
                        for file in _sound_files(room.path, f"room {name!r}"))  # fmt: skip


def _no_speech(folder: Path) -> UserError:
    return UserError(f"{folder}: no labelled speech found; put label files beside the sound files")


def _said_by(voice: str, plan: Plan) -> Iterator[Piece]:
    """All that a synthetic voice says: each phrase at each pace, and the lines of talk."""
    phrases = tuple(phrase.words for phrase in plan.phrases)
    for phrase in phrases:
        for pace in plan.speech.paces:
            yield Piece("word", voice, phrase, f"pace {pace:g}", say(voice, phrase, pace))
    around = [words for position in plan.positions for words in position.spoken]
    around += [words for caller in plan.callers for _, ways in caller.each() for words in ways]
    for words in around:
        for pace in plan.speech.paces:
            yield Piece(AROUND, voice, words, f"pace {pace:g}", say(voice, words, pace))
    texts = [text.replace("{phrase}", phrase) for text in (plan.negatives.texts or TALK)
             for phrase in (phrases if "{phrase}" in text else phrases[:1])]  # fmt: skip
    for i, text in enumerate(texts if _wants_lines(plan) else ()):
        pace = plan.speech.paces[i % len(plan.speech.paces)]
        yield Piece("line", voice, text, f"pace {pace:g}", say(voice, text, pace))


def _prefix(folder: Path, folders: list[Path]) -> str:
    """What tells people of this folder from those of others: nothing, its name, or more of its path."""
    others = [other for other in set(folders) if other != folder]
    for parts in range(len(folder.parts)):
        if all(other.parts[len(other.parts) - parts :] != folder.parts[len(folder.parts) - parts :] for other in others):
            return "".join(f"{part}/" for part in folder.parts[len(folder.parts) - parts :])
    return f"{folder}/"


def _sound_files(path: Path, where: str) -> list[Path]:
    files = [path]
    if path.is_dir():
        files = sorted(p for p in path.rglob("*") if p.suffix.lower() in SOUND_FILES)
    if not files:
        raise UserError(f"{where}: no sound files in {path}")
    return files


def _noise_of(name: str, file: Path) -> Iterator[Piece]:
    yield Piece("noise", "", name, file.name, read_sound(file))


def _room_of(name: str, file: Path) -> Iterator[Piece]:
    """The response as the bank keeps it: its greatest sample near full scale, for 16 bits."""
    response = measured_response(*read_mono(file), RATE_HZ, f"room {name!r} ({file.name})")
    yield Piece("room", "", name, file.name, response * np.float32(0.99 / np.abs(response).max()))


def _check_noise(piece: Piece) -> None:
    where = f"noise {piece.text!r} ({piece.source})"
    if not rms_dbov(piece.samples) >= SILENT_DBOV:
        raise UserError(f"{where}: is silent, so no signal-to-noise ratio can be set; choose another recording")
    if piece.samples.size < RATE_HZ:
        raise UserError(f"{where}: lasts {piece.samples.size / RATE_HZ:.2f} s; give at least a second")


def _check_speech(piece: Piece) -> None:
    where = f"speech {piece.text!r} by {piece.speaker} ({piece.source})"
    if piece.role in ("word", "call"):
        said = len(piece.words) or 1
        sounds = said * sum(min(map(len, _ways(word))) for word in piece.text.split())
        length_s = piece.samples.size / RATE_HZ
        if length_s < sounds * SHORTEST_PHONE_S:
            raise UserError(f"{where}: lasts {length_s:.2f} s, too short to hold {sounds} sounds; check its label")
    speech_level(piece.samples, RATE_HZ, where)


_CHECKS: dict[str, Callable[[Piece], None]] = {"noise": _check_noise, "room": lambda _: None}


def _ways(word: str) -> list[tuple[str, ...]]:
    try:
        return pronunciations(word)
    except UserError:  # a word the dictionary lacks: the engines will say so
        return [("?",) * max(2, len(word) - 2)]


def _check_complete(plan: Plan, bank: Bank) -> None:
    for phrase in plan.phrases:
        if not bank.speakers(phrase.words):
            raise UserError(f"phrases: nobody says {phrase.words!r}; name voices, or label it in the recordings")
    if plan.negatives.hours > 0 and not bank.lines:
        raise UserError("negatives: nobody says anything else; name voices, or recordings with other talk in them")
    if BABBLE in plan.noises and not bank.lines:
        raise UserError("noises: babble is made of the study's own talk, and there is none; name voices or recordings")
