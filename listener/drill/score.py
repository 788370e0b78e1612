"""The score of a drill: what the listener found, missed and made up, and how long everything took.

Delays count from the end of the word that completes the call: the third, for a call of three.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from listener.drill.answers import Answers, TrackEvent
from listener.drill.hear import HeardTrack, excerpt
from listener.drill.quality import LOWEST_SNR_DB, CallSound, Stretch, call_sound, unheard
from listener.drill.script import Action, Drill, ExpectedStep, MadeCall, Times
from listener.drill.steps import StepScore, expects, score_steps, step_key
from listener.events import Alert, Answer, Call, PartlyHeard, Span, Update
from listener.score.interval import INDEPENDENT, Worth, share_worth

ACTION_REACH_S = 60.0
"""An action that names no call answers the latest call before it, if that began no longer ago."""
BEFORE_REACH_S = 15.0
"""An action that is a step of the next call, and of none before it, belongs to that one if it begins so soon after."""
Status = Literal["found", "partly heard", "missed"]


@dataclass(frozen=True, slots=True)
class ActionScore:
    """One thing a person did. delay_s: from the end of the third word, below zero before it; None when that is not known."""

    action: Action
    call: int | None
    delay_s: float | None


@dataclass(frozen=True, slots=True)
class CallScore:
    """One call that was made.

    span_s, complete_s: its start and end, and the end of the word that completes it; None where
    nobody knows. timed_by: whose times these are. counted: whether it says anything about the
    machine: not if the machine itself gave its time and nobody has checked it. alert: the first one
    for it, on recording `track`. near: what was heard short of an alert. alerts: each recording's
    own. missed_on: recordings that hold it and gave no alert, with what was hard there. steps: what should have followed,
    with what was done. position, caller: as the machine heard them around its alert, None where it was not asked.
    """

    number: int
    call: MadeCall
    phrase: str
    status: Status
    counted: bool
    span_s: Span | None
    words_s: tuple[Times, ...]
    complete_s: float | None
    timed_by: Literal["trainer", "machine", "nobody"]
    alert: Alert | None
    near: Call | None
    alerts: tuple[tuple[str, Alert], ...]
    track: str
    missed_on: tuple[tuple[str, tuple[str, ...]], ...]
    delay_s: float | None
    actions: tuple[ActionScore, ...]
    sound: CallSound | None
    hard: tuple[str, ...]
    steps: tuple[StepScore, ...] = ()
    position: Answer | None = None
    caller: Answer | None = None

    @property
    def begin_s(self) -> float | None:
        """When it began, as far as anybody knows."""
        return self.span_s[0] if self.span_s else self.call.at_s[0]


@dataclass(frozen=True, slots=True)
class TrackStretch:
    """A stretch in which one recording could not be heard."""

    track: str
    stretch: Stretch


@dataclass(frozen=True, slots=True)
class DrillScore:
    """All of it. heard_s: seconds of sound over all recordings; partly: heard in part, without a call."""

    drill: Drill
    engine: str
    start_s: float
    end_s: float
    heard_s: float
    calls: tuple[CallScore, ...]
    false_alerts: tuple[TrackEvent, ...]
    partly: tuple[TrackEvent, ...]
    other_actions: tuple[ActionScore, ...]
    unheard: tuple[TrackStretch, ...]

    @property
    def counted(self) -> int:
        """How many calls count: those that people have timed."""
        return sum(call.counted for call in self.calls)

    @property
    def found(self) -> int:
        """Of the counted calls."""
        return sum(call.counted and call.status == "found" for call in self.calls)

    @property
    def worth(self) -> Worth:
        """What the counted calls are worth: by caller, where each call names its caller."""
        return worth_by_caller((c.call.caller, c.status == "found") for c in self.calls if c.counted)

    @property
    def delays_s(self) -> list[float]:
        """The machine's, one for each call with an alert whose end the trainer knows."""
        return [c.delay_s for c in self.calls if c.delay_s is not None and c.timed_by == "trainer"]

    @property
    def steps(self) -> list[StepScore]:
        """The expected steps of all calls."""
        return [found for call in self.calls for found in call.steps]

    @property
    def step_columns(self) -> list[ExpectedStep]:
        """Every step that any call should have been followed by, once, in the order of the first that has it."""
        columns: dict[tuple[str, str], ExpectedStep] = {}
        for found in self.steps:
            columns.setdefault(step_key(found.step), found.step)
        return list(columns.values())

    def steps_like(self, step: ExpectedStep) -> list[StepScore]:
        """This step's score in each call that should have had it."""
        return [found for found in self.steps if step_key(found.step) == step_key(step)]

    def action_delays_s(self) -> dict[tuple[str, str], list[float]]:
        """(who, what) -> delays, in the order of the drill's list of actions."""
        delays: dict[tuple[str, str], list[float]] = {(a.who, a.what): [] for a in self.drill.actions}
        for call in self.calls:
            for done in call.actions:
                if done.delay_s is not None:
                    delays[done.action.who, done.action.what].append(done.delay_s)
        return {act: values for act, values in delays.items() if values}


