"""How the recordings of the development evaluation are made, and how they are heard.  (about 10 s)"""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.events import Alert, Block
from listener.monitor import Monitor
from listener.settings import Settings
from listener.speech.engines import load_engine
from models.training import cut, devset
from models.training.evaluate import manifest
from models.training.hear import RATE_HZ, SENSITIVITIES, hear
from models.training.whisper_plain import times_written

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"


def _takes(count: int) -> devset.Takes:
    rng = np.random.default_rng(1)
    return {
        ("stop", f"voice/{who}"): [rng.normal(0, 0.1, 8000 + 100 * i).astype(np.float32) for i in range(count)]
        for who in "ab"
    }


def _jets() -> list[np.ndarray]:
    return [np.random.default_rng(2).normal(0, 0.1, 32_000).astype(np.float32)]


def test_a_part_of_the_evaluation_hears_the_very_recordings_of_the_whole():
    whole = list(devset.trials(_takes(4), "voices", ["stop"], [None, 5.0], _jets(), 6, 1))
    part = list(devset.trials(_takes(4), "voices", ["stop"], [5.0], _jets(), 2, 1))
    assert len(whole) == 12
    twins = {(t.speaker, t.snr_db): t.audio for t in whole}
    assert all(np.array_equal(t.audio, twins[t.speaker, t.snr_db]) for t in part)


def test_speakers_come_in_turn_and_a_call_has_three_takes_in_order():
    for trial in devset.trials(_takes(4), "voices", ["stop"], [None], _jets(), 4, 1):
        assert trial.speaker.split("#")[0] == f"voice/{'ab'[int(trial.speaker[-1]) % 2]}"
        gaps = [b[0] - a[1] for a, b in zip(trial.words, trial.words[1:])]
        assert len(trial.words) == 3
        assert all(0.2 < gap < 0.85 for gap in gaps)


def test_each_crowd_recording_is_in_one_call_only():
    threes = devset.threes(_takes(7), ["stop"], 3)
    used = [take.tobytes() for takes in threes.values() for take in takes]
    assert len(threes) == 4  # fourteen takes
    assert len(set(used)) == 12


def test_what_is_too_little_is_said_so():
    takes = {**_takes(4), ("stock", "voice/a"): _takes(2)["stop", "voice/a"]}
    made = list(devset.too_little(takes, "stop", ["stock"], [10.0], _jets(), 1))
    assert [n.source for n in made] == [
        "stop: stock, three times/voice/a",
        "stop: stop, twice/voice/a",
        "stop: stop, twice/voice/b",
    ]
    assert {n.condition for n in made} == {"10 dB"}


def test_sensitivities_judged_beside_are_those_of_a_monitor_of_their_own():
    audio, _ = soundfile.read(RECORDINGS / "suspend_turbine_minus5db.flac", dtype="float32")
    engine = load_engine(Settings())
    heard = hear(audio, Settings(), engine)
    for sensitivity in SENSITIVITIES:
        monitor = Monitor(Settings(sensitivity=sensitivity), RATE_HZ, engine=engine)
        alone = [*monitor.feed(Block(audio, 0, RATE_HZ)), *monitor.finish()]
        alerts = [[e for e in events if isinstance(e, Alert)] for events in (alone, heard.events[sensitivity])]
        assert alerts[0] == alerts[1]


def test_words_are_cut_where_they_were_said():
    """A synthetic call whose word times are known; the aligner is PocketSphinx. Within 60 ms (tolerance: ours)."""
    audio, _ = soundfile.read(RECORDINGS / "suspend_clean_1.flac", dtype="int16")
    found = cut.Aligner().words(audio, "suspend suspend suspend")
    known = [(1.2, 1.88), (2.18, 2.85), (3.13, 3.8)]
    assert [said.word for said in found] == ["suspend"] * 3
    for said, (start_s, end_s) in zip(found, known):
        assert said.start_s == pytest.approx(start_s, abs=0.06)
        assert said.end_s == pytest.approx(end_s, abs=0.06)


def test_words_that_are_not_in_the_sentence_s_sound_are_not_cut():
    assert cut.Aligner().words(np.zeros(16_000, np.int16), "zzgrblx") == []


def test_a_phrase_is_counted_as_whole_words_and_digits_also_as_figures():
    assert times_written("stop", "stop stop stopped unstop stop") == 3
    assert times_written("seven", "777 seven") == 4
    assert times_written("view glass", "view glass view glass") == 2


def test_the_manifest_names_what_is_heard():
    parts = manifest()
    assert parts["voices"][0]["phrases"] == ["suspend"]
    assert {None, 10, 5, 0, -5} <= set(parts["voices"][0]["snr_db"])
    assert parts["noise"]["hours"] >= 1
    seeds = [
        plan["seed"]
        for plan in (
            *parts["voices"],
            *parts["people"],
            *parts["words"],
            parts["shouts"],
            parts["speech"],
            parts["noise"],
            parts["alike"],
        )
    ]
    assert len(set(seeds)) == len(seeds)


def test_shouts_are_found_by_their_phrase_and_each_is_one_call(tmp_path):
    """A recording is named after what is said in it; the one take is said three times."""
    (tmp_path / "Pilot").mkdir()
    tone = 0.3 * np.sin(2 * np.pi * 400 * np.arange(16_000) / 16_000)
    soundfile.write(
        tmp_path / "Pilot" / "Standclear.ogg", np.concatenate([np.zeros(8000), tone, np.zeros(8000)]), 16_000
    )
    takes = devset.shouts(tmp_path, {"Pilot": ["stand clear"]})
    ((key, (take,)),) = takes.items()
    assert key == ("stand clear", "shout/Pilot")
    assert len(take) == pytest.approx(16_000, abs=400), "the silence before and after is cut away"
    calls = list(devset.trials(takes, "shouts", ["stand clear"], [None], [np.ones(100)], 5, 1))
    assert len(calls) == 1 and len(calls[0].words) == 3


def test_of_the_command_files_only_words_said_three_times_by_one_person_are_asked_for(tmp_path):
    sound = np.random.default_rng(1).normal(0, 0.1, 7 * 16_000).astype(np.float32)
    soundfile.write(tmp_path / "command_people_00.ogg", sound, 16_000, format="OGG", subtype="VORBIS")
    soundfile.write(tmp_path / "words_people_00.ogg", sound, 16_000, format="OGG", subtype="VORBIS")
    said = [("command", "anna", "up")] * 3 + [("command", "ben", "up")] * 2 + [("words", "carl", "up")] * 2
    rows = [f"{kind}_people_00.ogg,{n},1,{who},{word}" for n, (kind, who, word) in enumerate(said)]
    (tmp_path / "people.csv").write_text("\n".join(["file,start_s,seconds,speaker,text", *rows, rows[5], rows[6]]) + "\n")
    takes = devset.command_takes(tmp_path)
    assert list(takes) == [("up", "command/anna")]
    assert [len(take) for take in takes["up", "command/anna"]] == [16_000] * 3
    assert not np.array_equal(*takes["up", "command/anna"][:2])
