"""What `listener phrase` knows: phrases measured with voices that never trained, and a prediction for all others.

The phrases stand in ``phrases.yaml`` in two lists. The prediction is fitted on one and checked on the other, and what
comes out of the check is written beside it. Each step by itself:

    python -m models.training.phrases measure --packages DIR    # adds rows to models/ear-4/phrases.csv, goes on where it was
    python -m models.training.phrases spot                      # what `listener phrase --measure` hears: phrases_spot.csv
    python -m models.training.phrases table                     # phrases.csv, phrases_spot.csv, evaluation.csv -> phrases.json
"""

from __future__ import annotations

import argparse
import csv
import json
import zlib
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soxr
import yaml
from scipy.optimize import minimize
from scipy.stats import spearmanr

from listener.atomic_write import write_whole
from listener.events import RATE_HZ
from listener.settings import PhraseSettings, Settings
from listener.site.phrase_alike import likeness
from listener.site.phrase_measure import Spot, Trial, heard_once
from listener.site.phrase_measure import measure as on_the_spot
from listener.site.phrase_table import CONDITIONS, NAME, features, predicted
from listener.speech.network import shipped_model
from listener.speech.pronounce import phrase_pronunciations, pronunciations
from models.training import devset, rows
from models.training.data import trimmed
from models.training.evaluate import SOUNDS, judge_call
from models.training.texts import common_words
from models.training.voices import voices

PLAN = Path(__file__).with_name("phrases.yaml")
MEASURED = "phrases.csv"
SPOT = "phrases_spot.csv"
USED = ("phones", "words", "ambiguity", "weak", "stops")  # of the features; the rest was tried and left out
RIDGE = 10.0  # on features of spread one, over calls
SAID_BY = (
    "flite rms and awb, Pico en-US and en-GB, Piper joe (none of them trained the ear); heard once: a watch hears again and "
    "finds more"
)

Outcomes = dict[str, dict[str, list[int]]]  # by phrase and condition: 1 for each call found, 0 for each missed


def plan() -> dict:
    """phrases.yaml as it stands."""
    return yaml.safe_load(PLAN.read_text(encoding="utf-8"))


def takes(phrase: str, wanted: dict) -> devset.Takes:
    """What every voice says, each take at another pace."""
    found: devset.Takes = {}
    for engine in wanted["voices"]:
        for voice in voices(engine):
            mine = []
            for number in range(wanted["takes"]):
                rng = np.random.default_rng([wanted["seed"], zlib.crc32(f"{phrase} {voice.name}".encode()), number])
                said = voice.say(phrase, float(rng.uniform(0.85, 1.2)), rng)
                said = said if voice.rate_hz == RATE_HZ else soxr.resample(said, voice.rate_hz, RATE_HZ)
                mine.append(trimmed(said.astype(np.float32), margin_s=0.0))
            found[phrase, f"{engine}/{voice.name}"] = mine
    return found


