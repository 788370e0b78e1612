"""The plan of the recordings: plan.yaml as frozen values, checked when read."""

from __future__ import annotations

import re
from pathlib import Path

import yaml
from pydantic import BaseModel, ConfigDict, model_validator

from listener.radio import KINDS

HERE = Path(__file__).parent
BAND_HZ = (300.0, 3400.0)

# A piece of speech: text that is said in one go, or a number: silence in seconds.
Said = str | float


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Transmission(_Value):
    """One voice speaking over one noise through one band.

    voice: "engine name"; say: texts and pauses in seconds; snr_db: over the active level of the
    speech, measured inside band_hz, None without noise; level_dbov: active level of the
    speech, None to have it drawn. position, caller: what is said of them around a call, None for nothing.
    """

    kind: str
    voice: str | None = None
    say: tuple[Said, ...] = ()
    speed: float = 1.0
    noise: str | None = None
    snr_db: float | None = None
    band_hz: tuple[float, float] = BAND_HZ
    level_dbov: float | None = None
    gap_s: float | None = None
    note: str | None = None
    position: str | None = None
    caller: str | None = None

    @property
    def said_around(self) -> dict[str, str]:
        """Position and caller as the manifest has them: only those that are said."""
        return {key: said for key, said in (("position", self.position), ("caller", self.caller)) if said}

    @model_validator(mode="after")
    def _noise_has_a_ratio(self):
        if (self.noise is None) != (self.snr_db is None) and self.say:
            raise ValueError("noise and snr_db go together")
        if self.noise is not None and self.noise not in KINDS:
            raise ValueError(f"noise {self.noise!r} is none of {', '.join(KINDS)}")
        return self


class Clip(Transmission):
    """A file of its own. sound: a made sound in place of speech; channel: a name in radio.CHANNELS."""

    file: str
    phrase: str = "suspend"
    rate_hz: int = 16000
    channels: int = 1
    channel: str = "band"
    room: bool = False
    lead_s: float = 1.2
    tail_s: float = 1.6
    sound: str | None = None
    seconds: float | None = None


class Exercise(_Value):
    """A long file of keyed transmissions with a quiet line between them."""

    file: str
    phrase: str
    note: str
    band_hz: tuple[float, float] = BAND_HZ
    line_dbov: float = -62.0
    transmissions: tuple[Transmission, ...]


class Plan(_Value):
    """plan.yaml, checked: what is said in each clip, how loud, through which radio and noise."""

    seed: int
    clips: tuple[Clip, ...]
    exercise: Exercise


def read_plan(path: Path = HERE / "plan.yaml") -> Plan:
    """The plan in path; pydantic's error names the entry that is wrong."""
    return Plan.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))


def plain(text: str) -> str:
    """A text as the manifest writes it: lower-case words."""
    return " ".join(re.findall(r"[a-z']+", text.lower()))
