"""The settings: a YAML file becomes frozen values. A wrong key or value is one clear line.

Settings() with no file is the flight deck: "suspend", three times.
"""

from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)

from listener.errors import SettingsError
from listener.watch.settings import WatchSettings

Sensitivity = Literal["cautious", "balanced", "eager"]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


def _plain_words(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError("YAML reads on, off, yes and no as true or false: put the word in quotes")
    return " ".join(value.lower().split()) if isinstance(value, str) else value


Words = Annotated[str, BeforeValidator(_plain_words), Field(min_length=1)]


class PhraseSettings(_Model):
    """One call to listen for: its words and how often they are said in a row."""

    words: Words
    """What is said once, for example "suspend" or "cease fire"."""
    repeats: int = Field(3, ge=1, le=5)
    """How many times in a row make the call."""
    min_gap_s: float = Field(0.0, ge=0.0, le=5.0)
    """Shortest time between one word's end and the next one's start."""
    max_gap_s: float = Field(1.5, gt=0.0, le=10.0)
    """Longest time between one word's end and the next one's start."""
    call_over_s: float = Field(3.0, gt=0.0, le=60.0)
    """After an alert, the word said again within this time still belongs to the same call."""

    @model_validator(mode="after")
    def _gaps_in_order(self) -> "PhraseSettings":
        if self.min_gap_s >= self.max_gap_s:
            raise ValueError(f"min_gap_s ({self.min_gap_s:g}) must be less than max_gap_s ({self.max_gap_s:g})")
        return self


class GateSettings(_Model):
    """The voice gate: only what may be speech goes on to the recogniser. It opens if it fails."""

    aggressiveness: int = Field(0, ge=0, le=3)
    """How readily sound is called not speech: 0 lets most through, 3 least."""
    pre_roll_s: float = Field(0.5, ge=0.0, le=5.0)
    """How much of the sound before the gate opened is heard too."""
    hangover_s: float = Field(1.0, ge=0.0, le=30.0)
    """How long the gate stays open after the last speech."""


class EarSettings(_Model):
    """The ear, the engine trained for launch noise."""

    model_path: Path | None = None
    """The model's folder: the one that holds ear.json. Without it, the model that comes with the listener."""


class SphinxSettings(_Model):
    """PocketSphinx, a general recogniser of US English that needs no download."""


class VoskSettings(_Model):
    """A vosk model in a folder of yours."""

    model_path: Path | None = None
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


class Settings(_Model):
    """Everything that can be set. Defaults are the flight deck's."""

    phrases: tuple[PhraseSettings, ...] = Field((PhraseSettings(words="suspend"),), min_length=1)
    """The calls to listen for, any number at once."""
    engine: Literal["ear", "sphinx", "vosk"] = "ear"
    """Which recogniser listens."""
    sensitivity: Sensitivity = "balanced"
    """cautious: fewer false alerts; eager: fewer missed calls."""
    alert_level: float | None = None
    """For researchers: the joint score for an alert, in place of the sensitivity's."""
    gate: Annotated[_Gate, BeforeValidator(_gate)] = GateSettings()
    """The voice gate, or off."""
    pronounce: dict[Words, Annotated[tuple[str, ...], BeforeValidator(_one_or_more)]] = {}
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


def read_settings(path: Path) -> Settings:
    """Read a YAML settings file.

    Relative paths in it are meant from the file's own folder. Raises SettingsError: one line that
    names the file, the key, the value and what is allowed.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not a text file"
        raise SettingsError(f"{path}: cannot read the settings: {reason}") from None
    try:
        data = yaml.safe_load(text)
    except yaml.YAMLError as error:
        raise SettingsError(f"{path}: {_where(error)}not valid YAML: {_problem(error)}") from None
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
        raise SettingsError(f"{where}: {_lines(error)}") from None


def _from_folder(settings: Settings, folder: Path) -> Settings:
    settings = settings.model_copy(update={"watch": settings.watch.from_folder(folder)})
    for name in ("ear", "vosk"):
        engine = getattr(settings, name)
        if engine.model_path is not None and not engine.model_path.is_absolute():
            path = folder / engine.model_path.expanduser()
            settings = settings.model_copy(update={name: engine.model_copy(update={"model_path": path})})
    return settings


def _where(error: yaml.YAMLError) -> str:
    mark = getattr(error, "problem_mark", None)
    return f"line {mark.line + 1}: " if mark else ""


def _problem(error: yaml.YAMLError) -> str:
    return " ".join(str(getattr(error, "problem", None) or error).split())


# pydantic's kinds of error, as said to a user. {…} are the error's own values.
_SAID = {
    "extra_forbidden": "no such setting",
    "value_error": "{error}",
    "literal_error": "must be {expected}",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be at most {le}",
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "string_type": "must be words",
    "missing": "is missing",
    "string_too_short": "must not be empty",
    "too_short": "must not be empty",
    "tuple_type": "must be a list",
    "model_type": "must be a group of settings",
    "dict_type": "must be a group of settings",
}


def _lines(error: ValidationError) -> str:
    """All errors in one line, each as 'key: what is wrong (value)'."""
    errors = error.errors()
    # A list with a bad item is also called too short: the item's own error says it better.
    inner = {e["loc"][:n] for e in errors for n in range(1, len(e["loc"]))}
    return "; ".join(_line(e) for e in errors if e["loc"] not in inner)


def _line(error: Any) -> str:
    key = ".".join(str(part) for part in error["loc"] if part != "group")
    said = _SAID.get(error["type"], error["msg"]).format(**error.get("ctx", {}))
    value = error["input"]
    hidden = error["type"] == "extra_forbidden" or isinstance(value, (dict, list, tuple, BaseModel))
    return f"{key}: {said}" + ("" if hidden else f" (it is {value!r})")
