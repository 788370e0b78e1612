"""The report's plots, each a function from measures to an SVG text that needs no other file."""

import io
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import matplotlib

matplotlib.use("svg")

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from listener.score.metrics import normal_deviate
from listener.study.confusion import matrices
from listener.study.results import EngineResult, ratios, select

if TYPE_CHECKING:
    import polars as pl

HUMAN_SRT_DB = (-11.6, -8.0)
"""Digits in noise, normal hearing: the range of published speech reception thresholds."""
COLOURS = ("#0b5cad", "#c2410c", "#15803d", "#7e22ce", "#a16207", "#0e7490", "#be185d", "#4d4d4d")
STYLES = ("-", "--", "-.", ":")
_STYLE: Any = {
    "font.family": "sans-serif", "font.size": 10, "axes.grid": True, "grid.color": "#e3e6ea", "grid.linewidth": 0.8,
    "axes.spines.top": False, "axes.spines.right": False, "axes.edgecolor": "#808890", "axes.labelcolor": "#20262e",
    "xtick.color": "#40464e", "ytick.color": "#40464e", "legend.frameon": False, "svg.hashsalt": "listener",
    "axes.axisbelow": True, "text.parse_math": False, "axes.titlesize": 11, "axes.titleweight": "bold",
}  # fmt: skip


