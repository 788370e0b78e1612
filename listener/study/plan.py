"""A study plan: YAML becomes frozen values, checked before any work starts.

Paths are meant from the plan's own folder. Everything that changes a result is in the plan, so its
hash stands for the study.
"""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)  # fmt: skip

from listener.errors import SettingsError, UserError
from listener.events import RATE_HZ
from listener.radio import CHANNELS, KINDS, VOICE_BAND_HZ, Channel, Room, stage
from listener.settings import CallerSettings, PhraseSettings, PositionSettings, Settings, settings_from
from listener.yaml_file import Checked, FilePath, error_lines, read_yaml

PLAN = "plan.yaml"  # a study's plan in its results folder
BABBLE = "babble"
Measure = Literal["miss", "false_alarms", "det", "delay", "calibration"]
NEEDS_NEGATIVES: tuple[Measure, ...] = ("false_alarms", "det")


class RecordedSpeech(Checked):
    """A folder of recordings with labels, or one with a manifest.yaml (as in recordings_synthetic)."""

    folder: FilePath
    split: str | None = None
    """Only the manifest's voices of this split ("dev": unknown to our recogniser)."""
    speakers: Literal["file", "folder"] = "file"
    """Who is one speaker: each file, or each subfolder."""


class Speech(Checked):
    """Who speaks: synthetic voices of this machine, recordings, or both."""

    voices: tuple[str, ...] = ()
    """ "engine voice": espeak en-us+f3, flite rms, pico en-GB, piper joe."""
    paces: tuple[Annotated[float, Field(ge=0.5, le=2.0)], ...] = Field((0.92, 1.0, 1.1), min_length=1)
    """Each voice says each phrase once at each of these speeds."""
    recordings: tuple[RecordedSpeech, ...] = ()

    @model_validator(mode="after")
    def _somebody(self) -> "Speech":
        if not self.voices and not self.recordings:
            raise ValueError("nobody speaks: name voices or recordings")
        return self


class RecordedNoise(Checked):
    """Noise from a sound file, or from all sound files of a folder."""

    name: str = Field(min_length=1)
    path: FilePath


Noise = Annotated[
    Annotated[str, Tag("one word")] | Annotated[RecordedNoise, Tag("group")],
    Discriminator(lambda value: "one word" if isinstance(value, str) else "group"),
]


class Negatives(Checked):
    """Speech and noise in which nobody makes the call: what false alarms are counted in."""

    hours: float = Field(0.0, ge=0.0, le=1000.0)
    """Of sound, for each engine, in all conditions together."""
    piece_s: float = Field(30.0, ge=5.0, le=600.0)
    """Length of one trial."""
    snr_db: tuple[float | None, ...] = Field((None, 10.0, 3.0), min_length=1)
    """Ratios in equal parts; null is without noise."""
    state_per_h: float = Field(0.5, gt=0.0, le=1000.0)
    """The rate of false alerts that the study is to be long enough to state; the report says where it is not."""
    pause_s: tuple[float, float] = (0.5, 4.0)
    """Shortest and longest pause between what is said."""
    texts: tuple[str, ...] = ()
    """What the voices say; {phrase} stands for each phrase. Empty: radio talk and look-alikes of our own."""
    recordings: tuple[RecordedSpeech, ...] = ()
    """Recordings of speech as well, or instead; labelled calls in them are left out."""

    @model_validator(mode="after")
    def _somebody_gets_to_speak(self) -> "Negatives":
        shortest, longest = self.pause_s
        if not 0 <= shortest < longest < self.piece_s - 1:
            raise ValueError(f"pause_s: the first number must be less than the second, and that at least a second less than "
                             f"piece_s (they are {shortest:g}, {longest:g} and {self.piece_s:g})")  # fmt: skip
        return self


def _radio(value: Any) -> Any:
    """A stage list as YAML writes it ('agc' or {band: {low_hz: 300}}) becomes (name, values) pairs."""
    if isinstance(value, str):
        if value not in CHANNELS:
            raise ValueError(f"{value!r} is not a radio we know; choose one of {', '.join(CHANNELS)}, or list stages")
        return value
    if not isinstance(value, (list, tuple)):
        raise ValueError("must be the name of a radio or a list of stages")
    stages = []
    for item in value:
        if isinstance(item, str):
            item = {item: {}}
        if isinstance(item, (list, tuple)) and len(item) == 2:
            item = {item[0]: item[1]}
        if not (isinstance(item, dict) and len(item) == 1):
            raise ValueError(f"{item!r} is not a stage: write its name, or name: {{field: value}}")
        name, values = next(iter(item.items()))
        try:
            stage(name, values)
        except (UserError, TypeError) as error:
            raise ValueError(str(error)) from None
        stages.append((name, values or {}))
    return tuple(stages)


