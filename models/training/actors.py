"""Real people by the dozen: the acted speech of freely redistributable adventure games (``games``).

What a recording says is found by having Whisper write it down. Where the game has a script, the script's line that is
nearest is taken, and recordings near no line are left out; where it has none, a second, smaller Whisper must have written
the same. Then single words are cut out of the lines (``cut``), so that words of every kind are also said alone, twice and
three times by people.

    python -m models.training.actors --game amazon_queen --package DIR --whisper MODEL --out CORPUS
    python -m models.training.actors --game steel_sky --package DIR --whisper MODEL --second MODEL --out CORPUS
"""

from __future__ import annotations

import argparse
import logging
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.speech.pronounce import pronunciations
from models.training import cut, texts
from models.training.corpus import Clip, levelled, trim, write_pack, write_rows
from models.training.games import GAMES, Game
from models.training.words import Ration, cut_out
from models.training.writer import letters, write_down

log = logging.getLogger("actors")

NEAR = 84.0  # per cent of letters alike from which a recording is taken to say a line of the script
AGREED = 90.0  # the same, between what two Whispers write
SAME_WORD, SAME_WORD_BY_ONE = 24, 4  # cuts of one word, in all and by one character: no word is favoured

Telling = Callable[[str], str | None]  # name of a recording -> its words, if they are known


# --- what is said -----------------------------------------------------------


def known_words(text: str) -> str | None:
    """The words of a written line, if there are any and all can be pronounced."""
    text = texts.plain_words(text)
    try:
        return text if text and all(map(pronunciations, text.split())) else None
    except UserError:
        return None


def nearest(heard: str, lines: dict[str, str]) -> str | None:
    """The script's line that is nearest to what was heard, if it is near enough and all its words are known."""
    from rapidfuzz import fuzz, process

    found = process.extractOne(letters(heard), lines.keys(), scorer=fuzz.ratio, score_cutoff=NEAR)
    return known_words(lines[found[0]]) if found else None


def agreed(heard: str, again: str) -> str | None:
    """What was heard, if it was heard (nearly) the same again, and all its words are known.

    The smaller Whisper often writes a short line a second time and is cut off: what repeats is left out.
    """
    from rapidfuzz import fuzz

    ours, theirs = letters(heard), letters(again)
    if ours.startswith(theirs[len(ours) :]):
        theirs = theirs[: len(ours)]
    return known_words(heard) if fuzz.ratio(ours, theirs) >= AGREED else None


def telling(game: Game, whisper: Path, second: Path | None, out: Path) -> Telling:
    """How to know what a recording of a game says."""
    first = write_down(game.recordings(), whisper, out / f"{game.engine}_heard.csv")
    lines = game.script()
    if lines:
        return lambda name: nearest(first.get(name, ""), lines)
    if second is None:
        raise UserError(f"{game.engine} has no script to read: name another Whisper model with --second")
    other = write_down(game.recordings(), second, out / f"{game.engine}_heard_again.csv")
    return lambda name: agreed(first.get(name, ""), other.get(name, ""))


# --- the corpus -------------------------------------------------------------


def clips(game: Game, tell: Telling) -> Iterator[Clip]:
    """The recordings whose words are known, trimmed and levelled."""
    for number, (name, audio) in enumerate(game.recordings()):
        text = tell(name)
        samples = trim(audio) if text else audio[:0]
        if text and samples.size:
            line = texts.Line("sentence", text, text)
            yield Clip(levelled(samples), game.engine, game.speaker(name), "train", line, number)


def build(game: Game, tell: Telling, out: Path, pack_s: float = 300.0) -> None:
    """Add a game's lines and words to a corpus folder."""
    aligner, ration = cut.Aligner(), Ration(SAME_WORD, SAME_WORD_BY_ONE)
    waiting, pack, seconds, count = [], 0, 0.0, 0
    for clip in clips(game, tell):
        waiting.append(clip)
        seconds += clip.samples.size / RATE_HZ
        if sum(c.samples.size for c in waiting) >= pack_s * RATE_HZ:
            count += _write(out, f"{game.engine}-{pack:04d}.ogg", waiting, aligner, ration)
            waiting, pack = [], pack + 1
            log.info("%.2f h of lines, %d words cut", seconds / 3600, count)
    if waiting:
        count += _write(out, f"{game.engine}-{pack:04d}.ogg", waiting, aligner, ration)
    log.info("%.2f h of lines, %d words cut, done", seconds / 3600, count)


def _write(out: Path, name: str, some: list[Clip], aligner: cut.Aligner, ration: Ration) -> int:
    """A pack of lines, and beside their rows the rows of the words in them. Returns how many words."""
    rows: list[tuple[str, float, float, str, str, str, str, str, int]] = []
    for clip, start_s in zip(some, write_pack(out, name, some), strict=True):
        audio = np.round(clip.samples * 32767).astype(np.int16)
        for word, first_s, seconds in cut_out(aligner, ration, audio, clip.line.text, clip.voice):
            rows.append((name, start_s + first_s, seconds, clip.engine, clip.voice, clip.split, "word", word, clip.job))
    write_rows(out, rows)
    return len(rows)


def main(arguments: list[str] | None = None) -> None:
    """Build the corpus of one game from the command line."""
    parser = argparse.ArgumentParser(prog="python -m models.training.actors", description=__doc__)
    parser.add_argument("--game", choices=sorted(GAMES), required=True)
    parser.add_argument("--package", type=Path, required=True, help="the game's Debian package, unpacked")
    parser.add_argument("--whisper", type=Path, required=True, help="Whisper model folder in CTranslate2 form")
    parser.add_argument("--second", type=Path, help="another, for a game without a script")
    parser.add_argument("--out", type=Path, required=True, help="corpus folder")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    chosen.out.mkdir(parents=True, exist_ok=True)
    game = GAMES[chosen.game](chosen.package)
    build(game, telling(game, chosen.whisper, chosen.second, chosen.out), chosen.out)


if __name__ == "__main__":
    main()
