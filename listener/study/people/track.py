"""One listener's SRT in about three minutes: a 1-up 1-down track in dB.

The rule is Levitt's simple up-down procedure (H. Levitt, "Transformed up-down methods in psychoacoustics", J. Acoust. Soc.
Am. 49, 1971, 467-477; from memory): a call that was heard makes the next one harder by a step, a missed one easier, so that
the track comes to rest where half of the calls are heard. Steps are large until it has turned twice.

The SRT is not read off the turning points but from all answers: with the two shapes that are not known (how steep the
listener's curve is, and how often the listener nods) each as likely as the other over a stated range, it is the mean of what
the answers leave possible, and its interval holds 95 % of that. The mean of the turning points (Levitt's own estimate)
stands beside it. Bias, spread and coverage on simulated listeners: tests/study/people/test_track.py.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

CALLS = 24
START_DB = 6.0
BIG_STEP_DB, STEP_DB = 4.0, 2.0
BIG_TURNS = 2
RANGE_DB = (-30.0, 20.0)
BLANK_EVERY = 6
"""After so many calls comes a piece without one."""

_SRTS = np.arange(RANGE_DB[0] - 5, RANGE_DB[1] + 5.01, 0.2)
_SPREADS_DB = np.geomspace(0.5, 8.0, 9)
_LAPSES = np.array([0.0, 0.03, 0.1])


@dataclass(frozen=True, slots=True)
class Threshold:
    """What a track says: the SRT with its 95 % interval, and the mean of the turning points at the small step.

    calls: how many it rests on.
    """

    srt_db: float
    low_db: float
    high_db: float
    turns_db: float | None
    calls: int


def levels(found: list[bool]) -> list[float]:
    """The SNRs of the calls answered so far and of the next one, dB.

    >>> levels([True, True, False, True, False])
    [6.0, 2.0, -2.0, 2.0, 0.0, 2.0]
    """
    out = [START_DB]
    turns = 0
    for i, was_found in enumerate(found):
        turns += i > 0 and was_found != found[i - 1]
        step_db = BIG_STEP_DB if turns < BIG_TURNS else STEP_DB
        out.append(float(np.clip(out[-1] + (-step_db if was_found else step_db), *RANGE_DB)))
    return out


def threshold(found: list[bool]) -> Threshold | None:
    """The SRT from a track's answers; None before the sixth, or while all are alike."""
    if len(found) < 6 or len(set(found)) < 2:
        return None
    at = np.array(levels(found)[:-1])
    heard = np.array(found)
    likely = _likelihood(at, heard)
    likely /= likely.sum()
    below = np.cumsum(likely)
    low, high = (float(np.interp(p, below, _SRTS)) for p in (0.025, 0.975))
    return Threshold(float(likely @ _SRTS), low, high, _turns_db(at, heard), len(found))


def _likelihood(at: NDArray[np.float64], found: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Of the answers, for each of _SRTS, summed over the spreads and lapses."""
    logs = sum((_logs(float(level))[0 if heard else 1] for level, heard in zip(at, found)), np.zeros(1))
    return np.exp(logs - logs.max()).sum((1, 2))


@lru_cache(maxsize=128)
def _logs(at_db: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log chance of hearing and of missing a call at this SNR: axes _SRTS, _SPREADS_DB, _LAPSES."""
    share = 0.5 / (1 - _LAPSES)
    middle = np.log(share / (1 - share))  # so that half are found at the SRT itself, lapses included
    x = (at_db - _SRTS[:, None, None]) / _SPREADS_DB[:, None] + middle
    p = np.clip((1 - _LAPSES) * 0.5 * (1 + np.tanh(0.5 * x)), 1e-6, 1 - 1e-6)
    return np.log(p), np.log1p(-p)


def _turns_db(at: NDArray[np.float64], found: NDArray[np.bool_]) -> float | None:
    """Mean level at the turning points after the big steps, an even number of them, so that peaks and valleys balance."""
    turns = at[1:][found[1:] != found[:-1]][BIG_TURNS:]
    turns = turns[turns.size % 2 :]
    return float(turns.mean()) if turns.size else None
