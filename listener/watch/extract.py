"""Recordings for people: what there is, and a piece of it as a file of its own."""

from datetime import UTC, datetime
from pathlib import Path

import soundfile

from listener.errors import UserError
from listener.keep.recording import channels, cut, mend, pieces
from listener.keep.records import when


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
    there = list(channels(folder))
    if channel is None:
        if len(there) != 1:
            raise UserError(f"{folder}: holds {', '.join(there)}; say which with --channel")
        channel = there[0]
    moment = datetime.fromisoformat(when(at)).timestamp()
    mend(folder)
    sound, rate_hz, began = cut(folder, channel, moment - before_s, moment + after_s)
    try:
        soundfile.write(out, sound, rate_hz, subtype="PCM_16")
    except (soundfile.SoundFileError, OSError, ValueError, TypeError) as error:
        raise UserError(f"{out}: cannot be written: {error}; name a .flac or .wav file in a folder that exists") from None
    return f"{out}: {len(sound) / rate_hz:.2f} s of {channel}; {at} is at {moment - began:.2f} s"
