"""The acceptance's pictures, as SVG. Colours are Okabe and Ito's (2008); every kind of mark also has its own shape."""

import io
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, PercentFormatter

from listener.score.metrics import Share
from listener.site.acceptance.findings import MOST_FALSE_PER_H, Findings

BLUE, VERMILION, GREEN, BLACK = "#0072B2", "#D55E00", "#009E73", "#000000"
_MARKS = {"cautious": "s", "balanced": "o", "eager": "D"}
_STYLE: Any = {
    "font.size": 7.5, "font.family": "DejaVu Sans", "axes.spines.top": False, "axes.spines.right": False,
    "axes.linewidth": 0.6, "xtick.major.width": 0.6, "ytick.major.width": 0.6, "svg.hashsalt": "listener",
}  # fmt: skip
_MOST_PEOPLE = 24


def people(found: Findings) -> str | None:
    """Each person's share found, with its interval; all together below, counted by person. None without calls."""
    if not found.calls:
        return None
    # Of very many those of whom least was found: who was heard well need not be looked at.
    rows = sorted(found.people, key=lambda one: one.found.value)[:_MOST_PEOPLE]
    shown = [(one.name, one.found) for one in found.people if one in rows]
    with matplotlib.rc_context(_STYLE):
        figure, axes = _figure(3.5, 0.6 + 0.17 * (len(shown) + 1))
        for y, (_, share) in enumerate(reversed(shown), 1):
            _interval(axes, share, y, BLUE if share.k == share.n else VERMILION, "o" if share.k == share.n else "X")
        _interval(axes, found.now.found, 0, BLACK, "D")
        axes.axhline(0.5, color="0.7", linewidth=0.6)
        names = ["all", *(f"{_short(name)}  {share.k} of {share.n}" for name, share in reversed(shown))]
        axes.set_yticks(range(len(shown) + 1), names)
        axes.tick_params(axis="y", length=0)
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(-0.6, len(shown) + 0.6)
        axes.xaxis.set_major_formatter(PercentFormatter(1.0))
        axes.set_xlabel("calls found, with 95 % interval")
        return _svg(figure)


def _interval(axes: Axes, share: Share, y: float, colour: str, mark: str) -> None:
    low, high = share.interval
    axes.plot([low, high], [y, y], color=colour, linewidth=1.6, alpha=0.6, solid_capstyle="butt")
    axes.plot(share.value, y, mark, color=colour, markersize=4.5)


def sensitivities(found: Findings) -> str | None:
    """Share found against false alerts an hour, a mark for each sensitivity. None without calls or hours."""
    if not found.is_complete:
        return None
    with matplotlib.rc_context(_STYLE):
        figure, axes = _figure(3.5, 2.1)
        for one in found.at:
            (left, right), (low, high) = one.false.interval, one.found.interval
            mark, colour = _MARKS.get(one.name, "P"), GREEN if one.name == found.recommended.name else "0.45"
            axes.plot([left, right], [one.found.value] * 2, color=colour, linewidth=0.9, alpha=0.7)
            axes.plot([one.false.value] * 2, [low, high], color=colour, linewidth=0.9, alpha=0.7)
            axes.plot(
                one.false.value, one.found.value, mark, color=colour, markersize=6, markeredgecolor="black",
                markeredgewidth=0.9 if one is found.now else 0.0, label=one.name, clip_on=False,
            )  # fmt: skip
        axes.axvline(MOST_FALSE_PER_H, color=VERMILION, linewidth=0.8, linestyle="--")
        axes.set_xlim(left=-0.02 * axes.get_xlim()[1])
        axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
        axes.set_xlabel("false alerts an hour")
        axes.set_ylabel("calls found")
        axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(-0.02, 1.0), ncols=4, handletextpad=0.1, borderaxespad=0.1)
        return _svg(figure)


