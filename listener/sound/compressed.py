"""Sound that libsndfile does not read and telephones, cameras and computers write: AAC, WMA, AMR, through PyAV."""

from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError

# First bytes, where they stand, what people call it, and the one reader that may look at it: the library knows
# many formats, some of which (playlists) would have it open other files.
_KINDS = (
    (4, b"ftyp", "MPEG-4 (m4a, mp4)", "mov"),
    (0, bytes.fromhex("3026b2758e66cf11"), "Windows Media (wma)", "asf"),
    (0, b"\xff\xf1", "AAC", "aac"),
    (0, b"\xff\xf9", "AAC", "aac"),
    (0, b"\x1aE\xdf\xa3", "Matroska (mka, webm)", "matroska"),
    (0, b"#!AMR", "AMR", "amr"),
)
_INEXACT = {"aac", "amr"}  # no header says how long they are: only guessed


class NotKnown(Exception):
    """It is none of the kinds that are read here."""


class CompressedFile:
    """The sound of an open file, read in turn like a soundfile.SoundFile.

    samplerate, channels: as the decoder gives them. frames: as the header says; `inexact` when that is a guess.
    """

    extra_info = ""

    def __init__(self, file: BinaryIO, name: str) -> None:
        head = file.read(32)
        file.seek(0)
        known = next(((kind, reader) for at, begins, kind, reader in _KINDS if head[at:].startswith(begins)), None)
        if known is None:
            raise NotKnown
        kind, reader = known
        try:
            import av
        except ImportError:
            raise UserError(
                f"{name}: is {kind} sound; to read it: pip install 'launch-listener[media]', "
                "or convert it: ffmpeg -i FILE sound.wav"
            ) from None
        self._errors: tuple[type[Exception], ...] = (av.FFmpegError, ValueError)
        try:
            self._container: Any = av.open(file, mode="r", format=reader)
            self._stream: Any = next(iter(self._container.streams.audio), None)
            if self._stream is None:
                raise UserError(f"{name}: is {kind} without any sound in it")
            self.samplerate = int(self._stream.codec_context.sample_rate)
            self.channels = int(self._stream.codec_context.channels)
            if self.samplerate <= 0 or self.channels <= 0:
                raise OSError(f"{kind}: does not say how its sound is coded")
            self.frames, self.inexact = self._length(reader)
        except self._errors as error:
            raise OSError(_said(error, kind)) from None
        self._kind = kind
        self._decoded = self._decode()
        self._rest = np.zeros((0, self.channels), np.float32)

    def read(self, frames: int, dtype: str = "float32", always_2d: bool = True) -> NDArray[np.float32]:
        """The next samples, shape (n, channels), n <= frames; none at the end. Raises OSError when it is broken."""
        parts, have = [self._rest], len(self._rest)
        try:
            while have < frames and (more := next(self._decoded, None)) is not None:
                parts.append(more)
                have += len(more)
        except self._errors as error:
            raise OSError(_said(error, self._kind)) from None
        sound = np.concatenate(parts)
        self._rest = sound[frames:]
        return sound[:frames]

    def close(self) -> None:
        """Let go of the decoder; the file it read stays open."""
        self._container.close()

    def _length(self, reader: str) -> tuple[int, bool]:
        """Frames, and whether that is a guess: without a length of the sound's own, it is that of the whole film."""
        stream = self._stream
        if stream.duration:
            return round(float(stream.duration * stream.time_base) * self.samplerate), reader in _INEXACT
        whole = round((self._container.duration or 0) / 1_000_000 * self.samplerate)
        return max(1, whole), reader in _INEXACT or len(self._container.streams) > 1 or whole <= 0

    def _decode(self) -> Iterator[NDArray[np.float32]]:
        import av

        layout = self._stream.codec_context.layout.name
        same = av.AudioResampler(format="fltp", layout=layout, rate=self.samplerate)
        for frame in self._container.decode(self._stream):
            for piece in same.resample(frame):
                yield np.asarray(piece.to_ndarray().T, np.float32)
        for piece in same.resample(None):
            yield np.asarray(piece.to_ndarray().T, np.float32)


def _said(error: Exception, kind: str) -> str:
    return f"{kind}: {getattr(error, 'strerror', None) or error}"
