"""From rows to measures: what a report and a comparison show, as plain tables (polars) and values.

A failed call counts as missed, never as heard; a failed negative adds no hours.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from listener.score.metrics import (
    Bin,
    Det,
    Paired,
    Rate,
    Share,
    brier,
    det,
    equal_error,
    expected_calibration_error,
    max_twv,
    mcnemar,
    miss_at,
    reliability,
    twv,
)  # fmt: skip
from listener.score.psychometric import Fit, fit
from listener.study.design import CALL, NEGATIVE, Design
from listener.study.lock import read_lock
from listener.study.people.rows import LISTENER, PEOPLE, people_frame
from listener.study.plan import PLAN, Plan, plan_from
from listener.study.table import read_trials
from listener.yaml_file import read_yaml

BUDGET_PER_HOUR = (0.1, 0.5, 1.0, 5.0)
_CALL_COLUMNS = ("sound", "engine", "phrase", "noise", "snr_db", "radio", "room", "speaker", "found", "partly", "score",
                 "delay_s", "sii", "sti", "failed", "false_alerts", "words", LISTENER)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Result:
    """A study in a folder: its plan, lock and trials, all of them or those that are done so far.

    trials: the machines' rows, and people's, which name their listener. has_people: whether there are any.
    """

    folder: Path
    plan: Plan
    lock: dict[str, Any]
    trials: pl.LazyFrame
    has_people: bool = False

    def missing(self) -> tuple[int, int]:
        """How many trials are not there yet, and how many there will be."""
        whole = len(Design(self.plan))
        machines = self.trials.filter(pl.col("engine") != PEOPLE)
        return whole - machines.select(pl.len()).collect().item(), whole

    @property
    def engines(self) -> tuple[str, ...]:
        """Names of the engines, in the plan's order; then people, if any listened."""
        return (*self.plan.engines, *((PEOPLE,) if self.has_people else ()))

    def of(self, engine: str) -> "Heard":
        """What one engine did."""
        return Heard(self, engine)


def load_result(folder: Path) -> Result:
    """Raises UserError where no study's trials lie."""
    lock = read_lock(folder)
    data = read_yaml(folder / PLAN, "the study plan")
    people = people_frame(folder, lock)
    trials = pl.concat([read_trials(folder).with_columns(pl.lit("").alias(LISTENER)), people.lazy()], how="vertical_relaxed")
    return Result(folder, plan_from(data, str(folder / PLAN)), lock, trials, people.height > 0)


