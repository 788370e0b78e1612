"""The commands. Thin: each reads its arguments and calls what does the work."""

import sys

import typer

from listener.errors import SettingsError, UserError

app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)


@app.callback()
def about() -> None:
    """An advisory second listener for a spoken abort call. It tells people; it moves nothing."""


def main() -> None:
    """The console script. Errors a user can cause end in one line: status 2 for settings, else 1."""
    try:
        app()
    except UserError as error:
        print(f"listener: {error}", file=sys.stderr)
        sys.exit(2 if isinstance(error, SettingsError) else 1)
