"""The development evaluation of an engine: how many calls it finds, how often it is wrong.

Runs the shipped pipe (``Monitor`` at its default settings) over ``devset``'s recordings and adds one
CSV row a recording, so that every figure of the model card can be made again. In parts, so that each
can be run by itself; a recording is the same whatever else is run.

    python -m models.training.evaluate --part voices --part speech --packages DIR --voices DIR [--real DIR] --out results.csv
    python -m models.training.evaluate --card models/ear-4/README.md --out results.csv   # only fill in the card's tables
"""

from __future__ import annotations

import argparse
import logging
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice
from multiprocessing import Pool
from pathlib import Path

import numpy as np
import yaml

from listener.events import RATE_HZ, Alert, Candidate, Event, Span
from listener.score.match import TOLERANCE_S, match
from listener.settings import GateSettings, PhraseSettings, Settings
from listener.speech.engines import load_engine
from listener.speech.spotter import Engine
from models.training import cut, devset, report
from models.training.data import PEOPLE, Corpus, load
from models.training.hear import AtSensitivities, hear
from models.training.rows import ALIKE, COMMANDS, NOISE, SHOUTS, SPEECH, Row, read, write
from models.training.whisper_plain import PlainWhisper, times_written

log = logging.getLogger("evaluate")

MANIFEST = Path(__file__).with_name("evaluation.yaml")
SOUNDS = "usr/share/games/searchandrescue/sounds"
SHOUTING = "usr/share/games/hedgewars/Data/Sounds/voices"


@dataclass(frozen=True)
class Material:
    """Where the recordings come from. ``share`` below 1 takes fewer of each."""

    packages: Path
    voices: Path
    real: Path | None
    share: float = 1.0

    def jets(self) -> list[np.ndarray]:
        """Recordings of jets, float32 at RATE_HZ."""
        return devset.jets(self.packages / SOUNDS)

    def count(self, number: int) -> int:
        """How many of so many are taken: the share, two at the least."""
        return max(2, round(number * self.share))

    def spoken(self) -> devset.Takes:
        """What the held-back synthetic voices say."""
        return devset.clip_takes(load(self.voices, real=False, workers=1, dev=True))

    def people(self) -> Corpus | None:
        """What held-back people say; None without --real."""
        return load(self.real, real=True, workers=1, dev=True) if self.real else None


# --- one recording ----------------------------------------------------------

_engines: dict[tuple[object, ...], Engine] = {}


def _engine(settings: Settings) -> Engine:
    key = settings.engine, settings.ear, tuple(p.words for p in settings.phrases)
    if key not in _engines:
        _engines[key] = load_engine(settings)
    return _engines[key]


def _name(settings: Settings) -> str:
    usual = settings.gate == Settings().gate
    return settings.engine + ("" if usual else ", gate off" if settings.gate == "off" else ", gate on")


def judge_call(trial: devset.Trial, settings: Settings) -> Row:
    """One call: found when an alert's middle is in time for it (`score.match`); other alerts are false."""
    settings = settings.with_phrases((PhraseSettings(words=trial.phrase),))
    heard = hear(trial.audio, settings, _engine(settings))
    said = Span(trial.words[0][0], trial.words[-1][1])

    def split(events: list[Event]) -> tuple[list[Alert | Candidate], list[Alert | Candidate]]:
        calls = [e for e in events if isinstance(e, Alert | Candidate)]
        on = [e for e in calls if match([said], [e.span], TOLERANCE_S)]
        return on, [e for e in calls if e not in on]

    def counts(events: list[Event]) -> tuple[int, int]:
        found = any(isinstance(e, Alert) for e in split(events)[0])
        return int(found), sum(isinstance(e, Alert) for e in events) - int(found)

    on, others = split(heard.events[settings.sensitivity])
    hit = next((e for e in on if isinstance(e, Alert)), None)
    best = hit or max(on, key=lambda e: e.confidence, default=None)
    return Row(
        _name(settings), trial.group, trial.phrase, trial.speaker, devset.condition(trial.snr_db),
        len(trial.audio) / RATE_HZ, *counts(heard.events[settings.sensitivity]), *counts(heard.events["cautious"]),
        *counts(heard.events["eager"]), best.confidence if best else 0.0, _confidences(others),
        hit.raised_s - said.end_s if hit else float("nan"), heard.spent_s,
    )  # fmt: skip


def _confidences(events: Sequence[Alert | Candidate]) -> str:
    return " ".join(f"{e.confidence:.3f}" for e in events)


def judge_negative(negative: devset.Negative, settings: Settings, group: str) -> list[Row]:
    """One stretch without calls: a row for each phrase of the settings."""
    heard = hear(negative.audio, settings, _engine(settings))
    spent_s = heard.spent_s / len(settings.phrases)
    return [_negative_row(negative, phrase.words, heard, settings, group, spent_s) for phrase in settings.phrases]


