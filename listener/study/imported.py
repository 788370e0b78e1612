"""Other systems on the same sounds: what they heard comes in as a file and is scored like an engine.

`listener study sounds DIR` is the way out, this the way in. Three open formats: CSV (file, start_s, end_s, text and, if
known, confidence and raised_s), CTM (file channel start duration word [confidence]) and RTTM (times as RTTM has them, the
name field as the text). Words that read as the phrase, said in a row with no longer gaps than the call's settings
allow, make a call: as many as its repeats an alert, one fewer partly heard. A text that is the whole call is one as well.
"""

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from math import isfinite, log
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from listener.atomic_write import write_whole_with
from listener.errors import UserError
from listener.events import Alert, PartlyHeard
from listener.score.said import plain, times_said
from listener.settings import PhraseSettings
from listener.study.results import Result
from listener.study.table import IMPORTED, SCHEMA
from listener.study.trials import Outcome, Told, Trial, judged

FORMATS = (".csv", ".ctm", ".rttm")


@dataclass(frozen=True, slots=True)
class Word:
    """Something another system heard in a sound. raised_s: when it said so, if that is known."""

    sound: int
    start_s: float
    end_s: float
    text: str
    confidence: float | None = None
    raised_s: float | None = None


def import_hits(result: Result, file: Path, name: str) -> Path:
    """Score the hits of a file on all of a study's sounds as the engine `name`; gives the path of its rows.

    Raises UserError for a name that is taken, a line that cannot be read, and a sound that the study does not have.
    """
    if name in result.plan.engines or not name.strip() or "/" in name:
        raise UserError(f"--name {name!r}: is an engine of the study's own, or no name; choose another")
    if result.missing()[0]:
        raise UserError(f"{result.folder}: is not finished; run the study to its end first")
    first = result.of(result.engines[0]).all_rows()
    by_sound: dict[int, list[Word]] = {}
    for word in read_hits(file):
        by_sound.setdefault(word.sound, []).append(word)
    missing = sorted(set(by_sound) - {row["sound"] for row in first})
    if missing:
        raise UserError(f"{file}: names sound {missing[0]}, which the study does not have")
    rows = []
    for row in first:
        empty = _empty(row, name)
        told = tuple(calls_of(by_sound.get(empty.sound, []), result.plan.phrases))
        trial = judged(empty, Outcome(told, tuple(replace(t, kind="candidate") for t in told), 0))
        if not all(word.raised_s is not None for word in by_sound.get(empty.sound, [])):
            trial = replace(trial, delay_s=None)
        rows.append({column: getattr(trial, column) for column in SCHEMA.names})
    path = result.folder / IMPORTED / f"{name}.parquet"
    path.parent.mkdir(exist_ok=True)
    write_whole_with(path, lambda part: pq.write_table(pa.Table.from_pylist(rows, schema=SCHEMA), part))
    return path


def _empty(row: dict[str, Any], name: str) -> Trial:
    """The trial's parameters, with nothing heard yet."""
    kept = ("index", "sound", "kind", "phrase", "noise", "snr_db", "radio", "room", "number", "speaker", "words", "seconds",
            "level_dbov", "sii", "sti", "snr_call_db", "snr_heard_db", "lines", "call_start_s", "call_end_s",
            "position", "caller")  # fmt: skip
    return Trial(engine=name, **{key: row[key] for key in kept})


def calls_of(words: Iterable[Word], phrases: tuple[PhraseSettings, ...]) -> Iterator[Told]:
    """Alerts and partly heard calls that some words of one sound make."""
    ordered = sorted(words, key=lambda w: (w.start_s, w.end_s))
    for phrase in phrases:
        run: list[Word] = []
        said = 0
        for word in [*ordered, None]:
            times = times_said(plain(word.text), phrase.words) if word else 0
            if word and not times:
                continue
            if run and (word is None or word.start_s - run[-1].end_s > phrase.longest_gap_s):
                if said >= phrase.repeats - 1 and said > 0:
                    yield _told(run, phrase, said >= phrase.repeats)
                run, said = [], 0
            if word:
                run.append(word)
                said += times


def _told(run: list[Word], phrase: PhraseSettings, whole: bool) -> Told:
    known = [w.confidence for w in run if w.confidence is not None]
    confidence = min(max(sum(known) / len(known), 1e-4), 1 - 1e-4) if known else 0.5
    raised_s = max(w.end_s if w.raised_s is None else w.raised_s for w in run)
    kind = Alert.kind if whole else PartlyHeard.kind
    log_odds = log(confidence / (1 - confidence))
    return Told(kind, phrase.words, run[0].start_s, run[-1].end_s, raised_s, confidence, log_odds, False)


def read_hits(path: Path) -> list[Word]:
    """The hits in a file, its format by its name. Raises UserError naming the line."""
    kind = path.suffix.lower()
    if kind not in FORMATS:
        raise UserError(f"{path}: cannot tell its format; its name must end in {', '.join(FORMATS)}")
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or 'not text in UTF-8'}") from None
    if kind == ".csv":
        table = csv.DictReader(lines)
        lacks = {"file", "start_s", "end_s", "text"} - set(table.fieldnames or ())
        if lacks:
            raise UserError(f"{path}: its first line lacks {', '.join(sorted(lacks))}")
        return [_word(path, table.line_num, row["file"], row["start_s"], row["end_s"], row["text"], row.get("confidence"),
                      row.get("raised_s")) for row in table]  # fmt: skip
    words = []
    for number, line in enumerate(lines, 1):
        fields = line.split()
        if not fields or line.startswith(";;"):
            continue
        if kind == ".rttm":
            fields = [fields[1], fields[2], fields[3], fields[4], fields[7], "<NA>"] if len(fields) > 7 else []
        if len(fields) < 5:
            raise UserError(f"{path}: line {number}: too few fields for {kind[1:].upper()}")
        file, _, start_s, long_s, text = fields[:5]
        confidence = fields[5] if len(fields) > 5 and fields[5].upper() not in ("NA", "<NA>") else None
        try:
            end_s = str(float(start_s) + float(long_s))
        except ValueError:
            end_s = "?"
        words.append(_word(path, number, file, start_s, end_s, text, confidence, None))
    return words


def _word(
    path: Path, number: int, file: str, start_s: str, end_s: str, text: str, confidence: str | None, raised_s: str | None
) -> Word:
    digits = "".join(c for c in Path(file or "").name.split(".")[0].removeprefix("sound_") if c.isdigit())
    if not digits:
        raise UserError(f"{path}: line {number}: {file!r} is no sound of a study (sound_000012.wav)")
    try:
        start, end = float(start_s), float(end_s)
        sure, raised = (float(v) if v not in (None, "") else None for v in (confidence, raised_s))
    except (TypeError, ValueError):
        raise UserError(f"{path}: line {number}: a time or confidence is no number") from None
    if not all(isfinite(v) for v in (start, end, sure or 0.0, raised or 0.0)) or not 0 <= start <= end:
        raise UserError(f"{path}: line {number}: the times must be numbers, the end not before the start")
    if sure is not None and not 0 <= sure <= 1:
        raise UserError(f"{path}: line {number}: the confidence {sure:g} is not between 0 and 1")
    return Word(int(digits), start, end, text or "", sure, raised)