class Heard:
    """One engine's trials in one study, and all that is measured on them."""

    def __init__(self, result: Result, engine: str) -> None:
        self.plan, self.engine = result.plan, engine
        # Answers by one are not independent: for a machine one voice's calls, for people one listener's.
        self.cluster = LISTENER if engine == PEOPLE else "speaker"
        self._mine = result.trials.filter(pl.col("engine") == engine)

    @cached_property
    def calls(self) -> pl.DataFrame:
        """One row a call, in order of its sound."""
        return self._mine.filter(pl.col("kind") == CALL).select(_CALL_COLUMNS).sort("sound", LISTENER).collect()

    @cached_property
    def negatives(self) -> pl.DataFrame:
        """One row a piece without a call; failed ones left out."""
        columns = ("sound", "noise", "snr_db", "radio", "room", "seconds", "false_alerts", "false_partly")
        whole = self._mine.filter((pl.col("kind") == NEGATIVE) & pl.col("failed").is_null())
        return whole.select(columns).sort("sound").collect()

    @cached_property
    def failures(self) -> pl.DataFrame:
        """reason, trials."""
        failed = self._mine.filter(pl.col("failed").is_not_null()).group_by(reason="failed").agg(trials=pl.len())
        return failed.sort("trials", "reason", descending=[True, False]).collect()

    @property
    def hours(self) -> float:
        """Hours of sound without calls, over which false alerts are counted."""
        return float(self.negatives["seconds"].sum()) / 3600

    def found(self, rule: str = "found", **where: Any) -> Share:
        """Share of calls found. rule: "found" (all repeats) or "partly" (all but one count too)."""
        rows = select(self.calls, where)
        return Share(int(rows[rule].sum()), rows.height)

    def missed(self, rule: str = "found", **where: Any) -> Share:
        """Share of calls missed: what found leaves of the same calls."""
        share = self.found(rule, **where)
        return Share(share.n - share.k, share.n)

    def false_alerts(self, rule: str = "found", **where: Any) -> Rate:
        """False alerts in the negatives; with "partly" the partly heard calls count too."""
        rows = select(self.negatives, where)
        count = int(rows["false_alerts"].sum()) + (int(rows["false_partly"].sum()) if rule == "partly" else 0)
        return Rate(count, float(rows["seconds"].sum()) / 3600)

    def curve(self, **where: Any) -> Fit | None:
        """The psychometric curve over SNR (calls without noise left out)."""
        rows = select(self.calls, where).filter(pl.col("snr_db").is_not_null())
        rng = np.random.default_rng(self.plan.seed)
        if not rows.height:
            return None
        return fit(
            rows["snr_db"].to_numpy(), rows["found"].to_numpy(), rows[self.cluster].to_numpy(), self.plan.resamples, rng
        )

    @cached_property
    def false_scores(self) -> np.ndarray:
        """Log-odds of every candidate in the negatives, whatever the level."""
        rows = self._mine.filter((pl.col("kind") == NEGATIVE) & pl.col("failed").is_null())
        peaks = rows.select(pl.col("peaks")).explode("peaks").drop_nulls()
        return peaks.select(pl.col("peaks").struct.field("log_odds")).collect()["log_odds"].to_numpy()

    def det(self, **where: Any) -> Det | None:
        """Trade-off of these calls against all negatives; None without either, and of people: a press has no score."""
        rows = select(self.calls, where)
        if not rows.height or self.hours <= 0 or self.engine == PEOPLE:
            return None
        scores = rows["score"].fill_null(float("-inf")).to_numpy()
        return det(scores, self.false_scores, self.hours * 3600)

    def values(self) -> dict[str, float]:
        """Term-weighted values, equal error, and the miss at stated false-alarm rates; {} without negatives."""
        curve = self.det()
        if curve is None:
            return {}
        best, _ = max_twv(curve)
        alarms = self.false_alerts().count
        actual = float(twv(self.missed().value, alarms / (self.hours * 3600)))
        rates = {f"miss_at_{rate:g}_per_h": miss_at(curve, self.hours, rate) for rate in BUDGET_PER_HOUR}
        return {"actual_twv": actual, "max_twv": best, "equal_error": equal_error(curve), **rates}

    @cached_property
    def told(self) -> pl.DataFrame:
        """confidence, right, of every alert and candidate that people could be told; what has no confidence is left out."""
        told = self._mine.select(pl.col("told")).explode("told").drop_nulls().unnest("told")
        sure = (pl.col("kind") != "partly_heard") & pl.col("confidence").is_not_null()
        return told.filter(sure).select("kind", "confidence", "right").collect()

    def reliability(self) -> tuple[list[Bin], float, float]:
        """Bins of confidence, expected calibration error, Brier score."""
        p, y = self.told["confidence"].to_numpy(), self.told["right"].to_numpy()
        bins = reliability(p, y) if p.size else []
        return bins, expected_calibration_error(bins), brier(p, y)

    def delays(self, **where: Any) -> np.ndarray:
        """Seconds from the end of the call to its alert, sorted."""
        return np.sort(select(self.calls, where)["delay_s"].drop_nulls().to_numpy())


def select(rows: pl.DataFrame, where: dict[str, Any]) -> pl.DataFrame:
    """Rows in which each named column has the value (None: has none)."""
    for column, value in where.items():
        rows = rows.filter(pl.col(column).is_null() if value is None else pl.col(column) == value)
    return rows


def paired(one: Heard, other: Heard, **where: Any) -> Paired:
    """The same calls heard by two engines. Raises ValueError when they are not the same calls.

    People: the calls that somebody heard, each once, by one of its listeners (whose random name comes first).
    """
    a, b = select(one.calls, where), select(other.calls, where)
    if PEOPLE in (one.engine, other.engine):
        a, b = (rows.unique("sound", keep="first", maintain_order=True) for rows in (a, b))
        a, b = a.join(b, on="sound", how="semi").sort("sound"), b.join(a, on="sound", how="semi").sort("sound")
    if not a["sound"].equals(b["sound"]):
        raise ValueError("the engines did not hear the same calls")
    return mcnemar(a["found"].to_numpy(), b["found"].to_numpy())


