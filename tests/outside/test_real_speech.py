"""Real speech must not alert: half an hour of one speaker's telephone prompts.

Source: Debian package asterisk-core-sounds-en-wav (558 prompts, 8 kHz, one speaker, CC-BY-SA 3.0). It is
looked for under /usr/share/asterisk, or in the folder that LISTENER_TEST_SPEECH names (the package,
unpacked with dpkg-deb -x).
"""

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from listener.settings import read_settings
from tests.hearing import hear_all

FLIGHT_DECK = Path(__file__).parents[2] / "configs" / "flight_deck.yaml"
PARTS = 4


@pytest.fixture(scope="module")
def prompts(need, tmp_path_factory) -> list[Path]:
    """All prompts one after the other, half a second apart, in four files."""
    root = Path(os.environ.get("LISTENER_TEST_SPEECH", "/usr/share/asterisk"))
    found = sorted(root.rglob("en_US_f_Allison/**/*.wav"))
    need(len(found) > 500, "asterisk-core-sounds-en-wav (apt install, or unpack it and set LISTENER_TEST_SPEECH)")
    folder = tmp_path_factory.mktemp("prompts")
    for part in range(PARTS):
        sounds = [soundfile.read(path, dtype="int16")[0] for path in found[part::PARTS]]
        joined = np.concatenate([x for sound in sounds for x in (sound, np.zeros(4_000, np.int16))])
        soundfile.write(folder / f"{part}.wav", joined, 8_000)
    return sorted(folder.glob("*.wav"))


def test_prompts_of_half_an_hour_give_no_alert_on_the_flight_deck(prompts):
    heard = hear_all([(path, read_settings(FLIGHT_DECK)) for path in prompts])
    assert sum(h.sound_s for h in heard) > 25 * 60
    assert [alert for h in heard for alert in h.of("alert")] == []