def _negative_row(
    negative: devset.Negative, phrase: str, heard: AtSensitivities, settings: Settings, group: str, spent_s: float
) -> Row:
    calls = {
        sensitivity: [e for e in events if isinstance(e, Alert | Candidate) and e.phrase == phrase]
        for sensitivity, events in heard.events.items()
    }
    alerts = {sensitivity: sum(isinstance(e, Alert) for e in some) for sensitivity, some in calls.items()}
    mine = calls[settings.sensitivity]
    return Row(
        _name(settings), group, phrase, negative.source, negative.condition, len(negative.audio) / RATE_HZ,
        0, alerts[settings.sensitivity], 0, alerts["cautious"], 0, alerts["eager"],
        max((e.confidence for e in mine), default=0.0), _confidences(mine), float("nan"), spent_s,
    )  # fmt: skip


def _call(settings: Settings, trial: devset.Trial) -> list[Row]:
    return [judge_call(trial, settings)]


def _negative(settings: Settings, group: str, negative: devset.Negative) -> list[Row]:
    return judge_negative(negative, settings, group)


def _too_little(settings: Settings, negative: devset.Negative) -> list[Row]:
    phrase, said = negative.source.split(": ", 1)
    settings = settings.with_phrases((PhraseSettings(words=phrase),))
    return judge_negative(devset.Negative(said, negative.condition, negative.audio), settings, ALIKE)


_whisper: dict[Path, PlainWhisper] = {}


def _written(model: Path | None, trial: devset.Trial) -> list[Row]:
    """Whisper's plain transcription: found when the phrase is written three times or more."""
    assert model is not None, "the part whisper names its model"
    if model not in _whisper:
        _whisper[model] = PlainWhisper(model)
    text, spent_s = _whisper[model].text(trial.audio)
    found = int(times_written(trial.phrase, text) >= 3)
    return [Row(
        "whisper tiny", trial.group, trial.phrase, trial.speaker, devset.condition(trial.snr_db),
        len(trial.audio) / RATE_HZ, found, 0, found, 0, found, 0, 0.0, "", float("nan"), spent_s,
    )]  # fmt: skip


# --- the parts --------------------------------------------------------------


def manifest() -> dict:
    """What the evaluation consists of, part by part."""
    return yaml.safe_load(MANIFEST.read_text(encoding="utf-8"))["parts"]


def calls(material: Material, group: str, takes: devset.Takes, plans: list[dict]) -> Iterator[devset.Trial]:
    """The calls that the manifest plans for a group of speakers."""
    noises = material.jets()
    for plan in plans:
        yield from devset.trials(
            takes, group, plan["phrases"], plan["snr_db"], noises, material.count(plan["calls"]), plan["seed"]
        )


def voices(material: Material) -> Iterator[devset.Trial]:
    """Held-back voices."""
    yield from calls(material, "voices", material.spoken(), manifest()["voices"])


def people(material: Material) -> Iterator[devset.Trial]:
    """Held-back people: crowd recordings of short names, and words cut from AN4's sentences."""
    corpus, parts = material.people(), manifest()
    if not corpus:
        return
    (crowd,) = parts["people"]
    takes = devset.threes(devset.clip_takes(corpus), crowd["phrases"], crowd["seed"])
    yield from calls(material, "people", takes, [crowd])
    sentences = (
        (f"an4/{c.voice}", corpus.audio[c.start : c.start + c.length], c.text)
        for c in corpus.clips
        if c.kind == "sentence"
    )
    (words,) = parts["words"]
    yield from calls(material, "people's words", cut.takes(sentences, set(words["phrases"])), [words])


def commands(material: Material) -> Iterator[devset.Trial]:
    """Everyday words by people who trained nothing: three different takes by one person, one call of each."""
    if material.real and (material.real / PEOPLE).exists():
        takes, (plan,) = devset.command_takes(material.real), manifest()["commands"]
        for phrase in plan["phrases"]:
            people = sum(text == phrase for text, _ in takes)
            yield from calls(material, COMMANDS, takes, [{**plan, "phrases": [phrase], "calls": people}])


def shouts(material: Material) -> Iterator[devset.Trial]:
    """Words of every kind by people who trained nothing: comic voices of a game, each recording three times over."""
    plan = manifest()["shouts"]
    takes = devset.shouts(material.packages / SHOUTING, plan["recordings"])
    plan = {**plan, "phrases": sorted({phrase for phrase, _ in takes}), "calls": len(plan["recordings"])}
    yield from calls(material, SHOUTS, takes, [plan])


def some_calls(material: Material, plan: dict) -> Iterator[devset.Trial]:
    """The first calls of ``voices`` and ``people``: the very same recordings, fewer of them."""
    parts = manifest()
    said = {**parts["voices"][0], "snr_db": plan["snr_db"], "calls": plan["calls"]}
    yield from calls(material, "voices", material.spoken(), [said])
    corpus = material.people() if plan["people"] else None
    if corpus:
        crowd = {**parts["people"][0], "calls": plan["people"]}
        takes = devset.threes(devset.clip_takes(corpus), crowd["phrases"], crowd["seed"])
        yield from calls(material, "people", takes, [crowd])


