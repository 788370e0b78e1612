"""From packs of clips to training examples.

``load`` reads a corpus folder (packs of audio beside a ``clips.csv``) into one flat int16
array. ``Composer`` then lays clips of one voice on a six-second line: words said alone,
twice, three times, lists of words, sentences. Every example is a pure function of
(seed, number), so any number of worker processes gives the same training run.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import lfilter

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.sound.edges import frame_powers, loud_frames
from listener.speech.pronounce import PHONE_INDEX, Pronunciation, parse_arpabet, pronunciations

LETTERS = {"a": "EY"}  # one-letter "words" in spelled-out speech: the letter's name
NAMES = {
    "snowboy": "S N OW B OY", "jarvis": "JH AA R V IH S", "alexa": "AH L EH K S AH",
    "hashtag": "HH AE SH T AE G", "marvin": "M AA R V IH N",
}  # fmt: skip


@dataclass(frozen=True)
class Clip:
    """One clip: where it lies in the flat audio, who speaks, what is said."""

    start: int
    length: int
    engine: str
    voice: str
    kind: str  # word | phrase | sentence
    words: tuple[Pronunciation, ...]
    text: str


@dataclass(frozen=True)
class Corpus:
    """Clips of speech at RATE_HZ, and where each lies in the sound."""

    audio: np.ndarray  # int16, all clips end to end
    clips: tuple[Clip, ...]


def held_back(name: str) -> bool:
    """One third of the real speakers (or files, where speakers are not known), by hash."""
    return _hash(name) % 3 == 0


def _hash(name: str) -> int:
    return int(hashlib.md5(name.encode()).hexdigest(), 16)


def people_held_back(rows: list[dict[str, str]]) -> list[bool]:
    """For each row of a real-speech clips.csv: does it stay out of training?

    Clips with a speaker's name go by the name (``held_back``). Of crowd clips without names the last third of each
    phrase's clips stays out, so that every phrase is trained on some people and tried on others. Whether somebody
    spoke in both parts cannot be known without names.
    """
    counts = Counter(row["text"] for row in rows if not row["speaker"])
    seen: Counter[str] = Counter()
    held = []
    for row in rows:
        if row["speaker"]:
            held.append(held_back(row["speaker"]))
        else:
            seen[row["text"]] += 1
            held.append(3 * seen[row["text"]] > 2 * counts[row["text"]])
    return held


def transcribe(text: str, *, spelled_letters: bool = False) -> tuple[Pronunciation, ...] | None:
    """First pronunciation of each word of a text, or None if one is unknown."""
    said = []
    for word in re.findall(r"[a-z']+", text.lower()):
        try:
            if spelled_letters and word in LETTERS:
                said.append(parse_arpabet(LETTERS[word]))
            elif word in NAMES:
                said.append(parse_arpabet(NAMES[word]))
            else:
                said.append(pronunciations(word)[0])
        except UserError:
            return None
    return tuple(said)


def _read_pack(path: Path) -> np.ndarray:
    audio, rate = soundfile.read(path, dtype="int16")
    if rate != RATE_HZ:
        raise ValueError(f"{path}: {rate} Hz, expected {RATE_HZ}")
    return audio


def rows_of(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file by the names in its first line."""
    with open(path, newline="") as file:
        return list(csv.DictReader(file))


WORDS = "words.csv"  # single words cut out of people's sentences (``models.training.words``)
SENTENCES = "sentences.csv"  # people's sentences that came without texts, written down (``models.training.sentences``)
PEOPLE = "people.csv"  # single words by people, some in files of which nothing may train
EVALUATE_ONLY = "command_people"  # so begin the names of those files
TOO_MANY = ("bed", "cat", "happy")  # said alone by 1,500 people who say nothing else: whoever sounds like them is then
# heard to say these ("up" as "happy", measured)


