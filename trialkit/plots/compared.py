"""Varieties on one scale: a bar each, with its likely range and its figure."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from trialkit.plots.style import COLOURS, INK, MUTED, STYLE, WIDTH, Picture, ranged, short
from trialkit.wording import capital, rounded

BARS = 12
"""More varieties than this and the leading ones are drawn, with the check."""

EACH, ABOVE, BELOW = 0.28, 0.2, 0.26
"""Inches of a bar, above the first one and below the last."""


def compared(
    table: pd.DataFrame, what: str, note: str, check: str | None = None
) -> Picture:
    """A bar a variety from nothing to its estimate, in the order of the table.

    table : variety, estimate, low, high (`low` and `high` may be missing).
    what : what is drawn, with its unit: the title.  note : what the range is, for the caption.
    check : the variety whose figure is drawn as a line through all bars.
    """
    drawn = _leading(table, check)
    more = len(table) - len(drawn)
    with mpl.rc_context(STYLE):
        figure = _bars(drawn, check)
    said = "; ".join(
        f"{row.variety}{', the check,' if row.variety == check else ''} "
        f"{rounded(row.estimate)}{ranged(row.low, row.high)}"
        for row in table.itertuples(index=False)
    )
    if more:
        note += f" The leading varieties are drawn; the other {more} are in the table."
    return Picture(figure, f"{capital(what)}. {said}.", note, capital(what))


def _leading(table: pd.DataFrame, check: str | None) -> pd.DataFrame:
    if len(table) <= BARS:
        return table
    first = table.head(BARS - 1)
    own = table.iloc[BARS - 1:]
    own = own[own["variety"] == check]
    return pd.concat([first, own]) if len(own) else table.head(BARS)


def _bars(table: pd.DataFrame, check: str | None) -> Figure:
    cut = short(list(table["variety"]), 21)
    height = ABOVE + BELOW + EACH * len(table)
    left = (0.12 + 0.072 * max(map(len, cut.values()), default=0)) / WIDTH
    right = 0.42 / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes(
        (left, BELOW / height, 1 - left - right, 1 - (BELOW + ABOVE) / height))
    axes.set_yticks(range(len(table)), [cut[name] for name in table["variety"]])
    axes.set_ylim(len(table) - 0.5, -0.5)
    furthest = float(np.nanmax(table[["estimate", "high"]].to_numpy(float)))
    axes.set_xlim(0, max(furthest, 1e-9) * 1.02)
    axes.locator_params(axis="x", nbins=5)
    sns.despine(ax=axes, left=True)
    axes.tick_params(axis="y", length=0)
    row: Any
    for place, row in enumerate(table.itertuples(index=False)):
        own = row.variety == check
        axes.barh([place], [row.estimate], height=0.62, linewidth=0,
                  color=COLOURS[5] if own else COLOURS[0], alpha=1.0 if place == 0 else 0.55)
        if pd.notna(row.low) and pd.notna(row.high):
            axes.errorbar([row.estimate], [place], xerr=[
                [max(row.estimate - row.low, 0)], [max(row.high - row.estimate, 0)]],
                color=INK, linewidth=1.3, capsize=3, capthick=1.3)
        if pd.notna(row.estimate):
            axes.annotate(rounded(row.estimate), (1, place), xycoords=("axes fraction", "data"),
                          xytext=(30, 0), textcoords="offset points", ha="right", va="center",
                          fontweight="bold")
        if own and pd.notna(row.estimate):
            axes.axvline(row.estimate, color=MUTED, linewidth=1, linestyle=(0, (4, 3)))
            axes.annotate("the check", (row.estimate, 1), xycoords=("data", "axes fraction"),
                          xytext=(0, 3), textcoords="offset points", color=MUTED,
                          ha="center", va="bottom")
    return figure
