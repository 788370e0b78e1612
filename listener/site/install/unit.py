"""The unit for systemd: one text, checked by `systemd-analyze verify` in the tests.

Sources: systemd.unit(5), systemd.service(5) (with the quoting of command lines), systemd.exec(5).
"""

from pathlib import Path

from listener.errors import UsageError

_UNIT = """\
# Written by 'listener install'. Advisory and not certified; 'listener install --remove' takes it away.
[Unit]
Description=Second listener on the launch frequency (advisory)
{after}

[Service]
Type=notify
NotifyAccess=main
WatchdogSec=10
{account}ExecStartPre={listener} config {settings}
ExecStart={listener} watch --config {settings} --plain
KillMode=mixed
TimeoutStartSec=120
TimeoutStopSec=20
Restart=always
RestartSec=1
UMask=0077
NoNewPrivileges=yes

[Install]
WantedBy={wanted_by}
"""
_AFTER_USER = "After=sound.target pipewire-pulse.service pulseaudio.service\nWants=pipewire-pulse.socket pulseaudio.socket"


def unit_text(listener: list[str], settings: Path, account: str = "") -> str:
    """The unit. listener: this program's command line; account: who runs a system unit, empty for a person's own.

    Raises UsageError for a path that no unit can hold.
    """
    return _UNIT.format(
        after="After=sound.target network.target" if account else _AFTER_USER,
        account=f"User={account}\nSupplementaryGroups=audio\nLogNamespace=launch-listener\n" if account else "",
        listener=" ".join(quoted(word) for word in listener),
        settings=quoted(str(settings)),
        wanted_by="multi-user.target" if account else "default.target",
    )


def quoted(word: str) -> str:
    """A word of a command line, so that systemd takes it as it is.

    Raises UsageError for signs that it does not take in a program's name, however they are quoted.

    >>> quoted("/opt/listener"), quoted("/home/a b/100%")
    ('/opt/listener', '"/home/a b/100%%"')
    """
    if not word.isprintable() or set(word) & set("\"'\\$"):
        raise UsageError(f"{word!r}: a unit cannot hold such a path; install in a folder with a plain name")
    word = word.replace("%", "%%")
    is_plain = all(c.isalnum() or c in "/._-+@:" for c in word)
    return word if is_plain else f'"{word}"'