def ratios(rows: pl.DataFrame) -> list[float | None]:
    """The SNRs, ascending, without noise last."""
    values = rows["snr_db"].unique().to_list()
    return sorted(v for v in values if v is not None) + ([None] if None in values else [])


# --- tables ----------------------------------------------------------------------------------------


def miss_table(heard: Sequence[Heard]) -> pl.DataFrame:
    """One row an engine and condition, with intervals and predicted intelligibility."""
    rows = []
    keys = ("phrase", "noise", "snr_db", "radio", "room")
    for one in heard:
        groups = one.calls.group_by(keys, maintain_order=True).agg(
            n=pl.len(), k=pl.col("found").sum(), partly=pl.col("partly").sum(),
            sii=pl.col("sii").mean(), sti=pl.col("sti").mean(),
            failed=pl.col("failed").is_not_null().sum(), delay=pl.col("delay_s").median(),
        )  # fmt: skip
        for g in groups.iter_rows(named=True):
            missed = Share(g["n"] - g["k"], g["n"])
            low, high = missed.interval
            rows.append({"engine": one.engine, **{k: g[k] for k in keys}, "calls": g["n"], "missed": missed.k,
                         "miss": missed.value, "miss_low": low, "miss_high": high,
                         "miss_2_of_3": 1 - g["partly"] / g["n"], "median_delay_s": g["delay"], "sii": g["sii"],
                         "sti": g["sti"], "failed": g["failed"]})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def false_alarm_table(heard: Sequence[Heard]) -> pl.DataFrame:
    """One row an engine and condition of the negatives, and one for all together."""
    rows = []
    keys = ("noise", "snr_db", "radio", "room")
    for one in heard:
        conditions = one.negatives.select(keys).unique(maintain_order=True).iter_rows(named=True)
        for where in [{}, *conditions]:
            for rule, name in (("found", "alerts"), ("partly", "alerts and partly heard")):
                rate = one.false_alerts(rule, **where)
                low, high = rate.interval
                place = {key: where.get(key) if where else None for key in keys}
                rows.append({"engine": one.engine, "what": name, "condition": "one" if where else "all",
                             **place, "hours": rate.hours,
                             "false": rate.count, "per_hour": rate.value, "low": low, "high": high})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def summary_table(heard: Sequence[Heard]) -> pl.DataFrame:
    """One row an engine: everything in single numbers."""
    rows = []
    for one in heard:
        missed, missed_2 = one.missed(), one.missed("partly")
        fitted, delays = one.curve(), one.delays()
        _, ece, score = one.reliability()
        row: dict[str, Any] = {"engine": one.engine, "calls": missed.n, "miss": missed.value,
                               "miss_low": missed.interval[0], "miss_high": missed.interval[1],
                               "miss_2_of_3": missed_2.value}  # fmt: skip
        if one.hours:
            rate = one.false_alerts()
            row |= {"negative_hours": rate.hours, "false_per_hour": rate.value, "false_low": rate.interval[0],
                    "false_high": rate.interval[1], "false_2_of_3_per_hour": one.false_alerts("partly").value}  # fmt: skip
        row |= one.values()
        row |= {
            "srt_db": fitted.curve.srt_db if fitted else None,
            "srt_low": fitted.srt_db[0] if fitted and fitted.srt_db else None,
            "srt_high": fitted.srt_db[1] if fitted and fitted.srt_db else None,
            "slope_per_db": fitted.curve.slope_per_db if fitted else None,
            "slope_low": fitted.slope_per_db[0] if fitted and fitted.slope_per_db else None,
            "slope_high": fitted.slope_per_db[1] if fitted and fitted.slope_per_db else None,
            "median_delay_s": float(np.median(delays)) if delays.size else None,
            "p95_delay_s": float(np.quantile(delays, 0.95)) if delays.size else None,
            "ece": ece, "brier": score,
            "failed": int(one.failures["trials"].sum()) if one.failures.height else 0,
        }  # fmt: skip
        rows.append(row)
    return pl.DataFrame(rows, infer_schema_length=None)


