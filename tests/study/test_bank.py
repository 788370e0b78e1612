"""The bank: speech and noise of a study, read from the user's folders, checked before any work."""

import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.errors import UserError
from listener.score.said import times_said
from listener.study.bank import Bank, build
from listener.study.design import Design
from listener.study.plan import plan_from
from listener.study.prepared import Prepared
from listener.study.sound import make_sound
from listener.study.voices import say

RATE_HZ = 16_000


def built(small, **changes) -> Bank:
    return build(plan_from({**small, **changes}, "plan"))


def folder_with(tmp_path: Path, labels: str, suffix: str = ".txt", seconds: float = 4.0) -> Path:
    tmp_path.mkdir(exist_ok=True)
    tone = 0.3 * np.sin(2 * np.pi * 440 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    soundfile.write(tmp_path / "dora.wav", tone.astype(np.float32), RATE_HZ)
    (tmp_path / "dora").with_suffix(suffix).write_text(labels)
    return tmp_path


def test_words_calls_and_talk_are_told_apart_by_their_labels(small, tmp_path):
    labels = "0.1\t0.6\tsuspend\n1.0\t2.4\tSuspend, suspend, suspend!\n3.0\t3.9\twe suspend at four\n"
    bank = built(small, speech={"recordings": [{"folder": str(folder_with(tmp_path, labels))}]})
    assert [(c.role, c.text, c.size / RATE_HZ) for c in bank.clips] == [
        ("word", "suspend", 0.5), ("call", "suspend", 1.4), ("line", "we suspend at four", 0.9),
    ]  # fmt: skip
    assert bank.speakers("suspend") == ("dora",)
    assert [c.role for c in bank.takes("suspend", "dora")] == ["call"]
    assert len(bank.clips[1].words) == 3


@pytest.mark.parametrize(
    "suffix, labels",
    [
        (".csv", "start_s,end_s,track,text\n0.1,0.6,,suspend\n"),
        (".vtt", "WEBVTT\n\n00:00:00.100 --> 00:00:00.600\nsuspend\n"),
        (".rttm", "SPEAKER deck 1 0.1 0.5 <NA> <NA> suspend <NA> <NA>\n"),
    ],
)
def test_all_of_the_drills_label_formats_are_read(small, tmp_path, suffix, labels):
    speech = {"recordings": [{"folder": str(folder_with(tmp_path, labels, suffix))}]}
    bank = built(small, speech=speech, negatives={})
    assert [(c.role, c.size) for c in bank.clips] == [("word", RATE_HZ // 2)]


def test_the_manifest_of_the_synthetic_recordings_is_speech(small):
    folder = str(Path(__file__).parents[2] / "recordings_synthetic")
    bank = built(small, speech={"recordings": [{"folder": folder, "split": "dev"}]})
    assert bank.speakers("suspend") == ("flite rms", "kokoro am_michael", "kokoro bf_emma", "kokoro bm_lewis")
    assert len(bank.lines) > 10 and all(times_said(line.text, "suspend") < 3 for line in bank.lines)


@pytest.mark.parametrize(
    "labels, said",
    [
        ("0.1\t0.15\tsuspend\n", "lasts 0.05 s, too short to hold 7 sounds; check its label"),
        ("4.5\t5.0\tsuspend\n", "lies outside the 4.00 s of sound; correct the label"),
        ("0.1\t0.6\thold\n", "phrases: nobody says 'suspend'"),
        ("0.1\n", "line 1: expected start, end and text"),
        ("", "no labelled speech found"),
    ],
)
def test_labels_that_cannot_be_right_stop_the_study_before_it_starts(small, tmp_path, labels, said):
    with pytest.raises(UserError) as caught:
        built(small, speech={"recordings": [{"folder": str(folder_with(tmp_path, labels))}]})
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_talk_needs_no_labels_and_people_of_two_folders_stay_apart(small, tmp_path):
    for name in ("day/dora.wav", "night/dora.wav", "night/off.wav"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        tone = 0.3 * np.sin(np.arange(2 * RATE_HZ)) * (name != "night/off.wav")
        soundfile.write(tmp_path / name, tone, RATE_HZ)
    folders = [{"folder": str(tmp_path / name)} for name in ("day", "night")]
    bank = built(small, negatives={"hours": 0.01, "piece_s": 10, "recordings": folders})
    whole = [(line.speaker, line.source) for line in bank.lines if not line.text]
    assert whole == [("day/dora", "dora.wav"), ("night/dora", "dora.wav")]  # off.wav is silent


def test_silent_speech_and_silent_noise_are_named(small, tmp_path):
    soundfile.write(tmp_path / "dora.wav", np.zeros(RATE_HZ * 2), RATE_HZ)
    (tmp_path / "dora.txt").write_text("0.1\t0.8\tsuspend\n")
    with pytest.raises(UserError, match=r"speech 'suspend' by dora \(dora.wav at 0.10 s\): is silent"):
        built(small, speech={"recordings": [{"folder": str(tmp_path)}]})
    with pytest.raises(UserError, match=r"noise 'hangar' \(dora.wav\): is silent"):
        built(small, noises=[{"name": "hangar", "path": str(tmp_path / "dora.wav")}])


def test_missing_folders_files_and_voices_are_named(small, tmp_path):
    for changes, said in (
        ({"speech": {"recordings": [{"folder": "/nowhere"}]}}, "/nowhere: no such folder"),
        ({"noises": [{"name": "x", "path": "/nowhere.wav"}]}, "/nowhere.wav: no such sound file"),
        ({"noises": [{"name": "x", "path": str(tmp_path)}]}, "noise 'x': no sound files in"),
        ({"speech": {"voices": ["parrot polly"]}}, "voice 'parrot polly': write an engine and a voice"),
    ):
        with pytest.raises(UserError, match=said):
            built(small, **changes)


def test_a_saved_bank_is_the_same_bank(small, tmp_path):
    bank = built(small)
    bank.save(tmp_path)
    again = Bank.load(tmp_path)
    assert again.digest == bank.digest and again.clips == bank.clips
    assert np.array_equal(again.sound(again.clips[0]), bank.sound(bank.clips[0]))


def test_the_digest_sees_one_sample(small):
    bank = built(small)
    other = bank.in_memory()
    other._samples[0] += 1
    assert Bank(other.clips, other._samples).digest != bank.digest


def test_a_voice_says_a_text_the_same_way_twice(espeak):
    one, two = (say("espeak en-us+m3", "suspend", 1.1) for _ in range(2))
    assert np.array_equal(one, two) and 0.3 < one.size / RATE_HZ < 1.2 and np.abs(one).max() == pytest.approx(0.5)


def test_preparing_stopped_anywhere_goes_on_and_gives_the_same_bits(small, espeak, tmp_path, monkeypatch):
    """Every piece that a voice says is a place to stop at; what was whole by then is never said again."""
    monkeypatch.setattr("listener.study.bank.TALK", ("roger, {phrase} at four",))
    plan = plan_from({**small, "speech": {**small["speech"], "voices": ["espeak en-us+m3", "espeak en-gb"], "paces": [1.0]}}, "plan")
    whole, said = build(plan), []

    def say_until(stop_at: int):
        def saying(*what):
            if len(said) == stop_at:
                raise KeyboardInterrupt
            said.append(what)
            return say(*what)

        return saying

    for stop_at in range(4):
        prepared = Prepared(tmp_path / str(stop_at), "a stamp")
        said.clear()
        monkeypatch.setattr("listener.study.bank.say", say_until(stop_at))
        with pytest.raises(KeyboardInterrupt):
            build(plan, prepared=prepared)
        monkeypatch.setattr("listener.study.bank.say", say_until(-1))
        again = build(plan, prepared=prepared)
        assert again.clips == whole.clips and again.digest == whole.digest
        assert len(said) == 4 + stop_at % 2, "two pieces a voice: only the voice it was stopped in is begun anew"
    monkeypatch.setattr("listener.study.bank.say", say_until(len(said)))
    assert build(plan, prepared=prepared).digest == whole.digest, "all is there: nothing is said"
    with pytest.raises(KeyboardInterrupt):
        build(plan, prepared=Prepared(prepared.folder, "another program"))


def test_a_recording_that_was_changed_since_is_read_again(small, tmp_path):
    speech = folder_with(tmp_path / "in", "0.1\t0.6\tsuspend\n")
    plan = plan_from({**small, "speech": {"recordings": [{"folder": str(speech)}]}, "negatives": {}}, "plan")
    prepared = Prepared(tmp_path / "out", "a stamp")
    first = build(plan, prepared=prepared)
    (speech / "dora.txt").write_text("0.1\t0.9\tsuspend\n")
    assert build(plan, prepared=prepared).digest != first.digest


def test_killed_outright_while_it_prepares_it_loses_nothing(small, tmp_path):
    """The command kills itself with half of a part on the disk; the same command again ends with the bits of one go."""
    (tmp_path / "plan.yaml").write_text(yaml.safe_dump({**small, "snr_db": [20.0], "noises": ["pink"], "trials": 1, "negatives": {}}))
    script = """
import os, signal, sys
from pathlib import Path
from listener.study import prepared
from listener.study.plan import read_plan
from listener.study.run import prepare
from rich.console import Console
whole, written = prepared._save, []
def save(path, *what):
    whole(path, *what)
    if sys.argv[2] == "kill" and len(written) == 1:
        os.truncate(path, path.stat().st_size // 2)
        os.kill(os.getpid(), signal.SIGKILL)
    written.append(path)
prepared._save = save
prepare(read_plan(Path(sys.argv[1]) / "plan.yaml"), Path(sys.argv[1]) / sys.argv[3], Console(stderr=True))
print(len(written))
"""
    told = []
    for how, out in (("kill", "out"), ("go on", "out"), ("in one go", "other")):
        told.append(subprocess.run([sys.executable, "-c", script, str(tmp_path), how, out], capture_output=True, text=True, timeout=60))
    assert [one.returncode for one in told] == [-signal.SIGKILL, 0, 0], told[-1].stderr
    assert [int(one.stdout) for one in told[1:]] == [2, 3], "three recordings: what was whole is not made again"
    for name in ("bank.npy", "bank.json", "lock.json"):
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()
    assert not (tmp_path / "out" / "preparing").exists()


def test_a_measured_room_is_heard_on_the_speech_with_its_words_in_place(small, tmp_path):
    """A response of one late sample is no room at all; one of two taps adds the echo."""
    impulse = np.zeros(4800)
    impulse[2400] = 0.5
    soundfile.write(tmp_path / "dry.wav", impulse, RATE_HZ)
    impulse[2400 + 1600] = 0.4
    (tmp_path / "hall").mkdir()
    soundfile.write(tmp_path / "hall" / "a.flac", impulse, RATE_HZ)
    calm = {**small, "snr_db": [None], "trials": 1, "negatives": {}, "noises": ["pink"]}
    heard = {}
    for name, room in (("none", None), ("dry", {"path": str(tmp_path / "dry.wav")}), ("hall", {"path": str(tmp_path / "hall")})):
        plan = plan_from({**calm, "rooms": {"here": room}}, "plan")
        heard[name] = make_sound(Design(plan), build(plan), 0)
    assert heard["dry"].call == heard["none"].call == heard["hall"].call
    assert np.abs(heard["dry"].samples - heard["none"].samples).max() < 1e-3
    assert np.abs(heard["hall"].samples - heard["none"].samples).max() > 0.02
    assert heard["hall"].sti is None and heard["none"].sti > 0


@pytest.mark.parametrize(
    "samples, said",
    [
        (np.zeros((4000, 1)), r"room 'hall' \(hall.wav\): is silent"),
        (np.full((RATE_HZ * 11, 1), 0.5), r"room 'hall' \(hall.wav\): goes on for 11.0 s after its direct sound; cut it"),
        (np.full((4000, 2), 0.5), "hall.wav: has 2 channels; save the one that is meant as a file of its own"),
    ],
)
def test_an_impulse_response_that_cannot_be_used_is_one_line(small, tmp_path, samples, said):
    soundfile.write(tmp_path / "hall.wav", samples, RATE_HZ)
    with pytest.raises(UserError, match=said) as caught:
        built(small, rooms={"hall": {"path": str(tmp_path / "hall.wav")}})
    assert "\n" not in str(caught.value)
