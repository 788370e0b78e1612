"""Hearing again: where two words were heard in a row, a second network hears the last seconds whole, and adds to the first.  (15 s)"""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from listener.errors import UserError
from listener.events import RATE_HZ, Hit
from listener.settings import Settings
from listener.speech.again import CHUNK, FOLDER, FRAMES, PAIR_AGE_S, Again, heard_again, is_call, is_pair
from listener.speech.ear import EarEngine, load
from listener.speech.features import HOP, FeatureStream
from listener.speech.network import Network, open_session, read_info, shipped_model
from listener.speech.phrase_ear import FRAME_S

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"


def word(start_s: float, score: float = 0.0, phrase: str = "go", length_s: float = 0.4) -> Hit:
    return Hit(phrase, round(start_s, 4), round(start_s + length_s, 4), score)


class Told:
    """A second ear that always hears the same words."""

    def __init__(self, *hits: Hit) -> None:
        self.hits, self.asked = list(hits), 0

    def hear(self, rows: np.ndarray, first_s: float) -> list[Hit]:
        self.asked += 1
        return self.hits


def follow(again: Again, told: list[Hit], seconds: float) -> tuple[list[Hit], list[float]]:
    """Chunk by chunk: what was heard again, and when it was asked for. Each hit is told in the chunk in which it ends."""
    heard, asked_s = [], []
    for frames in range(CHUNK, round(seconds / FRAME_S), CHUNK):
        fresh = [hit for hit in told if frames - CHUNK <= hit.end_s / FRAME_S < frames]
        due = again.due(fresh, frames)
        if due:
            asked_s.append(frames * FRAME_S)
            heard += again.hear(due, np.zeros((2 * min(frames, FRAMES) + 3, 160), np.float32), frames)
    return heard, asked_s


# --- when -------------------------------------------------------------------


def test_one_word_alone_is_not_heard_again():
    assert follow(Again(Told(), {"go": 3}), [word(1.0, 3.0)], 10.0) == ([], [])


def test_two_words_in_a_row_are_until_a_third_would_come_too_late():
    told = [word(1.0, 1.0), word(2.0, 1.0)]
    _, asked_s = follow(Again(Told(), {"go": 3}), told, 10.0)
    chunk_s, end_s = CHUNK * FRAME_S, told[-1].end_s
    assert end_s <= min(asked_s) < end_s + 1.01 * chunk_s
    assert end_s + PAIR_AGE_S - 2 * chunk_s <= max(asked_s) <= end_s + PAIR_AGE_S
    assert np.diff(asked_s) == pytest.approx(2 * chunk_s)


@pytest.mark.parametrize(
    ("one", "two"),
    [
        (word(1.0, -2.9), word(2.0, 0.0)),  # too faint together
        (word(1.0, 9.0), word(2.0, -2.9)),  # however loud one of them is
        (word(1.0, 1.0), word(1.2, 1.0)),  # the same time: one word
        (word(1.0, 1.0), word(4.0, 1.0)),  # too far apart
    ],
)
def test_no_two_words_of_a_call(one: Hit, two: Hit):
    assert not is_pair(one, two)


def test_what_is_a_call_already_is_not_heard_again_but_where_more_words_are_asked_for():
    told = [word(1.0, 1.0), word(2.0, 1.0), word(3.1, 1.0)]
    three, four = (follow(Again(Told(), {"go": count}), told, 8.0)[1] for count in (3, 4))
    assert max(three) < told[-1].end_s < max(four)
    assert is_call(told, 3) and not is_call(told, 4)
    assert not is_call([*told[:2], word(3.1, 0.4)], 3)  # the last word could come out clearer
    assert not is_call([told[0], word(1.5, 1.0), word(3.1, 1.0)], 3)  # an uneven beat weakens a call
    assert not is_call([*told, word(4.0, -2.0)], 3)  # another may have begun


# --- what -------------------------------------------------------------------


def test_what_was_told_as_well_is_not_told_again():
    told = [word(1.0, 1.0), word(2.0, 1.0)]
    third, better = word(3.0, -0.5), word(2.0, 1.5)
    heard, _ = follow(Again(Told(word(1.0, 1.05), better, third), {"go": 3}), told, 4.0)
    assert sorted(heard, key=lambda hit: hit.start_s) == [better, third]  # each once, though it was heard many times


def test_phrases_do_not_change_each_other():
    told = [word(1.0, 1.0), word(2.0, 1.0), word(1.3, 2.0, "stop"), word(2.5, 2.0, "stop"), word(3.1, -1.0, "stop")]
    ear = Told(word(3.0, -0.5), word(3.6, 0.5, "stop"), word(3.6, 0.5, "never asked for"))
    both, _ = follow(Again(ear, {"go": 3, "stop": 3}), told, 8.0)
    for name in ("go", "stop"):
        alone, _ = follow(Again(ear, {name: 3}), [hit for hit in told if hit.phrase == name], 8.0)
        assert [hit for hit in both if hit.phrase == name] == alone != []


