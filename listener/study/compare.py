"""Two results side by side, with the intervals of their differences: a page and a table.

Where both heard the same calls (same plan, speech and noise) the difference is paired, else it is that
of two independent samples.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from listener.atomic_write import own_folder, write_page
from listener.errors import UserError
from listener.score.interval import holm
from listener.score.metrics import Rate, Share, difference_interval
from listener.study import plots
from listener.study.report import Plot, Table, table
from listener.study.results import EngineResult, Result, load_result, paired, ratios
from listener.tell.cautions import STUDY
from listener.tell.html import page

MISSED = "calls missed"


def compare(a: Path, b: Path, out: Path) -> tuple[Path, pl.DataFrame]:
    """Compare the results in folders a and b; writes out/compare.html and its table.

    Engines of the same name are compared; with one engine each, those two. Raises UserError when there
    is nothing to compare, or not yet.
    """
    first, second = load_result(a), load_result(b)
    pairs = _pairs(first, second)
    for result in (first, second):
        if result.missing()[0]:
            raise UserError(f"{result.folder}: is not finished; run the study to its end first")
    same = _same_sounds(first, second)
    own_folder(out, known_by=("compare.html",))
    frame = pl.concat([difference_table(x, y, same) for x, y in pairs], how="vertical_relaxed")
    text = page(
        "listener.study", "report.html",
        title=f"A: {first.plan.name}. B: {second.plan.name}",
        about=f"A is the result in {a.name}, B the one in {b.name}. {_what_differs(first, second)} {_how(same)}",
        cautions=STUDY,
        warnings=[] if same else ["A and B did not hear the same sounds: their differences may come from the sounds."],
        plots=tuple(_plots(pairs, frame)), tables=(_table(frame, out),), clips=[], methods=[_how(same)],
        facts=[(f"{key} of {name}", value) for name, result in (("A", first), ("B", second))
               for key, value in _facts(result).items()], plan="",
    )  # fmt: skip
    write_page(out / "compare.html", text)
    return out / "compare.html", frame


def _facts(result: Result) -> dict[str, str]:
    """What a result rests on, by the names that a reader knows."""
    lock = result.lock
    return {
        "plan": lock["plan_sha256"], "speech and noise": lock["bank_sha256"], "program": lock["code_sha256"],
        **{f"model of {name}": value for name, value in lock["models_sha256"].items()},
        "versions": ", ".join(f"{k} {v}" for k, v in lock["versions"].items()),
    }  # fmt: skip


def _what_differs(first: Result, second: Result) -> str:
    """One sentence: in what the two studies differ."""
    one, other = ({**_facts(r), **_settings(r)} for r in (first, second))
    if one["plan"] != other["plan"] and any(one.get(k) != other.get(k) for k in _settings(first) | _settings(second)):
        del one["plan"]  # its parts are named
    differs = [key for key in one | other if one.get(key) != other.get(key) and (key in one) == (key in other)]
    return f"They differ in: {', '.join(differs)}." if differs else "They differ in nothing."


def _settings(result: Result) -> dict[str, str]:
    """The plan's parts, each as text."""
    plan = result.plan.model_dump(mode="json", exclude={"name", "about", "engines", "resamples", "measures"})
    engines = {f"settings of {name}": str(values) for name, values in result.plan.engines.items()}
    return {**{key: str(value) for key, value in plan.items()}, **engines}


def difference_table(a: EngineResult, b: EngineResult, same: bool) -> pl.DataFrame:
    """measure, condition, A, B, B - A with its 95 % interval, and p where the calls are the same."""
    rows: list[dict[str, Any]] = []
    common = [r for r in ratios(a.calls) if r in ratios(b.calls)]
    places: list[tuple[dict[str, Any], str]] = [({}, "all")]
    places += [({"snr_db": r}, "quiet" if r is None else f"{r:g} dB") for r in common]
    for where, name in places:
        rows.append(_row(MISSED, name, a, b, a.missed(**where), b.missed(**where)))
        if same:
            pair = paired(a, b, **where)
            low, high = pair.interval  # of found; missed is its mirror
            rows[-1] |= {"low": -high, "high": -low, "p": pair.p}
        rows.append(_row("missed, 2 of 3 enough", name, a, b, a.missed("partly", **where), b.missed("partly", **where)))
    if a.hours and b.hours:
        rows.append(_row("false alerts per hour", "all", a, b, a.false_alerts(), b.false_alerts()))
    if same:
        each = [row for row in rows if row["measure"] == MISSED and row["condition"] != "all"]
        for row, p in zip(each, holm([row["p"] for row in each])):
            row["p_holm"] = p
    rows += _srt_rows(a, b, same)
    return pl.DataFrame(rows, schema={"measure": pl.String, "condition": pl.String, "engine_a": pl.String,
                                      "engine_b": pl.String, "a": pl.Float64, "b": pl.Float64, "b_less_a": pl.Float64,
                                      "low": pl.Float64, "high": pl.Float64, "p": pl.Float64,
                                      "p_holm": pl.Float64})  # fmt: skip


