"""What every engine must offer: an Engine is loaded once, a Spotter listens to one channel."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from listener.events import Hit, Span


class Spotter(Protocol):
    """Hears the configured phrases on one channel, word-phrase by word-phrase.

    The same audio gives the same hits, however it is cut into pieces by feed().
    """

    name: str

    def restart(self, first_sample: int) -> None:
        """What follows starts at this sample of the RATE_HZ stream; what was heard before is forgotten."""

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        """Take the next samples (float32, shape (n,), any n, at RATE_HZ) and give the hits that became known.

        A word may be reported again, overlapping its first report, when its score has become better:
        so a spotter can report early. Times are absolute (see restart).
        """

    def finish(self) -> list[Hit]:
        """The stretch has ended: give what is still held back. restart() comes before more audio."""


DENIAL = "not"
"""The word that, right before a position, says that it is another one."""


@dataclass(frozen=True, slots=True)
class NearWord:
    """Something that may have been said near a call: one of what is looked for there.

    what: "position", "caller" or DENIAL. score: log-odds that it was said there against that it was not.
    """

    what: str
    name: str
    start_s: float
    end_s: float
    score: float

    @property
    def span(self) -> Span:
        """When it was said."""
        return Span(self.start_s, self.end_s)


class Nearby(Protocol):
    """Listens for positions and callers around one call; the spotter that made it goes on feeding it."""

    @property
    def heard_until_s(self) -> float:
        """Stream time up to which the sound has been searched."""

    def words(self) -> list[NearWord]:
        """What may have been said so far, in order of time; a later answer may be another."""


@runtime_checkable
class HearsAround(Protocol):
    """What a Spotter offers beside, if it can hear positions and callers."""

    def listen_around(self, from_s: float) -> Nearby:
        """Search what was heard from this stream time on (as far as it is remembered), and what follows."""

    def leave(self, nearby: Nearby) -> None:
        """Search no further for this one."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """How an engine's scores are judged. Joint scores are sums of word scores, stated for three words.

    alert_levels: the joint score that an alert needs, for each sensitivity.
    partly_level: the joint score that all words but one need to be told as partly heard.
    candidate_level: calls below it are not even candidates.
    word_level: the score of a word that is surely there; such a word keeps an alerted call alive.
    word_floor, word_cap: hits below the floor are ignored, and no word adds more than the cap, so
    that no single word carries a call.
    rhythm_weight: what an uneven beat costs (see listener.call.chain.rhythm_penalty).
    even_level, slope: confidence = 1 / (1 + exp(-slope * (joint - even_level))).
    clarity_weight, clarity_range: what it costs that one word is far less clear than the others, per unit beyond
    the range (see listener.call.chain.clarity_penalty).
    rival_weight, rival_from, rival_range: what it costs, per unit beyond the first and up to so many units, that a rival
    explains the words better than the phrase does (see listener.call.chain.rival_penalty).
    settle_s: the longest time from the end of a word to its last (best) report.
    Raises ValueError when two of the strongest words and one at the floor would make an alert.
    """

    alert_levels: Mapping[str, float]
    partly_level: float
    candidate_level: float
    word_level: float
    word_floor: float
    word_cap: float
    rhythm_weight: float
    even_level: float
    slope: float
    settle_s: float = 0.5
    clarity_weight: float = 0.0
    clarity_range: float = 0.0
    rival_weight: float = 0.0
    rival_from: float = 0.0
    rival_range: float = inf

    def __post_init__(self) -> None:
        if min(self.alert_levels.values()) <= 2 * self.word_cap + self.word_floor:
            raise ValueError("alert_levels must be above 2 * word_cap + word_floor")


@dataclass(frozen=True, slots=True)
class Talk:
    """What an engine takes for its phrases in other people's talk, where nobody makes a call.

    hours: of talk that was heard for it; 0 where an engine knows none. hits: by phrase, in order of time, weak ones too.
    """

    hours: float = 0.0
    hits: Mapping[str, tuple[Hit, ...]] = field(default_factory=dict)
    worked_out: dict[Hashable, Any] = field(default_factory=dict, compare=False, repr=False)
    """What others made of the hits, so that each channel and trial need not do it again."""


NO_TALK = Talk()
"""Of an engine that knows none."""


class Engine(Protocol):
    """A loaded recogniser. Loading is slow and done once; each channel gets a spotter of its own.

    name: as in the settings. model: which weights it has, by their own name. folder: the files it listens with, None
    for an engine without any.
    """

    name: str
    model: str
    folder: Path | None
    talk: Talk

    @property
    def calibration(self) -> Calibration:
        """How its scores are judged."""

    def spotter(self) -> Spotter:
        """A new spotter for one channel."""
