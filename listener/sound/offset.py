"""A steady offset (DC) of the sound: not sound, and taken away before anything is measured or heard."""

import numpy as np
from numpy.typing import NDArray

_SHARE = 0.04  # of each 20 ms in the running mean: it follows within about half a second


class SteadyOffset:
    """Follows the mean of 20 ms at a time. It starts at the first one, so that an offset makes no thump."""

    def __init__(self) -> None:
        self._mean: np.floating | None = None

    def follow(self, mean: np.floating) -> np.floating:
        """Take the mean of the next 20 ms; gives the offset at their end."""
        self._mean = mean if self._mean is None else self._mean + mean.dtype.type(_SHARE) * (mean - self._mean)
        return self._mean

    def remove(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """The next 20 ms (float32, shape (n,), any n) without the offset, which moves evenly through them."""
        if not len(samples):
            return samples
        here = samples.mean()
        before = here if self._mean is None else self._mean
        return samples - np.linspace(before, self.follow(here), len(samples), dtype=np.float32)
