"""What stands in for a lost packet, for the recogniser's ear alone: people are told of the loss.

Silence in the middle of a word is a sound of its own and moves the running means of whatever listens. So a short loss is
filled from both sides: the last pitch period before it repeated, the first one behind it repeated backwards, one faded into
the other. The idea of repeating the pitch period is that of ITU-T G.711 Appendix I; the second side is possible here because
a loss is known only when a later packet is there.
"""

import numpy as np
from numpy.typing import NDArray

CONTEXT_S = 0.05
"""How much sound on each side is looked at."""
_PITCH_HZ = (40.0, 400.0)
_MATCH_S = 0.02


def conceal(before: NDArray[np.float32], after: NDArray[np.float32], frames: int, rate_hz: int) -> NDArray[np.float32]:
    """Sound for `frames` lost frames between what came before and what came after: float32, shape (frames,).

    Each side holds CONTEXT_S of sound, or less; a side with too little adds silence.
    """
    rising = np.linspace(0.0, 1.0, frames + 2, dtype=np.float32)[1:-1]
    rising = np.sin(np.pi / 2 * rising)
    forward = _extended(before, frames, rate_hz)
    backward = _extended(after[::-1], frames, rate_hz)[::-1]
    return forward * rising[::-1] + backward * rising


def _extended(sound: NDArray[np.float32], frames: int, rate_hz: int) -> NDArray[np.float32]:
    """The sound's last pitch period, over and over."""
    match, longest = round(_MATCH_S * rate_hz), round(rate_hz / _PITCH_HZ[0])
    if len(sound) < match + longest or not np.any(sound[-match:]):
        return np.zeros(frames, np.float32)
    last = sound[-match:].astype(np.float64)
    shortest = round(rate_hz / _PITCH_HZ[1])
    earlier = np.lib.stride_tricks.sliding_window_view(sound[-match - longest : -shortest].astype(np.float64), match)
    likeness = earlier @ last / np.sqrt(np.maximum(np.einsum("ij,ij->i", earlier, earlier), 1e-12))
    period = longest - int(np.argmax(likeness))
    return np.resize(sound[-period:], frames)