def measure(packages: Path, out: Path) -> None:
    """Add the calls of every phrase that has none yet to a CSV file."""
    wanted, done = plan(), set(read(out)) if out.exists() else set()
    noises = devset.jets(packages / SOUNDS)
    for phrase in dealt(wanted):
        if phrase in done:
            continue
        said = takes(phrase, wanted)
        calls = devset.trials(said, "voices", [phrase], wanted["snr_db"], noises, wanted["calls"] * len(said), wanted["seed"])
        judged = [judge_call(trial, heard_once(Settings())) for trial in calls]
        new = not out.exists()
        with open(out, "a", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            if new:
                writer.writerow(["phrase", "speaker", "condition", "found"])
            writer.writerows([row.phrase, row.speaker, row.condition, row.found] for row in judged)
        print(phrase, len(judged), f"{np.mean([row.found for row in judged]):.2f}", flush=True)


def measure_on_the_spot(out: Path) -> None:
    """Add to a CSV file what the command measures of every phrase that has no rows yet."""
    done = set(read_spot(out)) if out.exists() else set()
    for phrase in dealt(plan()):
        if phrase in done:
            continue
        spot = on_the_spot(PhraseSettings(words=phrase), Settings())
        new = not out.exists()
        with open(out, "a", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            if new:
                writer.writerow(["phrase", "voice", "snr_db", "found", "confidence"])
            writer.writerows([phrase, t.voice, f"{t.snr_db:g}", int(t.found), round(t.confidence, 4)] for t in spot.trials)
        print(phrase, spot.found.k, spot.found.n, dict(spot.missing) or "", flush=True)


def read_spot(path: Path) -> dict[str, Spot]:
    """What was measured on the spot, by phrase."""
    found: dict[str, list[Trial]] = defaultdict(list)
    with open(path, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            found[row["phrase"]].append(
                Trial(row["voice"], float(row["snr_db"]), row["found"] == "1", float(row["confidence"]))
            )
    return {phrase: Spot(tuple(trials), {}) for phrase, trials in found.items()}


def dealt(wanted: dict) -> Iterator[str]:
    """One of each list in turn, so that what is measured first is a fair part of both."""
    for some in (slice(0, None, 2), slice(1, None, 2)):
        for number in range(max(map(len, (wanted["fit"][some], wanted["check"][some])))):
            yield from (name[some][number] for name in (wanted["check"], wanted["fit"]) if number < len(name[some]))


def read(path: Path) -> Outcomes:
    """The CSV file's outcomes."""
    found: Outcomes = defaultdict(lambda: defaultdict(list))
    with open(path, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            found[row["phrase"]][row["condition"]].append(int(row["found"]))
    return found


def described(phrase: str, folder: Path) -> dict[str, float]:
    """A phrase as the prediction sees it."""
    words = phrase.split()
    return features(phrase_pronunciations(words), [likeness(folder, w, pronunciations(w)).ambiguity for w in words])


def fit(phrases: dict[str, dict[str, float]], outcomes: Outcomes, used: tuple[str, ...] = USED) -> dict[str, float]:
    """Weights of a logistic regression over calls, with a ridge on all but the conditions' own weights."""
    names = list(phrases)
    x = np.array([[phrases[name][one] for one in used] for name in names])
    middle, spread = x.mean(axis=0), np.maximum(x.std(axis=0), 1e-6)
    x = (x - middle) / spread
    found = np.array([[sum(outcomes[name][c]) for c in CONDITIONS] for name in names], float)
    calls = np.array([[len(outcomes[name][c]) for c in CONDITIONS] for name in names], float)

    def loss(weights: np.ndarray) -> float:
        logit = (x @ weights[: len(used)])[:, None] + weights[len(used) :]
        return float((calls * np.logaddexp(0, logit) - found * logit).sum() + RIDGE * (weights[: len(used)] ** 2).sum())

    best = minimize(loss, np.zeros(len(used) + len(CONDITIONS)), method="BFGS").x
    slopes = best[: len(used)] / spread
    at = best[len(used) :] - slopes @ middle
    return {**dict(zip(used, slopes, strict=True)), **{f"at {c}": v for c, v in zip(CONDITIONS, at, strict=True)}}


def checked(weights: dict[str, float], phrases: dict[str, dict[str, float]], outcomes: Outcomes) -> dict[str, float | int]:
    """Prediction against measurement on these phrases: rank correlation of the share found over all conditions, with a
    bootstrap interval over phrases, and how far off the shares are."""
    told = np.array([np.mean(list(predicted(weights, facts).values())) for facts in phrases.values()])
    true = np.array([np.mean([np.mean(outcomes[name][c]) for c in CONDITIONS]) for name in phrases])
    rng = np.random.default_rng(1)
    drawn = []
    for _ in range(2000):
        pick = rng.integers(len(told), size=len(told))
        if np.ptp(true[pick]) > 0:
            drawn.append(spearmanr(told[pick], true[pick]).statistic)
    low, high = np.percentile(drawn, [2.5, 97.5])
    return {
        "phrases": len(told), "rank_correlation": round(float(spearmanr(told, true).statistic), 3), "low": round(float(low), 3),
        "high": round(float(high), 3), "off_by": round(float(np.sqrt(np.mean((told - true) ** 2))), 3),
    }  # fmt: skip


def people(evaluation: Path) -> dict[str, dict[str, list[int]]]:
    """Calls by people of words that no people said in training, by phones and condition: [found, calls]."""
    counted: dict[str, dict[str, list[int]]] = {size: {c: [0, 0] for c in CONDITIONS} for size in ("2", "3 or more")}
    for row in rows.read(evaluation):
        if row.group in (rows.COMMANDS, rows.SHOUTS) and row.engine == "ear" and row.condition in CONDITIONS:
            short = min(map(len, phrase_pronunciations(row.phrase.split()))) <= 2
            one = counted["2" if short else "3 or more"][row.condition]
            one[0], one[1] = one[0] + row.found, one[1] + 1
    return counted


def table(folder: Path) -> dict:
    """What phrases.json holds."""
    wanted, outcomes = plan(), read(folder / MEASURED)
    lists = {name: {p: described(p, folder) for p in wanted[name] if p in outcomes} for name in ("fit", "check")}
    weights = fit(lists["fit"], outcomes)
    check = checked(weights, lists["check"], outcomes)
    heard = {phrase: {"score": spot.score} for phrase, spot in read_spot(folder / SPOT).items()}
    from_spot = fit({p: heard[p] for p in lists["fit"]}, outcomes, ("score",))
    spot_check = checked(from_spot, {p: heard[p] for p in lists["check"]}, outcomes)
    return {
        "voices": SAID_BY,
        "measured": {p: {c: [sum(o), len(o)] for c, o in by.items()} for p, by in sorted(outcomes.items())},
        "weights": {name: round(float(w), 4) for name, w in weights.items()},
        "check": {**check, "fitted_on": len(lists["fit"])},
        "spot": {
            "weights": {name: round(float(w), 4) for name, w in from_spot.items()},
            "check": {**spot_check, "fitted_on": len(lists["fit"])},
        },
        "people": people(folder / "evaluation.csv"),
        "common": " ".join(common_words()),
    }


def main() -> None:
    """See the module's text."""
    parser = argparse.ArgumentParser(prog="python -m models.training.phrases", description=__doc__)
    parser.add_argument("step", choices=("measure", "spot", "table"))
    parser.add_argument("--model", type=Path, default=shipped_model())
    parser.add_argument("--packages", type=Path, help="unpacked registry packages (see models/README.md)")
    options = parser.parse_args()
    if options.step == "measure":
        measure(options.packages, options.model / MEASURED)
    elif options.step == "spot":
        measure_on_the_spot(options.model / SPOT)
    else:
        made = table(options.model)
        write_whole(options.model / NAME, json.dumps(made, indent=1, allow_nan=False) + "\n")
        print(json.dumps(made["check"], allow_nan=False))


if __name__ == "__main__":
    main()
