"""Two results side by side, with the intervals of their differences: a page and a table.

Where both heard the same calls (same plan, speech and noise) the difference is paired, else it is that
of two independent samples.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from listener.errors import UserError
from listener.pages import page
from listener.study import plots
from listener.study.metrics import Rate, Share, difference_interval
from listener.study.report import Plot, Table, table
from listener.study.results import Heard, Result, load_result, paired, ratios
from listener.whole import write_whole


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
    out.mkdir(parents=True, exist_ok=True)
    frame = pl.concat([difference_table(x, y, same) for x, y in pairs], how="vertical_relaxed")
    text = page(
        "listener.study", "report.html",
        title=f"{first.plan.name} (A) and {second.plan.name} (B)", about=f"A: {a.name}. B: {b.name}. {_how(same)}",
        warnings=[] if same else ["A and B did not hear the same sounds: their differences may come from the sounds."],
        plots=tuple(_plots(pairs)), tables=(_table(frame, out),), methods=[_how(same)],
        facts=[(f"{key} of {name}", str(result.lock[key])) for key in ("plan_sha256", "bank_sha256", "code_sha256")
               for name, result in (("A", first), ("B", second))], plan="",
    )  # fmt: skip
    write_whole(out / "compare.html", text)
    return out / "compare.html", frame


def difference_table(a: Heard, b: Heard, same: bool) -> pl.DataFrame:
    """measure, condition, A, B, B - A with its 95 % interval, and p where the calls are the same."""
    rows: list[dict[str, Any]] = []
    common = [r for r in ratios(a.calls) if r in ratios(b.calls)]
    for where, name in [({}, "all"), *(({"snr_db": r}, "quiet" if r is None else f"{r:g} dB") for r in common)]:
        rows.append(_row("calls missed", name, a, b, a.missed(**where), b.missed(**where)))
        if same:
            pair = paired(a, b, **where)
            low, high = pair.interval  # of found; missed is its mirror
            rows[-1] |= {"low": -high, "high": -low, "p": pair.p}
        rows.append(_row("missed, 2 of 3 enough", name, a, b, a.missed("partly", **where), b.missed("partly", **where)))
    if a.hours and b.hours:
        rows.append(_row("false alerts per hour", "all", a, b, a.false_alerts(), b.false_alerts()))
    rows += _srt_rows(a, b, same)
    return pl.DataFrame(rows, schema={"measure": pl.String, "condition": pl.String, "engine_a": pl.String,
                                      "engine_b": pl.String, "a": pl.Float64, "b": pl.Float64, "b_less_a": pl.Float64,
                                      "low": pl.Float64, "high": pl.Float64, "p": pl.Float64})  # fmt: skip


def _row(measure: str, condition: str, a: Heard, b: Heard, x: Share | Rate, y: Share | Rate) -> dict[str, Any]:
    low, high = difference_interval(y, x)
    return {"measure": measure, "condition": condition, "engine_a": a.engine, "engine_b": b.engine, "a": x.value,
            "b": y.value, "b_less_a": y.value - x.value, "low": low, "high": high, "p": None}  # fmt: skip


def _srt_rows(a: Heard, b: Heard, same: bool) -> Iterable[dict[str, Any]]:
    """The SRTs' difference; its interval from both's own (wider than a paired one would be)."""
    one, other = a.curve(), b.curve()
    if not one or not other:
        return
    difference = other.curve.srt_db - one.curve.srt_db
    low = high = None
    if one.srt_db and other.srt_db:
        reach = float(np.hypot(*((i[1] - i[0]) / 2 for i in (one.srt_db, other.srt_db))))
        low, high = difference - reach, difference + reach
    yield {"measure": "SRT, dB", "condition": "all", "engine_a": a.engine, "engine_b": b.engine, "a": one.curve.srt_db,
           "b": other.curve.srt_db, "b_less_a": difference, "low": low, "high": high, "p": None}  # fmt: skip


def _pairs(first: Result, second: Result) -> list[tuple[Heard, Heard]]:
    names = [name for name in first.engines if name in second.engines]
    if names:
        return [(first.of(name), second.of(name)) for name in names]
    if len(first.engines) == len(second.engines) == 1:
        return [(first.of(first.engines[0]), second.of(second.engines[0]))]
    raise UserError(f"{first.folder} has the engines {', '.join(first.engines)}, {second.folder} has "
                    f"{', '.join(second.engines)}: none of the same name to compare")  # fmt: skip


def _same_sounds(first: Result, second: Result) -> bool:
    """Whether both heard the same calls: the plans differ in nothing that changes a sound, nor do the banks."""
    parts = [r.plan.model_dump(exclude={"name", "about", "engines", "measures", "resamples", "speech"}) for r in (first, second)]
    for part in parts:
        part["negatives"] = {k: v for k, v in part["negatives"].items() if k != "recordings"}
        part["noises"] = [n if isinstance(n, str) else n["name"] for n in part["noises"]]
    return parts[0] == parts[1] and first.lock["bank_sha256"] == second.lock["bank_sha256"]


def _how(same: bool) -> str:
    if same:
        return ("Both heard the same sounds: missed calls are compared call by call (Newcombe's paired interval, McNemar's "
                "exact p); the other intervals come from both's own.")  # fmt: skip
    return "Differences are of two independent samples (Newcombe's interval; its like for rates)."


def _plots(pairs: list[tuple[Heard, Heard]]) -> Iterable[Plot]:
    for a, b in pairs:
        both = [_Named(a, f"A {a.engine}"), _Named(b, f"B {b.engine}")]
        yield Plot("Missed calls against noise", plots.miss_by_snr(both), "Points with 95 % Wilson intervals.", wide=True)
        if a.hours and b.hours:
            yield Plot("Misses against false alarms", plots.trade_off(both), "Lower left is better.")
        yield Plot("Delay", plots.delay(both), "From the end of the call.")


class _Named(Heard):
    """The same under another name in a plot."""

    def __init__(self, heard: Heard, name: str) -> None:
        self.__dict__.update(heard.__dict__)
        self.engine = name


def _table(frame: pl.DataFrame, out: Path) -> Table:
    return table("Differences", "B less A, with 95 % intervals.", "differences.csv", frame, folder=out)
