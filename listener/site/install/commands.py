"""`listener install`: settings, unit and folders for this computer, shown before they are written; `listener bundle`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from listener.errors import UsageError
from listener.tell import cautions

if TYPE_CHECKING:
    from listener.site.install.choose import Ask
    from listener.site.install.plan import Places, Plan

_SOURCE = (
    "The radio: a device as 'listener devices' writes it, rtp:ADDRESS:PORT, http://..., or default. Without it: listens, and "
    "takes the loudest input."
)
_SYSTEMD_RUNS = Path("/run/systemd/system")
"""There while systemd runs: sd_booted(3)."""


def register(app: typer.Typer) -> None:
    """Put `install` and `bundle` into the program."""
    app.command(epilog=cautions.HELP)(install)
    app.command()(bundle)


def install(
    source: Annotated[str | None, typer.Option(help=_SOURCE)] = None,
    input_number: Annotated[int, typer.Option("--input", min=1, max=32, help="Its input (stereo: 1 left, 2 right).")] = 1,
    speaker: Annotated[
        str | None, typer.Option(help="The tone's output as 'listener devices' writes it, default, or none.")
    ] = None,
    phrase: Annotated[str | None, typer.Option(help="What is called. Without it: suspend.")] = None,
    repeats: Annotated[int, typer.Option(min=1, max=5, help="How many times in a row make the call.")] = 3,
    port: Annotated[int | None, typer.Option(min=0, max=65_535, help="The watch page's port. Without it: 8765.")] = None,
    folder: Annotated[Path | None, typer.Option(help="Where journal and clips go.")] = None,
    name: Annotated[str, typer.Option(help="What people call this frequency.")] = "Launch",
    account: Annotated[
        str | None, typer.Option(help="For a unit of the whole computer (as root): the account that runs it.")
    ] = None,
    bundle: Annotated[Path | None, typer.Option(help="The offline bundle that this came from, to be noted.")] = None,
    unit: Annotated[
        bool | None, typer.Option("--unit/--no-unit", help="Write a unit for systemd. Without it: where systemd runs.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would be done.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Ask nothing: take what is given, and the usual for the rest.")] = False,
    remove: Annotated[bool, typer.Option("--remove", help="Take the installation away. Journal and clips stay.")] = False,
) -> None:
    """Install the watch on this computer: settings and a unit that starts it again after a restart."""
    from listener.events import times_text
    from listener.site.install import choose
    from listener.site.install.carry_out import check, check_not_installed
    from listener.site.install.carry_out import install as carry_out
    from listener.site.install.plan import Wanted, make_plan, places

    where = places(account is not None)
    if remove:
        here = where.record.exists() or account is not None
        _remove(where if here else places(is_system=True) if places(True).record.exists() else where, dry_run, yes)
        return
    check_not_installed(where)
    has_unit = _has_unit(unit)
    ask = _prompt if sys.stdin.isatty() and not yes else None
    device, number = _source(source, input_number, ask)
    output = _speaker(speaker, device, ask)
    usual = str(folder or _usual_folder(account))
    if ask:
        phrase = phrase or choose.until_understood(ask, "What is called? The word or words", "suspend", choose.phrase)
        port = port if port is not None else choose.until_understood(ask, "Port of the watch page", "8765", choose.port)
        folder = folder or choose.until_understood(ask, "Folder for journal and clips", usual, choose.folder)
    wanted = Wanted(
        source=device, input=number, speaker=output, phrase="suspend" if phrase is None else phrase, repeats=repeats,
        port=8765 if port is None else port, folder=Path(folder or usual).expanduser().absolute(), name=name,
        account=account or "", bundle=bundle or _own_bundle(), has_unit=has_unit,
    )  # fmt: skip
    plan = make_plan(wanted, where)
    check(plan)
    _show(plan)
    if dry_run:
        print("\nNothing was written (--dry-run).")
        return
    if ask and not typer.confirm("\nWrite these files?", default=True):
        print("Nothing was written.")
        raise typer.Exit(1)
    carry_out(plan)
    print("\nWritten. Now type" + (", and the watch runs from then on:" if has_unit else ":"))
    for line in plan.typed:
        print(f"    {line}")
    print(f"\nThen open http://127.0.0.1:{wanted.port}/ and have {wanted.phrase!r} said {times_text(repeats)} on the radio.")


def bundle(
    out: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.", show_default=False)],
    wheels: Annotated[
        Path, typer.Option(help="A folder that was filled by: pip wheel --wheel-dir FOLDER '.[drills]' pip", show_default=False)
    ],
    extra: Annotated[list[str], typer.Option(help="Which extras are to be installed.")] = ["drills"],  # noqa: B006
    debs: Annotated[Path | None, typer.Option(help="A folder with Debian packages to go along (libportaudio2).")] = None,
    model: Annotated[list[Path] | None, typer.Option(help="The folder of a further recogniser's model.")] = None,
) -> None:
    """Make a folder that installs the listener on a computer without a network: sh install.sh in it."""
    from listener.site.install.bundle import make_bundle

    size = make_bundle(out, wheels, extra, debs, model or [])
    print(f"{out}: {size / 1e6:.0f} MB; carry it over and type there:   sh install.sh")


def _has_unit(unit: bool | None) -> bool:
    if unit is None and not _SYSTEMD_RUNS.is_dir():
        raise UsageError("systemd does not run here: --no-unit writes the settings alone, --unit the unit as well")
    return unit is not False


def _source(source: str | None, number: int, ask: "Ask | None") -> tuple[str | int | None, int]:
    from listener.site.install.choose import source_by_level

    if source == "default":
        return None, number
    if source is not None:
        return (int(source) if source.isdecimal() else source), number
    found = source_by_level(ask)
    return found.offered.device, found.input


def _speaker(speaker: str | None, source: str | int | None, ask: "Ask | None") -> str | int | None:
    from listener.site.install.choose import speaker as ask_for_it

    if speaker is None:
        return ask_for_it(ask, source) if ask else None
    return None if speaker == "default" else int(speaker) if speaker.isdecimal() else speaker


def _prompt(question: str, usual: str) -> str:
    return str(typer.prompt(question, default=usual or None, err=True)).strip()


def _usual_folder(account: str | None) -> Path:
    from listener.settings import Settings

    return Path("/var/lib/launch-listener") if account else Settings().watch.state_folder


def _own_bundle() -> Path | None:
    """The bundle that this installation says it came from: its script notes that beside the program."""
    try:
        return Path((Path(sys.prefix) / "bundle-folder").read_text(encoding="utf-8").strip())
    except (OSError, ValueError):
        return None


def _show(plan: "Plan") -> None:
    """What will be done, before it is."""
    from listener.events import times_text

    wanted = plan.wanted
    where = "the default input" if wanted.source is None else f"{wanted.source}, input {wanted.input}"
    tone = {None: "the default output", "none": "nothing: no tone"}.get(wanted.speaker, wanted.speaker)  # type: ignore[arg-type]
    print(f"Listen to:  {where}, as {wanted.name!r}")
    print(f"Call:       {wanted.phrase!r}, {times_text(wanted.repeats)}")
    print(f"Tone on:    {tone}")
    print(f"Journal in: {wanted.folder} (kept for good)")
    print(f"Page:       http://127.0.0.1:{wanted.port}/")
    print(f"Bundle:     {wanted.bundle or 'none: installed from the network or by hand'}")
    for file in plan.files:
        print(f"\n+ {file.path}   {file.what}")
        for line in file.text.splitlines():
            print(f"    {line}")
    print(f"\n+ {plan.places.record}   what was installed, for --remove")
    for warning in plan.warnings:
        print(f"! {warning}")


def _remove(where: "Places", dry_run: bool, yes: bool) -> None:
    from listener.site.install.carry_out import installed, remove, what_remains

    record = installed(where)
    same, changed = what_remains(record)
    for path in same:
        print(f"- {path}")
    for path in changed:
        print(f"  {path}   stays: it was changed since")
    print(f"  {record.station}   stays: journal and clips")
    if record.typed_to_stop:
        print("\nFirst type, so that nothing runs any more:")
        for line in record.typed_to_stop:
            print(f"    {line}")
    if dry_run:
        print("\nNothing was removed (--dry-run).")
        return
    if sys.stdin.isatty() and not yes and not typer.confirm("\nDone? Remove these files?", default=False):
        print("Nothing was removed.")
        raise typer.Exit(1)
    remove(where)
    print("\nRemoved.")
