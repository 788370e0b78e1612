"""The debrief's pictures, as SVG: a timeline, the delays, and each call's spectrogram with its marks.

Colours are Okabe and Ito's (2008), told apart by the colour-blind (the orange darkened, for 3:1
against white); every kind of mark also has its own shape, so that the page reads as well in grey.
"""

import base64
import io
from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator
from numpy.typing import NDArray
from scipy.signal import spectrogram

from listener.drill.answers import TrackEvent
from listener.drill.score import ActionScore, CallScore, DrillScore

BLUE, VERMILION, GREEN, ORANGE, PURPLE, BLACK = "#0072B2", "#D55E00", "#009E73", "#B87700", "#AA4499", "#000000"
PEOPLE = [("o", GREEN), ("s", ORANGE), ("D", PURPLE), ("P", BLACK), ("X", GREEN), ("v", ORANGE)]
STYLE: Any = {
    "font.size": 7.5,
    "font.family": "DejaVu Sans",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "svg.hashsalt": "listener",
}
HIGHEST_HZ = 4000.0
BEFORE_S, AFTER_S = 1.0, 1.5
_LEGEND_LETTERS = 105
LONGEST_S = 9.0


def timeline(score: DrillScore) -> str:
    """The whole drill: calls, what each recording gave, and what people did, one lane each."""
    people = _people_lanes(score)
    tracks = [track.name for track in score.drill.recordings]
    lanes = ["calls made", *(f"heard on {name}" for name in tracks), *(who for who, _ in people)]
    with matplotlib.rc_context(STYLE):
        figure, axes = _figure(7.2, 0.55 + 0.27 * len(lanes))
        height = len(lanes)
        rows = {lane: height - 1 - i for i, lane in enumerate(lanes)}
        _lane_lines(axes, score, lanes)
        last_s, near_s = -np.inf, 0.06 * (score.end_s - score.start_s)
        for call in sorted(score.calls, key=lambda c: c.begin_s or 0.0):
            if call.begin_s is not None:
                below = call.begin_s - last_s < near_s
                _timeline_call(axes, call, rows["calls made"], below)
                last_s = -np.inf if below else call.begin_s
        for name in tracks:
            _timeline_track(axes, score, name, rows[f"heard on {name}"])
        marks = _marks(score)
        for who, done in people:
            for what, at_s in done:
                shape, colour = marks[who, what]
                axes.plot(
                    at_s, rows[who], shape, color=colour, markersize=4, markeredgecolor="black", markeredgewidth=0.3
                )
        _timeline_steps(axes, score, rows)
        last_s = max([score.end_s, *(a.at_s + 1.0 for a in score.drill.actions)])
        axes.set_xlim(score.start_s - 0.01 * (score.end_s - score.start_s), last_s)
        axes.set_ylim(-0.6, height - 0.2)
        axes.xaxis.set_major_locator(MultipleLocator(_tick_s(score.end_s - score.start_s)))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda s, _: _clock(s)))
        axes.set_xlabel("minutes of the drill")
        return _svg(figure)


def _lane_lines(axes: Axes, score: DrillScore, lanes: list[str]) -> None:
    for i in range(len(lanes)):
        axes.axhline(i, color="0.88", linewidth=0.6, zorder=0)
    axes.set_yticks(range(len(lanes)), lanes[::-1])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def _timeline_call(axes: Axes, call: CallScore, row: int, below: bool) -> None:
    """A flag with the call's number; numbers of calls close together stand above and below."""
    at_s = call.begin_s
    assert at_s is not None, "only calls with a place are drawn"
    end_s = call.span_s[1] if call.span_s else at_s
    missed = call.status != "found"
    colour = VERMILION if missed else BLUE
    axes.plot([at_s, end_s], [row, row], color=colour, linewidth=5, solid_capstyle="butt")
    axes.plot([at_s, at_s], [row - 0.28, row + 0.28], color=colour, linewidth=1.2)
    text = f"{call.number} ✕" if missed else f"{call.number}"
    y, side = (row - 0.3, "top") if below else (row + 0.3, "bottom")
    axes.annotate(text, (at_s, y), ha="left", va=side, fontsize=7, fontweight="bold" if missed else "normal")


def _timeline_track(axes: Axes, score: DrillScore, name: str, row: int) -> None:
    for found in score.unheard:
        if found.track == name:
            span = found.stretch.end_s - found.stretch.start_s
            axes.broken_barh(
                [(found.stretch.start_s, span)],
                (row - 0.3, 0.6),
                facecolor="0.9",
                hatch="/////",
                edgecolor="0.55",
                linewidth=0,
            )
    for call in score.calls:
        alert = dict(call.alerts).get(name)
        if alert:
            axes.plot(alert.raised_s, row, "^", color=BLUE, markersize=5.5)
        elif call.near and call.track == name:
            axes.plot(call.near.raised_s, row, "^", markerfacecolor="white", markeredgecolor=VERMILION, markersize=5)
    for other in score.partly:
        if other.track == name:
            axes.plot(other.event.raised_s, row, "^", markerfacecolor="white", markeredgecolor="0.45", markersize=4)
    for other in score.false_alerts:
        if other.track == name:
            axes.plot(other.event.raised_s, row, "^", color=VERMILION, markersize=6)
            axes.annotate(
                "false", (other.event.raised_s, row + 0.2), ha="center", va="bottom", fontsize=6.5, fontweight="bold"
            )


