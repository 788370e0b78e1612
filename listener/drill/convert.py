"""A drill as labels, and labels as parts of a drill.

What a label means is told by the beginning of its text: "call: launcher two", "word: suspend",
"action: controller: pressed", "traffic: deck: tension off". Others are kept as traffic without a
name.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from listener.drill.hear import HeardTrack
from listener.drill.script import Action, Drill, MadeCall, Traffic
from listener.events import Call
from listener.score.labels import Label

_HEARD = {"alert", "candidate", "partly_heard", "heard"}


def drill_labels(drill: Drill) -> list[Label]:
    """The drill's truth: calls with their words, actions, traffic, in time order. Calls to find have no time."""
    labels = []
    for call in drill.calls:
        start, end = call.at_s
        if start is None:
            continue
        where = call.recording or ""
        labels.append(Label(start, start if end is None else end, f"call: {call.caller}", where))
        labels += [Label(a, b, f"word: {drill.phrase_of(call)}", where) for a, b in call.words_s]
    labels += [Label(a.at_s, a.at_s, f"action: {a.who}: {a.what}") for a in drill.actions]
    labels += [Label(*t.at_s, f"traffic: {t.who}: {t.text}", t.recording or "") for t in drill.traffic]
    return sorted(labels, key=lambda label: label.start_s)


def heard_labels(tracks: Sequence[HeardTrack]) -> list[Label]:
    """What the listener heard: alerts, candidates, partly heard calls and their words."""
    labels = []
    for track in tracks:
        for event in track.events:
            if isinstance(event, Call):
                name = track.sound.track.name
                text = f"{event.kind}: {event.phrase} {event.confidence:.3f}"
                labels.append(Label(max(0.0, event.start_s), max(0.0, event.end_s), text, name))
                labels += [
                    Label(max(0.0, h.start_s), max(0.0, h.end_s), f"heard: {h.phrase} {h.score:.2f}", name)
                    for h in event.hits
                ]
    return sorted(labels, key=lambda label: label.start_s)


def calls_and_actions(
    labels: Iterable[Label], told: Callable[[str], object] = lambda line: None
) -> tuple[list[MadeCall], list[Action], list[Traffic]]:
    """What labels say of a drill; the machine's own (alert, heard, ...) are left out.

    told(line): what could not be used and was left out.
    Words belong to the call that holds them. A label that is a point in time is a call's beginning.
    """
    calls: list[tuple[Label, str]] = []
    words: list[Label] = []
    actions: list[Action] = []
    traffic: list[Traffic] = []
    for label in labels:
        kind, _, rest = (part.strip() for part in label.text.partition(":"))
        match kind.lower():
            case "call":
                calls.append((label, rest))
            case "word":
                words.append(label)
            case "action":
                who, _, what = (part.strip() for part in rest.rpartition(":"))
                actions.append(Action(who=who or "somebody", what=what or "acted", at_s=label.start_s))
            case kind if kind in _HEARD:
                continue
            case _:
                who, colon, text = rest.partition(":") if kind.lower() == "traffic" else ("", "", label.text)
                if label.end_s > label.start_s:
                    said = text if colon or not who else who
                    traffic.append(
                        Traffic(
                            at_s=(label.start_s, label.end_s),
                            who=who.strip() if colon else "",
                            text=said.strip(),
                            recording=label.track or None,
                        )
                    )
    stray = [w for w in words if not any(_is_within(w, call) for call, _ in calls)]
    if stray:
        told(f"word at {stray[0].start_s:.2f} s{f' and {len(stray) - 1} more' if stray[1:] else ''}: in no call; left out: "
             "mark the call around its words")  # fmt: skip
    made = [_call(label, caller, words, told) for label, caller in calls]
    return made, actions, traffic


def _is_within(word: Label, call: Label) -> bool:
    return word.track == call.track and call.start_s <= word.start_s and word.end_s <= call.end_s


def _call(label: Label, caller: str, words: list[Label], told: Callable[[str], object]) -> MadeCall:
    own = sorted((w.start_s, w.end_s) for w in words if _is_within(w, label))
    apart = all(start < end for start, end in own) and all(a[1] <= b[0] for a, b in pairwise(own))
    if not apart:
        told(f"call at {label.start_s:.2f} s: its words overlap or last no time; kept without them")
    return MadeCall(
        at_s=(label.start_s, label.end_s if label.end_s > label.start_s else None),
        words_s=tuple(own) if apart else (),
        recording=label.track or None,
        caller=caller,
    )
