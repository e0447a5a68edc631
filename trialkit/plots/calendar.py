"""The season by variety: what each pick brought, and from when to when each bore."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from trialkit.plots.history import day_ticks
from trialkit.plots.style import COLOURS, INK, MUTED, STYLE, WIDTH, Picture, short
from trialkit.wording import capital, rounded, short_day

COLUMNS = 9
"""More picks than this share columns, so that figures stay readable on a phone."""

LINES = 12
"""More varieties than this and the leading ones are drawn."""

EACH = 0.24


def calendar(picked: pd.DataFrame, what: str, check: str | None = None) -> Picture:
    """What each pick, or a few picks together, brought per plant planted: shade and number.

    picked : a row a pick (index: its day), a column a variety, in order; not running totals.
    """
    together = -(-len(picked) // COLUMNS)
    group = np.arange(len(picked)) // together
    days = [pd.Timestamp(part.index[0]) for _, part in picked.groupby(group)]
    table = picked.groupby(group).sum(min_count=1).T
    drawn = table.iloc[:LINES]
    cut = short([str(v) for v in drawn.index], 16)
    top, height = 0.42, 0.42 + EACH * len(drawn) + 0.05
    most = max(float(np.nanmax(table.to_numpy(float))), 1e-9)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        left = (0.12 + 0.072 * max(map(len, cut.values()))) / WIDTH
        axes = figure.add_axes((left, 0.05 / height, 0.99 - left, 1 - (top + 0.05) / height))
        axes.set_xlim(0, len(days))
        axes.set_ylim(len(drawn), 0)
        axes.set_xticks([])
        axes.set_yticks([k + 0.5 for k in range(len(drawn))],
                        [cut[str(v)] for v in drawn.index])
        axes.tick_params(length=0)
        axes.spines[["left", "bottom"]].set_visible(False)
        for line, (_, row) in enumerate(drawn.iterrows()):
            for column, value in enumerate(row):
                if pd.isna(value):
                    continue
                share = float(value) / most
                axes.add_patch(Rectangle((column + 0.04, line + 0.06), 0.92, 0.88, linewidth=0,
                                         facecolor=to_rgb(COLOURS[0]), alpha=0.05 + 0.5 * share))
                axes.text(column + 0.5, line + 0.52, _short(float(value)), ha="center",
                          va="center", color=INK)
        month = ""
        for column, day in enumerate(days):
            if f"{day:%b}" != month:
                month = f"{day:%b}"
                axes.text(column + 0.5, -0.82, month, ha="center", va="bottom", color=MUTED)
            axes.text(column + 0.5, -0.12, str(day.day), ha="center", va="bottom")
    title = f"{capital(what)} per plant planted, pick by pick"
    each = "" if together == 1 else f" Each column: {together} picks, from the day above it."
    more = _more(len(table) - len(drawn))
    said = "; ".join(
        f"{name}{', the check,' if name == check else ''} most from {short_day(days[int(at)])}, "
        f"{rounded(row.iloc[int(at)])}"
        for name, row in table.iterrows() if row.notna().any()
        for at in [int(np.nanargmax(row.to_numpy(float)))]
    )
    return Picture(figure, f"{title}. {said}.", f"The darker, the more.{each}{more}", title)


def _short(value: float) -> str:
    return rounded(value) if value >= 10 or value < 0.05 else f"{value:.1f}".removesuffix(".0")


def bearing(days: pd.DataFrame, check: str | None = None) -> Picture:
    """From the first pick to the last, and the day half the crop was in.

    days : variety, first, half, last (days), in order; missing for a variety that bore nothing,
    half until the season is over.
    """
    known = days.dropna(subset=["first", "last"])
    drawn = known.head(LINES)
    cut = short([str(v) for v in drawn["variety"]], 16)
    height = 0.32 + EACH * len(drawn)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        left = (0.12 + 0.072 * max(map(len, cut.values()))) / WIDTH
        right = 0.52 / WIDTH
        axes = figure.add_axes((left, 0.26 / height, 1 - left - right, 1 - 0.28 / height))
        row: Any
        for line, row in enumerate(drawn.itertuples(index=False)):
            axes.plot([row.first, row.last], [line, line], color=COLOURS[0], linewidth=2.2,
                      alpha=0.5, solid_capstyle="butt")
            axes.plot([row.first], [line], marker=">", color=COLOURS[0], markersize=6)
            axes.plot([row.last], [line], marker="|", color=COLOURS[0], markersize=9,
                      markeredgewidth=2)
            if pd.isna(row.half):
                continue
            axes.plot([row.half], [line], marker="D", color=INK, markersize=5)
            axes.annotate(short_day(row.half), (1, line), xycoords=("axes fraction", "data"),
                          xytext=(36, 0), textcoords="offset points", ha="right", va="center")
        axes.set_ylim(len(drawn) - 0.5, -0.5)
        axes.set_yticks(range(len(drawn)), [cut[str(v)] for v in drawn["variety"]])
        axes.tick_params(axis="y", length=0)
        day_ticks(axes, pd.concat([drawn["first"], drawn["last"]]), 3)
        axes.spines["left"].set_visible(False)
    title = "When each variety bore"
    said = "; ".join(
        f"{row.variety}{', the check,' if row.variety == check else ''} from "
        f"{short_day(row.first)} to {short_day(row.last)}"
        + (f", half by {short_day(row.half)}" if over else "")
        for row, over in zip(known.itertuples(index=False), known["half"].notna(), strict=True))
    caption = "Triangle: first pick with a crop. Bar across: last one. " + (
        "Diamond, and the day on the right: half the crop was in, its plots on average."
        if known["half"].notna().any() else
        "The day half the crop was in is known once the season is over.")
    return Picture(figure, f"{title}. {said}.", caption + _more(len(known) - len(drawn)), title)


def _more(more: int) -> str:
    return f" The leading varieties are drawn; the other {more} are in the table." if more else ""
