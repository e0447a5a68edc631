"""A dot a plot, and each variety's mean with its likely range."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from trialkit.plots.compared import leading
from trialkit.plots.style import COLOURS, INK, MUTED, STYLE, WIDTH, Picture, ranged, short
from trialkit.wording import capital, counted, rounded

EACH, ABOVE, BELOW, LETTERS = 0.34, 0.08, 0.26, 21


def dots(
    table: pd.DataFrame, plots: pd.DataFrame, what: str, note: str, check: str | None = None
) -> Picture:
    """A line a variety, in the order of the table.

    table : variety, estimate, low, high (the last two NaN where there is no range).  plots :
    variety, value, a row a plot.  what : what is drawn, with its unit.  note : what the range is.
    """
    drawn = leading(table, check)
    more = len(table) - len(drawn)
    with mpl.rc_context(STYLE):
        figure = _lines(drawn, plots, check)
    many = plots.groupby("variety").size()
    said = "; ".join(
        f"{row.variety}{', the check,' if row.variety == check else ''} {rounded(row.estimate)}"
        f"{ranged(row.low, row.high)}, {counted(int(many.get(row.variety, 0)), 'plot')}"
        for row in table.itertuples(index=False))
    if more:
        note += f" The other {more} are in the table."
    return Picture(figure, f"{capital(what)}. {said}.", note, capital(what))


def _lines(table: pd.DataFrame, plots: pd.DataFrame, check: str | None) -> Figure:
    cut = short(list(table["variety"]), LETTERS)
    longest = max(map(len, cut.values()), default=0)
    height = ABOVE + BELOW + EACH * len(table)
    left = (0.12 + 0.072 * longest) / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes((left, BELOW / height, 0.97 - left, 1 - (BELOW + ABOVE) / height))
    axes.set_yticks(range(len(table)), [cut[name] for name in table["variety"]])
    axes.set_ylim(len(table) - 0.5, -0.5)
    axes.locator_params(axis="x", nbins=5)
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    row: Any
    for place, row in enumerate(table.itertuples(index=False)):
        own = plots.loc[plots["variety"] == row.variety, "value"].to_numpy(float)
        own = np.sort(own[np.isfinite(own)])
        aside = 0.22 * ((np.arange(len(own)) % 3) - 1)  # so that like plots do not hide each other
        axes.plot(own, place + aside, "o", markersize=4.5, markerfacecolor="none",
                  markeredgecolor=MUTED, markeredgewidth=1.0, linestyle="none")
        colour = COLOURS[5] if row.variety == check else COLOURS[0]
        if pd.notna(row.low) and pd.notna(row.high):
            axes.plot([row.low, row.high], [place, place], color=INK, linewidth=1.6)
        if pd.notna(row.estimate):
            axes.plot([row.estimate], [place], "D", markersize=6.5, color=colour,
                      markeredgecolor=INK, markeredgewidth=0.8)
    return figure
