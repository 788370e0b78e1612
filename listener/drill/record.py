"""Several drills together: how the machine, the crew and each person did, with intervals."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from listener.drill.result import ActionResult, CallResult, Result
from listener.drill.score import worth_by_caller
from listener.drill.trends import Compared, StepLine, Trend, compare_alerts, step_lines, trends
from listener.errors import UserError
from listener.score.interval import median_interval
from listener.score.metrics import Rate, Share


@dataclass(frozen=True, slots=True)
class Delays:
    """Delays in seconds: median with its 95 % interval (None below six), and the worst."""

    values_s: tuple[float, ...]

    @property
    def median_s(self) -> float | None:
        """Median, seconds; None without delays."""
        return median(self.values_s) if self.values_s else None

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """95 % interval of the median, seconds, from ranks; None below six delays."""
        return median_interval(self.values_s)

    @property
    def worst_s(self) -> float | None:
        """The longest, seconds; None without delays."""
        return max(self.values_s, default=None)


@dataclass(frozen=True, slots=True)
class PersonLine:
    """One person's one action over all drills: to how many of the calls in their drills it came, and how late."""

    who: str
    what: str
    drills: int
    answered: Share
    delays: Delays


@dataclass(frozen=True, slots=True)
class AroundLine:
    """What the machine told of position or caller (what) over all drills, where the trainer wrote which it was.

    right: of the alerts of such calls; another: a wrong one was told.
    """

    what: str
    right: Share
    another: int
    unclear: int
    not_heard: int


@dataclass(frozen=True, slots=True)
class DrillLine:
    """One drill's row."""

    title: str
    date: str
    crew: str
    found: Share
    false_alerts: int
    heard_s: float
    delays: Delays


@dataclass(frozen=True, slots=True)
class Record:
    """The record: a row a drill, the total, the people, the expected steps, the drills one after the other, what was
    done with the machine's alerts shown against hidden, and how positions and callers were heard.
    """

    drills: tuple[DrillLine, ...]
    total: DrillLine
    people: tuple[PersonLine, ...]
    steps: tuple[StepLine, ...] = ()
    trends: tuple[Trend, ...] = ()
    compared: tuple[Compared, ...] = ()
    around: tuple[AroundLine, ...] = ()

    @property
    def false_per_hour(self) -> Rate:
        """False alerts an hour, with the exact 95 % Poisson interval."""
        return Rate(self.total.false_alerts, self.total.heard_s / 3600)


def record_of(results: Sequence[Result], crew: str | None = None, who: str | None = None) -> Record:
    """The record of some drills: all, one crew's, or those in which one person acted.

    Raises UserError when no drill is left, or when one is there twice.
    """
    chosen = [r for r in results if crew is None or r.crew.lower() == crew.lower()]
    if who is not None:
        chosen = [r for r in chosen if any(w.lower() == who.lower() for w, _ in _acts(r))]
    if not chosen:
        crews = ", ".join(sorted({r.crew for r in results if r.crew})) or "none named"
        people = ", ".join(sorted({w for r in results for w, _ in _acts(r)})) or "none named"
        raise UserError(f"no drill of crew {crew!r} and person {who!r}; crews: {crews}; people: {people}")
    seen: set[str] = set()
    for result in chosen:
        if result.file in seen:
            raise UserError(f"{result.file}: is there twice; name each drill once")
        seen.add(result.file)
    chosen.sort(key=lambda r: (str(r.date or ""), r.title))
    lines = [_line(r.title, [r]) for r in chosen]
    return Record(
        tuple(lines), _line("TOTAL", chosen), tuple(_people(chosen, who)), step_lines(chosen), trends(chosen),
        compare_alerts(chosen), tuple(_around(chosen)),
    )  # fmt: skip


def _line(title: str, results: Sequence[Result]) -> DrillLine:
    return DrillLine(
        title=title,
        date=str(results[0].date or "") if len(results) == 1 else "",
        crew=results[0].crew if len({r.crew for r in results}) == 1 else "",
        found=Share(
            sum(r.found for r in results),
            sum(r.counted for r in results),
            worth_by_caller((c.caller, c.status == "found") for r in results for c in r.calls if c.counted),
        ),
        false_alerts=sum(len(r.false_alerts) for r in results),
        heard_s=sum(r.heard_s for r in results),
        delays=Delays(tuple(d for r in results for d in r.delays_s)),
    )


def _around(results: Sequence[Result]) -> Iterable[AroundLine]:
    found = [call for result in results for call in result.calls if call.status == "found" and call.counted]
    for what, asked in (
        ("position", [(call.caller, call.heard_position) for call in found if call.position.strip()]),
        ("caller", [(call.caller, call.heard_caller) for call in found if call.caller.strip()]),
    ):
        told = [(who, answer) for who, answer in asked if answer and answer.verdict != "not available"]
        verdicts = [answer.verdict for _, answer in told]
        well = [(who, answer.right is True) for who, answer in told]
        if told:
            right = Share(sum(is_right for _, is_right in well), len(well), worth_by_caller(well))
            another = sum(answer.right is False for _, answer in told)
            yield AroundLine(what, right, another, verdicts.count("unclear"), verdicts.count("not heard"))


def _people(results: Sequence[Result], who: str | None) -> Iterable[PersonLine]:
    acts = dict.fromkeys(act for r in results for act in _acts(r))
    for person, what in acts:
        if who is not None and person.lower() != who.lower():
            continue
        theirs = [r for r in results if (person, what) in _acts(r)]
        answered = [call for r in theirs for call in r.calls if _did(call, person, what)]
        delays = [a.delay_s for call in answered for a in _did(call, person, what)[:1] if a.delay_s is not None]
        share = Share(len(answered), sum(len(r.calls) for r in theirs))
        yield PersonLine(person, what, len(theirs), share, Delays(tuple(delays)))


def _acts(result: Result) -> list[tuple[str, str]]:
    """(who, what) of everything that was done in a drill."""
    done = [a for call in result.calls for a in call.actions] + list(result.other_actions)
    return list(dict.fromkeys((a.who, a.what) for a in done))


def _did(call: CallResult, who: str, what: str) -> list[ActionResult]:
    return [a for a in call.actions if (a.who, a.what) == (who, what)]
