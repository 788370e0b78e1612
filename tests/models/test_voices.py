"""Voices: who may train, who is held out, and that a voice that is here speaks.  (about 15 s)

An engine that is not installed (extra "voices", some 300 MB) skips with its own message; with LISTENER_TEST_ALL=1
none may be missing.
"""

import csv
import os

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("soxr", reason="soxr is not installed")

from models.training import corpus, texts, voices
from models.training.warp import warp
from tests.parts import need_python


def listed(engine):
    try:
        return voices.voices(engine)
    except voices.VoiceMissing as missing:
        return _absent(missing)


def said(engine, voice, spoken="suspend.", speed=1.0):
    try:
        return voice.say(spoken, speed, np.random.default_rng(3))
    except voices.VoiceMissing as missing:
        return _absent(missing)


def _absent(missing):
    if os.environ.get("LISTENER_TEST_ALL") == "1":
        pytest.fail(str(missing))
    pytest.skip(str(missing))


def test_every_engine_states_its_source_and_licence():
    for engine, source in voices.ENGINES.items():
        assert engine == source.engine and source.packages and source.licence and source.split in ("train", "dev")


@pytest.mark.parametrize("engine", [e for e, s in voices.ENGINES.items() if s.split == "train"])
def test_no_training_voice_is_a_held_out_one_or_made_from_it(engine):
    for voice in listed(engine):
        parts = set(voice.name.replace("~", "+").replace("*", "+").split("+"))
        assert not parts & voices.HELD_OUT


def test_mixes_are_never_made_from_held_out_packs():
    rng = np.random.default_rng(1)
    packs = ["af_alloy", "bm_george", *voices.KOKORO_HELD_OUT, "em_alex"]
    for _ in range(200):
        mix = voices.kokoro_mix(packs, rng)
        assert mix.pack != mix.other and not {mix.pack, mix.other} & voices.HELD_OUT


@pytest.mark.parametrize("engine", list(voices.ENGINES))
def test_a_voice_speaks_a_word_of_plausible_length(engine):
    voice = listed(engine)[0]
    samples = said(engine, voice)
    assert samples.dtype == np.float32 and samples.ndim == 1
    heard_s = corpus.trim(samples, voice.rate_hz).size / voice.rate_hz
    assert 0.4 < heard_s < 1.6
    assert np.abs(samples).max() <= 1.0


@pytest.mark.parametrize("engine", ["espeak", "flite", "festival", "piper", "pico"])
def test_twice_the_speed_is_clearly_shorter(engine):
    voice = listed(engine)[0]
    slow, fast = (corpus.trim(said(engine, voice, "stop the launch now.", s), voice.rate_hz).size for s in (0.8, 1.6))
    assert fast < 0.75 * slow


def test_a_warp_moves_the_pitch_and_keeps_the_length():
    need_python("pyworld", "'launch-listener[voices]'")
    rate_hz, times = 16000, np.arange(16000) / 16000
    buzz = sum(np.sin(2 * np.pi * 120 * k * times) / k for k in range(1, 20)).astype(np.float32) * 0.1
    moved = warp(buzz, rate_hz, 1.25, 1.0)
    assert abs(moved.size - buzz.size) <= rate_hz // 200
    spectrum = np.abs(np.fft.rfft(moved[4000:12000] * np.hanning(8000)))
    assert 146 <= np.argmax(spectrum[:150]) * 2 <= 154  # 120 Hz x 1.25, bins of 2 Hz


@given(lead=st.integers(0, 8000), tail=st.integers(0, 8000))
@settings(max_examples=40, deadline=None)
def test_trimming_leaves_sixty_milliseconds_at_both_ends(lead, tail):
    word = np.sin(np.arange(8000) * 0.3).astype(np.float32) * 0.2
    cut = corpus.trim(np.concatenate([np.zeros(lead, np.float32), word, np.zeros(tail, np.float32)]))
    assert abs(cut.size - (8000 + 2 * 960)) <= 160


def test_a_faint_click_long_after_the_word_is_cut_off_but_a_released_stop_is_kept():
    word = np.sin(np.arange(8000) * 0.3).astype(np.float32) * 0.2
    gap, click = np.zeros(4000, np.float32), np.full(160, 0.004, np.float32)
    closure, release = np.zeros(1280, np.float32), np.full(160, 0.01, np.float32)
    assert corpus.trim(np.concatenate([word, gap, click])).size == pytest.approx(8000 + 2 * 960, abs=160)
    kept = corpus.trim(np.concatenate([word, closure, release])).size
    assert kept == pytest.approx(8000 + 1280 + 160 + 2 * 960, abs=160)


def test_silence_trims_to_nothing():
    assert corpus.trim(np.zeros(16000, np.float32)).size == 0


@given(gain=st.floats(1e-3, 1.0), click=st.booleans())
@settings(max_examples=40, deadline=None)
def test_level_is_26_dbov_and_nothing_clips(gain, click):
    tone = (np.sin(np.arange(16000) * 0.3) * gain).astype(np.float32)
    if click:
        tone[100] = 30 * gain
    out = corpus.levelled(tone)
    assert np.abs(out).max() <= 0.951
    if not click:
        assert corpus.loud_level_dbov(out) == pytest.approx(-26.0, abs=0.05)