Radio = Annotated[str | tuple[tuple[str, dict[str, Any]], ...], BeforeValidator(_radio)]


class RoomSettings(Checked):
    """A room round the talker, before the microphone."""

    rt60_s: float = Field(ge=0.01, le=10.0)
    direct_db: float = 6.0


def _has_path(value: Any) -> bool:
    return isinstance(value, Mapping) and "path" in value


class RecordedRoom(Checked):
    """A room that was measured: an impulse response, or a folder of them, of which each call has one. Mono, any rate."""

    path: FilePath


AnyRoom = Annotated[
    Annotated[RoomSettings, Tag("one word")] | Annotated[RecordedRoom, Tag("group")],
    Discriminator(lambda value: "group" if isinstance(value, RecordedRoom) or _has_path(value) else "one word"),
]


class Plan(Checked):
    """All of a study."""

    name: str = Field(min_length=1)
    about: str = ""
    seed: int = Field(1, ge=0)
    speech: Speech
    phrases: tuple[PhraseSettings, ...] = Field((PhraseSettings(words="suspend"),), min_length=1)
    """The calls that are made, and that every engine listens for."""
    positions: tuple[PositionSettings, ...] = Field((), max_length=8)
    """Launch positions: each call is about one of them, or none, said before or after it by the voices."""
    callers: tuple[CallerSettings, ...] = Field((), max_length=20)
    """Who calls, in every second call, said before it by the voices."""
    gap_s: tuple[float, float] = (0.15, 0.5)
    """Shortest and longest pause between the words of a call; a call keeps its own beat within 15 %."""
    lead_s: float = Field(2.0, ge=0.0, le=60.0)
    tail_s: float = Field(2.0, ge=0.5, le=60.0)
    """Noise before and after the call."""
    noises: tuple[Noise, ...] = Field(("turbine",), min_length=1)
    """Simulated kinds, babble (of the study's own speech), or recordings."""
    snr_db: tuple[float | None, ...] = Field((10.0, 5.0, 0.0, -5.0), min_length=1)
    """Active speech level over the noise's RMS, both within band_hz; null is without noise."""
    band_hz: tuple[float, float] = VOICE_BAND_HZ
    level_dbov: float = Field(-26.0, ge=-60.0, le=-10.0)
    """Active speech level."""
    radios: dict[str, Radio] = Field({"band": "band"}, min_length=1)
    rooms: dict[str, AnyRoom | None] = Field({"none": None}, min_length=1)
    """Name -> a simulated room, a measured one ({path: ...}), or null for none."""
    engines: dict[str, dict[str, Any]] = Field(min_length=1)
    """Name in the report -> settings (as in a settings file, without phrases)."""
    trials: int = Field(20, ge=1, le=100_000)
    """Calls for each condition: phrase x noise x SNR x radio x room."""
    negatives: Negatives = Negatives()
    measures: tuple[Measure, ...] = ()
    """What the report must hold; empty: all that the trials allow."""
    resamples: int = Field(1000, ge=100, le=100_000)
    """Bootstrap resamples."""

    @field_validator("noises")
    @classmethod
    def _known_noises(cls, noises: tuple[str | RecordedNoise, ...]) -> tuple[str | RecordedNoise, ...]:
        names = [noise if isinstance(noise, str) else noise.name for noise in noises]
        for noise, name in zip(noises, names):
            if isinstance(noise, str) and noise not in (*KINDS, BABBLE):
                raise ValueError(
                    f"{noise!r} is not a noise we know; choose one of {', '.join((*KINDS, BABBLE))}, "
                    "or give a recording: {name: ..., path: ...}"
                )
            if names.count(name) > 1:
                raise ValueError(f"{name!r} is listed more than once")
        return noises

    @model_validator(mode="after")
    def _hangs_together(self) -> "Plan":
        for key in ("gap_s", "band_hz"):
            low, high = getattr(self, key)
            if not 0 <= low < high:
                raise ValueError(f"{key}: the first number must be less than the second (it is {low:g}, {high:g})")
        if self.band_hz[1] > RATE_HZ / 2:
            raise ValueError(f"band_hz: {self.band_hz[1]:g} Hz is out of reach; at most {RATE_HZ // 2}")
        longest = max(phrase.longest_gap_s for phrase in self.phrases)
        if self.gap_s[1] > longest:
            raise ValueError(f"gap_s: pauses of {self.gap_s[1]:g} s are longer than the calls' gaps may be ({longest:g})")
        for ratio in self.snr_db + self.negatives.snr_db:
            if ratio is not None and not -60.0 <= ratio <= 60.0:
                raise ValueError(f"snr_db: {ratio:g} dB is out of reach; from -60 to 60, or null for no noise")
        wanted = [m for m in self.measures if m in NEEDS_NEGATIVES]
        if wanted and not self.negatives.hours:
            raise ValueError(f"measures: {wanted[0]} needs negatives; set negatives.hours above 0, or leave it out")
        if (self.positions or self.callers) and self.speech.recordings:
            raise ValueError("speech.recordings: recorded speakers do not say positions and callers; name voices only")
        self.settings()
        return self

    def settings(self) -> dict[str, Settings]:
        """Each engine's settings, with the plan's phrases. Raises SettingsError naming the engine."""
        around = {"positions": self.positions, "callers": self.callers}
        said = {key: [one.model_dump() for one in some] for key, some in {"phrases": self.phrases, **around}.items()}
        return {
            name: settings_from({**values, **said}, where=f"engines.{name}")
            for name, values in self.engines.items()
        }

    def wants(self, measure: Measure) -> bool:
        """Whether the report is to hold it."""
        possible = measure not in NEEDS_NEGATIVES or self.negatives.hours > 0
        return possible and (not self.measures or measure in self.measures)

    def noise_names(self) -> tuple[str, ...]:
        """The noises by name, in the plan's order; made kinds and recorded files alike."""
        return tuple(noise if isinstance(noise, str) else noise.name for noise in self.noises)

    def channel(self, radio: str) -> Channel:
        """The radio of this name as stages."""
        made = self.radios[radio]
        return CHANNELS[made] if isinstance(made, str) else Channel(tuple(stage(n, v) for n, v in made))

    def room(self, name: str) -> Room | None:
        """The simulated room of this name; None is none, or a measured one (its responses are in the bank)."""
        made = self.rooms[name]
        return Room(made.rt60_s, made.direct_db) if isinstance(made, RoomSettings) else None


