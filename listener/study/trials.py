"""One trial: an engine hears one sound. A pure function of (plan, bank, index).

The Monitor decides, as everywhere. Beside it, the same hits go through the same call rule with an alert
level that nothing reaches: so each call comes out with its best score, and the level can be chosen
afterwards. A trial that fails is told as failed, with the reason.
"""

import threading
from dataclasses import asdict, dataclass, replace
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.call.chain import best_chain
from listener.call.rule import CallRule
from listener.errors import UserError
from listener.events import RATE_HZ, Alert, Block, Call, Candidate, Fault, Hit, PartlyHeard, Update
from listener.monitor import Monitor
from listener.score.match import TOLERANCE_S, match
from listener.settings import Settings
from listener.speech.engines import load_any_engine as load_engine
from listener.speech.spotter import Engine
from listener.study.around import heard_around
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.negatives import is_hard
from listener.study.plan import Plan
from listener.study.sound import Sound, make_sound

PIECE = RATE_HZ // 50


class _Kept(threading.local):
    """What each thread has of its own: its engines, and the sound it made last, by number."""

    def __init__(self) -> None:
        self.engines: dict[str, Engine] = {}
        self.sounds: dict[int, Sound] = {}


class Study:
    """A design with its bank and, for each thread, its loaded engines."""

    def __init__(self, design: Design, bank: Bank) -> None:
        self.design, self.bank = design, bank
        self.settings = design.plan.settings()
        self._own = _Kept()

    def engine(self, name: str) -> Engine:
        """The engine of this name, loaded once a thread."""
        if name not in self._own.engines:
            self._own.engines[name] = load_engine(self.settings[name])
        return self._own.engines[name]

    def sound(self, number: int) -> Sound:
        """The sound of this number; the last one is kept, as all engines hear it in turn."""
        if number not in self._own.sounds:
            self._own.sounds = {number: make_sound(self.design, self.bank, number)}
        return self._own.sounds[number]


@dataclass(frozen=True, slots=True)
class Told:
    """Something an engine said. right: it is the call that was made.

    log_odds: of the confidence, from the joint score itself. line: in a negative, the place in `lines` of what was
    being said.
    """

    kind: str
    phrase: str
    start_s: float
    end_s: float
    raised_s: float
    confidence: float
    log_odds: float
    right: bool
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Trial:
    """One row of the results: the parameters, then what came of it. Lists hold Told as plain values.

    snr_call_db, snr_heard_db: during the call, as mixed and after the radio. lines: text, speaker, source,
    start_s and end_s of what is said in a negative, and whether it is like the phrase (hard).
    score: log-odds of the call's best candidate whatever the level; None: nothing like it was heard.
    delay_s: from the end of the call to its alert. told: what people would be told (alerts, partly
    heard calls, candidates); peaks: candidates whatever the level. position, caller: what is said of them; and for
    a found call, what was heard: a name or a verdict (see listener.study.around).
    """

    index: int
    sound: int
    engine: str
    kind: str
    phrase: str
    noise: str
    snr_db: float | None
    radio: str
    room: str
    number: int
    speaker: str = ""
    words: int = 0
    seconds: float = 0.0
    level_dbov: float | None = None
    sii: float | None = None
    sti: float | None = None
    snr_call_db: float | None = None
    snr_heard_db: float | None = None
    lines: tuple[dict[str, Any], ...] = ()
    call_start_s: float | None = None
    call_end_s: float | None = None
    failed: str | None = None
    found: bool = False
    partly: bool = False
    delay_s: float | None = None
    score: float | None = None
    false_alerts: int = 0
    false_partly: int = 0
    faults: int = 0
    told: tuple[dict[str, Any], ...] = ()
    peaks: tuple[dict[str, Any], ...] = ()
    position: str = ""
    position_heard: str = ""
    caller: str = ""
    caller_heard: str = ""


def run_trial(study: Study, index: int) -> Trial:
    """The trial of this index. Never raises for what happens in it: it comes back as failed."""
    number, which = divmod(index, len(study.design.engines))
    name = study.design.engines[which]
    slot = study.design.slot(number)
    empty = Trial(index, number, name, **asdict(slot.condition), number=slot.number)
    try:
        sound = study.sound(number)
    except UserError as error:
        return replace(empty, failed=f"sound: {error}")
    except Exception as error:  # noqa: BLE001, nor does whatever one piece of speech or noise does
        return replace(empty, failed=f"sound: {type(error).__name__}: {error}")
    empty = replace(
        empty, speaker=sound.speaker, words=sound.words, seconds=sound.samples.size / RATE_HZ,
        level_dbov=sound.level_dbov, sii=sound.sii, sti=sound.sti,
        snr_call_db=sound.snr_call_db, snr_heard_db=sound.snr_heard_db, lines=lines_of(study.design.plan, sound),
        call_start_s=sound.call[0] if sound.call else None, call_end_s=sound.call[1] if sound.call else None,
        position=sound.position, caller=sound.caller,
    )  # fmt: skip
    try:
        engine = study.engine(name)
        heard = listen(sound.samples, study.settings[name], engine)
    except Exception as error:  # noqa: BLE001, nor does whatever one piece of speech or noise does
        return replace(empty, failed=f"engine: {type(error).__name__}: {error}")
    return judged(empty, heard)


