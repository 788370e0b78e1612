"""What an installation is: what was chosen, which files follow from it, and what a person types afterwards."""

import os
import pwd
import re
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml

from listener import __version__
from listener.errors import UsageError
from listener.settings import Settings, settings_from
from listener.site.install.unit import unit_text
from listener.speech.pronounce import unknown_words
from listener.tell import cautions
from listener.watch.proof import without_proof

UNIT = "launch-listener.service"
SETTINGS = "station.yaml"
RECORD = "installed.json"
RULES = "70-launch-listener.rules"
_KEPT_LOG = "200M"
_USB = re.compile(r"\busb ([0-9a-f]{4}):([0-9a-f]{4})\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for. source: a device as `listener devices` writes it, "rtp:ADDRESS:PORT" or an http address; None: the
    default input. speaker: the tone's output, None: the default, "none": no tone. account: for a system unit, who runs it.
    """

    source: str | int | None
    input: int
    speaker: str | int | None
    phrase: str
    repeats: int
    port: int
    folder: Path
    name: str = "Launch"
    account: str = ""
    bundle: Path | None = None
    has_unit: bool = True

    @property
    def is_system(self) -> bool:
        """It is for the whole computer, not for one person's session."""
        return bool(self.account)


@dataclass(frozen=True, slots=True)
class Places:
    """Where things go. Made by `places`; tests give others."""

    settings: Path
    units: Path
    udev: Path | None
    journald: Path | None

    @property
    def record(self) -> Path:
        """What was installed, for --remove."""
        return self.settings / RECORD


def places(is_system: bool) -> Places:
    """Of the whole computer, or of this person (XDG Base Directory)."""
    if is_system:
        etc = Path("/etc")
        return Places(etc / "launch-listener", etc / "systemd/system", etc / "udev/rules.d", etc / "systemd")
    base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return Places(base / "launch-listener", base / "systemd" / "user", None, None)


@dataclass(frozen=True, slots=True)
class File:
    """A file to write, and what it is for."""

    path: Path
    text: str
    what: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All that will be done. files: to write; warnings: what is not as it should be; typed: what a person types then."""

    wanted: Wanted
    places: Places
    settings: Settings
    files: tuple[File, ...]
    warnings: tuple[str, ...]
    typed: tuple[str, ...]


def make_plan(wanted: Wanted, where: Places, listener: list[str] | None = None) -> Plan:
    """From what is wanted. listener: the command line of this program. Raises SettingsError, UsageError."""
    values = settings_values(wanted)
    settings = settings_from(values, "what was asked for")
    listener = listener or this_program()
    files = [File(where.settings / SETTINGS, _settings_text(values), "the settings: change them as you like")]
    if wanted.has_unit:
        text = unit_text(listener, where.settings / SETTINGS, wanted.account)
        files.append(File(where.units / UNIT, text, "the unit that keeps the watch running, also after a restart"))
    if where.journald and wanted.has_unit:
        files.append(File(where.journald / "journald@launch-listener.conf", _JOURNALD, f"its log: {_KEPT_LOG}B at most"))
    rule = _udev_rule(wanted.source)
    if rule:
        files.append(File((where.udev or where.settings) / RULES, rule, "keeps the USB sound device awake"))
    warnings, typed = _warnings(wanted, settings), _typed(wanted, where, bool(rule))
    return Plan(wanted, where, settings, tuple(files), tuple(warnings), tuple(typed))


def this_program() -> list[str]:
    """The command line by which this very installation is started."""
    command = Path(sys.prefix) / "bin" / "listener"
    return [str(command)] if command.is_file() else [sys.executable, "-m", "listener"]


def settings_values(wanted: Wanted) -> dict[str, Any]:
    """The settings as plain values."""
    channel: dict[str, Any] = {"name": wanted.name}
    source = str(wanted.source) if wanted.source is not None else ""
    if source.startswith("rtp:"):
        address, _, port = source[4:].rpartition(":")
        if not port.isdecimal():
            raise UsageError(f"--source {source}: write it as rtp:ADDRESS:PORT")
        channel["rtp"] = {"address": address.strip("[]"), "port": int(port)}
    elif source.startswith(("http://", "https://")):
        channel["url"] = source
    elif source:
        channel["device"] = wanted.source
    channel["input"] = wanted.input
    tone: dict[str, Any] = {"enabled": False} if wanted.speaker == "none" else {}
    if wanted.speaker not in (None, "none"):
        tone["device"] = wanted.speaker
    watch: dict[str, Any] = {"channels": [channel], "folder": str(wanted.folder), "page": {"port": wanted.port}}
    if tone:
        watch["tone"] = tone
    return {"phrases": [{"words": wanted.phrase, "repeats": wanted.repeats}], "watch": watch}


def _settings_text(values: dict[str, Any]) -> str:
    says = "".join(f"# {line}\n" for line in cautions.ALL)
    return (
        f"# Written by 'listener install' {__version__}, {datetime.now(UTC):%Y-%m-%d}. Change it as you like.\n"
        f"# What more can be set: listener config --schema. Check it with: listener config FILE\n#\n{says}\n"
        + yaml.safe_dump(values, sort_keys=False, allow_unicode=True)
    )


_JOURNALD = f"""\
# The launch listener's log has a space of its own: this much is kept, and nothing older than this.
[Journal]
SystemMaxUse={_KEPT_LOG}
MaxRetentionSec=90day
"""


def _udev_rule(source: str | int | None) -> str:
    """Against USB autosuspend, for a card whose USB id its name tells; empty for others.

    ATTR power/control "on": Linux kernel documentation, "Power Management for USB".
    """
    found = _USB.search(str(source))
    if not found:
        return ""
    vendor, product = found[1].lower(), found[2].lower()
    return (
        "# A sound device that the kernel has put to sleep loses the first part of a call.\n"
        f'ACTION=="add", SUBSYSTEM=="usb", ATTR{{idVendor}}=="{vendor}", ATTR{{idProduct}}=="{product}", '
        'TEST=="power/control", ATTR{power/control}="on"\n'
    )


def _warnings(wanted: Wanted, settings: Settings) -> list[str]:
    found = [
        f"{word!r} is not in the pronouncing dictionary: the watch does not start before it is spelled (pronounce, in the "
        "settings) or learnt from takes (listener voices)"
        for word in unknown_words((phrase.words for phrase in settings.phrases), settings.pronounce)
    ]
    found += [
        f"{words!r} cannot be proved, and the watch will say so: name a sound file with it in watch.proof.words, or let "
        "'listener voices' make one"
        for words in without_proof(settings)
    ]
    if str(wanted.source).isdecimal():
        found.append(f"device {wanted.source} is a number, which may mean another device after a restart: name it in full")
    if settings.watch.channels[0].is_card and not has_portaudio():
        found.append("PortAudio was not found: without it the watch is BLIND (Debian: apt install libportaudio2)")
    if wanted.source is None:
        found.append("no source is named: the default input is listened to, whatever it is")
    if wanted.speaker is None:
        found.append("no speaker is named: the tone goes to the default output, and stays silent where that is listened to")
    return found


def _typed(wanted: Wanted, where: Places, has_rule: bool) -> list[str]:
    """What is to be typed, in order."""
    if not wanted.has_unit:
        return [f"{' '.join(this_program())} watch --config {where.settings / SETTINGS}"]
    if wanted.is_system:
        return ["systemctl daemon-reload", "systemctl enable --now launch-listener"]
    rule = [f"sudo cp {where.settings / RULES} /etc/udev/rules.d/"] if has_rule else []
    # Debian without polkit refuses a person their own linger, and the watch would then end with the session.
    linger = "sudo loginctl enable-linger $USER"
    return [*rule, linger, "systemctl --user daemon-reload", "systemctl --user enable --now launch-listener"]


def has_portaudio(roots: tuple[Path, ...] = (Path("/usr/lib"), Path("/usr/local/lib"))) -> bool:
    """Whether its library lies where Debian and others put it. Loading it would already write into the person's home."""
    return any(found for root in roots for pattern in ("", "*/") for found in root.glob(f"{pattern}libportaudio.so*"))


def account_ids(account: str) -> tuple[int, int]:
    """Its user and group numbers. Raises UsageError for an account that is not there."""
    try:
        entry = pwd.getpwnam(account)
    except (KeyError, ValueError):
        raise UsageError(f"--account {account}: there is no such account; make it with: adduser --system {account}") from None
    return entry.pw_uid, entry.pw_gid
