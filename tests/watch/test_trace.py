"""The level strip: a time for each tenth of a second, each newer than the one before, or a page would leave some out."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.settings.watch import HealthSettings
from listener.sound.ring import Ring
from listener.watch.trace import Trace

RATE_HZ = 8_000


@pytest.fixture
def measured():
    """A trace of a line, and how to let sound come in: heard(frames, unix_s) -> the strip's times."""
    ring = Ring.create(RATE_HZ, 1, 4.0)
    trace = Trace(HealthSettings(), 0)
    trace.use(ring)

    def heard(frames: int, unix_s: float) -> list[float]:
        ring.write(np.full((frames, 1), 0.1, np.float32))
        trace.measure(ring, unix_s)
        return [value.unix_s for value in trace.strip]

    yield heard
    ring.free()
    ring.close()


def test_sound_that_comes_steadily_is_timed_by_when_it_came(measured):
    measured(800, 1000.1)
    assert measured(1_600, 1000.3) == pytest.approx([1000.1, 1000.2, 1000.3])


@given(bursts=st.lists(st.tuples(st.integers(0, 4_000), st.floats(0.0, 0.5)), min_size=1, max_size=20))
def test_however_sound_comes_in_bursts_each_value_is_newer_than_the_one_before(bursts):
    ring = Ring.create(RATE_HZ, 1, 4.0)
    trace = Trace(HealthSettings(), 0)
    trace.use(ring)
    unix_s = 1000.0
    for frames, later_s in bursts:
        unix_s += later_s
        ring.write(np.full((frames, 1), 0.1, np.float32))
        trace.measure(ring, unix_s)
    times = [value.unix_s for value in trace.strip]
    ring.free()
    ring.close()
    assert all(a < b for a, b in pairwise(times))


def test_a_clock_that_is_put_back_takes_the_strip_with_it(measured):
    measured(800, 1000.0)
    assert measured(800, 400.0) == pytest.approx([1000.0, 400.0])
