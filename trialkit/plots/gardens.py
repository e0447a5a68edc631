"""Several gardens in one drawing: each against the whole, and a variety against the garden."""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis, XAxis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from trialkit.plots.style import (
    COLOURS,
    INK,
    MARKERS,
    MUTED,
    STYLE,
    WIDTH,
    Estimate,
    Picture,
    lined,
    ranged,
    short,
    specks,
)
from trialkit.wording import capital, rounded

PANELS = 8
"""More varieties than this and the drawing against the gardens shows the leading ones only."""


@dataclass(frozen=True)
class Overall(Estimate):
    """A variety over all gardens, with the range in which the next garden's would lie."""

    new_low: float
    new_high: float


def gardens_and_whole(
    overall: pd.DataFrame, alone: pd.DataFrame, axis: str, note: str, to: float, ratio: bool
) -> Picture:
    """A line a variety: a small dot each garden, a large one and a bar for all together.

    overall : variety, estimate, low, high, new_low, new_high (may be missing), in order.
    alone : variety, estimate; one row a garden.  to : the value of no difference, a dashed line.
    """
    varieties = Overall.of(overall)
    with mpl.rc_context(STYLE):
        n = len(overall)
        figure, axes = lined(list(overall["variety"]), axis, 0.34)
        axes.axvline(to, color=MUTED, linewidth=1, linestyle=(0, (4, 3)))
        for place, row in enumerate(varieties):
            seen = alone.loc[alone["variety"] == row.variety, "estimate"].to_numpy(dtype=float)
            specks(axes, seen, np.full(len(seen), place + 0.2), INK, 3.0, 0.45)
            if pd.notna(row.new_low):
                axes.plot([row.new_low, row.new_high], [place - 0.12] * 2, color=MUTED,
                          linewidth=0.9)
            if pd.notna(row.low):
                axes.plot([row.low, row.high], [place - 0.12] * 2, color=COLOURS[0], linewidth=2.6)
            axes.plot([row.estimate], [place - 0.12], color=COLOURS[0], marker="o", markersize=6)
        axes.set_ylim(n - 0.4, -0.6)
        _scale(axes.xaxis, ratio)
    said = "; ".join(
        f"{row.variety} {rounded(row.estimate)}{ranged(row.low, row.high)}"
        + _extent(alone.loc[alone["variety"] == row.variety, "estimate"])
        for row in varieties
    )
    return Picture(figure, f"{capital(axis)}, each garden and all together. {said}.", note)


def one_by_one(
    alone: pd.DataFrame, whole: Estimate, axis: str, note: str, to: float, ratio: bool
) -> Picture:
    """One variety, a line a garden with its interval, and all together below.

    alone : garden (as named on the drawing), estimate, low, high.
    """
    each = Estimate.of(alone.assign(variety=alone["garden"]))
    with mpl.rc_context(STYLE):
        names = [*alone["garden"], "all together"]
        figure, axes = lined(names, axis, 0.25)
        axes.axvline(to, color=MUTED, linewidth=1, linestyle=(0, (4, 3)))
        for place, row in enumerate([*each, whole]):
            last = place == len(alone)
            colour = COLOURS[0] if last else MUTED
            if pd.notna(row.low):
                axes.plot([row.low, row.high], [place] * 2, color=colour,
                          linewidth=2.6 if last else 1.4)
            axes.plot([row.estimate], [place], color=colour, marker="o" if last else "s",
                      markersize=6 if last else 4)
        axes.axhline(len(alone) - 0.5, color=MUTED, linewidth=0.6)
        axes.set_ylim(len(alone) + 0.5, -0.5)
        _scale(axes.xaxis, ratio)
    said = "; ".join(f"{row.variety} {rounded(row.estimate)}{ranged(row.low, row.high)}"
                     for row in each)
    end = f"all together {rounded(whole.estimate)}{ranged(whole.low, whole.high)}"
    return Picture(figure, f"{capital(axis)}, garden by garden. {said}; {end}.", note)


