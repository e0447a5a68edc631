"""Varieties on one scale: an estimate and its interval, a line each."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import pandas as pd

from trialkit.plots.style import COLOURS, MUTED, STYLE, Picture, lined, ranged
from trialkit.wording import capital, rounded


def compared(table: pd.DataFrame, axis: str, note: str, to: float | None = None) -> Picture:
    """Each variety's estimate with its interval, a line each, in the order of the table.

    table : variety, estimate, low, high (`low` and `high` may be missing).
    axis : what is drawn, with its unit.  note : what dot and bar are, for the caption.
    to : a value every variety is compared with, such as 1 for a ratio: a dashed line.
    """
    with mpl.rc_context(STYLE):
        figure, axes = lined(list(table["variety"]), axis, 0.27)
        if to is not None:
            axes.axvline(to, color=MUTED, linewidth=1, linestyle=(0, (4, 3)))
        row: Any
        for place, row in enumerate(table.itertuples(index=False)):
            if pd.notna(row.low) and pd.notna(row.high):
                axes.plot([row.low, row.high], [place, place], color=COLOURS[0], linewidth=2)
            axes.plot([row.estimate], [place], color=COLOURS[0], marker="o", markersize=6)
        axes.set_ylim(len(table) - 0.5, -0.5)
        axes.locator_params(axis="x", nbins=5)
    said = "; ".join(
        f"{row.variety} {rounded(row.estimate)}{ranged(row.low, row.high)}"
        for row in table.itertuples(index=False)
    )
    return Picture(figure, f"{capital(axis)}. {said}.", note)
