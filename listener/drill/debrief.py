"""The debrief: one HTML file with everything in it, to look at together and to print on two A4 pages."""

import base64
import io
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

import numpy as np
import soundfile

from listener.drill import charts
from listener.drill.answers import TrackEvent
from listener.drill.hear import HeardTrack, excerpt
from listener.drill.score import CallScore, DrillScore, is_right, snr_text
from listener.drill.script import ExpectedStep
from listener.drill.steps import StepScore, is_step, step_key
from listener.events import Call, around_text, chance_text, confidence_text
from listener.score.interval import per_hour_interval, share_interval, share_worth
from listener.tell.cautions import DRILL
from listener.tell.console import clock
from listener.tell.html import page

PRINTED_CARDS = 9
"""So many pictures go on paper: what went wrong first; the screen shows all."""
CLIP_BEFORE_S, CLIP_AFTER_S = 2.0, 3.0
LONGEST_CLIP_S = 15.0

_NUMBERS = "no one two three four five six seven eight nine ten eleven twelve".split()


@dataclass(frozen=True, slots=True)
class Card:
    """One call or false alert: its picture and sound (data addresses) and its lines."""

    title: str
    status: str
    picture: str
    alt: str
    audio: str
    lines: tuple[str, ...]
    printed: bool


def debrief_html(score: DrillScore, tracks: list[HeardTrack]) -> str:
    """The page. Needs nothing from outside itself, and no script."""
    acts = list(_acts_beside(score))
    delays = charts.delays(score, last_word(score))
    return page(
        "listener.drill", "debrief.html",
        filters={"clock": clock, "delay": delay, "snr": lambda x: "–" if x is None else snr_text(x)},
        score=score,
        drill=score.drill,
        headline=headline(score),
        figures=figures(score),
        timeline=_svg(charts.timeline(score)),
        delays=_svg(delays) if delays else None,
        marks=charts.shown_marks(score),
        acts=acts,
        columns=[score.delays_s, *(score.action_delays_s()[act] for act in acts)],
        last_word=last_word(score),
        median=median,
        first_of=_first_of,
        steps=steps_table(score),
        around=any(call.position or call.caller for call in score.calls),
        heard_around=heard_around,
        cards=_cards(score, tracks),
        hard_ones=list(misses(score)),
        cautions=list(cautions(score)),
        also=list(also(score)),
    )


def headline(score: DrillScore) -> str:
    """The drill in one sentence."""
    parts = []
    if score.counted:
        missed = [c for c in score.calls if c.counted and c.status != "found"]
        calls = _plural(score.counted, "call")
        if not missed:
            parts.append(f"the listener found {'the call' if score.counted == 1 else f'all {calls}'}")
        elif not score.found:
            parts.append(f"the listener found none of {calls}")
        else:
            which = _listing([f"{c.number} ({c.status})" for c in missed])
            calls_word = "call" if len(missed) == 1 else "calls"
            parts.append(f"the listener found {_number(score.found)} of {calls}, not {calls_word} {which}")
    elif score.calls:
        times = "this call's" if len(score.calls) == 1 else f"these {_plural(len(score.calls), 'call')}'"
        parts.append(f"nobody has checked {times} times, so they do not yet test the listener")
    else:
        parts.append("no call was made")
    wrong = len(score.false_alerts)
    parts.append(f"it gave {_plural(wrong, 'false alert')}" if wrong else "it gave no false alert")
    reference = f"the {last_word(score)}"
    if score.delays_s:
        parts.append(f"its alerts came {after(median(score.delays_s))} {reference} (median)")
        reference = "it"
    steps = score.steps
    slowest = max(score.action_delays_s().items(), key=lambda item: median(item[1]), default=None)
    if steps:
        well = sum(one.status == "done" for one in steps)
        parts.append(f"of {_plural(len(steps), 'expected step')} {_number(well)} came in order and in time{_amiss(steps)}")
    elif slowest:
        (who, what), values = slowest
        parts.append(f"{who} {what} {after(median(values))} {reference} (median), at worst {after(max(values))}")
    text = "; ".join(parts) + "."
    return text[0].upper() + text[1:]