def against_gardens(
    means: pd.DataFrame, lines: pd.DataFrame, unit: str, note: str, ratio: bool
) -> Picture:
    """A panel a variety: what it gave against what all varieties gave in that garden.

    means : variety, level, y (both in `unit`), in the order of the panels.  lines : variety, slope
    (NaN for none).  ratio : both axes in equal ratios, and slopes those of the logarithms.
    """
    order = list(pd.unique(means["variety"]))
    shown = order[:PANELS]
    slope = lines.set_index("variety")["slope"]
    abreast = 1 if len(shown) == 1 else 2
    rows = -(-len(shown) // abreast)
    height = 0.72 + 1.5 * rows
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        panels = list(figure.subplots(rows, abreast, sharex=True, sharey=True,
                                      squeeze=False).flat)
        figure.subplots_adjust(left=0.115, right=0.975, top=1 - 0.42 / height,
                               bottom=0.5 / height, hspace=0.34, wspace=0.1)
        figure.text(0.005, 1 - 0.14 / height, capital(unit), va="center", ha="left")
        figure.text(0.975, 0.1 / height, "all varieties there", va="center", ha="right")
        names = short(shown)
        ends = np.array([means["level"].min(), means["level"].max()])
        for place, variety in enumerate(shown):
            axes = panels[place]
            own = means[means["variety"] == variety]
            axes.plot(ends, ends, color=MUTED, linewidth=0.9, linestyle=(0, (4, 3)))
            colour = COLOURS[place % len(COLOURS)]
            x, y = own["level"].to_numpy(dtype=float), own["y"].to_numpy(dtype=float)
            _line(axes, x, y, float(slope.get(variety, np.nan)), colour, ratio)
            if len(x) > 60:
                specks(axes, x, y, colour, 3.0, 0.45)
            else:
                axes.plot(x, y, linestyle="none", color=colour, markersize=4,
                          marker=MARKERS[place % len(MARKERS)])
            axes.set_title(names[variety])
        for spare in panels[len(shown):]:
            spare.set_axis_off()
        for at in range(len(shown)):
            panels[at].tick_params(labelbottom=at + abreast >= len(shown))
        _scale(panels[0].xaxis, ratio)
        _scale(panels[0].yaxis, ratio)
    said = "; ".join(f"{v} slope {rounded(float(slope[v]))}" for v in order
                     if v in slope.index and pd.notna(slope[v]))
    alt = (f"{capital(unit)} of each variety against the mean of all varieties in that garden. "
           + (f"{said}." if said else ""))
    more = len(order) - len(shown)
    left_out = f" The leading {PANELS} varieties are drawn; the other {more} are in the table." \
        if more > 0 else ""
    return Picture(figure, alt.strip(), note + left_out)


def _scale(axis: Axis, ratio: bool) -> None:
    """Equal ratios equally far apart, with plain numbers; or a plain scale."""
    if not ratio:
        axis.set_major_locator(MaxNLocator(5))
        return
    (axis.axes.set_xscale if isinstance(axis, XAxis) else axis.axes.set_yscale)("log")
    low, high = axis.get_view_interval()
    wide = high / low > 20
    subs = (1.0,) if high / low > 200 else ((1.0, 3.0) if wide else (1.0, 1.5, 2.0, 3.0, 5.0, 7.0))
    axis.set_major_locator(LogLocator(subs=subs, numticks=12))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())


def _line(
    axes: Axes, x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], slope: float, colour: str,
    ratio: bool,
) -> None:
    """The fitted line over the gardens the variety grew in."""
    if not np.isfinite(slope):
        return
    a, b = (np.log(x), np.log(y)) if ratio else (x, y)
    ends = np.array([a.min(), a.max()])
    fitted = b.mean() + slope * (ends - a.mean())
    axes.plot(*((np.exp(ends), np.exp(fitted)) if ratio else (ends, fitted)), color=colour,
              linewidth=1.8)


def _extent(seen: pd.Series) -> str:
    return "" if seen.empty else f", gardens {rounded(seen.min())} to {rounded(seen.max())}"