def read_plan(path: Path) -> Plan:
    """Read a plan. Raises SettingsError: one line that names the file, the key and what is allowed."""
    data = read_yaml(path, "the study plan")
    if not isinstance(data, dict):
        raise SettingsError(f"{path}: expected a study plan with name, speech, engines, ...")
    return plan_from(data, str(path), path.parent)


def plan_from(data: Mapping[str, Any], where: str, folder: Path = Path()) -> Plan:
    """A plan from plain values; relative paths from `folder`. Raises SettingsError starting with `where`."""
    try:
        return Plan.model_validate(_with_paths(data, folder))
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    except ValidationError as error:
        raise SettingsError(f"{where}: {error_lines(error)}") from None


def plan_hash(plan: Plan) -> str:
    """SHA-256 of the plan's values, hex. Paths and the text about it do not count: contents are in the bank's."""
    values = plan.model_dump(mode="json", exclude={"about", "measures", "resamples"})
    for key in ("positions", "callers"):  # a plan without them is the one that it was before there were any
        values = {k: v for k, v in values.items() if k != key or v}
    del values["negatives"]["state_per_h"]  # changes no sound: only what the report says
    for recorded in (*values["speech"]["recordings"], *values["negatives"]["recordings"]):
        recorded.pop("folder")
    for noise in values["noises"]:
        if isinstance(noise, dict):
            noise.pop("path")
    for room in values["rooms"].values():
        if room:
            room.pop("path", None)
    return hashlib.sha256(json.dumps(values, sort_keys=True, allow_nan=False).encode()).hexdigest()


def _with_paths(data: Any, folder: Path, key: str = "") -> Any:
    """The same values with their paths made absolute."""
    if isinstance(data, Mapping):
        return {k: _with_paths(v, folder, k) for k, v in data.items()}
    if isinstance(data, (list, tuple)):
        return [_with_paths(v, folder) for v in data]
    if key in ("folder", "path", "model_path") and isinstance(data, str):
        try:
            return str((folder / Path(data).expanduser()).resolve())
        except (RuntimeError, OSError, ValueError):
            return data  # ~nobody: said by the value's own check
    return data
