"""Any format libsndfile reads comes in as float32 in +-1, channel by channel, as a stream."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.errors import UserError
from listener.sound.files import open_recording


def tone(rate_hz: int, channels: int = 1, seconds: float = 2.5) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.stack([0.5 * np.sin(2 * np.pi * 300 * t) / (c + 1) for c in range(channels)], axis=1)


def read(path: Path) -> np.ndarray:
    with open_recording(path) as recording:
        return np.concatenate(list(recording.blocks()))


@pytest.mark.parametrize(
    "kind, subtype, bits",
    [
        ("WAV", "PCM_U8", 8), ("WAV", "PCM_16", 16), ("WAV", "PCM_24", 24), ("WAV", "PCM_32", 24),
        ("WAV", "FLOAT", 24), ("WAV", "DOUBLE", 24), ("FLAC", "PCM_16", 16), ("AIFF", "PCM_16", 16),
        ("W64", "PCM_16", 16), ("CAF", "PCM_24", 24),
    ],
)  # fmt: skip
def test_every_sample_format_keeps_its_values_to_the_24_bits_of_float32(tmp_path, kind, subtype, bits):
    path = tmp_path / "sound"
    soundfile.write(path, tone(16_000), 16_000, subtype=subtype, format=kind)
    assert np.abs(read(path) - tone(16_000)).max() <= 2.0 ** (1 - bits)


@pytest.mark.parametrize("kind, subtype", [("WAV", "ULAW"), ("WAV", "ALAW"), ("OGG", "VORBIS"), ("OGG", "OPUS")])
def test_coded_sound_comes_close(tmp_path, kind, subtype):
    path = tmp_path / "sound"
    soundfile.write(path, tone(16_000), 16_000, subtype=subtype, format=kind)
    assert np.corrcoef(read(path)[:, 0], tone(16_000)[:, 0])[0, 1] > 0.99


@pytest.mark.parametrize("channels", range(1, 9))
def test_channels_stay_apart(tmp_path, channels):
    path = tmp_path / "sound.wav"
    soundfile.write(path, tone(8_000, channels), 8_000)
    assert read(path).shape == (20_000, channels)
    assert np.allclose(read(path), tone(8_000, channels), atol=1e-4)


def test_nine_channels_are_too_many(tmp_path):
    path = tmp_path / "nine.wav"
    soundfile.write(path, tone(8_000, 9), 8_000)
    with pytest.raises(UserError, match="nine.wav: has 9 channels; at most 8"):
        read(path)


def test_a_file_is_read_a_second_at_a_time(tmp_path):
    path = tmp_path / "sound.wav"
    soundfile.write(path, tone(8_000), 8_000)
    with open_recording(path) as recording:
        assert [len(block) for block in recording.blocks()] == [8_000, 8_000, 4_000]
        assert (recording.rate_hz, recording.channels, recording.frames) == (8_000, 1, 20_000)


def test_a_wav_written_to_a_pipe_does_not_know_its_length_and_is_whole(tmp_path):
    path = tmp_path / "piped.wav"
    soundfile.write(path, tone(8_000), 8_000)
    data = bytearray(path.read_bytes())
    data[4:8] = data[40:44] = b"\xff\xff\xff\xff"  # RIFF and data sizes
    path.write_bytes(data)
    assert len(read(path)) == 20_000
