"""Single words out of people's sentences, so that people too say words alone, twice and three times in training.

    python -m models.training.words --real DIR

adds words.csv to a folder of people's recordings (see ``models.training.data``): rows that point into the sentences.
"""

from __future__ import annotations

import argparse
import csv
import logging
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from listener.events import RATE_HZ
from models.training import cut
from models.training.data import SENTENCES, WORDS, read_packs, rows_of

log = logging.getLogger("words")

SHORTEST_S = 0.18  # shorter cuts are mostly mumbled
COLUMNS = ("file", "start_s", "seconds", "speaker", "text", "kind")


class Ration:
    """Gives each word a number of times only, in all and by one speaker, so that no word is favoured."""

    def __init__(self, in_all: int, by_one: int) -> None:
        self.in_all, self.by_one = in_all, by_one
        self._all: Counter[str] = Counter()
        self._by: dict[str, Counter[str]] = defaultdict(Counter)

    def take(self, word: str, speaker: str) -> bool:
        """Whether there is one more of this word for this speaker; if so it is counted."""
        if self._all[word] >= self.in_all or self._by[speaker][word] >= self.by_one:
            return False
        self._all[word] += 1
        self._by[speaker][word] += 1
        return True


def lasting(said: cut.Said) -> bool:
    """Is this cut long enough to be a word of its own, and more than a letter?"""
    return SHORTEST_S <= said.end_s - said.start_s <= cut.LONGEST_S and len(said.word) > 1


def cut_out(
    aligner: cut.Aligner, ration: Ration, audio: np.ndarray, text: str, speaker: str
) -> Iterator[tuple[str, float, float]]:
    """(word, start, seconds) of the words of a sentence (samples,) int16 that are long enough and within the ration."""
    for said in filter(lasting, aligner.words(audio, text)):
        if ration.take(said.word, speaker):
            first_s = max(0.0, said.start_s - cut.MARGIN_S)
            yield said.word, first_s, min(said.end_s + cut.MARGIN_S, len(audio) / RATE_HZ) - first_s


def cut_words(folder: Path, in_all: int = 60, by_one: int = 4) -> int:
    """Cut the words out of the sentences of everybody with a name. Returns how many."""
    files = [folder / name for name in ("clips.csv", SENTENCES) if (folder / name).exists()]
    rows = [row for path in files for row in rows_of(path) if row["speaker"]]
    packs = read_packs(folder, sorted({row["file"] for row in rows}), workers=1)
    aligner, ration, found = cut.Aligner(), Ration(in_all, by_one), []
    for row in rows:
        start = round(float(row["start_s"]) * RATE_HZ)
        audio = packs[row["file"]][start : start + round(float(row["seconds"]) * RATE_HZ)]
        for word, first_s, seconds in cut_out(aligner, ration, audio, row["text"], row["speaker"]):
            place = f"{start / RATE_HZ + first_s:.4f}", f"{seconds:.4f}"
            found.append((row["file"], *place, row["speaker"], word, "word"))
    with (folder / WORDS).open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([COLUMNS, *found])
    return len(found)


def main() -> None:
    """Write words.csv beside a folder's clips.csv."""
    parser = argparse.ArgumentParser(prog="python -m models.training.words", description=__doc__)
    parser.add_argument(
        "--real", type=Path, required=True, help="folder with clips.csv (file, start_s, seconds, speaker, text)"
    )
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    log.info("%d words", cut_words(parser.parse_args().real))


if __name__ == "__main__":
    main()
