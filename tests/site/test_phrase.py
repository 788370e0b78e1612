"""Advice on phrases: what is measured, what is predicted, and that the prediction was checked on other phrases.

About 25 s, most of it the ear reading its dictionary and bank for two phrases.
"""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import spearmanr
from typer.testing import CliRunner

from listener import cli
from listener.errors import UserError
from listener.settings import PhraseSettings, Settings
from listener.site import phrase_measure
from listener.site.phrase import judge
from listener.site.phrase_alike import likeness
from listener.site.phrase_table import CONDITIONS, Counted, read_table
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
    assert near["stopped"].distance < near["top"].distance  # the card: "stopped" alerts in 83 % of recordings, "top" in 4 %
    assert "depend" in alike("suspend", table)


def test_no_phrase_is_both_fitted_on_and_checked():
    wanted = made.plan()
    assert not set(wanted["fit"]) & set(wanted["check"])
    assert all(isinstance(phrase, str) for name in ("fit", "check") for phrase in wanted[name])


def test_the_docs_print_the_rank_correlation(table):
    text = (Path(__file__).parents[2] / "docs" / "phrases.md").read_text(encoding="utf-8")
    for check in (table.check, table.spot_check):
        rank = f"{check['rank_correlation']:.2f} (95 % {check['low']:.2f} to {check['high']:.2f}) over {check['phrases']} phrases"
        assert rank in text


def test_how_well_a_measurement_on_the_spot_ranks_unseen_phrases_is_what_the_table_says(table):
    """0.7 was wanted, and is not reached. Computed here from the shipped rows of both, without the program's own fit."""
    outcomes, spots = made.read(FOLDER / made.MEASURED), made.read_spot(FOLDER / made.SPOT)
    names = made.plan()["check"]
    told = [np.mean([trial.confidence for trial in spots[name].trials]) for name in names]
    true = [np.mean([np.mean(outcomes[name][c]) for c in CONDITIONS]) for name in names]
    agreement = spearmanr(told, true).statistic
    assert agreement == pytest.approx(table.spot_check["rank_correlation"], abs=0.002) and len(names) == table.spot_check["phrases"]
    order = sorted(names, key=lambda name: spots[name].score)
    predicted = [table.from_spot(spots[name].score)["10 dB"] for name in order]
    assert predicted == sorted(predicted) and 0 < predicted[0] < predicted[-1] < 1


@pytest.fixture
def few_voices(monkeypatch, espeak):
    """One voice, one call in each noise."""
    monkeypatch.setattr(phrase_measure, "CALLS", {"espeak en-us+m3": 1})


def test_measuring_says_trials_interval_and_noise_and_predicts_from_them(few_voices):
    result = CliRunner().invoke(cli.app, ["phrase", "abort", "--measure"], catch_exceptions=False)
    flat = re.sub(r"\s+", " ", result.stdout)
    assert re.search(r"here \d+% found: \d of 2 calls by 1 voices of this computer, in a simulated jet at 0 and -5 dB \(95 % ", flat)
    assert "Predictions come from what was measured here" in flat and unsaid(result.stdout) == []


def test_a_measurement_is_the_same_twice(few_voices):
    once, again = (phrase_measure.measure(PhraseSettings(words="abort"), Settings()) for _ in range(2))
    assert once == again and len(once.trials) == 2 and once.missing == {}


def test_voices_that_are_not_here_are_named_and_nothing_is_predicted_without_them(few_voices, monkeypatch):
    monkeypatch.setitem(phrase_measure.CALLS, "flite nobody", 1)
    result = CliRunner().invoke(cli.app, ["phrase", "abort", "--measure", "--no-better"], catch_exceptions=False)
    flat = re.sub(r"\s+", " ", result.stdout)
    assert "not here: flite nobody, so nothing is predicted from it" in flat and "from length and kind alone" in flat
    monkeypatch.delitem(phrase_measure.CALLS, "espeak en-us+m3")
    with pytest.raises(UserError, match="no voice here to measure with .*apt-get install flite espeak-ng") as error:
        phrase_measure.measure(PhraseSettings(words="abort"), Settings())
    assert "\n" not in str(error.value)


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