def speech(material: Material) -> Iterator[devset.Negative]:
    """Hours of other people's talk."""
    found, corpus = devset.outside_speech(material.packages), material.people()
    if corpus:
        found["held-back people"] = [
            corpus.audio[c.start : c.start + c.length].astype(np.float32) / 32768.0 for c in corpus.clips
        ]
    found = {name: clips[: material.count(len(clips))] for name, clips in found.items()}
    yield from devset.negatives(found, material.jets(), manifest()["speech"]["seed"])


def noise(material: Material) -> Iterator[devset.Negative]:
    """Jets alone."""
    plan = manifest()["noise"]
    yield from devset.noise_alone(material.jets(), max(1 / 12, plan["hours"] * material.share), plan["seed"])


def alike(material: Material) -> Iterator[devset.Negative]:
    """Look-alikes said three times, and the phrase said twice only."""
    takes, noises, plan = material.spoken(), material.jets(), manifest()["alike"]
    for phrase in ("suspend", "stop", "hold", "abort", "halt", "cease fire"):
        yield from devset.too_little(takes, phrase, plan[phrase], plan["snr_db"], noises, plan["seed"])


def _plans(settings: Settings, material: Material, whisper: Path | None) -> dict[str, tuple[Callable, Iterable]]:
    """Per part: what is done with each recording, and the recordings (made only when they are asked for)."""
    parts = manifest()
    phrases = settings.with_phrases(tuple(PhraseSettings(words=w) for w in parts["speech"]["phrases"]))
    sphinx = settings.model_copy(update={"engine": "sphinx"})
    other_gate = settings.model_copy(update={"gate": GateSettings() if settings.gate == "off" else "off"})
    return {
        "voices": (partial(_call, settings), voices(material)),
        "people": (partial(_call, settings), people(material)),
        "commands": (partial(_call, settings), commands(material)),
        "shouts": (partial(_call, settings), shouts(material)),
        "speech": (partial(_negative, phrases, SPEECH), speech(material)),
        "noise": (partial(_negative, phrases, NOISE), noise(material)),
        "alike": (partial(_too_little, settings), alike(material)),
        "sphinx": (partial(_call, sphinx), some_calls(material, parts["sphinx"])),
        "whisper": (partial(_written, whisper), some_calls(material, parts["whisper"])),
        "gate": (partial(_call, other_gate), some_calls(material, parts["gate"])),
    }  # fmt: skip


PARTS = ("voices", "people", "commands", "shouts", "speech", "noise", "alike", "sphinx", "whisper", "gate")


def _spread(work: Callable, items: Iterable, workers: int) -> Iterator[list[Row]]:
    """Run over processes, a bounded number of recordings at a time, in order."""
    items = iter(items)
    if workers == 1:
        yield from map(work, items)
        return
    with Pool(workers) as pool:
        while some := list(islice(items, 32)):
            yield from pool.imap(work, some)


def run(part: str, settings: Settings, material: Material, whisper: Path | None, workers: int, out: Path) -> None:
    """Add a part's rows to ``out``, as they come."""
    work, items = _plans(settings, material, whisper)[part]
    began, waiting, count = time.monotonic(), [], 0
    for rows in _spread(work, items, workers):
        waiting += rows
        count += 1
        if len(waiting) >= 25:
            write(waiting, out)
            waiting = []
            log.info("%s: %d recordings in %.0f s", part, count, time.monotonic() - began)
    write(waiting, out)
    log.info("%s: %d recordings in %.0f s, done", part, count, time.monotonic() - began)


def main() -> None:
    """Add the rows of some parts to --out, or make a card's tables from the rows there."""
    parser = argparse.ArgumentParser(prog="python -m models.training.evaluate", description=__doc__)
    parser.add_argument("--card", type=Path, help="only make this card's tables anew from the rows of --out")
    parser.add_argument("--part", choices=PARTS, action="append", help="default: all, whisper if --whisper is given")
    parser.add_argument("--model", type=Path, help="folder of an ear (default: the one that comes with the listener)")
    parser.add_argument("--packages", type=Path, help="unpacked registry packages (see models/README.md)")
    parser.add_argument("--voices", type=Path, help="held-back voices, made by models.training.corpus")
    parser.add_argument("--real", type=Path, help="folder of real people's clips (optional)")
    parser.add_argument("--whisper", type=Path, help="Whisper model folder in CTranslate2 form (optional)")
    parser.add_argument("--share", type=float, default=1.0, help="below 1: a quicker, smaller evaluation")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("evaluation.csv"))
    args = parser.parse_args()
    if args.card:
        report.refresh(args.card, read(args.out))
        return
    if not (args.packages and args.voices):
        parser.error("--packages and --voices are needed")
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", datefmt="%H:%M:%S")
    settings = Settings.model_validate({**dict(Settings()), "ear": {"model_path": args.model}})
    material = Material(args.packages, args.voices, args.real, args.share)
    for part in args.part or [p for p in PARTS if p != "whisper" or args.whisper]:
        run(part, settings, material, args.whisper, args.workers, args.out)


if __name__ == "__main__":
    main()
