"""Reads Whisper encoder weights from the CTranslate2 file that registry packages carry.

The file is a plain list of named arrays: a header (format version, model name, revision),
then per array its name, shape, type and bytes, little-endian.
Source of the layout: ctranslate2's own ``specs/model_spec.py`` (MIT).
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

_TYPES = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def number(self, kind: str) -> int:
        (value,) = struct.unpack_from("<" + kind, self.data, self.at)
        self.at += struct.calcsize("<" + kind)
        return value

    def text(self) -> str:
        length = self.number("H")
        raw = self.data[self.at : self.at + length]
        self.at += length
        return raw.rstrip(b"\0").decode()

    def array(self) -> np.ndarray:
        shape = [self.number("I") for _ in range(self.number("B"))]
        kind, size = np.dtype(_TYPES[self.number("B")]), self.number("I")
        values = np.frombuffer(self.data, kind, count=size // kind.itemsize, offset=self.at)
        self.at += size
        return values.reshape(shape)


def read_arrays(path: Path) -> dict[str, np.ndarray]:
    """All arrays of a CTranslate2 model file by name."""
    reader = _Reader(path.read_bytes())
    version, name = reader.number("I"), reader.text()
    if name != "WhisperSpec":
        raise ValueError(f"{path}: holds a {name!r} (format {version}), not a Whisper model")
    reader.number("I")  # revision
    return {reader.text(): reader.array() for _ in range(reader.number("I"))}


def encoder_arrays(path: Path) -> dict[str, np.ndarray]:
    """Only the encoder's arrays, float32, with the ``encoder/`` prefix taken off; an .npz file holds them so already."""
    if path.suffix == ".npz":
        with np.load(path) as file:
            return {name: file[name].astype(np.float32) for name in file.files}
    return {
        name.removeprefix("encoder/"): values.astype(np.float32)
        for name, values in read_arrays(path).items()
        if name.startswith("encoder/") and values.ndim
    }
