"""`listener phrase`: advice on phrases, side by side, and what may be considered instead."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.table import Table as RichTable

    from listener.settings import Settings
    from listener.site.phrase import Advice
    from listener.site.phrase_measure import Spot
    from listener.site.phrase_table import Table

_STYLE = {"good": "bold green", "fair": "bold yellow", "poor": "bold red"}
_SHOWN = 6  # words that sound alike
_WAYS = 4  # of saying it


def register(app: typer.Typer) -> None:
    """Put the command into the program."""
    app.command()(phrase)


def phrase(
    phrases: Annotated[
        list[str], typer.Argument(metavar="WORDS...", help="Phrases; one of several words in quotes.", show_default=False)
    ],
    config: Annotated[Path | None, typer.Option(help="Settings file (YAML): repeats, sensitivity, spelled words.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Everything as one JSON object.")] = False,
    measure: Annotated[
        bool, typer.Option("--measure", help="Have this computer's voices (flite, espeak-ng) say it: seconds a phrase.")
    ] = False,
    better: Annotated[bool, typer.Option("--better/--no-better", help="Whether longer forms of it are tried too.")] = True,
) -> None:
    """Advice on phrases before anyone depends on them: what they are taken for, how much of them is found."""
    from listener.settings import Settings, plain_words, read_settings
    from listener.site.phrase import advise, longer_forms, read_table_of

    settings = read_settings(config) if config else Settings()
    words = list(dict.fromkeys(map(plain_words, phrases)))
    spots = _measured(words, settings) if measure else {}
    advice = advise(words, settings, spots)
    table = read_table_of(settings)
    forms = {one.phrase: longer_forms(one, settings, table) for one in advice} if better and not measure else {}
    if as_json:
        print(json.dumps(_plain(advice, forms, table), allow_nan=False))
        return
    _show(advice, forms, table)


def _measured(words: list[str], settings: Settings) -> dict[str, Spot]:
    """Every phrase said by this computer's voices; what is done stands on stderr."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    from listener.site.phrase import check_words
    from listener.site.phrase_measure import measure

    check_words(words, settings)
    found = {}
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), disable=not sys.stderr.isatty(), transient=True) as bar:
        for phrase in words:
            task = bar.add_task(f"{phrase}: being said")
            asked = settings.phrases[0].model_copy(update={"words": phrase})
            found[phrase] = measure(asked, settings, lambda done, of, task=task: bar.update(task, completed=done, total=of))  # type: ignore[misc]
            bar.remove_task(task)
    return found


def _plain(advice: list[Advice], forms: dict[str, dict[str, dict[str, float]]], table: Table) -> dict[str, Any]:
    return {
        "phrases": [{**asdict(one), "consider": forms.get(one.phrase, {})} for one in advice],
        "measured_with": table.voices,
        "prediction_checked": dict(table.check),
        "prediction_from_spot_checked": dict(table.spot_check),
    }


