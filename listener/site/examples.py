"""Learning a phrase from takes: seconds of work on this computer, and nothing is taken that does not prove itself.

A take is somebody saying the phrase once. The network hears each take quiet and in noise; where the phrase's words peak, its
queries are positive examples, and the queries of the talk that comes with the model are negative ones. A logistic
regression that stays near the dictionary's own direction turns both into one direction a word. What comes of it is
judged on takes and on talk that it was not learnt from, and refused if the ear does better without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from listener.call.background import joint_peaks
from listener.call.rule import alert_level
from listener.errors import UserError
from listener.events import RATE_HZ, Hit
from listener.radio import VOICE_BAND_HZ
from listener.settings import PhraseSettings, Settings
from listener.speech.bank import Bank, read_bank
from listener.speech.ear import EarEngine, model_folder
from listener.speech.examples import Examples, hear_bank
from listener.speech.judge import Judge
from listener.speech.network import Network, open_session
from listener.speech.phrase_ear import FRAME_S
from listener.speech.pronounce import unknown_words
from listener.speech.talk import Listening, search_bank
from listener.speech.word_view import embed

Takes = Mapping[str, Sequence[np.ndarray]]  # by person: sounds, float32 at RATE_HZ, each the phrase said once

LEAST_TAKES = 5
SNRS_DB = (None, 10.0, 5.0)  # each take is heard so: as it is, and in noise
GAP_S = 0.45
RIDGE = 0.3  # of the regression: how near the direction stays to where it began
HARDEST = 6_000  # queries of talk that are nearest to the phrase; all others are far from it
BLOCK = 6_000  # frames (2 min) of talk that go together to one half or the other
# The score; chosen on the words up, no, on and go by people (docs/voices.md says with what outcome).
WITH_PHONES, ALONE = (0.8, 0.8), (0.0, 1.0)
OFFSETS = tuple(np.arange(6.0, 1.99, -0.5))
TALK_AT_MOST_PER_H = 0.25  # false alerts in talk; as many as one in the hours of the bank
RESERVE = 0.5  # by which the offset of a phrase that the dictionary knows stays below what that allows: other talk alerts more
LONGEST_WORD_S = 0.45  # a take's edges are silence or breath: longer spans would run into the next word
USUAL_NORM = 13.5  # length of the dictionary's directions
ALIKE = 0.33
"""Takes of one phrase by different people agree by more (0.44 to 0.92 in ten sets, by voices and by people), of different
phrases by less (0.17 to 0.23 in three): mean cosine between queries, less the talk's mean. Talk in one language alone cannot
tell that takes in another are of different words."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What the network gave for one person's takes in a row: phones, queries, and where each take lay, in seconds."""

    phones: np.ndarray
    queries: np.ndarray
    spans: tuple[tuple[float, float], ...]
    noisy: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """How takes that were not learnt from were heard: shares of them clear enough for a call, without examples and with them;
    false alerts in the hours of talk, likewise. before is None for a phrase that the dictionary lacks."""

    takes: int
    people: int
    before: float | None
    after: float
    talk_h: float
    alerts_before: int | None
    alerts_after: int


@dataclass(frozen=True, slots=True)
class _Words:
    """What is needed of an ear to see one phrase: its engine and how many words it has. known: to the dictionary."""

    engine: EarEngine
    phrase: str
    count: int
    known: bool

    def judge(self, queries: np.ndarray) -> tuple[np.ndarray | None, np.ndarray]:
        """Log probabilities of the phrase's own words, None if it is not known; and log_sum."""
        words, _, log_sum = self.engine.phrases.words.judge(queries)
        return (words if self.known else None), log_sum


