"""The sphinx engine: PocketSphinx keyphrase search with its own US English model. No download.

Every pronunciation of a phrase is one keyphrase, spotted against a loop of all phones. Thresholds are
generous; the search's log-likelihood ratio becomes the score, and the call rule judges.
"""

from math import log
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
from listener.speech.spotter import Calibration, Spotter

THRESHOLD = 1e-55
BEAM = 1e-80  # wide: in noise the phrase falls far behind the best path and still comes out

FRAME_S = 0.01

# PocketSphinx gives the likelihood ratio in steps of its log base, shifted right by 10 bits and less
# 1500 (kws_search.c: KWS_MAX, SENSCR_SHIFT).
_LOG_BASE, _SHIFT, _MOST = 1.0001, 1 << 10, 1500


CALIBRATION = Calibration(
    alert_levels={"cautious": 4.5, "balanced": 3.0, "eager": 2.0},
    partly_level=4.0,
    candidate_level=-6.0,
    word_level=1.0,
    word_floor=-5.0,
    word_cap=3.0,
    rhythm_weight=0.5,
    even_level=3.0,
    slope=1.0,
)


class SphinxEngine:
    """The phrases as PocketSphinx keyphrases.

    ways: for each keyphrase its phrase and the phones of one way to say it.
    """

    name = "sphinx"

    def __init__(self, ways: list[tuple[str, Pronunciation]]) -> None:
        self.calibration = CALIBRATION
        self._ways = ways

    def spotter(self) -> Spotter:
        """A new spotter for one channel, with a decoder of its own."""
        return RecycledSpotter(
            self.name,
            _Utterance(self._ways),
            frame_s=0.02,
            # The start is heard again once the channel's mean is known.
            utterances_s=[1.0, 2.0, 20.0],
            overlap_s=2.0,
        )


def load(settings: Settings) -> SphinxEngine:
    """The engine for the settings' phrases. Raises UserError for words without a pronunciation."""
    ways = [
        (phrase.words, way)
        for phrase in settings.phrases
        for way in phrase_pronunciations(phrase.words.split(), settings.pronounce)
    ]
    if short := [phrase for phrase, way in ways if len(way) < 3]:
        raise UserError(f"{short[0]!r} is too short to be told apart: use a phrase of at least three sounds")
    return SphinxEngine(ways)


class _Utterance:
    """The decoder, utterance by utterance. The channel's mean carries over."""

    def __init__(self, ways: list[tuple[str, Pronunciation]]) -> None:
        from pocketsphinx import Config, Decoder

        self._ways = ways
        self._decoder = Decoder(
            Config(loglevel="FATAL", dict=None, lm=None, cmn="live", kws_delay=6, beam=BEAM)
        )
        with NamedTemporaryFile("w", suffix=".kws") as list_file:
            for i, (_, way) in enumerate(ways):
                self._decoder.add_word(f"way{i}", " ".join(way), i == len(ways) - 1)
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
            key = (segment.word, segment.start_frame)
            if self._told.get(key, 0.0) >= segment.prob:
                continue
            self._told[key] = segment.prob
            phrase, way = self._ways[int(segment.word.strip().removeprefix("way"))]
            ratio = (log(segment.prob) / log(_LOG_BASE) + _MOST) * _SHIFT * log(_LOG_BASE)
            frames = segment.end_frame + 1 - segment.start_frame
            hits.append(
                Hit(
                    phrase,
                    self._origin_s + segment.start_frame * FRAME_S,
                    self._origin_s + (segment.end_frame + 1) * FRAME_S,
                    score(ratio, frames, len(way)),
                )
            )
        return hits


def score(ratio: float, frames: int, phones: int) -> float:
    """The log-likelihood ratio of a word against free phones, as a score like a log-odds."""
    return (ratio + 12.0 * phones) / 15.0
