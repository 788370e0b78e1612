"""Made exercises: the truth in the drill file is what lies in the sound."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.drill.check import check_drill
from listener.drill.make import KEYED_S, Order, make, write_exercise
from listener.drill.quality import call_sound
from listener.drill.script import read_drill
from listener.drill.voices import Voices, read_voices
from listener.errors import UserError
from tests.drill.exercise import RATE_HZ

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"
ORDER = Order("Dawn", minutes=3.0, calls=4, distractors=3, seed=11)


@pytest.fixture(scope="module")
def voices() -> Voices:
    return read_voices(RECORDINGS, "suspend")


def test_the_recordings_offer_calls_traffic_and_distractors(voices: Voices) -> None:
    assert len({piece.voice for piece in voices.calls}) >= 4
    assert all(len(piece.words_s) >= 3 for piece in voices.calls)
    assert len(voices.traffic) >= 20
    assert {"said_once", "said_twice", "look_alike", "talk"} <= {piece.kind for piece in voices.distractors}


def test_the_words_lie_where_the_drill_says(voices: Voices) -> None:
    """In quiet, each word's stretch is loud and each pause between the words is the line's hiss."""
    audio, drill = make(replace(ORDER, noise="none"), voices)
    assert len(audio) == 180 * RATE_HZ and np.abs(audio).max() <= 0.98
    for call in drill.calls:
        assert len(call.words_s) == 3
        spans = [*call.words_s, *((a[1] + 0.01, b[0] - 0.01) for a, b in zip(call.words_s, call.words_s[1:]))]
        levels = [10 * np.log10(np.mean(audio[round(a * RATE_HZ) : round(b * RATE_HZ)] ** 2)) for a, b in spans]
        assert min(levels[:3]) > -35 and max(levels[3:]) < -55
        edge = audio[round((call.words_s[0][0] - 0.03) * RATE_HZ) : round((call.words_s[0][0] - 0.005) * RATE_HZ)]
        assert 10 * np.log10(np.mean(edge**2)) < -55


def test_the_snr_is_as_ordered(voices: Voices) -> None:
    order = replace(ORDER, noise="static", snr_db=(-2.0, 14.0), minutes=4.0, calls=8, distractors=0, traffic=False)
    audio, drill = make(order, voices)
    errors = []
    for call in drill.calls:
        first = round((call.at_s[0] - 0.5) * RATE_HZ)
        found = call_sound(audio[first : round((call.at_s[1] + 0.5) * RATE_HZ)], first / RATE_HZ, RATE_HZ, call.words_s)
        assert -2.0 <= call.snr_db <= 14.0
        errors.append(found.snr_db - call.snr_db)
    assert abs(np.median(errors)) < 2.0 and np.abs(errors).max() < 5.0


def test_the_seed_decides(voices: Voices) -> None:
    audio, drill = make(ORDER, voices)
    again, same = make(ORDER, voices)
    other, _ = make(replace(ORDER, seed=12), voices)
    assert np.array_equal(audio, again) and drill == same
    assert not np.array_equal(audio, other)


def test_set_times_late_keying_and_talking_over(voices: Voices) -> None:
    order = replace(ORDER, at_s=(20.0, 63.5, 120.0), cut=3, overlaps=2)
    _, drill = make(order, voices)
    for call, at_s in zip(drill.calls, order.at_s):
        lost_s = call.at_s[0] - at_s
        assert 0.1 < lost_s < 0.6 and "keyed late" in call.note
        assert call.words_s[0][0] == call.at_s[0]
    over = [t for t in drill.traffic if any(t.at_s[0] < c.at_s[1] and c.at_s[0] < t.at_s[1] for c in drill.calls)]
    assert len(over) == 2


def test_nothing_else_is_said_near_a_call(voices: Voices) -> None:
    _, drill = make(replace(ORDER, minutes=6.0), voices)
    for talk in drill.traffic:
        for call in drill.calls:
            assert talk.at_s[1] < call.at_s[0] - KEYED_S or talk.at_s[0] > call.at_s[1] + 3.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"minutes": 0.1}, "--minutes 0.1: must be 0.25 to 120"),
        ({"noise": "hail"}, "--noise 'hail': unknown; choose none, "),
        ({"radio": "lamp"}, "--radio 'lamp': unknown; choose "),
        ({"snr_db": (9.0, 3.0)}, "--snr 9 3: must be the lowest, then the highest"),
        ({"calls": 18}, "--calls 18: 3 minutes hold at most 17"),
        ({"at_s": (20.0, 25.0)}, "--at 20: the next call is less than 10 s later"),
        ({"at_s": (175.0,)}, "--at 175: must be 1 to 170 s in 3 minutes"),
        ({"cut": 5}, "--cut 5, --overlaps 0: there are only 4 calls"),
        ({"distractors": 99}, "--distractors 99: only "),
    ],
)
def test_what_cannot_be_made_is_one_line(voices: Voices, change: dict, said: str) -> None:
    with pytest.raises(UserError) as caught:
        make(replace(ORDER, **change), voices)
    assert str(caught.value).startswith(said) and "\n" not in str(caught.value)


def test_a_phrase_that_nobody_calls(tmp_path) -> None:
    with pytest.raises(UserError, match="nobody calls 'abort' in quiet there; there are: hold, stop, suspend"):
        read_voices(RECORDINGS, "abort")
    with pytest.raises(UserError, match="name the project's recordings_synthetic folder with --voices"):
        read_voices(tmp_path, "suspend")
    (tmp_path / "manifest.yaml").write_text("clips: 3\n")
    with pytest.raises(UserError, match="is not a manifest of recordings"):
        read_voices(tmp_path, "suspend")


def test_the_files_fit_each_other_and_are_not_overwritten(voices: Voices, tmp_path) -> None:
    audio, drill = make(replace(ORDER, minutes=1.0, calls=2, distractors=0), voices)
    path = write_exercise(audio, drill, tmp_path / "dawn")
    (sound,) = check_drill(read_drill(path), path)
    assert (sound.path, sound.end_s) == (tmp_path / "dawn.flac", 60.0)
    written, rate_hz = soundfile.read(sound.path, dtype="float32")
    assert rate_hz == RATE_HZ and np.abs(written - audio).max() < 2 / 32768
    assert sorted(p.name for p in tmp_path.iterdir()) == ["dawn.flac", "dawn.yaml"]
    with pytest.raises(UserError, match=r"dawn\.yaml: is there already"):
        write_exercise(audio, drill, tmp_path / "dawn")


def test_the_times_are_the_manifests(voices: Voices) -> None:
    """A word's length in the exercise is its length in the recording it was taken from."""
    truth = yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"]
    lengths = {round(b - a, 3) for clip in truth for call in clip["calls"] for a, b in call["words"]}
    _, drill = make(ORDER, voices)
    for call in drill.calls:
        for start, end in call.words_s:
            assert min(abs(end - start - length) for length in lengths) <= 0.001
