"""The record's picture: a crew from drill to drill, as SVG."""

from collections.abc import Sequence

import matplotlib
from matplotlib.axes import Axes

from listener.drill.charts import BLUE, PEOPLE, STYLE, data_address, new_figure
from listener.drill.trends import Trend

_MOST_ACTIONS = len(PEOPLE)


def trends_picture(drills: Sequence[Trend]) -> str | None:
    """Shares of steps above, median delays of each action below, as a data address; None for fewer than two drills.

    Filled marks: alerts shown; hollow ones: hidden. Of more actions than there are marks, those done in most drills.
    """
    actions = _most_done(drills)
    has_steps = any(drill.steps.n for drill in drills)
    if len(drills) < 2 or not (actions or has_steps):
        return None
    with matplotlib.rc_context(STYLE):
        heights = [1.0] * has_steps + [1.3] * bool(actions)
        figure = new_figure(7.2, 0.8 + 1.35 * sum(heights))
        panels = list(figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0])
        if has_steps:
            _shares(panels[0], drills)
        if actions:
            _delays(panels[-1], drills, actions)
        names = [f"{drill.title[:14]}\n{drill.date}".strip() for drill in drills]
        panels[-1].set_xticks(range(len(drills)), names, rotation=0 if len(drills) <= 8 else 90)
        panels[-1].set_xlim(-0.5, len(drills) - 0.5)
        return data_address(figure)


def _shares(axes: Axes, drills: Sequence[Trend]) -> None:
    for x, drill in enumerate(drills):
        if not drill.steps.n:
            continue
        low, high = drill.steps.interval
        axes.plot([x, x], [low * 100, high * 100], color=BLUE, linewidth=1.0)
        _mark(axes, x, drill.steps.value * 100, "o", BLUE, drill)
        text, at = f"{drill.steps.k} of {drill.steps.n}", (x, drill.steps.value * 100)
        axes.annotate(text, at, (5, 0), textcoords="offset points", fontsize=6.5)
    axes.set_ylim(-3, 103)
    axes.set_ylabel("steps in order\nand in time, %")


def _delays(axes: Axes, drills: Sequence[Trend], actions: Sequence[str]) -> None:
    for (shape, colour), what in zip(PEOPLE, actions):
        points = [(x, m) for x, drill in enumerate(drills) if (m := drill.median_s(what)) is not None]
        axes.plot([x for x, _ in points], [y for _, y in points], "-", color=colour, linewidth=0.7)
        axes.plot([], [], shape + "-", color=colour, linewidth=0.7, markersize=5, label=what)
        for x, y in points:
            _mark(axes, x, y, shape, colour, drills[x])
    axes.axhline(0, color="black", linewidth=0.6)
    axes.set_ylabel("median delay, s")
    columns = max(1, min(5, 100 // (max(map(len, actions)) + 6)))
    axes.legend(frameon=False, loc="lower left", bbox_to_anchor=(0, 1), ncols=columns, borderaxespad=0.1, handletextpad=0.3)


def _mark(axes: Axes, x: float, y: float, shape: str, colour: str, drill: Trend) -> None:
    inside = "white" if drill.alerts == "hidden" else colour
    axes.plot(x, y, shape, markersize=5.5, markerfacecolor=inside, markeredgecolor=colour, markeredgewidth=1.1)


def _most_done(drills: Sequence[Trend]) -> list[str]:
    """What was done, in the order of its first time; of too many, what was done in most drills."""
    names = dict.fromkeys(what for drill in drills for what in drill.delays_s)
    often = sorted(names, key=lambda what: -sum(what in drill.delays_s for drill in drills))[:_MOST_ACTIONS]
    return [what for what in names if what in often]
