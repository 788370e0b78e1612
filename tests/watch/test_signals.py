"""What sounds when: until somebody acknowledges or all is well, softly for blindness, and never without end."""

import pytest

from listener.settings.watch import ToneSettings
from listener.watch.signals import Blindness, Signals

SETTINGS = ToneSettings(
    for_s=15, again_s=30, most_per_hour=5, blind_again_s=60, blind_most_per_hour=4, blind_after_s=3,
)  # fmt: skip
NONE: frozenset[int] = frozenset()


def sounded(signals: Signals, first_s: int, after_s: int, calls=NONE, blind=NONE) -> list[tuple[int, str]]:
    """When something began to sound, and what, second by second."""
    began, before = [], None
    for now_s in range(first_s, after_s):
        signal = signals.tick(float(now_s), frozenset(calls), frozenset(blind))
        if signal and signal != before:
            began.append((now_s, signal))
        before = signal
    return began


def test_an_alert_sounds_again_until_it_is_acknowledged():
    signals = Signals(SETTINGS)
    assert sounded(signals, 0, 100, calls={1}) == [(0, "alert"), (45, "alert"), (90, "alert")]
    assert signals.tick(101.0, NONE, NONE) is None
    assert sounded(signals, 102, 400) == []


def test_a_new_alert_sounds_at_once_and_past_the_hour_s_limit():
    signals = Signals(SETTINGS)
    assert len(sounded(signals, 0, 3_000, calls={1})) == 5
    assert sounded(signals, 3_000, 3_010, calls={1, 2}) == [(3_000, "alert")]


def test_blindness_sounds_again_and_a_held_back_signal_is_told_once():
    signals = Signals(SETTINGS)
    assert sounded(signals, 0, 240, blind={(0, 1)}) == [(0, "blind"), (62, "blind"), (124, "blind"), (186, "blind")]
    told = []
    for now_s in range(240, 1_000):
        assert signals.tick(float(now_s), NONE, frozenset({(0, now_s)})) is None
        told += [signals.held_back] if signals.held_back else []
    assert told == ["the blind signal has sounded 4 times in an hour; the display still shows it"]
    assert sounded(signals, 3_600, 3_700, blind={(0, 9)})[0] == (3_600, "blind")


def test_an_alert_breaks_into_the_blind_signal_and_never_the_other_way_round():
    signals = Signals(SETTINGS)
    assert signals.tick(0.0, NONE, frozenset({1})) == "blind"
    assert signals.tick(0.5, frozenset({7}), frozenset({1})) == "alert"
    assert signals.tick(1.0, frozenset({7}), frozenset({1, 2})) == "alert"
    assert sounded(signals, 2, 45, calls={7}, blind={1, 2}) == [(2, "alert"), (16, "blind")], "in the alert's pause"
    assert signals.tick(71.0, NONE, NONE) is None


@pytest.mark.parametrize("off", [{"enabled": False}, {"blind": False}])
def test_it_can_be_turned_off(off):
    signals = Signals(SETTINGS.model_copy(update=off))
    assert sounded(signals, 0, 100, blind={1}) == []


def blind_for(blindness: Blindness, first_s: float, after_s: float, *codes: str) -> None:
    for tenth in range(round(first_s * 10), round(after_s * 10)):
        blindness.tick(tenth / 10, codes)


def test_acknowledging_silences_this_blindness_and_a_new_one_sounds():
    blindness = Blindness(after_s=3.0)
    blind_for(blindness, 0, 2.5, "device_gone")
    assert not blindness.wants_signal
    blind_for(blindness, 2.5, 4, "device_gone")
    assert blindness.wants_signal and blindness.count == 1
    assert blindness.acknowledge("ann") and not blindness.acknowledge("bob")
    blind_for(blindness, 4, 60, "no_frames")
    assert not blindness.wants_signal and blindness.acknowledged_by == "ann"
    blind_for(blindness, 60, 61)  # a moment of sound is not well yet
    blind_for(blindness, 61, 70, "device_gone")
    assert not blindness.wants_signal and blindness.count == 1
    blind_for(blindness, 70, 74)
    assert blindness.acknowledged_by == "" and not blindness.acknowledge("ann")
    blind_for(blindness, 74, 78, "device_gone")
    assert blindness.wants_signal and blindness.count == 2


def test_a_start_is_silent_until_it_goes_wrong():
    blindness = Blindness(after_s=3.0)
    blind_for(blindness, 0, 100, "starting")
    assert not blindness.is_on
    blind_for(blindness, 100, 104, "stalled")
    assert blindness.wants_signal
    blind_for(blindness, 104, 110, "starting")  # it is loaded anew: no less blind
    assert blindness.wants_signal
