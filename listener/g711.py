"""G.711 companding, mu-law and A-law: the codec of telephone lines and voice-over-IP radio gateways.

Source: ITU-T Rec. G.711. One byte a sample, 8 kHz. Linear values are on the 16-bit scale as usual
software has them: mu-law codes reach +-32124, A-law codes +-32256 (the recommendation's 14- and
13-bit values shifted up). Both directions are table look-ups.
"""

from __future__ import annotations

import numpy as np

CODEC_RATE_HZ = 8000
_MU_BIAS, _MU_CLIP = 132, 32635


def decode(codes: np.ndarray, law: str) -> np.ndarray:
    """uint8 codes -> int16 linear; law "mu" or "a"."""
    return _DECODE[law][np.asarray(codes, dtype=np.uint8)]


def encode(linear: np.ndarray, law: str) -> np.ndarray:
    """int16 linear -> uint8 codes; law "mu" or "a"."""
    return _ENCODE[law][np.asarray(linear, dtype=np.int16).view(np.uint16)]


def through(samples: np.ndarray, law: str) -> np.ndarray:
    """float samples (full scale 1, clipped there) encoded and decoded again, float32."""
    linear = np.clip(np.round(np.asarray(samples) * 32768.0), -32768, 32767).astype(np.int16)
    return decode(encode(linear, law), law).astype(np.float32) / np.float32(32768.0)


def _mu_decode_table() -> np.ndarray:
    codes = ~np.arange(256, dtype=np.int32) & 0xFF
    magnitude = ((((codes & 0x0F) << 3) + _MU_BIAS) << ((codes & 0x70) >> 4)) - _MU_BIAS
    return np.where(codes & 0x80, -magnitude, magnitude).astype(np.int16)


def _mu_encode_table() -> np.ndarray:
    linear = np.arange(65536, dtype=np.uint16).view(np.int16).astype(np.int32)
    magnitude = np.minimum(np.abs(linear), _MU_CLIP) + _MU_BIAS
    segment = np.floor(np.log2(magnitude)).astype(np.int32) - 7
    code = np.where(linear < 0, 0x80, 0) | (segment << 4) | ((magnitude >> (segment + 3)) & 0x0F)
    return (~code & 0xFF).astype(np.uint8)


def _a_decode_table() -> np.ndarray:
    codes = np.arange(256, dtype=np.int32) ^ 0x55
    segment, step = (codes & 0x70) >> 4, (codes & 0x0F) << 4
    magnitude = np.where(segment == 0, step + 8, (step + 0x108) << np.maximum(segment - 1, 0))
    return np.where(codes & 0x80, magnitude, -magnitude).astype(np.int16)


def _a_encode_table() -> np.ndarray:
    linear = np.arange(65536, dtype=np.uint16).view(np.int16).astype(np.int32)
    magnitude = np.minimum(np.abs(linear), 32767) >> 4
    segment = np.maximum(np.floor(np.log2(np.maximum(magnitude, 1))).astype(np.int32) - 3, 0)
    mantissa = (magnitude >> np.maximum(segment - 1, 0)) & 0x0F
    code = np.where(linear < 0, 0, 0x80) | (segment << 4) | mantissa
    return (code ^ 0x55).astype(np.uint8)


_DECODE = {"mu": _mu_decode_table(), "a": _a_decode_table()}
_ENCODE = {"mu": _mu_encode_table(), "a": _a_encode_table()}
LAWS = tuple(_DECODE)
