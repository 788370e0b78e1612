"""What a ground radio says in the RTP header: push-to-talk, squelch, signal quality (EUROCAE ED-137).

Two forms are in use, told apart by the extension's profile: 0x0067 (the first edition) and 0x0167 (edition A and later). The
standard is not free; bits and values are as the public protocol analyser Wireshark documents them (its display filters
rtp.ext.ed137 and rtp.ext.ed137a). What vendors added, and kinds of feature not named here, are passed over.
"""

import struct
from dataclasses import dataclass

FIRST, LATER = 0x0067, 0x0167
PTT_TYPES = ("off", "normal", "coupling", "priority", "emergency", "test")
"""By number; 5 is "test" from edition A on and reserved before."""
_QUALITY = 1  # the feature "signal quality information", before edition A "best signal selection"
_METHODS = ("RSSI", "AGC", "C/N", "PSD")


@dataclass(frozen=True, slots=True)
class RadioSays:
    """One packet's extension. quality: index and method ("RSSI", "AGC", "C/N", "PSD"), where the radio gives them."""

    ptt: int
    ptt_id: int
    squelch_open: bool
    quality: tuple[int, str] | None = None

    @property
    def ptt_name(self) -> str:
        """The push-to-talk type in words; "off" when nobody transmits from here."""
        return PTT_TYPES[self.ptt] if self.ptt < len(PTT_TYPES) else f"type {self.ptt}"


def read(extension: tuple[int, bytes] | None) -> RadioSays | None:
    """What the extension says; None if it is none of the two, or cut off."""
    if extension is None:
        return None
    profile, data = extension
    if profile == FIRST and len(data) >= 4:
        return _first(struct.unpack_from("!I", data)[0])
    if profile == LATER and len(data) >= 2:
        return _later(data)
    return None


def _first(word: int) -> RadioSays:
    quality = None
    if word & 0x0040_0000 and (word >> 18) & 0xF == _QUALITY:
        quality = _quality((word >> 6) & 0xFF, (word >> 3) & 7)
    return RadioSays(word >> 29, (word >> 24) & 0xF, bool(word & 0x1000_0000), quality)


def _later(data: bytes) -> RadioSays:
    (word,) = struct.unpack_from("!H", data)
    quality, at = None, 2
    while word & 1 and at + 2 <= len(data):
        kind, length = data[at] >> 4, data[at] & 0xF
        if kind == 0:  # what is left is padding
            break
        if kind == _QUALITY and length == 1:
            quality = _quality(data[at + 1] >> 3, data[at + 1] & 7)
        at += 1 + max(1, length)
    return RadioSays(word >> 13, (word >> 6) & 0x3F, bool(word & 0x1000), quality)


def write(says: RadioSays) -> tuple[int, bytes]:
    """The extension of the later form, for sending in rehearsals."""
    word = says.ptt << 13 | (0x1000 if says.squelch_open else 0) | (says.ptt_id & 0x3F) << 6
    if says.quality is None:
        return LATER, struct.pack("!HH", word, 0)
    index, method = says.quality
    return LATER, struct.pack("!HBB", word | 1, _QUALITY << 4 | 1, (index & 0x1F) << 3 | _METHODS.index(method))


def quality_text(quality: tuple[int, str]) -> str:
    """Signal quality for people. An RSSI index of 0 to 15 stands for -100 to -70 dBm in equal steps.

    >>> quality_text((7, "RSSI")), quality_text((15, "RSSI")), quality_text((3, "AGC"))
    ('signal -85 dBm', 'signal above -70 dBm', 'signal quality 3 (AGC)')
    """
    index, method = quality
    if method != "RSSI" or index > 15:
        return f"signal quality {index} ({method})"
    if index in (0, 15):
        return "signal below -100 dBm" if index == 0 else "signal above -70 dBm"
    return f"signal {-100 + index * 15 / 7:.0f} dBm"


def _quality(index: int, method: int) -> tuple[int, str]:
    return index, _METHODS[method] if method < len(_METHODS) else "vendor's own"
