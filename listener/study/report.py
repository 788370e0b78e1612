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
from listener.study.confusion import around_words, confusion_table, outcome_table
from listener.study.listening import Sounds, sample
from listener.study.methods import facts, paragraphs
from listener.study.people.rows import LISTENERS, PEOPLE, listener_frame, people_frame, who_counts
from listener.study.results import EngineResult, Result, load_result, ratios
from listener.study.second import opinion_table
from listener.study.tables import (
    downloads,
    false_alarm_table,
    line_table,
    miss_table,
    pair_table,
    srt_table,
    summary_table,
)  # fmt: skip
from listener.tell.cautions import STUDY
from listener.tell.html import page

REPORT = "report.html"
FOLD_ABOVE = 12
WIDE = 20
"""Tables of more columns are wider than any screen."""


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
        ("All together", "All conditions of the plan together; ranges are 95 % intervals.", "summary.csv",
         summary_table(heard)),
        ("Calls", "One row for each condition; SNR call and heard: measured during the calls, before and after the radio.",
         "calls.csv", miss_table(heard)),
    ]
    if any(r is not None for r in ratios(heard[0].calls)):
        caption = ("Never the SRT alone: lapse is what the curve loses however clear the call, quiet what was missed without "
                   "noise. Fit p: small where the curve has another shape than the shares (chi-square over the design "
                   "effect). A condition that never crosses one half has no SRT.")  # fmt: skip
        frames.insert(1, ("Half of the calls: SRT", caption, "srt.csv", srt_table(heard)))
    if heard[0].hours:
        caption = ("In sound where nobody makes the call. Intervals count alerts on the same words for what they are worth. "
                   "Hard lines hold the word or more than half of its sounds in a row; their rate is for an hour of such "
                   "talk.")  # fmt: skip
        frames.append(("False alarms", caption, "false_alarms.csv", false_alarm_table(heard)))
        if any(one.lines["alerts"].sum() for one in heard):
            caption = "Which lines were said when an alert came."
            frames.append(("Lines with false alerts", caption, "false_alert_lines.csv", line_table(heard)))
    if any(around_words(one) for one in heard):
        caption = ("Of the calls that were found. Wrong: another name than was said, or a name where none was; not heard and "
                   "unclear are apart. Right where none was said: not heard.")  # fmt: skip
        frames.append(("Positions and callers", caption, "around.csv", outcome_table(heard)))
        frames.append(("What was said, and what was heard", "Found calls.", "confusion.csv", confusion_table(heard)))
    if len(heard) > 1:
        caption = ("The same calls heard by both, compared speaker by speaker; p by McNemar's exact test or by speaker, "
                   "whichever is more; p holm: the SNRs' p together (Holm).")  # fmt: skip
        frames.insert(1, ("Engine against engine", caption, "pairs.csv", pair_table(heard)))
    opinion = opinion_table(heard)
    if opinion.height:
        caption = ("The same calls by another road: a logistic mixed model with a random speaker and no lapse. Where its "
                   "SRT and the curve's differ by more than their intervals, believe neither.")  # fmt: skip
        frames.append(("A second opinion", caption, "second_opinion.csv", opinion))
    if result.has_people:
        write_whole_with(folder / "people.parquet", people_frame(folder, result.lock).write_parquet)
        frames.append(("Listeners", LISTENERS, "listeners.csv", listener_frame(folder, result.lock)))
    tables = tuple(table(*frame, folder=folder) for frame in frames)
    tables += tuple(table(title, "", file, frame, folder, frame[:0]) for title, file, frame in downloads(heard))
    text = page(
        "listener.study", "report.html",
        title=result.plan.name, about=result.plan.about, cautions=STUDY, warnings=warnings(result, heard),
        plots=tuple(_plots(result, heard)), tables=tables, clips=_clips(result, heard),
        methods=paragraphs(result), facts=facts(result),
        plan=yaml.safe_dump(result.plan.model_dump(mode="json"), sort_keys=False, allow_unicode=True),
    )  # fmt: skip
    write_page(folder / REPORT, text)
    return folder / REPORT


def _clips(result: Result, heard: Sequence[EngineResult]) -> list[tuple[str, str, str]]:
    """(engine, what it is, sound) of a few misses and false alerts, to be heard; none where the speech is gone."""
    try:
        sounds = Sounds(result)
    except UserError:
        return []
    return [(one.engine, one.what, sounds.as_data(one)) for one in sample(heard)]


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
    if len(columns) > WIDE and len(rows) < len(columns):  # turned over: one row a measure, one column an engine
        columns, *rest = zip(columns, *rows, strict=True)
        return Table(title, caption, file, columns, tuple(rest), (0,), data, False)
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


def warnings(result: Result, heard: Sequence[EngineResult]) -> list[str]:
    """What a reader must know before the first figure."""
    said = []
    missing, whole = result.missing()
    if missing:
        said.append(f"The study is not finished: {missing} of its {whole} trials are not in here.")
    said += who_counts(result.folder, result.lock)
    for one in heard:
        for reason, count in one.failures.iter_rows():
            said.append(f"{one.engine}: {count} trials failed ({reason}). Failed calls count as missed.")
    said += [line for line in dict.fromkeys(map(unsupported, heard)) if line]  # machines hear the same talk: once for all
    for phrase, (out, whole) in result.left_out().items():
        said.append(f"{out} of {whole} speakers make no call of “{phrase}”: there are fewer trials than speakers. Raise "
                    "trials, or leave speakers out yourself.")  # fmt: skip
    speakers = max(one.calls["speaker"].n_unique() for one in heard)
    if speakers < 10:
        said.append(f"{speakers} speakers only: the figures say how the listener does with these voices, no others.")
    return said


def unsupported(one: EngineResult) -> str:
    """That hours or different talk are too few to state the plan's rate of false alerts; nothing where they suffice.

    Talk that is said again counts once: of the hours, the share that was said for the first time.
    """
    rate, hours, lines = one.plan.negatives.state_per_h, one.hours, one.lines
    said_s = float((lines["seconds"] * lines["times"]).sum()) if lines.height else 0.0
    if not hours or not said_s:
        return ""
    once_s = float(lines["seconds"].sum())
    if hours * once_s / said_s >= 3 / rate:
        return ""
    who = f"{PEOPLE}: " if one.engine == PEOPLE else ""
    return (f"{who}{rate:g} false alerts an hour cannot be stated from this study: it takes {3 / rate:.3g} h of talk "
            f"that is said once (3 / rate), and here are {hours:.3g} h with {once_s / 60:.1f} minutes of different "
            "talk.")  # fmt: skip


def _plots(result: Result, heard: list[EngineResult]) -> Iterable[Plot]:
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
    for one in heard:
        for kind in around_words(one):
            caption = ("Found calls by what was said (rows) and what was heard (columns), at each SNR. Off the diagonal of the "
                       "names: wrong.")  # fmt: skip
            yield Plot(f"{kind.capitalize()}s heard by {one.engine}", plots.confusion(one, kind), caption, wide=True)
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