def svg(draw: Callable[[Figure], None], width: float = 7.2, height: float = 4.4) -> str:
    """Draw on a new figure and give it as SVG, the same text every time."""
    with matplotlib.rc_context(_STYLE):
        figure = Figure(figsize=(width, height), layout="constrained")
        draw(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def _colour(i: int) -> str:
    return COLOURS[i % len(COLOURS)]


def miss_by_snr(heard: Sequence[EngineResult], **where: Any) -> str:
    """Miss share against SNR: points with Wilson intervals, fitted curves, calls without noise apart, the human range."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.axvspan(*HUMAN_SRT_DB, color="#f2e3b3", lw=0, zorder=0, label="half of spoken digits understood by people (SRT)")
        for i, one in enumerate(heard):
            _miss_points(axes, one, i, len(heard), where)
        low, high = axes.get_xlim()
        axes.set_xlim(min(low, HUMAN_SRT_DB[0] - 1.5), high)
        axes.axhline(0.5, color="#b0b6bd", lw=0.8, ls=":")
        axes.set(xlabel="SNR, dB (active speech level over noise, in the radio band)", ylabel="calls missed",
                 ylim=(-0.02, 1.02))  # fmt: skip
        axes.yaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0))
        axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), fontsize=9)

    return svg(draw, height=4.8)


def _miss_points(axes: Axes, one: EngineResult, i: int, count: int, where: dict[str, Any]) -> None:
    levels = [r for r in ratios(select(one.calls, where)) if r is not None]
    if not levels:
        return
    fitted = one.curve(**where)
    label = one.engine
    if fitted:
        x = np.linspace(min(levels) - 1, max(levels) + 1, 200)
        axes.plot(x, 1 - fitted.curve.found(x), color=_colour(i), ls=STYLES[i % 4], lw=1.8)
        label += f": SRT {fitted.curve.srt_db:.1f} dB"
        if fitted.srt_db and fitted.srt_db[1] - fitted.srt_db[0] <= 2 * (max(levels) - min(levels)):
            label += f" ({fitted.srt_db[0]:.1f} to {fitted.srt_db[1]:.1f})"
        else:
            label += " (too few speakers or calls for an interval)"
        label += f", lapse {fitted.curve.lapse:.1%}"
    else:
        label += ": no SRT"
    quiet = one.missed(**where, snr_db=None)
    label += f"; quiet {quiet.k} of {quiet.n} missed" if quiet.n else "; no quiet calls"
    shares = [one.missed(**where, snr_db=r) for r in levels]
    bands = np.array([s.interval for s in shares])
    axes.fill_between(levels, bands[:, 0], bands[:, 1], color=_colour(i), alpha=0.13, lw=0)
    at = [*levels, *([_quiet_at(levels)] if quiet.n else [])]
    shares += [quiet] if quiet.n else []
    bands, values = np.array([s.interval for s in shares]), np.array([s.value for s in shares])
    shifted = np.array(at) + (i - (count - 1) / 2) * 0.12
    axes.errorbar(shifted, values, [values - bands[:, 0], bands[:, 1] - values], fmt="os^Dv"[i % 5], color=_colour(i),
                  ms=5, lw=1, capsize=2, label=label)  # fmt: skip
    if quiet.n:
        axes.axvline(_quiet_at(levels) - 1.5, color="#b0b6bd", lw=0.8)
        axes.text(_quiet_at(levels), 1.01, "quiet", ha="center", va="top", fontsize=8, color="#40464e")


def _quiet_at(levels: Sequence[float]) -> float:
    """Where calls without noise stand on the axis of SNRs: apart, at its right end."""
    return max(levels) + 3.0


def trade_off(heard: Sequence[EngineResult]) -> str:
    """DET: miss against false alarms, all conditions of a study together, with the level in use marked."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for i, one in enumerate(heard):
            if one.hours <= 0:
                continue
            curve = one.det()
            non_targets = one.hours * 3600
            floor = 0.3 / non_targets  # below one false alarm the curve says nothing
            if curve is None:  # people: yes or no, and no level to be moved
                axes.plot([], [], "o", color=_colour(i), ms=8, mec="white", label=one.engine)
            else:
                x, y = (normal_deviate(np.clip(p, low, 0.9945)) for p, low in ((curve.p_fa, floor), (curve.p_miss, 1e-3)))
                axes.step(x, y, where="post", color=_colour(i), ls=STYLES[i % 4], lw=1.8, label=one.engine)
            here = max(one.false_alerts().count / non_targets, floor), max(one.missed().value, 1e-3)
            axes.plot(
                *normal_deviate(np.clip(here, 0, 0.9945)), "o", color=_colour(i), ms=8, mec="white", clip_on=False
            )
        per_hour = np.array([0.1, 0.5, 1, 2, 5, 10, 20, 50, 100, 300, 900])
        axes.set_xticks(normal_deviate(per_hour / 3600), [f"{v:g}" for v in per_hour], fontsize=9)
        misses = np.array([0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 0.98, 0.99])
        axes.set_yticks(normal_deviate(misses), [f"{v:.1%}" if v < 0.01 else f"{v:.0%}" for v in misses], fontsize=9)
        axes.set(xlim=normal_deviate(np.array([0.08, 900]) / 3600), ylim=normal_deviate([0.0009, 0.995]),
                 xlabel="false alarms per hour (normal deviate of the chance in each second)",
                 ylabel="calls missed (normal deviate)")  # fmt: skip
        if axes.lines:
            axes.legend(title="dot: the level in use", loc="upper right")

    return svg(draw, height=5.0)


def false_alarms(heard: Sequence[EngineResult]) -> str:
    """False alerts per hour by condition, with exact Poisson intervals."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        keys = ("noise", "snr_db")
        conditions = heard[0].negatives.select(keys).unique().sort(keys, nulls_last=True).rows(named=True)
        names = ["all"] + [c["noise"] + ("" if c["snr_db"] is None else f" {c['snr_db']:g} dB") for c in conditions]
        names = [name.replace("none", "quiet") for name in names]
        step = 0.8 / len(heard)
        for i, one in enumerate(heard):
            rates = [one.false_alerts(**c) for c in [{}, *conditions]]
            values = np.array([r.value for r in rates])
            bands = np.array([r.interval for r in rates])
            at = np.arange(len(names)) + (i - (len(heard) - 1) / 2) * step
            axes.errorbar(values, at, xerr=[values - bands[:, 0], bands[:, 1] - values], fmt="os^Dv"[i % 5],
                          color=_colour(i), capsize=3, lw=1.4,
                          label=f"{one.engine}: {rates[0].count} in {one.hours:.2f} h")  # fmt: skip
        axes.set_yticks(range(len(names)), names)
        axes.invert_yaxis()
        axes.set_xlabel("false alerts per hour, 95 % interval (exact Poisson)")
        axes.set_xscale("symlog", linthresh=1.0)
        axes.set_xlim(left=0)
        axes.xaxis.set_major_formatter(matplotlib.ticker.FormatStrFormatter("%g"))
        _legend_above(axes)

    rows = 1 + heard[0].negatives.select("noise", "snr_db").unique().height
    return svg(draw, height=1.6 + 0.34 * rows * max(1.0, len(heard) / 2))


def delay(heard: Sequence[EngineResult]) -> str:
    """Share of the alerts that came within a delay after the end of the call."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        for i, one in enumerate(heard):
            values = one.delays()
            if values.size:
                label = f"{one.engine}: median {np.median(values):z.2f} s, 95 % within {np.quantile(values, 0.95):.2f} s"
                axes.step(np.r_[values[0], values], np.arange(values.size + 1) / values.size, where="post", color=_colour(i),
                          ls=STYLES[i % 4], lw=1.8, label=label)  # fmt: skip
        axes.axvline(0, color="#808890", lw=0.8)
        axes.set(xlabel="from the end of the last word to the alert, s", ylabel="share of the alerts", ylim=(0, 1.02))
        axes.yaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0))
        _legend_above(axes)

    return svg(draw, height=3.8)


