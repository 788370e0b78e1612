"""Sound that is kept: a clip for every alert, and on demand everything, hour by hour."""

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from listener.sound.pcm import pcm16
from listener.sound.ring import Overwritten, Ring


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip that is to be taken: frames [first, after) of one column. about: the alert's id."""

    about: int
    channel: str
    utc: str
    ring: Ring
    column: int
    first: int
    after: int


@dataclass(frozen=True, slots=True)
class Taken:
    """A clip that was written: its name in the evidence folder, its hash, and where its sound began."""

    file: str
    sha256: str
    first_sample: int
    samples: int
    rate_hz: int


def take_clip(clip: Clip, folder: Path) -> Taken:
    """Write a clip as 16-bit FLAC, named by time, channel and alert. What there is of its sound is taken.

    The file appears whole under its name or not at all. Raises OSError or soundfile.SoundFileError when
    it cannot be written, and Overwritten when none of its sound is left.
    """
    first = max(clip.first, clip.ring.oldest)
    after = min(clip.after, clip.ring.written)
    if after <= first:
        raise Overwritten(clip.ring.oldest)
    sound = clip.ring.read(clip.column, first, after)
    stamp = clip.utc[:19].replace(":", "").replace("-", "")
    name = f"{stamp}Z_{file_name(clip.channel)}_{clip.about}.flac"
    folder.mkdir(parents=True, exist_ok=True)
    write_flac(folder / name, sound, clip.ring.rate_hz)
    digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    return Taken(f"{folder.name}/{name}", digest, first, len(sound), clip.ring.rate_hz)


def write_flac(path: Path, sound: NDArray[np.float32], rate_hz: int) -> None:
    """Mono float32 as 16-bit FLAC, bit for bit what a 16-bit device gave; on the disk before it returns."""
    part = path.with_suffix(".part")
    try:
        soundfile.write(part, np.frombuffer(pcm16(sound), np.int16), rate_hz, format="FLAC", subtype="PCM_16")
        with open(part, "rb") as written:
            os.fsync(written.fileno())
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def file_name(channel: str) -> str:
    """A channel's name with only what every file system takes."""
    return "".join(c if c.isascii() and c.isalnum() else "_" for c in channel) or "channel"


_AGAIN_S = 2.0


@dataclass(slots=True)
class _Wanted:
    clip: Clip
    due_s: float
    failed: bool = False


class ClipTaker:
    """Waits for the sound that clips still need, and takes them when it has come.

    A clip that cannot be written (no room, say) is told once and tried again as long as any of its sound is in the
    ring. done(clip, taken or None, detail): called when it is taken, when it first fails, and when it is given up.
    Work is done in collect(), which the caller runs now and then outside whatever must not wait for a disk.
    """

    def __init__(self, folder: Path, done: Callable[[Clip, Taken | None, str], None]) -> None:
        self._folder = folder
        self._done = done
        self._wanted: list[_Wanted] = []

    def want(self, clip: Clip, latest_s: float) -> None:
        """Take this clip when its sound is there, at the latest at this monotonic time."""
        self._wanted.append(_Wanted(clip, latest_s))

    def collect(self, now_s: float, all_now: bool = False) -> None:
        """Take the clips whose time has come; all_now: take the rest with what sound there is."""
        for wanted in list(self._wanted):
            has_come = not wanted.failed and wanted.clip.ring.written >= wanted.clip.after
            if not (all_now or has_come or now_s >= wanted.due_s):
                continue
            try:
                taken = take_clip(wanted.clip, self._folder)
            except Overwritten:
                self._end(wanted, None, "its sound had already been written over")
            except (OSError, soundfile.SoundFileError) as error:
                if all_now:
                    self._end(wanted, None, f"it could not be written: {error}")
                    continue
                if not wanted.failed:
                    self._done(wanted.clip, None, f"it could not be written: {error}; tried again while its sound lasts")
                wanted.failed, wanted.due_s = True, now_s + _AGAIN_S
            else:
                self._end(wanted, taken, "")

    def _end(self, wanted: _Wanted, taken: Taken | None, detail: str) -> None:
        self._wanted.remove(wanted)
        self._done(wanted.clip, taken, detail)