def test_a_phrase_that_is_not_to_be_heard_again_is_left_alone():
    assert follow(Again(Told(word(3.0)), {"go": 3}), [word(1.0, 1.0, "stop"), word(2.0, 1.0, "stop")], 5.0) == ([], [])


words = st.lists(
    st.builds(word, st.floats(0.0, 40.0), st.floats(-7.0, 7.0), st.just("go"), st.floats(0.1, 1.0)), max_size=25
)


@given(words, words)
def test_in_hours_of_talk_those_are_kept_that_a_pair_would_have_asked_for(first: list[Hit], second: list[Hit]):
    first, second = (sorted(some, key=lambda hit: (hit.start_s, hit.end_s)) for some in (first, second))
    ends_s = [two.end_s for n, two in enumerate(first) for one in first[:n] if is_pair(one, two)]
    asked = [
        hit for hit in second
        if any(end_s - FRAMES * FRAME_S <= hit.start_s and hit.end_s <= end_s + PAIR_AGE_S for end_s in ends_s)
    ]  # fmt: skip
    assert heard_again(first, second) == asked


# --- with the ear that ships -------------------------------------------------


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    """Two calls in noise, so that some words come out better when they are heard again."""
    parts = [soundfile.read(RECORDINGS / name, dtype="float32")[0] for name in NOISY]
    return np.concatenate(parts)


NOISY = ("suspend_turbine_0db.flac", "suspend_wind_deck_0db.flac")


@pytest.mark.parametrize("size", [37, 4_000, 16_000])
def test_features_are_remembered_however_the_sound_is_cut(sound: np.ndarray, size: int):
    """Against the features of the whole sound, which begin with two frames of nothing."""
    info, sound = read_info(shipped_model()), sound[: 10 * RATE_HZ]
    network = Network(open_session(shipped_model() / "ear.onnx"), info, remembered=100)
    whole = np.concatenate([np.zeros((2, 160), np.float32), FeatureStream().feed(sound)])
    heard = 0
    for at in range(0, len(sound), size):
        for phones, _ in network.feed(sound[at : at + size]):
            heard += len(phones)
            expected = whole[2 * max(0, heard - 100) : 2 * heard + 3]
            assert np.abs(network.rows(heard) - expected).max() < 1e-4
    assert heard >= 10 * RATE_HZ // (2 * HOP) - 2 * CHUNK


def _hits(engine: EarEngine, sound: np.ndarray, size: int) -> list[Hit]:
    spotter = engine.spotter()
    spotter.restart(3 * RATE_HZ)
    return [hit for at in range(0, len(sound), size) for hit in spotter.feed(sound[at : at + size])] + spotter.finish()


@pytest.fixture(scope="module")
def engine() -> EarEngine:
    return EarEngine(shipped_model(), ["suspend"], {})


def test_it_adds_words_and_takes_none_away(engine: EarEngine, sound: np.ndarray):
    once = EarEngine(shipped_model(), ["suspend"], {}, hear_again=False)
    assert once.second is None
    first, twice = _hits(once, sound, 16_000), _hits(engine, sound, 16_000)
    more = [hit for hit in twice if hit not in first]
    assert [hit for hit in twice if hit in first] == first
    assert more and all(3.0 <= hit.start_s < hit.end_s <= 3.6 + len(sound) / RATE_HZ for hit in more)


@pytest.mark.parametrize("size", [370, 5_000])
def test_it_does_not_depend_on_how_the_sound_is_cut(engine: EarEngine, sound: np.ndarray, size: int):
    assert _hits(engine, sound, size) == _hits(engine, sound, len(sound))


def test_the_settings_turn_it_off():
    assert load(Settings.model_validate({"ear": {"hear_again": False}})).second is None


@pytest.mark.parametrize("name", ["ear.onnx", "text.onnx", "rivals.npz", "ear.json"])
def test_a_damaged_second_network_is_refused_by_name(tmp_path: Path, name: str):
    folder = tmp_path / "ear"
    shutil.copytree(shipped_model(), folder)
    data = bytearray((folder / FOLDER / name).read_bytes())
    data[len(data) // 2] ^= 1
    (folder / FOLDER / name).write_bytes(data)
    with pytest.raises(UserError, match=f"{FOLDER}/{name}: damaged"):
        EarEngine(folder, ["suspend"], {})


def test_a_model_without_one_hears_once(tmp_path: Path):
    folder = tmp_path / "ear"
    shutil.copytree(shipped_model(), folder, ignore=shutil.ignore_patterns(FOLDER, "known"))
    info = json.loads((folder / "ear.json").read_text())
    del info["sha256"][f"{FOLDER}/ear.json"]
    (folder / "ear.json").write_text(json.dumps(info))
    assert EarEngine(folder, ["hold"], {}).second is None
