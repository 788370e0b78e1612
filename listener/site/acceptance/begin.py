"""How an acceptance begins, or goes on where it was left."""

from pathlib import Path
from typing import Literal

from listener import __version__
from listener.keep.accepted import heard_with
from listener.settings import Settings
from listener.settings.watch import ChannelSettings
from listener.site.acceptance.hearing import alert_levels, in_force
from listener.site.acceptance.session import Begun, Session, begin, now_utc, open_one
from listener.speech.spotter import Engine


def begun_or_open(
    station: Path, settings: Settings, channel: ChannelSettings, engine: Engine, how: Literal["recordings", "live"],
    source: str, new: bool,
) -> Session:  # fmt: skip
    """The session of this channel that was left open, or a new one (always, if new). See session.open_one for errors."""
    begun = Begun(
        utc=now_utc(), how=how, channel=channel.name, source=source, in_force=in_force(settings),
        alert_levels=alert_levels(settings, engine), heard_with=heard_with(settings, channel), engine=engine.name,
        model=engine.model, version=__version__,
    )  # fmt: skip
    return (None if new else open_one(station, begun)) or begin(station, begun)
