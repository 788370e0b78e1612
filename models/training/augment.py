"""Fresh noise, rooms, microphones and radios for every batch, on the GPU.

Noise recordings come as a pool that ``listener.radio`` renders beforehand on the CPU;
coloured noise and other people's talk are made here. All filters are applied as one
multiplication per clip in the frequency domain.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

from listener.events import RATE_HZ
from listener.speech import features as spec

WARPS = (0.86, 0.90, 0.94, 0.97, 1.0, 1.03, 1.07, 1.11, 1.15)


class Draw:
    """Random numbers of one device and seed, one per clip unless a shape is given."""

    def __init__(self, batch: int, device: torch.device, generator: torch.Generator) -> None:
        self.batch, self.device, self.generator = batch, device, generator

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Even between low and high, shape (batch, 1) or (batch, *shape)."""
        size = (self.batch, *shape) if shape else (self.batch, 1)
        return low + (high - low) * torch.rand(size, device=self.device, generator=self.generator)

    def normal(self, *shape: int) -> Tensor:
        """With mean 0 and variance 1, shape (batch, *shape)."""
        return torch.randn((self.batch, *shape), device=self.device, generator=self.generator)

    def chance(self, share: float) -> Tensor:
        """True for this share of the clips, shape (batch, 1)."""
        return self.uniform(0.0, 1.0) < share


def stretch(audio: Tensor, factor: Tensor) -> Tensor:
    """Play each clip ``factor`` times faster (pitch moves along); same length out."""
    at = torch.arange(audio.shape[1], device=audio.device)[None] * factor
    low = at.floor().clamp_(max=audio.shape[1] - 2).long()
    part = (at - low).clamp_(0.0, 1.0)
    low_values, high_values = audio.gather(1, low), audio.gather(1, low + 1)
    inside = at < audio.shape[1] - 1
    return (low_values * (1 - part) + high_values * part) * inside


def active_power(audio: Tensor) -> Tensor:
    """Mean power of the frames within 25 dB of the loudest, shape (batch, 1)."""
    frames = audio.unfold(1, 320, 320).square().mean(2)
    loud = frames > frames.amax(1, keepdim=True) * 10**-2.5
    return (frames * loud).sum(1, keepdim=True) / loud.sum(1, keepdim=True).clamp(min=1)


def _smooth_curve(draw: Draw, points: int, bins: int, spread_db: float) -> Tensor:
    """Random smooth gain over frequency, shape (batch, bins), in dB."""
    knots = draw.normal(points) * spread_db
    return F.interpolate(knots[:, None], size=bins, mode="linear", align_corners=True)[:, 0]


def _band(draw: Draw, bins: int) -> Tensor:
    """Pass bands of radios: mostly 300-3400 Hz or near it, some wider, some open."""
    hz = torch.linspace(0, RATE_HZ / 2, bins, device=draw.device)[None]
    low = torch.where(draw.chance(0.35), torch.full_like(draw.uniform(0, 1), 300.0), draw.uniform(150, 420))
    high = torch.where(draw.chance(0.35), torch.full_like(low, 3400.0), draw.uniform(2300, 3900))
    wide = draw.chance(0.2)
    low = torch.where(wide, draw.uniform(20, 150), low)
    high = torch.where(wide, draw.uniform(3800, 9000), high)
    order = torch.where(draw.chance(0.5), torch.full_like(low, 16.0), torch.full_like(low, 6.0))
    return 1 / torch.sqrt(1 + (low / hz.clamp(min=1)) ** order) / torch.sqrt(1 + (hz / high) ** order)


def _filter(audio: Tensor, gain: Tensor) -> Tensor:
    return torch.fft.irfft(torch.fft.rfft(audio) * gain, n=audio.shape[1])


def _room(audio: Tensor, draw: Draw) -> Tensor:
    """Short exponential reverberation on about a third of the clips."""
    length = 6400
    t = torch.arange(length, device=audio.device)[None] / RATE_HZ
    decay = torch.exp(-6.9 * t / draw.uniform(0.08, 0.5))
    tail = draw.normal(length) * decay
    tail = tail / tail.square().sum(1, keepdim=True).sqrt() * 10 ** (draw.uniform(-18, 0) / 20)
    tail[:, 0] = 1.0
    n = audio.shape[1] + length
    wet = torch.fft.irfft(torch.fft.rfft(audio, n=n) * torch.fft.rfft(tail, n=n), n=n)[:, : audio.shape[1]]
    return torch.where(draw.chance(0.35), wet, audio)


