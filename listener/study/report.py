"""The report: one HTML file that needs no other, plots first; and its tables as CSV files beside it."""

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
import yaml

from listener.atomic_write import write_page, write_whole, write_whole_with
from listener.errors import UserError
from listener.study import plots
from listener.study.methods import facts, paragraphs
from listener.study.people.rows import LISTENERS, listener_frame, people_frame, who_counts
from listener.study.results import (
    Heard,
    Result,
    false_alarm_table,
    load_result,
    miss_table,
    paired,
    ratios,
    summary_table,
)  # fmt: skip
from listener.tell.cautions import STUDY
from listener.tell.html import page

REPORT = "report.html"
FOLD_ABOVE = 12


@dataclass(frozen=True, slots=True)
class Plot:
    """A drawing for the report: SVG text, its title and caption; wide takes the page's whole width."""

    title: str
    svg: str
    caption: str
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table for people, and as CSV (base64)."""

    title: str
    caption: str
    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...]
    csv: str
    folded: bool


def write_report(folder: Path) -> Path:
    """Write report.html and tables/*.csv for the result in `folder`; gives the report's path.

    A study under way is reported as far as it is, which the page says first. Raises UserError where there is no call yet.
    """
    result = load_result(folder)
    heard = [result.of(engine) for engine in result.engines]
    if not heard[0].calls.height:
        raise UserError(f"{folder}: holds no call yet; let the study run on")
    frames = [
        ("In one line each", "All conditions of the plan together; ranges are 95 % intervals.", "summary.csv",
         summary_table(heard)),
        ("Calls", "One row for each condition.", "calls.csv", miss_table(heard)),
    ]
    if heard[0].hours:
        caption = "In sound where nobody makes the call."
        frames.append(("False alarms", caption, "false_alarms.csv", false_alarm_table(heard)))
    if len(heard) > 1:
        frames.insert(1, ("Engine against engine", "The same calls heard by both; p by McNemar's exact test.",
                          "pairs.csv", pair_table(heard)))  # fmt: skip
    if result.has_people:
        write_whole_with(folder / "people.parquet", people_frame(folder, result.lock).write_parquet)
        frames.append(("Listeners", LISTENERS, "listeners.csv", listener_frame(folder, result.lock)))
    tables = tuple(table(*frame, folder=folder) for frame in frames)
    text = page(
        "listener.study", "report.html",
        title=result.plan.name, about=result.plan.about, cautions=STUDY, warnings=warnings(result, heard),
        plots=tuple(_plots(result, heard)), tables=tables, methods=paragraphs(result), facts=facts(result),
        plan=yaml.safe_dump(result.plan.model_dump(mode="json"), sort_keys=False, allow_unicode=True),
    )  # fmt: skip
    write_page(folder / REPORT, text)
    return folder / REPORT


def table(
    title: str, caption: str, file: str, frame: pl.DataFrame, folder: Path, shown: pl.DataFrame | None = None
) -> Table:
    """A frame as a table, also written to tables/`file`. shown: what people see, if that is not the frame itself."""
    (folder / "tables").mkdir(exist_ok=True)
    csv = frame.write_csv()
    write_whole(folder / "tables" / file, csv)
    seen = frame if shown is None else shown
    words = tuple(i for i, kind in enumerate(seen.dtypes) if (kind == pl.String and shown is None) or i < 2)
    rows = tuple(tuple(_cell(value, name) for value, name in zip(row, seen.columns)) for row in seen.iter_rows())
    columns = tuple(name.replace("_", " ") for name in seen.columns)
    data = base64.b64encode(csv.encode()).decode()
    return Table(title, caption, file, columns, rows, words, data, shown is None and len(rows) > FOLD_ABOVE)


def _cell(value: Any, column: str) -> str:
    match value:
        case None:
            return "quiet" if column == "snr_db" else "–"
        case bool():
            return "yes" if value else "no"
        case float() if value != value:
            return "–"
        case float() if column.startswith(("miss", "found", "difference")) and "per" not in column:
            return f"{value:.1%}"
        case float():
            return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
    return str(value)


def warnings(result: Result, heard: Sequence[Heard]) -> list[str]:
    """What a reader must know before the first figure."""
    said = []
    missing, whole = result.missing()
    if missing:
        said.append(f"The study is not finished: {missing} of its {whole} trials are not in here.")
    said += who_counts(result.folder, result.lock)
    for one in heard:
        for reason, count in one.failures.iter_rows():
            said.append(f"{one.engine}: {count} trials failed ({reason}). Failed calls count as missed.")
    speakers = max(one.calls["speaker"].n_unique() for one in heard)
    if speakers < 10:
        said.append(f"{speakers} speakers only: the figures say how the listener does with these voices, no others.")
    return said


def pair_table(heard: list[Heard]) -> pl.DataFrame:
    """Every two engines, at each SNR and over all."""
    rows = []
    for i, one in enumerate(heard):
        for other in heard[i + 1 :]:
            places: list[tuple[dict[str, Any], str]] = [({}, "all")]
            places += [({"snr_db": r}, "quiet" if r is None else f"{r:g} dB") for r in ratios(one.calls)]
            for where, name in places:
                p = paired(one, other, **where)
                if not p.n:  # nobody has heard any of these yet
                    continue
                low, high = p.interval
                rows.append({"first": one.engine, "second": other.engine, "snr": name, "calls": p.n, "both_found": p.both,
                             "first_only": p.only_a, "second_only": p.only_b, "neither": p.neither,
                             "difference": p.difference, "difference_low": low, "difference_high": high, "p": p.p})  # fmt: skip
    return pl.DataFrame(rows, infer_schema_length=None)


def _plots(result: Result, heard: list[Heard]) -> Iterable[Plot]:
    plan = result.plan
    over_noise = any(ratio is not None for ratio in plan.snr_db)
    if plan.wants("miss") and over_noise:
        caption = ("Points with 95 % Wilson intervals; lines are fitted psychometric curves. SRT: the SNR at which half of "
                   "the calls are found, with its 95 % interval. The yellow band: where people understand half of "
                   "spoken digits in noise, the ear to beat. Left is harder.")  # fmt: skip
        yield Plot("Missed calls against noise", plots.miss_by_snr(heard), caption, wide=True)
        if len(plan.phrases) > 1:
            for phrase in plan.phrases:
                yield Plot(f"“{phrase.words}” alone", plots.miss_by_snr(heard, phrase=phrase.words), "As above.")
    if plan.wants("det"):
        caption = "What every alert level would do: lower left is better. All calls of the plan against all negatives."
        yield Plot("Misses against false alarms", plots.trade_off(heard), caption)
    if plan.wants("false_alarms"):
        yield Plot("False alarms", plots.false_alarms(heard), "Alerts in sound where nobody makes the call.")
    if plan.wants("delay"):
        yield Plot("Delay", plots.delay(heard), "Sound time: computing adds what replay's real-time factor says.")
    if plan.wants("calibration"):
        caption = ("Alerts and candidates by the confidence they were given; small numbers are how many. It holds for "
                   "this plan's mix of calls and talk.")  # fmt: skip
        yield Plot("Is the confidence true?", plots.calibration(heard), caption)
    if plan.wants("miss") and over_noise:
        for one in heard:
            yield Plot(f"Noise by SNR: {one.engine}", plots.heat_map(one), "Calls missed, and how many of how many.")
        caption = "Each point is one condition. Without noise at 62 dB SPL, SII and STI stay below 1: the radio's band."
        yield Plot("Against predicted intelligibility", plots.intelligibility(heard), caption)
