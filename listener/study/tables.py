"""What a report prints as tables (polars): one row a condition, an engine, or a pair of engines."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from listener.score.interval import holm
from listener.study.results import Heard, paired, ratios


def miss_table(heard: Sequence[Heard]) -> pl.DataFrame:
    """One row an engine and condition, with intervals and predicted intelligibility."""
    rows = []
    keys = ("phrase", "noise", "snr_db", "radio", "room")
    for one in heard:
        groups = one.calls.group_by(keys, maintain_order=True).agg(
            n=pl.len(), partly=pl.col("partly").sum(),
            sii=pl.col("sii").mean(), sti=pl.col("sti").mean(),
            failed=pl.col("failed").is_not_null().sum(), delay=pl.col("delay_s").median(),
        )  # fmt: skip
        for g in groups.iter_rows(named=True):
            missed = one.missed(**{k: g[k] for k in keys})
            low, high = missed.interval
            rows.append({"engine": one.engine, **{k: g[k] for k in keys}, "calls": g["n"], "missed": missed.k,
                         "miss": missed.value, "miss_low": low, "miss_high": high,
                         "worth_calls": missed.worth.effective(missed.n), "miss_2_of_3": 1 - g["partly"] / g["n"],
                         "median_delay_s": g["delay"], "sii": g["sii"], "sti": g["sti"], "failed": g["failed"]})  # fmt: skip
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
                               "worth_calls": missed.worth.effective(missed.n),
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


def pair_table(heard: Sequence[Heard]) -> pl.DataFrame:
    """Every two engines, at each SNR and over all."""
    rows = []
    for i, one in enumerate(heard):
        for other in heard[i + 1 :]:
            places: list[tuple[dict[str, Any], str]] = [({}, "all")]
            places += [({"snr_db": r}, "quiet" if r is None else f"{r:g} dB") for r in ratios(one.calls)]
            adjusted = iter(holm([paired(one, other, **where).p for where, _ in places[1:]]))
            for where, name in places:
                p = paired(one, other, **where)
                low, high = p.interval
                rows.append({"first": one.engine, "second": other.engine, "snr": name, "calls": p.n, "both_found": p.both,
                             "first_only": p.only_a, "second_only": p.only_b, "neither": p.neither,
                             "difference": p.difference, "difference_low": low, "difference_high": high, "p": p.p,
                             "p_holm": next(adjusted) if where else None})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)