def worth_by_caller(calls: Iterable[tuple[str, bool]]) -> Worth:
    """What calls (caller, found) are worth; where one names no caller, each counts as one."""
    named = list(calls)
    if not all(caller for caller, _ in named):
        return INDEPENDENT
    return share_worth([found for _, found in named], [caller for caller, _ in named]) if named else INDEPENDENT


def score(drill: Drill, tracks: Sequence[HeardTrack], engine: str) -> DrillScore:
    """Score a checked drill against what its recordings gave, in drill time."""
    stretches = [TrackStretch(t.sound.track.name, s) for t in tracks for s in unheard(t.levels)]
    answers = Answers(drill, tracks)
    answers.match_timed()
    answers.match_to_find()
    spans = [_span(drill, i, answers) for i in range(len(drill.calls))]
    actions = _assign(drill, [start for start, _, _ in spans])
    calls = tuple(
        _call_score(drill, i, answers, spans[i], actions.get(i + 1, []), tracks, stretches)
        for i in range(len(drill.calls))
    )
    return DrillScore(
        drill=drill,
        engine=engine,
        start_s=min(t.sound.start_s for t in tracks),
        end_s=max(t.sound.end_s for t in tracks),
        heard_s=sum(t.sound.end_s - t.sound.start_s for t in tracks),
        calls=calls,
        false_alerts=tuple(answers.left(Alert)),
        partly=tuple(answers.left(PartlyHeard)),
        other_actions=tuple(ActionScore(a, None, None) for a in actions.get(None, [])),
        unheard=tuple(stretches),
    )


def _span(drill: Drill, i: int, answers: Answers) -> tuple[float | None, float | None, str]:
    """Start of a call, end of the word that completes it, and whose times these are."""
    call = drill.calls[i]
    if call.words_s:
        return call.at_s[0], call.words_s[drill.repeats - 1][1], "trainer" if call.checked else "machine"
    if call.span_s:
        return call.span_s[0], call.span_s[1], "trainer" if call.checked else "machine"
    first = _first(answers.alerts[i])
    if first:
        _, alert = first
        hits = alert.hits[: drill.repeats]
        start = alert.start_s if call.at_s[0] is None else call.at_s[0]
        return start, hits[-1].end_s, "machine"
    return call.at_s[0], None, "nobody"


def _first(alerts: dict[str, Alert]) -> tuple[str, Alert] | None:
    return min(alerts.items(), key=lambda item: item[1].raised_s) if alerts else None


def _assign(drill: Drill, starts: list[float | None]) -> dict[int | None, list[Action]]:
    """Call number -> its actions, in time order; None -> actions that answer no call."""
    assigned: dict[int | None, list[Action]] = {}
    known = sorted((start, number) for number, start in enumerate(starts, 1) if start is not None)
    for action in sorted(drill.actions, key=lambda a: a.at_s):
        number = action.call
        if number is None:
            last = max((x for x in known if x[0] <= action.at_s <= x[0] + ACTION_REACH_S), default=None)
            coming = min((x for x in known if action.at_s < x[0] <= action.at_s + ACTION_REACH_S), default=None)
            is_early = action.before or _is_before(drill, action, last, coming, assigned)
            found = coming if is_early else last
            number = found[1] if found else None
        assigned.setdefault(number, []).append(action)
    return assigned


def _is_before(
    drill: Drill, action: Action, last: tuple[float, int] | None, coming: tuple[float, int] | None,
    assigned: dict[int | None, list[Action]],
) -> bool:  # fmt: skip
    """Whether an action that names no call came before the one it belongs to: a step of the next call, missing in none."""
    if coming is None or coming[0] > action.at_s + BEFORE_REACH_S:
        return False
    if not expects(drill.steps_of(drill.calls[coming[1] - 1]), action):
        return False
    if last is None:
        return True
    done = any(a.what.casefold() == action.what.casefold() for a in assigned.get(last[1], ()))
    return done or not expects(drill.steps_of(drill.calls[last[1] - 1]), action)


