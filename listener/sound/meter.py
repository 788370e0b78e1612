"""How loud a channel is, and by how much its speech stands out of its noise. For displays and health."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from listener.sound.bounds import within_bounds
from listener.sound.offset import SteadyOffset

FLOOR_DBOV = -120.0
"""What silence reads."""

FRAME_S = 0.02
_MEMORY_S = 10.0


def level_dbov(samples: NDArray[np.float32]) -> float:
    """RMS level in dB relative to overload: a full-scale sine reads -3.01, a full-scale square wave 0.

    samples: float32, shape (n,), full scale +-1. FLOOR_DBOV for silence and for no samples.

    >>> second = np.arange(16_000) / 16_000
    >>> f"{level_dbov(np.sin(2 * np.pi * 1_000 * second).astype(np.float32)):.2f}"
    '-3.01'
    """
    if not len(samples):
        return FLOOR_DBOV
    power = float(np.mean(np.square(within_bounds(samples)[0], dtype=np.float64)))
    return max(FLOOR_DBOV, 10 * np.log10(power)) if power > 0 else FLOOR_DBOV


class Meter:
    """Follows one channel in frames of 20 ms.

    The SNR is an estimate for display, ours and coarse: the level that only a twentieth of the last
    ten seconds exceeds, over the level that nine tenths of them exceed.
    """

    def __init__(self, rate_hz: int) -> None:
        self._frame = max(1, round(rate_hz * FRAME_S))
        self._rest = np.zeros(0, np.float32)
        self._levels: deque[float] = deque(maxlen=round(_MEMORY_S / FRAME_S))
        self._offset = SteadyOffset()
        self.level_dbov = FLOOR_DBOV
        self.peak_dbov = FLOOR_DBOV

    def feed(self, samples: NDArray[np.float32]) -> NDArray[np.float64]:
        """The next samples (float32, shape (n,)); gives the levels of the frames they completed, in dBov.

        A steady offset is taken out first: it is not sound. Nor are samples out of bounds, which count as silence.
        """
        sound = np.concatenate([self._rest, within_bounds(samples)[0]])
        whole = len(sound) // self._frame
        self._rest = sound[whole * self._frame :]
        if not whole:
            return np.zeros(0)
        frames = sound[: whole * self._frame].reshape(whole, self._frame)
        offsets = [self._offset.follow(mean) for mean in frames.mean(axis=1, dtype=np.float64)]
        power = np.mean(np.square(frames - np.asarray(offsets, np.float32)[:, None]), axis=1, dtype=np.float64)
        levels = np.maximum(FLOOR_DBOV, 10 * np.log10(np.maximum(power, 1e-13)))
        self._levels.extend(levels.tolist())
        self.level_dbov = float(10 * np.log10(np.mean(10 ** (levels / 10))))
        self.peak_dbov = float(max(FLOOR_DBOV, 20 * np.log10(max(float(np.abs(frames).max()), 1e-6))))
        return levels

    @property
    def noise_dbov(self) -> float:
        """The level that nine tenths of the last ten seconds exceed."""
        return float(np.quantile(self._levels, 0.1)) if self._levels else FLOOR_DBOV

    @property
    def snr_db(self) -> float:
        """How far the loudest twentieth of the last ten seconds stands above the noise."""
        return float(np.quantile(self._levels, 0.95)) - self.noise_dbov if self._levels else 0.0
