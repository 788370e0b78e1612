"""The bank of talk: packed small, it is heard as the stream was; and what follows from it is kept for the next start.  (8 s)"""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.errors import UserError
from listener.events import Hit
from listener.speech import known
from listener.speech.bank import LOWEST, STEP, Bank, pack, read_bank
from listener.speech.ear import EarEngine
from listener.speech.known import Known, Sounds
from listener.speech.network import shipped_model
from listener.speech.search import PhoneSearch
from listener.speech.talk import Listening, hear_talk
from models.training.bank import Hearing, common_words, reduce, write_bank

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp() / "cache"))


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return soundfile.read(RECORDINGS / "suspend_turbine_0db.flac", dtype="float32")[0]


@pytest.fixture(scope="module")
def bank(sound, tmp_path_factory) -> Bank:
    """A call in noise, four times over, as a bank: written and read as the recipe does."""
    model, folder = shipped_model(), tmp_path_factory.mktemp("bank")
    words = common_words(model)
    part = reduce(*Hearing(model)(sound), words)
    write_bank([part] * 4, words, folder / "bank.npz")
    found = read_bank(folder)
    assert found is not None
    return found


def test_the_bank_is_heard_as_the_stream_was(sound, bank):
    engine = EarEngine(shipped_model(), ["suspend"], {})
    spotter = engine.spotter()
    said = [hit for hit in [*spotter.feed(sound), *spotter.finish()] if hit.score > 0]
    assert len(said) >= 3
    look_alikes = [[way for (way,) in engine.phrases.look_alikes]]
    talk = hear_talk(bank, Listening(engine.info.weights, ["suspend"], engine.phrases.pronunciations, look_alikes, engine.phrases.words))["suspend"]
    for hit in (a for a in said if a.score == max(b.score for b in said if a.span.overlaps(b.span))):
        best = max((one for one in talk if one.span.overlaps(hit.span)), key=lambda one: one.score)
        assert best.score == pytest.approx(hit.score, abs=0.7)
        assert (best.start_s, best.end_s) == pytest.approx((hit.start_s, hit.end_s), abs=0.061)
    clear = [hit for hit in talk if hit.score > 0]
    assert len({round(hit.start_s, 1) for hit in clear}) >= 4 * 3  # the sound is in it four times


def test_queries_come_back_near_what_the_network_gave(sound, bank):
    """The likeliest word's log probability, within half a unit where a word is likely."""
    _, queries = Hearing(shipped_model())(sound)
    words = common_words(shipped_model())
    first = bank.at < len(queries)
    true = (queries[bank.at[first], :-1] @ words.T).max(axis=1) - bank.log_sum[first]
    packed = (bank.queries[first, :-1] @ words.T).max(axis=1) - bank.log_sum[first]
    likely = true > -2
    assert likely.sum() >= 3
    assert np.abs(true - packed)[likely].max() < 0.5


def test_it_is_as_long_as_the_sound(sound, bank):
    assert bank.hours * 3600 == pytest.approx(4 * len(sound) / 16_000, abs=4 * 0.5)


def test_phones_are_kept_to_an_eighth_down_to_the_lowest():
    log_probs = np.log(np.random.default_rng(1).dirichlet(np.ones(40), 50).astype(np.float32))
    below = log_probs - log_probs.max(axis=1, keepdims=True)
    back = pack(log_probs).astype(float) * -STEP
    assert np.abs(back - np.maximum(below, -LOWEST)).max() <= STEP / 2 + 1e-6


