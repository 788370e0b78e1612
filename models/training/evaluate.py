"""The development evaluation of an engine: how many calls it finds, how often it is wrong.

Runs the shipped pipe (``Monitor`` at its default settings) over ``devset``'s recordings and
writes one CSV row a recording, so that every figure of the model card can be made again.

    python -m models.training.evaluate --engine ear --packages DIR --voices DIR [--real DIR] --out results.csv
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from itertools import islice
from pathlib import Path

import numpy as np
from scipy import stats

from listener.events import Alert, Block, Candidate
from listener.monitor import Monitor
from listener.settings import PhraseSettings, Settings
from listener.speech.engines import load_engine
from models.training import devset
from models.training.data import load

RATE_HZ = devset.RATE_HZ
SNRS: tuple[float | None, ...] = (None, 10.0, 5.0, 0.0, -3.0, -5.0, -7.0, -9.0, -12.0)
CALLS_OF_VOICES = ("suspend", "stop", "hold", "abort", "go", "no", "left", "fire")
CALLS_OF_PEOPLE = ("computer", "jarvis", "view glass")
NEVER_SAID = ("suspend", "stop", "hold", "abort", "cease fire", "halt", "cancel", "go", "left", "fire")
SOUNDS = "usr/share/games/searchandrescue/sounds"


@dataclass(frozen=True)
class Row:
    """One recording's outcome. ``found`` is 1 for a call that was alerted in time."""

    group: str
    phrase: str
    speaker: str
    condition: str
    seconds: float
    found: int
    false: int
    joint: float
    confidence: float
    delay_s: float
    spent_s: float


def _condition(snr_db: float | None) -> str:
    return "quiet" if snr_db is None else f"{snr_db:g} dB"


_engines: dict[tuple, object] = {}


def _events(audio: np.ndarray, settings: Settings) -> tuple[list, float]:
    key = (settings.engine, tuple(p.words for p in settings.phrases))
    if key not in _engines:
        _engines[key] = load_engine(settings)
    monitor = Monitor(settings, RATE_HZ, engine=_engines[key])
    began = time.process_time()
    events = []
    for first in range(0, len(audio), RATE_HZ):
        events += monitor.feed(Block(audio[first : first + RATE_HZ], first, RATE_HZ))
    return events + monitor.finish(), time.process_time() - began


def judge_call(trial: devset.Trial, settings: Settings) -> Row:
    """One call: found when an alert's span overlaps the call's; other alerts are false."""
    settings = settings.with_phrases((PhraseSettings(words=trial.phrase),))
    events, spent_s = _events(trial.audio, settings)
    start_s, end_s = trial.words[0][0], trial.words[-1][1]
    calls = [e for e in events if isinstance(e, Alert | Candidate) and e.start_s < end_s and e.end_s > start_s]
    alerts = [e for e in events if isinstance(e, Alert)]
    hit = next((e for e in calls if isinstance(e, Alert)), None)
    best = hit or max(calls, key=lambda e: e.confidence, default=None)
    return Row(
        trial.group, trial.phrase, trial.speaker, _condition(trial.snr_db), len(trial.audio) / RATE_HZ,
        int(hit is not None), len(alerts) - int(hit is not None),
        sum(h.score for h in best.hits) if best else float("nan"),
        best.confidence if best else 0.0, hit.raised_s - end_s if hit else float("nan"), spent_s,
    )  # fmt: skip


def judge_negative(negative: devset.Negative, settings: Settings) -> Iterator[Row]:
    """One stretch without calls: a row for its hours and one for every alert or candidate."""
    events, spent_s = _events(negative.audio, settings)
    for phrase in settings.phrases:
        mine = [e for e in events if isinstance(e, Alert | Candidate) and e.phrase == phrase.words]
        alerts = sum(isinstance(e, Alert) for e in mine)
        yield Row(
            "negative", phrase.words, negative.source, negative.condition, len(negative.audio) / RATE_HZ,
            0, alerts, float("nan"), max((e.confidence for e in mine), default=0.0), float("nan"),
            spent_s / len(settings.phrases),
        )  # fmt: skip


