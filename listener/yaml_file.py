"""YAML files that people write, and what to say when their values do not fit."""

import unicodedata
from pathlib import Path
from typing import Annotated, Any, get_args

import yaml
from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError, field_validator

from listener.errors import SettingsError

MOST_BYTES = 1_000_000
_DEEPEST, _MOST_NODES = 40, 100_000
_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # the C one is ten times as fast

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
    "too_long": "must hold {max_length} at most; there are {actual_length}",
    "tuple_type": "must be a list",
    "model_type": "must be a group of settings",
    "dict_type": "must be a group of settings",
    "finite_number": "must be a number, and a finite one",
    "bool_parsing": "must be yes or no",
    "bool_type": "must be yes or no",
}


READS_AS_TRUTH = "YAML reads on, off, yes and no as true or false"


class Checked(BaseModel):
    """Frozen values out of a file that people write: no unknown keys, no yes for 1, no endless number."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _no_truth_for_a_number(cls, value: Any, about: Any) -> Any:
        kinds = _leaves(cls.model_fields[about.field_name].annotation)
        if kinds & {int, float} and bool not in kinds and _holds_bool(value, off_is_fine=type(None) in kinds):
            raise ValueError(f"must be a number; {READS_AS_TRUTH}")
        return value


def _leaves(kind: Any) -> set[Any]:
    """The plain types that an annotation is made of."""
    inner = get_args(kind)
    return {leaf for one in inner for leaf in _leaves(one)} if inner else {kind} if isinstance(kind, type) else set()


def _holds_bool(value: Any, off_is_fine: bool) -> bool:
    if isinstance(value, (list, tuple)):
        return any(_holds_bool(one, False) for one in value)
    return isinstance(value, bool) and not (off_is_fine and value is False)


def plain_line(text: str) -> str:
    """The text, if it is one line of plain characters and not empty. Raises ValueError."""
    if not text.strip():
        raise ValueError("must not be empty")
    if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in text):
        raise ValueError("must be one line of plain text, without control characters")
    return text


def home_known(path: Path) -> Path:
    """The path, if a ~ at its front means a home that there is. Raises ValueError."""
    try:
        path.expanduser()
    except RuntimeError:
        raise ValueError(f"nobody here is called {path.parts[0]!r}") from None
    return path


Line = Annotated[str, AfterValidator(plain_line)]
FilePath = Annotated[Path, AfterValidator(home_known)]


class _OnceLoader(_Loader):  # type: ignore[misc]  # the C loader has no types
    """Keys may stand in a group only once, and texts hold no control characters."""

    def construct_mapping(self, node: Any, deep: bool = False) -> dict[Any, Any]:
        seen: set[str] = set()
        for key, _ in node.value if isinstance(node, yaml.MappingNode) else ():
            if isinstance(key, yaml.ScalarNode) and key.tag != "tag:yaml.org,2002:merge":
                if key.value in seen:
                    problem = f"{key.value!r} stands here twice"
                    raise yaml.constructor.ConstructorError(None, None, problem, key.start_mark)
                seen.add(key.value)
        return super().construct_mapping(node, deep)

    def construct_scalar(self, node: Any) -> Any:
        value = super().construct_scalar(node)
        if isinstance(value, str) and any(unicodedata.category(c) in ("Cc", "Cs") and c not in "\t\n" for c in value):
            problem = "a control character, or half a character, in a text"
            raise yaml.constructor.ConstructorError(None, None, problem, node.start_mark)
        return value


def read_yaml(path: Path, what: str) -> Any:
    """What a YAML file holds, as plain values; None if it is empty.

    what: how messages call it ("the settings"). Raises SettingsError, one line that names the file.
    """
    try:
        if not path.is_file() and path.exists():
            raise SettingsError(f"{path}: cannot read {what}: it is not a plain file")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            most = f"{MOST_BYTES // 1_000_000} MB"
            raise SettingsError(f"{path}: cannot read {what}: longer than {most}; is it the right file?")
        text = data.decode("utf-8-sig")
    except (OSError, ValueError) as error:  # ValueError: no UTF-8, or a zero byte in the name
        reason = getattr(error, "strerror", None) or "it is not a text file (UTF-8)"
        raise SettingsError(f"{path}: cannot read {what}: {reason}") from None
    return parse_yaml(text, path)


def parse_yaml(text: str, path: Path) -> Any:
    """The same for a text. path: the file that messages name."""
    try:
        _check_size(text)
        return yaml.load(text, _OnceLoader)  # it is a SafeLoader
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"line {mark.line + 1}: " if mark else ""
        said = " ".join(str(getattr(error, "problem", None) or error).split())
        raise SettingsError(f"{path}: {where}not valid YAML: {said}") from None
    except Exception as error:  # noqa: BLE001 - a date such as 2026-02-31, a number of 5,000 digits, !!int ""
        raise SettingsError(f"{path}: not valid YAML: {error or type(error).__name__}") from None


def _check_size(text: str) -> None:
    """Raises yaml.MarkedYAMLError for what is nested too deeply, or unfolds from little text into very much.

    Both are seen in the stream of events, before anything is built.
    """
    sizes: dict[str, int] = {}  # of each anchored piece, unfolded
    open_pieces: list[tuple[str | None, int]] = []
    count = 0
    event: Any
    for event in yaml.parse(text, Loader=_Loader):
        mark = event.start_mark
        if isinstance(event, yaml.AliasEvent):
            if event.anchor not in sizes and any(anchor == event.anchor for anchor, _ in open_pieces):
                raise yaml.MarkedYAMLError(problem="a group that holds itself", problem_mark=mark)
            count += sizes.get(event.anchor or "", 1)
        elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            open_pieces.append((event.anchor, count))
            count += 1
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            anchor, before = open_pieces.pop()
            if anchor:
                sizes[anchor] = count - before
        elif isinstance(event, yaml.ScalarEvent):
            count += 1
        if len(open_pieces) > _DEEPEST:
            raise yaml.MarkedYAMLError(problem=f"nested more than {_DEEPEST} deep", problem_mark=mark)
        if count > _MOST_NODES:
            raise yaml.MarkedYAMLError(problem=f"more than {_MOST_NODES:,} entries", problem_mark=mark)


def error_lines(error: ValidationError) -> str:
    """All errors in one line, each as 'key: what is wrong (value)'."""
    errors = error.errors()
    # A list with a bad item is also called too short: the item's own error says it better.
    inner = {e["loc"][:n] for e in errors for n in range(1, len(e["loc"]))}
    return "; ".join(dict.fromkeys(_line(e) for e in errors if e["loc"] not in inner))


def _line(error: Any) -> str:
    # "group" and "one word" are our own names for the branches of a union, not keys in the file.
    key = ".".join(str(part) for part in error["loc"] if part not in ("group", "one word"))
    said = _SAID.get(error["type"], error["msg"]).format(**error.get("ctx", {}))
    value = error["input"]
    hidden = error["type"] == "extra_forbidden" or isinstance(value, (dict, list, tuple, BaseModel))
    return (f"{key}: " if key else "") + said + ("" if hidden else f" (it is {value!r})")
