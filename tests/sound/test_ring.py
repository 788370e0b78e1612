"""The ring: frames keep their numbers, nothing blocks, what is gone is said to be gone."""

import multiprocessing

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.sound.ring import Overwritten, Ring

RATE_HZ = 1_000


@pytest.fixture
def ring():
    made = Ring.create(RATE_HZ, 2, 4.0)
    yield made
    made.free()
    made.close()


def ramp(first: int, count: int) -> np.ndarray:
    """Frames that hold their own number, and its negative in the second column."""
    numbers = np.arange(first, first + count, dtype=np.float32)
    return np.stack([numbers, -numbers], axis=1)


@given(lengths=st.lists(st.integers(0, 900), min_size=1, max_size=30))
def test_whatever_is_still_there_reads_back_by_its_number(lengths):
    ring = Ring.create(RATE_HZ, 2, 4.0)
    for length in lengths:
        ring.write(ramp(ring.written, length))
    assert ring.written == sum(lengths)
    first = ring.oldest
    np.testing.assert_array_equal(ring.read(0, first, ring.written), np.arange(first, ring.written))
    np.testing.assert_array_equal(ring.read(1, first, ring.written), -np.arange(first, ring.written))
    ring.free()


def test_sound_that_was_written_over_is_refused_and_the_oldest_is_named(ring):
    for _ in range(10):
        ring.write(ramp(ring.written, 900))
    assert ring.written - ring.oldest == 3 * RATE_HZ  # four seconds, one kept free for the writer
    with pytest.raises(Overwritten) as caught:
        ring.read(0, ring.oldest - 1, ring.written)
    assert caught.value.first == ring.oldest


def test_sound_that_has_not_come_is_refused(ring):
    ring.write(ramp(0, 10))
    with pytest.raises(Overwritten):
        ring.read(0, 0, 11)


@pytest.mark.parametrize("missing", [1, 500, 3_999, 4_000, 50_000])
def test_a_hole_keeps_the_numbers_true_and_reads_as_silence(ring, missing):
    ring.write(ramp(0, 700))
    hole = ring.skip(missing)
    ring.write(ramp(ring.written, 300))
    assert (hole.first, hole.after) == (700, 700 + missing) == (ring.hole.first, ring.hole.after)
    assert ring.written == 1_000 + missing
    np.testing.assert_array_equal(ring.read(0, ring.written - 300, ring.written), ramp(hole.after, 300)[:, 0])
    first = max(ring.oldest, hole.first)
    assert not ring.read(0, first, hole.after).any()


def test_a_reader_s_report_is_seen_by_others(ring):
    other = Ring.attach(ring.name)
    assert (other.heard(1), other.heartbeat_ns(1)) == (0, 0)
    ring.report(1, 1_234)
    assert other.heard(1) == 1_234 and other.heartbeat_ns(1) > 0
    assert other.heard(0) == 0
    other.close()


def _write_in_child(name: str) -> None:
    ring = Ring.attach(name)
    ring.write(ramp(0, 250))
    ring.close()


def test_another_process_writes_and_this_one_reads(ring):
    child = multiprocessing.get_context("spawn").Process(target=_write_in_child, args=(ring.name,))
    child.start()
    child.join(30)
    assert child.exitcode == 0
    np.testing.assert_array_equal(ring.read(0, 0, 250), np.arange(250))


def test_too_many_columns_are_refused():
    with pytest.raises(ValueError, match="must be 1 to 32"):
        Ring.create(RATE_HZ, 33, 1.0)