def learn(phrase: str, takes: Takes, settings: Settings) -> tuple[Examples, Outcome]:
    """Learn a phrase from takes. Raises UserError, with the figures, where the takes do not improve it."""
    count = sum(map(len, takes.values()))
    if count < LEAST_TAKES:
        raise UserError(f"{phrase!r}: {count} takes; at least {LEAST_TAKES} are needed, better five each by several people")
    words = _words(phrase, settings)
    bank = read_bank(words.engine.folder)
    if bank is None:
        raise UserError(f"{words.engine.folder}: this model brings no talk to judge examples by; use a shipped one")
    asked = next((one for one in settings.phrases if one.words == phrase), PhraseSettings(words=phrase))
    level = alert_level(settings, words.engine.calibration)
    heard = {who: hear(words.engine, some, seed) for seed, (who, some) in enumerate(sorted(takes.items()))}
    _check_alike(phrase, words, heard, bank)
    halves = _halves(bank)
    fits = _fits(words, bank)
    first = _learnt(words, [one for some in heard.values() for one in some], halves[0], bank)
    other = _learnt(words, [one for some in heard.values() for one in some], halves[1], bank)
    chosen = _with_offset(words, (first, other), halves, bank, fits, asked, level)
    outcome = _outcome(words, chosen, heard, halves, bank, asked, level)
    _refuse(phrase, outcome)
    facts = {"people": sorted(takes), "takes": count, "held out": {"before": outcome.before, "after": outcome.after}}
    return replace(chosen, facts=facts), outcome


def _words(phrase: str, settings: Settings) -> _Words:
    spelled = dict(settings.pronounce)
    known = not unknown_words([phrase], spelled)
    engine = EarEngine(model_folder(settings), [phrase] if known else [], spelled, hear_again=False)
    return _Words(engine, phrase, len(phrase.split()), known)


