"""What telephones and cameras write is read too: files that ffmpeg made, against the sound they were made of."""

import builtins
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.errors import UserError
from listener.sound.files import open_recording
from tests.parts import need_python

need_python("av", "'launch-listener[test]'")

KINDS = [("m4a", "aac"), ("mp4", "alac"), ("aac", "aac"), ("wma", "wmav2"), ("mka", "aac"), ("webm", "libopus")]


def chirp(seconds: float = 4.0, rate_hz: int = 16_000) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return (0.4 * np.sin(2 * np.pi * (300 * t + 150 * t**2))).astype(np.float32)


@pytest.fixture
def made(need, tmp_path):
    """made(ending, coder, channels): a file that ffmpeg made of the chirp."""
    need(shutil.which("ffmpeg") is not None, "ffmpeg (apt install ffmpeg)")

    def make(end: str, coder: str, *options: str) -> Path:
        soundfile.write(tmp_path / "in.wav", chirp(), 16_000)
        path = tmp_path / f"sound.{end}"
        command = ["ffmpeg", "-v", "error", "-y", "-i", tmp_path / "in.wav", "-c:a", coder, *options, path]
        subprocess.run(command, check=True)
        return path

    return make


def read(path: Path) -> tuple[np.ndarray, int]:
    with open_recording(path) as recording:
        return np.concatenate(list(recording.blocks())), recording.rate_hz


@pytest.mark.parametrize("end, coder", KINDS)
def test_the_sound_is_there_at_its_time(made, end, coder):
    sound, rate_hz = read(made(end, coder))
    assert sound.dtype == np.float32 and sound.shape[1] == 1
    own = chirp(rate_hz=rate_hz)
    # As alike as the coder leaves it. Only MPEG-4 and WebM tell the coder's own delay; else it may be off by a frame.
    off_s = 0.005 if end in ("m4a", "mp4", "webm") else 0.07
    reach = round(0.1 * rate_hz)
    most = round(3.5 * rate_hz)
    matches = [np.corrcoef(sound[max(0, k) : max(0, k) + most - reach, 0], own[max(0, -k) : max(0, -k) + most - reach])[0, 1]
               for k in range(-reach, reach, max(1, rate_hz // 16_000))]  # fmt: skip
    best = int(np.argmax(matches)) * max(1, rate_hz // 16_000) - reach
    assert max(matches) > 0.98 and abs(best) / rate_hz <= off_s
    assert len(sound) / rate_hz == pytest.approx(4.0, abs=0.12)


def test_channels_and_rate_are_kept(made):
    sound, rate_hz = read(made("m4a", "aac", "-ac", "2", "-ar", "44100"))
    assert (sound.shape[1], rate_hz) == (2, 44_100)


@pytest.mark.parametrize("end, coder", [("m4a", "aac"), ("wma", "wmav2"), ("mka", "aac")])
def test_a_file_that_was_cut_off_is_told(made, end, coder):
    path = made(end, coder, *(["-movflags", "+faststart"] if end == "m4a" else []))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    with pytest.raises(UserError, match=f"sound.{end}: broke off after [12]"):
        read(path)


def test_an_mp4_without_its_end_is_no_sound_file(made):
    path = made("m4a", "aac")  # the index comes last
    path.write_bytes(path.read_bytes()[:-2000])
    with pytest.raises(UserError, match="sound.m4a: cannot be read as a sound file: MPEG-4"):
        read(path)


def test_a_film_without_sound_is_told(need, tmp_path):
    need(shutil.which("ffmpeg") is not None, "ffmpeg (apt install ffmpeg)")
    path = tmp_path / "film.mp4"
    subprocess.run(["ffmpeg", "-v", "error", "-f", "lavfi", "-i", "color=s=32x32:d=1", path], check=True)
    with pytest.raises(UserError, match="is MPEG-4 .* without any sound in it"):
        read(path)


def test_a_playlist_is_never_followed(tmp_path):
    soundfile.write(tmp_path / "secret.wav", chirp(), 16_000)
    for name, text in (("list.m3u8", "#EXTM3U\n#EXTINF:4,\nsecret.wav\n"), ("list.ffconcat", "ffconcat version 1.0\nfile secret.wav\n")):
        (tmp_path / name).write_text(text)
        with pytest.raises(UserError, match="cannot be read as a sound file"):
            read(tmp_path / name)


def test_without_the_extra_the_line_names_it_and_how_to_convert(made, monkeypatch):
    path = made("m4a", "aac")
    real = builtins.__import__

    def without_av(name, *rest):
        if name == "av":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without_av)
    with pytest.raises(UserError, match=r"is MPEG-4 .* pip install 'launch-listener\[media\]', or convert it: ffmpeg -i"):
        read(path)