@dataclass(frozen=True, slots=True)
class StepsTable:
    """What should have followed the calls: a row a call, a column a step. Cells are (class, text)."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    shares: tuple[str, ...]
    medians: tuple[str, ...]


def steps_table(score: DrillScore) -> StepsTable | None:
    """All expected steps in one table; None if none was expected."""
    columns = score.step_columns
    if not columns:
        return None
    rows = []
    for call in score.calls:
        found = {step_key(one.step): one for one in call.steps}
        cells = tuple(_step_cell(found.get(step_key(column))) for column in columns)
        name = f"{call.number}" + (f", position {call.call.position}" if call.call.position else "")
        rows.append((name, cells))
    shares, medians = [], []
    for column in columns:
        theirs = score.steps_like(column)
        well = sum(one.status == "done" for one in theirs)
        low, high = share_interval(well, len(theirs))
        shares.append(f"{well} of {len(theirs)} ({low * 100:.0f} to {high * 100:.0f} %)")
        values = [one.delay_s for one in theirs if one.delay_s is not None]
        medians.append(delay(median(values)) if values else "–")
    return StepsTable(tuple(_step_head(column) for column in columns), tuple(rows), tuple(shares), tuple(medians))


def heard_around(call: CallScore) -> str:
    """Position and caller as the machine heard them, and whether that is what the trainer wrote."""
    marks = {None: "", True: " ✓", False: " ✕ wrong"}
    position, caller = around_text(call.position, None), around_text(None, call.caller)
    said = [position + marks[is_right(call.call.position, call.position)]] if position else []
    said += [caller + marks[is_right(call.call.caller, call.caller)]] if caller else []
    return "; ".join(said) or "–"


def _step_head(step: ExpectedStep) -> str:
    if step.within_s is None:
        return f"{step.who}: {step.what}"
    early = f"{-step.within_s:g} s before its end" if step.within_s else "by its end"
    within = f"in {step.within_s:g} s" if step.within_s > 0 else early
    return f"{step.who}: {step.what}, {within}"


def _step_cell(found: StepScore | None) -> tuple[str, str]:
    if found is None:
        return "", "·"
    if found.action is None:
        return "missed", "× not done"
    said = [] if found.delay_s is None else [delay(found.delay_s)]
    said += ["○ late"] if found.is_late else []
    said += [f"□ before step {' and '.join(map(str, found.before))}"] if found.before else []
    said += [f"by {found.by}"] if found.by else []
    return "" if found.status == "done" else "missed", ", ".join(said) or "done"


def figures(score: DrillScore) -> list[tuple[str, str, str]]:
    """The key figures: (value, what it is, its interval in words)."""
    hours = score.heard_s / 3600
    low, high = share_interval(score.found, score.counted, score.worth)
    rate_low, rate_high = per_hour_interval(len(score.false_alerts), hours)
    shown = [
        (f"{score.found} of {score.counted}", "calls found", f"95 % interval {low * 100:.0f} to {high * 100:.0f} %"),
        (
            f"{len(score.false_alerts)}",
            "false alerts",
            f"in {clock(score.heard_s)} of sound: {rate_low:.1f} to {rate_high:.1f} per hour (95 %)",
        ),
    ]
    if score.delays_s:
        shown.append(
            (f"{delay(median(score.delays_s), 2)} s", "alert, median", f"worst {delay(max(score.delays_s), 2)} s")
        )
    if score.steps:
        well = [(one.status == "done", str(call.number)) for call in score.calls for one in call.steps]
        share = sum(ok for ok, _ in well)
        low, high = share_interval(share, len(well), share_worth([ok for ok, _ in well], [call for _, call in well]))
        interval = f"95 % interval {low * 100:.0f} to {high * 100:.0f} %"
        shown.append((f"{share} of {len(well)}", "steps in order and in time", interval))
    for (who, what), values in _acts_beside(score).items():
        shown.append((f"{delay(median(values))} s", f"{who} {what}, median", f"worst {delay(max(values))} s"))
    return shown


def _acts_beside(score: DrillScore) -> dict[tuple[str, str], list[float]]:
    """The delays of what people did beside the expected steps, which have a table of their own."""
    delays_s = score.action_delays_s()
    return {act: values for act, values in delays_s.items() if not any(is_step(act[1], s) for s in score.step_columns)}


def _amiss(steps: list[StepScore]) -> str:
    late = sum(one.is_late for one in steps)
    early, missing = sum(bool(one.before) for one in steps), sum(one.action is None for one in steps)
    counts = [(late, "late"), (early, "out of order"), (missing, "not done")]
    said = [f"{_number(n)} {what}" for n, what in counts if n]
    return f" ({', '.join(said)})" if said else ""


def cautions(score: DrillScore) -> Iterator[str]:
    """What these figures do not say."""
    yield from DRILL
    if 0 < score.counted < 30:
        low, high = share_interval(score.found, score.counted, score.worth)
        calls = _plural(score.counted, "call")
        yield (
            f"{calls[0].upper()}{calls[1:]} cannot rate a listener or a crew: the true share found may be "
            f"{low * 100:.0f} to {high * 100:.0f} %. Put several drills together ('listener drill record')."
        )
    unchecked = [c.number for c in score.calls if not c.counted]
    if unchecked:
        yield (
            f"Call {_listing([str(n) for n in unchecked])}: the time is the machine's own and nobody has checked it; "
            "left out of the calls found and of the alert's delays."
        )
    about = [c.number for c in score.calls if c.counted and c.timed_by == "machine"]
    if about:
        yield (
            f"Call {_listing([str(n) for n in about])}: only about when it began is known, so people's delays count from "
            "the words as the machine heard them."
        )
    if score.drill.synthetic:
        yield "Synthetic voices: results with people on a real deck will differ."
    if score.unheard:
        yield (
            "On the hatched stretches the channel was dead, clipped, or as noisy as speech is loud: a call missed there "
            "says more about the channel than about the listener."
        )
    yield "Delays are as exact as the marked ends of words; marked by hand that is about a tenth of a second."


def misses(score: DrillScore) -> Iterator[tuple[str, str]]:
    """Each missed call, or call missed on one of several recordings, and what was hard about it."""
    for call in score.calls:
        if call.alert:
            for name, hard in call.missed_on:
                yield f"Call {call.number}, on {name}", f"{'; '.join(hard) or 'nothing that was measured explains it'}."
            continue
        if call.hard:
            said = "; ".join(call.hard) + "."
        elif call.sound:
            snr = "" if call.sound.snr_db is None else f" (SNR {snr_text(call.sound.snr_db)})"
            said = f"nothing that was measured explains it{snr}: listen to it together."
        else:
            said = "its words are not marked, so nothing can be measured."
        if call.near:
            said += f" {len(call.near.hits)} of {call.near.repeats} words were heard."
        if call.call.snr_db is not None:
            said += f" Mixed at {snr_text(call.call.snr_db)}."
        yield f"Call {call.number}", said


def also(score: DrillScore) -> Iterator[str]:
    """What else the recordings hold, a line a kind."""
    if score.false_alerts:
        times = [f"{clock(x.event.start_s)} ({confidence_text(x.event.confidence)} sure)" for x in score.false_alerts]
        yield f"False alert: {_some(times)}."
    if score.partly:
        yield f"Heard in part where no call was made: {_some([clock(x.event.start_s) for x in score.partly])}."
    for why in dict.fromkeys(x.stretch.why for x in score.unheard):
        spans = [
            f"{clock(x.stretch.start_s)} to {clock(x.stretch.end_s)} on {x.track}"
            for x in score.unheard
            if x.stretch.why == why
        ]
        yield f"{why.capitalize()}: {_some(spans)}."
    for (who, what), values in score.action_delays_s().items():
        early = [-value for value in values if value < 0]
        if early:
            yield (
                f"Before the end of the spoken call: {who} {what}, {median(early):.1f} s (median), "
                f"in {len(early)} of {len(values)}."
            )
    strays = [f"{x.action.who} {x.action.what} at {clock(x.action.at_s)}" for x in score.other_actions]
    if strays:
        yield f"With no call in the minute before: {_some(strays)}."


def _cards(score: DrillScore, tracks: list[HeardTrack]) -> list[Card]:
    known = {t.sound.track.name: t for t in tracks}
    found: list[CallScore | TrackEvent] = [*score.calls, *score.false_alerts]
    troubled = [f for f in found if isinstance(f, TrackEvent) or f.status != "found"]
    rest = [f for f in found if f not in troubled]
    printed = [id(f) for f in (troubled + rest)[:PRINTED_CARDS]]
    cards = [_card(f, score, known, id(f) in printed) for f in found]
    return [card for card in cards if card]


def _card(
    found: CallScore | TrackEvent, score: DrillScore, tracks: dict[str, HeardTrack], printed: bool
) -> Card | None:
    window = charts.window_s(found)
    track = tracks.get(found.track)
    if window is None or track is None:
        return None
    samples, first_s = excerpt(track.sound, *window)
    picture = charts.call_picture(found, score, samples, first_s, track.sound.rate_hz, last_word(score))
    title, status, lines = _card_words(found, len(tracks) > 1)
    at_s = window[0] + charts.BEFORE_S
    clip, _ = excerpt(track.sound, at_s - CLIP_BEFORE_S, min(window[1] + CLIP_AFTER_S, at_s + LONGEST_CLIP_S))
    alt = f"Spectrogram of {title}: {'; '.join(lines)}"
    return Card(title, status, _svg(picture), alt, _flac(clip, track.sound.rate_hz), lines, printed)


def _sure(event: Call) -> str:
    """How sure an alert was, and how often talk alone makes one like it, where that is known."""
    sure = f"confidence {confidence_text(event.confidence)}"
    return sure if event.chance_per_h is None else f"{sure}; talk alone does so {chance_text(event.chance_per_h)}"


def _card_words(found: CallScore | TrackEvent, several: bool) -> tuple[str, str, tuple[str, ...]]:
    where = f", on {found.track}" if several else ""
    if isinstance(found, TrackEvent):
        event = found.event
        return f"False alert at {clock(event.start_s)}{where}", "false", (_sure(event),)
    caller = f", {found.call.caller}" if found.call.caller else ""
    lines = []
    if found.alert:
        when = "" if found.delay_s is None else f"{after(found.delay_s, 2)} the word, "
        lines.append(f"alert {when}{_sure(found.alert)}")
    elif found.near:
        lines.append(
            f"{len(found.near.hits)} of {found.near.repeats} words heard, confidence {confidence_text(found.near.confidence)}"
        )
    if found.alert and found.missed_on:
        lines.append(f"not found on {_listing([name for name, _ in found.missed_on])}")
    if found.sound and found.sound.snr_db is not None and not any(h.startswith("noise") for h in found.hard):
        lines.append(f"measured SNR {snr_text(found.sound.snr_db)}")
    return f"Call {found.number} at {clock(found.begin_s or 0)}{caller}{where}", found.status, (*lines, *found.hard)


def _first_of(call: CallScore, act: tuple[str, str]) -> float | None:
    """The delay of a person's first such action after a call."""
    return next((a.delay_s for a in call.actions if (a.action.who, a.action.what) == act), None)


