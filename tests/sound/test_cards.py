"""A sound card is known by what stays the same: the kernel's id, the USB id and the socket it is plugged into."""

from pathlib import Path

import pytest

from listener.sound.cards import card_of

# The layout of /proc/asound: ALSA's documentation, sound/designs/procfile.rst of the Linux kernel; the entries as the
# kernel's usb-audio driver writes them (sound/usb/card.c: "at usb-<bus>-<port>, <speed> speed"). From memory.
CARDS = """\
 0 [PCH            ]: HDA-Intel - HDA Intel PCH
                      HDA Intel PCH at 0xf7d10000 irq 34
 1 [Device         ]: USB-Audio - USB Audio Device
                      C-Media Electronics Inc. USB Audio Device at usb-0000:00:14.0-2, full speed
11 [Device_1       ]: USB-Audio - USB Audio Device
                      C-Media Electronics Inc. USB Audio Device at usb-0000:00:14.0-1.3, full speed
"""


@pytest.fixture
def cards(tmp_path: Path) -> Path:
    (tmp_path / "cards").write_text(CARDS)
    for number, card_id, usb in [(0, "PCH", None), (1, "Device", "0d8c:0014"), (11, "Device_1", "0d8c:0014")]:
        folder = tmp_path / f"card{number}"
        folder.mkdir()
        (folder / "id").write_text(f"{card_id}\n")
        if usb:
            (folder / "usbid").write_text(f"{usb}\n")
    return tmp_path


@pytest.mark.parametrize(
    "name, stable",
    [
        ("HDA Intel PCH: ALC887 Analog (hw:0,0)", "PCH"),
        ("USB Audio Device: - (hw:1,0)", "Device usb 0d8c:0014 usb-0000:00:14.0-2"),
        ("USB Audio Device: - (hw:11,0)", "Device_1 usb 0d8c:0014 usb-0000:00:14.0-1.3"),
    ],
)
def test_a_card_has_a_name_without_its_number(cards, name, stable):
    card = card_of(name, cards)
    assert card and card.stable_name == stable


@pytest.mark.parametrize("name", ["pulse", "default", "USB Audio Device: - (hw:2,0)"])
def test_what_is_no_card_or_has_gone_has_none(cards, name):
    assert card_of(name, cards) is None


def test_without_the_kernels_list_there_is_none(tmp_path):
    assert card_of("USB Audio Device: - (hw:1,0)", tmp_path / "none") is None
