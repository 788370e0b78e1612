"""The exercise through a real sound server: what `watch` hears live is what `replay` hears in the files.

The ten minutes are cut into eight lines that are played at once, each one channel of the same station: PulseAudio null
sinks, captured from their monitors through PortAudio.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.events import Alert, Block
from listener.keep.recording import cut, pieces
from listener.monitor import Monitor
from listener.replay.run import replay
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.speech.spotter import Engine
from listener.watch.station import Station
from tests.watch.parts import SoundServer, channel, follow, has_sound_server, running, save, sound_server

RECORDINGS = Path(__file__).parent.parent.parent / "recordings_synthetic"
EXERCISE = RECORDINGS / "exercise_halvard.flac"
LINES, CALLS = 8, 6
LEAD_S = 4.0
STEP_S = 0.01
LATEST_S = 0.2
SAME_S = 0.001


@dataclass(frozen=True)
class Line:
    """What is played into one line."""

    name: str
    file: Path
    length_s: float


def spans_s() -> list[list[tuple[float, float]]]:
    """The pieces of the exercise that each line plays, cut in the middle of pauses."""
    clip = next(
        c for c in yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"] if c["file"] == EXERCISE.name
    )
    said = clip["transmissions"]
    pauses = [(a["end_s"] + b["start_s"]) / 2 for a, b in itertools.pairwise(said)]
    cuts = [min(pauses, key=lambda p: abs(p - k * clip["seconds"] / LINES)) for k in range(1, LINES)]
    return [[span] for span in zip([0.0, *cuts], [*cuts, clip["seconds"]], strict=True)]


def lines_of_the_exercise(folder: Path) -> list[Line]:
    sound, rate_hz = soundfile.read(EXERCISE, dtype="float32")
    lead = np.random.default_rng(3).standard_normal(round(LEAD_S * rate_hz)).astype(np.float32) * 1e-3
    made = []
    for k, spans in enumerate(spans_s()):
        part = np.concatenate([lead, *(sound[round(a * rate_hz) : round(b * rate_hz)] for a, b in spans)])
        made.append(Line(f"line{k}", save(folder / f"line{k}.wav", part, rate_hz), len(part) / rate_hz))
    return made


@pytest.fixture
def server(tmp_path, need, monkeypatch) -> Iterator[SoundServer]:
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", [f"line{k}" for k in range(LINES)]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        yield server


@dataclass(frozen=True)
class Recorded:
    """What was captured of one line, bit for bit, and the stream time at which it begins."""

    sound: np.ndarray
    rate_hz: int
    first_sample: int

    @classmethod
    def of(cls, folder: Path, line: Line) -> "Recorded":
        index = [p for p in pieces(folder) if p.channel == line.name]
        assert len(index) == 1, f"{line.name}: captured with gaps"
        sound, rate_hz, _ = cut(folder, line.name, index[0].unix_s, index[0].unix_s + 3600)
        return cls(sound.astype(np.float32) / 32768, rate_hz, index[0].sample)

    def alerts(self, settings: Settings, engine: Engine) -> list[Alert]:
        """What a Monitor hears in it."""
        monitor = Monitor(settings, self.rate_hz, engine=engine)
        events = monitor.feed(Block(self.sound, self.first_sample, self.rate_hz)) + monitor.finish()
        return [event for event in events if isinstance(event, Alert)]

    def shift_s(self, line: Line, around: Alert, near_s: float) -> float:
        """Stream time less file time at a call: found by laying the sound around it over what was captured.

        At the call itself, because a player on a busy computer may pause between two of them; and looked for within
        three seconds of near_s, since an exercise repeats itself.
        """
        played, played_hz = soundfile.read(line.file, dtype="float32")
        heard, file = envelope(self.sound, self.rate_hz), envelope(played, played_hz)
        first = max(0, round((around.start_s - 2) / STEP_S))
        probe = file[first : round((around.end_s + 2) / STEP_S)]
        views = np.lib.stride_tricks.sliding_window_view(heard, len(probe))
        apart = views - views.mean(axis=1, keepdims=True)
        likeness = (
            apart
            @ (probe - probe.mean())
            / (np.linalg.norm(apart, axis=1) * np.linalg.norm(probe - probe.mean()) + 1e-9)
        )
        began_s = self.first_sample / self.rate_hz
        guess = round((near_s - began_s) / STEP_S) + first
        low = max(0, guess - round(3 / STEP_S))
        at = low + int(np.argmax(likeness[low : guess + round(3 / STEP_S)]))
        assert likeness[at] > 0.6, f"{line.name}: the sound around {around.start_s:.1f} s did not come through"
        return began_s + (at - first) * STEP_S


def envelope(sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """Level in dB of each step."""
    n = round(STEP_S * rate_hz)
    frames = sound[: len(sound) // n * n].reshape(-1, n)
    return 10 * np.log10(np.mean(np.square(frames, dtype=np.float64), axis=1) + 1e-6)


@pytest.mark.long
@pytest.mark.alone
def test_the_exercise_heard_live_is_the_exercise_as_replayed(tmp_path, server):
    lines = lines_of_the_exercise(tmp_path)
    channels = [{"name": line.name, "device": line.name, "rate_hz": 48_000} for line in lines]
    health = {"digital_silence_s": "off", "lowest_level_dbov": "off", "steady_carrier_s": "off"}
    settings = Settings.model_validate(
        {"watch": {"channels": channels, "tone": {"enabled": False}, "health": health, "least_free_mb": 1}}
    )
    with running(Station(settings, tmp_path / "state", tmp_path / "recorded")) as station:
        follow(station, lambda s: all(c.state == "LISTENING" for c in s.snapshot().channels), 60.0)
        gaps = [c.gaps for c in station.snapshot().channels]  # what came before it was loaded
        players = [server.play(line.name, line.file) for line in lines]
        follow(
            station, lambda s: all(p.poll() is not None for p in players), max(line.length_s for line in lines) + 120
        )
        ends_s = channel(station).stream_s + 3.0
        follow(station, lambda s: channel(s).stream_s > ends_s, 20.0)
        live = [row for row in station.rows_after(0) if row.kind == "alert"]
        assert [c.gaps for c in station.snapshot().channels] == gaps and not any(c.restarts for c in station.snapshot().channels)
    engine = load_engine(settings)
    count = 0
    for line in lines:
        expected = [e for heard in replay(line.file, settings, engine) for e in heard.events if isinstance(e, Alert)]
        rows = sorted((row.body for row in live if row.channel == line.name), key=lambda body: body["start_s"])
        recorded = Recorded.of(tmp_path / "recorded", line)
        captured = recorded.alerts(settings, engine)
        told = f"{line.name}: live {places(rows)}, captured {places(captured)}, file {places(expected)}"
        assert len(rows) == len(captured) == len(expected), told
        for row, same, alert in zip(rows, captured, expected, strict=True):
            assert row["start_s"] == pytest.approx(same.start_s, abs=SAME_S), told
            assert row["end_s"] == pytest.approx(same.end_s, abs=SAME_S), told
            shift_s = recorded.shift_s(line, alert, row["start_s"] - alert.start_s)
            early_s = row["start_s"] - shift_s - alert.start_s, row["end_s"] - shift_s - alert.end_s
            print(
                f"{line.name}: call at {alert.start_s:.2f} s, live less replay: start {early_s[0]:+.3f}, end {early_s[1]:+.3f} s"
            )
            assert max(map(abs, early_s)) <= LATEST_S, told
        count += len(expected)
    assert count == CALLS


def places(calls: list) -> list[tuple[float, float]]:
    return [(c["start_s"], c["end_s"]) if isinstance(c, dict) else (c.start_s, c.end_s) for c in calls]
