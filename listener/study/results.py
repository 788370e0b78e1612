"""From rows to measures: what a report and a comparison show, as plain tables (polars) and values.

A failed call counts as missed, never as heard; a failed negative adds no hours. Every share knows whose calls
it rests on.
"""

import json
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from listener.score.interval import Worth, paired_worth, rate_worth, share_worth
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
from listener.score.psychometric import Fit, fit, misfit
from listener.study.design import CALL, NEGATIVE, Design, Slot, speaker_of
from listener.study.lock import read_lock
from listener.study.people.rows import LISTENER, PEOPLE, people_frame
from listener.study.plan import PLAN, Plan, plan_from
from listener.study.table import read_imported, read_trials
from listener.yaml_file import read_yaml

BUDGET_PER_HOUR = (0.1, 0.5, 1.0, 5.0)
_CALL_COLUMNS = ("sound", "engine", "phrase", "noise", "snr_db", "radio", "room", "speaker", "found", "partly", "score",
                 "delay_s", "sii", "sti", "failed", "false_alerts", "words", "snr_call_db",
                 "snr_heard_db", "position", "position_heard", "caller", "caller_heard", LISTENER)  # fmt: skip


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
    others: tuple[str, ...] = ()
    """Other systems that were scored on the same sounds (see `imported`)."""

    def missing(self) -> tuple[int, int]:
        """How many trials are not there yet, and how many there will be."""
        whole = len(Design(self.plan))
        own = self.trials.filter(pl.col("engine").is_in(list(self.plan.engines)))
        return whole - own.select(pl.len()).collect().item(), whole

    def left_out(self) -> dict[str, tuple[int, int]]:
        """Phrase -> (speakers who make no call of it, all who say it); {} when everybody does, or the bank is not there."""
        try:
            clips = json.loads((self.folder / "bank.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        design, out = Design(self.plan), {}
        conditions = {slot.condition for slot in map(design.slot, range(design.negative_count, design.sounds))}
        for phrase in self.plan.phrases:
            who = sorted({c["speaker"] for c in clips if c["role"] in ("word", "call") and c["text"] == phrase.words})
            mine = [c for c in conditions if c.phrase == phrase.words]
            used = {speaker_of(self.plan, Slot(c, n), tuple(who)) for c in mine for n in range(min(self.plan.trials, len(who)))}
            if len(used) < len(who):
                out[phrase.words] = len(who) - len(used), len(who)
        return out

    @property
    def engines(self) -> tuple[str, ...]:
        """Names of the engines, in the plan's order; then of other systems, then people, if any listened."""
        return (*self.plan.engines, *self.others, *((PEOPLE,) if self.has_people else ()))

    def of(self, engine: str) -> "EngineResult":
        """What one engine did."""
        return EngineResult(self, engine)


def load_result(folder: Path) -> Result:
    """Raises UserError where no study's trials lie."""
    lock = read_lock(folder)
    data = read_yaml(folder / PLAN, "the study plan")
    people, others = people_frame(folder, lock), read_imported(folder)
    machines = [rows.with_columns(pl.lit("").alias(LISTENER)) for rows in (read_trials(folder), *others.values())]
    trials = pl.concat([*machines, people.lazy()], how="vertical_relaxed")
    return Result(folder, plan_from(data, str(folder / PLAN)), lock, trials, people.height > 0, tuple(others))


class EngineResult:
    """One engine's trials in one study, and all that is measured on them."""

    def __init__(self, result: Result, engine: str) -> None:
        self.plan, self.engine = result.plan, engine
        # Answers by one are not independent: for a machine one voice's calls, for people one listener's.
        self.cluster = LISTENER if engine == PEOPLE else "speaker"
        self._mine = result.trials.filter(pl.col("engine") == engine)

    def named(self, name: str) -> "EngineResult":
        """The same under another name, for a plot of two results."""
        other = copy(self)
        other.engine = name
        return other

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

    def all_rows(self) -> list[dict[str, Any]]:
        """All rows, in order of the sound."""
        return self._mine.sort("sound").collect().to_dicts()

    def rows(self, sounds: Sequence[int]) -> list[dict[str, Any]]:
        """The whole rows of these sounds, in order of the sound."""
        return self._mine.filter(pl.col("sound").is_in(list(sounds))).sort("sound").collect().to_dicts()

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
        return Share(int(rows[rule].sum()), rows.height, self._worth(rule, where))

    def _worth(self, rule: str, where: dict[str, Any]) -> Worth:
        """What the calls are worth: by speaker; for one SNR from all SNRs, each a stratum."""
        key = rule, tuple(where.items())
        if key not in self._worths:
            rows = select(self.calls, {k: v for k, v in where.items() if k != "snr_db"})
            at = rows["snr_db"].fill_null(float("inf")).to_numpy() if "snr_db" in where else None
            speakers = rows[self.cluster].to_numpy()
            self._worths[key] = share_worth(rows[rule].to_numpy(), speakers, at) if rows.height else Worth()
        return self._worths[key]

    @cached_property
    def _worths(self) -> dict[Any, Worth]:
        return {}

    def missed(self, rule: str = "found", **where: Any) -> Share:
        """Share of calls missed: what found leaves of the same calls."""
        share = self.found(rule, **where)
        return Share(share.n - share.k, share.n, share.worth)

    def false_alerts(self, rule: str = "found", **where: Any) -> Rate:
        """False alerts in the negatives; with "partly" the partly heard calls count too."""
        rows = select(self.negatives, where)
        count = int(rows["false_alerts"].sum()) + (int(rows["false_partly"].sum()) if rule == "partly" else 0)
        return Rate(count, float(rows["seconds"].sum()) / 3600, self._line_worth)

    @cached_property
    def said(self) -> pl.DataFrame:
        """One row for each line said in the negatives: sound, line (its place there), text, speaker, source, hard,
        seconds, alerts (false ones on it).
        """
        mine = self._mine.filter((pl.col("kind") == NEGATIVE) & pl.col("failed").is_null())
        rows = mine.select("sound", "lines", "told").sort("sound").collect()
        said = rows.select("sound", "lines").explode("lines").drop_nulls().unnest("lines")
        said = said.with_columns(line=pl.int_range(pl.len()).over("sound"), seconds=pl.col("end_s") - pl.col("start_s"))
        told = rows.select("sound", "told").explode("told").drop_nulls().unnest("told")
        told = told.filter((pl.col("kind") == "alert") & ~pl.col("right"))
        alerts = told.group_by("sound", "line").agg(alerts=pl.len())
        both = said.join(alerts, on=["sound", "line"], how="left", maintain_order="left")
        return both.with_columns(pl.col("alerts").fill_null(0))

    @cached_property
    def lines(self) -> pl.DataFrame:
        """One row for each different line: text, speaker, source, hard, seconds (of it), times (said), alerts."""
        return self.said.group_by("text", "speaker", "source", maintain_order=True).agg(
            pl.col("hard").first(), pl.col("seconds").first(), times=pl.len(), alerts=pl.col("alerts").sum()
        )

    def on_lines(self, hard: bool) -> Rate:
        """False alerts on hard lines, or on the others, in hours of such talk (pauses left out)."""
        rows = self.said.filter(pl.col("hard") == hard)
        return Rate(int(rows["alerts"].sum()), float(rows["seconds"].sum()) / 3600, self._line_worth)

    @cached_property
    def _line_worth(self) -> Worth:
        """What false alerts are worth: the same words bring them again, whoever says them and in whatever noise."""
        name = pl.when(pl.col("text") != "").then(pl.col("text")).otherwise(pl.col("source"))
        by_text = self.said.group_by(name.alias("name")).agg(pl.col("alerts").sum(), pl.col("seconds").sum())
        return rate_worth(by_text["alerts"].to_numpy(), by_text["seconds"].to_numpy())

    def curve(self, **where: Any) -> Fit | None:
        """The psychometric curve over SNR (calls without noise left out)."""
        rows = select(self.calls, where).filter(pl.col("snr_db").is_not_null())
        key = tuple(where.items())
        if key not in self._curves:
            rng = np.random.default_rng(self.plan.seed)
            at, found, who = (rows[name].to_numpy() for name in ("snr_db", "found", self.cluster))
            self._curves[key] = fit(at, found, who, self.plan.resamples, rng) if rows.height else None
        return self._curves[key]

    @cached_property
    def _curves(self) -> dict[Any, Fit | None]:
        return {}

    def misfit(self, **where: Any) -> tuple[float, int, float] | None:
        """Chi-square, degrees of freedom and p of the fitted curve against the shares."""
        fitted = self.curve(**where)
        if fitted is None:
            return None
        rows = select(self.calls, where).filter(pl.col("snr_db").is_not_null())
        at, found = rows["snr_db"].to_numpy(), rows["found"].to_numpy()
        return misfit(fitted.curve, at, found, share_worth(found, rows[self.cluster].to_numpy(), at).design_effect)

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

    def values(self) -> dict[str, float | None]:
        """Term-weighted values, equal error, and the miss at stated false-alarm rates; {} without negatives."""
        curve = self.det()
        if curve is None:
            return {}
        best, _ = max_twv(curve)
        alarms = self.false_alerts().count
        actual = float(twv(self.missed().value, alarms / (self.hours * 3600)))
        # A rate that the hours cannot support is left blank: with none in 3 / rate hours, less can be claimed (rule of three).
        rates: dict[str, float | None] = {
            f"miss_at_{rate:g}_per_h": miss_at(curve, self.hours, rate) if rate * self.hours >= 3 else None
            for rate in BUDGET_PER_HOUR
        }
        return {"actual_twv": actual, "max_twv": best, "equal_error": equal_error(curve), **rates}

    @cached_property
    def told(self) -> pl.DataFrame:
        """confidence, right, whose, of every alert and candidate that people could be told; without a confidence: left out."""
        whose = pl.when(pl.col("speaker") != "").then(pl.col("speaker")).otherwise(pl.format("piece {}", "sound"))
        told = self._mine.select(pl.col("told"), whose.alias("whose")).explode("told").drop_nulls().unnest("told")
        sure = (pl.col("kind") != "partly_heard") & pl.col("confidence").is_not_null()
        return told.filter(sure).select("kind", "confidence", "right", "whose").collect()

    def reliability(self) -> tuple[list[Bin], float, float]:
        """Bins of confidence, expected calibration error, Brier score."""
        p, y = self.told["confidence"].to_numpy(), self.told["right"].to_numpy()
        bins = reliability(p, y, self.told["whose"].to_numpy()) if p.size else []
        return bins, expected_calibration_error(bins), brier(p, y)

    def delays(self, **where: Any) -> np.ndarray:
        """Seconds from the end of the call to its alert, sorted."""
        return np.sort(select(self.calls, where)["delay_s"].drop_nulls().to_numpy())


def select(rows: pl.DataFrame, where: dict[str, Any]) -> pl.DataFrame:
    """Rows in which each named column has the value (None: has none)."""
    for column, value in where.items():
        rows = rows.filter(pl.col(column).is_null() if value is None else pl.col(column) == value)
    return rows


def paired(one: EngineResult, other: EngineResult, **where: Any) -> Paired:
    """The same calls heard by two engines. Raises ValueError when they are not the same calls.

    People: the calls that somebody heard, each once, by one of its listeners (whose random name comes first).
    """
    a, b, who = _same_calls(one, other, where)
    worth = None
    if "snr_db" in where:  # the design effect from all SNRs, as for a share
        x, y, whose = _same_calls(one, other, {k: v for k, v in where.items() if k != "snr_db"})
        difference = y["found"].cast(pl.Int8).to_numpy() - x["found"].cast(pl.Int8).to_numpy()
        worth = paired_worth(difference, whose, x["snr_db"].fill_null(float("inf")).to_numpy()) if x.height else None
    return mcnemar(a["found"].to_numpy(), b["found"].to_numpy(), who, worth=worth)


def _same_calls(one: EngineResult, other: EngineResult, where: dict[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame, np.ndarray]:
    """The calls of both in one order, and by whom they hang together: people's by listener, machines' by speaker."""
    a, b = select(one.calls, where), select(other.calls, where)
    if PEOPLE in (one.engine, other.engine):
        a, b = (rows.unique("sound", keep="first", maintain_order=True) for rows in (a, b))
        a, b = a.join(b, on="sound", how="semi").sort("sound"), b.join(a, on="sound", how="semi").sort("sound")
    if not a["sound"].equals(b["sound"]):
        raise ValueError("the engines did not hear the same calls")
    return a, b, (b if other.engine == PEOPLE else a)[other.cluster if other.engine == PEOPLE else one.cluster].to_numpy()


def ratios(rows: pl.DataFrame) -> list[float | None]:
    """The SNRs, ascending, without noise last."""
    values = rows["snr_db"].unique().to_list()
    return sorted(v for v in values if v is not None) + ([None] if None in values else [])
