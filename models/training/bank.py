"""The bank of talk that a model carries: what its network gives for hours of other people's speech, packed small.

From it the listener reads, for any phrase, how well talk alone does (``listener.call.background``). It holds no sound:
phone scores near each frame's best, and the word view's queries where it believes a word was said. The talk is speech
of the training side only; each stream of about two minutes is heard quiet, at 10 dB or at 3 dB, in turn.

    python -m models.training.bank --real FOLDER [--packages DIR] --model models/ear-4 --work DIR

``--work`` keeps the network's outputs, so that a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from listener.atomic_write import write_whole_with
from listener.radio import VOICE_BAND_HZ, band_pass, mix, noise
from listener.settings import read_settings
from listener.speech import bank as shipped
from listener.speech.again import FOLDER, FRAMES
from listener.speech.ear import EarEngine
from listener.speech.features import HOP
from listener.speech.known import BROUGHT, keep
from listener.speech.network import Network, open_session, read_info, shipped_model
from models.training import data, devset
from models.training.games import AmazonQueen

log = logging.getLogger("bank")

RATE_HZ = devset.RATE_HZ
CONFIGS = Path(__file__).parents[2] / "configs"
CONDITIONS: tuple[float | None, ...] = (None, 10.0, 3.0)  # SNR, dB
NOISES = ("turbine", "rotor", "wind_deck")
HOURS = {"sentences": 2.0, "an4": 1.0, "crowd": 0.3, "words": 0.3, "amazon_queen": 1.2}  # at most, of each
Outputs = tuple[np.ndarray, np.ndarray]


def real_talk(folder: Path) -> dict[str, list[np.ndarray]]:
    """People's training clips of a real-speech folder, by what they are. Held-back people and words stay out."""
    found: dict[str, list[np.ndarray]] = {"sentences": [], "an4": [], "crowd": [], "words": []}
    kinds = {"sentences_people": "sentences", "an4": "an4", "short_phrases": "crowd", "words_people": "words"}
    for table in ("clips.csv", "people.csv"):
        rows = data.rows_of(folder / table) if (folder / table).exists() else []
        used = [
            row for row, held in zip(rows, data.people_held_back(rows), strict=True)
            if row["file"].rsplit("_", 1)[0] in kinds and not (held and table == "clips.csv")
        ]  # fmt: skip
        packs = data.read_packs(folder, sorted({row["file"] for row in used}), workers=1)
        for row in used:
            start = round(float(row["start_s"]) * RATE_HZ)
            clip = packs[row["file"]][start : start + round(float(row["seconds"]) * RATE_HZ)]
            found[kinds[row["file"].rsplit("_", 1)[0]]].append(clip.astype(np.float32) / 32768.0)
    return found


def talk(real: Path | None, packages: Path | None, seed: int = 31) -> dict[str, list[np.ndarray]]:
    """Clips by source, in a drawn order, at most HOURS of each."""
    found = real_talk(real) if real else {}
    if packages:
        found["amazon_queen"] = [said for _, said in AmazonQueen(packages).recordings()]
    rng = np.random.default_rng(seed)
    return {name: _first_hours([clips[i] for i in rng.permutation(len(clips))], HOURS[name]) for name, clips in found.items()}


def _first_hours(clips: list[np.ndarray], hours: float) -> list[np.ndarray]:
    ends = np.cumsum([len(clip) for clip in clips]) / RATE_HZ / 3600
    return [clip for clip, end in zip(clips, ends, strict=True) if end <= hours]


def streams(found: dict[str, list[np.ndarray]], seed: int = 32) -> Iterator[tuple[str, np.ndarray]]:
    """Two minutes at a time of each source: (name with condition, sound)."""
    for source, clips in found.items():
        rng = np.random.default_rng([seed, sum(map(ord, source))])
        levelled = [clip / max(1e-4, float(np.abs(clip).max())) * rng.uniform(0.1, 0.6) for clip in clips]
        for number, stream in enumerate(devset.streams(levelled, rng)):
            snr_db = CONDITIONS[number % len(CONDITIONS)]
            yield f"{source}-{number:03d}-{devset.condition(snr_db).replace(' ', '')}", _in_noise(stream, snr_db, rng)


