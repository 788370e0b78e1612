"""The record adds up drill by drill and person by person."""

import datetime

import pytest

from listener.drill.record import record_of
from listener.drill.record_page import AROUND_HEADS, around_row, delays_text, rate_text, record_html, share_text
from listener.drill.result import ActionResult, AnswerResult, CallResult, Result


def call(
    number: int, found: bool, delay_s: float | None, *acts: tuple[str, str, float], counted: bool = True
) -> CallResult:
    return CallResult(
        number=number, phrase="suspend", caller="", status="found" if found else "missed", counted=counted, start_s=1.0, end_s=3.0,
        complete_s=3.0, timed_by="trainer" if counted else "machine", recording="launch", missed_on=(), alert=None, near=None,
        delay_s=delay_s, snr_db=None, level_dbov=None, hard=(),
        actions=tuple(ActionResult(who=w, what=a, at_s=3.0 + d, delay_s=d) for w, a, d in acts),
    )  # fmt: skip


def drill(file: str, day: int, *calls: CallResult, crew: str = "Blue", false: int = 0) -> Result:
    alert = {"recording": "launch", "start_s": 1, "end_s": 2, "raised_s": 2, "phrase": "suspend", "confidence": 0.9}
    return Result(
        file=file, title=file, place="", date=datetime.date(2026, 3, day), crew=crew, synthetic=True, engine="x", heard_s=1800.0,
        counted=sum(c.counted for c in calls), found=sum(c.counted and c.status == "found" for c in calls), calls=calls,
        false_alerts=[alert] * false, partly=(), other_actions=(), unheard=(),
    )  # fmt: skip


ONE = drill(
    "one",
    5,
    call(1, True, 0.5, ("ann", "pressed", 2.0), ("ann", "pressed", 9.0)),
    call(2, False, None, ("ann", "pressed", 4.0)),
)
TWO = drill("two", 1, call(1, True, 0.7), call(2, True, 0.1, ("bob", "heard", 1.0), counted=False), crew="Red", false=3)
RECORD = record_of([ONE, TWO])


def test_drills_come_in_the_order_of_their_dates() -> None:
    assert [line.title for line in RECORD.drills] == ["two", "one"]
    assert RECORD.total.title == "TOTAL" and RECORD.total.crew == ""


def test_calls_that_only_the_machine_timed_are_left_out() -> None:
    assert [(line.found.k, line.found.n) for line in (*RECORD.drills, RECORD.total)] == [(1, 1), (1, 2), (2, 3)]
    assert RECORD.total.delays.values_s == (0.7, 0.5)


def test_people_count_over_the_drills_they_were_in() -> None:
    ann, bob = sorted(RECORD.people, key=lambda line: line.who)
    assert (ann.drills, ann.answered.k, ann.answered.n, ann.delays.values_s) == (1, 2, 2, (2.0, 4.0))
    assert (bob.drills, bob.answered.k, bob.answered.n) == (1, 1, 2)


def test_what_is_printed() -> None:
    assert share_text(RECORD.total.found) == "2 of 3 (21 to 94 %)"
    assert delays_text(RECORD.total.delays) == "0.6 s (too few for an interval), worst 0.7 s"
    assert rate_text(RECORD) == "3 false alerts in 1.00 h: 3.0 per hour (0.6 to 8.8)"


def test_one_crew_or_one_person() -> None:
    assert record_of([ONE, TWO], crew="red").total.found.n == 1
    only = record_of([ONE, TWO], who="Bob")
    assert [line.title for line in only.drills] == ["two"] and [p.who for p in only.people] == ["bob"]


def test_a_median_of_many_has_its_interval() -> None:
    many = drill("many", 1, *(call(i, True, i / 10, ("ann", "pressed", float(i))) for i in range(1, 10)))
    assert delays_text(record_of([many]).people[0].delays) == "5.0 s (2.0 to 8.0), worst 9.0 s"


@pytest.mark.parametrize("results", [[], [ONE, ONE]])
def test_nothing_and_the_same_twice_are_refused(results) -> None:
    from listener.errors import UserError

    with pytest.raises(UserError):
        record_of(results)


def heard(number: int, position: str, verdict: str, right: bool | None, found: bool = True, counted: bool = True) -> CallResult:
    name = "one" if verdict == "heard" else None
    answer = AnswerResult(verdict=verdict, name=name, confidence=None, right=right)
    made = call(number, found, 0.1, counted=counted)
    return made.model_copy(update={"caller": "kite 3", "position": position, "heard_position": answer})


def test_positions_add_up_over_the_alerts_of_calls_whose_position_the_trainer_wrote() -> None:
    """Left out: a call that nobody found, one that only the machine timed, one without a position, an engine that cannot."""
    calls = [
        heard(1, "one", "heard", True), heard(2, "two", "heard", False), heard(3, "two", "not heard", None),
        heard(4, "one", "unclear", None), heard(5, "one", "heard", True, found=False), heard(6, "", "heard", None),
        heard(7, "one", "heard", True, counted=False), heard(8, "one", "not available", None),
    ]  # fmt: skip
    record = record_of([drill("a", 1, *calls[:3]), drill("b", 2, *calls[3:])])
    (line,) = record.around
    assert (line.what, line.right.k, line.right.n, line.another, line.unclear, line.not_heard) == ("position", 1, 4, 1, 1, 1)
    page = record_html(record, "Blue")
    assert all(f"<td>{cell}</td>" in page for cell in around_row(line)) and AROUND_HEADS[0] in page
    assert not RECORD.around and AROUND_HEADS[0] not in record_html(RECORD, "Blue")
