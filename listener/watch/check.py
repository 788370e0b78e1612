"""`listener watch --check`: everything once, before a shift."""

import sys
import time
from pathlib import Path

from listener.errors import UserError
from listener.keep.journal import JournalInUse
from listener.settings import Settings
from listener.sound.outputs import find_output
from listener.watch.proof import without_proof
from listener.watch.state import ChannelView, StationView
from listener.watch.station import Station

_LONGER_S = 20.0  # for each further channel: recognisers load one after another
_STEADY_S = 2.0  # well this long without a break: a dead line takes a moment to show


def check_all(settings: Settings, folder: Path, longest_s: float = 60.0) -> int:
    """Start the station, wait until every channel listens, tell one line a check; 0 if all passed, else 1.

    Waits for each channel to listen with its proof test passed, longest_s for the first and 20 s more for each
    further one; what is waited for goes to stderr.
    """
    own = settings.watch
    results = [_check_tone(settings)]
    for words in without_proof(settings):
        results.append((False, f"proof: no sound file for {words!r}; name one in watch.proof.words"))
    quiet = own.model_copy(update={"tone": own.tone.model_copy(update={"enabled": False})})
    try:
        station = Station(settings.model_copy(update={"watch": quiet}), folder)
    except JournalInUse:
        raise UserError(
            f"{folder}: a watch is running there, and tells itself what --check would; to check anew, stop it first"
        ) from None
    try:
        view = _wait_until_well(station, longest_s)
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
    print(f"note  {view.acceptance}")  # old or changed is for people to judge
    return 0 if all(passed for passed, _ in results) else 1


def _wait_until_well(station: Station, longest_s: float) -> StationView:
    """Until every channel has been well for a while, or the time is over."""
    now_s = time.monotonic()
    ends_s = now_s + longest_s + _LONGER_S * (len(station.channels) - 1)
    well_since_s: float | None = None
    told: dict[str, tuple[str, ...]] = {}
    while now_s < ends_s and (well_since_s is None or now_s - well_since_s < _STEADY_S):
        station.tick()
        now_s, view = time.monotonic(), station.snapshot()
        for channel in view.channels:
            codes = tuple(b.code for b in channel.because)
            if told.get(channel.name) != codes:
                told[channel.name] = codes
                why = "; ".join(b.detail for b in channel.because) or "listening"
                print(f"...   {channel.name}: {why}", file=sys.stderr, flush=True)
        if not all(_is_well(channel) for channel in view.channels):
            well_since_s = None
        elif well_since_s is None:
            well_since_s = now_s
    return station.snapshot()


def _is_well(channel: ChannelView) -> bool:
    """Listening now, and a known call was found if there is one to play (phrases without are told on their own)."""
    return channel.hearing


def _check_tone(settings: Settings) -> tuple[bool, str]:
    own = settings.watch
    if not own.tone.enabled:
        return True, "tone: off"
    try:
        output = find_output(own.tone, [c.device for c in own.channels if c.is_card])
    except UserError as error:
        return False, str(error)
    return True, f"tone: {output.name} is there; hear it with 'listener tone'"
