"""What a call loses on its way by RTP: nothing without loss, next to nothing with a twentieth of the packets lost."""

import os
import random

import numpy as np
import pytest
import soundfile
import soxr

from listener import g711
from listener.events import Alert, Block
from listener.monitor import Monitor
from listener.score.interval import share_interval
from listener.settings import Settings
from listener.speech.engines import load_engine
from tests.network.parts import packets, session
from tests.recordings.test_heard import CLIPS, FOLDER

LONG = os.environ.get("LISTENER_LONG") == "1"
CALLS = [clip for clip in CLIPS if clip["kind"] == "call" and clip["phrase"] == "suspend"][:: 1 if LONG else 3]
"""Every third, to be quick; LISTENER_LONG=1 takes all. Other losses: docs/watch.md."""
SETTINGS = Settings()


@pytest.fixture(scope="module")
def engine():
    return load_engine(SETTINGS)


def coded(clip: dict):
    """The clip at 8 kHz as G.711 leaves it."""
    sound, rate_hz = soundfile.read(FOLDER / clip["file"], dtype="float32", always_2d=True)
    return g711.through(soxr.resample(sound[:, clip["channel"]], rate_hz, 8_000), "mu")


def by_rtp(sound, loss: float, seed: int):
    rng = random.Random(seed)
    receiver, memory = session()
    for n, data in enumerate(packets(sound)):
        if n < 2 or rng.random() >= loss:
            receiver.arrived(data, "192.0.2.7", 5004, n * 0.02)
        receiver.tick(n * 0.02)
    receiver.tick(n * 0.02 + 0.2)
    return memory.sound


def alerts(sound, engine) -> list[Alert]:
    monitor = Monitor(SETTINGS, 8_000, 0, engine)
    return [e for e in monitor.feed(Block(sound, 0, 8_000)) + monitor.finish() if isinstance(e, Alert)]


def test_without_loss_the_ring_holds_the_file_coded_by_g711_and_with_five_per_cent_as_many_calls_are_found(engine, capsys):
    """The same samples give the same alerts, to the sample: each clip is heard once for both."""
    found_whole = found_lossy = 0
    for number, clip in enumerate(CALLS):
        sound = coded(clip)
        whole = sound[: len(sound) // 160 * 160]
        assert np.array_equal(by_rtp(whole, 0.0, number), whole)
        found_whole += bool(alerts(whole, engine))
        found_lossy += bool(alerts(by_rtp(whole, 0.05, number), engine))
    with capsys.disabled():
        for what, found in (("0 %", found_whole), ("5 %", found_lossy)):
            low, high = share_interval(found, len(CALLS))
            print(f"\nby RTP at {what} loss: {found} of {len(CALLS)} calls found ({low:.0%} to {high:.0%})", end="")
    assert found_lossy >= found_whole - 1 and found_whole >= len(CALLS) - 1
