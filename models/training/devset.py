"""The development evaluation: calls by voices that never trained, and speech without calls.

Calls: a word or phrase from a held-back voice, three takes with gaps of 0.25 to 0.7 s, in
real jet noise at a stated SNR over the active speech level, then the 300-3400 Hz band.
Speech without calls: the held-back people and recordings from registry packages, each hour
once quiet, once at 10 dB and once at 3 dB. Everything follows from the seed.
"""

from __future__ import annotations

import zlib
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

from listener.events import RATE_HZ
from listener.radio import VOICE_BAND_HZ, band_pass, fit_noise, mix
from models.training.data import EVALUATE_ONLY, Corpus, read_packs, trimmed, word_rows

QUIET_SNR_DB = 45.0
LEAD_S, TAIL_S = 1.5, 1.5
JETS = ("inside", "inside2", "inside_old", "outside", "start", "start2", "shutdown", "shutdown3")


@dataclass(frozen=True)
class Trial:
    """One recording with one call in it."""

    group: str
    phrase: str
    speaker: str  # with the number of the call, which tells recordings apart
    snr_db: float | None  # None: quiet
    audio: np.ndarray
    words: tuple[tuple[float, float], ...]  # start and end of each take, seconds


@dataclass(frozen=True)
class Negative:
    """A stretch of speech, or of noise alone, without any call."""

    source: str
    condition: str
    audio: np.ndarray


def read_audio(path: Path) -> np.ndarray:
    """Mono float32 at 16 kHz of any file; the first channel of several. Raw .raw files are 8 kHz 16-bit."""
    if path.suffix == ".raw":
        audio, rate = np.fromfile(path, np.int16).astype(np.float32) / 32768.0, 8000
    else:
        audio, rate = soundfile.read(path, dtype="float32", always_2d=True)
        audio = audio[:, 0]
    return audio if rate == RATE_HZ else soxr.resample(audio, rate, RATE_HZ)


def jets(folder: Path) -> list[np.ndarray]:
    """The jet engines of the Debian package searchandrescue-data (GPL), 16 kHz."""
    return [read_audio(folder / f"jet_engine_{name}.wav") for name in JETS]


def in_noise(
    speech: np.ndarray, noises: list[np.ndarray], snr_db: float | None, rng: np.random.Generator
) -> np.ndarray:
    """Speech in a random jet at an SNR over its active level, through the radio band."""
    if snr_db is None:
        noise, snr_db = rng.normal(0, 0.01, len(speech)).astype(np.float32), QUIET_SNR_DB
    else:
        noise = fit_noise(noises[rng.integers(len(noises))], len(speech), rng)
    mixed = mix(band_pass(speech, RATE_HZ, *VOICE_BAND_HZ), band_pass(noise, RATE_HZ, *VOICE_BAND_HZ), RATE_HZ, snr_db)
    return mixed.samples


Takes = dict[tuple[str, str], list[np.ndarray]]  # by (text, who)


def clip_takes(corpus: Corpus) -> Takes:
    """The words and short phrases of a corpus, float32, trimmed, by (text, engine/voice)."""
    takes: Takes = defaultdict(list)
    for clip in corpus.clips:
        if clip.kind == "word":
            audio = corpus.audio[clip.start : clip.start + clip.length].astype(np.float32) / 32768.0
            key = clip.text.lower().strip(" .,!?"), f"{clip.engine}/{clip.voice}"
            takes[key].append(trimmed(audio, margin_s=0.0))
    return takes


