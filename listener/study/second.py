"""A second opinion on the curve: a logistic mixed model with a random speaker, or listener (statsmodels).

Why this and not generalised estimating equations: with four to a dozen speakers their sandwich variance is too
small, while a random speaker also says how far speakers differ, in dB. What it lacks: a lapse, so calls that are
lost in quiet flatten its curve, and speakers' doubt about their own spread.
"""

import warnings
from collections.abc import Sequence
from math import exp
from typing import Any

import numpy as np
import polars as pl

from listener.score.interval import LEVEL
from listener.study.results import EngineResult

LEAST_SPEAKERS = 3


def opinion_table(heard: Sequence[EngineResult]) -> pl.DataFrame:
    """One row an engine: SRT with its interval, and the spread of speakers; none where too few speakers or levels."""
    rows = [row for one in heard if (row := _row(one))]
    return pl.DataFrame(rows, infer_schema_length=None)


def _row(one: EngineResult) -> dict[str, Any] | None:
    calls = one.calls.filter(pl.col("snr_db").is_not_null())
    if calls[one.cluster].n_unique() < LEAST_SPEAKERS or calls["snr_db"].n_unique() < 2 or one.curve() is None:
        return None
    found = calls["found"].cast(pl.Float64).to_numpy()
    srt_db, reach_db, speakers_db = mixed_srt(calls["snr_db"].to_numpy(), found, calls[one.cluster].to_numpy())
    curve = one.curve()
    return {"engine": one.engine, "mixed_model_srt_db": srt_db, "srt_low": srt_db - reach_db, "srt_high": srt_db + reach_db,
            "speakers_differ_by_db": speakers_db, "curve_srt_db": curve.curve.srt_db if curve else None}  # fmt: skip


def mixed_srt(snr_db: np.ndarray, found: np.ndarray, speaker: np.ndarray) -> tuple[float, float, float]:
    """(SRT of the middle speaker, half of its 95 % interval, standard deviation of speakers), all in dB.

    BinomialBayesMixedGLM at its posterior's mode, with the curvature there (Laplace) as its spread; the
    interval of -a/b by the delta method.
    """
    from scipy import sparse
    from scipy.stats import t as student
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM  # type: ignore[import-untyped]

    names, who = np.unique(speaker, return_inverse=True)
    centre, scale = float(snr_db.mean()), max(float(snr_db.std()), 1e-9)
    x = np.column_stack([np.ones(found.size), (snr_db - centre) / scale])
    groups = sparse.csr_matrix((np.ones(found.size), (np.arange(found.size), who)))
    model = BinomialBayesMixedGLM(found, x, groups, np.zeros(names.size, int), vcp_p=2, fe_p=5)
    with warnings.catch_warnings(action="ignore"):  # it calls a gradient of 1e-4 not converged; BFGS, its default, often fails
        fitted = model.fit_map(method="Newton-CG")
    a, b = fitted.params[:2]
    cov = np.asarray(fitted.cov_params())[:2, :2]
    slope = np.array([-1 / b, a / b**2]) * scale
    reach = float(student.ppf(0.5 + LEVEL / 2, names.size - 1)) * float(np.sqrt(slope @ cov @ slope))
    return centre - scale * float(a / b), reach, exp(float(fitted.params[2])) / float(b) * scale
