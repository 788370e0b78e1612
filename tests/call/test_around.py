"""What is said around a call: positions against each other and against nothing, and never a word less or more of alerts."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.call.around import Around, judge
from listener.events import Alert, Answer, Block, Event, Fault, Hit, Span, Update
from listener.monitor import Monitor
from listener.settings import Settings
from listener.speech.spotter import NearWord
from tests.fakes import AroundEngine, AroundSpotter, BurstEngine, bursts

SAID = [Span(5.0, 5.5), Span(5.8, 6.3), Span(6.6, 7.1)]


def one(start_s: float, name: str = "one", score: float = 4.0, what: str = "position", length_s: float = 0.3) -> NearWord:
    return NearWord(what, name, start_s, start_s + length_s, score)


def position(*words: NearWord, is_over: bool = True) -> Answer | None:
    return judge("position", words, SAID, is_over)


@pytest.mark.parametrize("start_s", [4.5, 5.5, 7.3])
def test_a_position_before_after_or_within_the_call_is_heard(start_s: float) -> None:
    word = one(start_s, length_s=0.29)
    assert position(word, is_over=False) == Answer("heard", "one", pytest.approx(0.98, abs=0.02), word.start_s, word.end_s)


def test_nothing_near_the_call_is_not_heard_and_only_when_it_is_over() -> None:
    assert position(is_over=False) is None
    assert position() == Answer("not heard", confidence=1.0)


def test_of_two_that_fit_the_same_sound_the_better_is_meant_and_the_closer_they_are_the_less_sure() -> None:
    sure, less = position(one(4.5), one(4.5, "two", 0.0)), position(one(4.5), one(4.5, "two", 2.5))
    assert sure and less and sure.name == less.name == "one"
    assert (sure.confidence or 0) > (less.confidence or 0) > 0.7
    even = position(one(4.5), one(4.5, "two", 4.0))
    assert even and even.verdict == "unclear"


def test_two_positions_in_one_transmission_are_unclear() -> None:
    assert position(one(4.5), one(7.3, "two"), is_over=False) == Answer("unclear")


def test_not_one_two_is_unclear_and_so_is_not_one() -> None:
    denied = one(7.3, "not", what="not", length_s=0.2)
    assert position(denied, one(7.5), one(7.9, "two")) == Answer("unclear")
    assert position(denied, one(7.5)) == Answer("unclear")


def test_a_position_in_earlier_talk_is_unclear() -> None:
    assert position(one(2.0)) == Answer("unclear")


def test_a_caller_between_carries_the_position_on() -> None:
    heard = position(one(3.2), one(3.6, "KITE 7", what="caller", length_s=1.2))
    assert heard and heard.name == "one"


def test_the_number_of_a_call_sign_is_no_position() -> None:
    caller = one(4.0, "KITE 2", 3.0, what="caller", length_s=0.8)
    digit = one(4.4, "two", 4.0, length_s=0.35)
    assert position(caller, digit) == Answer("not heard", confidence=1.0)
    named = judge("caller", [caller, digit], SAID, is_over=False)
    assert named and named.name == "KITE 2"


@given(st.lists(st.tuples(st.floats(1, 9.5), st.sampled_from(["one", "two", "not"]), st.floats(-12, 8)), max_size=8), st.booleans())
def test_whatever_was_said_confidence_is_a_chance_and_only_what_was_heard_has_a_name(
    drawn: list[tuple[float, str, float]], is_over: bool
) -> None:
    words = [one(at, name, score, what="not" if name == "not" else "position") for at, name, score in drawn]
    answer = position(*words, is_over=is_over)
    if answer is None:
        assert not is_over
        return
    assert (answer.name in ("one", "two")) == (answer.verdict == "heard")
    assert answer.confidence is None or 0.0 <= answer.confidence <= 1.0


# --- with a Monitor ------------------------------------------------------------------------------------------


WITH = Settings(gate="off", positions=("one", "two"), callers=("tower",))
WITHOUT = Settings(gate="off")


def events_of(config: Settings, engine: BurstEngine, times_s: list[tuple[float, float]], cut: int = 1600) -> list[Event]:
    samples = bursts(times_s, 14.0, 16_000)
    monitor = Monitor(config, 16_000, engine=engine)
    told = [e for at in range(0, len(samples), cut) for e in monitor.feed(Block(samples[at : at + cut], at, 16_000))]
    return told + monitor.finish()


def drawn_words() -> st.SearchStrategy[list[NearWord] | str]:
    word = st.builds(
        lambda what, start, score: one(start, *what[:1], score, what=what[1]),
        st.sampled_from([("one", "position"), ("two", "position"), ("tower", "caller"), ("not", "not")]),
        st.floats(0, 13), st.floats(-10, 10),
    )  # fmt: skip
    return st.just("break") | st.lists(word, max_size=6)


@settings(max_examples=25, deadline=None)
@given(drawn_words(), st.lists(st.integers(2, 24), min_size=3, max_size=9, unique=True))
def test_alerts_are_the_same_with_and_without_whatever_is_heard_around_them(
    words: list[NearWord] | str, halves: list[int]
) -> None:
    """All events but updates and the fault of a broken search are equal to the last field, and in the same order."""
    times_s = [(half / 2, half / 2 + 0.3) for half in sorted(halves)]
    without = events_of(WITHOUT, BurstEngine(), times_s)
    around = events_of(WITH, AroundEngine(words), times_s)
    assert [e for e in around if not isinstance(e, Update) and not (isinstance(e, Fault) and e.what == "around")] == without
    alerts = [e for e in without if isinstance(e, Alert)]
    assert {(e.phrase, e.start_s) for e in around if isinstance(e, Update)} <= {(e.phrase, e.start_s) for e in alerts}


THREE = [(4.0, 4.4), (4.8, 5.2), (5.6, 6.0)]


def test_an_update_comes_once_it_is_known_and_again_only_if_it_changes() -> None:
    events = events_of(WITH, AroundEngine([one(6.3, "two")]), THREE)
    first, last = (e for e in events if isinstance(e, Update))
    assert first.position and first.position.name == "two" and first.caller is None
    assert last.caller == Answer("not heard", confidence=1.0) and last.position == first.position
    assert 9.0 < last.raised_s < 10.0  # 3 s after the last word, and what the ear needs


def test_the_order_is_alert_then_update_and_blocks_do_not_matter() -> None:
    cuts = [events_of(WITH, AroundEngine([one(3.5)]), THREE, cut) for cut in (160, 1600, 48_000)]
    assert [e.kind for e in cuts[0]] == ["alert", "update", "update"]
    assert cuts[0] == cuts[1] == cuts[2]


def test_an_engine_that_cannot_says_so_at_once() -> None:
    alert, update = events_of(WITH, BurstEngine(), THREE)
    assert isinstance(update, Update) and isinstance(alert, Alert)
    assert update.position == update.caller == Answer("not available") and update.raised_s == alert.raised_s


def test_a_broken_search_is_a_fault_and_the_next_alert_comes() -> None:
    events = events_of(WITH, AroundEngine("break"), [*THREE, (10.0, 10.4), (10.8, 11.2), (11.6, 12.0)])
    assert [e.kind for e in events if not isinstance(e, Update)] == ["alert", "fault", "alert", "fault"]


def test_words_said_on_and_on_move_the_end_of_the_listening() -> None:
    times_s = [*THREE, (6.4, 6.8), (7.2, 7.6)]
    (update,) = (e for e in events_of(without_callers(WITH), AroundEngine([]), times_s) if isinstance(e, Update))
    assert update.raised_s > 7.6 + 3.0


def without_callers(config: Settings) -> Settings:
    return config.model_copy(update={"callers": ()})


def test_without_positions_and_callers_nothing_is_listened_for() -> None:
    spotter = AroundSpotter([one(6.3)])
    around = Around(WITHOUT, 0, spotter, 1.0)
    alert = Alert(0, "suspend", 3, 4.0, 6.0, 6.1, 0.9, "fake", (Hit("suspend", 4.0, 4.4, 2.0),))
    assert around.begin(alert, 6.1) == [] and around.follow([], 20.0) == []
