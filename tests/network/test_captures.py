"""Captures, and the rehearsal's sender: tcpdump writes down what we and others send, replay finds and hears it."""

import json
import shutil
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path

import dpkt
import numpy as np
import pytest
import soundfile
import soxr
from typer.testing import CliRunner

from listener import cli, g711
from listener.errors import UsageError, UserError
from listener.network import captures, rtp, sender
from listener.network.codec import payload_named
from tests.network.parts import packets, pcmu, session, voice
from tests.network.test_senders import free_port

ROOT = Path(__file__).parents[2]
CLIP = ROOT / "recordings_synthetic" / "suspend_clean_1.flac"
BEGAN_S = 1_935_403_200.25  # 2031-05-01T12:00:00.25Z


def pcap(path: Path, datagrams: list[tuple[float, tuple[str, int], tuple[str, int], bytes]], form=dpkt.pcap.Writer) -> Path:
    with path.open("wb") as file:
        writer = form(file)
        for unix_s, (src, sport), (dst, dport), data in datagrams:
            udp = dpkt.udp.UDP(sport=sport, dport=dport, data=data, ulen=8 + len(data))
            ip = dpkt.ip.IP(src=socket.inet_aton(src), dst=socket.inet_aton(dst), p=17, data=udp, len=28 + len(data))
            writer.writepkt(bytes(dpkt.ethernet.Ethernet(data=ip)), unix_s)
    return path


def sent(file: Path, codec: str, with_ptt: bool = False) -> list[tuple[float, bytes]]:
    return list(sender.packets(file, payload_named(codec), with_ptt, seed=1))


SIP = (
    b"INVITE sip:radio@192.0.2.9 SIP/2.0\r\nContent-Type: application/sdp\r\n\r\n"
    b"v=0\r\nc=IN IP4 192.0.2.9\r\nm=audio 6000 RTP/AVP 96\r\na=rtpmap:96 L16/16000\r\n"
)


def test_streams_are_found_named_by_sip_and_told_with_wall_clock_times(tmp_path):
    one, two = ("192.0.2.7", 5004), ("192.0.2.8", 4000)
    datagrams = [(BEGAN_S - 1, two, ("192.0.2.9", 5060), SIP)]
    datagrams += [(BEGAN_S + at_s, one, ("239.1.1.1", 5004), data) for at_s, data in sent(CLIP, "PCMU")]
    datagrams += [(BEGAN_S + 2 + at_s, two, ("192.0.2.9", 6000), data) for at_s, data in sent(CLIP, "L16/16000")]
    first = rtp.parse(datagrams[1][3])
    ntp = 2_208_988_800 + int(BEGAN_S) + 7  # the sender's clock is 6.75 s ahead of the capture's
    report = struct.pack("!BBHIIIIII", 0x80, 200, 6, first.ssrc, ntp, 0, first.timestamp, 0, 0)
    datagrams.append((BEGAN_S + 0.01, one, ("239.1.1.1", 5005), report))
    datagrams.sort(key=lambda d: d[0])
    file, other = (pcap(tmp_path / form.__module__, datagrams, form) for form in (dpkt.pcap.Writer, dpkt.pcapng.Writer))
    assert captures.streams(other) == captures.streams(file)
    done = subprocess.run(
        [sys.executable, "-m", "listener", "replay", "--json", file], cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "stream 0: 2031-05-01T12:00:00.250Z 5.4 s  192.0.2.7:5004 -> 239.1.1.1:5004" in done.stderr
    assert "PCMU/8000, 2031-05-01T12:00:07.000Z by the sender's clock (RTCP)" in done.stderr
    assert "stream 1: 2031-05-01T12:00:02.250Z" in done.stderr and "L16/16000" in done.stderr
    calls = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(c["kind"], c["channel"]) for c in calls] == [("alert", 0), ("alert", 1)]
    assert calls[0]["start_s"] == pytest.approx(1.2, abs=0.2) and calls[1]["start_s"] == pytest.approx(3.2, abs=0.2)
    assert calls[0]["utc"].startswith("2031-05-01T12:00:01.")