def _rows(folder: Path, *, real: bool, dev: bool) -> list[dict[str, str]]:
    """The rows of one side of the split. Words cut from sentences are for training only."""
    rows = rows_of(folder / "clips.csv")
    if not real:
        return [row for row in rows if (row.get("split", "train") == "dev") == dev]
    held = people_held_back(rows)
    if not dev:
        files = {row["file"] for row in rows}
        words = [row for row in _cut_words(folder) if row["file"] in files]
        rows, held = rows + words, held + people_held_back(words)
    rows = [row for row, out in zip(rows, held, strict=True) if out == dev]
    return rows if dev else rows + _people(folder)


def _people(folder: Path) -> list[dict[str, str]]:
    """Training rows of people.csv and of the sentences written down, where there are such files; less one person in ten."""
    words = [row for row in word_rows(folder) if not not_for_training(row) and row["text"] not in TOO_MANY]
    said = [{**row, "kind": "word", "engine": "people"} for row in words]
    path = folder / SENTENCES
    told = rows_of(path) if path.exists() else []
    files = {row["file"] for row in told}
    told += [row for row in _cut_words(folder) if row["file"] in files]
    return said + [{**row, "engine": "readers"} for row in told]


def _cut_words(folder: Path) -> list[dict[str, str]]:
    path = folder / WORDS
    return rows_of(path) if path.exists() else []


def word_rows(folder: Path) -> list[dict[str, str]]:
    """Rows of people.csv that have a text; none where there is no such file."""
    path = folder / PEOPLE
    return [row for row in rows_of(path) if row["text"]] if path.exists() else []


def not_for_training(row: dict[str, str]) -> bool:
    """Is this row of people.csv for evaluation only? So are whole files, and of the others one named speaker in ten."""
    return row["file"].startswith(EVALUATE_ONLY) or (bool(row["speaker"]) and _hash(row["speaker"]) % 10 == 0)


def read_packs(folder: Path, names: list[str], workers: int) -> dict[str, np.ndarray]:
    """By name, the sound files of a folder: int16 (samples,) at RATE_HZ. Raises ValueError for another rate."""
    paths = [folder / name for name in names]
    with ProcessPoolExecutor(workers) as pool:
        return dict(zip(names, pool.map(_read_pack, paths, chunksize=1), strict=True))


def load(folder: Path, *, real: bool, workers: int = 4, dev: bool = False) -> Corpus:
    """Read a corpus folder. ``real``: people's clips with a speaker column; else synthetic.

    Only training clips are kept (or only the held-back ones if ``dev``); see ``people_held_back``.
    """
    rows = _rows(folder, real=real, dev=dev)
    pack_of = "file" if real else "pack"
    packs = read_packs(folder, sorted({row[pack_of] for row in rows}), workers)
    pieces, clips, at = [], [], 0
    for row in rows:
        words = transcribe(row["text"], spelled_letters=real)
        start = round(float(row["start_s"]) * RATE_HZ)
        piece = packs[row[pack_of]][start : start + round(float(row["seconds"]) * RATE_HZ)]
        if not words or len(piece) < 0.1 * RATE_HZ:
            continue
        voice = (row["speaker"] or row["file"]) if real else row["voice"]
        engine = row.get("engine", "real")
        kind = _real_kind(row) if real else row["kind"]
        if real and kind == "word":
            piece = trimmed(piece)
        clips.append(Clip(at, len(piece), engine, voice, kind, words, row["text"]))
        pieces.append(piece)
        at += len(piece)
    return Corpus(np.concatenate(pieces) if pieces else np.zeros(0, np.int16), tuple(clips))


def trimmed(audio: np.ndarray, below_db: float = 35.0, margin_s: float = 0.06, longest_s: float = 1.5) -> np.ndarray:
    """Cut to the stretch within ``below_db`` of the loudest 20 ms, and a little margin.

    Where more than ``longest_s`` is left, the background itself is that loud; then cut to what stands 8 dB above it for 100 ms.
    """
    power = frame_powers(audio, 320)
    loud = loud_frames(power, below_db)
    if (loud[-1] - loud[0]) * 320 > longest_s * RATE_HZ:
        level = np.sqrt(power)
        steady = np.convolve(level, np.full(5, 0.2), mode="same")
        above = np.flatnonzero(steady > np.percentile(level, 20) * 10 ** (8 / 20))
        loud = above if len(above) else loud
    margin = round(margin_s * RATE_HZ)
    return audio[max(0, loud[0] * 320 - margin) : (loud[-1] + 1) * 320 + margin]


