"""Errors that a user can cause and mend."""


class UserError(Exception):
    """One clear line that names the file, key or device and the remedy. Shown without a traceback."""


class SettingsError(UserError):
    """A setting is wrong: the line names the file, the key, the value and what is allowed."""