def test_every_voice_says_every_drill_word_once_a_round_and_no_common_word_comes_back_early(monkeypatch):
    speakers, drill, common = voices.voices("flite"), texts.drill_words()[:200], texts.common_words()
    monkeypatch.setattr(texts, "drill_words", lambda: drill)
    words = len(speakers) * len(drill) * 2
    longer = 0.1
    jobs = [corpus.train_job("flite", "x", n, 1, longer) for n in range(round(words / (1 - longer)))]
    single = [j for j in jobs if j.line.kind == "word"]
    drilled, others = single[0::2], [j.line.text for j in single[1::2]]
    assert len(jobs) - len(single) == pytest.approx(longer * len(jobs), abs=1)
    assert {(j.voice.name, j.line.text) for j in drilled} == {(v.name, w) for v in speakers for w in drill}
    assert len(others) < len(common) and len(set(others)) == len(others)


def test_a_crowd_is_ever_new_speakers_of_a_few_short_words_three_takes_each_and_no_word_comes_back_early(monkeypatch):
    monkeypatch.setattr(corpus, "kokoro_mix", lambda packs, rng: Buzz(f"mix of {len(packs)}: {rng.integers(10**9)}"))
    monkeypatch.setattr(corpus, "voices", lambda engine: [Buzz("one"), Buzz("two")])
    kinds = texts.short_words()
    assert set(kinds[0]) <= set(texts.COMMANDS) and not set(kinds[1]) & set(texts.COMMANDS)
    assert {"up", "stop", "hold"} <= set(kinds[0]) and {"top", "old"} <= set(kinds[1])
    jobs = [corpus.crowd_job("kokoro", "x", n, 1) for n in range(corpus.TAKES * corpus.A_FEW * 20)]
    again = corpus.crowd_job("kokoro", "x", 50, 1)
    assert (again.voice.name, again.line, again.speed) == (jobs[50].voice.name, jobs[50].line, jobs[50].speed)
    said = [(j.voice.name, j.line.text) for j in jobs]
    assert len({name for name, _ in said}) == 20
    takes = said[:: corpus.TAKES]
    assert said == [one for one in takes for _ in range(corpus.TAKES)]
    for kind in (0, 1):
        words = [text for _, text in takes[kind::2]]
        first_round = words[: len(kinds[kind])]
        assert set(words) <= set(kinds[kind]) and len(set(first_round)) == len(first_round)
    assert len({j.speed for j in jobs[:3]}) == 3 and all(0.7 <= j.speed <= 1.5 for j in jobs)


class Buzz:
    """A stand-in voice so that the pack format is tested without an engine."""

    rate_hz = 16000

    def __init__(self, name="buzz"):
        self.name = name

    def say(self, spoken, speed, rng):
        tone = np.sin(np.arange(int(1600 * len(spoken) / speed)) * 0.2).astype(np.float32)
        return np.concatenate([np.zeros(3000, np.float32), 0.3 * tone, np.zeros(3000, np.float32)])


def _jobs(number):
    words = ("stop", "hold", "gold", "suspend", "water", "house", "launch")
    rng = np.random.default_rng(number)
    return corpus.Job(Buzz(), texts.word_line(words[number], rng), 1.0) if number < len(words) else None


def test_a_stopped_run_goes_on_and_equals_an_unbroken_one(tmp_path):
    corpus.fill(tmp_path / "whole", "x", "espeak", _jobs, 60, seed=1, pack_s=1.0)
    corpus.fill(tmp_path / "parts", "x", "espeak", lambda n: _jobs(n) if n < 4 else None, 60, seed=1, pack_s=1.0)
    corpus.fill(tmp_path / "parts", "x", "espeak", _jobs, 60, seed=1, pack_s=1.0)
    whole, parts = (list(csv.DictReader((tmp_path / d / "clips.csv").open())) for d in ("whole", "parts"))
    assert [(r["text"], r["seconds"], r["job"]) for r in whole] == [(r["text"], r["seconds"], r["job"]) for r in parts]
    assert [r["text"] for r in whole] == ["stop", "hold", "gold", "suspend", "water", "house", "launch"]


def test_rows_place_each_clip_in_its_pack(tmp_path):
    corpus.fill(tmp_path, "x", "espeak", _jobs, 60, seed=1, pack_s=2.0)
    rows = list(csv.DictReader((tmp_path / "clips.csv").open()))
    for row in rows:
        sound, rate_hz = soundfile.read(tmp_path / row["pack"], dtype="float32")
        start, length = (round(float(row[k]) * rate_hz) for k in ("start_s", "seconds"))
        clip = sound[start : start + length]
        assert rate_hz == 16000 and clip.size == length
        assert np.abs(clip[:640]).max() < 0.02 < np.abs(clip[length // 2 - 200 : length // 2 + 200]).max()


def test_a_held_out_engine_cannot_train(tmp_path):
    with pytest.raises(ValueError, match="held out"):
        corpus.build_corpus(tmp_path, "piper", 1.0)
    with pytest.raises(ValueError, match="must stay out"):
        corpus.build_dev(tmp_path, "espeak")
