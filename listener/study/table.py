"""Results on disk: one Parquet row a trial, written in parts as the work goes and put together at the end."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import fields
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from listener.atomic_write import write_whole_with
from listener.errors import UserError
from listener.study.trials import Trial

TRIALS = "trials.parquet"
PARTS = "parts"
LATER = {"position", "position_heard", "caller", "caller_heard"}
"""Columns that results of an earlier version lack; they had nothing to put there."""
IMPORTED = "imported"  # a file for each other system that was scored on the same sounds

_TOLD = pa.list_(pa.struct([
    ("kind", pa.string()), ("phrase", pa.string()), ("start_s", pa.float64()), ("end_s", pa.float64()),
    ("raised_s", pa.float64()), ("confidence", pa.float64()), ("log_odds", pa.float64()), ("right", pa.bool_()),
    ("line", pa.int64()),
]))  # fmt: skip
_LINES = pa.list_(pa.struct([
    ("text", pa.string()), ("speaker", pa.string()), ("source", pa.string()), ("start_s", pa.float64()),
    ("end_s", pa.float64()), ("hard", pa.bool_()),
]))  # fmt: skip
_TYPES = {
    "index": pa.int64(), "sound": pa.int64(), "number": pa.int64(), "words": pa.int64(), "seconds": pa.float64(),
    "snr_db": pa.float64(), "level_dbov": pa.float64(), "sii": pa.float64(), "sti": pa.float64(),
    "snr_call_db": pa.float64(), "snr_heard_db": pa.float64(), "lines": _LINES,
    "call_start_s": pa.float64(), "call_end_s": pa.float64(), "delay_s": pa.float64(), "score": pa.float64(),
    "found": pa.bool_(), "partly": pa.bool_(), "false_alerts": pa.int64(), "false_partly": pa.int64(),
    "faults": pa.int64(), "told": _TOLD, "peaks": _TOLD,
}  # fmt: skip
SCHEMA = pa.schema([(f.name, _TYPES.get(f.name, pa.string())) for f in fields(Trial)])


def part_path(folder: Path, sounds: range) -> Path:
    """Where the trials of these sounds lie."""
    return folder / PARTS / f"{sounds.start:08d}-{sounds.stop:08d}.parquet"


def write_part(folder: Path, sounds: range, trials: Iterable[Trial]) -> None:
    """Write one part; it is there whole or not at all, whenever the power goes."""
    path = part_path(folder, sounds)
    rows = [{name: getattr(trial, name) for name in SCHEMA.names} for trial in trials]
    table = pa.Table.from_pylist(rows, schema=SCHEMA)
    write_whole_with(path, lambda part: pq.write_table(table, part, compression="zstd"))


def done_parts(folder: Path, chunks: Iterable[range]) -> Iterator[range]:
    """Those of the chunks whose part is there."""
    here = {entry.name for entry in os.scandir(folder / PARTS)}
    return (chunk for chunk in chunks if part_path(folder, chunk).name in here)


def join_parts(folder: Path, chunks: Iterable[range]) -> Path:
    """All parts as one file in order of the index, one part in memory at a time. Gives its path."""
    path = folder / TRIALS

    def join(part: Path) -> None:
        with pq.ParquetWriter(part, SCHEMA, compression="zstd") as out:
            for chunk in chunks:
                out.write_table(pq.read_table(part_path(folder, chunk), schema=SCHEMA))

    write_whole_with(path, join)
    return path


def read_trials(folder: Path) -> pl.LazyFrame:
    """The results' rows; of a study under way those that are there. Raises UserError where there are none."""
    path = folder / TRIALS
    files = [path] if path.exists() else sorted((folder / PARTS).glob("*.parquet"))
    if not files:
        raise UserError(f"{folder}: holds no trials yet; run the study first")
    try:
        lacks = set(SCHEMA.names) - LATER - set(pq.read_schema(files[0]).names)
    except (OSError, pa.ArrowInvalid) as error:
        raise UserError(f"{files[0]}: cannot be read ({' '.join(str(error).split())[:80]}); copy it again") from None
    if lacks:
        raise UserError(f"{files[0]}: was made by an older version (no {', '.join(sorted(lacks))}); run its study again")
    return _whole(pl.scan_parquet(files))


def read_imported(folder: Path) -> dict[str, pl.LazyFrame]:
    """Other systems' rows by their names."""
    return {path.stem: _whole(pl.scan_parquet(path)) for path in sorted((folder / IMPORTED).glob("*.parquet"))}


def _whole(rows: pl.LazyFrame) -> pl.LazyFrame:
    """With the columns that an earlier version did not write."""
    here = rows.collect_schema().names()
    return rows.with_columns(pl.lit("").alias(name) for name in sorted(LATER) if name not in here).select(SCHEMA.names)