def calibration(heard: Sequence[EngineResult]) -> str:
    """Reliability: how many of the calls told with a confidence were right."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        axes.plot([0, 1], [0, 1], color="#808890", lw=0.8, ls=":")
        for i, one in enumerate(heard):
            bins, ece, score = one.reliability()
            if not bins:
                continue
            x, y = np.array([b.mean for b in bins]), np.array([b.right.value for b in bins])
            band = np.array([b.right.interval for b in bins])
            axes.errorbar(x, y, [np.maximum(y - band[:, 0], 0), np.maximum(band[:, 1] - y, 0)], fmt="os^Dv"[i % 5],
                          ls=STYLES[i % 4], color=_colour(i), capsize=2, lw=1.2,
                          label=f"{one.engine}: ECE {ece:.3f}, Brier {score:.3f}")  # fmt: skip
            for bin in bins:
                axes.annotate(str(bin.right.n), (bin.mean, bin.right.value), fontsize=7, color=_colour(i),
                              xytext=(4, -10), textcoords="offset points")  # fmt: skip
        axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02), xlabel="confidence stated", ylabel="share that was right")
        _legend_above(axes)

    return svg(draw, height=4.6)


def _legend_above(axes: Axes) -> None:
    """A legend that hides nothing, where there is something to name."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), fontsize=9)


