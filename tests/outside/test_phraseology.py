"""Calls as published phraseology words them: the phrase, how often, and what stands between.

Source: ICAO Doc 4444 (PANS-ATM), chapter 12, from memory: a take-off that has begun is stopped with "STOP IMMEDIATELY
(repeat aircraft call sign) STOP IMMEDIATELY", one that has not with "HOLD POSITION, CANCEL TAKE-OFF, I SAY AGAIN, CANCEL
TAKE-OFF (reasons)". The word said three times behind a call sign is common practice, no source. Said by two synthetic
voices that never trained (flite rms and awb), 300-3400 Hz, in quiet and in simulated turbine noise at 10 dB.
"""

import shutil
import subprocess

import numpy as np
import pytest
import soundfile

from listener.events import Block
from listener.monitor import Monitor
from listener.radio import noise
from listener.radio.band import VOICE_BAND_HZ, band_pass
from listener.radio.mix import mix
from listener.settings import PhraseSettings, Settings
from listener.speech.engines import load_engine

RATE_HZ = 16_000
PAUSE_S = 0.35
STOP = PhraseSettings(words="stop immediately", repeats=2, between_s=2.5)
CANCEL = PhraseSettings(words="cancel takeoff", repeats=2, between_s=2.5)
FORMS = [
    (STOP, ["stop immediately", "sandpiper two seven four", "stop immediately"]),
    (CANCEL, ["sandpiper two seven four", "hold position", "cancel takeoff", "I say again", "cancel takeoff", "vehicle on the runway"]),
    (PhraseSettings(words="stop"), ["sandpiper two seven four", "stop", "stop", "stop"]),
    (PhraseSettings(words="stop", between_s=2.5), ["stop", "stop", "sandpiper two seven four", "stop"]),
]
NAMES = ["stop immediately", "cancel take-off", "three times", "three times around a call sign"]


@pytest.fixture(scope="module")
def said(need, tmp_path_factory):
    """Gives what a voice says, part by part with pauses between, as a radio's band lets it through."""
    need(shutil.which("flite") is not None, "flite (apt install flite)")
    path, known = tmp_path_factory.mktemp("said") / "part.wav", {}

    def part(voice: str, text: str) -> np.ndarray:
        if (voice, text) not in known:
            subprocess.run(["flite", "-voice", voice, "-t", text, "-o", path], check=True, capture_output=True)
            known[voice, text], rate_hz = soundfile.read(path, dtype="float32")
            assert rate_hz == RATE_HZ
        return known[voice, text]

    def speak(voice: str, parts: list[str]) -> np.ndarray:
        pause = np.zeros(round(PAUSE_S * RATE_HZ), np.float32)
        sounds = [sound for text in parts for sound in (part(voice, text), pause)]
        return np.concatenate([pause, *sounds, np.zeros(2 * RATE_HZ, np.float32)])

    return speak


def alerts(sound: np.ndarray, phrase: PhraseSettings) -> list:
    settings = Settings(phrases=(phrase,))
    monitor = Monitor(settings, RATE_HZ, engine=load_engine(settings))
    events = [*monitor.feed(Block(sound.astype(np.float32), 0, RATE_HZ)), *monitor.finish()]
    return [event for event in events if event.kind == "alert"]


@pytest.mark.parametrize("voice", ["rms", "awb"])
@pytest.mark.parametrize("snr_db", [None, 10.0], ids=["quiet", "10 dB"])
@pytest.mark.parametrize("phrase, parts", FORMS, ids=NAMES)
def test_a_call_in_the_published_form_is_told_once(said, phrase, parts, voice, snr_db):
    sound = band_pass(said(voice, parts), RATE_HZ, *VOICE_BAND_HZ)
    if snr_db is not None:
        rng = np.random.default_rng(1)
        turbine = band_pass(noise("turbine", len(sound) / RATE_HZ + 1, RATE_HZ, rng), RATE_HZ, *VOICE_BAND_HZ)
        sound = mix(sound, turbine, RATE_HZ, snr_db).samples
    (alert,) = alerts(sound, phrase)
    assert (alert.phrase, len(alert.hits)) == (phrase.words, phrase.repeats)


@pytest.mark.parametrize("voice", ["rms", "awb"])
def test_what_stands_between_is_not_expected_unless_the_settings_say_so(said, voice):
    """The call sign takes longer than a pause may: without between_s it is two mentions, no call."""
    phrase, parts = FORMS[0]
    assert alerts(said(voice, parts), PhraseSettings(words=phrase.words, repeats=2)) == []


@pytest.mark.parametrize("voice", ["rms", "awb"])
def test_an_order_given_once_and_read_back_later_is_no_call(said, voice):
    """Between an order and its answer lies more than a call sign."""
    parts = ["stop immediately", "sandpiper two seven four", "at the holding point of runway two one right", "stop immediately"]
    assert alerts(said(voice, parts), STOP) == []
