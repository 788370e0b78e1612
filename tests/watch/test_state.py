"""The one state of a channel, and the clock that must not jump."""

import pytest

from listener.watch.clock import JumpWatch
from listener.watch.health import Reason
from listener.watch.state import Choice, State, choose

BLIND = (Reason("device_gone", "unplugged"),)
NOW = 1_000.0


@pytest.mark.parametrize(
    "reasons, call_ago_s, partly_ago_s, state",
    [
        ((), None, None, State.LISTENING),
        ((), None, 5.0, State.PARTLY_HEARD),
        ((), None, 15.0, State.LISTENING),  # partly heard is shown for ten seconds
        ((), 5.0, None, State.CALL_HEARD),
        ((), 5_000.0, None, State.CALL_HEARD),  # stays until acknowledged
        ((), 5.0, 2.0, State.CALL_HEARD),
        (BLIND, None, None, State.BLIND),
        (BLIND, None, 2.0, State.BLIND),
        (BLIND, 5.0, None, State.CALL_HEARD),  # a fresh call comes first
        (BLIND, 31.0, None, State.BLIND),  # but blindness is never hidden for long
    ],
)
def test_a_channel_is_in_exactly_one_state(reasons, call_ago_s, partly_ago_s, state):
    choice = Choice(
        reasons,
        None if call_ago_s is None else NOW - call_ago_s,
        None if partly_ago_s is None else NOW - partly_ago_s,
    )
    assert choose(choice, NOW, call_first_s=30.0, partly_shown_s=10.0) is state


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 0.6, -0.6])
def test_a_step_of_the_wall_clock_is_seen_at_the_next_tick_and_worries_for_a_while(step_s):
    watch = JumpWatch(limit_s=0.5)
    assert not watch.tick(10.0, 5_000.0)
    assert not watch.tick(10.1, 5_000.1)
    assert watch.tick(10.2, 5_000.2 + step_s)
    assert watch.step_s == pytest.approx(step_s)
    assert watch.is_worried(12.0) and not watch.is_worried(16.0)
    assert not watch.tick(10.3, 5_000.3 + step_s)


def test_a_clock_that_is_drawn_in_slowly_is_no_step():
    watch = JumpWatch(limit_s=0.5)
    assert not any(watch.tick(t * 0.1, t * 0.1005) for t in range(10_000))


def test_a_held_up_station_is_no_step():
    watch = JumpWatch(limit_s=0.5)
    assert not watch.tick(10.0, 5_000.0)
    assert not watch.tick(25.0, 5_015.0)
