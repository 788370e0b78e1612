"""Where the sound in some samples begins and ends: one meaning for studies, recordings and training."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]
FRAME_S = 0.005
APART_S = 0.1


def frame_powers(samples: NDArray[Any], frame: int) -> NDArray[np.float64]:
    """Mean square of each whole frame of so many samples, (frames,), in the samples' unit squared."""
    frames = samples[: samples.size // frame * frame].reshape(-1, frame)
    return np.mean(np.square(frames, dtype=np.float64), axis=1)


def loud_frames(powers: NDArray[np.float64], below_db: float) -> NDArray[np.intp]:
    """Numbers of the frames within below_db of the loudest.

    >>> loud_frames(np.array([0.0, 1.0, 0.2, 0.05]), below_db=10.0)
    array([1, 2])
    """
    return np.flatnonzero(powers > powers.max() * 10 ** (-below_db / 10))


def said_part(samples: Samples, rate_hz: int, below_db: float, shortest_s: float = FRAME_S) -> Samples:
    """A word cut to where its energy is: from the first to the last 5 ms within below_db of the loudest; edges faded, peak 0.5.

    shortest_s: a sound shorter than this that lies more than 0.1 s from all others is the synthesiser's click, and goes.
    """
    frame = round(FRAME_S * rate_hz)
    padded = np.pad(samples, (0, -samples.size % frame))
    loud = loud_frames(frame_powers(padded, frame), below_db)
    stretches = np.split(loud, np.flatnonzero(np.diff(loud) > round(APART_S / FRAME_S)) + 1)
    kept = [some for some in stretches if some.size >= round(shortest_s / FRAME_S)]
    out = faded(padded[kept[0][0] * frame : (kept[-1][-1] + 1) * frame], frame // 2)
    return out * np.float32(0.5 / np.abs(out).max())


def faded(samples: Samples, fade: int) -> Samples:
    """A copy whose first and last `fade` samples rise and fall along a line, so that nothing clicks."""
    out = samples.copy()
    ramp = np.linspace(0.0, 1.0, fade, dtype=np.float32)
    out[:fade] *= ramp
    out[out.size - fade :] *= ramp[::-1]
    return out
