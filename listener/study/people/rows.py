"""People's answers as rows of the study's own table, of an engine called "people", and a table of the listeners.

Only what the machines heard too becomes a row: the study's calls and talk, not practice, checks or extra sounds. Who did
not attend is left out by a rule that is set here and not by looking at the results; the report says how many.
"""

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import polars as pl

from listener.errors import UserError
from listener.events import Alert
from listener.study.people.answers import Line, listener_paths, read_lines
from listener.study.people.track import threshold
from listener.study.table import SCHEMA
from listener.study.trials import Trial

PEOPLE = "people"
LISTENER = "listener"
"""The column that people's rows have on top of the table's."""
LISTENERS = (
    "One row a person, by a random name. Clear: calls without noise; blank: pieces of a call's length without one, and how "
    "many were pressed at; checks: tones counted right. SRT: of an adaptive track (turns: the mean of its turning points). "
    "Who is left out is in this table and in no figure. This is no hearing test."
)
MOST_WRONG_CHECKS = 1
MOST_CLEAR_MISSED = 1, 0.25
"""A listener counts who has at most so many checks wrong, and missed at most so many of the calls without noise, or this
share of them if that is more (common practice, no source)."""
RULE = (
    f"at most {MOST_WRONG_CHECKS} attention check wrong, and of the calls without noise at most {MOST_CLEAR_MISSED[0]} or "
    f"{MOST_CLEAR_MISSED[1]:.0%} missed"
)
METHOD = (
    "People heard the same sounds through headphones, each at a level of their own that was set beforehand and that no sound "
    "passed. Each got calls of all conditions in equal parts, in an order of their own, among talk, calls without noise and "
    "pieces of a call's length without one. A press counts from the call's beginning until two seconds after its end; the "
    "delay is that of the press, and holds the hand's. A press has no score, so people have no trade-off curve, only a point. "
    f"Listeners count who had {RULE}. People's intervals are over listeners. Against an engine each call "
    "counts once, by one of its listeners."
)


@dataclass(frozen=True, slots=True)
class Listener:
    """One line of the table of listeners. k of n: clear calls heard, pieces without a call pressed at, checks right.

    left_out: why the answers do not count; "" if they do.
    """

    listener: str
    mode: str
    calls: int
    missed: int
    clear_heard: int
    clear: int
    blank_pressed: int
    blank: int
    checks_right: int
    checks: int
    gain_db: float | None
    srt_db: float | None
    srt_low_db: float | None
    srt_high_db: float | None
    srt_turns_db: float | None
    left_out: str


def read_people(folder: Path, lock: dict[str, Any]) -> list[tuple[Listener, list[Line]]]:
    """Every listener with their lines. Raises UserError where one heard another study's sounds."""
    out = []
    for path in listener_paths(folder):
        lines = read_lines(path)
        for key in ("plan_sha256", "bank_sha256"):
            if lines[0].get(key) != lock.get(key):
                raise UserError(f"{path}: was answered on other sounds than this study's; take it out of the folder")
        out.append((listener_of(lines), lines))
    return out


def listener_of(lines: list[Line]) -> Listener:
    """What the lines of one listener come to."""
    answers = [line for line in lines if line["kind"] == "answer" and not line["practice"]]
    of = {what: [a for a in answers if a["what"] == what] for what in ("call", "clear", "blank", "tones", "track")}
    clear = sum(a["found"] for a in of["clear"])
    right = sum(a["right"] for a in of["tones"])
    levels = [line["gain_db"] for line in lines if line["kind"] == "level"]
    srt = threshold([a["found"] for a in of["track"]])
    return Listener(
        lines[0]["id"], lines[0]["mode"], len(of["call"]), sum(not a["found"] for a in of["call"]),
        clear, len(of["clear"]), sum(bool(a["false_presses_s"]) for a in of["blank"]), len(of["blank"]),
        right, len(of["tones"]), levels[-1] if levels else None,
        srt.srt_db if srt else None, srt.low_db if srt else None, srt.high_db if srt else None,
        srt.turns_db if srt else None, _left_out(clear, len(of["clear"]), len(of["tones"]) - right),
    )  # fmt: skip


def _left_out(clear: int, of: int, wrong_checks: int) -> str:
    if wrong_checks > MOST_WRONG_CHECKS:
        return f"{wrong_checks} attention checks wrong"
    if of - clear > max(MOST_CLEAR_MISSED[0], MOST_CLEAR_MISSED[1] * of):
        return f"heard {clear} of {of} calls without noise"
    return ""


def trials_of(lines: list[Line], first_index: int) -> Iterator[Trial]:
    """The rows of one listener, in the order in which they were heard."""
    answers = (a for a in lines if a["kind"] == "answer" and a["what"] in ("call", "talk") and not a["practice"])
    for index, answer in enumerate(answers, first_index):
        truth = answer["truth"]
        told = [(s, False) for s in answer["false_presses_s"]]
        if answer["found"]:
            told.append((truth["call_end_s"] + answer["delay_s"], True))
        yield Trial(
            index=index, engine=PEOPLE, **truth, found=answer["found"], partly=answer["found"], delay_s=answer["delay_s"],
            false_alerts=len(answer["false_presses_s"]), told=tuple(_press(s, r, truth) for s, r in sorted(told)),
        )  # fmt: skip


def _press(at_s: float, right: bool, truth: dict[str, Any]) -> dict[str, Any]:
    """A press as something told: it has a time and no confidence; line: the one that was said last when it came."""
    before = [i for i, line in enumerate(truth["lines"]) if line["start_s"] <= at_s]
    line = before[-1] if before else None
    return {"line": line, "kind": Alert.kind, "phrase": truth["phrase"], "start_s": at_s, "end_s": at_s, "raised_s": at_s,
            "confidence": None, "log_odds": None, "right": right}  # fmt: skip


def people_frame(folder: Path, lock: dict[str, Any]) -> pl.DataFrame:
    """All rows of the listeners who count: the table's columns and LISTENER. No rows where nobody has answered."""
    import pyarrow as pa

    rows: list[dict[str, Any]] = []
    who: list[str] = []
    for listener, lines in read_people(folder, lock):
        if not listener.left_out:
            mine = [{name: getattr(t, name) for name in SCHEMA.names} for t in trials_of(lines, len(rows))]
            rows += mine
            who += [listener.listener] * len(mine)
    frame = pl.from_arrow(pa.Table.from_pylist(rows, schema=SCHEMA))
    assert isinstance(frame, pl.DataFrame)
    return frame.with_columns(pl.Series(LISTENER, who, dtype=pl.String))


def listener_frame(folder: Path, lock: dict[str, Any]) -> pl.DataFrame:
    """One row a listener, in order of their ids."""
    rows = [asdict(listener) for listener, _ in read_people(folder, lock)]
    return pl.DataFrame(rows, infer_schema_length=None)


def who_counts(folder: Path, lock: dict[str, Any]) -> list[str]:
    """What a report says first about its listeners; nothing where nobody listened."""
    all_of_them = [listener for listener, _ in read_people(folder, lock) if listener.calls]
    if not all_of_them:
        return []
    out = [listener for listener in all_of_them if listener.left_out]
    pressed, blank = sum(x.blank_pressed for x in all_of_them), sum(x.blank for x in all_of_them)
    said = [
        f"People: {len(all_of_them) - len(out)} listeners, who set their own level; no hearing test was made of them. "
        f"All who came pressed at {pressed} of {blank} short pieces without a call."
    ]
    if out:
        said.append(
            f"{len(out)} of {len(all_of_them)} listeners are left out by the rule set before ({RULE})."
        )
    return said
