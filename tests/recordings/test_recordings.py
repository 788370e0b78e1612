"""The recordings are what their manifest says they are: measured, without any of the voices.

Noise can be drawn again from its seed. What is left of a file after that noise is taken out must be
the speech: silent outside the words, loud inside them, and as much louder than the noise as stated.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.radio import KINDS, active_level_dbov, band_pass, noise, rms_dbov
from recordings_synthetic.build import KEYED_S, SQUELCH, noise_rng
from recordings_synthetic.plan import read_plan

FOLDER = Path(__file__).parents[2] / "recordings_synthetic"
PLAN = read_plan(FOLDER / "plan.yaml")
MANIFEST = yaml.safe_load((FOLDER / "manifest.yaml").read_text(encoding="utf-8"))
CLIPS = {clip["file"]: clip for clip in MANIFEST["clips"]}
EXERCISE = CLIPS[PLAN.exercise.file]
SHORT = [clip for clip in CLIPS.values() if clip["kind"] != "exercise"]
RING_S = 0.02  # the band filter rings on this long after a word


def named(clips):
    return pytest.mark.parametrize("clip", clips, ids=lambda clip: clip["file"])


def read(clip: dict) -> np.ndarray:
    """The channel that the manifest speaks of, float64."""
    audio, rate_hz = soundfile.read(FOLDER / clip["file"], always_2d=True)
    assert rate_hz == clip["rate_hz"]
    return audio[:, clip["channel"]]


def inside(words: list[dict], n: int, rate_hz: int, ring_s: float = 0.0) -> np.ndarray:
    """True on the samples of the words."""
    mask = np.zeros(n, dtype=bool)
    for word in words:
        mask[round(word["start_s"] * rate_hz) : round((word["end_s"] + ring_s) * rate_hz)] = True
    return mask


@dataclass(frozen=True)
class Parts:
    """A recording taken apart into the noise that was drawn again and what remains."""

    speech: np.ndarray
    noise: np.ndarray
    outside: np.ndarray


def taken_apart(
    audio: np.ndarray, said: dict, rng: np.random.Generator, opening_s: float = 0.0, tail_s: float = 0.0
) -> Parts:
    """The noise's gain is fitted where nobody speaks; `said`: words, noise and band of this audio at 16 kHz.

    opening_s, tail_s: squelch edges, which are neither this noise nor speech.
    """
    edges = np.ones(audio.size, dtype=bool)
    edges[round(opening_s * 16000) : audio.size - round(tail_s * 16000)] = False
    outside = ~inside(said["words"], audio.size, 16000, RING_S) & ~edges
    if said["noise"] is None:
        return Parts(np.where(edges, 0.0, audio), np.zeros_like(audio), outside)
    under = band_pass(noise(said["noise"], audio.size / 16000, 16000, rng), 16000, *said["band_hz"]).astype(float)
    gain = under[outside] @ audio[outside] / (under[outside] @ under[outside])
    return Parts(np.where(edges, 0.0, audio - gain * under), gain * under, outside)


# --- files and manifest ----------------------------------------------------------


def test_folder_and_manifest_list_the_same_files_and_stay_small():
    files = {path.name for path in FOLDER.glob("*.flac")}
    assert files == set(CLIPS) == {clip.file for clip in PLAN.clips} | {PLAN.exercise.file}
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < 25_000_000


@named(CLIPS.values())
def test_file_has_the_rate_channels_and_length_stated(clip):
    info = soundfile.info(FOLDER / clip["file"])
    assert (info.samplerate, info.channels, info.subtype) == (clip["rate_hz"], clip["channels"], "PCM_16")
    assert info.frames / info.samplerate == pytest.approx(clip["seconds"], abs=1e-4)


@named(CLIPS.values())
def test_times_are_in_order_and_calls_are_runs_of_the_phrase(clip):
    at = 0.0
    for word in clip["words"]:
        assert at <= word["start_s"] < word["end_s"]
        at = word["end_s"]
    assert at <= clip["seconds"]
    text_at = {(w["start_s"], w["end_s"]): w["text"] for w in clip["words"]}
    for call in clip["calls"]:
        assert len(call["words"]) >= 3
        assert {text_at[tuple(span)] for span in call["words"]} == {call["phrase"]} == {clip["phrase"]}
        assert (call["start_s"], call["end_s"]) == (call["words"][0][0], call["words"][-1][1])
        gaps = [b[0] - a[1] for a, b in zip(call["words"], call["words"][1:], strict=False)]
        assert all(0.05 < gap_s < 1.0 for gap_s in gaps)
        assert all(0.2 < end_s - start_s < 1.2 for start_s, end_s in call["words"])


def test_calls_are_where_the_plan_has_them_and_nowhere_else():
    assert all(len(clip["calls"]) == (clip["kind"] == "call") for clip in SHORT)
    assert all((clip["kind"] == "call") != clip["file"].startswith("not_") for clip in SHORT)


def test_the_set_covers_what_it_promises():
    calls = [clip for clip in SHORT if clip["kind"] == "call" and clip["phrase"] == "suspend"]
    for kind in ("turbine", "wind_deck", "static"):
        assert {c["snr_db"] for c in calls if c["noise"] == kind} >= {20, 10, 5, 0, -5}
    assert sum(c["noise"] is None for c in calls) >= 6
    assert {c["kind"] for c in SHORT} >= {
        "said_once", "said_twice", "look_alike", "talk", "three_words", "read_back", "chatter", "tones", "squelch_tails",
    }  # fmt: skip
    assert len({c["voice"] for c in calls}) >= 8
    assert {clip["phrase"] for clip in SHORT} == {"suspend", "stop", "hold"}


def test_the_exercise_is_traffic_with_calls_in_it():
    assert 8 * 60 <= EXERCISE["seconds"] <= 10 * 60
    kinds = [t["kind"] for t in EXERCISE["transmissions"]]
    assert len(EXERCISE["calls"]) == kinds.count("call") == 6
    for call, sent in zip(
        EXERCISE["calls"], (t for t in EXERCISE["transmissions"] if t["kind"] == "call"), strict=True
    ):
        assert sent["start_s"] < call["start_s"] < call["end_s"] < sent["end_s"]
    assert {"ready_call", "wind_check", "read_back", "said_once", "said_twice", "talk"} <= set(kinds)
    assert all(t["snr_db"] is None or t["snr_db"] >= 5 for t in EXERCISE["transmissions"] if t["kind"] == "call")
    assert [w for t in EXERCISE["transmissions"] for w in t["words"]] == EXERCISE["words"]


# --- sound -----------------------------------------------------------------------------


@named([c for c in SHORT if c["words"] and c["noise"] is None and c["file"] != "suspend_clean_room.flac"])
def test_clean_speech_lies_inside_its_words(clip):
    audio = read(clip)
    words = inside(clip["words"], audio.size, clip["rate_hz"], RING_S)
    assert rms_dbov(audio[~words]) < rms_dbov(audio[words]) - 45.0
    for word in clip["words"]:
        one = inside([word], audio.size, clip["rate_hz"])
        assert rms_dbov(audio[one]) > rms_dbov(audio[words]) - 12.0
        edges = np.split(audio[one], [round(0.06 * clip["rate_hz"]), one.sum() - round(0.06 * clip["rate_hz"])])
        assert all(np.abs(edge).max() > 0.01 * np.abs(audio[one]).max() for edge in (edges[0], edges[2]))


@named([c for c in SHORT if c["noise"] is None and c["words"] and c["radio"] == "band"])
def test_clean_speech_has_the_level_stated(clip):
    # P.56 interpolates between thresholds 6 dB apart: the same speech at another gain may read 0.3 dB differently
    assert active_level_dbov(read(clip), clip["rate_hz"]) == pytest.approx(clip["level_dbov"], abs=0.5)


@named([c for c in SHORT if c["snr_db"] is not None])
def test_noisy_speech_has_the_snr_stated(clip):
    parts = taken_apart(read(clip), clip, noise_rng(PLAN, clip["file"]))
    level_dbov = active_level_dbov(parts.speech, 16000)
    assert rms_dbov(parts.speech[parts.outside]) < level_dbov - 50.0  # nothing but the noise outside words
    assert level_dbov - rms_dbov(parts.noise) == pytest.approx(clip["snr_db"], abs=0.5)
    assert level_dbov == pytest.approx(clip["level_dbov"], abs=0.5)
    for word in clip["words"]:
        assert rms_dbov(parts.speech[inside([word], parts.speech.size, 16000)]) > level_dbov - 10.0


def test_each_transmission_of_the_exercise_is_where_and_as_loud_as_stated():
    audio = read(EXERCISE)
    for number, sent in enumerate(EXERCISE["transmissions"]):
        piece = audio[round(sent["start_s"] * 16000) : round(sent["end_s"] * 16000)]
        said = sent | {"words": [w | {k: w[k] - sent["start_s"] for k in ("start_s", "end_s")} for w in sent["words"]]}
        assert said["words"][0]["start_s"] == pytest.approx(KEYED_S, abs=1e-3)
        rng = noise_rng(PLAN, EXERCISE["file"], number)
        parts = taken_apart(piece, said, rng, SQUELCH.opening_s + 0.01, SQUELCH.tail_s)
        level_dbov = active_level_dbov(parts.speech, 16000)
        assert level_dbov == pytest.approx(sent["level_dbov"], abs=0.5), sent["words"]
        assert rms_dbov(parts.speech[parts.outside]) < level_dbov - 30.0, sent["words"]  # the line's own hiss is left
        if sent["noise"] is not None:
            assert level_dbov - rms_dbov(parts.noise) == pytest.approx(sent["snr_db"], abs=0.5), sent["words"]


def test_between_transmissions_the_line_is_quiet():
    audio = read(EXERCISE)
    open_now = inside(EXERCISE["transmissions"], audio.size, 16000)
    assert rms_dbov(audio[~open_now]) == pytest.approx(PLAN.exercise.line_dbov, abs=1.0)


@named([c for c in SHORT if c["kind"] in {"tones", "squelch_tails", "stuck_transmitter", "noise_only"}])
def test_sounds_without_speech_are_heard(clip):
    audio = read(clip)
    assert clip["words"] == clip["calls"] == [] and rms_dbov(audio) > -45.0
    assert clip["noise"] is None or clip["noise"] in KINDS
