"""Events as JSON lines: the contract that scripts lean on. One object a line, on stdout."""

import json

from listener.events import Call, Hit


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


def _hit(hit: Hit) -> dict[str, float]:
    return {"start_s": round(hit.start_s, 3), "end_s": round(hit.end_s, 3), "score": round(hit.score, 3)}
