"""The development evaluation: calls by voices that never trained, and speech without calls.

Calls: a word or phrase from a held-back voice, three takes with gaps of 0.25 to 0.7 s, in
real jet noise at a stated SNR over the active speech level, then the 300-3400 Hz band.
Speech without calls: the held-back people and recordings from registry packages, each hour
once quiet, once at 10 dB and once at 3 dB. Everything follows from the seed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

from listener.radio import band_pass, fit_noise, mix
from models.training.data import Corpus, trimmed

RATE_HZ = 16_000
BAND_HZ = (300.0, 3400.0)
QUIET_SNR_DB = 45.0
LEAD_S, TAIL_S = 1.5, 1.5
JETS = ("inside", "inside2", "inside_old", "outside", "start", "start2", "shutdown", "shutdown3")


@dataclass(frozen=True)
class Trial:
    """One recording with one call in it."""

    group: str
    phrase: str
    speaker: str
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
    mixed = mix(band_pass(speech, RATE_HZ, *BAND_HZ), band_pass(noise, RATE_HZ, *BAND_HZ), RATE_HZ, snr_db)
    return mixed.samples


def _takes(corpus: Corpus) -> dict[tuple[str, str, str], list[np.ndarray]]:
    takes: dict[tuple[str, str, str], list[np.ndarray]] = defaultdict(list)
    for clip in corpus.clips:
        if clip.kind == "word":
            audio = corpus.audio[clip.start : clip.start + clip.length].astype(np.float32) / 32768.0
            takes[clip.text.lower().strip(" .,!?"), clip.engine, clip.voice].append(trimmed(audio, margin_s=0.0))
    return takes


def join_takes(takes: list[np.ndarray], rng: np.random.Generator) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Three takes with pauses; returns the speech and each take's start and end in seconds."""
    order = rng.permutation(len(takes))[:3] if len(takes) >= 3 else rng.integers(len(takes), size=3)
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
    corpus: Corpus, group: str, phrases: list[str], snrs: list[float | None], noises: list[np.ndarray],
    per_cell: int, seed: int, by_speaker: bool = True,
) -> Iterator[Trial]:  # fmt: skip
    """``per_cell`` calls of each phrase at each SNR, speakers in turn.

    Where speakers are not known (crowd files) three takes by whoever comes are joined.
    """
    takes = _takes(corpus)
    for phrase in phrases:
        speakers = sorted(key for key in takes if key[0] == phrase)
        for number in range(per_cell if speakers else 0):
            rng = np.random.default_rng([seed, number, sum(map(ord, phrase))])
            _, engine, voice = speakers[number % len(speakers)]
            speech, spans = join_takes(takes[phrase, engine, voice], rng)
            for snr_db in snrs:
                audio = in_noise(speech, noises, snr_db, rng)
                yield Trial(group, phrase, f"{engine}/{voice}", snr_db, audio, tuple(spans))


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
                condition = "quiet" if snr_db is None else f"{snr_db:g} dB"
                yield Negative(source, condition, in_noise(stream, noises, snr_db, rng))


def noise_alone(noises: list[np.ndarray], hours: float, seed: int) -> Iterator[Negative]:
    """Jets without anybody speaking, in five-minute stretches."""
    rng = np.random.default_rng([seed, 99])
    for _ in range(round(hours * 12)):
        noise = fit_noise(noises[rng.integers(len(noises))], 300 * RATE_HZ, rng)
        noise = band_pass(noise, RATE_HZ, *BAND_HZ)
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
