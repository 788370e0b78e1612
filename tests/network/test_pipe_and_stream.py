"""Raw PCM out of pipes, and streams from a web server: ffmpeg writes the one, Python serves the other."""

import os
import shutil
import subprocess
import sys
import threading
import time
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer

import numpy as np
import pytest
import soundfile

from listener.errors import SettingsError
from listener.network.pipe import PipeSource, StandardInput
from listener.network.stream import StreamSource
from listener.settings import settings_from
from listener.sound.source import Lost, Unheard
from tests.network.parts import voice
from tests.network.test_senders import Heard

SOUND = voice(1.0)


def test_what_ffmpeg_writes_into_a_named_pipe_is_heard_and_its_end_is_told_and_its_return(tmp_path, need):
    need(shutil.which("ffmpeg") is not None, "ffmpeg")
    soundfile.write(tmp_path / "said.wav", np.stack([SOUND, -SOUND], axis=1), 8_000, subtype="PCM_16")
    os.mkfifo(tmp_path / "radio")
    heard = Heard(PipeSource(tmp_path / "radio", 8_000, "s16le", 2, (2,), silent_s=0.5))
    command = ["ffmpeg", "-v", "error", "-y", "-re", "-i", tmp_path / "said.wav", "-f", "s16le", tmp_path / "radio"]
    for _ in range(2):
        time.sleep(0.7)
        subprocess.run(command, check=True, stdin=subprocess.DEVNULL)
    time.sleep(0.7)
    sound = heard.stop()[:, 0]
    said = np.flatnonzero(sound)
    first = int(said[0])
    assert np.allclose(sound[first : first + 7_900], -SOUND[np.flatnonzero(SOUND)[0] :][:7_900], atol=2e-4)
    details = [state.reasons[0][1] for state in heard.states if state.reasons]
    assert any("whoever wrote into it has ended" in d for d in details)
    told = [bool(state.reasons) for state in heard.states]
    assert [a for a, b in zip(told, [None, *told]) if a != b] == [False, True, False, True, False, True]
    assert any(isinstance(m, Unheard) and m.why == "nothing came by the pipe" for m in heard.messages)


@pytest.mark.parametrize("form, kind", [("s16be", ">i2"), ("f32le", "<f4"), ("u8", "u1"), ("s32le", "<i4")])
def test_each_format_has_its_full_scale(tmp_path, form, kind):
    wave = np.array([0.0, 0.5, -0.5, 0.25])
    scale = {"i2": 32_768, "i4": 2**31, "f4": 1, "u1": 128}[kind[-2:]]
    raw = (wave * scale + (128 if form == "u8" else 0)).astype(kind).tobytes()
    read, write = os.pipe()
    os.write(write, raw)
    heard = Heard(PipeSource(StandardInput(read), 8_000, form, 1, (1,)))
    time.sleep(0.15)
    sound = heard.stop()[:, 0]
    assert np.array_equal(sound[:4], wave.astype(np.float32))
    os.close(read), os.close(write)


CHILD = """
import sys, time
from listener.network.pipe import PipeSource, StandardInput
from listener.sound.source import Opened
from listener.sound.ring import Ring
from listener.watch.parts.process import Child
from listener.watch.parts.capture import run_source
if __name__ == "__main__":
    child = Child("pipe", run_source, PipeSource(StandardInput(), 8000, "s16le", 1, (1,)), None)
    ring = None
    while ring is None or ring.written < 4000:
        for message in child.messages():
            if isinstance(message, Opened):
                ring = Ring.attach(message.ring_name)
        time.sleep(0.02)
    print(int(round(float(ring.read(0, 0, 4000).sum()))))
    child.stop(1.0)
    ring.free()
"""


def test_the_standard_input_reaches_the_process_that_reads_it(tmp_path):
    script = tmp_path / "hear.py"
    script.write_text(CHILD)
    said = np.full(4_000, 0.5 * 32_768).astype("<i2").tobytes()
    done = subprocess.run([sys.executable, script], input=said, capture_output=True, timeout=60)
    assert (done.stdout.strip(), done.returncode) == (b"2000", 0), done.stderr.decode()


def test_a_pipe_that_is_none_says_how_to_make_one(tmp_path):
    heard = Heard(PipeSource(tmp_path / "none", 8_000, "s16le", 1, (1,)))
    heard.thread.join(5)
    assert heard.link.recv() == Lost(
        f"{tmp_path}/none: cannot be opened: No such file or directory; make a named pipe there (mkfifo)", "pipe"
    )


class Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *args: object) -> None:
        pass


def test_a_stream_is_heard_and_its_end_and_a_dead_server_are_told(tmp_path):
    soundfile.write(tmp_path / "radio.ogg", voice(1.5, 16_000), 16_000)
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(tmp_path)))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    url = f"http://127.0.0.1:{server.server_port}/radio.ogg"
    heard = Heard(StreamSource(url, (1,)))
    heard.thread.join(10)
    server.shutdown()
    server.server_close()
    sound = heard.stop()[:, 0]
    assert np.corrcoef(sound[:20_000], voice(1.5, 16_000)[:20_000])[0, 1] > 0.9
    lost = next(m for m in heard.messages if isinstance(m, Lost))
    assert lost == Lost(f"{url}: broke off: the stream has ended; connecting anew", "network")
    dead = Heard(StreamSource(url, (1,)))
    dead.thread.join(10)
    assert "is the server there, and the address right?" in dead.link.recv().reason


@pytest.mark.parametrize(
    "own, says",
    [
        ({"pipe": "-"}, "a pipe does not say its rate: give rate_hz"),
        ({"pipe": "-", "rate_hz": 8_000, "url": "http://a/b"}, "has pipe and url: only one of them"),
        ({"url": "file:///etc/passwd"}, "url"),
        ({"pipe": "-", "rate_hz": 8_000, "input": 2}, "input 2 of a pipe with channels: 1"),
    ],
)
def test_settings_that_cannot_be_are_one_line(own, says):
    with pytest.raises(SettingsError, match=says):
        settings_from({"watch": {"channels": [{"name": "Launch", **own}]}}, "tower.yaml")
