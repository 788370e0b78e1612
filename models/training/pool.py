"""Noise rendered beforehand by ``listener.radio``, for mixing on the GPU."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor

import numpy as np

from listener.events import RATE_HZ
from listener.radio import KINDS, noise

ROW_S = 20.0


def _row(job: tuple[int, int]) -> np.ndarray:
    seed, number = job
    rng = np.random.default_rng([seed, number])
    kinds = sorted(KINDS)
    samples = noise(kinds[number % len(kinds)], ROW_S, RATE_HZ, rng)
    if rng.random() < 0.25:  # two kinds at once: a jet in the wind
        other = noise(kinds[rng.integers(len(kinds))], ROW_S, RATE_HZ, rng)
        samples = samples + other * 10 ** (rng.uniform(-12, 0) / 20)
    return (samples / np.abs(samples).max() * 32000).astype(np.int16)


def render(rows: int, seed: int, workers: int) -> np.ndarray:
    """``rows`` noises of 20 s, int16 (rows, samples); kinds take turns, every draw differs."""
    jobs = [(seed, number) for number in range(rows)]
    with ProcessPoolExecutor(workers) as pool:
        return np.stack(list(pool.map(_row, jobs, chunksize=8)))
