"""Real people by the dozen: the acted speech of a freely redistributable adventure game.

The Debian package flight-of-the-amazon-queen carries some 6,700 spoken lines of about fifty characters, 4.6 hours, with the
script. Which line a recording says is found by having Whisper write it down and taking the script's line that is
nearest; recordings near no line are left out. Then single words are cut out of the lines (``cut``), so that words
of every kind are also said alone, twice and three times by people.

    python -m models.training.actors --package DIR --whisper MODEL --out CORPUS
"""

from __future__ import annotations

import argparse
import csv
import io
import logging
import re
import struct
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr

from listener.errors import UserError
from listener.speech.pronounce import pronunciations
from models.training import cut, texts
from models.training.corpus import RATE_HZ, Clip, Samples, levelled, trim, write_pack, write_rows
from models.training.words import Ration, cut_out

log = logging.getLogger("actors")

ENGINE = "actors"
DATA = "usr/share/scummvm/flight-of-the-amazon-queen/queen.1c"
SHORTEST_S, LONGEST_S = 0.35, 12.0
NEAR = 84.0  # per cent of letters alike from which a recording is taken to say a line of the script
SAME_WORD, SAME_WORD_BY_ONE = 24, 4  # cuts of one word, in all and by one character: no word is favoured


@dataclass(frozen=True, slots=True)
class Entry:
    """A file inside the game's data file."""

    name: str
    offset: int
    size: int


def entries(data: bytes) -> Iterator[Entry]:
    """The table at the start of the data file: 12 bytes of name, a bundle number, offset and size (big-endian)."""
    at = 15
    while re.fullmatch(rb"[\w.-]+", name := data[at : at + 12].rstrip(b"\0")):
        offset, size = struct.unpack(">II", data[at + 13 : at + 21])
        yield Entry(name.decode(), offset, size)
        at += 21


def recordings(data: bytes) -> Iterator[tuple[str, Samples]]:
    """(name, mono float32 at 16 kHz) of every spoken line."""
    for entry in entries(data):
        if entry.name.endswith(".SB"):
            said, rate_hz = soundfile.read(io.BytesIO(data[entry.offset : entry.offset + entry.size]), dtype="float32")
            if SHORTEST_S <= len(said) / rate_hz <= LONGEST_S:
                yield entry.name[:-3], soxr.resample(said, rate_hz, RATE_HZ)


def script(data: bytes) -> dict[str, str]:
    """The lines of the script, by their letters alone.

    Lines lie in the files of dialogues and scenes, each behind a byte with its length (which may look like a letter),
    with "*" and two digits where a sentence of its own begins.
    """
    lines: dict[str, str] = {}
    for entry in entries(data):
        if entry.name.rsplit(".", 1)[-1] in ("DOG", "CUT", "JAS"):
            for found in re.findall(rb"[ -~]{3,}", data[entry.offset : entry.offset + entry.size]):
                for part in re.split(r"\*\d*", found.decode()):
                    for line in (part, part[1:], part[2:]):
                        if re.match(r"[A-Z\"'.(]", line):
                            lines.setdefault(letters(line), line)
    lines.pop("", None)
    return lines


def letters(text: str) -> str:
    return re.sub(r"[^a-z]", "", text.lower())


def character(name: str) -> str:
    """Who speaks, as far as the recording's name tells: the hero, or somebody of a dialogue or scene."""
    if re.fullmatch(r"[0-9A-FX]{6}J\d|JOE\w+", name):
        return "hero"
    return name[:3] if re.fullmatch(r"[0-9A-FX]{6}P\d", name) else name[:4]


# --- what is said -----------------------------------------------------------