def lines_of(plan: Plan, sound: Sound) -> tuple[dict[str, Any], ...]:
    """What is said in a negative, as plain values for a row."""
    phrases = plan.phrases
    return tuple(
        {"text": one.clip.text, "speaker": one.clip.speaker, "source": one.source, "start_s": one.start_s,
         "end_s": one.end_s, "hard": is_hard(one.clip.text, phrases)}
        for one in sound.lines
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of some samples: the Monitor's events, and the candidates whatever the level."""

    told: tuple[Told, ...]
    peaks: tuple[Told, ...]
    faults: int
    updates: tuple[Update, ...] = ()


def listen(samples: NDArray[np.float32], settings: Settings, engine: Engine) -> Outcome:
    """Samples (float32 at RATE_HZ) through a Monitor; nothing is marked right yet."""
    hits: list[Hit] = []
    monitor = Monitor(settings, RATE_HZ, engine=engine, on_hits=lambda _, some: hits.extend(some))
    every = replace(engine.calibration, candidate_level=-inf)
    level = CallRule(settings.model_copy(update={"alert_level": inf}), every, 0, engine.name)
    events, peaks = [], []
    for start in range(0, samples.size, PIECE):
        events += monitor.feed(Block(samples[start : start + PIECE], start, RATE_HZ))
        if start + PIECE <= samples.size:
            peaks += level.hear(hits, monitor.now_s) + level.pass_time(monitor.now_s)
            hits.clear()
    events += monitor.finish()
    peaks += level.hear(hits, monitor.now_s) + level.pass_time(monitor.now_s, ended=True)
    calls = [e for e in events if isinstance(e, Call)]
    return Outcome(
        tuple(_told(e, settings, engine) for e in calls),
        tuple(_told(e, settings, engine) for e in peaks if isinstance(e, Candidate)),
        sum(isinstance(e, Fault) for e in events),
        tuple(e for e in events if isinstance(e, Update)),
    )


def _told(call: Call, settings: Settings, engine: Engine) -> Told:
    phrase = next(p for p in settings.phrases if p.words == call.phrase)
    chain = best_chain(list(call.hits), len(call.hits), phrase, engine.calibration)
    joint = chain.joint * len(call.hits) / call.repeats if chain else -inf
    log_odds = engine.calibration.slope * (joint - engine.calibration.even_level)
    return Told(call.kind, call.phrase, call.start_s, call.end_s, call.raised_s, call.confidence, log_odds, False)


def judged(empty: Trial, heard: Outcome) -> Trial:
    """The trial with what was heard: found or missed, false alerts, the line that each fell on."""
    heard = replace(heard, told=_placed(empty, heard.told), peaks=_placed(empty, heard.peaks))
    told = _marked(empty, heard.told, (Alert.kind, Candidate.kind))
    told = _marked(empty, told, (PartlyHeard.kind,)) if not any(t.right for t in told) else told
    peaks = _marked(empty, heard.peaks, (Candidate.kind,))
    answer = next((t for t in told if t.right), None)
    peak = next((t for t in peaks if t.right), None)
    found = answer is not None and answer.kind == Alert.kind
    position, caller = heard_around(heard.updates, answer.phrase, answer.start_s) if answer and found else ("", "")
    return replace(
        empty,
        position_heard=position,
        caller_heard=caller,
        found=found,
        partly=answer is not None and answer.kind in (Alert.kind, PartlyHeard.kind),
        delay_s=answer.raised_s - empty.call_end_s if answer and found and empty.call_end_s is not None else None,
        score=peak.log_odds if peak else None,
        false_alerts=sum(t.kind == Alert.kind and not t.right for t in told),
        false_partly=sum(t.kind == PartlyHeard.kind and not t.right for t in told),
        faults=heard.faults,
        told=tuple(asdict(t) for t in told),
        peaks=tuple(asdict(t) for t in peaks),
    )


def _placed(trial: Trial, told: tuple[Told, ...]) -> tuple[Told, ...]:
    """The same with `line` set to what was being said: most of it within, or else nearest."""

    def outside_s(t: Told, line: dict[str, Any]) -> float:
        return max(line["start_s"], t.start_s) - min(line["end_s"], t.end_s)

    if not trial.lines:
        return told
    whole = range(len(trial.lines))
    return tuple(replace(t, line=min(whole, key=lambda i: outside_s(t, trial.lines[i]))) for t in told)


def _marked(trial: Trial, told: tuple[Told, ...], kinds: tuple[str, ...]) -> tuple[Told, ...]:
    """The same with `right` set on what answers the trial's call, one to one; alerts before candidates."""
    if trial.call_start_s is None or trial.call_end_s is None:
        return told
    for kind in kinds:
        mine = [i for i, t in enumerate(told) if t.kind == kind and t.phrase == trial.phrase]
        spans = [(told[i].start_s, told[i].end_s) for i in mine]
        pairs = match([(trial.call_start_s, trial.call_end_s)], spans, TOLERANCE_S)
        if pairs:
            right = mine[pairs[0][1]]
            return tuple(replace(t, right=i == right) for i, t in enumerate(told))
    return told
