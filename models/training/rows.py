"""The rows of an evaluation and what they add up to: rates with their intervals, in Markdown."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

ORDER = ("quiet", *(f"{snr} dB" for snr in (20, 15, 10, 5, 3, 0, -3, -5, -7, -9, -12, -15, -18)), "noise")
SHOUTS = "shouts"
COMMANDS = "people's commands"
CALLS = ("voices", "people", "people's words", COMMANDS, SHOUTS)
SPEECH = "speech"
NOISE = "noise"
ALIKE = "look-alikes"


@dataclass(frozen=True)
class Row:
    """One recording and one phrase. ``found``: 1 for a call that was alerted; ``false``: other alerts."""

    engine: str  # the gate's state behind it where it is off: "ear, gate off"
    group: str
    phrase: str
    speaker: str
    condition: str
    seconds: float
    found: int
    false: int
    found_cautious: int
    false_cautious: int
    found_eager: int
    false_eager: int
    confidence: float  # of the call found, or of the strongest false one
    others: str  # confidences of the false alerts and candidates
    delay_s: float
    spent_s: float  # of one core; NaN where the network's outputs were kept from an earlier run


def write(rows: Iterable[Row], path: Path) -> None:
    """Rows to CSV, fractions to three places; a file that is there is added to."""
    new = not path.exists()
    with open(path, "a", newline="") as file:
        writer = csv.DictWriter(file, [f.name for f in fields(Row)], lineterminator="\n")
        if new:
            writer.writeheader()
        writer.writerows({k: _short(v) for k, v in asdict(row).items()} for row in rows)


def _short(value: object) -> object:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.3f}".rstrip("0").rstrip(".")
    return value


def read(path: Path) -> list[Row]:
    """Rows of a CSV file written by ``write``."""
    kinds: dict[str, Any] = {f.name: {"int": int, "float": float, "str": str}[str(f.type)] for f in fields(Row)}
    with open(path, newline="") as file:
        return [Row(**{k: _value(kinds[k], v) for k, v in row.items()}) for row in csv.DictReader(file)]


def _value(kind: type, text: str) -> Any:
    return float("nan") if kind is float and text == "" else kind(text)


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


def of(rows: Iterable[Row], engine: str | None = None, *groups: str) -> list[Row]:
    """The rows of an engine and some groups (all if none is named)."""
    return [r for r in rows if (engine is None or r.engine == engine) and (not groups or r.group in groups)]


def calls_table(rows: list[Row], engine: str = "ear") -> str:
    """Calls found, in per cent, by group and phrase (rows) and condition (columns).

    Below each group of several phrases, all of them together: every phrase weighs as many calls as it has. The shouts,
    a few calls of each of many phrases, are given together only.
    """
    cells: dict[tuple[str, str], dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for row in of(rows, engine, *CALLS):
        cells[row.group, row.phrase][row.condition].append(row.found)
    for group in dict.fromkeys(group for group, _ in list(cells)):
        mine = [by for (g, _), by in cells.items() if g == group]
        if len(mine) > 1:
            shared = [c for c in ORDER if all(c in by for by in mine)]
            cells[group, "all of these"] = {c: [x for by in mine for x in by[c]] for c in shared}
    shouted = {phrase for group, phrase in cells if group == SHOUTS} - {"all of these"}
    for phrase in shouted if (SHOUTS, "all of these") in cells else ():
        del cells[SHOUTS, phrase]
    seen = {c for by in cells.values() for c in by}
    conditions = [c for c in ORDER if c in seen]
    order = sorted(cells, key=lambda key: (CALLS.index(key[0]), key[1] == "all of these"))
    lines = ["| who | phrase | calls | " + " | ".join(conditions) + " |", "|---" * (3 + len(conditions)) + "|"]
    for key in order:
        by = cells[key]
        found = [rate(sum(by[c]), len(by[c])) if c in by else "-" for c in conditions]
        what = f"{len(shouted)} phrases" if key[0] == SHOUTS and len(shouted) > 1 else key[1]
        lines.append(f"| {key[0]} | {what} | {max(map(len, by.values()))} | " + " | ".join(found) + " |")
    return "\n".join(lines)


def negatives_table(rows: list[Row], engine: str = "ear") -> str:
    """False alerts an hour by phrase: all speech, and noise alone."""
    mine = of(rows, engine, SPEECH, NOISE)
    lines = ["| phrase | hours of speech | false alerts | per hour | hours of noise | false alerts |", "|---" * 6 + "|"]
    phrases = list(dict.fromkeys(row.phrase for row in mine))
    for phrase in [*phrases, None]:
        speech = [r for r in mine if r.group == SPEECH and phrase in (None, r.phrase)]
        noise = [r for r in mine if r.group == NOISE and phrase in (None, r.phrase)]
        hours, wrong = _hours(speech), sum(r.false for r in speech)
        name = phrase or f"all, in phrase-hours ({len(phrases)} phrases)"
        lines.append(
            f"| {name} | {hours:.2f} | {wrong} | {per_hour(wrong, hours)} | {_hours(noise):.2f} | "
            f"{sum(r.false for r in noise)} |"
        )
    return "\n".join(lines)


def speech_table(rows: list[Row], engine: str = "ear") -> str:
    """False alerts by where the speech comes from, and by noise: all phrases together."""
    mine = of(rows, engine, SPEECH)
    phrases = len({r.phrase for r in mine})
    lines = ["| speech | hours | false alerts of all phrases | per phrase-hour |", "|---" * 4 + "|"]
    for key in [*dict.fromkeys(r.speaker for r in mine), *dict.fromkeys(r.condition for r in mine)]:
        some = [r for r in mine if key in (r.speaker, r.condition)]
        hours, wrong = _hours(some), sum(r.false for r in some)
        lines.append(f"| {key} | {hours / phrases:.2f} | {wrong} | {per_hour(wrong, hours)} |")
    return "\n".join(lines)


def look_alike_table(rows: list[Row], engine: str = "ear") -> str:
    """Recordings of what sounds like the phrase, or is too little of it, that alerted, in per cent."""
    mine = of(rows, engine, ALIKE)
    kinds = dict.fromkeys((r.phrase, r.speaker.split("/")[0]) for r in mine)
    conditions = [c for c in ORDER if any(r.condition == c for r in mine)]
    lines = [
        "| phrase | what is said | recordings | " + " | ".join(conditions) + " |",
        "|---" * (3 + len(conditions)) + "|",
    ]
    for phrase, said in kinds:
        some = [r for r in mine if r.phrase == phrase and r.speaker.split("/")[0] == said]
        by = {c: [int(r.false > 0) for r in some if r.condition == c] for c in conditions}
        shown = " | ".join(rate(sum(v), len(v)) for v in by.values())
        lines.append(f"| {phrase} | {said} | {max(map(len, by.values()))} | {shown} |")
    return "\n".join(lines)


def sensitivity_table(rows: list[Row], engine: str = "ear") -> str:
    """Misses and false alerts of each sensitivity."""
    calls, speech = of(rows, engine, *CALLS), of(rows, engine, SPEECH)
    groups = [g for g in CALLS if any(r.group == g for r in calls)]
    shown = [(g, c) for g in groups for c in ("quiet", "10 dB", "0 dB")]
    heads = [f"{g}, {c}: missed" for g, c in shown]
    lines = [
        "| sensitivity | " + " | ".join(heads) + " | false alerts per phrase-hour |",
        "|---" * (2 + len(heads)) + "|",
    ]
    for name, suffix in (("cautious", "_cautious"), ("balanced", ""), ("eager", "_eager")):
        cells = []
        for group, condition in shown:
            some = [getattr(r, "found" + suffix) for r in calls if (r.group, r.condition) == (group, condition)]
            cells.append(rate(len(some) - sum(some), len(some)))
        wrong = sum(getattr(r, "false" + suffix) for r in speech)
        lines.append(f"| {name} | " + " | ".join(cells) + f" | {per_hour(wrong, _hours(speech))} |")
    return "\n".join(lines)


def against_table(rows: list[Row], engines: list[str]) -> str:
    """Calls found by several engines where all of them heard the same recordings."""
    keys = [{(r.group, r.phrase, r.speaker, r.condition) for r in of(rows, e, *CALLS)} for e in engines]
    shared = set.intersection(*keys)
    conditions = [c for c in ORDER if any(key[3] == c for key in shared)]
    lines = ["| who, phrase | engine | " + " | ".join(conditions) + " |", "|---" * (2 + len(conditions)) + "|"]
    for group, phrase in dict.fromkeys((k[0], k[1]) for e in engines[:1] for k in _keys(rows, e) if k in shared):
        for engine in engines:
            mine = [r for r in of(rows, engine, group) if r.phrase == phrase and _key(r) in shared]
            by = {c: [r.found for r in mine if r.condition == c] for c in conditions}
            shown = " | ".join(rate(sum(v), len(v)) for v in by.values())
            lines.append(f"| {group}, {phrase} | {engine} | {shown} |")
    return "\n".join(lines)


def _key(row: Row) -> tuple[str, str, str, str]:
    return row.group, row.phrase, row.speaker, row.condition


def _keys(rows: list[Row], engine: str) -> list[tuple[str, str, str, str]]:
    return [_key(r) for r in of(rows, engine, *CALLS)]


def _hours(rows: list[Row]) -> float:
    return sum(r.seconds for r in rows) / 3600


def reliability(
    rows: list[Row], alerts_from: float = 0.0, bins: int = 10
) -> tuple[list[tuple[float, float, int]], float]:
    """Calls by confidence: (mean confidence, share right, count) a bin, and the expected calibration
    error (Naeini et al. 2015). ``alerts_from``: only calls of at least this confidence."""
    told = [(r.confidence, 1) for r in rows if r.group in CALLS and r.confidence > 0]
    told += [(float(c), 0) for r in rows for c in r.others.split()]
    told = [(c, g) for c, g in told if c >= alerts_from]
    confidence, right = np.array([c for c, _ in told]), np.array([g for _, g in told])
    place = np.minimum((confidence * bins).astype(int), bins - 1)
    table = [
        (float(confidence[place == b].mean()), float(right[place == b].mean()), int((place == b).sum()))
        for b in range(bins)
        if (place == b).any()
    ]
    return table, sum(n * abs(c - g) for c, g, n in table) / max(1, len(told))
