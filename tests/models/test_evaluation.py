"""The development evaluation as it was measured: what the card says is what the rows say."""

from pathlib import Path

import pytest

from models.training.evaluate import calls_table, negatives_table, per_hour, rate, read, reliability

FOLDER = Path(__file__).parents[2] / "models" / "ear-1"


@pytest.fixture(scope="module")
def rows():
    return read(FOLDER / "evaluation.csv")


def test_the_card_shows_the_tables_that_the_rows_make(rows):
    card = (FOLDER / "README.md").read_text()
    assert calls_table(rows) in card
    assert negatives_table(rows) in card


def test_confidence_is_calibrated_within_five_hundredths(rows):
    """Expected calibration error (Naeini et al. 2015) over ten bins of all alerts."""
    table, error = reliability(rows)
    assert sum(count for _, _, count in table) > 500
    assert error <= 0.05


def test_all_phrases_together_alert_falsely_less_than_half_a_time_an_hour(rows):
    speech = [row for row in rows if row.group == "negative" and row.condition != "noise"]
    hours = sum(row.seconds for row in speech) / 3600
    assert hours > 9
    assert sum(row.false for row in speech) / hours <= 0.5
    assert not any(row.false for row in rows if row.condition == "noise")


def test_intervals_are_the_published_ones():
    """Wilson 0/100, 1/100, 5/100 and exact Poisson 0, 1, 5 events (values also from scipy and statsmodels)."""
    assert rate(0, 100) == "0 (0-4)"
    assert rate(5, 100) == "5 (2-11)"
    assert per_hour(0, 1.0) == "0.00 (0.00-3.69)"
    assert per_hour(1, 1.0) == "1.00 (0.03-5.57)"
    assert per_hour(5, 1.0) == "5.00 (1.62-11.67)"
