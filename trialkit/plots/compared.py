"""Varieties on one scale: an estimate and its interval, a line each."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import pandas as pd
import seaborn as sns
from matplotlib.figure import Figure

from trialkit.plots.style import (
    COLOURS,
    MUTED,
    STYLE,
    WIDTH,
    Picture,
    capital,
    ranged,
    rounded,
    short,
)


def compared(table: pd.DataFrame, axis: str, note: str, to: float | None = None) -> Picture:
    """Each variety's estimate with its interval, a line each, in the order of the table.

    table : variety, estimate, low, high (`low` and `high` may be missing).
    axis : what is drawn, with its unit.  note : what dot and bar are, for the caption.
    to : a value every variety is compared with, such as 1 for a ratio: a dashed line.
    """
    with mpl.rc_context(STYLE):
        names = short(list(table["variety"]), 22)
        n = len(table)
        left = min(1.5, 0.3 + 0.072 * max(map(len, names.values()), default=0)) / WIDTH
        height = 0.62 + 0.27 * n
        figure = Figure(figsize=(WIDTH, height))
        axes = figure.add_axes((left, 0.45 / height, 0.95 - left, 1 - 0.5 / height))
        if to is not None:
            axes.axvline(to, color=MUTED, linewidth=1, linestyle=(0, (4, 3)))
        row: Any
        for place, row in enumerate(table.itertuples(index=False)):
            if pd.notna(row.low) and pd.notna(row.high):
                axes.plot([row.low, row.high], [place, place], color=COLOURS[0], linewidth=2)
            axes.plot([row.estimate], [place], color=COLOURS[0], marker="o", markersize=6)
        axes.set_yticks(range(n), [names[v] for v in table["variety"]])
        axes.set_ylim(n - 0.5, -0.5)
        axes.locator_params(axis="x", nbins=5)
        sns.despine(ax=axes, left=True)
        axes.tick_params(axis="y", length=0)
        figure.text(0.97, 0.08 / height, axis, ha="right", va="center")
    said = "; ".join(
        f"{row.variety} {rounded(row.estimate)}{ranged(row.low, row.high)}"
        for row in table.itertuples(index=False)
    )
    return Picture(figure, f"{capital(axis)}. {said}.", note)
