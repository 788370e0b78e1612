"""The call rule: when single words, each heard with a score, make a call.

A call is the same phrase N times in a row. N words are judged jointly: listener.call.chain says what they weigh.
"""

from dataclasses import dataclass, replace
from math import inf
from typing import TypeVar

from listener.call.background import Background, background
from listener.call.chain import Chain, best_chain
from listener.call.confidence import confidence
from listener.events import Alert, Call, Candidate, Event, Hit, PartlyHeard
from listener.settings import PhraseSettings, Settings
from listener.speech.spotter import NO_TALK, Calibration, Talk

SAME = 0.65
"""Hits that share more of their time are the same word; of those that share less, a chain takes either."""

C = TypeVar("C", bound=Call)

LONGEST_WORD_S = 2.0
"""No phrase said once is taken to last longer."""


def said_until_s(chain: Chain, now_s: float) -> float:
    """When the last word of a call ends, as far as is known at now_s.

    An engine may tell a word while it is still being said, with an end that is too early and depends on how far the
    engine had come. So the last word is taken to last at least as long as the shortest one before it, which were heard
    whole; but nothing is said to have ended later than now. (Common practice, no source; a caller keeps an even pace.)
    """
    last = chain.hits[-1]
    usual_s = min((hit.end_s - hit.start_s for hit in chain.hits[:-1]), default=0.0)
    return max(chain.end_s, min(last.start_s + usual_s, now_s))


class PhraseRule:
    """Follows one phrase on one channel: hears hits as they become known, and time as it passes.

    alert_level: the joint score (stated for three words) from which a call is an alert. talk: the phrase's background,
    where it is known.
    """

    def __init__(
        self,
        phrase: PhraseSettings,
        calibration: Calibration,
        alert_level: float,
        channel: int,
        engine: str,
        talk: Background | None = None,
    ) -> None:
        self._phrase = phrase
        self._calibration = calibration
        self._alert_level = alert_level
        self._channel = channel
        self._engine = engine
        self._talk = talk
        self._hits: list[Hit] = []
        self._alerted_end_s = -inf  # end of the last sure word of the last alerted call
        self._candidate = _Peak(-inf)  # all the repeats, below the alert level
        self._partly = _Peak(-inf)  # all the repeats but one

    def hear(self, hit: Hit, now_s: float) -> Alert | None:
        """A word was heard, or heard better than before. Gives the alert if that makes the call."""
        if hit.score < self._calibration.word_floor or self._of_alerted_call(hit):
            return None
        self._keep(hit)
        chain = self._best(self._phrase.repeats, self._alert_level)
        if chain:
            self._alerted_end_s = chain.end_s
            self._hits = []
            self._candidate, self._partly = _Peak(chain.end_s), _Peak(chain.end_s)
            return replace(self._event(Alert, chain, now_s), end_s=said_until_s(chain, now_s))
        self._candidate = self._higher(self._candidate, self._phrase.repeats, self._calibration.candidate_level)
        if self._phrase.repeats > 1:
            self._partly = self._higher(self._partly, self._phrase.repeats - 1, self._calibration.partly_level)
        return None

    def pass_time(self, now_s: float, ended: bool = False) -> list[Candidate | PartlyHeard]:
        """It is now_s. Gives the calls that made no alert and that no further word can join.

        ended: the stream is over, so nothing can.
        """
        told: list[Candidate | PartlyHeard] = []
        latest_s = inf if ended else now_s - self._phrase.longest_gap_s - LONGEST_WORD_S - self._calibration.settle_s
        if self._partly.chain and self._partly.chain.end_s < latest_s:
            told.append(self._event(PartlyHeard, self._partly.chain, now_s))
            self._partly = _Peak(self._partly.chain.end_s)
        if self._candidate.chain and self._candidate.chain.end_s < latest_s:
            told.append(self._event(Candidate, self._candidate.chain, now_s))
            self._candidate = _Peak(self._candidate.chain.end_s)
        return told

    def _of_alerted_call(self, hit: Hit) -> bool:
        """Words said on and on after the alert belong to the same call; only sure ones prolong it."""
        if hit.start_s > self._alerted_end_s + self._phrase.call_over_s:
            return False
        if hit.score >= self._calibration.word_level:
            self._alerted_end_s = max(self._alerted_end_s, hit.end_s)
        return True

    def _keep(self, hit: Hit) -> None:
        same = [old for old in self._hits if old.span.likeness(hit.span) > SAME]
        if any(old.score > hit.score or (old.score == hit.score and old.span != hit.span) for old in same):
            return  # a word told once more, with more known of its rivals, takes its own place
        reach_s = self._phrase.repeats * (LONGEST_WORD_S + self._phrase.longest_gap_s)
        kept = [old for old in self._hits if old not in same and old.end_s > hit.end_s - reach_s]
        self._hits = sorted([*kept, hit], key=lambda h: (h.start_s, h.end_s))

    def _best(self, length: int, level: float, from_s: float = -inf) -> Chain | None:
        hits = [hit for hit in self._hits if hit.start_s >= from_s]
        return best_chain(hits, length, self._phrase, self._calibration, level)

    def _higher(self, peak: "_Peak", length: int, level: float) -> "_Peak":
        chain = self._best(length, max(level, peak.chain.joint if peak.chain else -inf), peak.from_s)
        if chain is None or (peak.chain and peak.chain.joint >= chain.joint):
            return peak
        return _Peak(peak.from_s, chain)

    def _event(self, kind: type[C], chain: Chain, now_s: float) -> C:
        # A word that was not heard adds nothing: N-1 words are N-1 words' evidence for N.
        share = len(chain.hits) / self._phrase.repeats
        return kind(
            channel=self._channel,
            phrase=self._phrase.words,
            repeats=self._phrase.repeats,
            start_s=chain.start_s,
            end_s=chain.end_s,
            raised_s=now_s,
            confidence=confidence(chain.joint * share, self._calibration),
            engine=self._engine,
            hits=chain.hits,
            chance_per_h=self._talk.chance_per_h(chain.joint) if self._talk and share == 1 else None,
        )


@dataclass(frozen=True, slots=True)
class _Peak:
    """The heaviest chain seen since from_s and not told yet."""

    from_s: float
    chain: Chain | None = None


def alert_level(settings: Settings, calibration: Calibration) -> float:
    """The joint score from which a call is an alert: the settings' own, else that of their sensitivity."""
    return calibration.alert_levels[settings.sensitivity] if settings.alert_level is None else settings.alert_level


class CallRule:
    """The rule for all phrases of one channel. talk: what the engine takes for them where nobody calls."""

    def __init__(
        self, settings: Settings, calibration: Calibration, channel: int, engine: str, talk: Talk = NO_TALK
    ) -> None:
        level = alert_level(settings, calibration)
        self._rules = {
            phrase.words: PhraseRule(
                phrase, calibration, level, channel, engine, background(talk, phrase, calibration)
            )
            for phrase in settings.phrases
        }

    def hear(self, hits: list[Hit], now_s: float) -> list[Event]:
        """New hits at stream time now_s; gives the alerts they make."""
        alerts = [self._rules[hit.phrase].hear(hit, now_s) for hit in hits]
        return [alert for alert in alerts if alert]

    def pass_time(self, now_s: float, ended: bool = False) -> list[Event]:
        """It is now_s (and the stream is over, if ended); gives what was heard short of an alert."""
        return [event for rule in self._rules.values() for event in rule.pass_time(now_s, ended)]