def _negative_rows(settings: Settings, negative: devset.Negative) -> list[Row]:
    return list(judge_negative(negative, settings))


def _call_row(settings: Settings, trial: devset.Trial) -> list[Row]:
    return [judge_call(trial, settings)]


def _spread(work: Callable, items: Iterable, workers: int) -> Iterator[Row]:
    """Run over processes, a bounded number of recordings at a time, in order."""
    items = iter(items)
    with ProcessPoolExecutor(workers) as pool:
        while some := list(islice(items, 64)):
            for rows in pool.map(work, some):
                yield from rows


def run(
    settings: Settings, packages: Path, voices: Path, real: Path | None, workers: int, share: float = 1.0
) -> Iterator[Row]:
    """All rows of the evaluation; ``share`` below 1 takes fewer trials and less speech."""
    noises = devset.jets(packages / SOUNDS)
    count = lambda n: max(2, round(n * share))  # noqa: E731
    spoken = load(voices, real=False, workers=workers, dev=True)
    many = devset.trials(spoken, "voices", ["suspend"], list(SNRS), noises, count(120), 1)
    yield from _spread(partial(_call_row, settings), many, workers)
    others = devset.trials(spoken, "voices", list(CALLS_OF_VOICES[1:]), list(SNRS), noises, count(32), 2)
    yield from _spread(partial(_call_row, settings), others, workers)
    speech = devset.outside_speech(packages)
    if real:
        people = load(real, real=True, workers=workers, dev=True)
        joined = devset.trials(people, "people", list(CALLS_OF_PEOPLE), list(SNRS), noises, count(100), 3)
        yield from _spread(partial(_call_row, settings), joined, workers)
        speech["held-back people"] = [
            people.audio[c.start : c.start + c.length].astype(np.float32) / 32768.0 for c in people.clips
        ]
    phrases = settings.with_phrases(tuple(PhraseSettings(words=w) for w in NEVER_SAID))
    if share < 1.0:
        speech = {name: clips[: count(len(clips))] for name, clips in speech.items()}
    yield from _spread(partial(_negative_rows, phrases), devset.negatives(speech, noises, 4), workers)
    yield from _spread(partial(_negative_rows, phrases), devset.noise_alone(noises, share, 5), workers)


def rate(found: int, trials: int) -> str:
    """A share with its 95 % Wilson interval, in per cent."""
    if not trials:
        return "-"
    low, high = stats.binomtest(found, trials).proportion_ci(method="wilson")
    return f"{100 * found / trials:.0f} ({100 * low:.0f}-{100 * high:.0f})"


def per_hour(events: int, hours: float) -> str:
    """A rate with its exact 95 % Poisson interval."""
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    high = stats.chi2.ppf(0.975, 2 * events + 2) / 2
    return f"{events / hours:.2f} ({low / hours:.2f}-{high / hours:.2f})"


