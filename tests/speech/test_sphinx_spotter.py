"""The sphinx engine for real, on words spoken by espeak-ng."""

import subprocess
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
import soxr

from listener.errors import UserError
from listener.events import RATE_HZ, Block
from listener.monitor import Monitor
from listener.settings import PhraseSettings, Settings
from listener.speech.engines import load_engine
from listener.speech.sphinx_front import ChannelMean, NoiseFloor
from listener.speech.sphinx_spotter import _Utterance, load, score

SUSPEND = ("S", "AH", "S", "P", "EH", "N", "D")


@pytest.fixture(scope="module")
def engine():
    return load_engine(Settings(engine="sphinx"))


@pytest.fixture(scope="module")
def word(espeak, tmp_path_factory) -> np.ndarray:
    """"suspend", from its first to its last sound, 16 kHz."""
    path = tmp_path_factory.mktemp("en") / "word.wav"
    subprocess.run([espeak, "-v", "en-us+m4", "-s", "130", "-w", path, "suspend"], check=True)
    samples, rate_hz = soundfile.read(path, dtype="float32")
    loud = np.flatnonzero(np.abs(samples) > 0.02 * np.abs(samples).max())
    return soxr.resample(samples[loud[0] : loud[-1] + 1], rate_hz, RATE_HZ)


def said(word: np.ndarray, times: int, before_s: float = 1.0) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """The word so many times with 0.4 s between, over a little noise, and when: [(start, end), ...]."""
    parts, at, spans = [np.zeros(round(before_s * RATE_HZ))], before_s, []
    for _ in range(times):
        spans.append((at, at + len(word) / RATE_HZ))
        parts += [word, np.zeros(round(0.4 * RATE_HZ))]
        at += len(word) / RATE_HZ + 0.4
    sound = np.concatenate([*parts, np.zeros(RATE_HZ)])
    return (sound + np.random.default_rng(2).normal(0, 2e-3, len(sound))).astype(np.float32), spans


def listen(samples, engine, block=4_000, settings=Settings(engine="sphinx")):
    monitor = Monitor(settings, RATE_HZ, engine=engine)
    events = []
    for i in range(0, len(samples), block):
        events += monitor.feed(Block(samples[i : i + block], i, RATE_HZ))
    return events + monitor.finish()


def test_three_words_are_one_alert_soon_after_the_third_at_the_right_times(word, engine):
    samples, spans = said(word, 3)
    (alert,) = [e for e in listen(samples, engine) if e.kind == "alert"]
    late = np.array([(hit.start_s, hit.end_s) for hit in alert.hits]) - spans
    assert np.abs(late[:, 0]).max() < 0.05
    assert late[:, 1].max() < 0.05  # the last word may be told before it has quite ended
    assert alert.raised_s - spans[-1][1] < 0.3


def test_two_words_are_no_alert(word, engine):
    assert [e.kind for e in listen(said(word, 2)[0], engine) if e.kind != "candidate"] in ([], ["partly_heard"])


def test_block_sizes_do_not_matter(word, engine):
    samples, _ = said(word, 3)
    assert listen(samples, engine, 777) == listen(samples, engine, 50_000)


def test_a_call_across_the_change_of_utterance_is_heard(word, engine):
    samples, spans = said(word, 3, before_s=18.2)  # utterances change at 20 s
    (alert,) = [e for e in listen(samples, engine, settings=Settings(engine="sphinx", gate="off")) if e.kind == "alert"]
    assert alert.start_s == pytest.approx(spans[0][0], abs=0.2)


def test_several_phrases_and_own_spellings(word):
    settings = Settings(
        engine="sphinx",
        phrases=(PhraseSettings(words="zorkel"), PhraseSettings(words="cease fire")),
        pronounce={"zorkel": " ".join(SUSPEND)},
    )
    samples, _ = said(word, 3)
    alerts = [e for e in listen(samples, load_engine(settings), settings=settings) if e.kind == "alert"]
    assert [alert.phrase for alert in alerts] == ["zorkel"]


def test_unknown_words_name_the_way_out():
    with pytest.raises(UserError, match="'zorkel' is not in the pronouncing dictionary: spell"):
        load_engine(Settings(engine="sphinx", phrases=(PhraseSettings(words="zorkel"),)))


def test_a_phrase_of_one_or_two_sounds_is_refused():
    with pytest.raises(UserError, match="'go' is too short"):
        load_engine(Settings(engine="sphinx", phrases=(PhraseSettings(words="go"),)))


def test_the_score_rises_with_the_ratio_and_with_care():
    assert score(-20.0, 0.56, SUSPEND) > score(-40.0, 0.56, SUSPEND) > score(-40.0, 0.36, SUSPEND)


def test_the_noise_floor_lies_20_db_below_the_speech_and_depends_on_the_place_only():
    floor = NoiseFloor()
    t = np.arange(RATE_HZ) / RATE_HZ
    tone = (0.5 * np.sin(2 * np.pi * 1000 * t)).astype(np.float32)
    added = floor.under(tone, 0) - tone
    level_db = 20 * np.log10(np.sqrt(np.mean(added**2)) / np.sqrt(np.mean(tone**2)))
    assert level_db == pytest.approx(-20.0, abs=0.2)
    assert np.array_equal(NoiseFloor().under(tone, 5_000), NoiseFloor().under(tone, 5_000))


def test_silence_gets_no_noise_floor():
    silence = np.zeros(320, np.float32)
    assert np.array_equal(NoiseFloor().under(silence, 0), silence)


def test_the_channel_s_mean_is_followed_to_its_true_value():
    """Against the decoder's own mean of the same noise, taken alone: both weigh their first 500 frames."""
    from pocketsphinx import Config, Decoder

    samples = np.random.default_rng(5).normal(0, 2_000, 60 * RATE_HZ).astype(np.int16)
    decoders = [Decoder(Config(loglevel="FATAL", dict=None, lm=None, cmn="live")) for _ in range(2)]
    for decoder in decoders:
        decoder.add_word("word", "W ER D", True)
        decoder.add_keyphrase("word", "word")
        decoder.activate_search("word")
        decoder.start_utt()
    mean = ChannelMean(decoders[0])
    mean.begin()
    for i in range(0, len(samples), 320):
        for decoder in decoders:
            decoder.process_raw(samples[i : i + 320].tobytes(), False, False)
        mean.follow(320)
    followed, own = (np.array(d.get_cmn(True).split(","), float) for d in decoders)
    assert np.abs(followed - own).max() < 0.25


@dataclass(frozen=True)
class Segment:
    """As the decoder tells one."""

    word: str
    start_frame: int
    end_frame: int
    prob: float


def test_a_segment_that_ends_before_it_starts_is_no_word():
    """What the decoder has left of an earlier utterance; it once ended a whole file with a math domain error."""
    utterance = load(Settings(engine="sphinx"))
    heard = _Utterance(utterance._pronunciations)
    heard.begin(0)
    word = Segment("way0 ", 20, 79, 1.0)
    heard._decoder = SimpleNamespace(seg=lambda: [Segment("way0 ", 90, 80, 1.0), Segment("way0 ", 5, 60, 0.0), word])
    (hit,) = heard._hits()
    assert (hit.start_s, hit.end_s) == pytest.approx((0.2, 0.8))