def _real_kind(row: dict[str, str]) -> str:
    if "kind" in row:
        return row["kind"]
    return "word" if len(row["text"].split()) <= 2 and not row["speaker"] else "sentence"


def join(corpora: list[Corpus]) -> Corpus:
    """One corpus of several."""
    clips, at = [], 0
    for corpus in corpora:
        for clip in corpus.clips:
            clips.append(Clip(clip.start + at, *_rest(clip)))
        at += len(corpus.audio)
    return Corpus(np.concatenate([c.audio for c in corpora]), tuple(clips))


def _rest(clip: Clip) -> tuple:
    return clip.length, clip.engine, clip.voice, clip.kind, clip.words, clip.text


@dataclass(frozen=True)
class Example:
    """A line as it is learnt: its sound, the words said in it in order, and the engine that said them."""

    audio: np.ndarray  # int16 (samples,)
    words: list[Pronunciation]
    engine: str


CUT_SHARE, CUT_S = 0.25, 0.09  # words that lose their first or their last moment: a late key, a soft end
FLOOR_SHARE = 0.35  # of the lines, whose clips bring a background of their own
REPEATS = ((1, 0.50), (2, 0.15), (3, 0.27), (4, 0.08))


class Composer:
    """Lays clips on a line. ``shares`` weighs the engines against each other.

    A line is spoken by one voice, or, where an engine's voices have said only a little each,
    by several in turn; a word that is repeated is mostly repeated by the same voice.
    """

    ENOUGH = 40  # clips that make a voice a speaker of its own lines

    def __init__(self, corpus: Corpus, seconds: float, shares: dict[str, float]) -> None:
        self.corpus, self.samples = corpus, round(seconds * RATE_HZ)
        self.fill = round(0.85 * self.samples)  # room to be played slower later
        usable = [clip for clip in corpus.clips if clip.length <= self.fill - 1600]
        sizes = Counter((clip.engine, clip.voice) for clip in usable)
        groups: dict[tuple[str, str], dict[str, list[Clip]]] = {}
        self.takes: dict[tuple[str, str, str], list[Clip]] = defaultdict(list)
        self.sayings: dict[tuple[str, str], list[Clip]] = defaultdict(list)
        for clip in usable:
            speaker = clip.voice if sizes[clip.engine, clip.voice] >= self.ENOUGH else "several"
            group = groups.setdefault((clip.engine, speaker), {"word": [], "text": []})
            group["word" if clip.kind == "word" else "text"].append(clip)
            if clip.kind == "word":
                self.takes[clip.engine, clip.voice, clip.text].append(clip)
                self.sayings[clip.engine, clip.text].append(clip)
        self.engines = sorted({engine for engine, _ in groups})
        self.speakers = {e: [g for (engine, _), g in sorted(groups.items()) if engine == e] for e in self.engines}
        self.odds = {e: _by_size(self.speakers[e]) for e in self.engines}
        self.words = {e: [_by_text(group["word"]) for group in self.speakers[e]] for e in self.engines}
        weights = np.array([shares.get(engine, 0.0) for engine in self.engines])
        self.weights = weights / weights.sum()

    def example(self, seed: int, number: int) -> Example:
        """The line of this number: the same for the same seed. One in thirty or so is silent."""
        rng = np.random.default_rng([seed, number])
        engine = self.engines[rng.choice(len(self.engines), p=self.weights)]
        who = rng.choice(len(self.speakers[engine]), p=self.odds[engine])
        speaker, sayings = self.speakers[engine][who], self.words[engine][who]
        line = np.zeros(self.samples, np.int16)
        words: list[tuple[str, ...]] = []
        if rng.random() < 0.03:
            return Example(line, words, engine)
        floor = rng.random() < FLOOR_SHARE
        spread_db = rng.uniform(0.5, 3.5)
        as_words = bool(speaker["word"]) and (rng.random() < 0.62 or not speaker["text"])
        at = round(rng.uniform(0.0, 1.0) ** 2 * 1.5 * RATE_HZ)
        while True:
            clips = self._repeat(rng, *sayings) if as_words else [_pick(rng, speaker["text"])]
            gap_s = rng.uniform(0.0, 0.7) ** 1.5 + 0.02
            for clip in clips:
                if at + clip.length > self.fill:
                    return Example(line, words, engine)
                piece = self.corpus.audio[clip.start : clip.start + clip.length]
                if clip.kind == "word":
                    piece = cut_short(piece, rng)
                gain = 10 ** (rng.normal(0, spread_db) / 20)
                line[at : at + len(piece)] = np.clip(piece * gain, -32767, 32767)
                if floor:
                    add_floor(line[: self.fill], at, at + len(piece), rng)
                words.extend(clip.words)
                at += len(piece) + round(RATE_HZ * gap_s * rng.uniform(0.8, 1.25))
            at += round(RATE_HZ * rng.uniform(0.0, 0.6) * rng.integers(0, 2))

    def _repeat(self, rng: np.random.Generator, texts: list[list[Clip]], odds_of_text: np.ndarray) -> list[Clip]:
        counts, odds = zip(*REPEATS, strict=True)
        clip = _pick(rng, texts[rng.choice(len(texts), p=odds_of_text)])
        takes = self.takes[clip.engine, clip.voice, clip.text]
        times = counts[rng.choice(len(counts), p=odds)]
        kind = rng.random()
        if kind < 0.35:
            takes = [clip]
        elif kind < 0.55:  # somebody else says it too
            takes = self.sayings[clip.engine, clip.text]
        return [clip, *(_pick(rng, takes) for _ in range(int(times) - 1))]