def _call_score(
    drill: Drill,
    i: int,
    answers: Answers,
    span: tuple[float | None, float | None, str],
    actions: list[Action],
    tracks: Sequence[HeardTrack],
    stretches: Sequence[TrackStretch],
) -> CallScore:
    call = drill.calls[i]
    _start, complete_s, timed_by = span
    first = _first(answers.alerts[i])
    near = answers.near.get(i)
    alert = first[1] if first else None
    able = answers.tracks_of(i)
    track = first[0] if first else near[0] if near else able[0].sound.track.name if able else ""
    best = alert or (near[1] if near else None)
    if call.words_s or call.span_s:
        words = call.words_s or ((call.span_s,) if call.span_s else ())
        span_s = call.span_s
    elif best:
        words, span_s = tuple(h.span for h in best.hits), best.span
    else:
        words, span_s = (), None
    heard = next((t for t in tracks if t.sound.track.name == track), None)
    sound = _sound_of(words, heard) if heard and words else None

    def hard_on(where: HeardTrack) -> tuple[str, ...]:
        own = [s.stretch for s in stretches if s.track == where.sound.track.name]
        there = sound if where is heard else _sound_of(words, where) if words else None
        return tuple(_hard(drill, span_s, there, where, own))

    return CallScore(
        number=i + 1,
        call=call,
        phrase=drill.phrase_of(call),
        status="found" if alert else "partly heard" if near else "missed",
        counted=call.checked and not call.to_find,
        span_s=span_s,
        words_s=words,
        complete_s=complete_s,
        timed_by=timed_by,  # type: ignore[arg-type]
        alert=alert,
        near=near[1] if near else None,
        track=track,
        alerts=tuple(answers.alerts[i].items()),
        missed_on=tuple((t.sound.track.name, hard_on(t)) for t in able if t.sound.track.name not in answers.alerts[i]),
        delay_s=alert.raised_s - complete_s if alert and complete_s is not None else None,
        actions=tuple(ActionScore(a, i + 1, None if complete_s is None else a.at_s - complete_s) for a in actions),
        sound=sound,
        hard=hard_on(heard) if heard else (),
        steps=score_steps(drill.steps_of(call), actions, complete_s),
        position=_around(heard, alert, "position"),
        caller=_around(heard, alert, "caller"),
    )


def _around(heard: HeardTrack | None, alert: Alert | None, what: Literal["position", "caller"]) -> Answer | None:
    """The last that the machine told about an alert's position or caller."""
    told = [
        getattr(event, what)
        for event in (heard.events if heard and alert else ())
        if isinstance(event, Update) and alert and (event.phrase, event.start_s) == (alert.phrase, alert.start_s)
    ]
    return next((answer for answer in reversed(told) if answer), None)


def is_right(said: str, answer: Answer | None) -> bool | None:
    """Whether what was heard is what the trainer wrote: every word of its name is in it ("one" for "number one").

    None where the trainer wrote nothing, or the machine was not asked or heard nothing sure.
    """
    if not said.strip() or answer is None or answer.name is None:
        return None
    return set(answer.name.casefold().split()) <= set(said.casefold().split())


def _sound_of(words: tuple[Times, ...], heard: HeardTrack) -> CallSound | None:
    samples, first_s = excerpt(heard.sound, words[0][0] - 0.5, words[-1][1] + 0.5)
    return call_sound(samples, first_s, heard.sound.rate_hz, words)


def _hard(
    drill: Drill, span: Span | None, sound: CallSound | None, heard: HeardTrack, stretches: Sequence[Stretch]
) -> Iterator[str]:
    """What made a call hard to hear on one recording, in words."""
    if sound:
        if sound.snr_db is not None and sound.snr_db < 6:
            yield f"noise: {snr_text(sound.snr_db)}"
        if sound.level_dbov < -45:
            yield f"faint: {sound.level_dbov:.0f} dBov"
        if sound.clipped > 0.01:
            yield f"clipping: {sound.clipped:.0%} of its samples at full scale"
        if sound.first_word is not None and sound.first_word < 0.7:
            yield f"start cut off: its first word lasts {sound.first_word:.0%} of the others"
    if not span:
        return
    for talk in drill.traffic:
        here = talk.recording in (None, heard.sound.track.name)
        if here and span.overlaps(Span(*talk.at_s)):
            yield f"overlap: {talk.who or 'somebody'} speaks over it"
    if span.start_s < heard.sound.start_s + 0.05:
        yield "start cut off: the recording begins in it"
    for stretch in stretches:
        if span.overlaps(Span(stretch.start_s, stretch.end_s)):
            yield f"channel: {stretch.why} at the time"


def snr_text(snr_db: float) -> str:
    """A measured SNR for people."""
    if snr_db <= LOWEST_SNR_DB:
        return f"below {LOWEST_SNR_DB:.0f} dB".replace("-", "−")
    return f"{snr_db:.0f} dB".replace("-", "−")
