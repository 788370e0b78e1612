"""The shipped table of phrases is what its rows make, and the agreement that it states is what they give.

About 80 s: LISTENER_LONG=1 collects it. Run it after any change of models/ear-4/phrases.json or what it is made of.
"""

import json

import numpy as np
import pytest
from scipy.stats import spearmanr

from listener.site.phrase_table import CONDITIONS, read_table
from listener.speech.network import shipped_model
from models.training import phrases as made

pytestmark = pytest.mark.long

FOLDER = shipped_model()


def test_the_table_is_what_its_rows_and_the_evaluation_make():
    again = made.table(FOLDER)
    shipped = json.loads((FOLDER / "phrases.json").read_text(encoding="utf-8"))
    assert shipped.pop("weights") == pytest.approx(again.pop("weights"), abs=2e-3)
    assert shipped == json.loads(json.dumps(again, allow_nan=False))


def test_predictions_rank_unseen_phrases_as_measurement_does():
    """Computed here anew from the rows, over all phrases that were measured and not fitted on."""
    table = read_table(FOLDER)
    outcomes, checked = made.read(FOLDER / made.MEASURED), made.plan()["check"]
    names = [phrase for phrase in checked if phrase in outcomes]
    told = [np.mean(list(table.predicted(made.described(phrase, FOLDER)).values())) for phrase in names]
    true = [np.mean([np.mean(outcomes[phrase][c]) for c in CONDITIONS]) for phrase in names]
    agreement = spearmanr(told, true).statistic
    assert len(names) == table.check["phrases"]
    assert agreement == pytest.approx(table.check["rank_correlation"], abs=0.002)
    print(f"rank correlation over {len(names)} phrases: {agreement:.2f}")