def calls_table(rows: list[Row]) -> str:
    """Found, in per cent, by group and phrase (rows) and condition (columns), in Markdown."""
    cells: dict[tuple[str, str], dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        if row.group != "negative":
            cells[row.group, row.phrase][row.condition].append(row.found)
    conditions = [_condition(snr) for snr in SNRS]
    lines = ["| who | phrase | " + " | ".join(conditions) + " |", "|---|---" + "|---" * len(conditions) + "|"]
    for (group, phrase), by_condition in cells.items():
        found = [rate(sum(by_condition[c]), len(by_condition[c])) for c in conditions]
        lines.append(f"| {group} | {phrase} | " + " | ".join(found) + " |")
    return "\n".join(lines)


def negatives_table(rows: list[Row]) -> str:
    """False alerts an hour by phrase: all speech, and noise alone, in Markdown."""
    lines = ["| phrase | hours of speech | false alerts | per hour | hours of noise | false alerts |", "|---" * 6 + "|"]
    for phrase in dict.fromkeys(row.phrase for row in rows if row.group == "negative"):
        mine = [row for row in rows if row.group == "negative" and row.phrase == phrase]
        speech = [row for row in mine if row.condition != "noise"]
        noise = [row for row in mine if row.condition == "noise"]
        hours, wrong = sum(r.seconds for r in speech) / 3600, sum(r.false for r in speech)
        lines.append(
            f"| {phrase} | {hours:.2f} | {wrong} | {per_hour(wrong, hours)} | "
            f"{sum(r.seconds for r in noise) / 3600:.2f} | {sum(r.false for r in noise)} |"
        )
    return "\n".join(lines)


def reliability(rows: list[Row], bins: int = 10) -> tuple[list[tuple[float, float, int]], float]:
    """Alerts by confidence: (mean confidence, share right, count) a bin, and the expected
    calibration error (Naeini et al. 2015)."""
    told = [(r.confidence, 1) for r in rows if r.found]
    told += [(r.confidence, 0) for r in rows for _ in range(r.false) if r.group == "negative"]
    confidence, right = np.array([c for c, _ in told]), np.array([g for _, g in told])
    place = np.minimum((confidence * bins).astype(int), bins - 1)
    table = [
        (float(confidence[place == b].mean()), float(right[place == b].mean()), int((place == b).sum()))
        for b in range(bins)
        if (place == b).any()
    ]
    return table, sum(n * abs(c - g) for c, g, n in table) / max(1, len(told))


def summary(rows: list[Row]) -> str:
    """Everything for the model card, in Markdown."""
    delays = np.array([r.delay_s for r in rows if r.found])
    table, error = reliability(rows)
    speed = sum(r.spent_s for r in rows) / sum(r.seconds for r in rows if r.group != "negative" or r.phrase == NEVER_SAID[0])
    lines = [calls_table(rows), "", negatives_table(rows), ""]
    if len(delays):
        lines.append(f"Delay: median {np.median(delays):.2f} s, 95th percentile {np.percentile(delays, 95):.2f} s, {len(delays)} alerts.")
    lines.append(f"Processor time: {speed:.3f} of the stream's. Expected calibration error {error:.3f}:")
    lines += [f"- confidence {c:.2f}: right {g:.2f} of {n}" for c, g, n in table]
    return "\n".join(lines)


def write(rows: list[Row], path: Path) -> None:
    with open(path, "w", newline="") as file:
        writer = csv.DictWriter(file, list(asdict(rows[0])))
        writer.writeheader()
        writer.writerows({k: round(v, 4) if isinstance(v, float) else v for k, v in asdict(r).items()} for r in rows)


def read(path: Path) -> list[Row]:
    with open(path, newline="") as file:
        kinds = {"found": int, "false": int}
        texts = {"group", "phrase", "speaker", "condition"}
        return [
            Row(**{k: v if k in texts else kinds.get(k, float)(v) for k, v in row.items()})
            for row in csv.DictReader(file)
        ]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training.evaluate", description=__doc__)
    parser.add_argument("--engine", default=Settings().engine)
    parser.add_argument("--packages", type=Path, required=True, help="unpacked registry packages (see models/README.md)")
    parser.add_argument("--voices", type=Path, required=True, help="held-back voices, made by models.training.corpus")
    parser.add_argument("--real", type=Path, help="folder of real people's clips (optional)")
    parser.add_argument("--share", type=float, default=1.0, help="below 1: a quicker, smaller evaluation")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    settings = Settings.model_validate({**dict(Settings()), "engine": args.engine})
    rows: list[Row] = []
    try:
        for row in run(settings, args.packages, args.voices, args.real, args.workers, args.share):
            rows.append(row)
            if len(rows) % 200 == 0:
                print(f"{len(rows)} recordings", file=sys.stderr)
    finally:
        if rows:
            write(rows, args.out)
    print(summary(rows))


if __name__ == "__main__":
    main()
