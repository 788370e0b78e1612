"""Scoring, on bursts that the fake engine hears: every figure is known beforehand."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.drill.check import check_drill
from listener.drill.hear import hear
from listener.drill.score import DrillScore, score
from listener.drill.script import drill_settings, read_drill
from listener.settings import Settings
from tests.drill.exercise import RATE_HZ, call_at, write_wav
from tests.fakes import BurstEngine


def scored(folder: Path, engine: BurstEngine | None = None, **drill) -> DrillScore:
    """The score of a drill whose recordings are there already."""
    path = folder / "drill.yaml"
    path.write_text(yaml.safe_dump({"title": "x", **drill}))
    found = read_drill(path)
    sounds = check_drill(found, path)
    settings = Settings.model_validate({**dict(drill_settings(found, folder)), "gate": "off"})
    return score(found, [hear(sound, settings, engine or BurstEngine()) for sound in sounds], "bursts")


LAUNCH = {"name": "launch", "file": "launch.wav"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three calls at 10, 30 and 50 s, and two words alone at 70 s."""
    words = [*call_at(10.0), *call_at(30.0), *call_at(50.0), *call_at(70.0, words=2)]
    write_wav(tmp_path / "launch.wav", words, 90.0)
    return tmp_path


def test_found_missed_false_and_partly(folder: Path) -> None:
    found = scored(
        folder,
        recordings=[LAUNCH],
        calls=[{"at_s": [10.0, 11.8]}, {"at_s": [30.0, 31.8]}, {"at_s": [69.9, 72.0]}, {"at_s": [80, 82]}],
    )
    assert [call.status for call in found.calls] == ["found", "found", "partly heard", "missed"]
    assert (found.found, found.counted) == (2, 4)
    assert [x.event.start_s for x in found.false_alerts] == [pytest.approx(50.0, abs=0.02)]
    assert found.partly == ()
    assert found.heard_s == 90.0


def test_two_words_without_a_call_are_told_apart(folder: Path) -> None:
    found = scored(folder, recordings=[LAUNCH], calls=[{"at_s": 10.0}, {"at_s": 30.0}, {"at_s": 50.0}])
    assert [x.event.start_s for x in found.partly] == [pytest.approx(70.0, abs=0.02)]
    assert found.false_alerts == ()


def test_delays_count_from_the_end_of_the_third_word(folder: Path) -> None:
    words = call_at(30.0)
    actions = [
        {"who": "tower", "what": "heard", "at_s": 32.5},
        {"who": "tower", "what": "pressed", "at_s": 33.8, "call": 1},
        {"who": "deck", "what": "signalled", "at_s": 31.0},
        {"who": "deck", "what": "signalled", "at_s": 5.0},
    ]
    found = scored(
        folder,
        recordings=[LAUNCH],
        calls=[{"at_s": [30.0, 31.8], "words_s": [list(w) for w in words]}],
        actions=actions,
    )
    (call,) = found.calls
    assert call.complete_s == pytest.approx(31.8) and call.timed_by == "trainer"
    assert call.alert is not None
    assert call.delay_s == pytest.approx(call.alert.raised_s - 31.8)
    assert 0.0 <= call.delay_s <= 0.1
    # in time order; an action may come before the call is complete
    assert [(a.action.who, round(a.delay_s, 3)) for a in call.actions if a.delay_s is not None] == [
        ("deck", -0.8),
        ("tower", 0.7),
        ("tower", 2.0),
    ]
    assert [a.action.at_s for a in found.other_actions] == [5.0]


def test_of_four_words_the_third_completes_the_call(folder: Path) -> None:
    words = call_at(10.0, words=4)
    write_wav(folder / "four.wav", words, 20.0)
    call = {"at_s": [words[0][0], words[3][1]], "words_s": [list(w) for w in words]}
    found = scored(folder, recordings=[{"name": "four", "file": "four.wav"}], calls=[call])
    assert found.calls[0].complete_s == pytest.approx(words[2][1])
    assert found.calls[0].status == "found" and found.false_alerts == ()


def test_a_call_to_find_takes_the_machines_time_and_does_not_count(folder: Path) -> None:
    calls = [{"at_s": "find it"}, {"at_s": [30.0, 31.8]}, {"at_s": "find it"}, {"at_s": "find it"}]
    found = scored(folder, recordings=[LAUNCH], calls=calls, actions=[{"who": "a", "what": "heard", "at_s": 52.8}])
    assert [(c.status, c.counted, c.timed_by) for c in found.calls] == [
        ("found", False, "machine"),
        ("found", True, "trainer"),
        ("found", False, "machine"),
        ("missed", False, "nobody"),
    ]
    assert found.calls[0].complete_s == pytest.approx(11.8, abs=0.02)
    assert found.calls[2].actions[0].delay_s == pytest.approx(1.0, abs=0.02)
    assert (found.found, found.counted, found.false_alerts) == (1, 1, ())
    assert len(found.delays_s) == 1


