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
