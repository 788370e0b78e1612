"""95 % intervals against published values."""

import pytest

from listener.score.interval import median_interval, per_hour_interval, share_interval


@pytest.mark.parametrize(
    ("k", "n", "low", "high"), [(0, 100, 0.0, 0.03699), (1, 100, 0.00177, 0.05449), (5, 100, 0.02154, 0.11175)]
)
def test_wilson(k: int, n: int, low: float, high: float) -> None:
    """Wilson 1927, worked with z = 1.95996 (common tables)."""
    assert share_interval(k, n) == pytest.approx((low, high), abs=1e-5)


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (5, 1.6235, 11.6683)])
def test_poisson(count: int, low: float, high: float) -> None:
    """Garwood 1936, exact limits of a Poisson mean (common tables)."""
    assert per_hour_interval(count, 1.0) == pytest.approx((low, high), abs=1e-4)
    assert per_hour_interval(count, 10.0)[1] == pytest.approx(high / 10, abs=1e-5)


def test_nothing_tried_says_nothing() -> None:
    assert share_interval(0, 0) == (0.0, 1.0)
    assert per_hour_interval(0, 0.0) == (0.0, float("inf"))


@pytest.mark.parametrize(("n", "rank"), [(5, None), (6, 1), (8, 1), (9, 2), (20, 6), (50, 18)])
def test_median_interval_by_rank(n: int, rank: int | None) -> None:
    """Ranks of the sign-test interval at 95 % (common tables: n = 6..8 -> 1, 9 -> 2, 20 -> 6, 50 -> 18)."""
    values = [float(v) for v in range(1, n + 1)]
    assert median_interval(values) == (None if rank is None else (rank, n + 1 - rank))