def hear(engine: EarEngine, takes: Sequence[np.ndarray], seed: int) -> list[Heard]:
    """One person's takes in a row, as they are and in noise."""
    parts, spans, at_s = [np.zeros(RATE_HZ // 2, np.float32)], [], 0.5
    for take in takes:
        take = take * np.float32(0.1 / max(1e-6, float(np.sqrt(np.mean(take**2)))))
        spans.append((at_s, at_s + len(take) / RATE_HZ))
        parts += [take, np.zeros(round(GAP_S * RATE_HZ), np.float32)]
        at_s += len(take) / RATE_HZ + GAP_S
    said = np.concatenate([*parts, np.zeros(RATE_HZ // 2, np.float32)])
    heard = []
    for number, snr_db in enumerate(SNRS_DB):
        network = Network(engine.session, engine.info)
        chunks = [*network.feed(_in_noise(said, snr_db, np.random.default_rng([seed, number]))), *network.flush()]
        phones, queries = (np.concatenate([chunk[i] for chunk in chunks]) for i in (0, 1))
        heard.append(Heard(phones, queries, tuple(spans), snr_db is not None))
    return heard


def _in_noise(said: np.ndarray, snr_db: float | None, rng: np.random.Generator) -> np.ndarray:
    """Falling noise (6 dB an octave) in the voice band, so far below the level of the takes; a line's hiss where None."""
    spectrum = np.fft.rfft(rng.normal(size=len(said)))
    hz = np.fft.rfftfreq(len(said), 1 / RATE_HZ)
    inside = (hz >= VOICE_BAND_HZ[0]) & (hz <= VOICE_BAND_HZ[1])
    noise = np.fft.irfft(np.where(inside, spectrum / np.maximum(hz, 1.0), 0), len(said))
    noise *= 0.1 * 10 ** (-(45.0 if snr_db is None else snr_db) / 20) / np.sqrt(np.mean(noise**2))
    speech = np.fft.irfft(np.where(inside, np.fft.rfft(said), 0), len(said)) if snr_db is not None else said
    return np.clip(speech + noise, -1, 1).astype(np.float32)


def _check_alike(phrase: str, words: _Words, heard: Mapping[str, Sequence[Heard]], bank: Bank) -> None:
    """UserError for takes that have no word in common."""
    agreement = max(_agreement(words, heard, place, bank) for place in range(words.count))
    if agreement < ALIKE:
        raise UserError(f"{phrase!r}: not taken: the takes are not of one phrase (they agree by {max(agreement, 0.0):.2f}, "
                        f"takes of one by {ALIKE} or more); listen to them, and delete what is not it")  # fmt: skip


def _agreement(words: _Words, heard: Mapping[str, Sequence[Heard]], place: int, bank: Bank) -> float:
    """Mean cosine between the takes of different people (of one alone, their own), where this word of the phrase peaks."""
    mean = bank.queries[:, :-1].mean(axis=0, dtype=np.float32)
    rows, owners = [], []
    for number, (quiet, *_) in enumerate(heard.values()):
        own, log_sum = words.judge(quiet.queries)
        view = _spoken(quiet, log_sum) if own is None else own[:, place]
        query = quiet.queries[_frames(quiet, place, words.count, view, own is not None), :-1] - mean
        rows.append(query / np.linalg.norm(query, axis=1, keepdims=True))
        owners += [number] * len(query)
    owner, all_rows = np.array(owners), np.concatenate(rows)
    pairs = owner[:, None] != owner if len(rows) > 1 else ~np.eye(len(owner), dtype=bool)
    return float((all_rows @ all_rows.T)[pairs].mean())


def _halves(bank: Bank) -> tuple[np.ndarray, np.ndarray]:
    """Which queries of the bank belong to which half."""
    second = bank.at // BLOCK % 2 == 1
    return np.flatnonzero(~second), np.flatnonzero(second)


def _fits(words: _Words, bank: Bank) -> np.ndarray:
    """How well the phones fit at each frame of the bank; zero where they do not count."""
    if not words.known:
        return np.zeros(len(bank.phones), np.float32)
    engine = words.engine
    ear = Listening.of(engine.phrases, engine.known.sounds.look_alikes)
    fits: np.ndarray = search_bank(bank, ear)[0][0]
    return fits


def _learnt(words: _Words, heard: list[Heard], half: np.ndarray, bank: Bank) -> Examples:
    """Directions from these takes and one half of the talk."""
    talk_own, _, talk_sum = words.engine.phrases.words.judge_sparse(bank.queries[half], bank.log_sum[half])
    views = [words.judge(one.queries) for one in heard]
    vectors, biases, peaks = [], [], []
    for place in range(words.count):
        start = _start(words, place)
        frames = [_frames(one, place, words.count, own[:, place] if own is not None else _spoken(one, total), own is not None)
                  for one, (own, total) in zip(heard, views, strict=True)]  # fmt: skip
        talk_rest = talk_sum + (np.log1p(-np.exp(np.minimum(talk_own[:, place], -1e-6))) if words.known else 0.0)
        for _ in range(1 if words.known else 3):  # without a dictionary, where the peaks are is learnt with the direction
            queries = np.concatenate([one.queries[at] for one, at in zip(heard, frames, strict=True)])
            rest = np.concatenate([_rest(own, total, place)[at] for (own, total), at in zip(views, frames, strict=True)])
            if start is None:
                mean = queries[:, :-1].mean(axis=0)
                start = mean * np.float32(USUAL_NORM / np.linalg.norm(mean))
            vector, bias = _regression(queries[:, :-1], rest, bank.queries[half][:, :-1], talk_rest, start)
            if not words.known:
                logits = [one.queries[:, :-1] @ (vector / 16) + bias - view[1] for one, view in zip(heard, views, strict=True)]
                frames = [_frames(one, place, words.count, some, True) for one, some in zip(heard, logits, strict=True)]
        vectors.append(vector)
        biases.append(bias)
        peaks = frames
    ends = np.array([end for one in heard for _, end in one.spans])
    lags = (np.concatenate(peaks) + 1) * FRAME_S - ends
    duration = float(np.median([end - start_s for one in heard for start_s, end in one.spans]))
    phones, weight = WITH_PHONES if words.known else ALONE
    return Examples(
        words.phrase, words.engine.model, np.stack(vectors).astype(np.float32), np.array(biases, np.float32),
        min(duration, LONGEST_WORD_S * words.count), max(0.0, float(np.median(lags))), phones, weight, OFFSETS[0], 0.0, (), {},
    )  # fmt: skip


def _start(words: _Words, place: int) -> np.ndarray | None:
    """The dictionary's direction of a word; None without one."""
    if not words.known:
        return None
    text = open_session(words.engine.folder / "text.onnx")
    return embed(text, words.engine.known.sounds.words[0][place][0])


def _rest(own: np.ndarray | None, log_sum: np.ndarray, place: int) -> np.ndarray:
    """log_sum without the word's own share."""
    return log_sum if own is None else log_sum + np.log1p(-np.exp(np.minimum(own[:, place], -1e-6)))


def _spoken(one: Heard, log_sum: np.ndarray) -> np.ndarray:
    """How sure the word view is that some word was said: log(1 - p(blank))."""
    blank = np.minimum(one.queries[:, -1] - log_sum, -1e-6)
    spoken: np.ndarray = np.log1p(-np.exp(blank))
    return spoken


def _frames(one: Heard, place: int, words: int, view: np.ndarray, trusted: bool) -> np.ndarray:
    """The frame of each take in which a word of the phrase peaks: its share of the take and a little behind it.

    A view that is not trusted to find the word (there is no dictionary yet) looks at the later half only: words show late.
    """
    found = []
    for start_s, end_s in one.spans:
        each_s = (end_s - start_s) / words
        from_s = start_s + place * each_s + (0.1 if trusted else each_s / 2)
        first, last = round(from_s / FRAME_S), round((start_s + (place + 1) * each_s + 0.35) / FRAME_S)
        first = min(first, len(view) - 2)
        found.append(first + int(np.argmax(view[first : max(last, first + 1)])))
    return np.array(found)


def _regression(
    ours: np.ndarray, ours_rest: np.ndarray, talk: np.ndarray, talk_rest: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, float]:
    """Direction and bias by Newton's method: ours are positive, the talk's hardest negative, and near `start` is cheap."""
    talk_logit = talk @ (start / 16) - talk_rest
    hard = np.argsort(-talk_logit)[:HARDEST]
    x = np.concatenate([ours, talk[hard]]).astype(np.float64) / 16
    x = np.concatenate([x, np.ones((len(x), 1))], axis=1)
    rest = np.concatenate([ours_rest, talk_rest[hard]])
    wanted = np.concatenate([np.ones(len(ours)), np.zeros(len(hard))])
    origin = np.append(start.astype(np.float64), 0.0)

    def cost(weights: np.ndarray) -> float:
        logit = x @ weights - rest
        return float((np.logaddexp(0, logit) - wanted * logit).sum() + RIDGE / 2 * ((weights - origin) ** 2).sum())

    weights, now = origin.copy(), cost(origin)
    for _ in range(25):
        chance = 1 / (1 + np.exp(-np.clip(x @ weights - rest, -50, 50)))
        slope = x.T @ (chance - wanted) + RIDGE * (weights - origin)
        bend = (x * (chance * (1 - chance))[:, None]).T @ x + RIDGE * np.eye(len(weights))
        step, size = np.linalg.solve(bend, slope), 1.0
        while size > 1e-4 and cost(weights - size * step) > now:
            size /= 2
        weights = weights - size * step
        before, now = now, cost(weights)
        if before - now < 1e-3:
            break
    return weights[:-1].astype(np.float32), float(weights[-1])


def _with_offset(
    words: _Words, learnt: tuple[Examples, Examples], halves: tuple[np.ndarray, np.ndarray], bank: Bank, fits: np.ndarray,
    phrase: PhraseSettings, level: float,
) -> Examples:  # fmt: skip
    """The highest offset at which talk stays rare, less a reserve.

    Each half of the talk is judged by what was learnt without it.
    """
    engine = words.engine
    views = np.full((len(bank.at), words.count), -99.0, np.float32)
    own, _, log_sum = engine.phrases.words.judge_sparse(bank.queries, bank.log_sum)
    for examples, half in zip(learnt, halves[::-1], strict=True):
        views[half] = examples.view(bank.queries[half], log_sum[half], own[half] if words.known else None)

    def at(offset: float) -> Examples:
        tried = replace(learnt[0], offset=offset)
        return replace(tried, talk=tuple(hear_bank(tried, engine.info.weights, bank, fits, views)), talk_h=bank.hours)

    for offset in map(float, OFFSETS):
        if _alerts(at(offset).talk, phrase, engine, level) <= TALK_AT_MOST_PER_H * bank.hours:
            break
    return at(offset - RESERVE if words.known else offset)


def _alerts(hits: Sequence[Hit], phrase: PhraseSettings, engine: EarEngine, level: float) -> int:
    return sum(peak >= level for peak in joint_peaks(tuple(hits), phrase, engine.calibration))


def _outcome(
    words: _Words, chosen: Examples, heard: dict[str, list[Heard]], halves: tuple[np.ndarray, np.ndarray], bank: Bank,
    phrase: PhraseSettings, level: float,
) -> Outcome:  # fmt: skip
    """Takes heard by what was learnt from other people, or where there is one person only, from other takes."""
    needed = level / 3
    before, after = [], []
    for rest, tested in _folds(heard):
        learnt = replace(_learnt(words, rest, halves[0], bank), offset=chosen.offset)
        for one in tested:
            after += _scores(words, one, {words.phrase: learnt})
            if words.known:
                before += _scores(words, one, {})
    share = [float(np.mean([score >= needed for score in scores])) if scores else None for scores in (before, after)]
    base = _alerts(words.engine.talk.hits[words.phrase], phrase, words.engine, level) if words.known else None
    alerts = _alerts(chosen.talk, phrase, words.engine, level)
    takes = sum(len(some[0].spans) for some in heard.values())
    return Outcome(takes, len(heard), share[0], share[1] or 0.0, bank.hours, base, alerts)


def _folds(heard: dict[str, list[Heard]]) -> list[tuple[list[Heard], list[Heard]]]:
    """What teaches and what is tested by it: each person by the others (in five groups where there are more), one person's
    takes by halves."""
    if len(heard) == 1:
        (only,) = heard.values()
        parts = [[replace(one, spans=one.spans[n::2]) for one in only] for n in (0, 1)]
    else:
        people = list(heard)
        groups = min(5, len(people))
        parts = [[one for who in people[n::groups] for one in heard[who]] for n in range(groups)]
    return [([one for other in parts if other is not part for one in other], part) for part in parts]


def _scores(words: _Words, one: Heard, examples: dict[str, Examples]) -> list[float]:
    """The best score of the phrase in each take, -99 where it was not heard."""
    phrases = words.engine.phrases
    told = Judge(phrases, examples).fits(one.phones, one.queries, phrases.words.judge(one.queries))
    return [max((fit.score for _, fit in told if fit.start * FRAME_S < end + 0.2 and fit.end * FRAME_S > start), default=-99.0)
            for start, end in one.spans]  # fmt: skip


def _refuse(phrase: str, outcome: Outcome) -> None:
    """UserError where the ear does better without."""
    figures = f"takes it was not learnt from: {outcome.after:.0%} clear enough"
    if outcome.before is not None:
        figures += f" with examples, {outcome.before:.0%} without"
    if outcome.alerts_before is not None and outcome.alerts_after > max(outcome.alerts_before, 1):
        raise UserError(f"{phrase!r}: not taken: {outcome.alerts_after} false alerts in {outcome.talk_h:.1f} h of talk, "
                        f"{outcome.alerts_before} without; the phrase is left as it is")  # fmt: skip
    if outcome.after < (outcome.before if outcome.before is not None else 0.5):
        raise UserError(f"{phrase!r}: not taken: {figures}; the takes may hold another word, or two people, or too much noise")
