"""A drill played as if it were live: the station hears its recordings, and people answer on its display.

What they acknowledge or tick off there goes to a journal, and from there into a copy of the drill as
human actions. The drill's own file is never changed. Played without alerts, what the machine hears is
journalled as ever and nobody is told; whoever hears a call by ear says so.
"""

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import soundfile

from listener.drill.check import Sound
from listener.drill.script import Action, Drill
from listener.errors import UserError
from listener.keep.records import Query, Records
from listener.keep.row import Row
from listener.settings import Settings
from listener.sound.files import open_recording
from listener.speech.engines import load_engine
from listener.watch.page.actions import NOBODY
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.station import Station

_SETTLE_S = 3.0
_SAME_S = 0.3
_LINE_DBOV = -66.0
UNNAMED = ("", "console", NOBODY)
"""Who the displays say it was when nobody gave a name."""


@dataclass(frozen=True, slots=True)
class Stage:
    """What the station hears: a file and its input (from 1) for each track, and all they last."""

    files: tuple[tuple[str, Path, int], ...]
    start_s: float
    length_s: float


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """How a drill is played.

    speed: 1 is real time. who: sits at the console, where nobody gives a name. wait_s: how long after the end of the sound
    open alerts may still be acknowledged. tone: whether an alert sounds. plain: lines in place of a screen, also on a
    terminal. page: whether the watch page is served. alerts: whether the machine's alerts are shown.
    """

    speed: float = 1.0
    who: str = "trainee"
    wait_s: float = 15.0
    tone: bool = True
    plain: bool = False
    page: bool = True
    alerts: bool = True


def prepare(sounds: list[Sound], folder: Path, lead_s: float = 10.0) -> Stage:
    """Bring the tracks to one start, lead_s of a quiet line before them: time to load, and to sit down.

    The time before a recorder was started is silence, so that the display says it is blind then, as it
    would be. Tracks that need neither are played as they are; the others are copied into the folder.
    """
    start_s = min(sound.start_s for sound in sounds)
    files = []
    for number, sound in enumerate(sounds):
        path, own_input = sound.path, sound.channel + 1
        if lead_s or sound.start_s - start_s > 0.001:
            path, own_input = folder / f"track_{number + 1}.flac", 1
            folder.mkdir(parents=True, exist_ok=True)
            _copy(sound, path, lead_s, sound.start_s - start_s)
        files.append((sound.track.name[:24], path.resolve(), own_input))
    return Stage(tuple(files), start_s - lead_s, max(sound.end_s for sound in sounds) - start_s + lead_s)


def _copy(sound: Sound, path: Path, lead_s: float, silent_s: float) -> None:
    """The track after a quiet line and a silence."""
    hiss = np.random.default_rng(0).normal(0.0, 10 ** (_LINE_DBOV / 20), round(lead_s * sound.rate_hz))
    try:
        with (
            soundfile.SoundFile(path, "w", sound.rate_hz, 1, "PCM_24") as out,
            open_recording(sound.path) as recording,
        ):
            out.write(hiss.astype(np.float32))
            out.write(np.zeros(round(silent_s * sound.rate_hz), np.float32))
            for block in recording.blocks():
                out.write(block[:, sound.channel])
    except (soundfile.LibsndfileError, OSError) as error:
        raise UserError(f"{path}: cannot be written: {error}; make room, or name another place with --out") from None


def station_settings(settings: Settings, stage: Stage) -> Settings:
    """The drill's settings with its tracks in place of the radios."""
    channels = [{"name": name, "file": path, "input": number} for name, path, number in stage.files]
    watch = {**settings.watch.model_dump(), "channels": channels}
    return Settings.model_validate({**dict(settings), "watch": watch})


def with_steps(settings: Settings, drill: Drill) -> Settings:
    """The settings, with the steps that the drill expects to tick off where they name none."""
    if settings.watch.steps:
        return settings
    steps = {
        step.what.casefold(): {"name": step.what[:60], "within_s": step.within_s if (step.within_s or 0) > 0 else None}
        for step in drill.expected
    }
    watch = {**settings.watch.model_dump(), "steps": list(steps.values())[:12]}
    return Settings.model_validate({**dict(settings), "watch": watch})


