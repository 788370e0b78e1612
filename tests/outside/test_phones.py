"""The ear's phones of fifty words, spoken one by one.  (about 5 s)

Source: the CMU Pronouncing Dictionary. Voices: flite rms, which never trained; and espeak-ng, a kind of voice that did.
The other flite voice that never trained, awb, came to 0.244 once; see the model card.
"""

import itertools
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from listener.speech.network import Network, open_session, read_info, shipped_model
from listener.speech.pronounce import PHONES, Pronunciation, pronunciations
from listener.speech.search import BLANK

WORDS = """
about airport answer balance better blanket bridge carbon careful chapter church copper danger daughter eleven
engine father finger garden gather harbor history invite jacket judge kitchen letter machine measure morning
mountain number object orange paper pencil picture question rabbit river second shoulder silver station summer
thirteen travel vision window yellow
""".split()


def _edits(one: Pronunciation, two: Pronunciation) -> int:
    """Levenshtein distance."""
    row = list(range(len(two) + 1))
    for i, a in enumerate(one, 1):
        left, row[0] = row[0], i
        for j, b in enumerate(two, 1):
            left, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, left + (a != b))
    return row[-1]


SAYING = {
    "flite": lambda word, path: ["flite", "-voice", "rms", "-t", word, "-o", path],
    "espeak-ng": lambda word, path: ["espeak-ng", "-v", "en-us", "-w", path, word],
}


def _said(word: str, program: str, folder: Path) -> np.ndarray:
    """The word at 16 kHz with half a second of faint noise around it."""
    path = folder / f"{word}.wav"
    subprocess.run(SAYING[program](word, path), check=True, capture_output=True)
    audio, rate = soundfile.read(path, dtype="float32")
    audio = soxr.resample(audio, rate, 16_000)
    audio *= 0.3 / np.abs(audio).max()
    quiet = np.zeros(8_000, np.float32)
    line = np.concatenate([quiet, audio, quiet])
    return line + np.random.default_rng(len(word)).normal(0, 3e-4, len(line)).astype(np.float32)


def _phones(network: Network, audio: np.ndarray) -> Pronunciation:
    """The likeliest phone of each frame, repeats and blanks taken out (Graves et al. 2006, best path)."""
    network.restart()
    frames = np.concatenate([phones for phones, _ in [*network.feed(audio), *network.flush()]])
    return tuple(PHONES[p] for p, _ in itertools.groupby(frames.argmax(axis=1)) if p != BLANK)


@pytest.fixture(scope="module")
def network() -> Network:
    folder = shipped_model()
    return Network(open_session(folder / "ear.onnx"), read_info(folder))


@pytest.mark.parametrize("program", SAYING)
def test_fifty_words_come_out_within_a_quarter_of_their_phones(need, network, program, tmp_path):
    """Phone error rate: edits over phones, against the closest pronunciation of the dictionary."""
    need(shutil.which(program) is not None, f"{program} (apt install {program})")
    assert len(set(WORDS)) == 50
    errors = phones = 0
    for word in WORDS:
        heard = _phones(network, _said(word, program, tmp_path))
        closest = min(pronunciations(word), key=lambda way: _edits(way, heard))
        errors += _edits(closest, heard)
        phones += len(closest)
    assert errors / phones <= 0.25, f"{errors} errors in {phones} phones"
