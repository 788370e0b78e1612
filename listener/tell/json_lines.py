"""Events as JSON lines: the contract that scripts lean on. One object a line, on stdout."""

import json
from dataclasses import asdict

from listener.events import Answer, Call, Hit, Update


def json_line(call: Call, file: str, utc: str | None = None) -> str:
    """An alert, candidate or partly heard call as one line of JSON, without the line's end.

    Times are seconds from the file's first sample, to the millisecond; utc: the call's start by the wall clock, where
    that is known, as one more field. All of it is ASCII, so that any file name and any terminal will do. chance_per_h is
    null where the engine knows none.

    >>> from listener.events import Alert
    >>> words = (Hit("stop", 1.0, 1.4, 4.0), Hit("stop", 1.8, 2.2, 4.0))
    >>> line = json_line(Alert(0, "stop", 2, 1.0, 2.2, 2.34, 0.97, "ear", words), "tower.wav")
    >>> line[:96]
    '{"kind": "alert", "file": "tower.wav", "channel": 0, "phrase": "stop", "repeats": 2, "start_s": '
    """
    return json.dumps(
        {
            "kind": call.kind,
            "file": file,
            "channel": call.channel,
            "phrase": call.phrase,
            "repeats": call.repeats,
            "start_s": round(call.start_s, 3),
            "end_s": round(call.end_s, 3),
            "raised_s": round(call.raised_s, 3),
            "confidence": round(call.confidence, 6),
            "chance_per_h": None if call.chance_per_h is None else round(call.chance_per_h, 4),
            "engine": call.engine,
            "hits": [_hit(hit) for hit in call.hits],
        }
        | ({"utc": utc} if utc else {}),
        allow_nan=False,
    )


def update_line(update: Update, file: str) -> str:
    """What became known about an alert that was told, as one line of JSON, without the line's end.

    phrase and start_s are the alert's, to the digit. position, caller: null where none is listened for, or not yet known;
    else an object with verdict ("heard", "not heard", "unclear", "not available"), name, confidence, start_s and end_s.

    >>> update_line(Update(0, "stop", 1.0, 2.9, position=Answer("not heard", confidence=0.9)), "tower.wav")[:71]
    '{"kind": "update", "file": "tower.wav", "channel": 0, "phrase": "stop",'
    """
    return json.dumps(
        {
            "kind": update.kind,
            "file": file,
            "channel": update.channel,
            "phrase": update.phrase,
            "start_s": round(update.start_s, 3),
            "raised_s": round(update.raised_s, 3),
            "position": answer_values(update.position),
            "caller": answer_values(update.caller),
        },
        allow_nan=False,
    )


def answer_values(answer: Answer | None) -> dict[str, str | float | None] | None:
    """An answer as plain values; None for none."""
    if answer is None:
        return None
    return {key: round(value, 4) if isinstance(value, float) else value for key, value in asdict(answer).items()}


def _hit(hit: Hit) -> dict[str, float]:
    return {"start_s": round(hit.start_s, 3), "end_s": round(hit.end_s, 3), "score": round(hit.score, 3)}
