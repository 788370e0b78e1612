"""What a report prints as tables (polars): one row a condition, an engine, or a pair of engines."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from listener.score.interval import holm
from listener.study.results import EngineResult, paired, ratios


def miss_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row an engine and condition, with intervals and predicted intelligibility."""
    rows = []
    keys = ("phrase", "noise", "snr_db", "radio", "room")
    for one in heard:
        groups = one.calls.group_by(keys, maintain_order=True).agg(
            n=pl.len(), partly=pl.col("partly").sum(),
            sii=pl.col("sii").mean(), sti=pl.col("sti").mean(), call=pl.col("snr_call_db").mean(),
            heard=pl.col("snr_heard_db").mean(),
            failed=pl.col("failed").is_not_null().sum(), delay=pl.col("delay_s").median(),
        )  # fmt: skip
        for g in groups.iter_rows(named=True):
            missed = one.missed(**{k: g[k] for k in keys})
            low, high = missed.interval
            rows.append({"engine": one.engine, **{k: g[k] for k in keys}, "calls": g["n"], "missed": missed.k,
                         "miss": missed.value, "miss_low": low, "miss_high": high,
                         "worth_calls": missed.worth.effective(missed.n), "miss_2_of_3": 1 - g["partly"] / g["n"],
                         "median_delay_s": g["delay"], "snr_call_db": g["call"],
                         "snr_heard_db": g["heard"], "sii": g["sii"], "sti": g["sti"], "failed": g["failed"]})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def false_alarm_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row an engine and condition of the negatives, and one for all together."""
    rows = []
    keys = ("noise", "snr_db", "radio", "room")
    for one in heard:
        conditions = one.negatives.select(keys).unique(maintain_order=True).iter_rows(named=True)
        none = dict.fromkeys(keys)
        whole = [("alerts", "all", none, one.false_alerts())]
        whole += [("alerts and partly heard", "all", none, one.false_alerts("partly"))]
        whole += [("alerts", f"{name} lines", none, one.on_lines(hard)) for name, hard in (("hard", True), ("other", False))]
        whole += [(what, "one", where, one.false_alerts(rule, **where)) for where in conditions
                  for rule, what in (("found", "alerts"), ("partly", "alerts and partly heard"))]  # fmt: skip
        for what, condition, where, rate in whole:
            low, high = rate.interval
            rows.append({"engine": one.engine, "what": what, "condition": condition, **where, "hours": rate.hours,
                         "false": rate.count, "per_hour": rate.value, "low": low, "high": high})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def line_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row for each line on which an engine gave a false alert."""
    mine = [one.lines.filter(pl.col("alerts") > 0).select(pl.lit(one.engine).alias("engine"), "text", "speaker", "source",
                                                          "hard", "alerts", "times") for one in heard]  # fmt: skip
    return pl.concat(mine).sort("engine", "alerts", "text", descending=[False, True, False])


