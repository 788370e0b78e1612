"""The ear that ships: streamed or whole the same, any phrase, look-alikes told apart, damage refused."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.errors import SettingsError, UserError
from listener.events import RATE_HZ, Hit
from listener.settings import PhraseSettings, Settings
from listener.speech.ear import EarEngine
from listener.speech.engines import load_engine
from listener.speech.nearby import Sought
from listener.speech.network import read_info, shipped_model
from listener.speech.phrase_ear import PhraseEar
from listener.speech.pronounce import every_pronunciation
from listener.speech.search import longer_words, look_alikes, neighbours

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"
CLIPS = {c["file"]: c for c in yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"]}


@pytest.fixture(scope="module")
def engine() -> EarEngine:
    return EarEngine(shipped_model(), ["suspend"], {})


def _clip(name: str) -> np.ndarray:
    audio, rate = soundfile.read(RECORDINGS / name, dtype="float32")
    assert rate == RATE_HZ
    return audio


def _hits(engine: EarEngine, pieces: list[np.ndarray]) -> list[Hit]:
    spotter = engine.spotter()
    spotter.restart(0)
    return [hit for piece in pieces for hit in spotter.feed(piece)] + spotter.finish()


@pytest.mark.parametrize("size", [37, 320, 16_000])
def test_hits_do_not_depend_on_how_the_sound_is_cut(engine: EarEngine, size: int) -> None:
    audio = _clip("suspend_turbine_0db.flac")
    pieces = [audio[i : i + size] for i in range(0, len(audio), size)]
    whole, cut = _hits(engine, [audio]), _hits(engine, pieces)
    assert len(whole) >= 3
    assert cut == whole


def test_times_are_those_of_the_stream(engine: EarEngine) -> None:
    audio = _clip("suspend_clean_1.flac")
    spotter = engine.spotter()
    spotter.restart(10 * RATE_HZ)
    late = [*spotter.feed(audio), *spotter.finish()]
    assert [h.end_s - 10.0 for h in late] == pytest.approx([h.end_s for h in _hits(engine, [audio])])


def test_each_word_of_a_clean_call_ends_when_it_was_said_to_end(engine: EarEngine) -> None:
    """Within 0.15 s, a syllable (tolerance: ours)."""
    clip = CLIPS["suspend_clean_1.flac"]
    strong = [h for h in _hits(engine, [_clip("suspend_clean_1.flac")]) if h.score > 1.0]
    for _, end_s in clip["calls"][0]["words"]:
        assert min(abs(h.end_s - end_s) for h in strong) < 0.15


def test_each_word_of_a_clean_call_starts_when_it_was_said_to_start(engine: EarEngine) -> None:
    """Within 0.15 s; phones show late in their time, which the model's start_shift_s makes good."""
    clip = CLIPS["suspend_clean_1.flac"]
    strong = [h for h in _hits(engine, [_clip("suspend_clean_1.flac")]) if h.score > 1.0]
    for start_s, _ in clip["calls"][0]["words"]:
        assert min(abs(h.start_s - start_s) for h in strong) < 0.15


@pytest.fixture(scope="module")
def engine_with_positions() -> EarEngine:
    return EarEngine(shipped_model(), ["suspend"], {}, list(AROUND))


AROUND = (*(Sought("position", name, (name,)) for name in ("one", "two")), Sought("not", "not", ("not",)))


@pytest.mark.parametrize("name", ["suspend_turbine_0db.flac", "not_twice_wind_deck_10db.flac"])
def test_what_is_looked_for_around_calls_changes_no_hit(
    engine: EarEngine, engine_with_positions: EarEngine, name: str
) -> None:
    assert _hits(engine_with_positions, [_clip(name)]) == _hits(engine, [_clip(name)])


def test_what_was_heard_before_the_call_is_searched_as_if_it_had_been_listened_to_all_along(engine_with_positions: EarEngine) -> None:
    spotter, audio = engine_with_positions.spotter(), _clip("exercise_halvard.flac")[2 * RATE_HZ : 8 * RATE_HZ]
    spotter.restart(0)
    early = spotter.listen_around(0.0)
    spotter.feed(audio)
    late = spotter.listen_around(0.0)
    assert early.words() and late.words() == early.words()
    assert late.heard_until_s == early.heard_until_s == pytest.approx(6.0, abs=0.3)
    spotter.leave(early)
    spotter.feed(audio)
    assert early.heard_until_s < 6.0 < 11.0 < late.heard_until_s


