"""What a session found: shares, rates, delays and levels, the sensitivity to recommend, and what none of it shows.

A pure function of the session's lines. Calls by one person are alike, so intervals count them by person
(listener.score.interval); false alerts come in bursts, so they are counted by stretches of ten minutes.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from listener.events import Span
from listener.score.interval import median_interval, rate_worth, share_worth
from listener.score.metrics import Paired, Rate, Share, mcnemar
from listener.site.acceptance.hearing import AS_SET
from listener.site.acceptance.session import Judged, LeftOut, MadeCall, Part, Session, Told

MOST_FALSE_PER_H = 0.5
"""A recommended sensitivity has no more false alerts an hour than this. Common practice of ours, without a source."""

FEW_PEOPLE, FEW_CALLS, FEW_HOURS = 8, 60, 8.0
"""Below these the report says that they are few: people, calls, hours of normal traffic (a watch). Ours, without a source."""

_BURST_S = 600.0
_NOT_NAMED = "not named"


@dataclass(frozen=True, slots=True)
class AtSensitivity:
    """What one sensitivity gave. level: its joint score for an alert."""

    name: str
    level: float
    found: Share
    false: Rate


@dataclass(frozen=True, slots=True)
class Person:
    """One person's calls, and the found share at the sensitivity in force."""

    name: str
    found: Share
    partly: int
    delays_s: tuple[float, ...]
    level_dbov: float | None
    noise_dbov: float | None


@dataclass(frozen=True, slots=True)
class Levels:
    """How loud the line was, dBov: what a tenth, half and 95 % of the frames of 20 ms do not exceed. None without sound."""

    quiet: int | None
    middle: int | None
    loud: int | None


@dataclass(frozen=True, slots=True)
class Recommended:
    """Which sensitivity, and why. against: the calls it finds against those found now, None if it is the one in force."""

    name: str
    why: str
    against: Paired | None


@dataclass(frozen=True, slots=True)
class Findings:
    """All that a report says. false: alerts that answer no call, at the sensitivity in force, with their part's name.

    delays_s: from the end of the last word (marked, or as the machine heard it) to the alert.
    """

    session: Session
    calls: tuple[MadeCall, ...]
    people: tuple[Person, ...]
    at: tuple[AtSensitivity, ...]
    now: AtSensitivity
    recommended: Recommended
    false: tuple[tuple[str, Told], ...]
    real_in_traffic: int
    delays_s: tuple[float, ...]
    delays_are_marked: bool
    frames: dict[int, int]
    levels: Levels
    blind_h: float
    left_out: tuple[LeftOut, ...]

    @property
    def median_delay_interval(self) -> tuple[float, float] | None:
        """95 % interval of the median delay; None for fewer than six."""
        return median_interval(self.delays_s)

    @property
    def is_complete(self) -> bool:
        """There are calls and hours of traffic."""
        return bool(self.calls) and self.now.false.hours > 0


def findings(session: Session) -> Findings:
    """From the session's lines."""
    begun, parts = session.begun, session.parts
    calls = tuple(call for part in parts for call in part.calls)
    real = [line for line in session.lines if isinstance(line, Judged)]
    at = tuple(_at(name, level, parts, calls, real) for name, level in begun.alert_levels.items())
    now = next(one for one in at if one.name == begun.in_force)
    answers = [answer for call in calls if (answer := call.answers[begun.in_force])]
    delays = tuple(sorted(_delay_s(call, begun.in_force) for call in calls if call.answers[begun.in_force]))
    frames: Counter[int] = Counter()
    for part in parts:
        frames.update(part.levels)
    false = [(part.name, told) for part in parts for told in _false(part, begun.in_force, real)]
    return Findings(
        session=session, calls=calls, people=tuple(_people(calls, begun.in_force)), at=at, now=now,
        recommended=_recommended(at, now, calls), false=tuple(false), real_in_traffic=len(real), delays_s=delays,
        delays_are_marked=all(call.is_marked for call in calls) and bool(answers), frames=dict(sorted(frames.items())),
        levels=Levels(*(_quantile(frames, share) for share in (0.1, 0.5, 0.95))),
        blind_h=sum(part.blind_s for part in parts) / 3600,
        left_out=tuple(line for line in session.lines if isinstance(line, LeftOut)),
    )  # fmt: skip


def _at(name: str, level: float, parts: Sequence[Part], calls: Sequence[MadeCall], real: Sequence[Judged]) -> AtSensitivity:
    found = [call.answers[name] is not None for call in calls]
    worth = share_worth(found, [call.person for call in calls]) if calls else None
    share = Share(sum(found), len(found), worth) if worth else Share(0, 0)
    counts, seconds = _in_bursts(parts, name, real)
    return AtSensitivity(name, level, share, Rate(sum(counts), sum(seconds) / 3600, rate_worth(counts, seconds)))


def _in_bursts(parts: Sequence[Part], name: str, real: Sequence[Judged]) -> tuple[list[int], list[float]]:
    """False alerts and seconds in stretches of about ten minutes, in the order in which they were heard."""
    counts, seconds = [0], [0.0]
    for part in parts:
        false = list(_false(part, name, real))
        pieces = max(1, round(part.seconds / _BURST_S))
        for i in range(pieces):
            if seconds[-1] >= 0.99 * _BURST_S:
                counts.append(0)
                seconds.append(0.0)
            # The times of a live minute are of its stream: it is one piece, with all that was heard in it.
            counts[-1] += sum(pieces == 1 or min(int(t.end_s / part.seconds * pieces), pieces - 1) == i for t in false)
            seconds[-1] += part.seconds / pieces
    return counts, seconds