def levels(found: Findings) -> str | None:
    """How loud the line was: all its frames as an area, and a mark for each call and the noise before it."""
    there = {level: n for level, n in found.frames.items() if level > -100}
    if not there:
        return None
    with matplotlib.rc_context(_STYLE):
        figure, axes = _figure(3.5, 1.9)
        at = np.arange(min(there), max(there) + 1)
        share = np.array([there.get(int(level), 0) for level in at]) / sum(there.values())
        axes.fill_between(at + 0.5, share, step="mid", color="0.82", linewidth=0)
        top = float(share.max())
        said = [call.level_dbov for call in found.calls if call.level_dbov is not None]
        before = [call.noise_dbov for call in found.calls if call.noise_dbov is not None]
        axes.plot(said, np.full(len(said), -0.10 * top), "^", color=BLUE, markersize=4.5, label="calls", clip_on=False)
        axes.plot(before, np.full(len(before), -0.22 * top), "|", color=VERMILION, markersize=6, label="noise before each")
        axes.axvspan(-30, -15, color=BLUE, alpha=0.08, linewidth=0)
        axes.set_ylim(-0.3 * top, 1.05 * top)
        axes.set_xlim(min(min(there), -65), 0)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("level, dBov (shaded: where speech should be)")
        axes.legend(frameon=False, loc="upper left", handletextpad=0.2)
        return _svg(figure)


def hours(found: Findings) -> str | None:
    """What was heard, in order: false alerts and calls along the hours; hatched what could not be heard."""
    parts = found.session.parts
    total_h = sum(part.seconds + part.blind_s for part in parts) / 3600
    if not total_h:
        return None
    in_force, false = found.session.begun.in_force, set(found.false)
    with matplotlib.rc_context(_STYLE):
        figure, axes = _figure(7.2, 0.8)
        at_h = 0.0
        for part in parts:
            length_h = part.seconds / 3600
            axes.broken_barh([(at_h, length_h)], (-0.2, 0.4), facecolor="0.88", linewidth=0)
            if part.blind_s:
                blind = [(at_h + length_h, part.blind_s / 3600)]
                axes.broken_barh(blind, (-0.2, 0.4), facecolor="white", edgecolor="0.5", hatch="/////", linewidth=0)
            for call in part.calls:
                is_found = call.answers[in_force] is not None
                where_h = at_h + (min(call.end_s / 3600, length_h) if part.sha256 else 0.0)
                axes.plot([where_h] * 2, [-0.2, 0.2], color=BLUE if is_found else VERMILION, linewidth=0.8)
                if not is_found:
                    axes.plot(where_h, -0.42, "X", color=VERMILION, markersize=4.5, clip_on=False)
            for told in part.false.get(in_force, ()):
                if (part.name, told) in false:
                    where_h = at_h + (min(told.end_s / 3600, length_h) if part.sha256 else length_h / 2)
                    axes.plot(where_h, 0.42, "v", color=VERMILION, markersize=5, clip_on=False)
            at_h += length_h + part.blind_s / 3600
        axes.set_xlim(0, total_h)
        axes.set_ylim(-0.6, 0.6)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(8))
        axes.set_xlabel("hours heard")
        return _svg(figure)


def delays(found: Findings) -> str | None:
    """Each delay as a dot, in order; None without any."""
    if not found.delays_s:
        return None
    values = np.array(found.delays_s)
    with matplotlib.rc_context(_STYLE):
        figure, axes = _figure(3.5, 1.5)
        axes.plot(values, (np.arange(values.size) + 0.5) / values.size, "o", color=BLUE, markersize=3.5)
        axes.axvline(0, color="black", linewidth=0.8)
        axes.axhline(0.5, color="0.8", linewidth=0.6, zorder=0)
        axes.yaxis.set_major_formatter(PercentFormatter(1.0))
        axes.set_ylim(0, 1)
        axes.set_xlabel("seconds after the end of the last word")
        axes.set_ylabel("alerts out by then")
        return _svg(figure)


def _short(name: str) -> str:
    return name if len(name) <= 22 else f"{name[:21]}…"


def _figure(width: float, height: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.add_subplot()


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
