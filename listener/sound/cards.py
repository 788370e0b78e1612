"""Sound cards as the kernel names them (ALSA), for computers without a sound server. Read only."""

import re
from dataclasses import dataclass
from pathlib import Path

CARDS = Path("/proc/asound")


@dataclass(frozen=True, slots=True)
class Card:
    """A sound card. id: the kernel's short name; usb: vendor and product, or empty; at: where it is plugged in, or empty."""

    id: str
    usb: str
    at: str

    @property
    def stable_name(self) -> str:
        """The same after a reboot and a re-plug into the same socket, which a card's number is not."""
        return " ".join(filter(None, [self.id, self.usb and f"usb {self.usb}", self.at]))


def card_of(device_name: str, cards: Path = CARDS) -> Card | None:
    """The card of a PortAudio device, whose name ends in "(hw:1,0)"; None if it is none or the kernel says nothing."""
    if not (found := re.search(r"\(hw:(\d+),\d+\)$", device_name)):
        return None
    folder = cards / f"card{found[1]}"
    if not (card_id := _read(folder / "id")):
        return None
    # " 1 [Device         ]: USB-Audio - USB Audio Device" and below it "... at usb-0000:00:14.0-2, full speed"
    entry = re.search(rf"^ *{found[1]} \[.*\n(.*)$", _read(cards / "cards", strip=False), re.MULTILINE)
    place = re.search(r" at (\S+?),", entry[1] + ",") if entry else None
    return Card(card_id, _read(folder / "usbid"), place[1] if place else "")


def _read(path: Path, strip: bool = True) -> str:
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    return text.strip() if strip else text
