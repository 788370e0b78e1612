"""Recordings for people: what there is, and a piece of it as a file of its own."""

import io
from datetime import UTC, datetime
from pathlib import Path

import soundfile

from listener.atomic_write import check_new, write_new
from listener.errors import UsageError, UserError
from listener.keep.recording import channels, cut, mend, pieces
from listener.keep.records import when

_FORMATS = {".flac": "FLAC", ".wav": "WAV"}


def list_recordings(folder: Path, channel: str | None) -> None:
    """Print one line for each piece: UTC, channel, file, position in it."""
    for piece in pieces(folder):
        if channel in (None, piece.channel) and (folder / piece.file).exists():
            moment = datetime.fromtimestamp(piece.unix_s, UTC)
            print(f"{moment:%Y-%m-%dT%H:%M:%S}Z  {piece.channel:<12}  {piece.file}  from {piece.at / piece.rate_hz:.2f} s")


def cut_out(folder: Path, channel: str | None, at: str, before_s: float, after_s: float, out: Path) -> str:
    """Write the sound around a time to `out`; gives a line that says where in it that time is.

    Raises UserError when nothing was recorded then, or the file cannot be written.
    """
    check_new(out)
    if out.suffix.lower() not in _FORMATS:
        raise UsageError(f"{out}: must be a .flac or .wav file")
    there = list(channels(folder))
    if channel is None:
        if len(there) != 1:
            raise UserError(f"{folder}: holds {', '.join(there)}; say which with --channel")
        channel = there[0]
    moment = datetime.fromisoformat(when(at)).timestamp()
    mend(folder)
    sound, rate_hz, began = cut(folder, channel, moment - before_s, moment + after_s)
    data = io.BytesIO()
    soundfile.write(data, sound, rate_hz, format=_FORMATS[out.suffix.lower()], subtype="PCM_16")
    write_new(out, data.getvalue())
    return f"{out}: {len(sound) / rate_hz:.2f} s of {channel}; {at} is at {moment - began:.2f} s"