def coloured_noise(draw: Draw, samples: int) -> Tensor:
    """Noise with random tilt, bumps and whines, unit power."""
    bins = samples // 2 + 1
    hz = torch.linspace(0, RATE_HZ / 2, bins, device=draw.device)[None].clamp(min=20)
    tilt = draw.uniform(-9, 4) * torch.log2(hz / 1000)
    shape = 10 ** ((tilt + _smooth_curve(draw, 14, bins, 5.0)) / 20) * (hz > 60)
    noise = _filter(draw.normal(samples), shape)
    noise = noise / noise.square().mean(1, keepdim=True).sqrt()
    t = torch.arange(samples, device=draw.device)[None] / RATE_HZ
    for _ in range(3):
        wobble = draw.uniform(0, 0.02) * torch.sin(2 * math.pi * draw.uniform(0.2, 6) * t)
        tone = torch.sin(2 * math.pi * (torch.exp(draw.uniform(5.0, 8.1)) * (t + wobble)))
        noise = noise + tone * draw.chance(0.25) * 10 ** (draw.uniform(-20, 3) / 20)
    return noise


def _pool_noise(draw: Draw, pool: Tensor, samples: int) -> Tensor:
    rows = (draw.uniform(0, 1)[:, 0] * len(pool)).long().clamp(max=len(pool) - 1)
    start = (draw.uniform(0, 1) * (pool.shape[1] - samples - 1)).long()
    at = start + torch.arange(samples, device=pool.device)[None]
    noise = pool[rows[:, None], at].float()
    bins = samples // 2 + 1
    return _filter(noise, 10 ** (_smooth_curve(draw, 8, bins, 4.0) / 20))


def _babble(draw: Draw, audio: Tensor) -> Tensor:
    total = torch.zeros_like(audio)
    for _ in range(5):
        order = torch.randperm(len(audio), device=audio.device, generator=draw.generator)
        shift = int(torch.randint(audio.shape[1], (1,), device=audio.device, generator=draw.generator))
        total = total + audio[order].roll(shift, 1)
    return total


def _unit(noise: Tensor) -> Tensor:
    return noise / noise.square().mean(1, keepdim=True).sqrt().clamp(min=1e-9)


def _noise(audio: Tensor, pool: Tensor | None, draw: Draw) -> Tensor:
    samples = audio.shape[1]
    noise = _unit(coloured_noise(draw, samples))
    if pool is not None:
        noise = torch.where(draw.chance(0.55), _unit(_pool_noise(draw, pool, samples)), noise)
    noise = torch.where(draw.chance(0.12), _unit(_babble(draw, audio)), noise)
    ramp = F.interpolate(draw.normal(5)[:, None] * 2.5, size=samples, mode="linear", align_corners=True)
    return noise * 10 ** (ramp[:, 0] / 20 * draw.chance(0.5))


def _raised(draw: Draw, bins: int) -> Tensor:
    """The tilt of a raised voice (Lombard speech is stronger in the middle and high bands), on a third of the clips.

    1 to 5 dB an octave from 300 Hz to 4 kHz; the range is common practice, no source.
    """
    octaves = torch.log2(torch.linspace(0, RATE_HZ / 2, bins, device=draw.device)[None].clamp(300, 4000) / 1000)
    return 10 ** (octaves * draw.uniform(1, 5) * draw.chance(0.33) / 20)


