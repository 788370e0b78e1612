"""Advice on phrases: what is measured, what is predicted, and that the prediction was checked on other phrases.

About 25 s, most of it the ear reading its dictionary and bank for two phrases.
"""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from listener import cli
from listener.errors import UserError
from listener.settings import Settings
from listener.site.phrase import judge
from listener.site.phrase_alike import likeness
from listener.site.phrase_table import Counted, read_table
from listener.speech.network import shipped_model
from listener.speech.pronounce import pronunciations
from models.training import phrases as made
from tests.tell.test_cautions import unsaid

FOLDER = shipped_model()


@pytest.fixture(scope="module")
def table():
    return read_table(FOLDER)


def alike(word, table):
    return {one.word: one for one in likeness(FOLDER, word, pronunciations(word), table.common).alike}


def test_words_that_sound_the_same_are_named_first(table):
    near = likeness(FOLDER, "no", pronunciations("no"), table.common).alike
    assert (near[0].word, near[0].edits, near[0].distance) == ("know", 0, 0.0)


def test_phones_and_the_ear_s_space_each_find_their_own_neighbours(table):
    near = alike("stop", table)
    assert near["stopped"].edits == 1 and near["top"].edits == 1 and near["step"].edits == 1
    assert near["stopped"].distance < near["top"].distance  # the card: "stopped" alerts in 75 % of recordings, "top" in 12 %
    assert "depend" in alike("suspend", table)


def test_no_phrase_is_both_fitted_on_and_checked():
    wanted = made.plan()
    assert not set(wanted["fit"]) & set(wanted["check"])
    assert all(isinstance(phrase, str) for name in ("fit", "check") for phrase in wanted[name])


def test_the_docs_print_the_rank_correlation(table):
    text = (Path(__file__).parents[2] / "docs" / "phrases.md").read_text(encoding="utf-8")
    check = table.check
    assert f"{check['rank_correlation']:.2f} (95 % {check['low']:.2f} to {check['high']:.2f}) over {check['phrases']} phrases" in text


@given(found=st.integers(0, 45), talk=st.none() | st.floats(0.0, 20.0))
def test_a_phrase_that_does_better_is_never_judged_worse(found, talk):
    order = ["good", "fair", "poor"]

    def of(n, per_h):
        return order.index(judge("x", {"10 dB": Counted(n, 45)}, {}, {"x": ()}, per_h)[0])

    assert of(min(45, found + 1), talk) <= of(found, talk)
    if talk:
        assert of(found, talk / 2) <= of(found, talk)


def test_a_verdict_says_why():
    verdict, because = judge("x", {}, {"10 dB": 0.6}, {"x": ()}, 0.8)
    assert verdict == "poor" and because == ("60% found at 10 dB (predicted)", "0.8 false alerts expected in an hour of talk")
    assert judge("x", {"10 dB": Counted(45, 45)}, {"10 dB": 0.1}, {"x": ()}, 0.02) == ("good", ())


@pytest.fixture(scope="module")
def shown():
    return CliRunner().invoke(cli.app, ["phrase", "abort", "Wolf Gate", "--no-better"], catch_exceptions=False).output


def test_the_command_says_what_is_measured_and_what_is_predicted(shown):
    flat = re.sub(r"\s+", " ", shown)
    abort, _, wolf = flat.partition("wolf gate, said 3 times")
    assert "quiet found" in abort and "measured," in abort and "false alerts an hour expected" in flat
    assert "predicted (voices)" in wolf and "measured," not in wolf
    assert "near 'wolf'" in wolf and "near 'gate'" in wolf
    assert "rank correlation" in flat


def test_the_command_says_the_cautions(shown):
    assert unsaid(shown) == []


def test_unknown_words_are_one_line_that_names_them_all():
    result = CliRunner().invoke(cli.app, ["phrase", "zorblat", "suspend", "qwelt now"])
    assert isinstance(result.exception, UserError)
    line = str(result.exception)
    assert "'zorblat', 'qwelt'" in line and "pronounce:" in line and "\n" not in line


@pytest.mark.parametrize("words", [[""], ["  "]])
def test_no_words_are_refused(words):
    result = CliRunner().invoke(cli.app, ["phrase", *words])
    assert isinstance(result.exception, UserError) and "\n" not in str(result.exception)


def test_a_model_without_a_table_says_so(tmp_path):
    with pytest.raises(UserError, match="brings no phrases.json"):
        read_table(tmp_path)
    (tmp_path / "phrases.json").write_text("{}")
    with pytest.raises(UserError, match="damaged"):
        read_table(tmp_path)


def test_only_the_ear_is_advised_on():
    from listener.site.phrase import advise

    with pytest.raises(UserError, match="only the ear"):
        advise(["stop"], Settings(engine="sphinx"))
