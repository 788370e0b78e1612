"""Build the spoken corpus: packs of clips and one clips.csv.

A run is a row of numbered jobs.  Job n of a shard is the same on every machine
(its random numbers come from the seed, the shard's name and n), so a run that
was stopped goes on where its last finished pack ended.  Several processes may
fill one folder at once, each with its own shard name.

A pack is about `pack_s` seconds of 16 kHz mono Ogg/Opus.  It is written under a
temporary name, renamed, and only then are its rows appended to clips.csv in one
write: a copy of the folder taken at any moment is consistent.  The common words lie
beside them (lexicon.txt), so that the machine that fits needs no word list of its own.
"""

from __future__ import annotations

import argparse
import csv
import io
import logging
import os
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from listener.events import RATE_HZ
from listener.sound.edges import frame_powers, loud_frames
from models.training import texts
from models.training.voices import ENGINES, Samples, Split, Voice, kokoro_mix, voices

log = logging.getLogger("corpus")

LEVEL_DBOV = -26.0
EDGE_S = 0.06
COLUMNS = ("pack", "start_s", "seconds", "engine", "voice", "split", "kind", "text", "job")


@dataclass(frozen=True, slots=True)
class Job:
    """Who says what, how fast."""

    voice: Voice
    line: texts.Line
    speed: float


@dataclass(frozen=True, slots=True)
class Clip:
    """One row of clips.csv with its samples."""

    samples: Samples
    engine: str
    voice: str
    split: Split
    line: texts.Line
    job: int


# --- sound ------------------------------------------------------------------