def test_lanes_hear_what_one_stream_after_another_hears():
    rng = np.random.default_rng(2)
    rows = np.log(rng.dirichlet(np.full(40, 0.2), (3, 80)) + 1e-9)
    pronunciations = [[("S", "T", "AA", "P")], [("HH", "OW", "L", "D"), ("OW", "L", "D")]]
    side_by_side, alone = PhoneSearch(pronunciations, 3.0, lanes=3), [PhoneSearch(pronunciations, 3.0) for _ in range(3)]
    for frame in range(80):
        found = side_by_side.step(rows[:, frame])
        for lane in range(3):
            one = alone[lane].step(rows[lane, frame])
            np.testing.assert_allclose(found.score[lane], one.score)
            np.testing.assert_array_equal(found.start[lane], one.start)


def test_a_damaged_bank_is_one_line(tmp_path):
    (tmp_path / "bank.npz").write_bytes(b"PK nothing")
    with pytest.raises(UserError, match=r"bank\.npz: damaged"):
        read_bank(tmp_path)


KNOWN = Known(
    Sounds([[("S", "T", "AA", "P")]], [[[("S", "T", "AA", "P")]]], [[]], [[("S", "T", "AA", "P", "T")]],
           [[(("S", "T", "AA", "K"),), (("T", "AA", "P"),)]]),
    2.5, {"stop": (Hit("stop", 0.1, 0.3, -1.2345), Hit("stop", 7.0, 7.5, 0.1 + 0.2))},
)  # fmt: skip


def test_what_is_kept_comes_back_to_the_last_digit(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert known.recall("a") is None
    known.keep("a", KNOWN)
    assert known.recall("a") == KNOWN
    assert known.recall("b") is None


@pytest.mark.parametrize("damage", [b"", b"{}", b"\xff\xfe", None])
def test_a_damaged_file_is_as_none(tmp_path, monkeypatch, damage):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    known.keep("a", KNOWN)
    path = known.cache_folder() / "a.json"
    path.write_bytes(path.read_bytes().replace(b"7.0", b"8.0") if damage is None else damage)
    assert known.recall("a") is None


def test_a_folder_that_cannot_be_written_costs_nothing_but_time(tmp_path, monkeypatch):
    (tmp_path / "launch-listener").write_text("in the way")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    known.keep("a", KNOWN)
    assert known.recall("a") is None
    assert os.listdir(tmp_path) == ["launch-listener"]


def test_the_second_start_knows_what_the_first_worked_out(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    first = EarEngine(shipped_model(), ["cease fire", "halt"], {})
    monkeypatch.setattr("listener.speech.ear.look_up", lambda *_: pytest.fail("the dictionary was searched again"))
    second = EarEngine(shipped_model(), ["cease fire", "halt"], {})
    assert (second.phrases.pronunciations, second.phrases.look_alikes, second.phrases.look_alikes_of) == (
        first.phrases.pronunciations, first.phrases.look_alikes, first.phrases.look_alikes_of
    )
    assert second.talk == first.talk


def test_other_spellings_other_phrases_and_other_models_are_not_confused(tmp_path):
    model = shipped_model()
    spelled = {"halt": ("HH AO L T",)}
    other = tmp_path / "model"
    other.mkdir()
    (other / "ear.json").write_bytes((model / "ear.json").read_bytes() + b" ")
    names = {
        known.fingerprint(model, ["halt"], {}), known.fingerprint(model, ["halt"], spelled),
        known.fingerprint(model, ["halt", "stop"], {}), known.fingerprint(other, ["halt"], {}),
    }  # fmt: skip
    assert len(names) == 4
    assert known.fingerprint(model, ["stop"], spelled) == known.fingerprint(model, ["stop"], {})


def test_a_lower_floor_only_adds_words(bank):
    engine = EarEngine(shipped_model(), ["suspend"], {})
    look_alikes = [[way for (way,) in engine.phrases.look_alikes]]
    ear = Listening(engine.info.weights, ["suspend"], engine.phrases.pronunciations, look_alikes, engine.phrases.words)
    strict = replace(engine.info.weights, told_floor=-1.0)
    assert len(hear_talk(bank, ear)["suspend"]) >= len(hear_talk(bank, replace(ear, weights=strict))["suspend"])
