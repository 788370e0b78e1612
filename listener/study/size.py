"""Planning: how many speakers, calls and hours a wanted interval needs, or telling two engines apart.

How alike the calls of one speaker are (`alike`, the intraclass correlation) decides whether more calls help or only
more speakers: the design effect is 1 + (calls each - 1) * alike. A finished study tells it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, log

from scipy.stats import norm
from scipy.stats import t as student

from listener.score.interval import Worth, share_interval
from listener.study.results import EngineResult

ALIKE = 0.1
"""What is taken where no study tells it (common practice, no source)."""
MOST_EACH = 1000
POWER = 0.8


@dataclass(frozen=True, slots=True)
class Need:
    """Calls at one SNR. each: of each speaker; None where no number of calls of so few speakers does it."""

    speakers: int
    each: int | None

    @property
    def calls(self) -> int | None:
        """All calls."""
        return None if self.each is None else self.speakers * self.each


def worth_of(speakers: int, each: int, alike: float) -> Worth:
    """What `each` calls of each speaker would be worth, with degrees of freedom as for one SNR."""
    effect = 1 + (each - 1) * alike
    freedom = effect**2 / ((effect - 1) ** 2 / (speakers - 1) + 1 / (speakers - 1))
    return Worth(effect, freedom, speakers)


def for_interval(miss: float, reach: float, speakers: int, alike: float = ALIKE) -> Need:
    """Calls so that the 95 % interval of a miss share reaches no farther than `reach` on its wider side."""

    def wide(each: int) -> float:
        n = speakers * each
        low, high = share_interval(miss * n, n, worth_of(speakers, each, alike))
        return max(miss - low, high - miss)

    return Need(speakers, _least(lambda each: wide(each) <= reach))


def for_difference(miss: float, better: float, speakers: int, alike: float = ALIKE) -> Need:
    """Calls heard by both so that a miss of `better` instead of `miss` is told apart (two-sided 5 %, power 80 %).

    McNemar's variance with misses that fall on calls independently, the most there can be.
    """
    apart = miss * (1 - better) + better * (1 - miss)

    def enough(each: int) -> bool:
        worth = worth_of(speakers, each, alike)
        z = worth.quantile + float(student.ppf(POWER, worth.freedom) if worth.freedom < 1e6 else norm.ppf(POWER))
        variance = (apart - (miss - better) ** 2) * worth.design_effect / (speakers * each)
        return z * variance**0.5 <= abs(miss - better)

    return Need(speakers, _least(enough))


def hours_for(per_hour: float) -> float:
    """Hours without a false alert that show a rate of at most per_hour (95 %, one-sided: -ln 0.05 = 2.996 events)."""
    return -log(0.05) / per_hour


def alike_in(one: EngineResult) -> float | None:
    """Intraclass correlation in a study's calls; None with a single speaker or one call of each."""
    at_one = one.calls.group_by("snr_db").len()["len"].mean()
    worth = one.missed(snr_db=one.calls["snr_db"][0]).worth
    each = float(at_one) / worth.clusters if worth.clusters > 1 and isinstance(at_one, float) else 1.0
    return (worth.design_effect - 1) / (each - 1) if each > 1 else None


def _least(enough: Callable[[int], bool]) -> int | None:
    """The smallest number of calls each, 1 to MOST_EACH, that is enough (more never hurts)."""
    if not enough(MOST_EACH):
        return None
    low, high = 0, MOST_EACH
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def as_text(need: Need) -> str:
    """For people."""
    if need.each is None:
        return f"{need.speakers} speakers: not with any number of calls; more speakers are needed"
    return f"{need.speakers} speakers: {need.each} calls each, {need.calls} at each SNR"


def rounds(per_hour: float) -> str:
    """Hours for people."""
    return f"{ceil(hours_for(per_hour) * 10) / 10:g} h without a false alert show at most {per_hour:g} an hour"
