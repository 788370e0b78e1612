"""What a model brings for the phrases of the settings to start from is what this listener works out itself."""

from pathlib import Path

import pytest

from listener.settings import read_settings
from listener.speech import known
from listener.speech.ear import EarEngine
from listener.speech.network import shipped_model

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.mark.parametrize("config", ["flight_deck", "winch_field", "rocket_range"])
def test_the_first_start_with_a_shipped_phrase_waits_for_no_bank(config):
    settings = read_settings(CONFIGS / f"{config}.yaml")
    phrases = [phrase.words for phrase in settings.phrases]
    brought = known.recall(known.fingerprint(shipped_model(), phrases, dict(settings.pronounce), twice=True), shipped_model())
    assert brought and brought.talk_h > 4.0 and list(brought.talk) == phrases


def test_what_is_brought_is_what_would_be_worked_out(monkeypatch, tmp_path):
    """One phrase of three: the bank is searched anew (9 s of processor time)."""
    brought = EarEngine(shipped_model(), ["hold"], {})
    monkeypatch.setattr(known, "BROUGHT", "none")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    anew = EarEngine(shipped_model(), ["hold"], {})
    assert list(tmp_path.rglob("*.json"))
    assert anew.known.sounds == brought.known.sounds
    hits, same = anew.talk.hits["hold"], brought.talk.hits["hold"]
    assert [(h.start_s, h.end_s) for h in hits] == [(h.start_s, h.end_s) for h in same]
    assert [h.score for h in hits] == pytest.approx([h.score for h in same], abs=1e-3)
