"""YAML files that people write, and what to say when their values do not fit."""

from pathlib import Path
from typing import Any

import yaml
from pydantic import BaseModel, ValidationError

from listener.errors import SettingsError

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


def read_yaml(path: Path, what: str) -> Any:
    """What a YAML file holds, as plain values; None if it is empty.

    what: how messages call it ("the settings"). Raises SettingsError, one line that names the file.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not a text file"
        raise SettingsError(f"{path}: cannot read {what}: {reason}") from None
    try:
        return yaml.safe_load(text)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"line {mark.line + 1}: " if mark else ""
        said = " ".join(str(getattr(error, "problem", None) or error).split())
        raise SettingsError(f"{path}: {where}not valid YAML: {said}") from None
    except ValueError as error:  # a date such as 2026-02-31
        raise SettingsError(f"{path}: not valid YAML: {error}") from None


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
