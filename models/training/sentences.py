"""Writing down people's sentences that came without texts: rows of people.csv whose text is empty.

    python -m models.training.sentences --real DIR --whisper MODEL --second MODEL

adds sentences.csv to the folder: the rows on whose words two Whispers of different sizes agree. Run it before
``models.training.words``, which cuts single words out of them too.
"""

from __future__ import annotations

import argparse
import csv
import logging
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from listener.events import RATE_HZ
from models.training.actors import agreed
from models.training.corpus import Samples
from models.training.data import PEOPLE, SENTENCES, read_packs, rows_of
from models.training.writer import write_down

log = logging.getLogger("sentences")

COLUMNS = ("file", "start_s", "seconds", "speaker", "text", "kind")
LONGEST_S = 20.0


def untold(folder: Path) -> list[dict[str, str]]:
    """Rows of people.csv that have no text and are not too long for Whisper's short window."""
    return [row for row in rows_of(folder / PEOPLE) if not row["text"] and float(row["seconds"]) <= LONGEST_S]


def recordings(folder: Path, rows: list[dict[str, str]]) -> Iterator[tuple[str, Samples]]:
    """(name, float32 samples at 16 kHz) of rows."""
    packs = read_packs(folder, sorted({row["file"] for row in rows}), workers=1)
    for row in rows:
        start = round(float(row["start_s"]) * RATE_HZ)
        piece = packs[row["file"]][start : start + round(float(row["seconds"]) * RATE_HZ)]
        yield _name(row), piece.astype(np.float32) / np.float32(32768)


def _name(row: dict[str, str]) -> str:
    return f"{row['file']}@{row['start_s']}"


def write_sentences(folder: Path, whisper: Path, second: Path) -> int:
    """Write the rows whose words are agreed on into the folder. Returns how many."""
    rows = untold(folder)
    first = write_down(recordings(folder, rows), whisper, folder / "sentences_heard.csv")
    other = write_down(recordings(folder, rows), second, folder / "sentences_heard_again.csv")
    told = [(row, agreed(first[_name(row)], other[_name(row)])) for row in rows]
    with (folder / SENTENCES).open("w", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(COLUMNS)
        for row, text in told:
            if text:
                table.writerow((row["file"], row["start_s"], row["seconds"], row["speaker"], text, "sentence"))
    return sum(text is not None for _, text in told)


def main() -> None:
    """Entry point; see the module."""
    parser = argparse.ArgumentParser(prog="python -m models.training.sentences", description=__doc__)
    parser.add_argument("--real", type=Path, required=True, help="folder with people.csv")
    parser.add_argument("--whisper", type=Path, required=True, help="Whisper model folder in CTranslate2 form")
    parser.add_argument("--second", type=Path, required=True, help="another, of another size")
    chosen = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    log.info("%d sentences", write_sentences(chosen.real, chosen.whisper, chosen.second))


if __name__ == "__main__":
    main()
