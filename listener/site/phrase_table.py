"""What has been measured of a model's phrases, and what that lets expect of others.

A model folder may bring ``phrases.json`` (made by ``models/training/phrases.py``): calls found by phrase and noise, the
weights of a prediction that was fitted on some of these phrases, and how well it did on the others.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp
from pathlib import Path
from typing import Any

from listener.errors import UserError
from listener.speech.pronounce import Pronunciation

NAME = "phrases.json"
CONDITIONS = ("quiet", "10 dB", "0 dB")
LONG = 8  # phones: what is longer is taken as so long

# Sounds that noise and a narrow band take first, by what the phone set calls them: weak fricatives and h.
WEAK = frozenset(("F", "TH", "V", "DH", "HH"))
STOPS = frozenset(("P", "T", "K", "B", "D", "G"))


@dataclass(frozen=True, slots=True)
class Counted:
    """Calls found, of so many."""

    found: int
    calls: int

    @property
    def share(self) -> float:
        """Found / calls."""
        return self.found / self.calls


@dataclass(frozen=True, slots=True)
class Table:
    """voices: who said what was measured. measured: by phrase and condition. weights: of the prediction (logit), by feature,
    with an "at <condition>" for each condition. check: how well it did on phrases it was not fitted on. spot_weights,
    spot_check: the same of the prediction from what was measured on the spot (phrase_measure).
    people: calls by people of words that no people said in training, by phones ("2", "3 or more") and condition. common: the
    commonest words as written, most common first."""

    voices: str
    measured: Mapping[str, Mapping[str, Counted]]
    weights: Mapping[str, float]
    check: Mapping[str, Any]
    spot_weights: Mapping[str, float]
    spot_check: Mapping[str, Any]
    people: Mapping[str, Mapping[str, Counted]]
    common: tuple[str, ...]

    def predicted(self, features: Mapping[str, float]) -> dict[str, float]:
        """Share of calls by such voices that is found, by condition; 0 to 1."""
        return predicted(self.weights, features)

    def from_spot(self, score: float) -> dict[str, float]:
        """The same from what was measured on the spot. score: see phrase_measure.Spot."""
        return predicted(self.spot_weights, {"score": score})

    def of_people(self, phones: int) -> Mapping[str, Counted]:
        """Calls by people, of words as long as this that no people said in training."""
        return self.people["2" if phones <= 2 else "3 or more"]


def predicted(weights: Mapping[str, float], facts: Mapping[str, float]) -> dict[str, float]:
    """Share found by condition, 0 to 1: a logistic regression on what its weights name."""
    base = sum(weights[name] * value for name, value in facts.items() if name in weights)
    return {condition: 1 / (1 + exp(-base - weights[f"at {condition}"])) for condition in CONDITIONS}


def features(ways: Sequence[Pronunciation], ambiguities: Sequence[float]) -> dict[str, float]:
    """What the prediction looks at. ways: of saying the whole phrase; ambiguities: of its words (see phrase_alike)."""
    shortest = min(ways, key=len)
    return {
        "phones": float(min(len(shortest), LONG)),
        "words": float(len(ambiguities)),
        "ambiguity": sum(ambiguities) / len(ambiguities),
        "weak": sum(phone in WEAK for phone in shortest) / len(shortest),
        "stops": sum(phone in STOPS for phone in shortest) / len(shortest),
    }


def read_table(folder: Path) -> Table:
    """The table of a model folder. Raises UserError if there is none, or it is damaged."""
    path = folder / NAME
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return Table(
            data["voices"], {phrase: _counted(rows) for phrase, rows in data["measured"].items()}, data["weights"],
            data["check"], data["spot"]["weights"], data["spot"]["check"],
            {phones: _counted(rows) for phones, rows in data["people"].items()}, tuple(data["common"].split()),
        )  # fmt: skip
    except FileNotFoundError:
        raise UserError(f"{folder}: this model brings no {NAME}, so no advice on phrases; use a shipped one") from None
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UserError(f"{path}: damaged ({error!r}); get the model folder again") from None


def _counted(rows: Mapping[str, Sequence[int]]) -> dict[str, Counted]:
    return {condition: Counted(found, calls) for condition, (found, calls) in rows.items()}
