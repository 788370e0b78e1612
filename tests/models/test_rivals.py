"""Look-alikes: exactly the words that are one phone apart.  (about 3 s)"""

from hypothesis import given
from hypothesis import strategies as st

from listener.speech.pronounce import every_pronunciation
from models.training.rivals import look_alikes_of, one_apart

word = st.lists(st.sampled_from(["S", "T", "AA", "P"]), min_size=1, max_size=5).map(tuple)


def _edits(one: tuple[str, ...], two: tuple[str, ...]) -> int:
    """Levenshtein distance, written out."""
    row = list(range(len(two) + 1))
    for i, a in enumerate(one, 1):
        left, row[0] = row[0], i
        for j, b in enumerate(two, 1):
            left, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, left + (a != b))
    return row[-1]


@given(st.lists(word, min_size=1, max_size=12, unique=True))
def test_words_one_apart_are_those_at_an_edit_distance_of_one(words):
    expected = [[j for j, other in enumerate(words) if _edits(one, other) == 1] for one in words]
    assert one_apart(words) == expected


def test_the_dictionary_s_look_alikes_of_stop():
    found = look_alikes_of([("S", "T", "AA", "P")], every_pronunciation())
    assert {("T", "AA", "P"), ("S", "T", "AA", "K"), ("S", "T", "EH", "P"), ("S", "T", "AA", "P", "T")} <= set(found)
    assert ("SH", "AA", "P") not in found
    assert ("S", "T", "AA", "P") not in found
