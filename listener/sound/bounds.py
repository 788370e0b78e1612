"""What may be a sample at all. Beyond, one broken value would spoil all that is averaged after it."""

import numpy as np
from numpy.typing import NDArray

LOUDEST = 100.0
"""A sample beyond 100 times full scale (+40 dBov) is not sound. Files of floating point hold at most some few times
full scale where they were made too loud. (Ours, no source.)"""

WRONG = {
    "not_finite": "the sound holds values that are not numbers",
    "out_of_range": f"the sound holds values beyond {LOUDEST:g} times full scale",
}
"""Faults' short names, and what they say."""


def within_bounds(samples: NDArray[np.float32]) -> tuple[NDArray[np.float32], str]:
    """The samples with silence in place of what is not sound, and what was wrong: a key of WRONG, or nothing.

    float32, any shape; the same array comes back when all is well.
    """
    sound = np.abs(samples) <= LOUDEST
    if sound.all():
        return samples, ""
    wrong = "out_of_range" if np.isfinite(samples).all() else "not_finite"
    return np.where(sound, samples, np.float32(0.0)), wrong
