"""Positions and callers of a study's found calls: what was said against what was heard."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from listener.score.interval import share_worth
from listener.score.metrics import Share
from listener.study.around import KINDS, NONE
from listener.study.results import EngineResult, ratios

VERDICTS = ("not heard", "unclear", "not available")


def _rows(one: EngineResult, kind: str) -> pl.DataFrame:
    """Found calls of an engine that was listening for it: what was said and heard, and what came of it."""
    said, heard = pl.col(kind), pl.col(f"{kind}_heard")
    names = ~heard.is_in(VERDICTS)
    outcome = (
        pl.when(names & (heard == said)).then(pl.lit("right"))
        .when(names).then(pl.lit("wrong"))
        .when((said == NONE) & (heard == "not heard")).then(pl.lit("right"))
        .otherwise(heard)
    )  # fmt: skip
    return one.calls.filter(pl.col("found") & (heard != "")).with_columns(outcome=outcome)


def around_words(one: EngineResult) -> list[str]:
    """"position", "caller": those that were listened for in calls that were found."""
    return [kind for kind in KINDS if _rows(one, kind).height]


def confusion_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row an engine, kind, SNR, and pair of what was said and what was heard: how many found calls."""
    parts = [
        _rows(one, kind).group_by(pl.lit(one.engine).alias("engine"), pl.lit(kind).alias("what"), "snr_db",
                                  pl.col(kind).alias("said"), pl.col(f"{kind}_heard").alias("heard")).agg(calls=pl.len())
        for one in heard for kind in KINDS
    ]  # fmt: skip
    return pl.concat(parts).sort("engine", "what", "snr_db", "said", "heard", descending=[False, True, True, False, False])


def outcome_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row an engine, kind and SNR, by whether one was said: right and wrong with intervals, and not heard, unclear.

    Shares are of the found calls. Right without one said: it was not heard. Wrong is a name that was not said.
    """
    rows: list[dict[str, Any]] = []
    for one in heard:
        for kind in KINDS:
            every = _rows(one, kind)
            for was_said, mine in ((True, every.filter(pl.col(kind) != NONE)), (False, every.filter(pl.col(kind) == NONE))):
                for ratio in ratios(mine):
                    here = mine.filter(pl.col("snr_db").eq_missing(ratio))
                    which = {"engine": one.engine, "what": kind, "was_said": was_said, "snr_db": ratio, "calls": here.height}
                    rows.append(which | _shares(mine, here, one.cluster))
    return pl.DataFrame(rows, infer_schema_length=None)


def _shares(every: pl.DataFrame, here: pl.DataFrame, cluster: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in ("right", "wrong"):
        at = every["snr_db"].fill_null(float("inf")).to_numpy()
        worth = share_worth((every["outcome"] == name).to_numpy(), every[cluster].to_numpy(), at)
        share = Share(int((here["outcome"] == name).sum()), here.height, worth)
        low, high = share.interval
        found |= {name: share.k, f"found_{name}": share.value, f"found_{name}_low": low, f"found_{name}_high": high}
    for name in VERDICTS:
        found[name.replace(" ", "_")] = int((here["outcome"] == name).sum())
    return found


def matrices(one: EngineResult, kind: str) -> Iterator[tuple[float | None, list[str], list[str], NDArray[np.int64]]]:
    """Per SNR: what was said (rows), what was heard (columns), and how many found calls."""
    every = _rows(one, kind)
    names = sorted(set(every[kind]) - {NONE})
    said = [*names, NONE]
    heard = [*names, *sorted(set(every[f"{kind}_heard"]) - set(names), key=VERDICTS.index)]
    for ratio in ratios(every):
        here = every.filter(pl.col("snr_db").eq_missing(ratio))
        pairs = list(zip(here[kind], here[f"{kind}_heard"], strict=True))
        yield ratio, said, heard, np.array([[pairs.count((s, h)) for h in heard] for s in said])
