"""The phone search: against brute force, and against the rules it is meant to keep."""

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.speech.pronounce import PHONE_INDEX, PHONES
from listener.speech.search import BLANK, PhoneSearch, longest_frames

FRAME_COST = 6.0


def _log_probs(seed: int, frames: int, sharp: float = 2.0) -> np.ndarray:
    logits = sharp * np.random.default_rng(seed).standard_normal((frames, BLANK + 1))
    return logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))


def _run(search: PhoneSearch, log_probs: np.ndarray) -> list[float]:
    return [float(search.step(row).score[0]) for row in log_probs]


def _collapse(path: tuple[int, ...]) -> tuple[int, ...]:
    """The labelling of an alignment: repeats joined, blanks taken out (Graves et al. 2006)."""
    joined = [k for k, _ in itertools.groupby(path)]
    return tuple(k for k in joined if k != BLANK)


def _brute_force(log_probs: np.ndarray, phones: tuple[int, ...]) -> list[float]:
    """Best alignment that starts and ends on a phone, over every start, for every end."""
    cost = np.maximum(log_probs - log_probs.max(axis=1, keepdims=True), -FRAME_COST)
    labels = sorted({*phones, BLANK})
    best = []
    for end in range(len(cost)):
        scores = [-np.inf]
        for start in range(end + 1):
            for path in itertools.product(labels, repeat=end - start + 1):
                if path[0] != BLANK and path[-1] != BLANK and _collapse(path) == phones:
                    scores.append(sum(cost[start + i, k] for i, k in enumerate(path)))
        best.append(max(scores) / len(phones))
    return best


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.lists(st.integers(0, 3), min_size=1, max_size=3))
def test_it_finds_the_best_alignment_that_brute_force_finds(seed: int, phones: list[int]) -> None:
    log_probs = _log_probs(seed, 6)
    found = _run(PhoneSearch([[tuple(PHONES[k] for k in phones)]], FRAME_COST), log_probs)
    for ours, theirs in zip(found, _brute_force(log_probs, tuple(phones)), strict=True):
        assert (ours < -1e6 and theirs == -np.inf) or abs(ours - theirs) < 1e-6


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_the_free_path_is_never_beaten(seed: int) -> None:
    assert max(_run(PhoneSearch([[("S", "T", "AA", "P")]]), _log_probs(seed, 40))) <= 1e-9


def test_a_clear_word_scores_zero_and_tells_where_it_began() -> None:
    said = [None, None, "S", None, "T", "AA", "AA", None, "P", None]
    log_probs = np.full((len(said), BLANK + 1), -8.0)
    for i, phone in enumerate(said):
        log_probs[i, BLANK if phone is None else PHONE_INDEX[phone]] = -0.01
    search = PhoneSearch([[("S", "T", "AA", "P")]])
    found = [search.step(row) for row in log_probs]
    assert found[8].score[0] == 0.0
    assert found[8].start[0] == 2
    assert found[7].score[0] < -1.0


def test_a_missing_phone_costs_no_more_than_one_frame() -> None:
    said = ["S", "T", "AA", None, None]
    log_probs = np.full((len(said), BLANK + 1), -20.0)
    for i, phone in enumerate(said):
        log_probs[i, BLANK if phone is None else PHONE_INDEX[phone]] = 0.0
    best = max(_run(PhoneSearch([[("S", "T", "AA", "P")]], FRAME_COST), log_probs))
    assert best == -FRAME_COST / 4


def test_phrases_do_not_disturb_each_other() -> None:
    log_probs = _log_probs(5, 60)
    ways = [[("S", "T", "AA", "P")], [("G", "OW")], [("HH", "OW", "L", "D"), ("HH", "OW", "L")]]
    together = PhoneSearch(ways)
    joint = np.stack([together.step(row).score for row in log_probs])
    for i, way in enumerate(ways):
        assert np.allclose(_run(PhoneSearch([way]), log_probs), joint[:, i])


def test_a_word_cannot_last_for_ever() -> None:
    log_probs = np.full((400, BLANK + 1), -9.0)
    log_probs[:, BLANK] = -0.01
    log_probs[5], log_probs[390] = -9.0, -9.0
    log_probs[5, PHONE_INDEX["G"]] = log_probs[390, PHONE_INDEX["OW"]] = -0.01
    assert longest_frames(2) < 385
    assert max(_run(PhoneSearch([[("G", "OW")]]), log_probs)) < -1.0


def test_restart_forgets() -> None:
    log_probs = _log_probs(9, 30)
    search = PhoneSearch([[("S", "T", "AA", "P")]])
    first = _run(search, log_probs)
    search.restart()
    assert _run(search, log_probs) == first