class Writer:
    """Whisper writing down one short recording at a time.

    It is given a window of a second more than the recording instead of its usual thirty: some six times faster.
    In what is left of the window it may write the line again; ``once`` takes that away.
    """

    def __init__(self, model: Path) -> None:
        from faster_whisper import WhisperModel

        self._whisper = WhisperModel(str(model), device="cpu", compute_type="int8", cpu_threads=1)
        token = self._whisper.hf_tokenizer.token_to_id
        self._prompt = [token(f"<|{name}|>") for name in ("startoftranscript", "en", "transcribe", "notimestamps")]

    def text(self, audio: Samples) -> str:
        import ctranslate2

        seconds = len(audio) / RATE_HZ
        window = np.zeros(int(max(3.0, np.ceil(seconds + 1))) * RATE_HZ, np.float32)
        window[: len(audio)] = audio
        features = self._whisper.feature_extractor(window, padding=0)[:, : len(window) // 160]
        view = ctranslate2.StorageView.from_array(np.ascontiguousarray(features[None]))
        best = self._whisper.model.generate(view, [self._prompt], beam_size=1, max_length=int(seconds * 4.5 + 10))[0]
        return once(self._whisper.hf_tokenizer.decode(best.sequences_ids[0]).strip())


def once(text: str) -> str:
    """A text less its own repetition, the last of which may be cut short: "Put it on. Put it on. Put" -> "Put it on."."""
    words = text.split()
    bare = [letters(w) for w in words]
    for start in range(1, len(words)):
        again = all(bare[i] == bare[i - start] for i in range(start, len(words) - 1))
        if again and bare[-1 - start].startswith(bare[-1]) and (words[start - 1][-1] in ".!?" or len(words) > 2 * start):
            return " ".join(words[:start])
    return text


def write_down(data: bytes, model: Path, path: Path) -> None:
    """Name and text of every recording to a CSV file; goes on where an earlier run stopped."""
    done = {name for name, _ in csv.reader(path.open(newline=""))} if path.exists() else set()
    writer, began = None, time.monotonic()
    with path.open("a", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        for number, (name, audio) in enumerate(recordings(data)):
            if name not in done:
                writer = writer or Writer(model)
                table.writerow((name, writer.text(audio)))
            if number % 500 == 499:
                log.info("%d recordings written down, %.0f s", number + 1, time.monotonic() - began)


def nearest(heard: str, lines: dict[str, str]) -> str | None:
    """The script's line that is nearest to what was heard, if it is near enough and all its words are known."""
    from rapidfuzz import fuzz, process

    found = process.extractOne(letters(heard), lines.keys(), scorer=fuzz.ratio, score_cutoff=NEAR)
    text = texts.plain_words(lines[found[0]]) if found else ""
    try:
        return text if text and all(map(pronunciations, text.split())) else None
    except UserError:
        return None


# --- the corpus -------------------------------------------------------------


def clips(data: bytes, heard: dict[str, str]) -> Iterator[Clip]:
    """The recordings whose line is known, trimmed and levelled."""
    lines = script(data)
    for number, (name, audio) in enumerate(recordings(data)):
        text = nearest(heard.get(name, ""), lines)
        samples = trim(audio) if text else audio[:0]
        if text and samples.size:
            yield Clip(levelled(samples), ENGINE, character(name), "train", texts.Line("sentence", text, text), number)


def build(package: Path, model: Path, out: Path, pack_s: float = 300.0) -> None:
    """Add the actors' lines and words to a corpus folder."""
    data = (package / DATA).read_bytes()
    out.mkdir(parents=True, exist_ok=True)
    heard_path = out / "actors_heard.csv"
    write_down(data, model, heard_path)
    with heard_path.open(newline="") as file:
        heard = dict(csv.reader(file))
    aligner, ration = cut.Aligner(), Ration(SAME_WORD, SAME_WORD_BY_ONE)
    waiting, pack, seconds, count = [], 0, 0.0, 0
    for clip in clips(data, heard):
        waiting.append(clip)
        seconds += clip.samples.size / RATE_HZ
        if sum(c.samples.size for c in waiting) >= pack_s * RATE_HZ:
            count += _write(out, f"{ENGINE}-{pack:04d}.ogg", waiting, aligner, ration)
            waiting, pack = [], pack + 1
            log.info("%.2f h of lines, %d words cut", seconds / 3600, count)
    if waiting:
        count += _write(out, f"{ENGINE}-{pack:04d}.ogg", waiting, aligner, ration)
    log.info("%.2f h of lines, %d words cut, done", seconds / 3600, count)


def _write(out: Path, name: str, some: list[Clip], aligner: cut.Aligner, ration: Ration) -> int:
    """A pack of lines, and beside their rows the rows of the words in them. Returns how many words."""
    rows = []
    for clip, start_s in zip(some, write_pack(out, name, some), strict=True):
        audio = np.round(clip.samples * 32767).astype(np.int16)
        for word, first_s, seconds in cut_out(aligner, ration, audio, clip.line.text, clip.voice):
            rows.append((name, start_s + first_s, seconds, clip.engine, clip.voice, clip.split, "word", word, clip.job))
    write_rows(out, rows)
    return len(rows)


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m models.training.actors", description=__doc__)
    parser.add_argument("--package", type=Path, required=True, help="the package flight-of-the-amazon-queen, unpacked")
    parser.add_argument("--whisper", type=Path, required=True, help="Whisper model folder in CTranslate2 form")
    parser.add_argument("--out", type=Path, required=True, help="corpus folder")
    chosen = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    build(chosen.package, chosen.whisper, chosen.out)


if __name__ == "__main__":
    main()