def test_a_position_that_is_not_in_the_dictionary_is_one_line_with_the_way_out() -> None:
    with pytest.raises(SettingsError, match="'zorblax'.*pronounce:"):
        load_engine(Settings(positions=("zorblax", "two")))


def test_an_unknown_word_is_one_line_with_the_way_out() -> None:
    with pytest.raises(SettingsError, match="'zorblax'.*pronounce:"):
        load_engine(Settings(phrases=(PhraseSettings(words="zorblax"),)))


def test_a_spelled_word_is_heard_like_a_word_of_the_dictionary(engine: EarEngine) -> None:
    spelled = EarEngine(shipped_model(), ["zorkel"], {"zorkel": ("S AH S P EH N D",)})
    audio = _clip("suspend_clean_2.flac")
    best = max(h.score for h in _hits(engine, [audio]))
    assert max(h.score for h in _hits(spelled, [audio])) == pytest.approx(best, abs=1e-3)


@pytest.mark.parametrize("name", ["ear.onnx", "text.onnx", "rivals.npz"])
def test_damaged_weights_are_refused_by_name(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "ear"
    shutil.copytree(shipped_model(), folder)
    data = bytearray((folder / name).read_bytes())
    data[len(data) // 2] ^= 1
    (folder / name).write_bytes(data)
    with pytest.raises(UserError, match=f"{name}: damaged"):
        read_info(folder)


def test_a_missing_file_or_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="not an ear model"):
        read_info(tmp_path)
    (tmp_path / "ear.json").write_text(json.dumps({"sha256": {"ear.onnx": "0"}}))
    with pytest.raises(UserError, match=r"ear\.onnx: missing"):
        read_info(tmp_path)


def test_look_alikes_and_longer_words_come_from_the_dictionary() -> None:
    pronunciations = [("S", "AH", "S", "P", "EH", "N", "D")]
    assert look_alikes(pronunciations, every_pronunciation()) == [("S", "AH", "S", "P", "EH", "N", "S")]
    longer = longer_words(pronunciations, every_pronunciation())
    assert ("S", "AH", "S", "P", "EH", "N", "D", "IH", "D") in longer
    assert pronunciations[0] not in longer
    assert look_alikes([("S", "T", "AA", "P")], every_pronunciation()) == []


def test_neighbours_share_more_than_half_of_a_long_phrase() -> None:
    suspend, suspect = ("S", "AH", "S", "P", "EH", "N", "D"), ("S", "AH", "S", "P", "EH", "K", "T")
    expand, pretend = ("IH", "K", "S", "P", "AE", "N", "D"), ("P", "R", "IY", "T", "EH", "N", "D")
    assert neighbours([suspend], [suspend, suspect, expand, pretend]) == [suspect, expand]
    assert neighbours([("S", "T", "AA", "P")], [("S", "T", "AA", "K")]) == []


def _tell(ear: PhraseEar, frames: list[tuple[float, int, float, float]]) -> list[float]:
    told = [ear.hear(i, fit, start, np.array([word]), longer) for i, (fit, start, word, longer) in enumerate(frames)]
    return [heard.score for heard in told if heard]


def test_a_sure_word_is_told_at_once_and_an_unsure_one_waits_for_a_longer_word() -> None:
    weights = read_info(shipped_model()).weights
    nothing, said = (-3.0, 0, -6.0, -99.0), (0.0, 2, -6.0, -99.0)
    sure = PhraseEar(weights, 4)
    assert len(_tell(sure, [nothing, nothing, nothing, (0.0, 2, -0.1, -99.0)])) == 1
    unsure = _tell(PhraseEar(weights, 4), [nothing, nothing, nothing, said, *[nothing] * 14])
    inflected = _tell(
        PhraseEar(weights, 4), [nothing, nothing, nothing, said, *[(-3.0, 0, -6.0, -0.05)] * 3, *[nothing] * 11]
    )
    assert max(unsure) - max(inflected, default=weights.told_floor) > 2.0


def test_the_word_view_alone_does_not_make_a_word_where_no_phones_are() -> None:
    """It lags: what is said next would also be found in the silence before it."""
    weights = read_info(shipped_model()).weights
    silence = (weights.fit_floor - 0.5, 0, -0.01, -99.0)
    assert _tell(PhraseEar(weights, 4), [silence] * 40) == []


def test_the_memory_of_a_long_stream_stays_the_same() -> None:
    ear = PhraseEar(read_info(shipped_model()).weights, 4)
    size = ear._words.nbytes
    for frame in range(5000):
        ear.hear(frame, -3.0, frame, np.array([-6.0]), -99.0)
    assert ear._words.nbytes == size
