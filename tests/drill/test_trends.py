"""A crew from drill to drill: steps and delays, and alerts shown against hidden, by hand and against scipy."""

import base64
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_ind

from listener.drill.record import record_of
from listener.drill.record_page import COMPARED_HEADS, STEP_HEADS, compared_row, record_html, share_text, step_row
from listener.drill.result import Result, StepResult
from listener.drill.trends import compare_alerts
from listener.score.interval import difference_interval
from tests.drill.test_record import call, drill


def with_steps(result: Result, alerts: str, *statuses: str) -> Result:
    """The drill with one expected step of the deck in each call, of these statuses."""
    calls = tuple(
        made.model_copy(update={"steps": (StepResult(
            number=1, who="deck", what="bar up", within_s=9.0, status=status, by="", at_s=None,
            delay_s=None if status == "not done" else 4.0, late=status == "late", out_of_order=status == "out of order",
        ),)}) for made, status in zip(result.calls, statuses, strict=True)
    )  # fmt: skip
    return result.model_copy(update={"alerts": alerts, "calls": calls})


def played(file: str, day: int, alerts: str, *delays_s: float | None) -> Result:
    """A drill in which somebody pressed so long after each call; None: nobody did."""
    made = [call(i, True, 0.1, *([("ann", "pressed", d)] if d is not None else [])) for i, d in enumerate(delays_s, 1)]
    return drill(file, day, *made).model_copy(update={"alerts": alerts})


SHOWN = [played("a", 1, "shown", 2.0, 4.0), played("b", 2, "shown", 3.0, 3.0), played("c", 3, "shown", 2.5, None)]
HIDDEN = [played("d", 4, "hidden", 5.0, 7.0), played("e", 5, "hidden", 4.0, None)]


def test_alerts_hidden_are_compared_with_shown_drill_by_drill() -> None:
    """Drill means 3, 3, 2.5 and 6, 4: 5 - 2.8333 s. The interval by scipy."""
    (found,) = compare_alerts([*SHOWN, *HIDDEN])
    assert (found.shown.means_s, found.hidden.means_s) == ((3.0, 3.0, 2.5), (6.0, 4.0))
    assert (found.shown.answered.k, found.shown.answered.n, found.hidden.answered.k, found.hidden.answered.n) == (5, 6, 3, 4)
    assert found.slower_s == pytest.approx(5.0 - 8.5 / 3)
    known = ttest_ind(found.hidden.means_s, found.shown.means_s, equal_var=False).confidence_interval(0.95)
    assert found.interval_s == pytest.approx((known.low, known.high))
    assert found.shown.answered.worth.clusters == 3, "calls of one drill hang together"
    assert compared_row(found)[1] == f"2.8 s; 3 drills, after {share_text(found.shown.answered)} calls"


def test_one_drill_of_a_kind_has_no_interval_and_what_was_done_in_one_kind_only_is_not_compared() -> None:
    (found,) = compare_alerts([*SHOWN, HIDDEN[0]])
    assert found.interval_s is None and compared_row(found)[3] == "3.2 s (too few drills for an interval)"
    other = drill("f", 6, call(1, True, 0.1, ("bo", "heard", 1.0))).model_copy(update={"alerts": "hidden"})
    assert compare_alerts([*SHOWN, other]) == ()


VALUES = st.lists(st.floats(-100, 100).map(lambda s: round(s, 2)), min_size=2, max_size=8).filter(lambda v: max(v) - min(v) > 0.1)


@given(VALUES, VALUES)
def test_the_interval_of_a_difference_is_welch_s(one, other) -> None:
    """Against scipy.stats.ttest_ind, equal_var=False."""
    known = ttest_ind(one, other, equal_var=False).confidence_interval(0.95)
    assert difference_interval(one, other) == pytest.approx((known.low, known.high), abs=1e-9)


def test_the_page_has_the_steps_the_comparison_and_a_picture_that_tells_the_kinds_apart() -> None:
    results = [
        with_steps(SHOWN[0], "shown", "done", "late"), with_steps(SHOWN[1], "shown", "done", "done"),
        with_steps(HIDDEN[0], "hidden", "out of order", "not done"),
    ]  # fmt: skip
    record = record_of(results)
    (line,) = record.steps
    assert step_row(line)[:6] == ("deck: bar up", "3", step_row(line)[2], "1", "1", "1")
    assert (line.well.k, line.well.n, line.well.worth.clusters, line.delays_s) == (3, 6, 3, (4.0,) * 5)
    assert [(t.title, t.alerts, t.steps.k, t.steps.n, t.median_s("pressed")) for t in record.trends] == [
        ("a", "shown", 1, 2, 3.0), ("b", "shown", 2, 2, 3.0), ("d", "hidden", 0, 2, 6.0),
    ]  # fmt: skip
    page = record_html(record, "Record")
    for head in (*STEP_HEADS, *COMPARED_HEADS):
        assert f">{head}</th>" in page.replace("&#39;", "'")
    picture = base64.b64decode(re.search(r"base64,([^\"]+)", page)[1]).decode()
    alike = record_html(record_of([r.model_copy(update={"alerts": "shown"}) for r in results]), "Record")
    assert "fill: #ffffff; stroke: #009e73" in picture
    assert "fill: #ffffff; stroke: #009e73" not in base64.b64decode(re.search(r"base64,([^\"]+)", alike)[1]).decode()


def test_a_record_of_old_results_has_neither() -> None:
    record = record_of([drill("one", 5, call(1, True, 0.5))])
    page = record_html(record, "Record")
    assert record.steps == record.compared == () and "<img" not in page and "Expected steps" not in page
