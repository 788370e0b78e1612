"""From any rate to 16 kHz as a stream, with times kept true to the input."""

import numpy as np
import soxr
from numpy.typing import NDArray

from listener.events import RATE_HZ

LOWEST_HZ, HIGHEST_HZ = 4_000, 192_000


class Resampler:
    """Streams float32 samples from rate_hz to 16 kHz.

    Output sample n lies at n / 16000 s of the input: soxr takes its own filter delay away. Samples
    come out a little later than they went in (about 40 ms at 44.1 and 48 kHz, 120 ms at 8 kHz).
    """

    def __init__(self, rate_hz: int) -> None:
        self._same = rate_hz == RATE_HZ
        if not self._same:
            # "MQ" is flat to 3.6 kHz from 8 kHz and to 7 kHz from 44.1 kHz; from 96 kHz up it comes
            # out twice as soon as "HQ".
            self._stream = soxr.ResampleStream(rate_hz, RATE_HZ, 1, dtype="float32", quality="MQ")

    def feed(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """The next samples, shape (n,); gives those that are ready, shape (m,)."""
        return samples if self._same else self._stream.resample_chunk(samples)

    def finish(self) -> NDArray[np.float32]:
        """The samples still inside."""
        empty = np.zeros(0, np.float32)
        return empty if self._same else self._stream.resample_chunk(empty, last=True)
