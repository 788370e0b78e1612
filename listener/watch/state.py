"""What people are shown: each channel in exactly one state, and everything beside it as frozen values."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from listener.events import Answer
from listener.watch.health import Reason


class State(StrEnum):
    """A channel is always in exactly one of these."""

    LISTENING = "LISTENING"
    PARTLY_HEARD = "PARTLY HEARD"
    CALL_HEARD = "CALL HEARD"
    BLIND = "BLIND"


@dataclass(frozen=True, slots=True)
class Step:
    """One of the unit's own steps after a call. within_s: so soon after its end it is meant to be done, if that is set."""

    name: str
    within_s: float | None = None


@dataclass(frozen=True, slots=True)
class StepDone:
    """A step that somebody did. since_call_s: from the end of the call's last word; below zero, before it."""

    name: str
    who: str
    since_call_s: float


@dataclass(frozen=True, slots=True)
class Shown:
    """A call as shown: the journal row's id, when its last word ended, and what is known of it.

    kind: alert, partly_heard, or by_ear for a call that a person heard in a drill without alerts. end_s is in stream
    seconds. acknowledged_by: empty until a person did. steps: what people did after it, in the order
    in which they said so. resolved_as, resolved_by: empty until a person said that the call has ended, and how.
    position, caller: what was heard of them around it.
    """

    id: int
    kind: str
    utc: str
    unix_s: float
    phrase: str
    repeats: int
    words_heard: int
    confidence: float
    start_s: float
    end_s: float
    delay_s: float
    acknowledged_by: str = ""
    chance_per_h: float | None = None
    steps: tuple[StepDone, ...] = ()
    resolved_as: str = ""
    resolved_by: str = ""
    position: Answer | None = None
    caller: Answer | None = None


@dataclass(frozen=True, slots=True)
class WordHeard:
    """One word that the recogniser heard, weak or sure. score 0 is even."""

    unix_s: float
    phrase: str
    score: float


@dataclass(frozen=True, slots=True)
class Because:
    """A reason for BLIND with since when (unix seconds)."""

    code: str
    detail: str
    since_unix_s: float


@dataclass(frozen=True, slots=True)
class Strip:
    """A tenth of a second of the strip: when, level and peak, and whether speech stands out of the noise."""

    unix_s: float
    level_dbov: float
    peak_dbov: float
    speech: bool


@dataclass(frozen=True, slots=True)
class Work:
    """The radio of a channel is being worked on: by whom, since when, until when (unix seconds).

    ended_unix_s: None while it lasts. ended_by: who ended it, empty if its time was over.
    """

    id: int
    channel: str
    who: str
    text: str
    since_unix_s: float
    until_unix_s: float
    ended_unix_s: float | None = None
    ended_by: str = ""


@dataclass(frozen=True, slots=True)
class HandOver:
    """Who took the watch, from whom, when, and what was open then: a line each."""

    id: int
    who: str
    before: str
    unix_s: float
    points: tuple[str, ...]
    text: str = ""


@dataclass(frozen=True, slots=True)
class ChannelView:
    """One channel at one moment. because: why it is blind now, whatever the state is; empty while it listens.

    work: on its radio, now or just ended.
    blind_seen_by: who acknowledged the blindness of now (Desk.acknowledge_blind); empty if nobody did.
    hearing: whether it is listening NOW, whatever `state` shows: a call that nobody acknowledged (CALL HEARD) covers a
    blindness in `state`, never here. Show it beside every state; `because` says why it does not hear. False before
    everything, the first proof test too, is well.
    unresolved: the newest calls that were acknowledged and have not ended; unresolved_more: how many older ones there are.
    What people do after a call changes nothing else here: it is never a state.
    """

    number: int
    name: str
    device: str
    state: State
    since_unix_s: float
    because: tuple[Because, ...]
    level_dbov: float
    peak_dbov: float
    noise_dbov: float
    snr_db: float
    words: tuple[WordHeard, ...]
    last_alert: Shown | None
    last_partly: Shown | None
    unacknowledged: tuple[Shown, ...]
    engine: str
    model: str
    behind_s: float
    restarts: int
    gaps: int
    proof_passed: bool | None
    proof_unix_s: float
    proof_detail: str
    stream_s: float
    pids: dict[str, int]
    work: Work | None = None
    blind_seen_by: str = ""
    hearing: bool = False
    unresolved: tuple[Shown, ...] = ()
    unresolved_more: int = 0

    @property
    def open_calls(self) -> tuple[Shown, ...]:
        """The calls that have not ended, acknowledged or not, in the order of their times."""
        return tuple(sorted((*self.unacknowledged, *self.unresolved), key=lambda call: call.unix_s))

    @property
    def is_worked_on(self) -> bool:
        """Somebody works on its radio now."""
        return self.work is not None and self.work.ended_unix_s is None


FOLLOWED_S = 1800.0
"""So long a call that is over goes on being shown with its steps."""


def followed(channel: ChannelView, endings: Sequence[str], now_unix_s: float) -> tuple[Shown, ...]:
    """The calls whose steps go on, in the order of their times: those that nobody has resolved.

    Where nobody says how a call ends (no endings), the last one too for half an hour, though it was over when acknowledged.
    """
    last, calls = channel.last_alert, channel.open_calls
    goes_on = last and not endings and last not in calls and now_unix_s - last.unix_s < FOLLOWED_S
    ended = (last,) if last and goes_on else ()
    return (*channel.open_calls, *ended)


@dataclass(frozen=True, slots=True)
class StationView:
    """Everything at one moment. cursor: the last journal row that this view knows. page: where it is served.

    signal: what is meant to sound now: "alert", "blind" or nothing. steps, resolved_as: the unit's own, after a call.
    acceptance: how old each channel's last one is, and what has changed since.
    drill: empty on a watch; in a drill that is played live whether its alerts are "shown" or "hidden".
    """

    unix_s: float
    uptime_s: float
    cursor: int
    channels: tuple[ChannelView, ...]
    faults: tuple[tuple[float, str], ...]
    journal_trouble: str
    tone_trouble: str
    tone_sounding: bool
    recording: str
    page: str
    version: str
    settings_fingerprint: str
    hand_over: HandOver | None = None
    signal: str = ""
    steps: tuple[Step, ...] = ()
    resolved_as: tuple[str, ...] = ()
    drill: str = ""
    acceptance: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values, for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Choice:
    """What decides a state: see choose()."""

    reasons: tuple[Reason, ...]
    unacknowledged_since_s: float | None
    partly_since_s: float | None


def choose(choice: Choice, now_s: float, call_first_s: float, partly_shown_s: float) -> State:
    """The one state. A fresh call comes first, then blindness, then an older call, then a partly heard one.

    Times are monotonic seconds: when the newest call that nobody acknowledged, and the last partly heard
    call, were shown. A call stays until it is acknowledged; blindness never stays hidden behind one for
    longer than call_first_s.
    """
    call_s = None if choice.unacknowledged_since_s is None else now_s - choice.unacknowledged_since_s
    if call_s is not None and (call_s < call_first_s or not choice.reasons):
        return State.CALL_HEARD
    if choice.reasons:
        return State.BLIND
    if choice.partly_since_s is not None and now_s - choice.partly_since_s < partly_shown_s:
        return State.PARTLY_HEARD
    return State.LISTENING