def _in_noise(speech: np.ndarray, snr_db: float | None, rng: np.random.Generator) -> np.ndarray:
    """Speech in simulated machine noise (no recording that the evaluation uses), through the radio band."""
    seconds = len(speech) / RATE_HZ
    if snr_db is None:
        other, snr_db = rng.normal(0, 0.01, len(speech)).astype(np.float32), devset.QUIET_SNR_DB
    else:
        other = noise(NOISES[rng.integers(len(NOISES))], seconds, RATE_HZ, rng)[: len(speech)]
    return mix(band_pass(speech, RATE_HZ, *VOICE_BAND_HZ), band_pass(other, RATE_HZ, *VOICE_BAND_HZ), RATE_HZ, snr_db).samples


class Hearing:
    """What a model's network gives for a sound: phones (frames, 40) and queries (frames, query + 1)."""

    def __init__(self, folder: Path) -> None:
        self._info = read_info(folder)
        self._session = open_session(folder / "ear.onnx")

    def __call__(self, audio: np.ndarray) -> Outputs:
        """audio: float32, (n,), 16 kHz, a whole sound."""
        network = Network(self._session, self._info)
        chunks = [*network.feed(audio.astype(np.float32)), *network.flush()]
        phones, queries = (np.concatenate(part) for part in zip(*chunks, strict=True))
        return phones, queries


