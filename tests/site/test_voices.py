"""The crew's own voices: what a take must be, where it lies, and a word that no dictionary knows, by examples alone.

About 45 s: one word is learnt (25 s of processor time), and a file is listened to as a radio.
"""

import stat
import subprocess

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from listener import cli
from listener.call.background import joint_peaks
from listener.errors import UserError
from listener.events import RATE_HZ, Alert, Block
from listener.monitor import Monitor
from listener.settings import Settings, read_settings
from listener.site import examples
from listener.site.voices import judge_take
from listener.speech.engines import load_engine
from listener.watch.proof import Proof, words_for

WORD = "zorblat"


def tone(seconds=0.5, level=0.3, before_s=0.3, after_s=0.3):
    said = level * np.sin(2 * np.pi * 700 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    pads = [np.zeros(round(s * RATE_HZ)) for s in (before_s, after_s)]
    return np.concatenate([pads[0], said, pads[1]]).astype(np.float32)


@pytest.mark.parametrize(
    "sound, said",
    [
        (np.zeros(RATE_HZ, np.float32), "silence"),
        (np.clip(tone(level=3.0), -1, 1), "clipped"),
        (tone(level=0.004), "too faint"),
        (np.random.default_rng(1).normal(0, 0.002, RATE_HZ).astype(np.float32), "noise alone"),
        (tone(before_s=0.0), "cut off at its beginning"),
        (tone(after_s=0.0), "cut off at its end"),
        (tone(seconds=0.05), "too short"),
        (tone(seconds=3.0), "say the phrase once"),
        (np.concatenate([tone(), tone()]), "more than one thing"),
    ],
)
def test_what_is_wrong_with_a_take_is_said(sound, said):
    assert said in "; ".join(judge_take(sound, RATE_HZ).wrong)


@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100])
def test_a_good_take_is_cut_to_what_is_said(rate_hz):
    sound = np.concatenate([np.zeros(rate_hz), 0.3 * np.sin(np.arange(rate_hz // 2)), np.zeros(rate_hz)]).astype(np.float32)
    take = judge_take(sound, rate_hz)
    assert take.wrong == () and len(take.sound) == pytest.approx(0.6 * RATE_HZ, abs=0.03 * RATE_HZ)


def run(*arguments):
    return CliRunner().invoke(cli.app, ["voices", *map(str, arguments)])


def test_takes_are_kept_with_consent_for_the_owner_alone_and_deleted(tmp_path):
    take = tmp_path / "take.wav"
    soundfile.write(take, tone(), RATE_HZ)
    refused = run("add", take, "--who", "ann", "--folder", tmp_path / "s")
    assert isinstance(refused.exception, UserError) and "has not agreed" in str(refused.exception)
    assert not (tmp_path / "s").exists()
    kept = run("add", take, "--who", "ann", "--phrase", WORD, "--consent", "--folder", tmp_path / "s")
    assert kept.exit_code == 0, kept.output
    files = [p for p in (tmp_path / "s" / "voices").rglob("*") if p.name != ".launch-listener"]
    assert {p.name for p in files} == {"ann", "consent.json", WORD, "1.flac"}
    assert all(stat.S_IMODE(p.stat().st_mode) == (0o700 if p.is_dir() else 0o600) for p in files)
    assert f"{WORD}: ann, 1 takes" in run("list", "--folder", tmp_path / "s").output
    assert "1 takes of ann deleted" in run("delete", "--who", "ann", "--folder", tmp_path / "s").output
    assert not (tmp_path / "s" / "voices" / "ann").exists()
    assert "no such voice" in str(run("delete", "--who", "ann", "--folder", tmp_path / "s").exception)


def test_a_bad_file_is_one_line_and_the_others_are_kept(tmp_path):
    good, silent, none = tmp_path / "good.wav", tmp_path / "silent.wav", tmp_path / "none.wav"
    soundfile.write(good, tone(), RATE_HZ)
    soundfile.write(silent, np.zeros(RATE_HZ), RATE_HZ)
    result = run("add", good, silent, none, "--who", "ann", "--consent", "--folder", tmp_path / "s")
    assert result.exit_code == 1 and "1 of 3 takes" in result.output
    assert "silence" in result.output and "none.wav" in result.output and "Traceback" not in result.output


@pytest.mark.parametrize("who", ["../ann", "", "examples", "a/b"])
def test_a_name_leads_nowhere_else(tmp_path, who):
    soundfile.write(tmp_path / "take.wav", tone(), RATE_HZ)
    result = run("add", tmp_path / "take.wav", "--who", who, "--consent", "--folder", tmp_path / "s")
    assert isinstance(result.exception, UserError) and not (tmp_path / "s").exists()


def test_takes_are_recorded_through_the_capture_process(tmp_path):
    """A file stands for the radio."""
    soundfile.write(tmp_path / "radio.wav", np.tile(tone(0.4, 0.3, 0.3, 0.8), 12), RATE_HZ)
    (tmp_path / "s.yaml").write_text("watch: {channels: [{name: tower, file: radio.wav}], folder: state}\n")
    result = run("record", "--who", "ann", "--takes", "1", "--seconds", "1.4", "--consent", "--config", tmp_path / "s.yaml")
    lines = result.output
    assert "take 1 of 1: say 'suspend' now" in lines and ("good" in lines or "not kept:" in lines)
    found = run("record", "--who", "ann", "--channel", "deck", "--config", tmp_path / "s.yaml")
    assert "no such channel" in str(found.exception)


def test_no_microphone_is_one_line(tmp_path):
    (tmp_path / "s.yaml").write_text("watch: {channels: [{name: tower, device: nothing of that name}], folder: state}\n")
    result = run("record", "--who", "ann", "--consent", "--config", tmp_path / "s.yaml")
    assert isinstance(result.exception, UserError) and "\n" not in str(result.exception)


@pytest.mark.parametrize("takes", [{}, {"ann": 1}, {"ann": 2, "bob": 2}])
def test_too_few_takes_are_refused(takes):
    sounds = {who: [tone()] * count for who, count in takes.items()}
    with pytest.raises(UserError, match="at least 5 are needed"):
        examples.learn("suspend", sounds, Settings())


# --- a word that no dictionary knows -----------------------------------------


def said(variant, speed, tmp_path, text=WORD):
    path = tmp_path / "said.wav"
    subprocess.run(["espeak-ng", "-v", f"en-us+{variant}", "-s", str(speed), "-w", str(path), text], check=True)
    sound, rate_hz = soundfile.read(path, dtype="float32")
    take = judge_take(np.pad(sound, rate_hz // 3), rate_hz)
    assert take.wrong == ()
    return take.sound


@pytest.fixture(scope="module")
def station(espeak, tmp_path_factory):
    """A station that has learnt the word from three voices of espeak-ng, and its settings file."""
    folder = tmp_path_factory.mktemp("station")
    (folder / "s.yaml").write_text(f"phrases: [{{words: {WORD}}}]\near: {{examples: state/voices/examples}}\n"
                                   f"watch: {{folder: state, proof: {{words: {{{WORD}: state/voices/proof/{WORD}.wav}}}}}}\n")  # fmt: skip
    for variant in ("m1", "f2", "m5"):
        for number, speed in enumerate((140, 165, 190)):
            soundfile.write(folder / "t.wav", np.pad(said(variant, speed, folder), 6000), RATE_HZ)
            kept = run("add", folder / "t.wav", "--who", variant, "--consent", "--config", folder / "s.yaml")
            assert kept.exit_code == 0, (kept.output, number)
    learnt = run("learn", "--config", folder / "s.yaml")
    assert learnt.exit_code == 0, (learnt.output, learnt.exception)
    return folder, learnt.output


def calls(monitor_settings, sounds, engine):
    gap = np.zeros(round(0.4 * RATE_HZ), np.float32)
    noise = np.random.default_rng(1).normal(0, 0.003, 4 * RATE_HZ).astype(np.float32)
    audio = np.concatenate([gap, gap, *(part for sound in sounds for part in (sound * 0.3 / np.abs(sound).max(), gap)), gap, gap, gap])
    audio = audio + np.resize(noise, len(audio))
    monitor = Monitor(monitor_settings, RATE_HZ, engine=engine)
    return [e for e in monitor.feed(Block(audio, 0, RATE_HZ)) + monitor.finish() if isinstance(e, Alert)]


@pytest.fixture(scope="module")
def engine(station):
    return load_engine(read_settings(station[0] / "s.yaml"))


def test_other_voices_calls_of_the_made_up_word_are_found_by_examples_alone(station, engine, tmp_path):
    settings = read_settings(station[0] / "s.yaml")
    for variant in ("m3", "f1", "f5"):
        alerts = calls(settings, [said(variant, speed, tmp_path) for speed in (150, 165, 175)], engine)
        assert [alert.phrase for alert in alerts] == [WORD], variant


def test_said_twice_or_another_word_thrice_is_no_call(station, engine, tmp_path):
    settings = read_settings(station[0] / "s.yaml")
    assert calls(settings, [said("m3", 160, tmp_path)] * 2, engine) == []
    for other in ("suspend", "banana", "garbage", "seventeen"):
        assert calls(settings, [said("m3", 160, tmp_path, other)] * 3, engine) == [], other


def test_talk_hardly_makes_a_call_of_it_and_the_engine_says_how_often(station, engine):
    settings = read_settings(station[0] / "s.yaml")
    peaks = joint_peaks(engine.talk.hits[WORD], settings.phrases[0], engine.calibration)
    assert engine.talk.hours > 4.0
    assert sum(peak >= engine.calibration.alert_levels["balanced"] for peak in peaks) <= 1


def test_the_proof_test_works_for_it(station, engine):
    settings = read_settings(station[0] / "s.yaml")
    words = words_for(settings)
    proof = Proof(settings, RATE_HZ, engine, words)
    result = None
    while result is None:
        result = proof.step()
    assert result.passed, result.detail


def test_what_was_learnt_is_said_with_what_it_gained(station):
    assert "clear enough for a call" in station[1] and "false alerts in 4.3 h of talk" in station[1]
    assert "ear: {examples:" in station[1]


def test_the_same_sound_gives_the_same_hits_however_it_is_cut(station, engine, tmp_path):
    sound = np.pad(np.concatenate([np.pad(said("f1", 160, tmp_path), 3000)] * 3), RATE_HZ)
    def heard(piece):
        spotter = engine.spotter()
        return [h for at in range(0, len(sound), piece) for h in spotter.feed(sound[at : at + piece])] + spotter.finish()
    assert heard(len(sound)) == heard(777) != []


def test_damaged_or_foreign_examples_are_one_line(station, tmp_path):
    settings = read_settings(station[0] / "s.yaml")
    def at(folder):
        return settings.model_copy(update={"ear": settings.ear.model_copy(update={"examples": folder})})
    with pytest.raises(UserError, match="is no folder"):
        load_engine(at(tmp_path / "none"))
    (tmp_path / f"{WORD}.examples.npz").write_bytes(b"spoilt")
    with pytest.raises(UserError, match="damaged"):
        load_engine(at(tmp_path))