def _row(measure: str, condition: str, a: EngineResult, b: EngineResult, x: Share | Rate, y: Share | Rate) -> dict[str, Any]:
    low, high = difference_interval(y, x)
    return {"measure": measure, "condition": condition, "engine_a": a.engine, "engine_b": b.engine, "a": x.value,
            "b": y.value, "b_less_a": y.value - x.value, "low": low, "high": high, "p": None, "p_holm": None}  # fmt: skip


def _srt_rows(a: EngineResult, b: EngineResult, same: bool) -> Iterable[dict[str, Any]]:
    """The SRTs' difference; its interval from both's own (wider than a paired one would be)."""
    one, other = a.curve(), b.curve()
    if not one or not other:
        return
    difference = other.curve.srt_db - one.curve.srt_db
    low = high = None
    if one.srt_db and other.srt_db:
        reach = float(np.hypot((one.srt_db[1] - one.srt_db[0]) / 2, (other.srt_db[1] - other.srt_db[0]) / 2))
        low, high = difference - reach, difference + reach
    yield {"measure": "SRT, dB", "condition": "all", "engine_a": a.engine, "engine_b": b.engine, "a": one.curve.srt_db,
           "b": other.curve.srt_db, "b_less_a": difference, "low": low, "high": high, "p": None, "p_holm": None}  # fmt: skip


def _pairs(first: Result, second: Result) -> list[tuple[EngineResult, EngineResult]]:
    names = [name for name in first.engines if name in second.engines]
    if names:
        return [(first.of(name), second.of(name)) for name in names]
    if len(first.engines) == len(second.engines) == 1:
        return [(first.of(first.engines[0]), second.of(second.engines[0]))]
    raise UserError(f"{first.folder} has the engines {', '.join(first.engines)}, {second.folder} has "
                    f"{', '.join(second.engines)}: none of the same name to compare")  # fmt: skip


def _same_sounds(first: Result, second: Result) -> bool:
    """Whether both heard the same calls: the plans differ in nothing that changes a sound, nor do the banks."""
    other = {"name", "about", "engines", "measures", "resamples", "speech"}
    parts = [result.plan.model_dump(exclude=other) for result in (first, second)]
    for part in parts:
        part["negatives"] = {k: v for k, v in part["negatives"].items() if k != "recordings"}
        part["noises"] = [n if isinstance(n, str) else n["name"] for n in part["noises"]]
    return parts[0] == parts[1] and first.lock["bank_sha256"] == second.lock["bank_sha256"]


def _how(same: bool) -> str:
    if same:
        return ("Both heard the same sounds: missed calls are compared call by call (Newcombe's paired interval, with "
                "what the calls are worth by speaker; p is McNemar's or that by speaker, whichever is more, and p (Holm) "
                "takes all SNRs together); the other intervals come from both's own.")  # fmt: skip
    return "Differences are of two independent samples (Newcombe's interval; its like for rates)."


def _plots(pairs: list[tuple[EngineResult, EngineResult]], frame: pl.DataFrame) -> Iterable[Plot]:
    caption = (
        "B less A: left of the line B misses fewer. Bars are 95 % intervals; one that does not touch the line is a "
        "difference."
    )
    yield Plot("Differences in calls missed", plots.differences(frame.filter(pl.col("measure") == MISSED)), caption, wide=True)
    for a, b in pairs:
        both = [a.named(f"A {a.engine}"), b.named(f"B {b.engine}")]
        what = a.engine if a.engine == b.engine else f"{a.engine} and {b.engine}"
        points = "Points with 95 % Wilson intervals, by speaker."
        yield Plot(f"{what}: missed calls against noise", plots.miss_by_snr(both), points, wide=True)
        if a.hours and b.hours:
            yield Plot(f"{what}: misses against false alarms", plots.trade_off(both), "Lower left is better.")
        yield Plot(f"{what}: delay", plots.delay(both), "From the end of the call.")


def _table(frame: pl.DataFrame, out: Path) -> Table:
    rows = [_shown(row) for row in frame.iter_rows(named=True)]
    caption = "B less A. A difference whose interval holds 0 may be chance."
    return table("Differences", caption, "differences.csv", frame, folder=out, shown=pl.DataFrame(rows))


def _shown(row: dict[str, Any]) -> dict[str, str]:
    """A row of differences in its own units."""
    share = "missed" in row["measure"]

    def text(value: float | None, sign: str = "") -> str:
        return "–" if value is None or value != value else f"{value:{sign}.1%}" if share else f"{value:{sign}.2f}"

    engine = row["engine_a"] if row["engine_a"] == row["engine_b"] else f"{row['engine_a']}, {row['engine_b']}"
    between = "–" if row["low"] is None else f"{text(row['low'], '+')} to {text(row['high'], '+')}"
    return {"engine": engine, "measure": row["measure"], "at": row["condition"], "A": text(row["a"]), "B": text(row["b"]),
            "B less A": text(row["b_less_a"], "+"), "95 % interval": between,
            "p": "" if row["p"] is None else f"{row['p']:.2g}",
            "p (Holm)": "" if row["p_holm"] is None else f"{row['p_holm']:.2g}"}  # fmt: skip