def _show(advice: list[Advice], forms: dict[str, dict[str, dict[str, float]]], table: Table) -> None:
    from listener.events import times_text
    from listener.site.phrase_table import CONDITIONS
    from listener.tell import cautions
    from listener.tell.console import bar, results_console

    console = results_console()
    if len(advice) > 1:
        console.print(_side_by_side(advice))
    for one in advice:
        console.print()
        console.print(f"[bold]{one.phrase}[/bold], said {times_text(one.repeats)}: "
                      f"[{_STYLE[one.verdict]}]{one.verdict.upper()}[/]"
                      + (f"  {'; '.join(one.because)}" if one.because else ""))  # fmt: skip
        more = f" and {len(one.ways) - _WAYS} more" if len(one.ways) > _WAYS else ""
        ways = " | ".join(" ".join(way) for way in one.ways[:_WAYS]) + more
        console.print(f"  said as      {ways}")
        for word, near in one.alike.items():
            label = "sounds like" if len(one.alike) == 1 else f"near {word!r}"
            listed = ", ".join(_alike_text(other.word, other.edits, other.distance, other.common) for other in near[:_SHOWN])
            console.print(f"  {label:<12} {listed or 'nothing near'}", markup=False)
        for condition in CONDITIONS:
            known = one.measured.get(condition)
            guessed = "predicted from what was measured here" if one.is_from_spot else "predicted"
            how = f"measured, {known.found} of {known.calls} calls" if known else guessed
            people = one.people[condition]
            share = one.expected[condition]
            console.print(f"  {condition:>6} found {bar(share)} {share:>4.0%}  {how} (voices); "
                          f"people, other words of its length: {people.share:.0%} of {people.calls}", markup=False)  # fmt: skip
        if one.spot:
            console.print(f"  here         {_spot_text(one.spot)}", markup=False)
        console.print(f"  in talk      {_talk_text(one)}")
        for form, expected in forms.get(one.phrase, {}).items():
            shares = " / ".join(f"{expected[c]:.0%}" for c in CONDITIONS)
            console.print(f"  consider     {form!r}: {shares} found (predicted)", markup=False)
    from_spot = any(one.is_from_spot for one in advice)
    check = table.spot_check if from_spot else table.check
    origin = "what was measured here" if from_spot else "length and kind alone"
    better = "" if from_spot else "To measure it here: --measure. "
    between = f"95 % {check['low']:.2f} to {check['high']:.2f}"
    span = f"{check['rank_correlation']:.2f} (rank correlation, {between}; 1 would be the same order, 0 none)"
    console.print(
        f"\nVoices: {table.voices}, in jets, 300-3400 Hz. Predictions come from {origin}. On {check['phrases']} "
        f"phrases that they were not fitted on, their order agrees with measurement by {span}, and shares are off by "
        f"{100 * check['off_by']:.0f} points: {_worth(check['low'])}. {better}What your own people get only they can "
        "show: try it with them.",
        markup=False,
    )
    console.print(" ".join(cautions.ALL), markup=False)


def _worth(low: float) -> str:
    """What a prediction is worth whose agreement with measurement may be as low as this."""
    return "they tell which phrases do better" if low > 0 else "averages, which do not tell what phrase does better"


def _side_by_side(advice: list[Advice]) -> RichTable:
    from rich.table import Table as RichTable

    from listener.site.phrase_table import CONDITIONS

    table = RichTable(box=None, pad_edge=False)
    for title in ("phrase", "phones", *CONDITIONS, "false alerts in talk", "nearest", "verdict"):
        table.add_column(title, justify="right" if title in (*CONDITIONS, "phones") else "left")
    for one in advice:
        nearest = [near[0].word for near in one.alike.values() if near]
        shares = [f"{one.expected[c]:.0%}{'' if c in one.measured else ' p'}" for c in CONDITIONS]
        per_h = "-" if one.talk_per_h is None else f"{one.talk_per_h:.2f}/h"
        phones = str(min(map(len, one.ways)))
        table.add_row(one.phrase, phones, *shares, per_h, ", ".join(nearest), f"[{_STYLE[one.verdict]}]{one.verdict}[/]")
    table.caption = "p: predicted, not measured"
    return table


def _alike_text(word: str, edits: int, distance: float, common: bool) -> str:
    if not edits:
        return f"{word} (the same sounds)"
    return f"{word} ({distance:.1f}, {edits} sound{'s' if edits > 1 else ''}{'' if common else ', rare'})"


def _spot_text(spot: Spot) -> str:
    low, high = spot.found.interval
    noise = " and ".join(f"{snr_db:g}" for snr_db in sorted({one.snr_db for one in spot.trials}, reverse=True))
    absent = f"; not here: {', '.join(spot.missing)}, so nothing is predicted from it" if spot.missing else ""
    return (
        f"{spot.found.value:.0%} found: {spot.found.k} of {spot.found.n} calls by {len(spot.voices)} voices of this computer, "
        f"in a simulated jet at {noise} dB (95 % {low * 100:.0f} to {high * 100:.0f}, by voice){absent}"
    )


def _talk_text(one: Advice) -> str:
    heard = f"{one.talk_alerts} in the {one.talk_h:.1f} h of talk that come with the model"
    if one.talk_per_h is None:
        return f"{heard}; it sounds too seldom like it to tell a rate"
    return f"{one.talk_per_h:.2f} false alerts an hour expected (the tail of talk's scores); {heard}"
