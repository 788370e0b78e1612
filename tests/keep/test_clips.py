"""Clips and recordings: the sound that was heard, bit for bit, where the journal says it is."""

import hashlib
import json
import os
import signal
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from listener.errors import UserError
from listener.keep.clips import Clip, ClipTaker, take_clip
from listener.keep.recording import Recorder, cut, keep_within, mend, pieces
from listener.sound.ring import Overwritten, Ring

RATE_HZ = 8_000


@pytest.fixture
def ring():
    made = Ring.create(RATE_HZ, 1, 30.0)
    yield made
    made.free()


def pcm(seconds: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(-20_000, 20_000, round(seconds * RATE_HZ)).astype(np.int16)


def fill(ring: Ring, sound: np.ndarray) -> None:
    ring.write((sound / 32768).astype(np.float32)[:, None])


def clip(ring: Ring, first: int, after: int) -> Clip:
    return Clip(7, "Launch 1/A", "2031-05-01T12:00:00.250000Z", ring, 0, first, after)


def test_a_clip_is_the_sound_bit_for_bit_with_its_hash(ring, tmp_path):
    sound = pcm(20.0)
    fill(ring, sound)
    taken = take_clip(clip(ring, 8_000, 128_000), tmp_path / "evidence")
    path = tmp_path / taken.file
    assert taken.file == "evidence/20310501T120000Z_Launch_1_A_7.flac"
    read, rate_hz = soundfile.read(path, dtype="int16")
    np.testing.assert_array_equal(read, sound[8_000:128_000])
    assert (rate_hz, taken.first_sample, taken.samples) == (RATE_HZ, 8_000, 120_000)
    assert taken.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert soundfile.info(path).format == "FLAC"
    assert list(path.parent.glob("*.part")) == []


def test_a_clip_that_reaches_back_before_the_first_sound_begins_with_it(ring, tmp_path):
    fill(ring, pcm(3.0))
    taken = take_clip(clip(ring, 0, 10 * RATE_HZ), tmp_path)
    assert (taken.first_sample, taken.samples) == (0, 3 * RATE_HZ)


def test_a_clip_is_taken_when_its_sound_is_there_and_not_before(ring, tmp_path):
    done: list[object] = []
    taker = ClipTaker(tmp_path, lambda clip, taken, detail: done.append(taken))
    fill(ring, pcm(10.0))
    taker.want(clip(ring, 0, 12 * RATE_HZ), latest_s=100.0)
    taker.collect(now_s=1.0)
    assert done == []
    fill(ring, pcm(3.0))
    taker.collect(now_s=2.0)
    taker.collect(now_s=3.0)
    assert [taken.samples for taken in done] == [12 * RATE_HZ]


def test_when_the_sound_never_comes_what_there_is_is_taken_in_time(ring, tmp_path):
    done: list[object] = []
    taker = ClipTaker(tmp_path, lambda clip, taken, detail: done.append(taken))
    fill(ring, pcm(10.0))
    taker.want(clip(ring, 0, 12 * RATE_HZ), latest_s=100.0)
    taker.collect(now_s=100.5)
    assert [taken.samples for taken in done] == [10 * RATE_HZ]


def test_a_clip_that_cannot_be_written_is_told(ring, tmp_path):
    (tmp_path / "evidence").write_text("in the way")
    told: list[str] = []
    taker = ClipTaker(tmp_path / "evidence", lambda clip, taken, detail: told.append(detail))
    fill(ring, pcm(1.0))
    taker.want(clip(ring, 0, RATE_HZ), latest_s=0.0)
    taker.collect(now_s=1.0)
    assert told and told[0].startswith("it could not be written")


def test_a_clip_whose_sound_is_gone_is_told(ring, tmp_path):
    for _ in range(6):
        fill(ring, pcm(10.0))
    with pytest.raises(Overwritten):
        take_clip(clip(ring, 0, RATE_HZ), tmp_path)


# -- continuous recording ------------------------------------------------------------------------------

HOUR = 1_900_000_800.0  # 2030-03-17T18:00:00Z


def test_recordings_change_file_with_the_hour_and_are_found_by_time(tmp_path):
    sound = pcm(6.0)
    recorder = Recorder(tmp_path, "Launch", RATE_HZ)
    for second in range(6):
        part = (sound[second * RATE_HZ : (second + 1) * RATE_HZ] / 32768).astype(np.float32)
        recorder.write(part, second * RATE_HZ, HOUR - 3 + second)
    recorder.close()
    assert [p.name for p in sorted(tmp_path.glob("Launch/*.flac"))] == [
        "20300317T175957000000Z.flac",
        "20300317T180000000000Z.flac",
    ]
    read, rate_hz, began = cut(tmp_path, "Launch", HOUR - 1.5, HOUR + 1.25)
    np.testing.assert_array_equal(read, sound[round(1.5 * RATE_HZ) : round(4.25 * RATE_HZ)])
    assert (rate_hz, began) == (RATE_HZ, HOUR - 1.5)


def test_a_gap_starts_a_new_piece_at_its_true_time(tmp_path):
    recorder = Recorder(tmp_path, "Launch", RATE_HZ)
    one, two = pcm(2.0, 1), pcm(2.0, 2)
    recorder.write((one / 32768).astype(np.float32), 0, HOUR)
    recorder.write((two / 32768).astype(np.float32), 10 * RATE_HZ, HOUR + 10)
    recorder.close()
    _first, second = pieces(tmp_path)
    assert (second.at, second.sample, second.unix_s) == (2 * RATE_HZ, 10 * RATE_HZ, HOUR + 10)
    read, _, began = cut(tmp_path, "Launch", HOUR + 9, HOUR + 11)
    np.testing.assert_array_equal(read, two[:RATE_HZ])
    assert began == HOUR + 10
    with pytest.raises(UserError, match="nothing was recorded on 'Launch' at that time"):
        cut(tmp_path, "Launch", HOUR + 4, HOUR + 8)


_RECORD = """
import sys, numpy as np
from pathlib import Path
from listener.keep.recording import Recorder
recorder = Recorder(Path(sys.argv[1]), "Launch", 8000)
sound = np.random.default_rng(1).integers(-20000, 20000, 200 * 8000).astype(np.int16)
for i in range(200):
    recorder.write((sound[i * 800:(i + 1) * 800] / 32768).astype(np.float32), i * 800, 1_900_000_800 + i / 10)
    print(i, flush=True)
"""


def test_a_recording_that_was_cut_off_by_kill_9_is_mended_and_plays(tmp_path):
    writer = subprocess.Popen([sys.executable, "-c", _RECORD, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    while int(writer.stdout.readline()) < 100:
        pass
    os.kill(writer.pid, signal.SIGKILL)
    writer.wait()
    (path,) = mend(tmp_path)
    read, _ = soundfile.read(path, dtype="int16")
    sound = np.random.default_rng(1).integers(-20_000, 20_000, 200 * 8000).astype(np.int16)
    assert len(read) > 9 * RATE_HZ, "at most the last second may be missing"
    np.testing.assert_array_equal(read, sound[: len(read)])
    assert mend(tmp_path) == []


def make_recordings(folder, sizes_and_ages) -> None:
    (folder / "Launch").mkdir()
    for i, (size, age_days) in enumerate(sizes_and_ages):
        path = folder / "Launch" / f"2030031{i}T000000Z.flac"
        path.write_bytes(b"x" * size)
        os.utime(path, (HOUR - age_days * 86_400,) * 2)


def test_old_recordings_go_after_their_days(tmp_path):
    make_recordings(tmp_path, [(10, 40.0), (10, 31.0), (10, 29.0), (10, 0.0)])
    gone = keep_within(tmp_path, days=30, gigabytes=1, now_unix_s=HOUR)
    assert [p.name for p in gone] == ["20300310T000000Z.flac", "20300311T000000Z.flac"]
    assert all(not p.exists() for p in gone)


def test_the_oldest_go_while_there_are_too_many_bytes_but_never_the_newest(tmp_path):
    make_recordings(tmp_path, [(400, 3.0), (400, 2.0), (400, 1.0), (400, 0.0)])
    keep_within(tmp_path, days=30, gigabytes=900e-9, now_unix_s=HOUR)
    assert sorted(p.name for p in tmp_path.glob("Launch/*")) == ["20300312T000000Z.flac", "20300313T000000Z.flac"]
    keep_within(tmp_path, days=30, gigabytes=1e-9, now_unix_s=HOUR)
    assert [p.name for p in tmp_path.glob("Launch/*")] == ["20300313T000000Z.flac"]


def test_a_torn_last_line_of_the_index_is_passed_over(tmp_path):
    recorder = Recorder(tmp_path, "Launch", RATE_HZ)
    recorder.write(np.zeros(800, np.float32), 0, HOUR)
    recorder.close()
    with open(tmp_path / "index.jsonl", "a") as index:
        index.write(json.dumps({"channel": "Launch"})[:9])
    assert len(pieces(tmp_path)) == 1


def test_a_clip_that_found_no_room_is_taken_when_there_is_some_while_its_sound_lasts(ring, tmp_path):
    """A file in the folder's place stands in for the full disk: the same OSError, and it goes away."""
    (tmp_path / "evidence").write_text("in the way")
    done: list[tuple[object, str]] = []
    taker = ClipTaker(tmp_path / "evidence", lambda clip, taken, detail: done.append((taken, detail)))
    sound = pcm(10.0)
    fill(ring, sound)
    taker.want(clip(ring, 0, RATE_HZ), latest_s=0.0)
    for now_s in (1.0, 1.5, 3.5, 5.6):
        taker.collect(now_s)
    assert len(done) == 1 and done[0][0] is None and done[0][1].endswith("tried again while its sound lasts")
    (tmp_path / "evidence").unlink()
    taker.collect(now_s=6.0)
    assert len(done) == 1, "not before its next turn"
    taker.collect(now_s=7.7)
    assert len(done) == 2 and done[1][0].samples == RATE_HZ
    np.testing.assert_array_equal(soundfile.read(tmp_path / done[1][0].file, dtype="int16")[0], sound[:RATE_HZ])
    taker.collect(now_s=20.0)
    assert len(done) == 2


def test_a_clip_whose_sound_is_gone_before_there_is_room_is_given_up_and_told(ring, tmp_path):
    (tmp_path / "evidence").write_text("in the way")
    told: list[str] = []
    taker = ClipTaker(tmp_path / "evidence", lambda clip, taken, detail: told.append(detail))
    fill(ring, pcm(1.0))
    taker.want(clip(ring, 0, RATE_HZ), latest_s=0.0)
    taker.collect(now_s=1.0)
    for seed in range(5):
        fill(ring, pcm(9.0, seed))
    taker.collect(now_s=4.0)
    assert len(told) == 2 and told[1] == "its sound had already been written over"
