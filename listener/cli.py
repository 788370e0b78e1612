"""The commands. Thin: each reads its arguments and calls what does the work."""

import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from listener import __version__
from listener.drill import commands as drill_commands
from listener.errors import UserError, missing_extra
from listener.site import phrase_commands, voices_commands
from listener.site.acceptance import commands as acceptance_commands
from listener.site.install import commands as install_commands
from listener.study import commands as study_commands
from listener.tell import cautions
from listener.watch import commands as watch_commands

if TYPE_CHECKING:
    from listener.settings import Settings

app = typer.Typer(no_args_is_help=True, pretty_exceptions_enable=False)

ConfigFile = Annotated[Path | None, typer.Option(help="Settings file (YAML). Without it: suspend, three times.")]


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"listener {__version__}")
        raise typer.Exit()


@app.callback(epilog=cautions.HELP)
def about(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    """An advisory second listener for a spoken abort call. It tells people; it moves nothing."""


@app.command()
def replay(
    audio: Annotated[list[Path], typer.Argument(help="Sound files, or packet captures (pcap, pcapng).", show_default=False)],
    config: ConfigFile = None,
    phrase: Annotated[list[str] | None, typer.Option(help="Listen for these words instead.")] = None,
    repeats: Annotated[int | None, typer.Option(help="How many times in a row make the call.")] = None,
    engine: Annotated[str | None, typer.Option(help="The recogniser: see 'listener models'.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Alerts as JSON lines on stdout.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="Also calls below the alert level.")] = False,
    paced: Annotated[bool, typer.Option("--paced", help="At the speed of the clock.")] = False,
    stream: Annotated[int | None, typer.Option(min=0, help="Of a packet capture, only the stream of this number.")] = None,
) -> None:
    """Listen to recordings and tell the calls in them."""
    from listener.replay.report import replay_files

    settings = _settings(config, phrase, repeats, engine)
    raise typer.Exit(replay_files(audio, settings, as_json, everything, paced, stream))


@app.command()
def send(
    file: Annotated[Path, typer.Argument(help="A sound file, or a drill (YAML).", show_default=False)],
    rtp: Annotated[str, typer.Option(help="Where to: ADDRESS:PORT.")] = "127.0.0.1:5004",
    codec: Annotated[str, typer.Option(help="PCMU, PCMA or L16/8000 to L16/32000.")] = "PCMU",
    ptt: Annotated[bool, typer.Option("--ptt", help="As a radio that tells its squelch and push-to-talk (ED-137).")] = False,
    recording: Annotated[str | None, typer.Option(help="Which of a drill's recordings, by its name.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Also to an address beyond this computer.")] = False,
) -> None:
    """For rehearsals: play a recording or a drill's as a radio on the network, for a watch that listens there."""
    from listener.drill.check import recording_named
    from listener.network.sender import send as play
    from listener.network.sender import where

    to = where(rtp, yes)
    sound, channel = recording_named(file, recording)
    seconds = play(sound, to, codec, ptt, channel)
    print(f"{seconds:.1f} s sent to {rtp}")


@app.command()
def config(
    file: Annotated[Path | None, typer.Argument(help="Settings file (YAML).")] = None,
    schema: Annotated[bool, typer.Option("--schema", help="Print the JSON Schema of the settings.")] = False,
) -> None:
    """Check a settings file and print what results."""
    import json

    import yaml

    from listener.settings import Settings, read_settings

    if schema:
        print(json.dumps(Settings.model_json_schema(), indent=2, allow_nan=False))
        return
    settings = read_settings(file) if file else Settings()
    print(yaml.safe_dump(settings.model_dump(mode="json"), sort_keys=False, allow_unicode=True), end="")


@app.command()
def models(config: ConfigFile = None) -> None:
    """List the recognisers and whether each can be used with these settings."""
    from listener.replay.report import print_engines
    from listener.settings import Settings, read_settings

    print_engines(read_settings(config) if config else Settings())


watch_commands.register(app)
drill_commands.register(app)
phrase_commands.register(app)
voices_commands.register(app)
acceptance_commands.register(app)
install_commands.register(app)
app.add_typer(study_commands.app, name="study")


def _settings(config: Path | None, phrases: list[str] | None, repeats: int | None, engine: str | None) -> "Settings":
    """The file's settings with the command line's on top."""
    from listener.settings import Settings, read_settings, settings_from

    base = read_settings(config) if config else Settings()
    data = dict(base)
    if phrases:
        data["phrases"] = [{**dict(base.phrases[0]), "words": words} for words in phrases]
    if repeats is not None:
        data["phrases"] = [{**dict(p), "repeats": repeats} for p in data["phrases"]]
    if engine is not None:
        data["engine"] = engine
    return settings_from(data, where="command line")


def main() -> None:
    """The console script. Errors a user can cause end in one line and in their status: 2 for usage and settings, else 1."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # file names may hold bytes that are no text
    try:
        app()
    except UserError as error:
        print(f"listener: {error}", file=sys.stderr)
        sys.exit(error.status)
    except ModuleNotFoundError as error:
        line = missing_extra(error)
        if line is None:
            raise
        print(f"listener: {line}", file=sys.stderr)
        sys.exit(2)
    except BrokenPipeError:
        # The reader of our stdout has gone (as with head): nothing more to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
