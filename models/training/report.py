"""What an evaluation's rows add up to, as the tables of a model card."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from listener.call.confidence import confidence
from listener.score.interval import per_hour_interval
from listener.score.psychometric import fit
from listener.speech.network import read_info, shipped_model
from models.training import texts
from models.training.data import transcribe
from models.training.rows import (
    CALLS,
    COMMANDS,
    NOISE,
    SPEECH,
    Row,
    against_table,
    calls_table,
    look_alike_table,
    negatives_table,
    of,
    rate,
    reliability,
    sensitivity_table,
    speech_table,
)

MANY_PHONES = 7


def srt(rows: list[Row], engine: str, among: set[str] | None = None, phrase: str = "suspend") -> str:
    """The SNR at which half of the calls by held-back voices are found, 95 % interval over the speakers."""
    mine = [r for r in of(rows, engine, "voices") if r.phrase == phrase and r.condition != "quiet"]
    mine = [r for r in mine if among is None or (r.speaker + r.condition) in among]
    snr = [float(r.condition.split()[0]) for r in mine]
    speakers = [r.speaker.split("#")[0] for r in mine]
    found = fit(snr, [bool(r.found) for r in mine], speakers, 200, np.random.default_rng(1))
    if found is None:
        return "not settled by these calls"
    interval = "" if found.srt_db is None else f" ({found.srt_db[0]:.1f} to {found.srt_db[1]:.1f})"
    return f"{found.curve.srt_db:.1f} dB{interval}"


def srt_lines(rows: list[Row]) -> str:
    """The SRT of "suspend" by the held-back voices; and of the ear and sphinx where both heard the same recordings."""
    lines = [f"Half of the calls are found at (SRT): {srt(rows, 'ear')}."]
    if of(rows, "sphinx"):
        among = {r.speaker + r.condition for r in of(rows, "sphinx", "voices")}
        lines.append(
            f"On the recordings that sphinx heard too: ear {srt(rows, 'ear', among)}, sphinx {srt(rows, 'sphinx', among)}."
        )
    return "\n".join(lines)


def length_table(rows: list[Row]) -> str:
    """Calls found by how many phones the phrase has, by who says it, and by who said its words alone in training.

    "people": people as at the trial (other ones, the same recordings' kind); "voices": only synthetic voices, as a
    command, a look-alike or a common word (and actors here and there, cut from sentences); "nobody": not even they.
    """
    with np.load(shipped_model() / "rivals.npz") as file:
        alone = {tuple(way.split()) for way in file["phones"]}
    alone |= {way for said in map(transcribe, (*texts.COMMANDS, *texts.LOOKALIKES)) for way in said or ()}
    cells: dict[tuple[str, str, int], dict[str, list[int]]] = {}
    for row in of(rows, "ear", *CALLS):
        said = transcribe(row.phrase) or ()
        phones = min(sum(map(len, said)), MANY_PHONES)
        told = "people" if row.group in ("people", "people's words") else "voices" if alone >= set(said) else "nobody"
        key = "voices" if row.group == "voices" else "people", told, phones
        cells.setdefault(key, {}).setdefault(row.condition, []).append(row.found)
    shown = ("quiet", "10 dB", "5 dB", "0 dB", "-5 dB")
    lines = ["| said by | trained by | phones | calls | " + " | ".join(shown) + " |", "|---" * (4 + len(shown)) + "|"]
    for key, by in sorted(cells.items()):
        count = f"{key[2]} or more" if key[2] == MANY_PHONES else str(key[2])
        found = " | ".join(rate(sum(by[c]), len(by[c])) for c in shown)
        lines.append(f"| {key[0]} | {key[1]} | {count} | {len(by['quiet'])} | {found} |")
    return "\n".join(lines)


def gate_table(rows: list[Row]) -> str:
    """The same recordings with the gate and without: found, lost and won by the other gate; and processor time."""
    other = next((r.engine for r in rows if r.engine.startswith("ear, gate")), "")
    theirs = {(r.group, r.phrase, r.speaker, r.condition): r for r in of(rows, other, *CALLS)}
    pairs: dict[tuple[str, str], list[tuple[int, int]]] = {}
    spent = {"ear": [0.0, 0.0], other: [0.0, 0.0]}
    for row in of(rows, "ear", *CALLS):
        twin = theirs.get((row.group, row.phrase, row.speaker, row.condition))
        if twin:
            pairs.setdefault((row.group, row.condition), []).append((row.found, twin.found))
            for r in (row, twin):
                if np.isfinite(r.spent_s):
                    spent[r.engine][0] += r.spent_s
                    spent[r.engine][1] += r.seconds
    lines = [
        f"| who | condition | calls | found by default | found with {other} | only by default | only with {other} |",
        "|---" * 7 + "|",
    ]
    for (group, condition), some in pairs.items():
        n = len(some)
        ours, others = (rate(sum(pair[i] for pair in some), n) for i in (0, 1))
        only = [sum(a > b for a, b in some), sum(b > a for a, b in some)]
        lines.append(f"| {group} | {condition} | {n} | {ours} | {others} | {only[0]} | {only[1]} |")
    shares = ", ".join(f"{name}: {a / b:.3f}" for name, (a, b) in spent.items() if b)
    return "\n".join([*lines, "", f"Processor time as a share of the stream's, on these calls: {shares}."])


def delay_line(rows: list[Row]) -> str:
    """From the end of the third word to the alert; and the processor time on one core."""
    mine = of(rows, "ear", *CALLS)
    middle, late = np.percentile([r.delay_s for r in mine if r.found], [50, 95])
    timed = [r for r in mine if np.isfinite(r.spent_s)]
    speed = sum(r.spent_s for r in timed) / sum(r.seconds for r in timed)
    return (
        f"Delay from the end of the third word: median {middle:.2f} s, 95th percentile {late:.2f} s, "
        f"{sum(r.found for r in mine)} alerts. Processor time: {speed:.3f} of the stream's."
    )


def calibration_lines(rows: list[Row]) -> str:
    """Reliability of the confidence: of alerts alone, and with the candidates below the alert level."""
    calibration = read_info(shipped_model()).calibration
    level = confidence(calibration.alert_levels["balanced"], calibration) - 5e-4
    mine = of(rows, "ear", *CALLS, SPEECH, NOISE)
    lines = []
    for name, (table, error) in (("alerts", reliability(mine, level)), ("alerts and candidates", reliability(mine))):
        lines += [
            f"Of {name}: expected calibration error {error:.3f}",
            "",
            "| mean confidence | right | calls |",
            "|---" * 3 + "|",
        ]
        lines += [f"| {c:.2f} | {g:.2f} | {n} |" for c, g, n in table] + [""]
    return "\n".join(lines).strip()


CALLS_PER_H = {"one an hour": 1.0, "one in 10 h": 0.1, "one in 100 h": 0.01, "one in 1,000 h": 0.001}


def mix_table(rows: list[Row]) -> str:
    """Of the alerts on one phrase, the share that is right, in per cent, by how often somebody calls.

    Arithmetic: found * calls / (found * calls + false), an hour; found: of people's commands in quiet; false: an hour of
    outside speech, and the interval is what its exact 95 % Poisson interval leaves open.
    """
    calls, speech = [r for r in of(rows, "ear", COMMANDS) if r.condition == "quiet"], of(rows, "ear", SPEECH)
    hours = sum(r.seconds for r in speech) / 3600
    heads = [f"calls: {name}" for name in CALLS_PER_H]
    lines = ["| sensitivity | " + " | ".join(heads) + " |", "|---" * (1 + len(heads)) + "|"]
    for name, suffix in (("cautious", "_cautious"), ("balanced", ""), ("eager", "_eager")):
        found = float(np.mean([getattr(r, "found" + suffix) for r in calls]))
        wrong = sum(getattr(r, "false" + suffix) for r in speech)
        low, high = per_hour_interval(wrong, hours)
        cells = []
        for per_h in CALLS_PER_H.values():
            middle, most, least = (100 * share_right(found, per_h, false) for false in (wrong / hours, low, high))
            cells.append(f"{middle:.0f} ({least:.0f}-{most:.0f})")
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def share_right(found: float, calls_per_h: float, false_per_h: float) -> float:
    """Of the alerts, the share that is right, where this share of the calls is found."""
    right = found * calls_per_h
    return right / (right + false_per_h)


TABLES: dict[str, Callable[[list[Row]], str]] = {
    "calls": calls_table,
    "length": length_table,
    "srt": srt_lines,
    "negatives": negatives_table,
    "speech": speech_table,
    "alike": look_alike_table,
    "sensitivity": sensitivity_table,
    "gate": gate_table,
    "sphinx": lambda rows: against_table(rows, ["ear", "sphinx"]),
    "whisper": lambda rows: against_table(rows, ["ear", "whisper tiny"]),
    "delay": delay_line,
    "calibration": calibration_lines,
    "mix": mix_table,
}


def fill(card: str, rows: list[Row]) -> str:
    """A card's text with its tables made anew from the rows: each stands between <!-- NAME --> and <!-- end -->."""

    def table(match: re.Match[str]) -> str:
        return f"<!-- {match[1]} -->\n{TABLES[match[1]](rows)}\n<!-- end -->"

    return re.sub(r"<!-- (\w+) -->\n.*?<!-- end -->", table, card, flags=re.DOTALL)


def refresh(card: Path, rows: list[Row]) -> None:
    """Make the tables of a card anew."""
    card.write_text(fill(card.read_text(encoding="utf-8"), rows), encoding="utf-8")
