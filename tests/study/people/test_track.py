"""The adaptive track: Levitt's rule step by step, and what it makes of simulated listeners whose SRT is known."""

import numpy as np
import pytest

from listener.study.people import track
from listener.study.people.track import levels, threshold
from tests.study.people.simulated import Simulated


def run(listener: Simulated) -> list[bool]:
    found: list[bool] = []
    while len(found) < track.CALLS:
        found.append(listener.hears(levels(found)[-1]))
    return found


def test_heard_is_a_step_down_and_missed_a_step_up_small_after_two_turns():
    assert levels([]) == [6.0]
    assert levels([True, True, True, False, False, True, False]) == [6, 2, -2, -6, -2, 2, 0, 2]


def test_it_stays_within_its_range():
    assert levels([True] * 40)[-1] == -30.0 and levels([False] * 40)[-1] == 20.0


def test_the_mean_of_the_turning_points_by_hand():
    """Turns at -6 (first missed) and 2 (first heard again) are the big steps'; then 0, 2, 0, 2."""
    found = [True, True, True, False, False, True, False, True, False, True]
    assert levels(found)[:-1] == [6, 2, -2, -6, -2, 2, 0, 2, 0, 2]
    assert threshold(found).turns_db == pytest.approx((0 + 2 + 0 + 2) / 4)


def test_nothing_is_said_of_answers_that_settle_nothing():
    assert threshold([True, False, True]) is None and threshold([True] * 24) is None


@pytest.mark.parametrize(
    "srt_db, spread_db, lapse",
    [(-12.0, 1.0, 0.0), (-8.0, 1.5, 0.02), (-3.0, 2.0, 0.05), (4.0, 3.0, 0.0)],
)
def test_the_srt_of_simulated_listeners_is_recovered(srt_db, spread_db, lapse):
    """300 runs each. Bias under 0.4 dB; the 95 % interval holds the SRT in at least 91 of 100 runs (three standard deviations
    of 300 runs below 95)."""
    done = [threshold(run(Simulated(srt_db, spread_db, lapse, seed=seed))) for seed in range(300)]
    srts = np.array([t.srt_db for t in done])
    inside = np.mean([t.low_db <= srt_db <= t.high_db for t in done])
    turns = np.array([t.turns_db for t in done])
    print(f"SRT {srt_db:g}, spread {spread_db:g}, lapse {lapse:g}: bias {srts.mean() - srt_db:+.2f} dB, "
          f"spread {srts.std(ddof=1):.2f} dB, interval {np.mean([t.high_db - t.low_db for t in done]):.1f} dB wide holds "
          f"{inside:.3f}; turning points: bias {turns.mean() - srt_db:+.2f}, spread {turns.std(ddof=1):.2f}")
    assert abs(srts.mean() - srt_db) < 0.4
    assert srts.std(ddof=1) < 0.75 * spread_db + 0.3
    assert 0.91 <= inside