def cut_short(piece: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Now and then a word without its first or last moment, never shorter than two thirds of it."""
    first, last = (round(rng.uniform(0, CUT_S) * RATE_HZ) if rng.random() < CUT_SHARE else 0 for _ in range(2))
    first, last = min(first, len(piece) // 6), min(last, len(piece) // 6)
    return piece[first : len(piece) - last]


def add_floor(line: np.ndarray, start: int, end: int, rng: np.random.Generator) -> None:
    """Give the clip at start..end its own background, which comes and goes abruptly a little before and after it.

    So takes sound that were recorded one by one, and lines that a squelch opens and shuts.
    """
    level = np.sqrt(np.mean(line[start:end].astype(np.float32) ** 2)) * 10 ** (rng.uniform(-42, -15) / 20)
    first = max(0, start - round(rng.uniform(0.0, 0.35) * RATE_HZ))
    last = min(len(line), end + round(rng.uniform(0.0, 0.35) * RATE_HZ))
    noise = lfilter([1.0], [1.0, -rng.uniform(0.0, 0.97)], rng.normal(0, 1, last - first))
    noise *= level / np.sqrt(np.mean(noise**2))
    line[first:last] = np.clip(line[first:last] + noise, -32767, 32767)


def _by_size(speakers: list[dict[str, list[Clip]]]) -> np.ndarray:
    """Speakers with more clips come more often, but not in proportion."""
    sizes = np.array([sum(map(len, groups.values())) for groups in speakers]) ** 0.7
    return sizes / sizes.sum()


def _by_text(clips: list[Clip]) -> tuple[list[list[Clip]], np.ndarray]:
    """Clips by what they say, and how likely each text is: one said more often comes more often, but not in proportion,
    so that many takes of a word bring variety and hardly make it likelier."""
    texts: dict[str, list[Clip]] = defaultdict(list)
    for clip in clips:
        texts[clip.text].append(clip)
    sizes = np.array([len(some) for some in texts.values()]) ** 0.5
    return list(texts.values()), sizes / max(1.0, sizes.sum())


def _pick(rng: np.random.Generator, clips: list[Clip]) -> Clip:
    return clips[rng.integers(len(clips))]


def phone_ids(words: list[Pronunciation]) -> list[int]:
    """The phones of some words, one after the other, as the network numbers them."""
    return [PHONE_INDEX[p] for word in words for p in word]
