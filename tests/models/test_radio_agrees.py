"""Training has radios of its own, since the GPU filters whole batches at once; their pass band is that of listener.radio."""

import numpy as np
import pytest

from listener.events import RATE_HZ
from listener.radio import VOICE_BAND_HZ, band_pass
from tests.parts import need_python

torch = need_python("torch", "the train extra")

from models.training.augment import _band  # noqa: E402


class Drawn:
    """The commonest draw: the voice band itself, with gentle or steep edges."""

    device = torch.device("cpu")

    def __init__(self, steep: bool) -> None:
        self._steep = steep

    def uniform(self, low: float, high: float) -> torch.Tensor:
        return torch.full((1, 1), (low + high) / 2)

    def chance(self, share: float) -> torch.Tensor:
        return torch.tensor([[{0.35: True, 0.2: False, 0.5: self._steep}[share]]])


@pytest.mark.parametrize(("steep", "order"), [(False, 3), (True, 8)])
def test_the_pass_band_of_training_is_the_one_of_the_radio(steep, order):
    """Within 0.5 dB up to the upper edge. Above it the radio's digital filter falls faster than the formula of training."""
    click = np.zeros(RATE_HZ, np.float32)
    click[0] = 1.0
    radio_db = 20 * np.log10(np.abs(np.fft.rfft(band_pass(click, RATE_HZ, *VOICE_BAND_HZ, order=order))) + 1e-9)
    hz = np.linspace(0, RATE_HZ / 2, radio_db.size)
    training_db = 20 * np.log10(_band(Drawn(steep), hz.size)[0].numpy() + 1e-9)
    inside, above = (hz >= 150) & (hz <= 3400), (hz > 3500) & (hz < 7000)
    assert np.abs(radio_db - training_db)[inside].max() < 0.5
    assert (radio_db < training_db)[above].all()
