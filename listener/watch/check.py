"""`listener watch --check`: everything once, before a shift."""

import time
from pathlib import Path

from listener.errors import UserError
from listener.keep.journal import JournalInUse
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.tell.tone import choose_output
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.proof import without_proof
from listener.watch.station import Station

_LONGEST_S = 30.0
_LISTEN_S = 3.0


def check_all(settings: Settings, folder: Path, load: LoadEngine = load_engine) -> int:
    """Start the station, wait until every channel listens, tell one line a check; 0 if all passed, else 1."""
    own = settings.watch
    results = [_check_tone(settings)]
    for words in without_proof(settings):
        results.append((False, f"proof: no sound file for {words!r}; name one in watch.proof.words"))
    quiet = own.model_copy(update={"tone": own.tone.model_copy(update={"enabled": False})})
    try:
        station = Station(settings.model_copy(update={"watch": quiet}), folder, load=load)
    except JournalInUse:
        raise UserError(
            f"{folder}: a watch is running there, and tells itself what --check would; to check anew, stop it first"
        ) from None
    try:
        ends_s = time.monotonic() + _LONGEST_S
        while time.monotonic() < ends_s and not all(_is_well(c) for c in station.snapshot().channels):
            station.tick()
        ends_s = time.monotonic() + _LISTEN_S
        while time.monotonic() < ends_s:
            station.tick()
        view = station.snapshot()
    finally:
        station.stop()
    results.append((not view.journal_trouble, f"journal: {view.journal_trouble or folder}"))
    for channel in view.channels:
        why = "; ".join(f"{b.code}: {b.detail}" for b in channel.because)
        level = f"level {channel.level_dbov:.0f} dBov, noise {channel.noise_dbov:.0f} dBov"
        proof = channel.proof_detail or "no proof test done"
        results.append((_is_well(channel), f"{channel.name}: {why or f'{channel.device}, {level}, {proof}'}"))
    for passed, line in results:
        print(f"{'ok  ' if passed else 'FAIL'}  {line}")
    return 0 if all(passed for passed, _ in results) else 1


def _is_well(channel: object) -> bool:
    return not channel.because and channel.proof_passed is not False  # type: ignore[attr-defined]


def _check_tone(settings: Settings) -> tuple[bool, str]:
    own = settings.watch
    if not own.tone.enabled:
        return True, "tone: off"
    try:
        choose_output(own.tone, [c.device for c in own.channels if c.file is None])
    except UserError as error:
        return False, str(error)
    return True, "tone: an output device is there; hear it with 'listener tone'"
