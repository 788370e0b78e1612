"""Around a call: which position it is about, and who makes it.

What may have been said near a call (from 4 s before its first word to 3 s after its last) is judged here: each position
against the others and against "none of them", and the callers likewise. It all happens after the alert, and nothing of it
reaches the call rule: the alerts are the same with and without.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp

from listener.events import Alert, Answer, Hit, Span, Update
from listener.settings import Settings
from listener.speech.spotter import DENIAL, HearsAround, Nearby, NearWord, Spotter

BEFORE_S, AFTER_S = 4.0, 3.0
JOINED_S = 1.2
"""What follows within this time belongs together; what stands further off is other talk. (Common practice, no source.)"""
TOLD = 0.5
"""The chance from which a position or a caller is told."""
CLEAR = 2.0
"""The log-odds from which a second position, or one in other talk, makes the answer unclear."""
PER_GAP_S = 1.28
"""What a second of pause between a word and the call costs it, in log-odds: such words mostly stand close."""
SETTLE_S = 0.7
"""How long after the end of the time that is listened to the ear may still bring something of it."""
SHARED = 0.4
"""Words that share more of the shorter one's time than this are the same sound."""


def judge(what: str, words: Sequence[NearWord], said: Sequence[Span], is_over: bool) -> Answer | None:
    """Which position (what: "position") a call is about, or who makes it ("caller"). None: not known yet.

    words: all that may have been said near it. said: the call's own words. is_over: nothing more will be heard.
    """
    others = [word.span for word in words if word.what not in (what, DENIAL) and word.score >= 0]
    heard = [word for word in words if word.what != what or not any(_within(word.span, other) for other in others)]
    near = _joined(heard, Span(min(said).start_s, max(span.end_s for span in said)))
    mine = sorted((word for word in near if word.what == what), key=lambda word: -word.score)
    best = {word.name: word for word in reversed(mine)}
    total = 1.0 + sum(exp(word.score) for word in best.values())
    if mine:
        first, chance = mine[0], exp(mine[0].score) / total
        second = [w for w in mine if w.name != first.name and w.score >= CLEAR and not _same_sound(w.span, first.span)]
        if first.score >= 0 and (second or _is_denied(first, near)):
            return Answer("unclear")
        if chance >= TOLD:
            return Answer("heard", first.name, round(chance, 4), first.start_s, first.end_s)
    if not is_over:
        return None
    joined = {(word.name, word.start_s) for word in near}
    in_other_talk = any(w.what == what and w.score >= CLEAR and (w.name, w.start_s) not in joined for w in heard)
    return Answer("unclear") if in_other_talk or total > 2.0 else Answer("not heard", confidence=round(1.0 / total, 4))


def _joined(words: Sequence[NearWord], call: Span) -> list[NearWord]:
    """The words that belong to the call, each joined to it or to another that is; pauses cost them (see PER_GAP_S).

    Only words that were clearly said carry others.
    """
    near: list[NearWord] = []
    left, anchors = list(words), [call]

    def gap_s(word: NearWord) -> float:
        """To the nearest that is another sound: rivals for the same sound cost alike."""
        return min(word.span.gap_s(anchor) for anchor in anchors if anchor is call or not _same_sound(anchor, word.span))

    while left and gap_s(word := min(left, key=gap_s)) <= JOINED_S:
        left.remove(word)
        near.append(replace(word, score=word.score - PER_GAP_S * gap_s(word)))
        if word.score >= CLEAR:
            anchors.append(word.span)
    return near


def _is_denied(word: NearWord, near: Sequence[NearWord]) -> bool:
    """A clear "not" stands right before it."""
    return any(w.what == DENIAL and w.score >= CLEAR and 0 <= word.start_s - w.end_s + 0.15 < 0.6 for w in near)


def _same_sound(one: Span, two: Span) -> bool:
    return one.shared_s(two) > SHARED * min(one.duration_s, two.duration_s)


