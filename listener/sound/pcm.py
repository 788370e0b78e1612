"""Samples as 16-bit PCM, the form that the C libraries take."""

import numpy as np
from numpy.typing import NDArray


def pcm16(samples: NDArray[np.float32]) -> bytes:
    """float32 samples (full scale +-1) as 16-bit PCM in the machine's byte order; louder is clipped."""
    return (np.clip(samples, -1.0, 32767 / 32768) * 32768).astype(np.int16).tobytes()
