"""What a finished acceptance leaves for the watch: when a line was accepted, with what, and what has changed since."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from listener import __version__
from listener.settings import Settings
from listener.settings.watch import ChannelSettings

FOLDER = "acceptance"
"""Below the station's folder: a folder for each session."""

REPORT_JSON, REPORT_PAGE = "report.json", "report.html"


class Accepted(BaseModel):
    """The head of an acceptance's JSON. source: what was listened to: the device by its stable name, or "recordings"."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    utc: str
    unix_s: float
    channel: str
    source: str
    headline: str
    heard_with: dict[str, Any]
    engine: str
    model: str
    version: str
    is_complete: bool


def heard_with(settings: Settings, channel: ChannelSettings) -> dict[str, Any]:
    """All settings on which it depends what is heard on a channel, as plain values."""
    line = channel.model_dump(mode="json", exclude={"name"}, exclude_defaults=True)
    return {**settings.model_dump(mode="json", exclude={"watch"}), "line": line}


def last_accepted(station: Path, channel: str) -> Accepted | None:
    """The newest acceptance of a channel in the station's folder. One that cannot be read is passed over."""
    found = []
    for path in (station / FOLDER).glob(f"*/{REPORT_JSON}"):
        try:
            one = Accepted.model_validate(json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError, ValidationError):
            continue
        if one.channel == channel:
            found.append(one)
    return max(found, key=lambda one: one.unix_s, default=None)


def changed_since(
    accepted: Accepted, settings: Settings, channel: ChannelSettings, model: str = "", source: str = ""
) -> list[str]:
    """What is no longer as it was accepted, a short line each. model, source: of now, as far as they are known."""
    found = differences(accepted.heard_with, heard_with(settings, channel))
    if model and model != accepted.model:
        found.append(f"model: {accepted.model} then, {model} now")
    if source and source != accepted.source:
        found.append(f"source: {accepted.source} then, {source} now")
    if accepted.version != __version__:
        found.append(f"program: {accepted.version} then, {__version__} now")
    return found


def differences(then: Mapping[str, Any], now: Mapping[str, Any], above: str = "") -> list[str]:
    """Keys whose values differ, as "phrases.0.repeats: 3 then, 2 now".

    >>> differences({"gate": {"pre_roll_s": 0.5}, "engine": "ear"}, {"gate": {"pre_roll_s": 1.0}, "engine": "ear"})
    ['gate.pre_roll_s: 0.5 then, 1.0 now']
    """
    found: list[str] = []
    for key in dict.fromkeys([*then, *now]):
        old, new = _as_group(then.get(key)), _as_group(now.get(key))
        if isinstance(old, Mapping) and isinstance(new, Mapping):
            found += differences(old, new, f"{above}{key}.")
        elif old != new:
            found.append(f"{above}{key}: {_said(then.get(key))} then, {_said(now.get(key))} now")
    return found


def _as_group(value: Any) -> Any:
    return {str(i): one for i, one in enumerate(value)} if isinstance(value, list) and value else value


def _said(value: Any) -> str:
    text = "not set" if value in (None, {}, []) else str(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