def test_both_channels_of_one_stream_are_heard_and_told_apart(tmp_path):
    """16 kHz, and only the right channel has the call; then a radio of one channel, which has it too."""
    sound, rate_hz = soundfile.read(CLIP, dtype="float32")
    said = soxr.resample(sound, rate_hz, 8_000)
    quiet = 0.001 * np.random.default_rng(1).standard_normal(len(said))
    pair = np.clip(np.round(np.stack([quiet, said], axis=1) * 32_768), -32_768, 32_767).astype(">i2")
    sip = SIP.replace(b"L16/16000", b"L16/8000/2")
    datagrams = [(BEGAN_S - 1, ("192.0.2.8", 4000), ("192.0.2.9", 5060), sip)]
    for n in range(len(said) // 160):
        data = rtp.build(rtp.Packet(96, n == 0, n, n * 160, 7, pair[n * 160 : (n + 1) * 160].tobytes(), None))
        datagrams.append((BEGAN_S + n * 0.02, ("192.0.2.8", 4000), ("192.0.2.9", 6000), data))
    datagrams += [(BEGAN_S + 0.01 + at_s, ("192.0.2.7", 1), ("192.0.2.9", 2), data) for at_s, data in sent(CLIP, "PCMU")]
    file = pcap(tmp_path / "pair.pcap", sorted(datagrams, key=lambda d: d[0]))
    done = CliRunner().invoke(cli.app, ["replay", "--json", str(file)])
    assert done.exit_code == 0, done.output
    assert "L16/8000/2, channels 0 and 1" in done.stderr and "PCMU/8000, channel 2" in done.stderr
    assert [(c["kind"], c["channel"]) for c in map(json.loads, done.stdout.splitlines())] == [("alert", 1), ("alert", 2)]


def test_a_capture_s_sound_is_what_was_sent(tmp_path):
    sound = voice(2.0)
    datagrams = [(BEGAN_S + n * 0.02, ("192.0.2.7", 1), ("192.0.2.9", 2), data) for n, data in enumerate(packets(sound))]
    (stream,), broken = captures.streams(pcap(tmp_path / "a.pcap", datagrams))
    heard, missing = captures.sound_of(stream)
    assert (broken, missing) == ("", []) and np.array_equal(heard[:, 0], sound) and stream.began_unix_s == BEGAN_S


def test_a_capture_that_was_cut_off_or_holds_no_radio_says_so(tmp_path):
    datagrams = [(BEGAN_S + n * 0.02, ("192.0.2.7", 1), ("192.0.2.9", 2), d) for n, d in enumerate(packets(voice(1.0)))]
    whole = pcap(tmp_path / "a.pcap", datagrams).read_bytes()
    (tmp_path / "cut.pcap").write_bytes(whole[:-100])
    found, broken = captures.streams(tmp_path / "cut.pcap")
    assert len(found[0].packets) == 49 and "cut.pcap: 1 packets are there only in part" in broken
    empty = pcap(tmp_path / "none.pcap", [(BEGAN_S, ("192.0.2.7", 1), ("192.0.2.9", 53), b"hello")])
    done = CliRunner().invoke(cli.app, ["replay", str(empty)])
    assert done.exit_code == 1 and "no RTP stream of five packets or more is in it" in done.output


def test_tcpdump_s_capture_of_what_send_sends_is_the_recording_coded_by_g711(tmp_path, need):
    need(shutil.which("tcpdump") is not None, "tcpdump (apt install tcpdump)")
    soundfile.write(tmp_path / "said.wav", voice(1.0), 8_000, subtype="PCM_16")
    port, file = free_port(), tmp_path / "lo.pcap"
    dump = subprocess.Popen(
        ["tcpdump", "-i", "lo", "-U", "--immediate-mode", "-w", file, "udp", "port", str(port)], stderr=subprocess.PIPE, text=True
    )
    assert dump.stderr
    line = dump.stderr.readline()
    need("listening" in line, f"the right to capture ({line.strip()})")
    assert sender.send(tmp_path / "said.wav", ("127.0.0.1", port), "PCMU", with_ptt=False) == pytest.approx(0.98)
    time.sleep(0.3)
    dump.terminate()
    dump.wait(5)
    dump.stderr.close()
    (stream,), _ = captures.streams(file)
    heard, missing = captures.sound_of(stream)
    assert not missing and np.array_equal(heard[:, 0], g711.through(voice(1.0), "mu"))


def test_a_rehearsal_with_push_to_talk_says_when_the_squelch_opens_and_closes():
    receiver, _ = session(silent_s=1.0)
    for at_s, data in sent(CLIP, "PCMU", with_ptt=True):
        receiver.arrived(data, "127.0.0.1", 1, at_s)
        receiver.tick(at_s)
    assert [(t.what, t.begins) for t in receiver.news] == [("squelch", True), ("ptt", True), ("squelch", False), ("ptt", False)]
    assert receiver.news[1].detail == "normal, id 1"


@pytest.mark.parametrize("to", ["192.0.2.7:5004", "239.1.1.1:5004", "[2001:db8::1]:5004"])
def test_sending_beyond_this_computer_needs_a_yes(to):
    with pytest.raises(UsageError, match="would send beyond this computer; if that is meant, say --yes too"):
        sender.where(to, yes=False)
    assert sender.where(to, yes=True)[1] == 5004


@pytest.mark.parametrize("to", ["5004", "tower:5004", "127.0.0.1:0", "127.0.0.1:x", "127.0.0.1"])
def test_where_to_must_be_an_address_and_a_port(to):
    with pytest.raises(UsageError, match="must be ADDRESS:PORT"):
        sender.where(to, yes=False)


def drill(folder: Path, *recordings: str) -> Path:
    file = folder / "drill.yaml"
    file.write_text("title: Deck\ncalls: []\nrecordings:\n" + "".join(f"  - {one}\n" for one in recordings))
    return file


def test_a_drill_s_recording_is_sent_by_its_name_and_channel(tmp_path, monkeypatch):
    both = np.stack([np.zeros(8_000, np.float32), voice(1.0)], axis=1)
    soundfile.write(tmp_path / "both.wav", both, 8_000, subtype="PCM_16")
    file = drill(tmp_path, "{name: tower, file: both.wav, channel: 0}", "{name: deck, file: both.wav, channel: 1}")
    monkeypatch.setattr(sender.time, "sleep", lambda seconds: None)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as inlet:
        inlet.bind(("127.0.0.1", 0))
        to = f"127.0.0.1:{inlet.getsockname()[1]}"
        done = CliRunner().invoke(cli.app, ["send", str(file), "--recording", "deck", "--rtp", to])
        assert (done.exit_code, done.output) == (0, f"1.0 s sent to {to}\n")
        said = b"".join(rtp.parse(inlet.recv(2_000)).payload for _ in range(50))
    assert said == pcmu(voice(1.0))


@pytest.mark.parametrize(
    "recordings, options, says",
    [
        (["{name: a, file: a.wav}", "{name: b, file: a.wav}"], [], "several recordings; say which one with --recording: a, b"),
        (["{name: a, file: a.wav}"], ["--recording", "c"], "--recording c: .*drill.yaml has a$"),
        (["{name: a, file: none.wav}"], [], "drill.yaml: recording 'a': .*none.wav"),
        ([], [], "drill.yaml: recordings"),
    ],
)
def test_a_drill_that_cannot_be_sent_is_one_line(tmp_path, recordings, options, says):
    soundfile.write(tmp_path / "a.wav", voice(0.1), 8_000)
    with pytest.raises(UserError, match=says) as raised:
        cli.app(["send", str(drill(tmp_path, *recordings)), *options], standalone_mode=False)
    assert "\n" not in str(raised.value)
