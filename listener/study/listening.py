"""Listening to a study's sounds: the very samples that the engines heard, as files and in the report."""

import base64
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import polars as pl
import soundfile

from listener.atomic_write import own_folder, write_whole
from listener.errors import UserError
from listener.events import RATE_HZ
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.results import EngineResult, Result
from listener.study.sound import make_sound

LIST = "sounds.csv"
BEFORE_S, AFTER_S = 2.0, 1.0
Which = Literal["all", "missed", "false"]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A stretch of a trial's sound that is worth hearing. sound: its number; what: in one line of words."""

    sound: int
    engine: str
    start_s: float
    end_s: float | None
    what: str

    @property
    def file(self) -> str:
        """Name for a file of it."""
        at = f"_at_{self.start_s:.1f}s" if self.start_s else ""
        return f"sound_{self.sound:06d}{at}.wav"


def missed(one: EngineResult) -> Iterator[Excerpt]:
    """The calls that an engine missed, the clearest first."""
    order = one.calls.filter(~pl.col("found")).unique("sound", keep="first", maintain_order=True)
    order = order.sort("snr_db", "sound", descending=[True, False], nulls_last=False)
    rows = {row["sound"]: row for row in one.rows(order["sound"].to_list())}
    for sound in order["sound"].to_list():
        row = rows[sound]
        said = f"“{row['phrase']}” {row['words']} times by {row['speaker']}"
        yield Excerpt(sound, one.engine, 0.0, None, f"missed: {said}; {_under(row)}; heard: {_hits(row['peaks'])}")


def false_alerts(one: EngineResult) -> Iterator[Excerpt]:
    """The stretches with false alerts, from a little before to a little after."""
    for row in one.rows(one.negatives.filter(pl.col("false_alerts") > 0)["sound"].to_list()):
        for told in row["told"]:
            if told["kind"] == "alert" and not told["right"]:
                line = row["lines"][told["line"]] if told["line"] is not None else None
                said = f"“{line['text'] or line['source']}” by {line['speaker']}" if line else "nothing was said"
                start_s = max(0.0, round(min(told["start_s"], line["start_s"] if line else told["start_s"]) - BEFORE_S, 1))
                what = f"false alert: {said}; {_under(row)}; heard: {_hits([told])}"
                yield Excerpt(row["sound"], one.engine, start_s, told["raised_s"] + AFTER_S, what)


def _under(row: dict[str, Any]) -> str:
    after = "" if row["snr_heard_db"] is None else f", {row['snr_heard_db']:.1f} dB after the radio"
    noise = "no noise" if row["snr_db"] is None else f"{row['noise']} at {row['snr_db']:g} dB"
    return f"{noise}{after}, radio {row['radio']}"


def _hits(told: Iterable[dict[str, Any]]) -> str:
    hits = [f"{t['phrase']} {t['start_s']:.2f} to {t['end_s']:.2f} s"
            + ("" if t["confidence"] is None else f", confidence {t['confidence']:.0%}") for t in told]  # fmt: skip
    return "; ".join(hits) or "nothing like it"


class Sounds:
    """The sounds of a result, made again from its bank. Raises UserError where the bank is gone."""

    def __init__(self, result: Result) -> None:
        self._design = Design(result.plan)
        try:
            self._bank = Bank.load(result.folder)
        except (OSError, ValueError):
            raise UserError(f"{result.folder}: its speech (bank.npy, bank.json) is not there; copy it again") from None

    def __len__(self) -> int:
        return self._design.sounds

    def samples(self, excerpt: Excerpt) -> np.ndarray:
        """Its samples, float32 at RATE_HZ. Raises UserError for a sound that the study does not have."""
        if not 0 <= excerpt.sound < len(self):
            raise UserError(f"sound {excerpt.sound}: the study has sounds 0 to {len(self) - 1}")
        samples = make_sound(self._design, self._bank, excerpt.sound).samples
        end_s = samples.size / RATE_HZ if excerpt.end_s is None else excerpt.end_s
        return samples[round(excerpt.start_s * RATE_HZ) : round(end_s * RATE_HZ)]

    def as_data(self, excerpt: Excerpt) -> str:
        """As a data URI of FLAC, for a page."""
        out = io.BytesIO()
        soundfile.write(out, self.samples(excerpt), RATE_HZ, format="FLAC", subtype="PCM_16")
        return "data:audio/flac;base64," + base64.b64encode(out.getvalue()).decode()


def chosen(result: Result, which: Which, trial: int | None, engine: str | None) -> list[Excerpt]:
    """What to write. trial: that trial alone. Raises UserError for an engine or trial that the study does not have."""
    names = result.engines if engine is None else (engine,)
    for name in names:
        if name not in result.engines:
            raise UserError(f"engine {name!r}: the study has {', '.join(result.engines)}")
    design = Design(result.plan)
    if trial is not None:
        if not 0 <= trial < len(design):
            raise UserError(f"trial {trial}: the study has trials 0 to {len(design) - 1}")
        return [Excerpt(trial // len(design.engines), "", 0.0, None, "")]
    if which == "all":
        return [Excerpt(sound, "", 0.0, None, "") for sound in range(design.sounds)]
    find = missed if which == "missed" else false_alerts
    return [excerpt for name in names for excerpt in find(result.of(name))]


def write_sounds(result: Result, out: Path, excerpts: list[Excerpt]) -> Path:
    """Write each as 16-bit WAV and a list of them (sounds.csv); gives the list's path."""
    sounds = Sounds(result)
    own_folder(out, known_by=(LIST,))
    rows, done = [], set()
    for excerpt in excerpts:
        if excerpt.file not in done:
            data = io.BytesIO()
            soundfile.write(data, sounds.samples(excerpt), RATE_HZ, format="WAV", subtype="PCM_16")
            write_whole(out / excerpt.file, data.getvalue())
            done.add(excerpt.file)
        rows.append({"file": excerpt.file, "sound": excerpt.sound, "engine": excerpt.engine, "what": excerpt.what})
    write_whole(out / LIST, pl.DataFrame(rows, schema={"file": pl.String, "sound": pl.Int64, "engine": pl.String,
                                                       "what": pl.String}).write_csv())  # fmt: skip
    return out / LIST


def sample(heard: Iterable[EngineResult], most: int = 3) -> list[Excerpt]:
    """For the report: of each engine the clearest calls it missed, and false alerts on different lines."""
    picked = []
    for one in heard:
        picked += [excerpt for _, excerpt in zip(range(most), missed(one))]
        seen: dict[str, Excerpt] = {}
        for excerpt in false_alerts(one):
            seen.setdefault(excerpt.what.split(";")[0], excerpt)
        picked += list(seen.values())[:most]
    return picked

