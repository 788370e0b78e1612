"""The Monitor: the same samples give the same events, however they come in, at true times."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from listener.errors import UserError
from listener.events import Alert, Block, Fault, Hit
from listener.monitor import Monitor
from listener.settings import GateSettings, PhraseSettings, Settings
from tests.fakes import BurstEngine, bursts

OPEN = Settings(gate="off")
THREE = [(1.0, 1.4), (2.0, 2.4), (3.0, 3.4)]


def listen(samples, rate_hz, sizes=(), settings=OPEN, engine=None):
    monitor = Monitor(settings, rate_hz, engine=engine or BurstEngine())
    events, at = [], 0
    for piece in np.split(samples, np.cumsum(sizes, dtype=int)):
        events += monitor.feed(Block(piece, at, rate_hz))
        at += len(piece)
    return events + monitor.finish()


@given(
    st.lists(st.integers(0, 30_000), max_size=12),
    st.sampled_from([4_000, 8_000, 11_025, 16_000, 44_100, 48_000, 192_000]),
    st.sampled_from([OPEN, Settings(gate=GateSettings(aggressiveness=1, hangover_s=0.2))]),
)
@hypothesis_settings(max_examples=25)
def test_the_same_samples_in_blocks_of_any_sizes_give_the_same_events_to_the_last_field(sizes, rate_hz, settings):
    rng = np.random.default_rng(7)
    samples = bursts([*THREE, (9.0, 9.4), (10.0, 10.4)], 11.0, rate_hz)
    samples += rng.normal(0, 0.01, len(samples)).astype(np.float32)
    assert listen(samples, rate_hz, sizes, settings) == listen(samples, rate_hz, (), settings)


@pytest.mark.parametrize("rate_hz", [4_000, 8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000])
def test_times_are_those_of_the_file_at_any_rate(rate_hz):
    (alert,) = listen(bursts(THREE, 5.0, rate_hz), rate_hz)
    heard = [(hit.start_s, hit.end_s) for hit in alert.hits]
    assert np.abs(np.array(heard) - THREE).max() <= 0.011  # the fake hears in pieces of 10 ms
    assert alert.end_s < alert.raised_s < alert.end_s + (0.3 if rate_hz < 8_000 else 0.17)


def test_raised_s_is_the_last_sample_that_had_been_fed():
    samples = bursts(THREE, 5.0, 16_000)
    monitor = Monitor(OPEN, 16_000, engine=BurstEngine())
    for i in range(0, len(samples), 320):
        for event in monitor.feed(Block(samples[i : i + 320], i, 16_000)):
            assert event.raised_s == (i + 320) / 16_000 == monitor.now_s
            return
    pytest.fail("no alert")


def test_a_call_at_the_very_end_is_heard_when_the_stream_ends():
    (alert,) = listen(bursts(THREE, 3.4, 44_100), 44_100)
    assert isinstance(alert, Alert)
    assert alert.raised_s == 3.4


def test_two_words_at_the_end_are_partly_heard():
    (event,) = listen(bursts(THREE[:2], 2.5, 16_000), 16_000)
    assert (event.kind, event.raised_s) == ("partly_heard", 2.5)


def test_the_gate_costs_no_call_in_noise_and_skips_silence():
    engine = BurstEngine()
    fed = []
    spotter = engine.spotter()
    feed = spotter.feed
    spotter.feed = lambda samples: fed.append(len(samples)) or feed(samples)
    engine.spotter = lambda: spotter
    samples = bursts([(20.0 + s, 20.0 + e) for s, e in THREE], 60.0, 16_000)
    (alert,) = listen(samples, 16_000, settings=Settings(), engine=engine)
    assert abs(alert.start_s - 21.0) <= 0.01
    assert sum(fed) < 10 * 16_000


def test_values_that_are_no_numbers_are_one_fault_and_taken_as_silence():
    samples = bursts(THREE, 5.0, 16_000)
    samples[[100, 5_000, 70_000]] = [np.nan, np.inf, -np.inf]
    fault, alert = listen(samples, 16_000)
    assert isinstance(fault, Fault) and (fault.what, fault.raised_s) == ("not_finite", 0.02)
    assert isinstance(alert, Alert)


@pytest.mark.parametrize("offset", [-0.9, 0.3])
def test_a_steady_offset_is_taken_away_without_a_thump(offset):
    samples = np.clip(bursts(THREE, 5.0, 16_000) * 0.3 + offset, -1, 1).astype(np.float32)
    (alert,) = listen(samples, 16_000)
    assert np.abs(np.array([(h.start_s, h.end_s) for h in alert.hits]) - THREE).max() <= 0.02


def test_a_broken_gate_is_a_fault_and_costs_no_call(monkeypatch):
    class Broken:
        def is_speech(self, pcm16, rate_hz):
            raise RuntimeError("no more")

    monkeypatch.setattr("listener.speech.gate._webrtc", lambda aggressiveness: Broken())
    fault, alert = listen(bursts(THREE, 5.0, 16_000), 16_000, settings=Settings())
    assert (fault.kind, fault.what, alert.kind) == ("fault", "gate", "alert")


@pytest.mark.parametrize("rate_hz", [0, 3_999, 192_001])
def test_rates_out_of_range_are_refused(rate_hz):
    with pytest.raises(UserError, match="must be 4000 to 192000 Hz"):
        Monitor(OPEN, rate_hz, engine=BurstEngine())


def test_two_channels_share_one_engine_and_do_not_mix():
    engine = BurstEngine()
    one, two = (Monitor(OPEN, 16_000, channel, engine) for channel in (0, 1))
    first, second = bursts(THREE[:2], 5.0, 16_000), bursts(THREE[2:], 5.0, 16_000)
    events = []
    for i in range(0, 80_000, 1_000):
        events += one.feed(Block(first[i : i + 1_000], i, 16_000))
        events += two.feed(Block(second[i : i + 1_000], i, 16_000))
    events += one.finish() + two.finish()
    assert [(e.kind, e.channel) for e in events] == [("partly_heard", 0)]


def test_repeats_can_be_set():
    settings = Settings(gate="off", phrases=(PhraseSettings(words="suspend", repeats=2),))
    (alert,) = listen(bursts(THREE[:2], 5.0, 16_000), 16_000, settings=settings)
    assert (alert.repeats, len(alert.hits)) == (2, 2)


def test_after_a_gap_listening_goes_on_at_the_true_time():
    monitor = Monitor(OPEN, 44_100, engine=BurstEngine())
    samples = bursts(THREE, 5.0, 44_100)
    hour = 3600 * 44_100
    events = monitor.feed(Block(samples[:22_050], 0, 44_100)) + monitor.feed(Block(samples, hour, 44_100))
    fault, alert = events + monitor.finish()
    assert (fault.what, fault.raised_s) == ("gap", 3600.0)
    assert "3599.500 s" in fault.detail
    assert abs(alert.start_s - 3601.0) <= 0.011


def test_words_on_both_sides_of_a_short_gap_make_one_call():
    monitor = Monitor(OPEN, 16_000, engine=BurstEngine())
    samples = bursts(THREE, 5.0, 16_000)
    events = monitor.feed(Block(samples[:24_000], 0, 16_000)) + monitor.feed(Block(samples[25_000:], 25_000, 16_000))
    assert [event.kind for event in events + monitor.finish()] == ["fault", "alert"]


@pytest.mark.parametrize("first_sample, rate_hz", [(99, 16_000), (100, 8_000)])
def test_blocks_of_another_rate_or_a_step_back_are_refused(first_sample, rate_hz):
    monitor = Monitor(OPEN, 16_000, engine=BurstEngine())
    monitor.feed(Block(np.zeros(100, np.float32), 0, 16_000))
    with pytest.raises(ValueError, match="expected sample 100 or later, 16000 Hz"):
        monitor.feed(Block(np.zeros(10, np.float32), first_sample, rate_hz))


def test_whoever_asks_is_told_the_words_as_the_call_rule_hears_them() -> None:
    told: list[tuple[float, list[Hit]]] = []
    monitor = Monitor(OPEN, 16_000, engine=BurstEngine(), on_hits=lambda now_s, hits: told.append((now_s, hits)))
    (alert,) = monitor.feed(Block(bursts(THREE, 5.0, 16_000), 0, 16_000))
    words = [hit for _, hits in told for hit in hits]
    assert set(alert.hits) <= set(words)
    assert alert.raised_s in [now_s for now_s, _ in told]
