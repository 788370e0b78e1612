"""`listener acceptance`: how this line is heard, with this site's people and noise, in one report."""

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from listener.errors import UsageError
from listener.tell import cautions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from listener.settings import Settings
    from listener.settings.watch import ChannelSettings
    from listener.site.acceptance.recorded import RecordedFile
    from listener.site.acceptance.session import Session


def register(app: typer.Typer) -> None:
    """Put `acceptance` into the program."""
    app.command(epilog=" ".join(cautions.ACCEPTANCE))(acceptance)


def acceptance(
    config: Annotated[Path | None, typer.Option(help="Settings file (YAML). Without it: suspend, three times.")] = None,
    recordings: Annotated[
        Path | None, typer.Option(help="In place of the live line: a folder of recordings, with labels of the calls in them.")
    ] = None,
    hours: Annotated[float, typer.Option(min=0.0, max=1000.0, help="Live: so many hours of normal traffic.")] = 1.0,
    people: Annotated[str, typer.Option(help="Live: who makes calls, with commas between: Ann,Ben.")] = "",
    calls: Annotated[int, typer.Option(min=1, max=200, help="Live: so many by each of them.")] = 10,
    channel: Annotated[str | None, typer.Option(help="Which channel of the settings; needed when there are several.")] = None,
    folder: Annotated[Path | None, typer.Option(help="The station's folder, in place of the settings'.")] = None,
    new: Annotated[bool, typer.Option("--new", help="Begin anew, also where one was left open.")] = False,
    report: Annotated[bool, typer.Option("--report", help="Only write the report of the newest one, as far as it is.")] = False,
) -> None:
    """Find out how this line is heard: normal traffic, calls by people who are named, and one report to sign."""
    from listener.settings import Settings, read_settings
    from listener.site.acceptance.session import sessions

    settings = read_settings(config) if config else Settings()
    own, station = _channel(settings, channel), folder or settings.watch.state_folder
    if report:
        mine = [one for one in sessions(station) if one.begun.channel == own.name]
        if not mine:
            raise UsageError(f"{station}: no acceptance of channel {own.name!r} was begun there")
        _tell(mine[-1])
        return
    if recordings is not None:
        raise typer.Exit(_from_recordings(settings, own, station, recordings, new))
    names = tuple(dict.fromkeys(name.strip() for name in people.split(",") if name.strip()))
    if names and not sys.stdin.isatty():
        raise UsageError("--people: calls need somebody who presses Enter: run it on a terminal")
    _live(settings, own, station, hours, names, calls, new)


def _live(
    settings: "Settings", own: "ChannelSettings", station: Path, hours: float, people: tuple[str, ...], calls: int, new: bool
) -> None:
    from listener.errors import UserError
    from listener.site.acceptance.begin import begun_or_open
    from listener.site.acceptance.guide import Guide, Typed, Wish, opened
    from listener.site.acceptance.live import LiveLine
    from listener.speech.engines import load_engine

    engine = load_engine(settings)
    line = LiveLine(settings, own, engine)
    try:
        opened(line)
        session = begun_or_open(station, settings, own, engine, "live", line.source, new)
        print(f"{own.name}: {line.source}; kept in {session.folder}", file=sys.stderr)
        try:
            Guide(session, line, Wish(hours, people, calls), Typed(), _say).run()
        except KeyboardInterrupt:
            raise UserError(
                f"{session.folder}: stopped; what was heard is kept: run the same command again and it goes on"
            ) from None
    finally:
        line.stop()
    _tell(session)


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _channel(settings: "Settings", name: str | None) -> "ChannelSettings":
    own = settings.watch.channels
    names = ", ".join(channel.name for channel in own)
    if name is None and len(own) > 1:
        raise UsageError(f"the settings have several channels ({names}): name one with --channel")
    for channel in own:
        if name is None or channel.name.casefold() == name.casefold():
            return channel
    raise UsageError(f"--channel {name}: the settings have {names}")


def _from_recordings(
    settings: "Settings", own: "ChannelSettings", station: Path, recordings: Path, new: bool
) -> int:
    """Hear what is not heard yet; 1 if a file was bad, else 0."""
    from listener.errors import UserError
    from listener.site.acceptance.begin import begun_or_open
    from listener.site.acceptance.recorded import fingerprint, hear_file, recorded_files
    from listener.site.acceptance.session import Ended, LeftOut, now_utc
    from listener.speech.engines import load_engine

    files = recorded_files(recordings, settings.phrases)
    engine = load_engine(settings)
    session = begun_or_open(station, settings, own, engine, "recordings", "recordings", new)
    status = 0
    try:
        for file, told in _shown(files):
            if any(part.sha256 == fingerprint(file) for part in session.parts):
                continue
            try:
                session.add(hear_file(file, settings, own.input, engine, told))
            except UserError as error:
                print(f"listener: {error}", file=sys.stderr)
                session.add(LeftOut(what=file.name, why=str(error).removeprefix(f"{file.path}: ")))
                status = max(status, error.status)
    except KeyboardInterrupt:
        raise UserError(
            f"{session.folder}: stopped; what was heard is kept: run the same command again and it goes on"
        ) from None
    session.add(Ended(utc=now_utc()))
    _tell(session)
    return status


def _shown(files: "list[RecordedFile]") -> "Iterator[tuple[RecordedFile, Callable[[float], None]]]":
    """Each file, with what is to be told of its seconds heard: a bar on a terminal, else a line when it begins."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    is_live = sys.stderr.isatty()
    with Progress(*columns, disable=not is_live, console=Console(stderr=True)) as bar:
        task = bar.add_task("", total=sum(file.seconds for file in files))
        for number, file in enumerate(files, 1):
            bar.update(task, description=f"{file.name} ({number} of {len(files)})")
            if not is_live:
                print(f"{file.name} ({number} of {len(files)})", file=sys.stderr, flush=True)
            yield file, partial(bar.advance, task)


def _tell(session: "Session") -> None:
    """Write the report, and say the most important of it."""
    from listener.site.acceptance.findings import findings
    from listener.site.acceptance.report import headline, recommendation, write_report

    found = findings(session)
    page = write_report(found)
    print(f"{session.begun.channel}: {headline(found)}")
    for line in recommendation(found):
        print(line)
    print(f"report: {page}")