def play(
    settings: Settings,
    stage: Stage,
    folder: Path,
    options: PlayOptions,
    show: Callable[[Station, threading.Event], Callable[[], None]],
    load: LoadEngine = load_engine,
) -> list[Row]:
    """Play the stage into a station of its own and give the journal's rows of this time.

    show(station, ended) opens the display and gives what closes it; setting `ended` ends the play.
    """
    drill = "shown" if options.alerts else "hidden"
    station = Station(station_settings(settings, stage), folder, None, load, speed=options.speed, rounds=1, drill=drill)
    first_id = station.cursor
    ended = threading.Event()
    over = _Over(station, stage, options.wait_s)
    close = show(station, ended)

    def each_tick(now_s: float) -> None:
        if over.at(now_s):
            ended.set()

    try:
        station.run(ended, each_tick)
    finally:
        close()
    records = Records(folder)
    try:
        return list(records.rows(Query(after_id=first_id)))
    finally:
        records.close()


class _Over:
    """When the play is over: all sound is out and heard, and nothing is open, or the wait is over."""

    def __init__(self, station: Station, stage: Stage, wait_s: float) -> None:
        self._station, self._wait_s = station, wait_s
        self._frames = [_length_s(path) for _, path, _ in stage.files]
        self._out_s: float | None = None

    def at(self, now_s: float) -> bool:
        rings = [channel.capture.ring for channel in self._station.channels]
        out = all(r and r.written / r.rate_hz >= s - 0.01 for r, s in zip(rings, self._frames))
        if not out:
            return False
        if self._out_s is None:
            self._out_s = now_s
        view = self._station.snapshot()
        followed = any(len(call.steps) < len(view.steps) for channel in view.channels for call in channel.open_calls)
        waiting = followed or any(channel.unacknowledged or channel.behind_s > 0.5 for channel in view.channels)
        return now_s - self._out_s > (max(self._wait_s, _SETTLE_S) if waiting else _SETTLE_S)


def _length_s(path: Path) -> float:
    with open_recording(path) as recording:
        return recording.frames / recording.rate_hz


def actions_of(rows: Iterable[Row], stage: Stage, who: str) -> list[Action]:
    """What people did on the display, as actions on the drill's clock. who: whoever sat at the console.

    An alert's row bears the time at which its last word came in, so a person's delay from there is
    wall-clock time, at any speed of play. A call heard by ear lies where its sound had come to. Steps are as they were
    left: one that was taken back is none, and one that was told to be at another time lies there. One key press that
    acknowledges two channels is one action.
    """
    calls: dict[int, tuple[datetime, float, float]] = {}  # when it ended by the clock, and in the drill; when it began there
    actions: list[Action] = []
    steps: dict[tuple[int, str], Action] = {}
    for row in rows:
        if row.kind == "alert":
            began_s = stage.start_s + row.body.get("start_s", row.body["end_s"])
            calls[row.id] = datetime.fromisoformat(row.utc), stage.start_s + row.body["end_s"], began_s
        if row.kind == "by_ear":
            at_s = stage.start_s + row.body["stream_s"]
            calls[row.id] = datetime.fromisoformat(row.utc), at_s, -1e9
            actions.append(_action(row, "acknowledged", at_s, who))
        if row.about not in calls:
            continue
        utc, call_s, began_s = calls[row.about]
        after_s = (datetime.fromisoformat(row.utc) - utc).total_seconds()
        if row.kind == "acknowledge":
            action = _action(row, "acknowledged", call_s + after_s, who)
            if not any((a.who, a.what) == (action.who, action.what) and abs(a.at_s - action.at_s) < _SAME_S for a in actions):
                actions.append(action)
        if row.kind == "resolve" and row.body["as"]:
            steps[row.about, ""] = _action(row, row.body["as"], call_s + after_s, who)
        if row.kind == "step":
            name = str(row.body.get("step") or "ticked a step")
            if row.body.get("done", True):
                since_s = row.body["since_call_s"] if row.body.get("told") else after_s
                step = _action(row, name, call_s + since_s, who)
                steps[row.about, name] = step.model_copy(update={"before": step.at_s < began_s})
            else:
                steps.pop((row.about, name), None)
    return sorted([*actions, *steps.values()], key=lambda action: action.at_s)


def _action(row: Row, what: str, at_s: float, who: str) -> Action:
    name = str(row.body.get("who") or "")
    return Action(who=who if name in UNNAMED else name, what=what, at_s=round(at_s, 3))


def played_drill(drill: Drill, actions: list[Action], speed: float, alerts: bool = True) -> Drill:
    """The drill with what people did while it was played. alerts: whether the machine's were shown."""
    note = f"Played at x{speed:g}{'' if alerts else ' without alerts'}: what was done on the display is among the actions."
    told = {"alerts": "shown" if alerts else "hidden", "notes": f"{drill.notes}\n{note}".strip()}
    return drill.model_copy(update={"actions": (*drill.actions, *actions), **told})