def _timeline_steps(axes: Axes, score: DrillScore, rows: dict[str, int]) -> None:
    """Around what people did: a ring for late, a square for out of order; a cross where a step is missing."""
    for call in score.calls:
        for found in call.steps:
            y = rows[found.action.who if found.action else found.step.who]
            if found.action is None:
                from_s = call.begin_s if call.complete_s is None else call.complete_s
                if from_s is not None:
                    missing_s = from_s + (found.step.within_s or 0.0)
                    axes.plot(missing_s, y, "x", color=VERMILION, markersize=5, markeredgewidth=1.3)
                continue
            at_s = found.action.at_s
            if found.is_late and call.complete_s is not None and found.step.within_s is not None:
                axes.plot([call.complete_s + found.step.within_s, at_s], [y, y], color=VERMILION, linewidth=1.2, zorder=1)
                axes.plot(at_s, y, "o", markerfacecolor="none", markeredgecolor=VERMILION, markersize=8.5)
            if found.before:
                axes.plot(at_s, y, "s", markerfacecolor="none", markeredgecolor=VERMILION, markersize=9.5)


def delays(score: DrillScore, last_word: str) -> str | None:
    """Each call's delays on one line, from the end of its last needed word; None when there are none."""
    marks = _marks(score)
    rows = [c for c in score.calls if c.delay_s is not None or any(a.delay_s is not None for a in c.actions)]
    if not rows:
        return None
    with matplotlib.rc_context(STYLE):
        figure, axes = _figure(7.2, 0.75 + 0.19 * len(rows))
        names = dict.fromkeys(["the listener", *(" ".join(act) for act in score.action_delays_s())])
        for y, call in enumerate(reversed(rows)):
            axes.axhline(y, color="0.88", linewidth=0.6, zorder=0)
            if call.delay_s is not None:
                names["the listener"] = _dot(axes, call.delay_s, y, "^", BLUE)
            for done in call.actions:
                if done.delay_s is not None:
                    key = (done.action.who, done.action.what)
                    names[" ".join(key)] = _dot(axes, done.delay_s, y, *marks[key])
        axes.axvline(0, color="black", linewidth=0.8)
        axes.set_yticks(range(len(rows)), [f"call {call.number}" for call in reversed(rows)])
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.set_ylim(-0.6, len(rows) - 0.4)
        axes.set_xlabel(f"seconds after the end of the {last_word}")
        shown = {name: line for name, line in names.items() if line}
        columns = max(1, min(5, _LEGEND_LETTERS // (max(map(len, shown)) + 6)))
        axes.legend(
            list(shown.values()), list(shown), frameon=False, handletextpad=0.2, loc="lower left", bbox_to_anchor=(0, 1),
            ncols=columns, borderaxespad=0.1,
        )  # fmt: skip
        return _svg(figure)


def _dot(axes: Axes, x: float, y: float, shape: str, colour: str) -> Line2D:
    line = axes.plot(
        x, y, shape, color=colour, markersize=5, markeredgecolor="black", markeredgewidth=0.3, linestyle="none"
    )
    return line[0]


def window_s(found: CallScore | TrackEvent) -> tuple[float, float] | None:
    """The stretch that the picture of a call or a false alert shows; None when nobody knows where it was."""
    if isinstance(found, TrackEvent):
        return found.event.start_s - BEFORE_S, found.event.raised_s + AFTER_S
    span = found.span_s
    if span is None:
        at_s = found.call.at_s[0]
        return None if at_s is None else (at_s - BEFORE_S, at_s + LONGEST_S - BEFORE_S)
    last = max([span[1], *([found.alert.raised_s] if found.alert else [])]) + AFTER_S
    acted = [a.action.at_s + 0.5 for a in found.actions if a.action.at_s < span[0] + LONGEST_S - BEFORE_S - 0.5]
    return span[0] - BEFORE_S, min(max([last, *acted]), span[0] - BEFORE_S + LONGEST_S)


def call_picture(
    found: CallScore | TrackEvent,
    score: DrillScore,
    samples: NDArray[np.float32],
    first_s: float,
    rate_hz: int,
    last_word: str,
) -> str:
    """A spectrogram up to 4 kHz with the words, the alert and what people did. samples begin at first_s."""
    window = window_s(found)
    assert window is not None
    zero: float
    words: Sequence[tuple[float, float]]
    actions: Sequence[ActionScore]
    alert_s: float | None
    if isinstance(found, TrackEvent):
        zero, words = found.event.end_s, [(h.start_s, h.end_s) for h in found.event.hits]
        alert_s, made, actions = found.event.raised_s, False, ()
    else:
        zero = found.complete_s if found.complete_s is not None else window[0] + BEFORE_S
        words, made, actions = found.words_s, True, found.actions
        alert_s = found.alert.raised_s if found.alert else None
    with matplotlib.rc_context(STYLE):
        figure, axes = _figure(2.35, 1.55)
        _spectrum(axes, samples, first_s - zero, rate_hz)
        top = HIGHEST_HZ / 1000
        for i, (start, end) in enumerate(words, 1):
            colour = BLUE if made else VERMILION
            axes.plot(
                [start - zero, end - zero],
                [top + 0.15] * 2,
                color=colour,
                linewidth=3.5,
                solid_capstyle="butt",
                clip_on=False,
            )
            axes.text(
                (start + end) / 2 - zero,
                top + 0.3,
                str(i) if len(words) > 1 else "call",
                ha="center",
                va="bottom",
                fontsize=6.5,
            )
        if alert_s is not None:
            _stroke(axes, alert_s - zero, "^", BLUE if made else VERMILION, "-")
        marks = _marks(score)
        for done in actions:
            if done.action.at_s <= window[1]:
                _stroke(axes, done.action.at_s - zero, *marks[done.action.who, done.action.what], "--")
        axes.set_xlim(window[0] - zero, window[1] - zero)
        axes.set_ylim(0, top)
        axes.set_yticks([0, 2, 4])
        axes.set_ylabel("kHz", labelpad=1)
        axes.xaxis.set_major_locator(MaxNLocator(7, integer=True))
        known = isinstance(found, CallScore) and found.complete_s is not None
        axes.set_xlabel(f"s after the {last_word}" if known else "s", labelpad=1)
        return _svg(figure)


def _spectrum(axes: Axes, samples: NDArray[np.float32], first_s: float, rate_hz: int) -> None:
    size = round(0.032 * rate_hz)
    if len(samples) < size:
        return
    freqs, times, power = spectrogram(samples, rate_hz, nperseg=size, noverlap=size - round(0.008 * rate_hz))
    power = power[freqs <= HIGHEST_HZ]
    level = 10 * np.log10(np.maximum(power, 1e-14))
    high = float(np.percentile(level, 99.7))
    low = max(high - 55.0, float(np.percentile(level, 20)) - 3.0)
    extent = (first_s + times[0], first_s + times[-1], 0.0, min(HIGHEST_HZ, rate_hz / 2) / 1000)
    axes.imshow(level, origin="lower", aspect="auto", extent=extent, cmap="Greys", vmin=low, vmax=max(high, low + 10))


def _stroke(axes: Axes, x: float, shape: str, colour: str, line: str) -> None:
    axes.axvline(x, color="white", linewidth=2.2)
    axes.axvline(x, color=colour, linewidth=1.1, linestyle=line)
    axes.plot(x, 3.6, shape, color=colour, markersize=5, markeredgecolor="white", markeredgewidth=0.5)


def _people_lanes(score: DrillScore) -> list[tuple[str, list[tuple[str, float]]]]:
    lanes: dict[str, list[tuple[str, float]]] = {}
    for action in score.drill.actions:
        lanes.setdefault(action.who, []).append((action.what, action.at_s))
    for found in (found for call in score.calls for found in call.steps):
        lanes.setdefault(found.step.who, [])
    return list(lanes.items())


def _marks(score: DrillScore) -> dict[tuple[str, str], tuple[str, str]]:
    """(who, what) -> shape and colour."""
    acts = dict.fromkeys((a.who, a.what) for a in score.drill.actions)
    return {act: PEOPLE[i % len(PEOPLE)] for i, act in enumerate(acts)}


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure of this size, laid out by itself."""
    return Figure(figsize=(width_in, height_in), layout="constrained")


def _figure(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    figure = new_figure(width_in, height_in)
    return figure, figure.subplots()


def data_address(figure: Figure) -> str:
    """The figure as SVG in an address, for a page that holds all it shows."""
    return "data:image/svg+xml;base64," + base64.b64encode(_svg(figure).encode()).decode()


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", dpi=150, metadata={"Date": None})
    return out.getvalue()


def _tick_s(length_s: float) -> float:
    """A round time, of which about ten make the whole."""
    return next((s for s in (1, 5, 10, 30, 60, 120, 300, 600, 1800) if length_s / s <= 12), 3600)


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def shown_marks(score: DrillScore) -> Sequence[tuple[str, str]]:
    """What the marks of the timeline mean, in words: (mark, meaning)."""
    names = {"o": "●", "s": "■", "D": "◆", "P": "✚", "X": "✖", "v": "▼"}
    people = [(names[shape], f"{who} {what}") for (who, what), (shape, _) in _marks(score).items()]
    known = [("▬", "call"), ("✕", "not found"), ("▲", "alert"), ("△", "partly heard"), ("▨", "could not be heard")]
    steps = [("○", "late"), ("□", "out of order"), ("×", "step not done")] if any(call.steps for call in score.calls) else []
    return [*known, *people, *steps]
