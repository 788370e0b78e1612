"""Is there radio sound at all? Tests of one channel's samples, in stream time, without a clock.

Each test gives a reason as soon as its time is up, and takes it back when sound is well again.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listener.settings.watch import HealthSettings
from listener.sound.meter import FLOOR_DBOV, FRAME_S, Meter

_LOOP_KEY = 32
_LONGEST_LOOP_S = 0.5
_STEADY_DB = 3.0  # no frame of a steady carrier lies more than twice this below its half second
# The half-second levels of hiss or a tone spread by this much at most (standard deviation, in the voice band). Measured:
# a tone 0.00, hiss 0.10 to 0.12; ten recorded jet and helicopter engines 0.17 to 1.49.
_STEADY_SPREAD_DB = 0.145
_CLIP = 0.999


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a channel is blind. code: a short name programs can rely on; detail: one sentence for people."""

    code: str
    detail: str


class SoundHealth:
    """Follows one channel's samples and says what is wrong with them."""

    def __init__(self, settings: HealthSettings, rate_hz: int) -> None:
        self.meter = Meter(rate_hz)
        self._settings = settings
        self._rate_hz = rate_hz
        self.restart()

    def restart(self) -> None:
        """Sound starts anew, behind a gap: what was measured before says nothing about it."""
        self._fixed_s = self._loud_s = self._clipped_s = self._looped_s = self._steady_s = 0.0
        self._last: np.float32 | None = None
        self._quiet_s = 0.0
        self._recent = np.zeros(0, np.float32)
        self._slow: list[float] = []
        self._steady: list[float] = []

    def feed(self, samples: NDArray[np.float32]) -> None:
        """The next samples: float32, shape (n,), best a tenth of a second at a time."""
        if not len(samples):
            return
        took_s = len(samples) / self._rate_hz
        levels = self.meter.feed(samples)
        self._watch_fixed(samples, took_s)
        self._watch_clipping(samples, took_s)
        self._watch_loop(samples, took_s)
        self._watch_levels(levels)

    def reasons(self) -> list[Reason]:
        """What is wrong now; nothing if the sound is well."""
        s, found = self._settings, []
        if s.digital_silence_s and self._fixed_s >= s.digital_silence_s:
            found.append(
                Reason("digital_silence", f"only one fixed value for {self._fixed_s:.0f} s: cable or input is dead")
            )
        elif s.lowest_level_dbov is not None and self._quiet_s >= s.low_level_s:
            found.append(
                Reason(
                    "low_level",
                    f"level {self.meter.level_dbov:.0f} dBov for {self._quiet_s:.0f} s: too low to hear speech; "
                    "check plug, input and volume",
                )
            )
        if s.loop_s and not found and self._looped_s >= s.loop_s:
            found.append(
                Reason("looping", f"the same sound again and again for {self._looped_s:.0f} s: the device hangs")
            )
        if s.clipping_s and self._clipped_s >= s.clipping_s:
            found.append(Reason("clipping", f"overloaded for {self._clipped_s:.0f} s: turn the level down"))
        if s.steady_carrier_s and self._steady_s >= s.steady_carrier_s:
            found.append(
                Reason(
                    "steady_carrier",
                    f"a steady sound at {self.meter.level_dbov:.0f} dBov for {self._steady_s:.0f} s: "
                    "stuck transmitter, or the squelch is open",
                )
            )
        return found

    def _watch_fixed(self, samples: NDArray[np.float32], took_s: float) -> None:
        last = samples[-1]
        changes = np.flatnonzero(samples != last)
        if len(changes):
            self._fixed_s = (len(samples) - 1 - int(changes[-1])) / self._rate_hz
        elif self._last == last:
            self._fixed_s += took_s
        else:
            self._fixed_s = took_s
        self._last = last

    def _watch_clipping(self, samples: NDArray[np.float32], took_s: float) -> None:
        """Some samples at full scale in each tenth of a second; a second without any ends it."""
        if np.count_nonzero(np.abs(samples) >= _CLIP) >= max(2, len(samples) // 1000):
            self._clipped_s += took_s
            self._loud_s = 0.0
            return
        self._loud_s += took_s
        if self._loud_s >= 1.0:
            self._clipped_s = 0.0

    def _watch_loop(self, samples: NDArray[np.float32], took_s: float) -> None:
        """Do the last samples stand, bit for bit, at one same distance before as well?"""
        keep = round((_LONGEST_LOOP_S + 0.1) * self._rate_hz) + len(samples)
        self._recent = np.concatenate([self._recent, samples])[-keep:]
        sound = self._recent
        if self._fixed_s > 0.1 or len(sound) < 4 * _LOOP_KEY:
            self._looped_s = 0.0
            return
        key = sound[-_LOOP_KEY:]
        starts = np.flatnonzero(sound[: -2 * _LOOP_KEY] == key[0])
        for i in range(1, _LOOP_KEY):
            starts = starts[sound[starts + i] == key[i]]
        for start in starts[::-1]:
            lag = len(sound) - _LOOP_KEY - int(start)
            length = min(len(samples), len(sound) - lag)
            if np.array_equal(sound[len(sound) - length :], sound[len(sound) - length - lag : len(sound) - lag]):
                self._looped_s += took_s
                return
        self._looped_s = 0.0

    def _watch_levels(self, levels: NDArray[np.float64]) -> None:
        lowest = self._settings.lowest_level_dbov
        if lowest is not None:
            for level in levels:
                self._quiet_s = 0.0 if level > lowest else self._quiet_s + FRAME_S
        for level in levels:
            self._slow.append(level)
            if len(self._slow) * FRAME_S >= 0.5:
                power = float(np.mean(10 ** (np.array(self._slow) / 10)))
                self._watch_carrier(10 * np.log10(power) if power > 0 else FLOOR_DBOV, min(self._slow))
                self._slow = []

    def _watch_carrier(self, level: float, lowest: float) -> None:
        """Half a second's level and the lowest frame in it: does the level stand still, as of hiss or a tone?

        An engine's level wanders, also when it seems even: whoever holds the key beside one is not a stuck transmitter.
        """
        wanted_s = self._settings.steady_carrier_s
        if not wanted_s or level < self._settings.carrier_level_dbov or lowest < level - 2 * _STEADY_DB:
            self._steady.clear()
            self._steady_s = 0.0
            return
        self._steady = [*self._steady, level][-max(10, round(2 * wanted_s)) :]
        is_full = len(self._steady) >= max(10, round(2 * wanted_s))
        self._steady_s = len(self._steady) / 2 if is_full and np.std(self._steady) <= _STEADY_SPREAD_DB else 0.0