def _level_control(audio: Tensor, draw: Draw) -> Tensor:
    """An automatic gain control that follows the level within some 60 ms, on a sixth of the clips."""
    window = 960
    power = F.avg_pool1d(audio.square()[:, None], window, window // 2, padding=window // 2, count_include_pad=False)
    level = F.interpolate(power, size=audio.shape[1], mode="linear", align_corners=True)[:, 0].clamp(min=0).sqrt()
    floor = level.amax(1, keepdim=True).clamp(min=1e-9) * 10 ** (draw.uniform(-40, -15) / 20)
    return torch.where(draw.chance(0.17), audio / (level + floor) ** draw.uniform(0.3, 0.9), audio)


def _radio(audio: Tensor, draw: Draw) -> Tensor:
    """Band-pass, level control, clipping, receiver static, mu-law steps and short dropouts, in that order."""
    bins = audio.shape[1] // 2 + 1
    audio = _level_control(_filter(audio, _band(draw, bins)), draw)
    rms = audio.square().mean(1, keepdim=True).sqrt().clamp(min=1e-9)
    drive = 10 ** (draw.uniform(-14, 8) / 20)
    clipped = torch.tanh(audio / rms * drive) * rms / drive
    audio = torch.where(draw.chance(0.3), clipped, audio)
    static = _filter(draw.normal(audio.shape[1]), _band(draw, bins))
    audio = audio + _unit(static) * rms * 10 ** (draw.uniform(-60, -12) / 20)
    peak = audio.abs().amax(1, keepdim=True).clamp(min=1e-9)
    scaled = audio / peak
    coded = torch.sign(scaled) * torch.log1p(255 * scaled.abs()) / math.log(256)
    coded = (coded * 127).round() / 127
    coded = torch.sign(coded) * (torch.exp(coded.abs() * math.log(256)) - 1) / 255 * peak
    audio = torch.where(draw.chance(0.25), coded, audio)
    gap_at, gap_long = draw.uniform(0, audio.shape[1]), draw.uniform(200, 1400)
    at = torch.arange(audio.shape[1], device=audio.device)[None]
    lost = (at >= gap_at) & (at < gap_at + gap_long) & draw.chance(0.12)
    return audio.masked_fill(lost, 0.0)


def degrade(
    speech: Tensor, pool: Tensor | None, generator: torch.Generator, snr_db: tuple[float, float]
) -> tuple[Tensor, Tensor]:
    """Clean clips (batch, samples) in; out come clips as a bad radio would give them, and the
    clean clips at the same pace."""
    draw = Draw(len(speech), speech.device, generator)
    clean = speech = stretch(speech, (1.03 + 0.13 * draw.normal(1)).clamp(0.86, 1.32))
    bins = speech.shape[1] // 2 + 1
    speech = _filter(speech, 10 ** (_smooth_curve(draw, 7, bins, 3.5) / 20) * _raised(draw, bins))
    speech = _room(speech, draw)
    power = active_power(speech)
    power = torch.where(power < 1e-9, torch.full_like(power, 1e-3), power)
    snr = draw.uniform(*snr_db)
    snr = torch.where(draw.chance(0.15), draw.uniform(25, 60), snr)
    noise = _noise(speech, pool, draw)
    audio = _radio(speech + noise * power.sqrt() * 10 ** (-snr / 20), draw)
    level = 10 ** (draw.uniform(-48, -6) / 20)
    audio = audio / audio.square().mean(1, keepdim=True).sqrt().clamp(min=1e-9) * level
    return audio.clamp(-1.0, 1.0), clean


class FeatureMaker:
    """The same features as ``listener.speech.features``, for whole batches, on any device."""

    def __init__(self, device: torch.device) -> None:
        self.banks = torch.stack([torch.from_numpy(spec.mel_filters(w)) for w in WARPS]).to(device)
        self.window = torch.from_numpy(spec.hann()).to(device)
        self._mean: dict[int, Tensor] = {}

    def _averager(self, frames: int) -> Tensor:
        if frames not in self._mean:
            age = torch.arange(frames)[:, None] - torch.arange(frames)[None]
            weight = torch.exp(-age / spec.MEAN_FRAMES).where(age >= 0, torch.zeros(()))
            self._mean[frames] = (weight / weight.sum(1, keepdim=True)).to(self.window.device)
        return self._mean[frames]

    def __call__(self, audio: Tensor, warp: Tensor | None = None) -> Tensor:
        """(batch, samples) -> (batch, frames, 160); ``warp`` picks a vocal-tract warp per clip."""
        frames = audio.unfold(1, spec.WINDOW, spec.HOP) * self.window
        power = torch.fft.rfft(frames).abs().square()
        warp = torch.full((len(audio),), WARPS.index(1.0), device=audio.device) if warp is None else warp
        log_mel = torch.log10((power @ self.banks[warp].transpose(1, 2)).clamp(min=spec.POWER_FLOOR))
        fall = torch.arange(log_mel.shape[1], device=audio.device) * spec.PEAK_FALL
        peaks = log_mel.amax(2).clamp(min=spec.PEAK_MIN)
        peak = (peaks + fall).cummax(1).values - fall
        first = (log_mel - peak[..., None]).clamp(min=-spec.RANGE) / 4.0 + 1.25
        average = self._averager(log_mel.shape[1]) @ log_mel
        second = ((log_mel - average) / 2.0).clamp(-2.0, 2.0)
        return torch.cat([first, second], dim=2)


def mask_out(features: Tensor, generator: torch.Generator) -> Tensor:
    """SpecAugment (Park et al. 2019): blank two short times and one band range per clip."""
    draw = Draw(len(features), features.device, generator)
    time = torch.arange(features.shape[1], device=features.device)[None]
    for _ in range(2):
        start, width = draw.uniform(0, features.shape[1]), draw.uniform(0, 9)
        features = features.masked_fill(((time >= start) & (time < start + width))[..., None], 0.0)
    band = torch.arange(spec.BANDS, device=features.device)[None].repeat(1, 2)
    start, width = draw.uniform(0, spec.BANDS), draw.uniform(0, 10)
    return features.masked_fill(((band >= start) & (band < start + width))[:, None], 0.0)
