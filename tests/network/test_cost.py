"""What eight radios by RTP cost more than eight files: against the clock, so only with LISTENER_LONG=1.

One capture process each, without recognisers, which are the same for both.
"""

import sys
import time

import pytest

from listener.sound import capture
from listener.watch.parts.capture import run_source
from listener.watch.parts.process import Child
from tests.network.parts import packets, voice
from tests.network.test_real_sockets import HERE, outlet, ring_of, source
from tests.network.test_senders import free_port
from tests.watch.parts import save

pytestmark = pytest.mark.long

CHANNELS = 8
LASTS_S = 30.0


def cost(sources: list, tick) -> float:
    """The share of a core that they take together while tick() is called every 20 ms."""
    children = [Child("radio", run_source, one, None) for one in sources]
    rings = [ring_of(child, []) for child in children]
    try:
        for n in range(50):
            tick(n)
            time.sleep(0.02)
        cpu_s, began_s = sum(child.cpu_s() for child in children), time.monotonic()
        for n in range(round(LASTS_S / 0.02)):
            tick(50 + n)
            time.sleep(max(0.0, began_s + (n + 1) * 0.02 - time.monotonic()))
        return (sum(child.cpu_s() for child in children) - cpu_s) / (time.monotonic() - began_s)
    finally:
        for child, ring in zip(children, rings, strict=True):
            child.stop(1.0)
            ring.free()


@pytest.mark.skipif(sys.platform != "linux", reason="processor time is read from /proc")
def test_eight_radios_cost_at_most_a_twentieth_of_a_core_more_than_eight_files(tmp_path, capsys):
    sound = voice(LASTS_S + 2.0)
    file = save(tmp_path / "radio.wav", sound, 8_000)
    files = cost([capture.Source(None, (1,), file=file) for _ in range(CHANNELS)], lambda n: None)
    ports, sent = [free_port() for _ in range(CHANNELS)], list(packets(sound))
    with outlet() as sender:
        radios = cost([source(port) for port in ports], lambda n: [sender.sendto(sent[n], (HERE, port)) for port in ports])
    with capsys.disabled():
        print(f"\n{CHANNELS} radios {radios:.1%} of a core, {CHANNELS} files {files:.1%}, over {LASTS_S:.0f} s each", end="")
    assert radios <= files + 0.05