def delay(seconds: float | None, digits: int = 1) -> str:
    """A delay for a table; a dash for none, a true minus sign."""
    return "–" if seconds is None else f"{seconds:.{digits}f}".replace("-", "−")


def after(seconds: float, digits: int = 1) -> str:
    """0.62 -> '0.6 s after'; below zero, an alert that came early, '0.3 s before'."""
    return f"{abs(seconds):.{digits}f} s {'before' if seconds < 0 else 'after'}"


def last_word(score: DrillScore) -> str:
    """What the word that completes a call is called: 'third word'."""
    return ("word", "second word", "third word", "fourth word", "fifth word")[score.drill.repeats - 1]


def _number(n: int) -> str:
    return _NUMBERS[n] if 0 < n < len(_NUMBERS) else "none" if n == 0 else str(n)


def _plural(n: int, noun: str) -> str:
    word = _NUMBERS[n] if n < len(_NUMBERS) else str(n)
    return f"{word} {noun}" + ("" if n == 1 else "s")


def _some(items: list[str], most: int = 12) -> str:
    """The first of the items, and how many more there are."""
    more = len(items) - most
    return ", ".join(items) if more <= 1 else ", ".join(items[:most]) + f" and {more} more"


def _listing(items: list[str]) -> str:
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def _svg(text: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(text.encode()).decode()


def _flac(samples: np.ndarray, rate_hz: int) -> str:
    out = io.BytesIO()
    soundfile.write(out, samples, rate_hz, format="FLAC", subtype="PCM_16")
    return "data:audio/flac;base64," + base64.b64encode(out.getvalue()).decode()
