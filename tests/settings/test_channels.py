"""Which channels a watch can have: each an input of its own."""

import pytest

from listener.errors import UserError
from listener.settings import Settings, read_settings


@pytest.mark.parametrize(
    "channels, said",
    [
        ("[{name: A}, {name: B}]", "two channels listen to input 1 of the default device (no device is named); give each an input"),
        ("[{name: A, device: USB}, {name: B, device: USB}]", "two channels listen to input 1 of device 'USB'; give each an input"),
        ("[{name: A}, {name: B, input: 2, rate_hz: 8000}]", "channels of the default device (no device is named) must have the same rate_hz"),
    ],
)
def test_channels_that_cannot_be_told_apart_are_one_line_that_names_the_device(tmp_path, channels, said):
    file = tmp_path / "tower.yaml"
    file.write_text(f"watch:\n  channels: {channels}\n")
    with pytest.raises(UserError) as error:
        read_settings(file)
    assert said in str(error.value) and str(file) in str(error.value) and "\n" not in str(error.value)


def test_a_channel_without_a_device_is_the_default_and_two_of_its_inputs_are_two_channels():
    settings = Settings.model_validate({"watch": {"channels": [{"name": "A"}, {"name": "B", "input": 2}]}})
    assert [(c.device, c.input) for c in settings.watch.channels] == [(None, 1), (None, 2)]
