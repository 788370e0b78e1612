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


class ClipTaker:
    """Waits for the sound that clips still need, and takes them when it has come.

    done(clip, taken or None, detail): called for each clip. Work is done in collect(), which the
    caller runs now and then outside whatever must not wait for a disk.
    """

    def __init__(self, folder: Path, done: Callable[[Clip, Taken | None, str], None]) -> None:
        self._folder = folder
        self._done = done
        self._wanted: list[tuple[Clip, float]] = []

    def want(self, clip: Clip, latest_s: float) -> None:
        """Take this clip when its sound is there, at the latest at this monotonic time."""
        self._wanted.append((clip, latest_s))

    def collect(self, now_s: float, all_now: bool = False) -> None:
        """Take the clips whose time has come; all_now: take the rest with what sound there is."""
        due = [(c, t) for c, t in self._wanted if all_now or c.ring.written >= c.after or now_s >= t]
        for entry in due:
            self._wanted.remove(entry)
            clip = entry[0]
            try:
                self._done(clip, take_clip(clip, self._folder), "")
            except Overwritten:
                self._done(clip, None, "its sound had already been written over")
            except (OSError, soundfile.SoundFileError) as error:
                self._done(clip, None, f"it could not be written: {error}")
