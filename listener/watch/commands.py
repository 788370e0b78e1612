"""The commands of the live station: watch, devices, tone, recordings; the journal's are in journal_commands."""

import logging
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from listener.errors import UsageError
from listener.watch.journal_commands import app as journal_app

if TYPE_CHECKING:
    from listener.settings import Settings

ConfigFile = Annotated[Path | None, typer.Option(help="Settings file (YAML). Without it: suspend, three times.")]
Folder = Annotated[Path | None, typer.Option(help="Folder of journal and clips, in place of the settings'.")]


def register(app: typer.Typer) -> None:
    """Put these commands into the program."""
    for command in (watch, devices, tone, recordings):
        app.command()(command)
    app.add_typer(journal_app, name="journal")


def watch(
    config: ConfigFile = None,
    folder: Folder = None,
    record: Annotated[Path | None, typer.Option(help="Record everything into this folder, hour by hour.")] = None,
    check: Annotated[bool, typer.Option("--check", help="Test everything once and tell; status 1 if anything fails.")] = False,
    sound: Annotated[bool, typer.Option("--tone/--no-tone", help="Whether an alert sounds.")] = True,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines, also on a terminal.")] = False,
    page: Annotated[bool, typer.Option("--page/--no-page", help="Whether the watch page is served, for a browser.")] = True,
) -> None:
    """Listen to the radios, live, until stopped."""
    from listener.watch.page.serve import PageServer
    from listener.watch.service import Notifier
    from listener.watch.show.terminal import ConsoleView
    from listener.watch.station import Station

    settings = _settings(config) if sound else _settings(config).without_tone()
    folder = folder or settings.watch.state_folder
    if check:
        from listener.watch.check import check_all

        raise typer.Exit(check_all(settings, folder))
    # What is logged is told in the view and kept in the journal; a log on stderr would spoil the view.
    logging.getLogger("listener").addHandler(logging.NullHandler())
    station = Station(settings, folder, record)
    server = PageServer(station, page)
    if server.address:
        print(f"page: {server.address}", file=sys.stderr)
    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    view = ConsoleView(station, plain or settings.watch.view == "plain", ended.set)
    notifier = Notifier()
    notifier.ready("on watch")

    def each_tick(now_s: float) -> None:
        states = ", ".join(f"{c.name} {c.state}" for c in station.snapshot().channels)
        notifier.alive(now_s, states)

    try:
        station.run(ended, each_tick)
    finally:
        notifier.stopping()
        server.close()
        view.close()


def devices(
    level: Annotated[bool, typer.Option("--level/--no-level", help="Show the live level of every input.")] = True,
    seconds: Annotated[float, typer.Option(help="How long to show levels on a terminal.")] = 60.0,
) -> None:
    """List the inputs that can be listened to, with their live levels, to find the right jack."""
    from listener.watch.devices import show_devices

    show_devices(seconds if level else 0.0)


def tone(
    config: ConfigFile = None,
    seconds: Annotated[float, typer.Option(help="How long.", min=1, max=30)] = 3.0,
) -> None:
    """Play the alert tone, to hear whether it is loud enough."""
    from listener.watch.parts.tone import play_once

    settings = _settings(config)
    own = settings.watch
    play_once(own.tone, [c.device for c in own.channels if c.is_card], seconds)


def recordings(
    folder: Annotated[Path, typer.Argument(help="The folder given to --record.")],
    channel: Annotated[str | None, typer.Option(help="Which channel; needed when there are several.")] = None,
    at: Annotated[str | None, typer.Option(help="Cut out the sound around this time (UTC), as the journal prints it.")] = None,
    before: Annotated[float, typer.Option(help="Seconds before it.")] = 10.0,
    after: Annotated[float, typer.Option(help="Seconds after it.")] = 5.0,
    out: Annotated[Path | None, typer.Option(help="The sound file to make (.flac or .wav).")] = None,
) -> None:
    """List what was recorded, or cut a piece out for 'listener replay'."""
    from listener.watch.extract import cut_out, list_recordings

    if at is None:
        list_recordings(folder, channel)
        return
    if out is None:
        raise UsageError("recordings --at needs --out FILE: the sound file to make")
    print(cut_out(folder, channel, at, before, after, out))


def _settings(config: Path | None) -> "Settings":
    from listener.settings import Settings, read_settings

    return read_settings(config) if config else Settings()