def _false(part: Part, name: str, real: Sequence[Judged]) -> Iterator[Told]:
    """Alerts of a part at a sensitivity that nobody says were real calls."""
    here = [one.raised_s for one in real if one.part == part.name]
    at = {name: tuple(told) for name, told in part.false.items()}
    spans = [Span(t.start_s, t.end_s) for told in at.values() for t in told if t.raised_s in here]
    for told in at.get(name, ()):
        if not any(Span(told.start_s, told.end_s).overlaps(span) for span in spans):
            yield told


def _delay_s(call: MadeCall, name: str) -> float:
    answer = call.answers[name]
    assert answer, "only of calls that were found"
    return round(answer.raised_s + answer.late_s - (call.end_s if call.is_marked else answer.end_s), 3)


def _people(calls: Sequence[MadeCall], name: str) -> Iterator[Person]:
    for person in sorted({call.person for call in calls}, key=lambda who: (who == "", who.casefold())):
        own = [call for call in calls if call.person == person]
        found = [call for call in own if call.answers[name]]
        yield Person(
            person or _NOT_NAMED, Share(len(found), len(own)), sum(call.partly for call in own),
            tuple(_delay_s(call, name) for call in found), _middle([call.level_dbov for call in own]),
            _middle([call.noise_dbov for call in own]),
        )  # fmt: skip


def _middle(values: Sequence[float | None]) -> float | None:
    there = [value for value in values if value is not None]
    return round(median(there), 1) if there else None


def _quantile(frames: Counter[int], share: float) -> int | None:
    """The level that this share of the frames does not exceed; frames of digital silence are left out."""
    heard = sorted((level, n) for level, n in frames.items() if level > -119)
    below, total = 0, sum(n for _, n in heard)
    for level, n in heard:
        below += n
        if below >= share * total:
            return level
    return None


# --- what to recommend -------------------------------------------------------------------------------------


def _recommended(at: Sequence[AtSensitivity], now: AtSensitivity, calls: Sequence[MadeCall]) -> Recommended:
    """Of those with few enough false alerts the one that finds most; where several do, the fewest false alerts, then the
    one in force, then the higher level.
    """
    if not calls or not now.false.hours:
        return Recommended(now.name, "without both calls and normal traffic nothing can be recommended: left as it is.", None)
    quiet = [one for one in at if one.false.value <= MOST_FALSE_PER_H]
    limit = f"{MOST_FALSE_PER_H:g} false alerts an hour"
    if not quiet:
        best = max(at, key=lambda one: (-one.false.count, one.found.k, one is now, one.level))
        why = f"every sensitivity gave more than {limit} here; of the one with the fewest, look at what it took for calls."
        return Recommended(best.name, why, _against(best, now, calls))
    best = max(quiet, key=lambda one: (one.found.k, -one.false.count, one is now, one.level))
    why = f"of those with at most {limit} on this traffic it found the most calls"
    if sum(one.found.k == best.found.k for one in quiet) > 1:
        why += ", as others did; it gave the fewest false alerts of them" if best.false.count < max(
            one.false.count for one in quiet if one.found.k == best.found.k
        ) else ", as others did with as few false alerts"  # fmt: skip
    return Recommended(best.name, why + ".", _against(best, now, calls))


def _against(best: AtSensitivity, now: AtSensitivity, calls: Sequence[MadeCall]) -> Paired | None:
    if best is now:
        return None
    then, new = ([call.answers[one.name] is not None for call in calls] for one in (now, best))
    return mcnemar(then, new, [call.person for call in calls])


def sensitivity_title(name: str, level: float) -> str:
    """For people: "balanced", or "as set (alert_level 5.2)"."""
    return f"{name} (alert_level {level:g})" if name == AS_SET else name


# --- what it does not show ----------------------------------------------------------------------------------


def shows_not(found: Findings) -> Iterator[str]:
    """What these figures do not say, a sentence or two each."""
    begun, share, rate = found.session.begun, found.now.found, found.now.false
    people = len(found.people)
    if not found.calls:
        yield "No call was made, so it is not known how many would be found."
    else:
        low, high = (f"{100 * v:.0f}" for v in share.interval)
        if people == 1:
            yield "One person alone made the calls: nothing is known of anybody else, nor how people differ."
        elif people < FEW_PEOPLE:
            yield f"{people} people are few: voices differ, and of other people's calls fewer may be found than {low} %."
        if share.n < FEW_CALLS:
            yield f"{share.n} calls are few: {share.k} found is compatible with a true share from {low} to {high} %."
    if not rate.hours:
        yield "No normal traffic was heard, so it is not known how often it alerts when nobody calls."
    else:
        high_rate = rate.interval[1]
        few = f"{rate.hours:.1f} hours are few" if rate.hours < FEW_HOURS else f"In {rate.hours:.1f} hours"
        yield f"{few}: {rate.count} false alerts in them are compatible with up to {high_rate:.2f} an hour."
    if begun.how == "live":
        yield "Calls made on request are calmer than real ones, and people who know that they are tested speak clearly."
    if found.calls and not found.delays_are_marked and found.delays_s:
        yield "Delays count from the end of the last word as the machine heard it: that may be a tenth of a second off."
    elif found.delays_s:
        yield (
            "Delays are as exact as the marked ends of the calls, by hand about a tenth of a second; where the word was said "
            "more often than a call needs, the alert comes before the end."
        )
    yield "Noise, radios, stations and weather that did not occur in these hours have not been tried."
    if begun.how == "recordings":
        yield (
            "Recordings do not go through this computer's sound card: that the line itself works is shown by 'listener watch "
            "--check' and by a call on the radio."
        )
    if any(not call.person for call in found.calls):
        yield "Some calls name nobody: they are counted as one person's, which makes the interval wider."
    yield "The sensitivity was compared on the same calls and hours on which it is recommended, which flatters it a little."
