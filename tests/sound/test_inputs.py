"""Which device is meant: a number, a name or a part of one; otherwise one line that lists what there is."""

import pytest

from listener.errors import UserError
from listener.sound import inputs, server
from listener.sound.inputs import Identity, InputDevice, WrongSource, choose_input, find_input
from listener.sound.server import Line

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


# -- behind a sound server ------------------------------------------------------------------------------------


def source(index: int, name: str, description: str, place: str = "", **given) -> Line:
    own = {"channels": 2, "rate_hz": 48_000, "card": index, "monitor": "", "is_monitor": False, "is_default": False}
    return Line(index, name, description, place, **own | given)


BUILT_IN = source(0, "alsa_input.pci-0000_00_1f.3.analog-stereo", "Built-in Audio Analog Stereo", is_default=True)
MONITOR = source(1, "alsa_output.usb-Acme_USB_Audio-00.monitor", "Monitor of USB Audio Analog Stereo", is_monitor=True)
RADIO = source(2, "alsa_input.usb-Acme_USB_Audio-00.analog-stereo", "USB Audio Analog Stereo", "pci-0:14.0-usb-0:2:1.0")
TWIN = source(3, "alsa_input.usb-Acme_USB_Audio-00.analog-stereo.2", "USB Audio Analog Stereo", "pci-0:14.0-usb-0:3:1.0")
GATE = InputDevice(7, "pulse", "ALSA", 32, 44_100, False)


@pytest.fixture
def there(monkeypatch):
    """Says what there is."""

    def say(lines: list[Line], devices: list[InputDevice]) -> None:
        monkeypatch.setattr(inputs.server, "sources", lambda: lines)
        monkeypatch.setattr(inputs, "list_inputs", lambda: devices)

    return say


@pytest.mark.parametrize(
    "wanted, line",
    [
        ("USB Audio", RADIO), ("usb audio analog stereo", RADIO), (RADIO.name, RADIO), (RADIO.place, RADIO),
        (MONITOR.name, MONITOR), ("Monitor of USB", MONITOR), (None, BUILT_IN), ("Built-in", BUILT_IN),
    ],
)  # fmt: skip
def test_a_source_of_the_server_is_meant_by_its_description_its_name_or_its_place(there, wanted, line):
    there([BUILT_IN, RADIO, MONITOR], [*DEVICES[1:], GATE])
    chosen = find_input(wanted)
    assert (chosen.device, chosen.line) == (GATE, line)
    assert (chosen.inputs, chosen.rate_hz) == (2, 48_000)


def test_a_device_that_somebody_named_in_alsas_configuration_comes_before_the_servers(there):
    there([source(0, "a", "Line 1 of the desk")], [*DEVICES, GATE])
    assert find_input("line 1").device.name == "Line 1" and find_input("line 1").line is None


def test_twins_are_told_apart_by_the_socket_that_they_are_plugged_into(there):
    """The server numbers them in the order in which they were plugged in: such a name is no name."""
    there([RADIO, TWIN], [GATE])
    with pytest.raises(UserError, match=f"'USB Audio' may mean.*: {RADIO.place}; .*: {TWIN.place}"):
        find_input("USB Audio")
    assert find_input(TWIN.place).line == TWIN and find_input(TWIN.place).identity.name == TWIN.place
    assert server.stable_name(RADIO, [RADIO, BUILT_IN]) == RADIO.name


def test_what_is_not_there_lists_the_servers_sources_and_a_missing_plugin_is_said(there):
    there([BUILT_IN], [GATE])
    with pytest.raises(UserError, match=r"no input device 'USB Audio'; plug it in, or .*: Built-in Audio.*\(alsa_input.pci"):
        find_input("USB Audio")
    there([RADIO], DEVICES[1:])
    with pytest.raises(UserError, match="apt install libasound2-plugins"):
        find_input("USB Audio")


def test_what_was_opened_first_is_meant_from_then_on_and_nothing_else_that_fits_the_name(there):
    there([RADIO], [GATE])
    before = find_input("USB Audio").identity
    there([source(9, "alsa_input.usb-Other-00", "USB Audio of another"), RADIO], [GATE])
    assert find_input("USB Audio", before).line == RADIO
    there([source(9, "alsa_input.usb-Other-00", "USB Audio of another")], [GATE])
    with pytest.raises(WrongSource, match="USB Audio of another is there instead of USB Audio Analog Stereo"):
        find_input("USB Audio", before)


def test_a_card_that_has_another_number_after_a_replug_is_found_again_without_a_server(there):
    def card(number: int, stable_name: str) -> InputDevice:
        return InputDevice(number, f"USB Audio Device: - (hw:{number},0)", "ALSA", 2, 48_000, False, stable_name)

    there([], [card(1, "Device usb 0d8c:0014 usb-2"), card(2, "Device_1 usb 0d8c:0014 usb-3")])
    assert find_input("usb-3").device.number == 2
    before = find_input("hw:1,0").identity
    assert before == Identity("Device usb 0d8c:0014 usb-2", "USB Audio Device: - (hw:1,0) [Device usb 0d8c:0014 usb-2]")
    there([], [card(1, "Device_1 usb 0d8c:0014 usb-3"), card(2, "Device usb 0d8c:0014 usb-2")])
    assert find_input("hw:1,0", before).device.number == 2
    there([], [card(1, "Device_1 usb 0d8c:0014 usb-3")])
    with pytest.raises(WrongSource, match="usb-3. is there instead of .*usb-2"):
        find_input("hw:1,0", before)