def threes(takes: Takes, phrases: list[str], seed: int) -> Takes:
    """Crowd recordings, by whoever comes: each take is used in one call only. By (text, crowd/number)."""
    found: Takes = {}
    for phrase in phrases:
        mine = [take for (text, _), some in sorted(takes.items()) if text == phrase for take in some]
        order = np.random.default_rng([seed, _hash(phrase)]).permutation(len(mine))
        for number in range(len(mine) // 3):
            found[phrase, f"crowd/{number}"] = [mine[i] for i in order[3 * number : 3 * number + 3]]
    return found


def command_takes(folder: Path) -> Takes:
    """Words of which one person says three takes or more, from the files of people.csv that may not train."""
    rows = [row for row in word_rows(folder) if row["file"].startswith(EVALUATE_ONLY)]
    packs = read_packs(folder, sorted({row["file"] for row in rows}), workers=1)
    found: Takes = defaultdict(list)
    for row in rows:
        start = round(float(row["start_s"]) * RATE_HZ)
        take = packs[row["file"]][start : start + round(float(row["seconds"]) * RATE_HZ)]
        found[row["text"], f"command/{row['speaker']}"].append(trimmed(take.astype(np.float32) / 32768.0))
    return {key: takes for key, takes in found.items() if len(takes) >= 3}


def shouts(folder: Path, recordings: dict[str, list[str]]) -> Takes:
    """What the comic voices of a game say ({voice: phrases}; "enemy down" lies in Enemydown.ogg), one take of each."""
    return {
        (phrase, f"shout/{voice}"): [
            trimmed(read_audio(folder / voice / f"{phrase.replace(' ', '').capitalize()}.ogg"), margin_s=0.0)
        ]
        for voice, phrases in recordings.items()
        for phrase in phrases
    }


def _hash(text: str) -> int:
    return zlib.crc32(text.encode())


def join_takes(
    takes: list[np.ndarray], rng: np.random.Generator, count: int = 3
) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Several takes with pauses; returns the speech and each take's start and end in seconds.

    Each take comes once while there are enough.
    """
    order = np.concatenate([rng.permutation(len(takes)) for _ in range(1 + count // len(takes))])[:count]
    level = rng.uniform(0.05, 0.2)
    parts, spans, at = [np.zeros(round(LEAD_S * RATE_HZ), np.float32)], [], LEAD_S
    gap_s = rng.uniform(0.25, 0.7)
    for index in order:
        take = takes[index] * level / np.sqrt(np.mean(takes[index] ** 2))
        spans.append((at, at + len(take) / RATE_HZ))
        pause = np.zeros(round(gap_s * rng.uniform(0.85, 1.15) * RATE_HZ), np.float32)
        parts += [take, pause]
        at += (len(take) + len(pause)) / RATE_HZ
    parts.append(np.zeros(round(TAIL_S * RATE_HZ), np.float32))
    return np.concatenate(parts).clip(-1, 1), spans


def trials(
    takes: Takes, group: str, phrases: list[str], snrs: list[float | None], noises: list[np.ndarray], per_cell: int,
    seed: int,
) -> Iterator[Trial]:  # fmt: skip
    """At most ``per_cell`` calls of each phrase at each SNR, speakers in turn.

    A call's sound depends on (seed, phrase, number, SNR) alone, so a part of an evaluation hears the
    very recordings that the whole does. Speakers with a single take are left out if others have more.
    """
    for phrase in phrases:
        speakers = sorted(key for key in takes if key[0] == phrase and len(takes[key]) > 1)
        speakers = speakers or sorted(key for key in takes if key[0] == phrase)
        for number in range(min(per_cell, _calls(takes, speakers))):
            key = speakers[number % len(speakers)]
            speech, spans = join_takes(takes[key], np.random.default_rng([seed, _hash(phrase), number]))
            for snr_db in snrs:
                rng = np.random.default_rng([seed, _hash(phrase), number, _hash(str(snr_db))])
                audio = in_noise(speech, noises, snr_db, rng)
                yield Trial(group, phrase, f"{key[1]}#{number}", snr_db, audio, tuple(spans))


def _calls(takes: Takes, speakers: list[tuple[str, str]]) -> int:
    """How many calls can differ: three takes in order, of each speaker."""
    return sum(max(1, len(takes[key]) * (len(takes[key]) - 1) * (len(takes[key]) - 2)) for key in speakers)


def too_little(
    takes: Takes, phrase: str, alike: list[str], snrs: list[float | None], noises: list[np.ndarray], seed: int
) -> Iterator[Negative]:
    """What must not alert: every speaker's look-alikes of the phrase said three times, and the phrase said twice.

    The phrase and what was said are in ``source``: "phrase: said three times/speaker".
    """
    for said, count in [*((word, 3) for word in alike), (phrase, 2)]:
        for text, who in sorted(key for key in takes if key[0] == said):
            speech, _ = join_takes(takes[text, who], np.random.default_rng([seed, _hash(said + who)]), count)
            for snr_db in snrs:
                rng = np.random.default_rng([seed, _hash(said + who), _hash(str(snr_db))])
                times = "three times" if count == 3 else "twice"
                audio = in_noise(speech, noises, snr_db, rng)
                yield Negative(f"{phrase}: {said}, {times}/{who}", condition(snr_db), audio)


def condition(snr_db: float | None) -> str:
    """An SNR as it is named in the rows."""
    return "quiet" if snr_db is None else f"{snr_db:g} dB"


def streams(clips: list[np.ndarray], rng: np.random.Generator, longest_s: float = 120.0) -> Iterator[np.ndarray]:
    """Clips joined with pauses of 0.2 to 1.2 s into streams of about two minutes."""
    parts: list[np.ndarray] = []
    for clip in clips:
        parts += [clip, np.zeros(round(rng.uniform(0.2, 1.2) * RATE_HZ), np.float32)]
        if sum(map(len, parts)) > longest_s * RATE_HZ:
            yield np.concatenate(parts)
            parts = []
    if sum(map(len, parts)) > 2 * RATE_HZ:
        yield np.concatenate(parts)


def negatives(
    sources: dict[str, list[np.ndarray]], noises: list[np.ndarray], seed: int
) -> Iterator[Negative]:
    """Every source quiet, at 10 dB and at 3 dB."""
    for source, clips in sources.items():
        rng = np.random.default_rng([seed, sum(map(ord, source))])
        for stream in streams(clips, rng):
            for snr_db in (None, 10.0, 3.0):
                yield Negative(source, condition(snr_db), in_noise(stream, noises, snr_db, rng))


def noise_alone(noises: list[np.ndarray], hours: float, seed: int) -> Iterator[Negative]:
    """Jets without anybody speaking, in five-minute stretches."""
    rng = np.random.default_rng([seed, 99])
    for _ in range(round(hours * 12)):
        noise = fit_noise(noises[rng.integers(len(noises))], 300 * RATE_HZ, rng)
        noise = band_pass(noise, RATE_HZ, *VOICE_BAND_HZ)
        yield Negative("jets alone", "noise", noise / np.abs(noise).max() * rng.uniform(0.05, 0.8))


def outside_speech(folder: Path) -> dict[str, list[np.ndarray]]:
    """Speech from registry packages unpacked under ``folder``, by source."""
    patterns = {
        "asterisk": "usr/share/asterisk/sounds/en_US_f_Allison/**/*.wav",
        "codec2": "usr/share/codec2/raw/*.raw",
        "codec2 wav": "usr/share/codec2/wav/*.wav",
        "pyannote": "pyannote*/tests/data/*.wav",
        "silero": "silero*/tests/data/*.wav",
    }
    found = {}
    for source, pattern in patterns.items():
        clips = [read_audio(path) for path in sorted(folder.glob(pattern))]
        clips = [c for c in clips if len(c) > 0.2 * RATE_HZ and np.abs(c).max() > 1e-3]
        if clips:
            found[source] = clips
    return found
