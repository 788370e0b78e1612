"""The sphinx engine: PocketSphinx keyphrase search with its own US English model. No download.

Every pronunciation of a phrase is one keyphrase, spotted against a loop of all phones. Thresholds are
generous; the search's log-likelihood ratio becomes the score, and the call rule judges.
"""

from math import log
from pathlib import Path
from tempfile import NamedTemporaryFile

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import RATE_HZ, Hit
from listener.settings import Settings
from listener.sound.pcm import pcm16
from listener.speech.pronounce import Pronunciation, phrase_pronunciations
from listener.speech.recycle import RecycledSpotter
from listener.speech.sphinx_front import ChannelMean, NoiseFloor
from listener.speech.spotter import NO_TALK, Calibration, Spotter

THRESHOLD = 1e-55
BEAM = 1e-80  # wide: in noise the phrase falls far behind the best path and still comes out

FRAME_S = 0.01

# PocketSphinx gives the likelihood ratio in steps of its log base, shifted right by 10 bits and less
# 1500 (kws_search.c: KWS_MAX, SENSCR_SHIFT).
_LOG_BASE, _SHIFT, _MOST = 1.0001, 1 << 10, 1500

_OBSTRUENTS = frozenset("B CH D DH F G JH K P S SH T TH V Z ZH".split())

# Levels chosen on the clips of recordings_synthetic and half an hour of one speaker's prompts: the first
# level without a false alert there is "balanced". README says what it then finds and misses.
CALIBRATION = Calibration(
    alert_levels={"cautious": 4.0, "balanced": 2.5, "eager": 0.5},
    partly_level=3.0,
    candidate_level=-6.0,
    word_level=0.5,
    word_floor=-5.0,
    word_cap=2.0,
    rhythm_weight=1.0,
    even_level=2.5,
    slope=1.0,
)


class SphinxEngine:
    """The phrases as PocketSphinx keyphrases.

    pronunciations: for each keyphrase its phrase and the phones of one way to say it.
    """

    name = "sphinx"

    def __init__(self, pronunciations: list[tuple[str, Pronunciation]]) -> None:
        import pocketsphinx

        self.calibration, self.talk = CALIBRATION, NO_TALK
        self.model = "en-us"
        self.folder = Path(pocketsphinx.get_model_path(self.model))
        self._pronunciations = pronunciations

    def spotter(self) -> Spotter:
        """A new spotter for one channel, with a decoder of its own."""
        return RecycledSpotter(
            self.name,
            _Utterance(self._pronunciations),
            frame_s=0.02,
            # The start is heard again once the channel's mean is known.
            utterances_s=[1.0, 2.0, 20.0],
            overlap_s=2.0,
        )


def load(settings: Settings) -> SphinxEngine:
    """The engine for the settings' phrases. Raises UserError for words without a pronunciation."""
    import pocketsphinx  # noqa: F401  (an extra: what lacks it is told now, not at the first sound)

    pronunciations = [
        (phrase.words, way)
        for phrase in settings.phrases
        for way in phrase_pronunciations(phrase.words.split(), settings.pronounce)
    ]
    if short := [phrase for phrase, way in pronunciations if len(way) < 3]:
        raise UserError(f"{short[0]!r} is too short to be told apart: use a phrase of at least three sounds")
    return SphinxEngine(pronunciations)


class _Utterance:
    """The decoder, utterance by utterance. The channel's mean carries over."""

    def __init__(self, pronunciations: list[tuple[str, Pronunciation]]) -> None:
        from pocketsphinx import Config, Decoder

        self._pronunciations = pronunciations
        self._decoder = Decoder(
            Config(loglevel="FATAL", dict=None, lm=None, cmn="live", kws_delay=6, beam=BEAM)
        )
        with NamedTemporaryFile("w", suffix=".kws") as list_file:
            for i, (_, way) in enumerate(pronunciations):
                self._decoder.add_word(f"way{i}", " ".join(way), i == len(pronunciations) - 1)
                list_file.write(f"way{i} /{THRESHOLD}/\n")
            list_file.flush()
            self._decoder.add_kws("phrases", list_file.name)
        self._decoder.activate_search("phrases")
        self._mean = ChannelMean(self._decoder)
        self._floor = NoiseFloor()

    def begin(self, first_sample: int) -> None:
        self._origin_s = first_sample / RATE_HZ
        self._next_sample = first_sample
        self._told: dict[tuple[str, int], float] = {}
        self._decoder.start_utt()
        self._mean.begin()

    def hear(self, samples: NDArray[np.float32]) -> list[Hit]:
        heard = self._floor.under(samples, self._next_sample)
        self._next_sample += len(samples)
        self._decoder.process_raw(pcm16(heard), no_search=False, full_utt=False)
        self._mean.follow(len(samples))
        return self._hits()

    def end(self) -> list[Hit]:
        self._decoder.end_utt()
        self._mean.set()
        return self._hits()

    def _hits(self) -> list[Hit]:
        hits = []
        for segment in self._decoder.seg() or ():
            # A segment with its end before its start has been seen (perhaps what is left of a word that began before
            # this utterance), and a likelihood may be too small for a number: neither is a word that could be placed.
            if segment.end_frame < segment.start_frame or segment.prob <= 0.0:
                continue
            key = (segment.word, segment.start_frame)
            if self._told.get(key, 0.0) >= segment.prob:
                continue
            self._told[key] = segment.prob
            phrase, way = self._pronunciations[int(segment.word.strip().removeprefix("way"))]
            ratio = (log(segment.prob) / log(_LOG_BASE) + _MOST) * _SHIFT * log(_LOG_BASE)
            start_s, end_s = segment.start_frame * FRAME_S, (segment.end_frame + 1) * FRAME_S
            weight = score(ratio, end_s - start_s, way)
            hits.append(Hit(phrase, self._origin_s + start_s, self._origin_s + end_s, weight))
        return hits


def score(ratio: float, seconds: float, way: Pronunciation) -> float:
    """A word's log-likelihood ratio against free phones and its length, as a score like a log-odds.

    Longer ways of saying, and those with more obstruents, fall further behind free phones by chance;
    and an abort word is said with care, about 80 ms a phone, while what talk yields by chance is short,
    about 55 ms. Fitted by eye to people's speech without the words and to synthetic calls: at score 0
    about a hundred words an hour of fluent speech are false, and one in e of them at each point more.
    """
    obstruents = sum(phone in _OBSTRUENTS for phone in way)
    chance = 50.0 - 10.0 * len(way) - 10.0 * obstruents
    care = 6.0 * log(seconds / len(way) / 0.066)
    return (ratio - chance) / 12.0 + min(2.0, max(-3.0, care))
