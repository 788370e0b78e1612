"""Any format libsndfile reads comes in as float32 in +-1, channel by channel, as a stream."""

import os
import socket
import subprocess
import sys
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


@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "W64", "RF64", "AIFF", "AU", "FLAC", "OGG", "MP3"])
def test_a_file_that_was_cut_off_is_told(tmp_path, kind):
    path = tmp_path / "cut"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 80_000), 8_000, format=kind)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 4])
    with pytest.raises(UserError, match="cut: broke off after"):
        read(path)
    path.write_bytes(data)
    assert len(read(path)) == pytest.approx(80_000, abs=2_500)


def test_a_w64_longer_than_4_gigabytes_that_is_whole_is_not_called_cut(tmp_path):
    """The header's sizes have 64 bits; a sparse file has them all."""
    path = tmp_path / "long.w64"
    soundfile.write(path, tone(8_000), 8_000, subtype="PCM_16")
    with open_recording(path) as recording:
        assert recording._cut_off() == ""
    data = bytearray(path.read_bytes())
    extra = 5 * 2**30
    data[16:24] = (len(data) + extra).to_bytes(8, "little")
    at = data.index(b"data") + 16
    data[at : at + 8] = (int.from_bytes(data[at : at + 8], "little") + extra).to_bytes(8, "little")
    path.write_bytes(data)
    with open_recording(path) as recording:
        assert "its header promises 5,3" in recording._cut_off()
    os.truncate(path, len(data) + extra)
    with open_recording(path) as recording:
        assert recording._cut_off() == ""


def socket_at(path: Path) -> None:
    socket.socket(socket.AF_UNIX).bind(str(path))


@pytest.mark.parametrize(
    "make, said",
    [
        (os.mkfifo, "is a pipe, not a file"),
        (os.mkdir, "is a directory; name the sound files in it"),
        (socket_at, "is a socket, not a file"),
        (lambda path: os.symlink("/dev/zero", path), "is a device, not a file"),
        (lambda path: os.symlink(path.name, path), "cannot be opened: Too many levels of symbolic links"),
    ],
)
def test_what_is_no_plain_file_is_told_and_not_waited_for(tmp_path, monkeypatch, make, said):
    monkeypatch.chdir(tmp_path)  # a socket's path may not be long
    make(Path("odd.wav"))
    with pytest.raises(UserError, match=f"odd.wav: {said}"):
        read(Path("odd.wav"))


@pytest.mark.parametrize("name", ["sound.raw", os.fsdecode(b"caf\xe9.wav"), "sound", "日本.vox"])
def test_the_contents_say_what_it_is_and_not_the_name(tmp_path, name):
    soundfile.write(tmp_path / "a.wav", tone(8_000), 8_000)
    (tmp_path / "a.wav").rename(tmp_path / name)
    assert len(read(tmp_path / name)) == 20_000


def test_a_name_that_no_file_can_have_is_a_line(tmp_path):
    for name, said in (("x" * 300, "File name too long"), ("a\0b", "embedded null byte")):
        with pytest.raises(UserError, match=f"cannot be opened: {said}"):
            read(tmp_path / name)


def test_a_span_of_a_file_is_read_where_it_is(tmp_path):
    soundfile.write(tmp_path / "a.flac", tone(8_000, 2), 8_000)
    with open_recording(tmp_path / "a.flac") as recording:
        assert np.array_equal(recording.span(5_000, 5_100), read(tmp_path / "a.flac")[5_000:5_100])
        assert recording.span(19_990, 99_000).shape == (10, 2) and recording.span(50_000, 60_000).shape == (0, 2)


def test_the_mp3_decoders_own_remarks_stay_off_the_terminal(tmp_path):
    path = tmp_path / "cut.mp3"
    soundfile.write(path, np.random.default_rng(1).normal(0, 0.1, 80_000), 8_000)
    path.write_bytes(path.read_bytes()[:5_000])
    bare = f"import soundfile; soundfile.read({str(path)!r})"
    noisy = subprocess.run([sys.executable, "-c", bare], capture_output=True, text=True)
    assert "Xing" in noisy.stderr  # or this test shows nothing
    done = subprocess.run([sys.executable, "-m", "listener", "replay", path], capture_output=True, text=True)
    told, totals = done.stderr.splitlines()
    assert told.startswith(f"listener: {path}: broke off after") and totals.startswith("1 file, ")
