"""How a crew does from drill to drill, and with the machine's alerts shown against without them.

A drill is what is compared: calls of one drill are alike, so an interval of a difference counts drills, not calls.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import mean, median

from listener.drill.result import Result, StepResult
from listener.score.interval import difference_interval, share_worth
from listener.score.metrics import Share


@dataclass(frozen=True, slots=True)
class Trend:
    """One drill of a series. steps: the share in order and in time; delays_s: what was done -> the delays, one a call."""

    title: str
    date: str
    alerts: str
    steps: Share
    delays_s: dict[str, tuple[float, ...]]

    def median_s(self, what: str) -> float | None:
        """The median delay of one action; None if it was not done."""
        values = self.delays_s.get(what)
        return median(values) if values else None


@dataclass(frozen=True, slots=True)
class StepLine:
    """One expected step over all drills: how often it was done in order and in time, and the delays of all that were done."""

    who: str
    what: str
    drills: int
    well: Share
    late: int
    out_of_order: int
    not_done: int
    delays_s: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Arm:
    """One action in the drills of one kind. answered: after how many of their calls; means_s: a mean delay for each drill."""

    drills: int
    answered: Share
    means_s: tuple[float, ...]

    @property
    def mean_s(self) -> float:
        """The mean over the drills."""
        return mean(self.means_s)


@dataclass(frozen=True, slots=True)
class Compared:
    """One action with the machine's alerts shown and hidden."""

    what: str
    shown: Arm
    hidden: Arm

    @property
    def slower_s(self) -> float:
        """By how much the action comes later without alerts; below zero: earlier."""
        return self.hidden.mean_s - self.shown.mean_s

    @property
    def interval_s(self) -> tuple[float, float] | None:
        """95 % interval of that, over drills; None with fewer than two of a kind."""
        return difference_interval(self.hidden.means_s, self.shown.means_s)


def trends(results: Sequence[Result]) -> tuple[Trend, ...]:
    """Each drill's figures, in the order given."""
    return tuple(
        Trend(r.title, str(r.date or ""), r.alerts, _well(_steps([r])), {w: tuple(d) for w, d in _delays_s(r).items()})
        for r in results
    )


def step_lines(results: Sequence[Result]) -> tuple[StepLine, ...]:
    """Every step that any drill expected, in the order in which they first come."""
    lines = []
    keys = dict.fromkeys((s.who, s.what) for _, _, s in _steps(results))
    for who, what in keys:
        theirs = [(drill, call, s) for drill, call, s in _steps(results) if (s.who, s.what) == (who, what)]
        found = [s for _, _, s in theirs]
        lines.append(StepLine(
            who, what, len({drill for drill, _, _ in theirs}), _well(theirs, by_drill=True), sum(s.late for s in found),
            sum(s.out_of_order for s in found), sum(s.status == "not done" for s in found),
            tuple(s.delay_s for s in found if s.delay_s is not None),
        ))  # fmt: skip
    return tuple(lines)


def compare_alerts(results: Sequence[Result]) -> tuple[Compared, ...]:
    """Each action that was done in drills of both kinds; those who were asked first come first."""
    kinds = [[r for r in results if r.alerts == alerts] for alerts in ("shown", "hidden")]
    names = [dict.fromkeys(what for r in kind for what in _delays_s(r)) for kind in kinds]
    both = [what for what in names[0] if what in names[1]]
    return tuple(Compared(what, _arm(kinds[0], what), _arm(kinds[1], what)) for what in both)


def _arm(results: Sequence[Result], what: str) -> Arm:
    per_drill = [_delays_s(r).get(what, []) for r in results]
    calls = [len(r.calls) for r in results]
    answered = [k < len(delays) for delays, n in zip(per_drill, calls) for k in range(n)]
    worth = share_worth(answered, [i for i, n in enumerate(calls) for _ in range(n)])
    share = Share(sum(map(len, per_drill)), sum(calls), worth)
    return Arm(len(results), share, tuple(mean(delays) for delays in per_drill if delays))


def _delays_s(result: Result) -> dict[str, list[float]]:
    """What was done -> the delay of the first time it was done after each call, by whomever."""
    delays: dict[str, list[float]] = {}
    for call in result.calls:
        first: dict[str, float] = {}
        for action in call.actions:
            if action.delay_s is not None:
                first.setdefault(action.what, action.delay_s)
        for what, delay_s in first.items():
            delays.setdefault(what, []).append(delay_s)
    return delays


def _steps(results: Iterable[Result]) -> list[tuple[int, int, StepResult]]:
    """(drill, call, step) for every expected step."""
    return [(i, call.number, step) for i, r in enumerate(results) for call in r.calls for step in call.steps]


def _well(steps: Sequence[tuple[int, int, StepResult]], by_drill: bool = False) -> Share:
    """The share in order and in time; steps of one call, or of one drill, hang together."""
    done = [step.status == "done" for _, _, step in steps]
    clusters = [f"{drill}" if by_drill else f"{drill} {call}" for drill, call, _ in steps]
    return Share(sum(done), len(done), share_worth(done, clusters)) if steps else Share(0, 0)
