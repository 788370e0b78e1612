"""The journal's commands: print, filter, export, check; a folder for an investigation, and checking that."""

import sys
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from listener.errors import UsageError

if TYPE_CHECKING:
    from listener.keep.records import Records

app = typer.Typer(invoke_without_command=True, no_args_is_help=False)

ConfigFile = Annotated[Path | None, typer.Option(help="Settings file (YAML). Without it: suspend, three times.")]
Folder = Annotated[Path | None, typer.Option(help="Folder of journal and clips, in place of the settings'.")]


@app.callback()
def journal(
    context: typer.Context,
    config: ConfigFile = None,
    folder: Folder = None,
    since: Annotated[str | None, typer.Option(help="From this day or time (UTC) on.")] = None,
    until: Annotated[str | None, typer.Option(help="Up to this day or time (UTC).")] = None,
    kind: Annotated[list[str] | None, typer.Option(help="Only rows of this kind; may be repeated.")] = None,
    channel: Annotated[str | None, typer.Option(help="Only this channel.")] = None,
    text: Annotated[str | None, typer.Option(help="Only rows that hold this text.")] = None,
    last: Annotated[int | None, typer.Option(help="Only the last so many.", min=1)] = None,
    format: Annotated[str, typer.Option(help="lines, csv or jsonl.")] = "lines",
    check: Annotated[bool, typer.Option("--check", help="Check that nothing was damaged or changed.")] = False,
) -> None:
    """Print, filter, export or check the journal."""
    if context.invoked_subcommand:
        return
    from listener.keep.records import Query, as_csv, as_json_lines, when
    from listener.keep.row import KINDS
    from listener.watch.show.picture import plain_line

    records = _records(config, folder)
    if check:
        raise typer.Exit(_check(records))
    for one in kind or ():
        if one not in KINDS:
            raise UsageError(f"--kind {one}: no such kind; choose from {', '.join(KINDS)}")
    query = Query(
        since=when(since) if since else None, until=when(until, end=True) if until else None, kinds=tuple(kind or ()),
        channel=channel, text=text, limit=last, newest_first=last is not None,
    )  # fmt: skip
    rows = records.rows(query)
    if last is not None:
        rows = iter(list(rows)[::-1])
    printers = {"lines": lambda rows: map(plain_line, rows), "csv": as_csv, "jsonl": as_json_lines}
    if format not in printers:
        raise UsageError(f"--format {format}: must be lines, csv or jsonl")
    first = next(rows, None)
    if first is None:
        print("no rows like that", file=sys.stderr)
    for line in printers[format](rows if first is None else chain([first], rows)):
        print(line)


@app.command()
def bundle(
    call: Annotated[int, typer.Argument(help="The call: its row's number, as the journal prints it.", show_default=False)],
    out: Annotated[Path, typer.Option(help="The folder to make.", show_default=False)],
    config: ConfigFile = None,
    folder: Folder = None,
) -> None:
    """Write one folder for an investigation: rows, clips, settings, versions, checksums."""
    from listener.keep.bundle import make_bundle

    records = _records(config, folder)
    rows = make_bundle(records, call, out)
    print(f"{out}: call {call}, {rows} rows; 'listener journal verify {out}' checks it")


@app.command()
def verify(
    folder: Annotated[Path, typer.Argument(help="A folder that 'listener journal bundle' made.", show_default=False)],
) -> None:
    """Check such a folder: files, checksums, and the chain through its rows."""
    from listener.keep.bundle import verify_bundle

    found = verify_bundle(folder)
    for line in found:
        print(line)
    print("nothing wrong found" if not found else f"{len(found)} things wrong")
    raise typer.Exit(1 if found else 0)


def _check(records: "Records") -> int:
    found, unproved = records.check(), records.cannot_show()
    for line in found:
        print(line)
    for line in unproved:
        print(f"cannot be proved: {line}")
    verdict = f"{len(found)} things wrong" if found else "nothing wrong found" if unproved else "nothing wrong"
    print(f"{records.count()} rows, {verdict}; head: {records.head() or 'none'}")
    return 1 if found else 0


def _records(config: Path | None, folder: Path | None) -> "Records":
    from listener.keep.records import Records
    from listener.settings import Settings, read_settings

    settings = read_settings(config) if config else Settings()
    return Records(folder or settings.watch.state_folder)