def _within(inner: Span, outer: Span) -> bool:
    """Most of it is a part of something longer."""
    return inner.shared_s(outer) > 0.6 * inner.duration_s and outer.duration_s > inner.duration_s + 0.1


@dataclass(slots=True)
class _Open:
    """An alert whose position and caller are still listened for. said: its words, also those after the alert."""

    alert: Alert
    nearby: Nearby
    said: list[Span]
    looked_s: float = -1.0
    position: Answer | None = None
    caller: Answer | None = None

    @property
    def over_s(self) -> float:
        """Stream time at which nothing more is listened for."""
        return max(span.end_s for span in self.said) + AFTER_S


class Around:
    """Follows the alerts of one channel: gives an update when more is known about one, and again if that changes.

    word_level: the score of a word of a phrase that was surely said (see Calibration).
    """

    def __init__(self, settings: Settings, channel: int, spotter: Spotter, word_level: float) -> None:
        self._positions, self._callers = bool(settings.positions), bool(settings.callers)
        self._channel, self._spotter, self._word_level = channel, spotter, word_level
        self._open: list[_Open] = []

    def begin(self, alert: Alert, now_s: float) -> list[Update]:
        """An alert was told: listen around it. Gives an update at once if the engine cannot."""
        if not (self._positions or self._callers):
            return []
        if not isinstance(self._spotter, HearsAround):
            missing = Answer("not available")
            return [self._update(alert, now_s, missing if self._positions else None, missing if self._callers else None)]
        nearby = self._spotter.listen_around(alert.start_s - BEFORE_S)
        self._open.append(_Open(alert, nearby, [hit.span for hit in alert.hits]))
        return []

    def follow(self, hits: Sequence[Hit], now_s: float, ended: bool = False) -> list[Update]:
        """It is now_s, and these words of phrases became known. ended: the stream is over. Gives what became known."""
        updates = []
        for one in list(self._open):
            one.said += [hit.span for hit in hits if self._prolongs(one, hit)]
            is_over = ended or now_s >= one.over_s + SETTLE_S
            if not is_over and one.nearby.heard_until_s == one.looked_s:
                continue
            one.looked_s = one.nearby.heard_until_s
            if is_over:
                self._open.remove(one)
                self._leave(one.nearby)
            position = self._judge("position", one, is_over) if self._positions else None
            caller = self._judge("caller", one, is_over) if self._callers else None
            if _is_news(position, one.position) or _is_news(caller, one.caller):
                one.position, one.caller = position or one.position, caller or one.caller
                updates.append(self._update(one.alert, now_s, one.position, one.caller))
        return updates

    def give_up(self) -> None:
        """Follow none of the open alerts any longer."""
        for one in self._open:
            self._leave(one.nearby)
        self._open = []

    def _judge(self, what: str, one: _Open, is_over: bool) -> Answer | None:
        first_s = one.alert.start_s - BEFORE_S
        words = [word for word in one.nearby.words() if word.start_s >= first_s and word.end_s <= one.over_s]
        return judge(what, words, one.said, is_over)

    def _prolongs(self, one: _Open, hit: Hit) -> bool:
        """Said on and on after the alert, the phrase belongs to the same call."""
        if hit.phrase != one.alert.phrase or hit.score < self._word_level or hit.start_s < one.alert.start_s:
            return False
        return hit.start_s < one.over_s and not any(_same_sound(hit.span, span) for span in one.said)

    def _leave(self, nearby: Nearby) -> None:
        if isinstance(self._spotter, HearsAround):
            self._spotter.leave(nearby)

    def _update(self, alert: Alert, now_s: float, position: Answer | None, caller: Answer | None) -> Update:
        return Update(self._channel, alert.phrase, alert.start_s, now_s, position, caller)


def _is_news(new: Answer | None, old: Answer | None) -> bool:
    return new is not None and (old is None or (new.verdict, new.name) != (old.verdict, old.name))
