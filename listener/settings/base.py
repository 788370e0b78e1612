"""The settings: a YAML file becomes frozen values. A wrong key or value is one clear line.

Settings() with no file is the flight deck: "suspend", three times.
"""

from importlib.metadata import entry_points
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)

from listener.errors import SettingsError
from listener.settings.watch import WatchSettings
from listener.yaml_file import Checked, FilePath, error_lines, read_yaml

Sensitivity = Literal["cautious", "balanced", "eager"]


def _plain_words(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError("YAML reads on, off, yes and no as true or false: put the word in quotes")
    return " ".join(value.lower().split()) if isinstance(value, str) else value


Words = Annotated[str, BeforeValidator(_plain_words), Field(min_length=1)]


class PhraseSettings(Checked):
    """One call to listen for: its words and how often they are said in a row."""

    words: Words
    """What is said once, for example "suspend" or "cease fire"."""
    repeats: int = Field(3, ge=1, le=5)
    """How many times in a row make the call."""
    min_gap_s: float = Field(0.0, ge=0.0, le=5.0)
    """Shortest time between one word's end and the next one's start."""
    max_gap_s: float = Field(1.75, gt=0.0, le=10.0)
    """Longest time between one word's end and the next one's start."""
    between_s: float = Field(0.0, ge=0.0, le=5.0)
    """For calls such as "stop immediately, KITE TWO, stop immediately": so much longer than max_gap_s a gap may be,
    for whatever is said in it. Its words are not asked for, and an even beat is not expected. 0: nothing stands between."""
    call_over_s: float = Field(3.0, gt=0.0, le=60.0)
    """After an alert, the word said again within this time still belongs to the same call."""

    @property
    def longest_gap_s(self) -> float:
        """Longest time between one word's end and the next one's start, with what may be said between."""
        return self.max_gap_s + self.between_s

    @model_validator(mode="after")
    def _gaps_in_order(self) -> "PhraseSettings":
        if self.min_gap_s >= self.max_gap_s:
            raise ValueError(f"min_gap_s ({self.min_gap_s:g}) must be less than max_gap_s ({self.max_gap_s:g})")
        return self


class GateSettings(Checked):
    """The voice gate: only what may be speech goes on to the recogniser. It opens if it fails."""

    aggressiveness: int = Field(0, ge=0, le=3)
    """How readily sound is called not speech: 0 lets most through, 3 least."""
    pre_roll_s: float = Field(0.5, ge=0.0, le=5.0)
    """How much of the sound before the gate opened is heard too."""
    hangover_s: float = Field(1.0, ge=0.0, le=30.0)
    """How long the gate stays open after the last speech."""


class EarSettings(Checked):
    """The ear, the engine trained for launch noise."""

    model_path: FilePath | None = None
    """The model's folder: the one that holds ear.json. Without it, the model that comes with the listener."""


class SphinxSettings(Checked):
    """PocketSphinx, a general recogniser of US English that needs no download."""


class VoskSettings(Checked):
    """A vosk model in a folder of yours."""

    model_path: FilePath | None = None
    """The model's folder: the one that holds am/, conf/ and graph/."""
    decoys: tuple[Words, ...] = ()
    """Other words of the model's language, to take up what is not the phrase. Empty: common English ones."""


def _one_or_more(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _gate(value: Any) -> Any:
    if value is False:  # YAML 1.1 reads a bare off as false
        return "off"
    if value == "off" or isinstance(value, (dict, GateSettings)):
        return value
    raise ValueError("must be off, or a group of settings")


def _gate_kind(value: Any) -> str:
    return "off" if value == "off" else "group"


_Gate = Annotated[
    Annotated[GateSettings, Tag("group")] | Annotated[Literal["off"], Tag("off")],
    Discriminator(_gate_kind),
]


ENGINE_NAMES = ("ear", "sphinx", "vosk")
ENGINE_GROUP = "listener.engines"


def _engine(name: str) -> str:
    others = sorted(entry.name for entry in entry_points(group=ENGINE_GROUP)) if name not in ENGINE_NAMES else []
    if name not in (*ENGINE_NAMES, *others):
        names = [f"'{known}'" for known in (*ENGINE_NAMES, *others)]
        raise ValueError(f"must be {', '.join(names[:-1])} or {names[-1]} (it is {name!r})")
    return name


class Settings(Checked):
    """Everything that can be set. Defaults are the flight deck's.

    >>> field = Settings(phrases=({"words": "stop", "repeats": 2},), sensitivity="eager")
    >>> field.phrases[0].words, field.phrases[0].repeats, field.engine
    ('stop', 2, 'ear')
    """

    phrases: tuple[PhraseSettings, ...] = Field((PhraseSettings(words="suspend"),), min_length=1)
    """The calls to listen for, any number at once."""
    engine: Annotated[str, AfterValidator(_engine)] = Field("ear", json_schema_extra={"examples": list(ENGINE_NAMES)})
    """Which recogniser listens: ear, sphinx, vosk; in studies also one that another package brings."""
    options: dict[str, str | int | float | bool] = {}
    """For an engine of another package: its own settings."""
    sensitivity: Sensitivity = "balanced"
    """cautious: fewer false alerts; eager: fewer missed calls."""
    alert_level: float | None = None
    """For researchers: the joint score for an alert, in place of the sensitivity's."""
    gate: Annotated[_Gate, BeforeValidator(_gate)] = GateSettings()
    """The voice gate, or off."""
    pronounce: dict[Words, Annotated[tuple[str, ...], BeforeValidator(_one_or_more)]] = Field({})
    """Words the dictionary lacks, or says otherwise: each with one or more spellings in ARPAbet."""
    ear: EarSettings = EarSettings()
    sphinx: SphinxSettings = SphinxSettings()
    vosk: VoskSettings = VoskSettings()
    watch: WatchSettings = WatchSettings()

    @field_validator("phrases")
    @classmethod
    def _each_once(cls, phrases: tuple[PhraseSettings, ...]) -> tuple[PhraseSettings, ...]:
        words = [p.words for p in phrases]
        for word in words:
            if words.count(word) > 1:
                raise ValueError(f"{word!r} is listed more than once")
        return phrases

    def with_phrases(self, phrases: tuple[PhraseSettings, ...]) -> "Settings":
        """These settings with other phrases (checked again)."""
        return Settings.model_validate({**dict(self), "phrases": phrases})

    def without_tone(self) -> "Settings":
        """These settings with a silent watch."""
        tone = self.watch.tone.model_copy(update={"enabled": False})
        return self.model_copy(update={"watch": self.watch.model_copy(update={"tone": tone})})


def read_settings(path: Path) -> Settings:
    """Read a YAML settings file.

    Relative paths in it are meant from the file's own folder. Raises SettingsError: one line that
    names the file, the key, the value and what is allowed.
    """
    data = read_yaml(path, "the settings")
    if data is None:
        data = {}
    if not isinstance(data, dict):
        raise SettingsError(f"{path}: expected settings such as 'engine: sphinx', found {data!r:.60}")
    settings = settings_from(data, where=str(path))
    return _from_folder(settings, path.parent)


def settings_from(data: dict[str, Any], where: str) -> Settings:
    """Settings from plain values. Raises SettingsError that starts with `where`."""
    try:
        return Settings.model_validate(data)
    except ValidationError as error:
        raise SettingsError(f"{where}: {error_lines(error)}") from None


def _from_folder(settings: Settings, folder: Path) -> Settings:
    settings = settings.model_copy(update={"watch": settings.watch.from_folder(folder)})
    ear, vosk = (_model_from_folder(engine, folder) for engine in (settings.ear, settings.vosk))
    return settings.model_copy(update={"ear": ear, "vosk": vosk})


def _model_from_folder(engine: EarSettings | VoskSettings, folder: Path) -> EarSettings | VoskSettings:
    if engine.model_path is None or engine.model_path.is_absolute():
        return engine
    return engine.model_copy(update={"model_path": folder / engine.model_path.expanduser()})
