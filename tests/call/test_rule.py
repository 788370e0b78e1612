"""The call rule, stated as properties and as cases."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.call.rule import CallRule
from listener.events import Alert, Candidate, Event, Hit, PartlyHeard
from listener.settings import PhraseSettings, Settings
from tests.fakes import CALIBRATION

PHRASE = PhraseSettings(words="suspend")
GRID_S = 0.25  # times on a binary grid, so that shifting them is exact


def run(hits: list[Hit], settings: Settings = Settings(), delay_s: float = 0.0, ended: bool = True) -> list[Event]:
    """Hits through the rule in the order of their ends, with time passing between them and after."""
    rule = CallRule(settings, CALIBRATION, channel=0, engine="test")
    events: list[Event] = []
    for hit in sorted(hits, key=lambda h: h.end_s):
        now_s = hit.end_s + delay_s
        events += rule.hear([hit], now_s)
        events += rule.pass_time(now_s)
    if ended:
        last_s = max((hit.end_s for hit in hits), default=0.0)
        events += rule.pass_time(last_s + 60.0)
    return events


def words(*starts_s: float, score: float = 2.0, length_s: float = 0.5, phrase: str = "suspend") -> list[Hit]:
    return [Hit(phrase, start, start + length_s, score) for start in starts_s]


def alerts(events: list[Event]) -> list[Alert]:
    return [event for event in events if isinstance(event, Alert)]


def any_hits(most: int = 12) -> st.SearchStrategy[list[Hit]]:
    """Hits of any strength, anywhere, also overlapping."""
    hit = st.builds(
        lambda start, length, score: Hit("suspend", start * GRID_S, (start + length) * GRID_S, score),
        st.integers(0, 80),
        st.integers(1, 4),
        st.integers(-4, 8).map(lambda n: n / 2),
    )
    return st.lists(hit, max_size=most)


class TestProperties:
    @given(any_hits(), st.integers(1, 5))
    def test_every_alert_rests_on_as_many_separate_words_as_are_asked_for(self, hits, repeats):
        settings = Settings(phrases=(PhraseSettings(words="suspend", repeats=repeats),))
        for alert in alerts(run(hits, settings)):
            assert len(alert.hits) == repeats
            assert all(a.end_s <= b.start_s for a, b in zip(alert.hits, alert.hits[1:]))
            assert set(alert.hits) <= set(hits)

    @given(any_hits(most=2))
    def test_two_words_never_alert(self, hits):
        assert alerts(run(hits)) == []

    @given(any_hits())
    def test_gaps_within_an_alert_keep_the_limits(self, hits):
        for alert in alerts(run(hits)):
            for a, b in zip(alert.hits, alert.hits[1:]):
                assert PHRASE.min_gap_s <= b.start_s - a.end_s <= PHRASE.max_gap_s

    @given(any_hits(), st.integers(0, 4000))
    def test_shifting_time_changes_only_times(self, hits, steps):
        by = steps * GRID_S
        moved = [replace(h, start_s=h.start_s + by, end_s=h.end_s + by) for h in hits]
        assert run(moved) == [shifted(event, by) for event in run(hits)]

    @given(any_hits(), any_hits(), st.integers(40, 400))
    def test_silence_between_calls_separates_them(self, first, second, quiet_steps):
        ends = max((h.end_s for h in first), default=0.0)
        by = ends + quiet_steps * GRID_S  # at least 10 s: longer than any limit of the rule
        later = [replace(h, start_s=h.start_s + by, end_s=h.end_s + by) for h in second]
        alone = [e.hits for e in run(first)] + [tuple(shift_hit(h, by) for h in e.hits) for e in run(second)]
        assert [e.hits for e in run(first + later)] == alone

    @given(st.integers(3, 40), st.sampled_from([0.75, 1.0, 1.5, 2.0]), st.sampled_from([1.75, 2.0, 5.0]))
    def test_however_often_the_word_is_repeated_there_is_one_alert(self, times, beat_s, score):
        said = words(*(k * beat_s for k in range(times)), score=score)
        assert len(alerts(run(said))) == 1

    @given(st.lists(st.sampled_from([0.75, 1.0, 1.25]), min_size=2, max_size=20), st.data())
    def test_repeats_of_any_strength_after_the_alert_make_no_second_one(self, beats, data):
        start, said = 2.0, words(0.0, 1.0, 2.0)
        for beat in beats:
            start += beat
            said += words(start, score=data.draw(st.sampled_from([1.0, 2.0, 3.0])))
        assert len(alerts(run(said))) == 1

    @given(any_hits())
    def test_hearing_a_word_better_later_counts_as_the_same_word(self, hits):
        early = [replace(h, score=h.score - 0.5) for h in hits]
        for alert in alerts(run(early + hits)):
            assert all(a.end_s <= b.start_s for a, b in zip(alert.hits, alert.hits[1:]))

    @given(any_hits(), st.integers(0, 8))
    def test_an_alert_ends_with_its_last_word_or_later_but_not_in_the_future(self, hits, quarters_late):
        for alert in alerts(run(hits, delay_s=quarters_late * GRID_S)):
            assert max(hit.end_s for hit in alert.hits) <= alert.end_s <= alert.raised_s


class TestCases:
    @pytest.mark.parametrize(
        "told_s, now_s, end_s",
        [(3.5, 3.5, 3.5), (3.125, 3.75, 3.5), (3.125, 3.25, 3.25), (3.75, 3.75, 3.75)],
        ids=["whole", "told early, heard whole", "told and heard early", "longer than the others"],
    )
    def test_a_last_word_told_while_it_is_said_lasts_as_long_as_those_before_it(self, told_s, now_s, end_s):
        rule = CallRule(Settings(), CALIBRATION, 0, "test")
        for hit in words(1.0, 2.0):  # half a second each
            rule.hear([hit], hit.end_s)
        (alert,) = rule.hear([Hit("suspend", 3.0, told_s, 2.0)], now_s)
        assert (alert.end_s, alert.hits[-1].end_s) == (end_s, told_s)

    def test_three_words_make_a_call_at_once(self):
        (alert,) = run(words(1.0, 2.0, 3.0))
        assert (alert.kind, alert.start_s, alert.end_s, alert.raised_s) == ("alert", 1.0, 3.5, 3.5)
        assert (alert.phrase, alert.repeats, alert.channel, alert.engine) == ("suspend", 3, 0, "test")

    def test_three_fair_words_outweigh_two_loud_ones_and_a_miss(self):
        fair = alerts(run(words(1.0, 2.0, 3.0, score=1.7)))
        two_loud = alerts(run(words(1.0, 3.0, score=9.0) + words(2.0, score=-2.0)))
        assert len(fair) == 1 and two_loud == []

    def test_no_single_word_carries_a_call(self):
        assert alerts(run(words(1.0, score=99.0) + words(2.0, 3.0, score=0.9))) == []

    def test_two_words_are_told_as_partly_heard_once_the_third_can_no_longer_come(self):
        (event,) = run(words(1.0, 2.0))
        assert isinstance(event, PartlyHeard)
        assert len(event.hits) == 2 and event.repeats == 3
        assert event.confidence < run(words(1.0, 2.0, 3.0))[0].confidence

    def test_partly_heard_waits_for_the_third_word(self):
        rule = CallRule(Settings(), CALIBRATION, 0, "test")
        for hit in words(1.0, 2.0):
            assert rule.hear([hit], hit.end_s) == []
        assert rule.pass_time(2.5 + PHRASE.max_gap_s) == []
        third = Hit("suspend", 2.5 + PHRASE.max_gap_s, 4.9, 2.0)
        assert [e.kind for e in rule.hear([third], 5.0)] == ["alert"]
        assert rule.pass_time(60.0) == []

    def test_a_single_word_is_nothing(self):
        assert run(words(1.0)) == []

    def test_three_weak_words_are_a_candidate_told_when_the_call_is_over(self):
        events = run(words(1.0, 2.0, 3.0, score=1.0))
        assert [type(e) for e in events] == [Candidate]
        assert events[0].raised_s > 3.5

    def test_a_call_below_the_alert_level_is_told_once_with_its_best_words(self):
        weak = words(1.0, 2.0, 3.0, 4.0, 5.0, score=0.5) + words(2.0, score=1.5)
        (event,) = run(weak)
        assert event.kind == "candidate"
        assert max(h.score for h in event.hits) == 1.5

    def test_words_too_far_apart_are_no_call(self):
        assert alerts(run(words(1.0, 4.0, 7.0))) == []

    def test_weak_words_do_not_keep_a_call_alive_for_ever(self):
        weak_tail = words(*(4.0 + k for k in range(20)), score=0.5)
        again = words(30.0, 31.0, 32.0)
        assert len(alerts(run(words(1.0, 2.0, 3.0) + weak_tail + again))) == 2

    def test_two_calls_with_a_pause_between_are_two_alerts(self):
        assert len(alerts(run(words(1.0, 2.0, 3.0, 9.0, 10.0, 11.0)))) == 2

    def test_a_late_better_report_of_a_word_completes_the_call(self):
        said = words(1.0, 2.0) + words(3.0, score=0.0)
        better = Hit("suspend", 3.0, 3.6, 2.5)
        (alert,) = alerts(run([*said, better]))
        assert alert.hits[-1] == better

    def test_several_phrases_are_followed_each_on_its_own(self):
        settings = Settings(phrases=(PHRASE, PhraseSettings(words="cease fire", repeats=2)))
        said = words(1.0, 2.0, 3.0) + words(1.5, 2.5, phrase="cease fire")
        assert [(a.phrase, len(a.hits)) for a in alerts(run(said, settings))] == [("cease fire", 2), ("suspend", 3)]

    def test_two_different_words_do_not_add_up(self):
        settings = Settings(phrases=(PHRASE, PhraseSettings(words="hold")))
        assert alerts(run(words(1.0, 3.0) + words(2.0, phrase="hold"), settings)) == []

    def test_the_raw_level_takes_the_place_of_the_sensitivity(self):
        assert len(alerts(run(words(1.0, 2.0, 3.0, score=1.0), Settings(alert_level=2.5)))) == 1

    @pytest.mark.parametrize("sensitivity, heard", [("cautious", 0), ("balanced", 1), ("eager", 1)])
    def test_sensitivity_moves_the_level(self, sensitivity, heard):
        assert len(alerts(run(words(1.0, 2.0, 3.0, score=1.9), Settings(sensitivity=sensitivity)))) == heard

    def test_a_calibration_that_lets_two_words_alert_is_refused(self):
        with pytest.raises(ValueError, match="word_cap"):
            replace(CALIBRATION, word_cap=4.0)


def shift_hit(hit: Hit, by: float) -> Hit:
    return replace(hit, start_s=hit.start_s + by, end_s=hit.end_s + by)


def shifted(event: Event, by: float) -> Event:
    return replace(
        event,
        start_s=event.start_s + by,
        end_s=event.end_s + by,
        raised_s=event.raised_s + by,
        hits=tuple(shift_hit(h, by) for h in event.hits),
    )
