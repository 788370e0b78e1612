"""One trial: a pure function of (plan, index), judged one to one, with failures told as failures."""

import itertools
from collections import Counter
from dataclasses import replace
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.events import RATE_HZ
from listener.radio import active_level_dbov, band_pass, rms_dbov
from listener.settings import PhraseSettings, settings_from
from listener.study import trials
from listener.study.bank import build
from listener.study.design import CALL, NEGATIVE, Design, speaker_of
from listener.study.negatives import cards_of, is_hard, talk_of
from listener.study.plan import plan_from
from listener.study.sound import _stems, make_sound
from listener.study.trials import Study, listen, run_trial
from tests.fakes import CALIBRATION, BurstEngine, bursts

SETTINGS = settings_from({"gate": "off"}, "test")


@pytest.fixture
def study(small) -> Study:
    plan = plan_from(small, "plan")
    return Study(Design(plan), build(plan))


@pytest.fixture
def loud_study(study, monkeypatch) -> Study:
    """The study with an engine that takes every loud burst for the word."""
    monkeypatch.setattr(trials, "load_engine", lambda settings: BurstEngine())
    return study


def test_the_design_counts_every_sound_once(small):
    design = Design(plan_from(small, "plan"))
    slots = [design.slot(i) for i in range(design.sounds)]
    assert len(set(slots)) == design.sounds == 4 + 2 * 2 * 3
    assert [s.condition.kind for s in slots] == [NEGATIVE] * 4 + [CALL] * 12
    assert [i for chunk in design.chunks() for i in chunk] == list(range(design.sounds))


@given(st.integers(1, 3000), st.floats(0.0, 5.0), st.integers(1, 3))
def test_chunks_cover_any_design_in_a_bounded_number(count, hours, kinds):
    plan = plan_from({"name": "p", "speech": {"voices": ["flite rms"]}, "engines": {"a": {"engine": "sphinx"}}, "trials": count,
                      "noises": ["turbine", "pink", "white"][:kinds], "negatives": {"hours": hours}}, "plan")  # fmt: skip
    design = Design(plan)
    chunks = list(design.chunks())
    assert chunks[0].start == 0 and chunks[-1].stop == design.sounds
    assert all(a.stop == b.start for a, b in itertools.pairwise(chunks)) and len(chunks) <= 501


