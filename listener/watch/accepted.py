"""How old the last acceptance of each channel is, and what has changed since, in words. Read when the watch starts."""

from collections.abc import Iterable
from pathlib import Path

from listener.keep.accepted import changed_since, last_accepted
from listener.settings import Settings

_RECORDINGS = "recordings"
_MOST_CHANGES = 2


class Acceptances:
    """Those of a station's channels. folder: the station's."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self._settings = settings
        self._channels = {channel.name: channel for channel in settings.watch.channels}
        self._last = {name: last_accepted(folder, name) for name in self._channels}
        self._changes: dict[tuple[str, str, str], list[str]] = {}

    def line(self, unix_s: float, known: Iterable[tuple[str, str, str]]) -> str:
        """All in one line, for people. known: of each channel its name, and its model and source as far as they are known."""
        return "; ".join(self._said(name, model, source, unix_s) for name, model, source in known)

    def _said(self, name: str, model: str, source: str, unix_s: float) -> str:
        last = self._last[name]
        if last is None:
            return f"{name}: no acceptance yet"
        days = int(max(0.0, unix_s - last.unix_s) // 86_400)
        age = "today" if not days else "1 day ago" if days == 1 else f"{days} days ago"
        whole = "" if last.is_complete else " (not whole)"
        if (name, model, source) not in self._changes:
            now = "" if last.source == _RECORDINGS else source
            self._changes[name, model, source] = changed_since(last, self._settings, self._channels[name], model, now)
        changes = self._changes[name, model, source]
        more = f" and {len(changes) - _MOST_CHANGES} more" if len(changes) > _MOST_CHANGES else ""
        since = f"; CHANGED SINCE: {', '.join(changes[:_MOST_CHANGES])}{more}" if changes else ", nothing changed since"
        return f"{name}: accepted {age}{whole}{since}"
