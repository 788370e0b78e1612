"""Errors that a user can cause and mend. The exit status of a command is that of its worst error."""


class UserError(Exception):
    """One clear line that names the file, key or device and the remedy. Shown without a traceback."""

    status = 1
    """Exit status: 1 for a file or a device that is bad."""


class SettingsError(UserError):
    """A setting is wrong: the line names the file, the key, the value and what is allowed."""

    status = 2


class UsageError(UserError):
    """The command line asks for what cannot be: the line names the argument and what is allowed."""

    status = 2


# Python packages that come with an extra and not by default: their import name -> the extra.
EXTRAS = {
    "dpkt": "captures", "scipy": "drills", "matplotlib": "drills", "pocketsphinx": "sphinx", "vosk": "vosk", "polars": "study",
    "pyarrow": "study", "joblib": "study", "dask": "study", "distributed": "study",
}  # fmt: skip


def missing_extra(error: ModuleNotFoundError) -> str | None:
    """The one line that names the extra whose package is not installed; None if no extra has it."""
    package = (error.name or "").split(".")[0]
    if package not in EXTRAS:
        return None
    return f"{package} is not installed, which this needs: pip install 'launch-listener[{EXTRAS[package]}]'"
