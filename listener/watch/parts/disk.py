"""Everything that may wait for a slow disk, in a thread of its own: clips, recording, retention, free room."""

import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path

import soundfile

from listener.keep.clips import Clip, ClipTaker, Taken
from listener.keep.recording import Recorder, keep_within, mend
from listener.settings.watch import WatchSettings
from listener.sound.ring import Overwritten
from listener.watch.channel import Channel

_EVERY_S = 0.25
_RETENTION_S = 60.0
_LEAST_PIECE_S = 0.2


class DiskWork:
    """Takes clips into folder/evidence, and records every channel into `record` if that is given.

    on_clip: as ClipTaker's done. on_fault(what, detail): "recording_stopped", "recording_resumed" or "recording_mended".
    on_file(channel, path): a recording file was begun.
    """

    def __init__(
        self, folder: Path, record: Path | None, channels: list[Channel], settings: WatchSettings,
        on_clip: Callable[[Clip, Taken | None, str], None], on_fault: Callable[[str, str], None],
        on_file: Callable[[str, str], None],
    ) -> None:  # fmt: skip
        self._folder = folder
        self._record = record
        self._channels = channels
        self._settings = settings
        self._on_fault = on_fault
        self._on_file = on_file
        self._taker = ClipTaker(folder / "evidence", on_clip)
        self._positions: dict[str, tuple[int, int]] = {}
        self._recorders: dict[str, Recorder] = {}
        self._retention_s = 0.0
        self._failing = False
        self._ended = threading.Event()
        self.free_mb = _free_mb(folder)
        self._thread = threading.Thread(target=self._run, name="disk", daemon=True)
        self._thread.start()

    def want(self, clip: Clip, latest_s: float) -> None:
        """See ClipTaker.want."""
        self._taker.want(clip, latest_s)

    def close(self, wait_s: float = 5.0) -> None:
        """Take the clips that are still to come with what sound there is, and finish the recordings."""
        self._ended.set()
        self._thread.join(wait_s)

    def _run(self) -> None:
        if record := self._record:
            self._guard(lambda: [self._on_fault("recording_mended", str(path)) for path in mend(record)])
        while not self._ended.wait(_EVERY_S):
            self._turn(time.monotonic())
        self._taker.collect(time.monotonic(), all_now=True)
        if self._record:
            self._guard(self._record_new)
        for recorder in self._recorders.values():
            self._guard(recorder.close)

    def _turn(self, now_s: float) -> None:
        self.free_mb = _free_mb(self._folder)
        self._taker.collect(now_s)
        record = self._record
        if record is None:
            return
        self._guard(self._record_new)
        if now_s - self._retention_s >= _RETENTION_S:
            self._retention_s = now_s
            limits = self._settings.record
            self._guard(lambda: keep_within(record, limits.days, limits.gigabytes, time.time()))

    def _guard(self, work: Callable[[], object]) -> None:
        """Recording may fail; it is told once, tried again for ever, and hurts nothing else."""
        try:
            work()
        except (OSError, soundfile.SoundFileError) as error:
            if not self._failing:
                self._failing = True
                self._on_fault("recording_stopped", f"recording stopped: {error}; listening goes on")
            for recorder in self._recorders.values():
                recorder.abandon()
            self._recorders.clear()
            return
        if self._failing and work == self._record_new:
            self._failing = False
            self._on_fault("recording_resumed", "recording goes on again")

    def _record_new(self) -> None:
        for channel in self._channels:
            ring = channel.capture.ring
            if ring is None:
                continue
            generation, at = self._positions.get(channel.name, (channel.capture.generation, 0))
            if generation != channel.capture.generation:
                generation, at = channel.capture.generation, 0
                self._recorders.pop(channel.name).close()
            if ring.hole.first <= at < ring.hole.after:
                at = ring.hole.after
            after = ring.hole.first if at < ring.hole.first else ring.written
            at = max(at, ring.oldest)
            if after - at < _LEAST_PIECE_S * ring.rate_hz and after == ring.written:
                continue
            try:
                sound = ring.read(channel.column, at, after)
            except Overwritten as error:
                self._positions[channel.name] = (generation, error.first)
                continue
            began_unix_s = channel.unix_of(at / ring.rate_hz, time.time())
            recorder = self._recorders.get(channel.name)
            if recorder is None:
                assert self._record is not None, "only called where sound is recorded"
                recorder = self._recorders[channel.name] = Recorder(self._record, channel.name, ring.rate_hz)
            before = recorder.path
            recorder.write(sound, at, began_unix_s)
            if recorder.path != before:
                self._on_file(channel.name, str(recorder.path))
            self._positions[channel.name] = (generation, after)


def _free_mb(folder: Path) -> float:
    try:
        return shutil.disk_usage(folder).free / 1e6
    except OSError:
        return 0.0