def test_a_drafted_call_that_nobody_checked_does_not_count(folder: Path) -> None:
    found = scored(folder, recordings=[LAUNCH], calls=[{"at_s": [10.0, 11.8], "checked": False}, {"at_s": [30, 31.8]}])
    assert [call.status for call in found.calls] == ["found", "found"]
    assert (found.found, found.counted) == (1, 1)
    assert len(found.delays_s) == 1
    assert len(found.false_alerts) == 1


def test_a_call_known_by_about_when_it_began_counts(folder: Path) -> None:
    found = scored(folder, recordings=[LAUNCH], calls=[{"at_s": 9.2}, {"at_s": 33.0}])
    assert [(c.status, c.counted, c.timed_by) for c in found.calls] == [
        ("found", True, "machine"),
        ("missed", True, "nobody"),
    ]
    assert found.delays_s == []


def test_two_recorders_with_an_offset(folder: Path) -> None:
    """The deck's recorder was started 4 s late; on it the second call is missing, and another is said."""
    write_wav(folder / "deck.wav", [*call_at(6.0), *call_at(40.0)], 60.0, channels=2)
    deck = {"name": "deck", "file": "deck.wav", "channel": 1, "offset_s": 4.0}
    calls = [{"at_s": [10.0, 11.8]}, {"at_s": [30.0, 31.8]}, {"at_s": [50.0, 51.8], "recording": "launch"}]
    found = scored(folder, recordings=[LAUNCH, deck], calls=calls)
    missed_on = [tuple(name for name, _ in c.missed_on) for c in found.calls]
    assert [c.status for c in found.calls] == ["found"] * 3 and missed_on == [(), ("deck",), ()]
    assert sorted(name for name, _ in found.calls[0].alerts) == ["deck", "launch"]
    assert [(x.track, round(x.event.start_s, 1)) for x in found.false_alerts] == [("deck", 44.0)]
    assert found.heard_s == pytest.approx(150.0)
    assert (found.start_s, found.end_s) == (0.0, 90.0)


def test_another_phrase_answers_no_call(folder: Path) -> None:
    found = scored(folder, recordings=[LAUNCH], calls=[{"at_s": [10.0, 11.8], "phrase": "hold"}])
    assert found.calls[0].status == "missed"
    assert len(found.false_alerts) == 3


def test_what_made_it_hard_is_named(folder: Path) -> None:
    words = call_at(0.02)
    samples = write_wav(folder / "hard.wav", [*words, *call_at(20.0)], 30.0)
    samples[round(19.5 * RATE_HZ) : round(22.5 * RATE_HZ)] += np.random.default_rng(1).normal(0, 0.5, (3 * RATE_HZ, 1))
    soundfile.write(folder / "hard.wav", np.clip(samples, -1, 1), RATE_HZ)
    cut = [(20.2, 20.4), *call_at(20.0)[1:]]
    calls = [{"at_s": [0.02, 1.82]}, {"at_s": [20.2, 21.8], "words_s": [list(w) for w in cut]}]
    traffic = [{"at_s": [21.0, 24.0], "who": "deck"}, {"at_s": [22.0, 24.0], "who": "tower"}]
    found = scored(folder, recordings=[{"name": "hard", "file": "hard.wav"}], calls=calls, traffic=traffic)
    assert "start cut off: the recording begins in it" in found.calls[0].hard
    second = found.calls[1].hard
    assert any(h.startswith("noise: −") for h in second)
    assert any(h.startswith("clipping: ") for h in second)
    assert "start cut off: its first word lasts 50% of the others" in second
    assert "overlap: deck speaks over it" in second and "overlap: tower speaks over it" not in second


def test_a_recording_that_could_not_be_heard_is_told(folder: Path) -> None:
    samples = write_wav(folder / "dead.wav", call_at(5.0), 60.0)
    samples[20 * RATE_HZ : 50 * RATE_HZ] = 0
    soundfile.write(folder / "dead.wav", samples, RATE_HZ)
    found = scored(folder, recordings=[{"name": "dead", "file": "dead.wav"}], calls=[{"at_s": [30, 32]}])
    (lost,) = [x for x in found.unheard if x.stretch.why == "no sound"]
    assert (lost.track, round(lost.stretch.start_s), round(lost.stretch.end_s)) == ("dead", 20, 50)
    assert "channel: no sound at the time" in found.calls[0].hard