def loud_level_dbov(samples: Samples, rate_hz: int = RATE_HZ) -> float:
    """Power of the 20 ms frames within 30 dB of the loudest, re full scale; -inf for silence."""
    power = frame_powers(samples, rate_hz // 50)
    if power.size == 0 or power.max() <= 1e-10:
        return -np.inf
    return float(10 * np.log10(power[loud_frames(power, 30.0)].mean()))


def trim(samples: Samples, rate_hz: int = RATE_HZ, edge_s: float = EDGE_S, floor_db: float = 37.0) -> Samples:
    """Cut silence at both ends to `edge_s` (padded with zeros if there is less); empty if nothing is heard.

    Heard is what lies within `floor_db` of the loudest 5 ms: released stops and weak fricatives are kept,
    but not the faint clicks that some engines leave well before or after the words.
    """
    frame = rate_hz // 200
    power = frame_powers(samples, frame)
    if power.size == 0 or power.max() <= 1e-8:
        return np.zeros(0, np.float32)
    heard = _without_clicks(loud_frames(power, floor_db), power)
    edge = round(edge_s * rate_hz)
    first, last = heard[0] * frame - edge, (heard[-1] + 1) * frame + edge
    body = samples[max(first, 0) : last]
    return np.pad(body, (max(-first, 0), max(last - samples.size, 0))).astype(np.float32)


def _without_clicks(heard: NDArray[np.intp], power: NDArray[np.float64]) -> NDArray[np.intp]:
    """Frames heard, less outer islands at least 28 dB down and 150 ms away from the rest."""
    islands = np.split(heard, np.flatnonzero(np.diff(heard) > 30) + 1)
    faint = power.max() * 10**-2.8
    while len(islands) > 1 and power[islands[-1]].max() < faint:
        islands.pop()
    while len(islands) > 1 and power[islands[0]].max() < faint:
        islands.pop(0)
    return np.concatenate(islands)


def levelled(samples: Samples, level_dbov: float = LEVEL_DBOV) -> Samples:
    """Scaled to an active level; scaled further down if a peak would pass 0.95."""
    gain = 10 ** ((level_dbov - loud_level_dbov(samples)) / 20)
    peak = float(np.abs(samples).max())
    return (samples * min(gain, 0.95 / peak)).astype(np.float32)


def spoken(job: Job, rng: np.random.Generator) -> Samples:
    """The job said, at 16 kHz, trimmed and levelled; empty if the engine said nothing plausible."""
    raw = job.voice.say(job.line.spoken, job.speed, rng)
    if raw.size == 0:
        return raw
    samples = trim(soxr.resample(raw, job.voice.rate_hz, RATE_HZ))
    shortest_s = 2 * EDGE_S + 0.04 * len(job.line.text.replace(" ", "")) * 0.5
    return levelled(samples) if samples.size / RATE_HZ >= shortest_s else np.zeros(0, np.float32)


# --- jobs -------------------------------------------------------------------


def _rng(seed: int, *parts: str | int) -> np.random.Generator:
    return np.random.default_rng([seed, *(zlib.crc32(str(p).encode()) for p in parts)])


def train_job(engine: str, shard: str, number: int, seed: int, longer: float) -> Job:
    """Job `number` of a shard: a share of `longer` lines, between them drill words and common words in turn.

    Drill words go round so that every voice says each of them; common words go through
    a shuffled list so that none comes twice before all came once.
    """
    speakers = voices(engine)
    rng = _rng(seed, shard, number)
    speed = float(np.clip(np.exp(rng.normal(0.0, 0.16)), 0.7, 1.5))
    longer_before = int(number * longer)
    if int((number + 1) * longer) > longer_before:
        return Job(_any_voice(engine, rng), texts.longer_line(rng), speed)
    turn, half = divmod(number - longer_before, 2)
    if half == 0:
        order = _shuffled(seed, shard, "voices", len(speakers))
        voice_index = int(order[turn % len(speakers)])
        drill = texts.drill_words()
        word = drill[_shuffled(seed, shard, f"drill {voice_index}", len(drill))[turn // len(speakers) % len(drill)]]
        return Job(speakers[voice_index], texts.word_line(word, rng), speed)
    common = texts.common_words()
    round_, place = divmod(turn, len(common))
    word = common[_shuffled(seed, shard, f"common {round_}", len(common))[place]]
    return Job(_any_voice(engine, rng), texts.word_line(word, rng), speed)


A_FEW, TAKES = 14, 3  # what one new speaker of `crowd_job` says: so many short words, so many times each


def crowd_job(engine: str, shard: str, number: int, seed: int) -> Job:
    """Job `number` of a crowd: ever new mixed voices, each saying a few short words alone, three takes of each.

    So a corpus has many speakers who say such words as people do into a collection of single words: commands and
    other common words in turn, of each kind none twice before all came once.
    """
    place = number // TAKES
    speaker = place // A_FEW
    turn, kind = divmod(place, 2)
    words = texts.short_words()[kind]
    round_, at = divmod(turn, len(words))
    word = words[_shuffled(seed, shard, f"crowd {kind} {round_}", len(words))[at]]
    voice = _new_voice(engine, _rng(seed, shard, f"speaker {speaker}"))
    rng = _rng(seed, shard, number)
    pace = _rng(seed, shard, f"pace {speaker}").normal(0.0, 0.14) + rng.normal(0.0, 0.08)
    return Job(voice, texts.word_line(word, rng), float(np.clip(np.exp(pace), 0.7, 1.5)))


def _new_voice(engine: str, rng: np.random.Generator) -> Voice:
    speakers = voices(engine)
    if engine == "kokoro":
        return kokoro_mix([v.name for v in speakers], rng)
    return speakers[rng.integers(len(speakers))]


@lru_cache(maxsize=1024)
def _shuffled(seed: int, shard: str, what: str, count: int) -> NDArray[np.int64]:
    return _rng(seed, shard, what).permutation(count)


def _any_voice(engine: str, rng: np.random.Generator) -> Voice:
    speakers = voices(engine)
    if engine == "kokoro" and rng.random() < 0.6:
        return kokoro_mix([v.name for v in speakers], rng)
    return speakers[rng.integers(len(speakers))]


DEV_WORDS = tuple(
    "suspend stop hold abort cancel cease fire halt break wait go no yes start launch clear open close ready release "
    "check reset forward backward left right up down on off zero one two three four five six seven eight nine "
    "continue resume emergency freeze brake power bird house marvin wow".split()
)
DEV_LOOKALIKES = (
    *"suspended suspense depend spend expand suspect stopped stock step top shop holding old hole whole gold told cold "
    "aborted report import about boat court sees seize guess know halted hall hot salt fault malt".split(),
    "cease fire", "sees fire", "see fire", "ceased fire", "peace fire", "cease flyer",
)  # fmt: skip
DEV_SPEEDS = (0.85, 1.0, 1.15, 1.3)


def dev_jobs(engine: str, seed: int) -> list[Job]:
    """Held-out voices: command words at four speeds, look-alikes at two, then forty longer lines each."""
    jobs = []
    for voice in voices(engine):
        rng = _rng(seed, engine, voice.name)
        jobs += [Job(voice, texts.word_line(w, rng), s) for s in DEV_SPEEDS for w in DEV_WORDS]
        jobs += [Job(voice, texts.word_line(w, rng), s) for s in (0.9, 1.1) for w in DEV_LOOKALIKES]
        jobs += [Job(voice, texts.longer_line(rng), float(rng.uniform(0.9, 1.2))) for _ in range(40)]
    return jobs


# --- packs ------------------------------------------------------------------


def write_pack(folder: Path, name: str, clips: list[Clip]) -> list[float]:
    """Write the clips end to end as one Ogg/Opus file, then append their rows in one write. Returns where each starts, s."""
    hidden = folder / f".{name}"
    with soundfile.SoundFile(hidden, "w", RATE_HZ, 1, format="OGG", subtype="OPUS") as pack:
        for clip in clips:  # clip by clip: libsndfile's encoder can overflow its stack on long writes
            pack.write(clip.samples)
    hidden.rename(folder / name)
    lengths_s = [c.samples.size / RATE_HZ for c in clips]
    starts_s = [float(s) for s in np.cumsum([0.0, *lengths_s[:-1]])]
    write_rows(folder, [
        (name, start_s, length_s, c.engine, c.voice, c.split, c.line.kind, c.line.text, c.job)
        for c, start_s, length_s in zip(clips, starts_s, lengths_s, strict=True)
    ])  # fmt: skip
    return starts_s


def write_rows(folder: Path, rows: list[tuple[str, float, float, str, str, str, str, str, int]]) -> None:
    """Append rows of clips.csv (see COLUMNS), all in one write."""
    head(folder)
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    for pack, start_s, seconds, *rest in rows:
        table.writerow((pack, f"{start_s:.4f}", f"{seconds:.4f}", *rest))
    _append(folder / "clips.csv", text.getvalue())


def _append(path: Path, text: str) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        os.write(handle, text.encode())
    finally:
        os.close(handle)


def head(folder: Path) -> None:
    """Create clips.csv with its heading, the first process to come wins; and the list of common words."""
    if not (folder / texts.LEXICON).exists():
        texts.write_lexicon(folder)
    try:
        handle = os.open(folder / "clips.csv", os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    except FileExistsError:
        return
    os.write(handle, (",".join(COLUMNS) + "\n").encode())
    os.close(handle)


def finished(folder: Path, shard: str) -> tuple[int, float, int]:
    """Next job, seconds and packs that a shard has in the folder already."""
    next_job, seconds, packs = 0, 0.0, set()
    with (folder / "clips.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["pack"].rsplit("-", 1)[0] == shard:
                next_job = max(next_job, int(row["job"]) + 1)
                seconds += float(row["seconds"])
                packs.add(row["pack"])
    return next_job, seconds, len(packs)


def fill(folder: Path, shard: str, engine: str, jobs: Callable[[int], Job | None], seconds: float, seed: int,
         pack_s: float) -> float:  # fmt: skip
    """Say jobs until the shard holds `seconds` or `jobs` returns None; returns what it holds."""
    folder.mkdir(parents=True, exist_ok=True)
    head(folder)
    number, held_s, pack = finished(folder, shard)
    began, began_s, waiting = time.monotonic(), held_s, []
    while held_s < seconds and (job := jobs(number)) is not None:
        samples = spoken(job, _rng(seed, shard, number, "say"))
        if samples.size:
            waiting.append(Clip(samples, engine, job.voice.name, ENGINES[engine].split, job.line, number))
            held_s += samples.size / RATE_HZ
        number += 1
        if waiting and (sum(c.samples.size for c in waiting) >= pack_s * RATE_HZ):
            write_pack(folder, f"{shard}-{pack:04d}.ogg", waiting)
            waiting, pack = [], pack + 1
            rate = (held_s - began_s) / (time.monotonic() - began)
            log.info("%s: %d jobs, %.2f h, %.2f s of sound per second", shard, number, held_s / 3600, rate)
    if waiting:
        write_pack(folder, f"{shard}-{pack:04d}.ogg", waiting)
    log.info("%s: done, %.2f h", shard, held_s / 3600)
    return held_s


def build_corpus(out: Path, engine: str, hours: float, *, shard: str = "", seed: int = 1, longer: float = 0.11,
                 pack_s: float = 300.0, crowd: bool = False) -> float:  # fmt: skip
    """Add an engine's training clips to `out` until its shard holds `hours`.  Returns the seconds it holds.

    longer: share of jobs that are phrases or sentences; 0.11 of the jobs is about 35 % of the hours. crowd: ever new
    speakers of short words instead (`crowd_job`).
    """
    shard = shard or engine + ("_crowd" if crowd else "")
    if ENGINES[engine].split != "train":
        raise ValueError(f"{engine} is held out: it belongs to build_dev")

    def job(number: int) -> Job:
        return crowd_job(engine, shard, number, seed) if crowd else train_job(engine, shard, number, seed, longer)

    return fill(out, shard, engine, job, hours * 3600, seed, pack_s)


def build_dev(out: Path, engine: str, *, seed: int = 1, pack_s: float = 300.0) -> float:
    """Add a held-out engine's development clips to `out`.  Returns the seconds it holds."""
    if ENGINES[engine].split != "dev":
        raise ValueError(f"{engine} trains: it must stay out of the development set")
    jobs = dev_jobs(engine, seed)
    return fill(out, engine, engine, lambda n: jobs[n] if n < len(jobs) else None, np.inf, seed, pack_s)


def main(arguments: list[str] | None = None) -> None:
    """`python -m models.training.corpus --out DIR --engine NAME [--hours H]`; held-out engines make the dev set."""
    parser = argparse.ArgumentParser(prog="models.training.corpus", description=main.__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--engine", choices=sorted(ENGINES), action="append", required=True)
    parser.add_argument("--hours", type=float, default=1.0, help="of sound, for each engine (training voices)")
    parser.add_argument("--shard", default="", help="name that tells parallel processes of one engine apart")
    parser.add_argument("--longer", type=float, default=0.11, help="share of lines that are longer than a word")
    parser.add_argument("--crowd", action="store_true", help="ever new speakers, each saying a few short words")
    parser.add_argument("--pack-s", type=float, default=300.0)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    for engine in chosen.engine:
        if ENGINES[engine].split == "dev":
            build_dev(chosen.out, engine, seed=chosen.seed, pack_s=chosen.pack_s)
        else:
            build_corpus(chosen.out, engine, chosen.hours, shard=chosen.shard, seed=chosen.seed, longer=chosen.longer,
                         pack_s=chosen.pack_s, crowd=chosen.crowd)  # fmt: skip


if __name__ == "__main__":
    main()