class HearingAgain:
    """What a model's second network gives for a sound, frame by frame beside ``Hearing``: of every window the middle half."""

    def __init__(self, folder: Path) -> None:
        self._info = read_info(folder)
        read_info(folder / FOLDER)
        self._first, self._session = open_session(folder / "ear.onnx"), open_session(folder / FOLDER / "ear.onnx")

    def __call__(self, audio: np.ndarray) -> Outputs:
        """audio: float32, (n,), 16 kHz, a whole sound."""
        network = Network(self._first, self._info, remembered=len(audio) // (2 * HOP) + FRAMES)
        count = sum(len(phones) for phones, _ in [*network.feed(audio.astype(np.float32)), *network.flush()])
        rows, half = network.rows(count), FRAMES // 2
        parts = []
        for first in range(0, count, half):
            start, end = max(0, first - half // 2), min(count, first + half + half // 2)
            phones, queries = self._session.run(["phones", "words"], {"features": rows[None, 2 * start : 2 * end + 3]})
            mine = slice(first - start, min(first + half, count) - start)
            parts.append((phones[mine], queries[mine]))
        return np.concatenate([phones for phones, _ in parts]), np.concatenate([queries for _, queries in parts])

# --- packing ----------------------------------------------------------------

HEARD = 0.005  # frames at which the word view gives words less than this, all together, have no query
DIMENSIONS = 96  # of the queries that are kept: those along which the common words differ most
ROUGH = 48  # axes of the rough sum
FINENESS = 0.1  # steps of each kept dimension, in the logit that they make on an average common word


@dataclass(frozen=True)
class Part:
    """What is kept of one stream: phones (frames, 40) uint8; frames with a query, the queries, their sums over the words."""

    phones: np.ndarray
    at: np.ndarray
    queries: np.ndarray
    log_sum: np.ndarray


def common_words(model: Path) -> np.ndarray:
    """The word view's common words, (words, query), scaled as it scales them."""
    with np.load(model / "rivals.npz") as file:
        return file["embedded"].astype(np.float32) / np.float32(16.0)


def reduce(phones: np.ndarray, queries: np.ndarray, words: np.ndarray) -> Part:
    """Of a stream's outputs, what the bank keeps.

    Most frames hold no word; those are put aside by a rough sum over the words, along their main axes only.
    """
    axes = np.linalg.svd(words.T @ words)[0][:, :ROUGH]
    rough = _log_sum(queries[:, :-1] @ axes @ (words @ axes).T, queries[:, -1])
    maybe = np.flatnonzero(1 - np.exp(queries[:, -1] - rough) > HEARD / 4)
    log_sum = _log_sum(queries[maybe, :-1] @ words.T, queries[maybe, -1])
    heard = 1 - np.exp(queries[maybe, -1] - log_sum) > HEARD
    at = maybe[heard]
    return Part(shipped.pack(phones), at, queries[at].astype(np.float16), log_sum[heard].astype(np.float16))


def _log_sum(logits: np.ndarray, blank: np.ndarray) -> np.ndarray:
    """Natural log of the sum over words and blank, (frames, words), (frames,) -> (frames,)."""
    top = np.maximum(logits.max(axis=1), blank)
    return top + np.log(np.exp(logits - top[:, None]).sum(axis=1) + np.exp(blank - top))


def write_bank(parts: list[Part], words: np.ndarray, path: Path) -> None:
    """Write streams as one bank."""
    _, spread, axes = np.linalg.svd(words, full_matrices=False)
    basis, spread = axes[:DIMENSIONS], spread[:DIMENSIONS] / np.sqrt(len(words))
    starts = np.cumsum([0, *(len(part.phones) for part in parts)])
    at = np.concatenate([part.at + start for part, start in zip(parts, starts[:-1], strict=True)])
    queries = np.concatenate([part.queries for part in parts]).astype(np.float32)
    coefficients = queries[:, :-1] @ basis.T
    steps = np.maximum(FINENESS / spread, np.abs(coefficients).max(axis=0) / 127)
    np.savez_compressed(
        path, phones=np.concatenate([part.phones for part in parts]), gaps=np.diff(at, prepend=0).astype(np.uint16),
        coefficients=np.round(coefficients / steps).astype(np.int8).T, steps=steps.astype(np.float32),
        basis=basis.astype(np.float16), blank=queries[:, -1].astype(np.float16),
        log_sum=np.concatenate([part.log_sum for part in parts]),
    )  # fmt: skip


# --- the command ------------------------------------------------------------


def hear(
    hearing: Callable[[np.ndarray], Outputs], words: np.ndarray, work: Path, found: Iterator[tuple[str, np.ndarray]]
) -> list[Part]:
    """Every stream's part, kept in the folder `work` as it is made, by the streams' names; words: see ``common_words``."""
    work.mkdir(parents=True, exist_ok=True)
    parts = []
    for name, audio in found:
        path = work / f"{name}.npz"
        if not path.exists():
            part = reduce(*hearing(audio), words)
            write_whole_with(path, partial(_save, part))
            log.info("%s: %.0f s", name, len(audio) / RATE_HZ)
        parts.append(_load(path))
    return parts


def _save(part: Part, path: Path) -> None:
    with path.open("wb") as file:
        np.savez(file, phones=part.phones, at=part.at, queries=part.queries, log_sum=part.log_sum)


def _load(path: Path) -> Part:
    with np.load(path) as file:
        return Part(file["phones"], file["at"], file["queries"], file["log_sum"])


def bring(model: Path) -> None:
    """Put into the model's folder what follows from the bank for the phrases of configs/, so that no start waits for it."""
    folder = model / BROUGHT
    for old in folder.glob("*.json"):
        old.unlink()
    for path in sorted(CONFIGS.glob("[!s]*.yaml")):
        settings = read_settings(path)
        phrases = [phrase.words for phrase in settings.phrases]
        engine = EarEngine(model, phrases, dict(settings.pronounce))
        keep(engine.kept_as, engine.known, folder)


def main() -> None:
    """Add a bank to a model folder and name it in its ear.json."""
    parser = argparse.ArgumentParser(prog="python -m models.training.bank", description=main.__doc__)
    parser.add_argument("--model", type=Path, default=shipped_model(), help="model folder (default: the listener's own)")
    parser.add_argument("--real", type=Path, help="folder of real people's clips")
    parser.add_argument("--packages", type=Path, help="the Debian package flight-of-the-amazon-queen, unpacked")
    parser.add_argument("--work", type=Path, required=True, help="folder that keeps what was heard already")
    args = parser.parse_args()
    if not (args.real or args.packages):
        parser.error("--real or --packages (or both) is needed: there is no talk")
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%H:%M:%S")
    found, again = talk(args.real, args.packages), args.model / FOLDER
    if again.exists():
        _add(again, HearingAgain(args.model), args.work / FOLDER, found)
        _name(args.model, f"{FOLDER}/ear.json")
    _add(args.model, Hearing(args.model), args.work, found)
    bring(args.model)


def _add(model: Path, hearing: Callable[[np.ndarray], Outputs], work: Path, found: dict[str, list[np.ndarray]]) -> None:
    words = common_words(model)
    parts = hear(hearing, words, work, streams(found))
    write_bank(parts, words, model / shipped.NAME)
    _name(model, shipped.NAME)
    log.info("%.2f h, %.1f MB", sum(len(p.phones) for p in parts) / 180_000, (model / shipped.NAME).stat().st_size / 1e6)


def _name(model: Path, file: str) -> None:
    """Put a file's checksum into the model's ear.json."""
    info = json.loads((model / "ear.json").read_text())
    info["sha256"][file] = hashlib.sha256((model / file).read_bytes()).hexdigest()
    (model / "ear.json").write_text(json.dumps(info, indent=2, allow_nan=False) + "\n")


if __name__ == "__main__":
    main()
