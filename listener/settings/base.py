"""The settings: a YAML file becomes frozen values. A wrong key or value is one clear line.

Settings() with no file is the flight deck: "suspend", three times.
"""

from collections.abc import Iterable
from importlib.metadata import entry_points
from itertools import product
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
from listener.yaml_file import READS_AS_TRUTH, Checked, FilePath, error_lines, plain_line, read_yaml

Sensitivity = Literal["cautious", "balanced", "eager"]


def plain_words(text: str) -> str:
    """Words as they are looked for and compared: in small letters, one space between."""
    return " ".join(text.lower().split())


def _plain_words(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError(f"{READS_AS_TRUTH}: put the word in quotes")
    return plain_words(value) if isinstance(value, str) else value


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


DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
"""How the digits are said; "niner" is taken for nine too."""
ANY_DIGIT = "#"


def _as_said(value: Any) -> Any:
    value = _plain_words(str(value) if type(value) is int else value)
    if not isinstance(value, str):
        return value
    return " ".join(DIGITS[int(word)] if word in "0123456789" else word for word in value.split())


def _name(value: Any) -> Any:
    return str(value) if type(value) is int else value


_Ways = Annotated[
    tuple[Annotated[Words, BeforeValidator(_as_said)], ...],
    BeforeValidator(lambda value: (value,) if isinstance(value, (str, int)) else value),
    Field(min_length=1),
]
_Name = Annotated[str, BeforeValidator(_name), AfterValidator(plain_line)]


class Named(Checked):
    """Something that is said around a call, and what people call it."""

    name: _Name
    """What people are shown."""
    spoken: _Ways
    """How it is said, one or more ways: "one", "number one"."""

    @model_validator(mode="before")
    @classmethod
    def _its_name_is_what_is_said(cls, value: Any) -> Any:
        if isinstance(value, bool):
            raise ValueError(f"must be words in quotes; {READS_AS_TRUTH}")
        if type(value) in (str, int):
            value = {"name": value}
        return {"spoken": value["name"], **value} if isinstance(value, dict) and value.get("name") else value

    @field_validator("spoken")
    @classmethod
    def _each_way_once(cls, ways: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(ways))  # "1" is said as "one" is


class PositionSettings(Named):
    """A launch position: which one a call is about."""


class CallerSettings(Named):
    """Who calls: words, or a call sign with a number, where # is any one digit: "kite #", "tower"."""

    name: _Name
    """What people are shown; its # become the digits that were heard."""
    spoken: _Ways
    """How it is said, one or more ways; # stands for any one digit."""

    @model_validator(mode="after")
    def _as_many_digits(self) -> "CallerSettings":
        digits = self.name.count(ANY_DIGIT)
        for words in self.spoken:
            if words.count(ANY_DIGIT) != digits or digits > 2:
                raise ValueError(f"{words!r} and the name {self.name!r} need the same number of {ANY_DIGIT}, two at most")
            if digits != words.split().count(ANY_DIGIT):
                raise ValueError(f"{words!r}: each {ANY_DIGIT} must stand alone, as in 'kite {ANY_DIGIT}'")
        return self

    def each(self) -> list[tuple[str, list[str]]]:
        """Every caller that this may be: (name, ways to say it), with the digits in their places.

        >>> CallerSettings(name="KITE #", spoken=("kite #",)).each()[9]
        ('KITE 9', ['kite nine', 'kite niner'])
        """
        found = []
        for digits in product(range(10), repeat=self.name.count(ANY_DIGIT)):
            said = [[DIGITS[digit], *(["niner"] if digit == 9 else [])] for digit in digits]
            ways = [_filled(words, some) for words in self.spoken for some in product(*said)]
            found.append((_filled(self.name, [str(digit) for digit in digits]), ways))
        return found


def _filled(text: str, instead: Iterable[str]) -> str:
    """The text with its # replaced, one after the other."""
    for one in instead:
        text = text.replace(ANY_DIGIT, one, 1)
    return text


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
    examples: FilePath | None = None
    """A folder of examples: what `listener voices learn` made of takes by your own people."""
    hear_again: bool = True
    """Hear the last seconds once more behind two words of a phrase: finds more calls, for some processor time."""


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
    positions: tuple[PositionSettings, ...] = Field((), max_length=8)
    """The launch positions that a call may be about, two to eight; what is said around a call is searched for them."""
    callers: tuple[CallerSettings, ...] = Field((), max_length=20)
    """Who may call: words, or call signs with digits ("kite #")."""
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

    @field_validator("positions")
    @classmethod
    def _two_or_none(cls, positions: tuple[PositionSettings, ...]) -> tuple[PositionSettings, ...]:
        if len(positions) == 1:
            raise ValueError("one position alone tells nothing: give two to eight, or none")
        return positions

    @model_validator(mode="after")
    def _nothing_said_twice(self) -> "Settings":
        """What is said around a call means one thing, and is no call."""
        known = {phrase.words: f"the phrase {phrase.words!r}" for phrase in self.phrases}
        known["not"] = "'not one', which denies a position,"
        callers = [named for caller in self.callers for named in caller.each()]
        for key, some in (("positions", [(p.name, list(p.spoken)) for p in self.positions]), ("callers", callers)):
            names = [name for name, _ in some]
            for name, ways in some:
                if names.count(name) > 1:
                    raise ValueError(f"{key}: {name!r} is listed more than once")
                for words in ways:
                    if words in known:
                        raise ValueError(f"{key}: {words!r} of {name!r} is said for {known[words]} too; choose another word")
                    known[words] = f"{name!r} in {key}"
        return self

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
    if isinstance(ear, EarSettings) and ear.examples and not ear.examples.is_absolute():
        ear = ear.model_copy(update={"examples": folder / ear.examples.expanduser()})
    return settings.model_copy(update={"ear": ear, "vosk": vosk})


def _model_from_folder(engine: EarSettings | VoskSettings, folder: Path) -> EarSettings | VoskSettings:
    if engine.model_path is None or engine.model_path.is_absolute():
        return engine
    return engine.model_copy(update={"model_path": folder / engine.model_path.expanduser()})
