"""The vosk engine: a model folder of the user's own, decoding with a grammar of the phrase and decoys.

Facts about vosk that shape this: words of a grammar that the model lacks are dropped in silence, so
each is looked up first; a model without [unk] hears every sound as some word of the grammar, so other
words stand beside the phrase; grammar confidences run high on false alarms and are only a score; its
features carry random dither from the C library's rand(), which is seeded here so that results repeat.
"""

import ctypes
import json
from collections.abc import Iterable, Sequence
from math import log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import RATE_HZ, Hit
from listener.settings import Settings
from listener.sound.pcm import pcm16
from listener.speech.recycle import RecycledSpotter
from listener.speech.spotter import NO_TALK, Calibration, Spotter

UNKNOWN = "[unk]"

# Everyday radio words. They take up what is not the phrase; those a model lacks are left out.
DECOYS = (
    "a and at clear cross down for four go hear in is it left line more no now of on one or ready right "
    "seven six take ten the this three time to tower two up we wind with yes you zero"
).split()

_LIBC = ctypes.CDLL(None)

# Not fitted: few vosk models were at hand, so these levels are a plain reading of its confidences.
CALIBRATION = Calibration(
    alert_levels={"cautious": 2.0, "balanced": 0.5, "eager": 0.1},
    partly_level=1.5,
    candidate_level=-6.0,
    word_level=0.0,
    word_floor=-4.0,
    word_cap=2.0,
    rhythm_weight=0.5,
    even_level=0.5,
    slope=1.0,
    settle_s=2.0,
)


class VoskEngine:
    """A loaded vosk model and the grammar for the settings' phrases."""

    name = "vosk"
    calibration = CALIBRATION
    talk = NO_TALK

    def __init__(self, model: Any, folder: Path, phrases: Sequence[str], decoys: Sequence[str]) -> None:
        self.model, self.folder = folder.name, folder
        self._model = model
        self._phrases = phrases
        self._grammar = json.dumps([*phrases, *decoys], ensure_ascii=False, allow_nan=False)

    def spotter(self) -> Spotter:
        """A new spotter for one channel; the model is shared."""
        return RecycledSpotter(
            self.name,
            _Utterance(self._model, self._grammar, self._phrases),
            frame_s=0.1,
            utterances_s=[60.0],
            overlap_s=3.0,
        )


def load(settings: Settings) -> VoskEngine:
    """Load the model folder that the settings name.

    Raises UserError for a missing or unreadable folder, and for phrase words or decoys that the model
    does not know.
    """
    import vosk

    folder = _folder(settings.vosk.model_path)
    vosk.SetLogLevel(-1)
    try:
        # Only ever with model_path: by name or language it would reach for the network.
        model = vosk.Model(model_path=str(folder))
    except Exception:  # noqa: BLE001 - vosk raises bare Exception
        raise UserError(f"{folder}: vosk cannot load a model from this folder; is it whole?") from None
    phrases = [phrase.words for phrase in settings.phrases]
    unknown = [word for word in _words(phrases) if not _knows(model, word)]
    if unknown:
        raise UserError(
            f"{', '.join(map(repr, unknown))}: not in this model's vocabulary ({folder}); choose a word it "
            "knows, another model, or engine sphinx, where the pronunciation can be spelled in the settings"
        )
    return VoskEngine(model, folder, phrases, _decoys(model, settings, phrases, folder))


def _folder(path: Path | None) -> Path:
    if path is None:
        raise UserError("engine vosk needs a model: set vosk.model_path to its folder (see models/README.md)")
    if not (path / "am").is_dir():
        raise UserError(
            f"{path}: is not a vosk model folder (there is no am/ in it); set vosk.model_path to the folder "
            "that holds am/, conf/ and graph/"
        )
    return path


def _words(phrases: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(word for phrase in phrases for word in phrase.split()))


def _knows(model: Any, word: str) -> bool:
    return model.vosk_model_find_word(word) >= 0


def _decoys(model: Any, settings: Settings, phrases: Sequence[str], folder: Path) -> list[str]:
    own = set(_words(phrases))
    asked = [word for word in _words(settings.vosk.decoys) if word not in own]
    unknown = [word for word in asked if not _knows(model, word)]
    if unknown:
        raise UserError(f"vosk.decoys: {', '.join(map(repr, unknown))}: not in this model's vocabulary ({folder})")
    decoys = asked or [word for word in DECOYS if word not in own and _knows(model, word)]
    if _knows(model, UNKNOWN):
        return [*decoys, UNKNOWN]
    if len(decoys) < 3:
        raise UserError(
            f"{folder}: this model has no {UNKNOWN}, so it would hear every sound as the phrase; "
            "name some other words of its language in vosk.decoys"
        )
    return decoys


class _Utterance:
    """One vosk recogniser's life."""

    def __init__(self, model: Any, grammar: str, phrases: Sequence[str]) -> None:
        self._model = model
        self._grammar = grammar
        self._phrases = [(phrase, phrase.split()) for phrase in phrases]

    def begin(self, first_sample: int) -> None:
        import vosk

        self._recogniser = vosk.KaldiRecognizer(self._model, RATE_HZ, self._grammar)
        self._recogniser.SetWords(True)
        self._recogniser.SetPartialWords(True)
        self._origin_s = first_sample / RATE_HZ
        self._told: set[Hit] = set()
        self._frames = 1

    def hear(self, samples: NDArray[np.float32]) -> list[Hit]:
        # Before every frame: other channels draw from the same rand() in between.
        _LIBC.srand(self._frames)
        self._frames += 1
        if self._recogniser.AcceptWaveform(pcm16(samples)):
            return self._hits(json.loads(self._recogniser.Result()).get("result", []))
        return self._hits(json.loads(self._recogniser.PartialResult()).get("partial_result", []))

    def end(self) -> list[Hit]:
        return self._hits(json.loads(self._recogniser.FinalResult()).get("result", []))

    def _hits(self, words: list[dict[str, Any]]) -> list[Hit]:
        said = [word["word"] for word in words]
        hits = []
        for phrase, parts in self._phrases:
            for i in range(len(said) - len(parts) + 1):
                if said[i : i + len(parts)] == parts:
                    hits.append(self._hit(phrase, words[i : i + len(parts)]))
        new = [hit for hit in hits if hit not in self._told]
        self._told.update(new)
        return new

    def _hit(self, phrase: str, words: list[dict[str, Any]]) -> Hit:
        return Hit(
            phrase,
            self._origin_s + words[0]["start"],
            self._origin_s + words[-1]["end"],
            log_odds(min(word["conf"] for word in words)),
        )


def log_odds(confidence: float) -> float:
    """A confidence 0..1 as log-odds, held within +-4 (vosk says 1.0 easily)."""
    return log((confidence + 0.0187) / (1.0187 - confidence))