def srt_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row an engine: all its calls, then by noise, then by radio; the SRT beside its lapse and the quiet misses."""
    rows: list[dict[str, Any]] = []
    for one in heard:
        plan = one.plan
        places: list[tuple[str, dict[str, Any]]] = [("all", {})]
        if len(plan.noises) > 1:
            places += [(noise, {"noise": noise}) for noise in plan.noise_names()]
        if len(plan.radios) > 1:
            places += [(radio, {"radio": radio}) for radio in plan.radios]
        for name, where in places:
            fitted, fit = one.curve(**where), one.misfit(**where)
            quiet = one.missed(**{key: value for key, value in where.items() if key != "noise"}, snr_db=None)
            low, high = fitted.srt_db if fitted and fitted.srt_db else (None, None)
            rows.append({"engine": one.engine, "calls_in": name, "srt_db": fitted.curve.srt_db if fitted else None,
                         "srt_low": low, "srt_high": high, "lapse": fitted.curve.lapse if fitted else None,
                         "missed_quiet": f"{quiet.k} of {quiet.n}" if quiet.n else None,
                         "slope_per_db": fitted.curve.slope_per_db if fitted else None,
                         "chi_square": fit[0] if fit else None, "freedom": fit[1] if fit else None,
                         "fit_p": fit[2] if fit else None})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def downloads(heard: Sequence[EngineResult]) -> list[tuple[str, str, pl.DataFrame]]:
    """What the plots are drawn from, as (title, file, frame): curves, trade-off, reliability, delays."""
    curves: list[dict[str, Any]] = []
    trade, bins, delays = [], [], []
    for one in heard:
        levels = [r for r in ratios(one.calls) if r is not None]
        for name, where in [("all", {}), *((noise, {"noise": noise}) for noise in one.plan.noise_names())]:
            fitted = one.curve(**where)
            if fitted and levels:
                x = np.arange(min(levels) - 1, max(levels) + 1.01, 0.5)
                curves += [{"engine": one.engine, "calls_in": name, "snr_db": float(a), "missed": float(1 - b)}
                           for a, b in zip(x, fitted.curve.found(x))]  # fmt: skip
        if curve := one.det():
            columns = zip(curve.levels, curve.p_miss, curve.false_alarms)
            trade += [{"engine": one.engine, "level_log_odds": float(v) if np.isfinite(v) else None, "miss": float(m),
                       "false_alarms": int(f), "per_hour": float(f) / one.hours} for v, m, f in columns]  # fmt: skip
        bins += [{"engine": one.engine, "from": b.low, "to": b.high, "mean_confidence": b.mean, "right": b.right.k,
                  "told": b.right.n, "low": b.right.interval[0], "high": b.right.interval[1]}
                 for b in one.reliability()[0]]  # fmt: skip
        delays += [{"engine": one.engine, "delay_s": float(v)} for v in one.delays()]
    found = (("curves", "curves.csv", curves), ("trade-off", "trade_off.csv", trade), ("reliability", "reliability.csv", bins),
             ("delays", "delays.csv", delays))  # fmt: skip
    return [(title, file, pl.DataFrame(rows, infer_schema_length=None)) for title, file, rows in found if rows]


def summary_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
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
            row |= {"negative_hours": rate.hours, "unique_talk_minutes": float(one.lines["seconds"].sum()) / 60,
                    "false_alerts": rate.count, "on_lines": one.lines.filter(pl.col("alerts") > 0).height,
                    "false_per_hour": rate.value, "false_low": rate.interval[0],
                    "false_high": rate.interval[1], "false_2_of_3_per_hour": one.false_alerts("partly").value}  # fmt: skip
        row |= one.values()
        row |= {
            "srt_db": fitted.curve.srt_db if fitted else None,
            "srt_low": fitted.srt_db[0] if fitted and fitted.srt_db else None,
            "srt_high": fitted.srt_db[1] if fitted and fitted.srt_db else None,
            "lapse": fitted.curve.lapse if fitted else None,
            "miss_quiet": one.missed(snr_db=None).value,
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


def pair_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """Every two engines, at each SNR and over all."""
    rows = []
    for i, one in enumerate(heard):
        for other in heard[i + 1 :]:
            places: list[tuple[dict[str, Any], str]] = [({}, "all")]
            places += [({"snr_db": r}, "quiet" if r is None else f"{r:g} dB") for r in ratios(one.calls)]
            pairs = [(where, name, paired(one, other, **where)) for where, name in places]
            pairs = [pair for pair in pairs if pair[2].n]  # nobody has heard the others yet
            adjusted = iter(holm([p.p for where, _, p in pairs if where]))
            for where, name, p in pairs:
                low, high = p.interval
                rows.append({"first": one.engine, "second": other.engine, "snr": name, "calls": p.n, "both_found": p.both,
                             "first_only": p.only_a, "second_only": p.only_b, "neither": p.neither,
                             "difference": p.difference, "difference_low": low, "difference_high": high, "p": p.p,
                             "p_holm": next(adjusted) if where else None})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)