def test_half_of_the_work_is_half_of_the_calls_and_half_of_the_talk(small):
    design = Design(plan_from({**small, "trials": 50, "negatives": {"hours": 1, "piece_s": 30}}, "plan"))
    order = [i for chunk in sorted(design.chunks(), key=design.turn) for i in chunk]
    assert sorted(order) == list(range(design.sounds))
    half = [design.slot(i).condition.kind for i in order[: design.sounds // 2]]
    assert half.count(NEGATIVE) == pytest.approx(60, abs=3) and half.count(CALL) == pytest.approx(100, abs=3)


def test_without_noise_all_kinds_of_noise_are_one_condition(small):
    design = Design(plan_from({**small, "snr_db": [None, 0.0]}, "plan"))
    calls = {design.slot(i).condition for i in range(design.sounds)} - {None}
    assert sorted((c.noise, c.snr_db) for c in calls if c.kind == CALL and c.snr_db is None) == [("none", None)]


def test_a_sound_is_the_same_whenever_it_is_made_and_in_whatever_order(study):
    forwards = [make_sound(study.design, study.bank, i).samples for i in range(study.design.sounds)]
    for i in reversed(range(study.design.sounds)):
        assert np.array_equal(forwards[i], make_sound(study.design, study.bank, i).samples)


def test_another_condition_in_the_plan_leaves_the_other_sounds_alone(study, small):
    more = plan_from({**small, "noises": ["turbine", "pink", "rotor"]}, "plan")
    wider = Design(more)
    places = {wider.slot(i): i for i in range(wider.sounds)}
    for i in range(4, study.design.sounds):
        same = make_sound(wider, study.bank, places[study.design.slot(i)]).samples
        assert np.array_equal(same, make_sound(study.design, study.bank, i).samples)


def test_speech_stands_over_the_noise_by_what_the_plan_says(study):
    plan = study.design.plan
    for i in range(4, study.design.sounds):
        slot = study.design.slot(i)
        said = np.concatenate([study.bank.sound(c) for c in study.bank.takes("suspend", "ann")])
        speech, under, _ = _stems(plan, study.bank, slot, np.pad(said, 8000))
        inside = [band_pass(stem, RATE_HZ, *plan.band_hz) for stem in (speech, under)]
        assert active_level_dbov(inside[0], RATE_HZ) - rms_dbov(inside[1]) == pytest.approx(
            slot.condition.snr_db, abs=0.05
        )


def test_the_call_lies_where_the_truth_says(study):
    sound = make_sound(study.design, study.bank, study.design.sounds - 1)
    assert sound.call is not None and sound.call[0] == 1.0
    assert sound.call[1] == pytest.approx(sound.samples.size / RATE_HZ - 1.0) and sound.words == 3


def test_talk_never_adds_up_to_a_call(small):
    """Lines with the word itself keep more than the longest gap of a call between them."""
    plan = plan_from({**small, "speech": {"recordings": small["speech"]["recordings"]},
                      "negatives": {"hours": 0.05, "piece_s": 60, "pause_s": [0.0, 0.1], "snr_db": [None]}}, "plan")  # fmt: skip
    bank = build(plan)
    words = [c for c in bank.clips if c.role == "word"]
    loud = trials.Bank(tuple(replace(c, role="line") for c in words) + tuple(words), bank._samples)
    samples = make_sound(Design(plan), loud, 0).samples
    heard = np.flatnonzero(np.abs(samples) > 0.02)
    pauses_s = np.diff(heard)[np.diff(heard) > 0.3 * RATE_HZ] / RATE_HZ
    assert pauses_s.size > 5 and pauses_s.min() > 1.4


def test_no_line_is_said_again_before_all_were_said(small):
    plan = plan_from({**small, "negatives": {"hours": 0.1, "piece_s": 20, "snr_db": [None]}}, "plan")
    bank = build(plan)
    dealt = [said.card for piece in talk_of(Design(plan), bank) for said in piece]
    whole = len(cards_of(plan, bank))
    assert whole >= len(bank.lines) and len(dealt) > 2 * whole
    for start in range(0, len(dealt) - whole, whole):
        assert len(set(dealt[start : start + whole])) == whole


def test_each_ratio_of_the_negatives_has_equal_parts(small):
    """Five noises at two ratios and quiet: one third each, though quiet is one condition and each ratio is five."""
    noises = ["turbine", "pink", "white", "rotor", "static"]
    design = Design(plan_from({**small, "noises": noises, "negatives": {"hours": 0.5, "piece_s": 20, "snr_db": [None, 9, 3]}}, "p"))
    counted = Counter(design.slot(i).condition.snr_db for i in range(design.negative_count))
    assert counted == {None: 30, 9.0: 30, 3.0: 30} and set(design.negative_seconds().values()) == {600.0}
    assert len({design.slot(i) for i in range(design.negative_count)}) == 90


def test_with_fewer_trials_than_speakers_each_noise_has_others_and_each_snr_the_same(small):
    plan = plan_from({**small, "trials": 2}, "plan")
    design, who = Design(plan), tuple("abcd")
    made = {}
    for slot in map(design.slot, range(design.negative_count, design.sounds)):
        made.setdefault((slot.condition.noise, slot.condition.snr_db), set()).add(speaker_of(plan, slot, who))
    assert made == {("turbine", 20.0): {"a", "b"}, ("turbine", 0.0): {"a", "b"}, ("pink", 20.0): {"c", "d"}, ("pink", 0.0): {"c", "d"}}


def test_the_snr_after_the_radio_is_that_of_the_call_where_the_radio_does_nothing(study):
    clean, harsh = (
        Design(plan_from({**study.design.plan.model_dump(), "radios": {"set": radio}}, "plan"))
        for radio in ("clean", [{"static": {"level_dbov": -26}}])
    )
    for i in range(4, clean.sounds):
        sound = make_sound(clean, study.bank, i)
        assert sound.snr_heard_db == pytest.approx(sound.snr_call_db, abs=0.01)
        sound = make_sound(study.design, study.bank, i)  # its radio has the band in which the plan states the SNR
        assert sound.snr_call_db == pytest.approx(clean.slot(i).condition.snr_db, abs=3.0)
    loud = make_sound(harsh, study.bank, 4)  # 20 dB of SNR, and the radio's hiss as strong as the speech
    assert loud.snr_heard_db < loud.snr_call_db - 10


def test_what_is_like_the_phrase():
    phrases = (PhraseSettings(words="suspend"),)
    hard = ("we suspend", "it was suspended", "the suspense", "it depends", "we spend a lot")
    for text in (*hard, "the weekend", "standby", "spare", ""):
        assert is_hard(text, phrases) == (text in hard), text


def test_a_false_alert_names_the_line_that_was_said(loud_study):
    row = run_trial(loud_study, 0)
    assert (row.lines and row.lines[0]["text"] == loud_study.bank.lines[0].text) or len(row.lines) > 1
    for told in row.peaks:
        line = row.lines[told["line"]]
        assert line["start_s"] - 4 < told["start_s"] < line["end_s"] + 4


def test_an_engine_that_hears_a_call_finds_it_with_its_delay(loud_study, monkeypatch):
    three = bursts([(1.0, 1.5), (1.8, 2.3), (2.6, 3.1)], 6.0, RATE_HZ)
    sound = make_sound(loud_study.design, loud_study.bank, 5)
    monkeypatch.setattr(trials, "make_sound", lambda *_: replace(sound, samples=three, call=(1.0, 3.1)))
    trial = run_trial(loud_study, 5)
    assert (trial.found, trial.partly, trial.failed, trial.false_alerts) == (True, True, None, 0)
    assert trial.delay_s == pytest.approx(0.02, abs=0.021)
    # three bursts of 2.0: log-odds = slope * (joint - even) = 1 * (6 - 4) less a hair for rhythm
    assert trial.score == pytest.approx(2.0, abs=0.01)
    assert [t["kind"] for t in trial.told] == ["alert"] and trial.told[0]["right"]


def test_two_of_three_is_partly_heard_and_not_found(loud_study, monkeypatch):
    two = bursts([(1.0, 1.5), (1.8, 2.3)], 9.0, RATE_HZ)
    engine = BurstEngine(score=2.9)
    monkeypatch.setattr(trials, "load_engine", lambda settings: engine)
    sound = make_sound(loud_study.design, loud_study.bank, 5)
    monkeypatch.setattr(trials, "make_sound", lambda *_: replace(sound, samples=two, call=(1.0, 3.1)))
    trial = run_trial(loud_study, 5)
    assert (trial.found, trial.partly, trial.score, trial.false_partly) == (False, True, None, 0)


def test_an_alert_beside_the_call_is_false_and_the_call_missed(loud_study, monkeypatch):
    three = bursts([(1.0, 1.5), (1.8, 2.3), (2.6, 3.1)], 12.0, RATE_HZ)
    sound = make_sound(loud_study.design, loud_study.bank, 5)
    monkeypatch.setattr(trials, "make_sound", lambda *_: replace(sound, samples=three, call=(7.0, 9.0)))
    trial = run_trial(loud_study, 5)
    assert (trial.found, trial.false_alerts, trial.delay_s) == (False, 1, None)


def test_scores_do_not_depend_on_the_level_and_the_level_decides_the_alert(loud_study):
    """The swept candidate reaches the alert level exactly when the Monitor alerts."""
    for score in np.arange(0.6, 2.9, 0.2):
        engine = BurstEngine(score=float(score))
        heard = listen(bursts([(1.0, 1.5), (1.8, 2.3), (2.6, 3.1)], 6.0, RATE_HZ), SETTINGS, engine)
        level = CALIBRATION.slope * (CALIBRATION.alert_levels["balanced"] - CALIBRATION.even_level)
        assert [t.kind for t in heard.told if t.kind == "alert"] == ["alert"] * (heard.peaks[0].log_odds >= level)
        assert heard.peaks[0].log_odds == pytest.approx(3 * score - 4, abs=0.01) and heard.peaks[0].log_odds < inf


def test_an_engine_that_breaks_is_a_failed_trial_with_its_reason(loud_study, monkeypatch):
    class Broken(BurstEngine):
        def spotter(self):
            raise RuntimeError("no memory")

    monkeypatch.setattr(trials, "load_engine", lambda settings: Broken())
    trial = run_trial(loud_study, 5)
    assert trial.failed == "engine: RuntimeError: no memory" and not trial.found and trial.score is None


def test_noise_with_a_silent_stretch_fails_that_trial_only(small, tmp_path, monkeypatch):
    import soundfile

    gap = np.concatenate([np.zeros(60 * RATE_HZ), 0.1 * np.random.default_rng(1).standard_normal(8 * RATE_HZ)])
    soundfile.write(tmp_path / "gap.wav", gap, RATE_HZ)
    plan = plan_from({**small, "noises": [{"name": "gap", "path": str(tmp_path / "gap.wav")}]}, "plan")
    monkeypatch.setattr(trials, "load_engine", lambda settings: BurstEngine())
    study = Study(Design(plan), build(plan))
    rows = [run_trial(study, i) for i in range(4, len(study.design))]
    assert {r.failed for r in rows if r.failed} == {
        "sound: noise: is silent, so no signal-to-noise ratio can be set; choose another noise recording"
    }
    assert not any(r.found for r in rows if r.failed)