def heat_map(one: EngineResult) -> str:
    """Miss by noise and SNR, the number in each cell."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        levels = [r for r in ratios(one.calls) if r is not None]
        noises = one.plan.noise_names()
        cells = [[one.missed(noise=noise, snr_db=level) for level in levels] for noise in noises]
        values = np.array([[np.nan if s.n == 0 else s.value for s in row] for row in cells])
        axes.imshow(values, vmin=0, vmax=1, cmap="RdYlBu_r", aspect="auto")
        for y, row in enumerate(cells):
            for x, share in enumerate(row):
                if share.n:
                    dark = 0.2 < share.value < 0.8  # ink on the light middle of the map
                    axes.text(x, y, f"{share.value:.0%}\n{share.k}/{share.n}", ha="center", va="center", fontsize=8,
                              color="#20262e" if dark else "white")  # fmt: skip
        axes.set_xticks(range(len(levels)), [f"{v:g}" for v in levels])
        axes.set_yticks(range(len(noises)), noises)
        axes.grid(False)
        axes.set(xlabel="SNR, dB", title=f"{one.engine}: calls missed")

    return svg(draw, height=1.4 + 0.55 * len(one.plan.noise_names()))


def intelligibility(heard: Sequence[EngineResult]) -> str:
    """Share found against predicted intelligibility: where the ear of the standards would be."""

    def draw(figure: Figure) -> None:
        panels = figure.subplots(1, 2, sharey=True)
        for axes, column, name in zip(panels, ("sii", "sti"), ("SII (ANSI S3.5)", "STI (IEC 60268-16)")):
            for i, one in enumerate(heard):
                groups = one.calls.group_by("noise", "snr_db", "radio", "room").agg(
                    x=_mean(column), y=_mean("found")
                ).drop_nulls("x").sort("x")  # fmt: skip
                axes.plot(
                    groups["x"], groups["y"], "os^Dv"[i % 5], color=_colour(i), ms=5, alpha=0.75, label=one.engine
                )
            axes.set(xlabel=name, xlim=(0, 1), ylim=(-0.03, 1.03))
            axes.yaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0))
        panels[0].set_ylabel("calls found")
        _legend_above(panels[0])

    return svg(draw, height=3.6)


def differences(rows: Any) -> str:
    """A frame's differences (engine_a, condition, b_less_a, low, high) as points with intervals, one group an engine."""

    def draw(figure: Figure) -> None:
        axes = figure.subplots()
        engines = list(dict.fromkeys(rows["engine_a"]))
        conditions = list(dict.fromkeys(rows["condition"]))
        step = 0.7 / len(engines)
        for i, engine in enumerate(engines):
            mine = [r for r in rows.iter_rows(named=True) if r["engine_a"] == engine]
            at = [conditions.index(r["condition"]) + (i - (len(engines) - 1) / 2) * step for r in mine]
            x, low, high = (np.array([r[key] for r in mine]) for key in ("b_less_a", "low", "high"))
            axes.errorbar(
                x, at, xerr=[x - low, high - x], fmt="os^Dv"[i % 5], color=_colour(i), capsize=3, lw=1.4, label=engine
            )
        axes.axvline(0, color="#20262e", lw=1)
        axes.set_yticks(range(len(conditions)), conditions)
        axes.invert_yaxis()
        axes.set_xlabel("calls missed by B less those missed by A, 95 % interval")
        axes.xaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0))
        _legend_above(axes)

    groups, engines = rows["condition"].n_unique(), rows["engine_a"].n_unique()
    return svg(draw, height=1.4 + 0.34 * groups * max(1.0, engines / 2))


def _mean(column: str) -> "pl.Expr":
    import polars as pl

    return pl.col(column).cast(pl.Float64).mean()


def confusion(one: EngineResult, kind: str) -> str:
    """What was said against what was heard, a matrix for each SNR: shares of a row as shades, with the numbers of calls."""
    found = list(matrices(one, kind))

    def draw(figure: Figure) -> None:
        for axes, (ratio, said, heard, counts) in zip(figure.subplots(1, len(found), squeeze=False)[0], found, strict=True):
            shares = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
            axes.imshow(shares, cmap="Blues", vmin=0, vmax=1, aspect="auto")
            axes.grid(visible=False)
            for (row, column), count in np.ndenumerate(counts):
                colour = "white" if shares[row, column] > 0.5 else "#20262e"
                axes.text(column, row, str(count), ha="center", va="center", color=colour, fontsize=9)
            axes.set(xticks=range(len(heard)), yticks=range(len(said)), title="quiet" if ratio is None else f"{ratio:g} dB")
            axes.set_xticklabels(heard, rotation=60, ha="right")
            axes.set_yticklabels(said if axes.get_subplotspec().is_first_col() else [])
        figure.supxlabel("heard", fontsize=10)
        figure.supylabel("said", fontsize=10)

    rows = max(len(said) for _, said, _, _ in found)
    return svg(draw, width=min(11.0, 2.0 + 1.8 * len(found)), height=min(8.0, 2.2 + 0.35 * rows))
