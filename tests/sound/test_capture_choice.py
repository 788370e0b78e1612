"""Which device is meant: a number, a name or a part of one; otherwise one line that lists what there is."""

import pytest

from listener.errors import UserError
from listener.sound.capture import InputDevice, choose_input

DEVICES = [
    InputDevice(0, "USB Audio: - (hw:1,0)", "ALSA", 2, 48_000, False),
    InputDevice(2, "Line 1", "ALSA", 8, 48_000, True),
    InputDevice(3, "Line 12", "ALSA", 8, 44_100, False),
]


@pytest.mark.parametrize(
    "wanted, number", [(None, 2), (3, 3), ("3", 3), ("usb", 0), ("Line 1", 2), ("line 12", 3), ("hw:1,0", 0)]
)
def test_the_device_that_is_meant(wanted, number):
    assert choose_input(DEVICES, wanted).number == number


def test_a_part_that_fits_two_asks_for_more():
    with pytest.raises(UserError, match="may mean 2: Line 1, 3: Line 12; give its number or full name"):
        choose_input(DEVICES, "line")


@pytest.mark.parametrize("wanted", ["Boom", 1, "9"])
def test_a_device_that_is_not_there_lists_those_that_are(wanted):
    with pytest.raises(UserError, match="no input device .*choose one of these: 0: USB Audio.*; 2: Line 1; 3: Line 12"):
        choose_input(DEVICES, wanted)


def test_no_device_at_all():
    with pytest.raises(UserError, match="no sound device can listen; plug it in"):
        choose_input([], None)
