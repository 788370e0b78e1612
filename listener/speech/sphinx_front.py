"""What PocketSphinx needs in front of it on a radio channel.

Its model was trained on wide-band microphones. Measured on band-limited synthetic calls, most were
lost without the two helps here, quiet ones first.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.events import RATE_HZ
from listener.radio import VOICE_BAND_HZ
from listener.radio.shape import unit

# The decoder's frames: a window of 410 samples every 160.
_STEP, _WINDOW = 160, 410


class ChannelMean:
    """The channel's mean cepstrum, followed quicker than the decoder does by itself.

    Left alone, the decoder keeps the mean of its training microphone for the first eight seconds, and
    hears little on a radio channel until then. Here the mean of each quarter of a second goes into a
    running mean that starts with little weight and forgets after a few seconds.
    """

    _EVERY = 25  # frames
    _FIRST_WEIGHT, _MOST_WEIGHT = 60, 500  # frames
    # Pauses, told by an energy (cepstrum 0) this far below the mean, count for little.
    _PAUSE, _PAUSE_SHARE = 5.0, 0.1
    # The decoder counts its mean as 500 frames when it is set (cmn.h: CMN_WIN).
    _OWN_WEIGHT = 500

    def __init__(self, decoder: Any) -> None:
        self._decoder = decoder
        self._mean = self._read(update=False)
        self._weight: float = self._FIRST_WEIGHT

    def begin(self) -> None:
        """An utterance begins."""
        self._samples = 0
        self._counted = 0

    def follow(self, samples: int) -> None:
        """So many samples more have gone through the decoder."""
        self._samples += samples
        frames = max(0, (self._samples - _WINDOW) // _STEP + 1) - self._counted
        if frames < self._EVERY:
            return
        self._counted += frames
        mixed = self._read(update=True)
        new = ((self._OWN_WEIGHT + frames) * mixed - self._OWN_WEIGHT * self._mean) / frames
        counts = frames if new[0] > self._mean[0] - self._PAUSE else frames * self._PAUSE_SHARE
        self._mean = (self._weight * self._mean + counts * new) / (self._weight + counts)
        self._weight = min(self._weight + counts, self._MOST_WEIGHT)
        self.set()

    def set(self) -> None:
        """Hand the mean to the decoder."""
        self._decoder.set_cmn(",".join(f"{value:.6f}" for value in self._mean))

    def _read(self, update: bool) -> NDArray[np.float64]:
        return np.array(self._decoder.get_cmn(update).split(","), float)


class NoiseFloor:
    """Lays a little steady noise of the voice band under the sound, 20 dB below the speech.

    Between the words of a clean, band-limited channel there is almost nothing, and the model has never
    seen that. The noise depends only on the sound and the sample's number, so results stay repeatable.
    """

    _BELOW_DB = 20.0
    _DECAY_S = 4.0
    _LENGTH = 1 << 16

    def __init__(self) -> None:
        self._noise = self._make_noise()
        self._speech_rms = 0.0

    def under(self, samples: NDArray[np.float32], first_sample: int) -> NDArray[np.float32]:
        """The samples (float32, shape (n,)) with the noise added; first_sample is their place in the stream."""
        rms = float(np.sqrt(np.mean(np.square(samples), dtype=np.float64)))
        held = self._speech_rms * np.exp(-len(samples) / RATE_HZ / self._DECAY_S)
        self._speech_rms = max(rms, held)
        places = np.arange(first_sample, first_sample + len(samples)) % self._LENGTH
        return samples + np.float32(self._speech_rms * 10 ** (-self._BELOW_DB / 20)) * self._noise[places]

    def _make_noise(self) -> NDArray[np.float32]:
        """White noise cut to the voice band, RMS 1."""
        spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(self._LENGTH))
        hz = np.fft.rfftfreq(self._LENGTH, 1 / RATE_HZ)
        spectrum[(hz < VOICE_BAND_HZ[0]) | (hz > VOICE_BAND_HZ[1])] = 0
        noise = np.fft.irfft(spectrum)
        return unit(noise)
