"""The exercise through a real sound server: what `watch` hears live is what `replay` hears in the files.

The ten minutes are cut into eight pieces at quiet moments and played at once into eight lines, each one
channel of the same station: PulseAudio null sinks, captured from their monitors through PortAudio.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.alert.recording import cut, pieces
from listener.events import Alert
from listener.replay import replay
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.watch.station import Station
from tests.watch.parts import channel, follow, has_sound_server, running, save, sound_server

RECORDINGS = Path(__file__).parent.parent.parent / "recordings_synthetic"
EXERCISE = RECORDINGS / "exercise_halvard.flac"
LINES = 8
LEAD_S = 6.0
STEP_S = 0.01
LATEST_S = 0.2
# The ear tells a word early, while it is still being said, in chunks of 240 ms: the end of the last word that an alert
# rests on may be found anywhere in that word (0.8 s at most in the exercise). A call's place is its start.
LAST_WORD_S = 0.8


@dataclass(frozen=True)
class Piece:
    file: Path
    name: str
    length_s: float


def cut_exercise(folder: Path) -> list[Piece]:
    """Eight files that together are the exercise, cut in the pauses nearest to the eighths of its length."""
    clip = next(c for c in yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"] if c["file"] == EXERCISE.name)
    sound, rate_hz = soundfile.read(EXERCISE, dtype="float32")
    words = sorted((w["start_s"], w["end_s"]) for w in clip["words"])
    pauses = [(a + b) / 2 for (_, a), (b, _) in zip(words, words[1:], strict=False) if b - a > 2.0]
    cuts = [min(pauses, key=lambda p: abs(p - k * len(sound) / rate_hz / LINES)) for k in range(1, LINES)]
    edges = [0, *[round(c * rate_hz) for c in cuts], len(sound)]
    lead = np.random.default_rng(3).standard_normal(round(LEAD_S * rate_hz)).astype(np.float32) * 1e-3
    made = []
    for k, (first, after) in enumerate(zip(edges, edges[1:], strict=False)):
        part = np.concatenate([lead, sound[first:after]])
        made.append(Piece(save(folder / f"piece{k}.wav", part, rate_hz), f"line{k}", len(part) / rate_hz))
    return made


@pytest.fixture
def server(tmp_path, need, monkeypatch):
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", [f"line{k}" for k in range(LINES)]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        yield server


def offset_s(folder: Path, piece: Piece, around: Alert, near_s: float) -> float:
    """Stream time less file time at a call: found by laying the sound around it over the recording.

    At the call itself, because a player on a busy computer may pause between two of them; and looked for within
    three seconds of near_s, since an exercise repeats itself.
    """
    index = [p for p in pieces(folder) if p.channel == piece.name]
    began = index[0].unix_s
    recorded, rate_hz, _ = cut(folder, piece.name, began, began + piece.length_s + 60)
    played, played_hz = soundfile.read(piece.file, dtype="float32")
    assert (rate_hz, played_hz) == (48_000, 16_000)
    heard, file = envelope(recorded / 32768, rate_hz), envelope(played, played_hz)
    first = max(0, round((around.start_s - 2) / STEP_S))
    probe = file[first : round((around.end_s + 2) / STEP_S)]
    views = np.lib.stride_tricks.sliding_window_view(heard, len(probe))
    apart = views - views.mean(axis=1, keepdims=True)
    likeness = apart @ (probe - probe.mean()) / (np.linalg.norm(apart, axis=1) * np.linalg.norm(probe - probe.mean()) + 1e-9)
    guess = round((near_s - index[0].sample / rate_hz) / STEP_S) + first
    low = max(0, guess - round(3 / STEP_S))
    at = low + int(np.argmax(likeness[low : guess + round(3 / STEP_S)]))
    assert likeness[at] > 0.6, f"{piece.name}: the sound around {around.start_s:.1f} s did not come through"
    return index[0].sample / rate_hz + (at - first) * STEP_S


def envelope(sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """Level in dB of each step; what a sound server does to single samples under load does not show in it."""
    n = round(STEP_S * rate_hz)
    frames = sound[: len(sound) // n * n].reshape(-1, n)
    return 10 * np.log10(np.mean(np.square(frames, dtype=np.float64), axis=1) + 1e-6)


def test_the_exercise_heard_live_is_the_exercise_as_replayed(tmp_path, server):
    parts = cut_exercise(tmp_path)
    channels = [{"name": p.name, "device": p.name, "rate_hz": 48_000} for p in parts]
    health = {"digital_silence_s": "off", "lowest_level_dbov": "off", "steady_carrier_s": "off"}
    settings = Settings.model_validate(
        {"watch": {"channels": channels, "tone": {"enabled": False}, "health": health, "least_free_mb": 1}}
    )
    with running(Station(settings, tmp_path / "state", tmp_path / "recorded")) as station:
        follow(station, lambda s: all(c.state == "LISTENING" for c in s.snapshot().channels), 60.0)
        players = [server.play(p.name, p.file) for p in parts]
        follow(station, lambda s: all(p.poll() is not None for p in players), max(p.length_s for p in parts) + 120)
        ends = channel(station).stream_s + 3.0
        follow(station, lambda s: channel(s).stream_s > ends, 20.0)
        live = [row for row in station.rows_after(0) if row.kind == "alert"]
    engine = load_engine(settings)
    count = 0
    for number, part in enumerate(parts):
        expected = [e for heard in replay(part.file, settings, engine) for e in heard.events if isinstance(e, Alert)]
        rows = sorted((row.body for row in live if row.channel == part.name), key=lambda body: body["start_s"])
        told = f"{part.name}: live {[r['start_s'] for r in rows]}, replayed {[e.start_s for e in expected]}"
        assert len(rows) == len(expected), told
        for row, alert in zip(rows, expected, strict=True):
            shift_s = offset_s(tmp_path / "recorded", part, alert, row["start_s"] - alert.start_s)
            assert abs(row["start_s"] - shift_s - alert.start_s) <= LATEST_S, told
            assert abs(row["end_s"] - shift_s - alert.end_s) <= LAST_WORD_S, told
        assert channel(station, number).gaps == 0
        count += len(expected)
    assert count >= 3, "the exercise holds several calls"
