"""Varieties on one scale, a line each: a bar with its likely range and its figure, a dot for every
plot with the mean and its range, or a bar parted into the scores given."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.plots.style import (
    COLOURS,
    INK,
    MUTED,
    PAPER,
    STYLE,
    WIDTH,
    Estimate,
    Picture,
    ranged,
    short,
)
from trialkit.wording import capital, counted, rounded

BARS = 12
"""More varieties than this and the leading ones are drawn, with the check."""

EACH, ABOVE, BELOW = 0.28, 0.2, 0.26
"""Inches of a bar, above the first one and below the last."""

DOTTED_EACH, DOTTED_ABOVE = 0.34, 0.08
"""The same where the plots are dots."""

LETTERS = 21
"""Of a variety's name at most."""


def compared(
    table: pd.DataFrame, what: str, note: str, check: str | None = None
) -> Picture:
    """A bar a variety from nothing to its estimate, in the order of the table.

    table : variety, estimate, low, high (`low` and `high` may be missing).
    what : what is drawn, with its unit: the title.  note : what the range is, for the caption.
    check : the variety whose figure is drawn as a line through all bars.
    """
    shown = leading(table, check)
    more = len(table) - len(shown)
    with mpl.rc_context(STYLE):
        figure = _bars(shown, check)
    said = "; ".join(
        f"{row.variety}{', the check,' if row.variety == check else ''} "
        f"{rounded(row.estimate)}{ranged(row.low, row.high)}"
        for row in Estimate.of(table)
    )
    if more:
        note += f" The leading varieties are drawn; the other {more} are in the table."
    return Picture(figure, f"{capital(what)}. {said}.", note, capital(what))


def leading(table: pd.DataFrame, check: str | None, most: int = BARS) -> pd.DataFrame:
    """The first rows of the table, the check among them."""
    if len(table) <= most:
        return table
    rest = table.iloc[most - 1:]
    own = rest[rest["variety"] == check]
    return pd.concat([table.head(most - 1), own]) if len(own) else table.head(most)


def _bars(table: pd.DataFrame, check: str | None) -> Figure:
    longest = max(map(len, short(list(table["variety"]), LETTERS).values()), default=0)
    height = ABOVE + BELOW + EACH * len(table)
    left = (0.12 + 0.072 * longest) / WIDTH
    right = 0.42 / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes(
        (left, BELOW / height, 1 - left - right, 1 - (BELOW + ABOVE) / height))
    bars(axes, table, check, LETTERS, 30)
    return figure


def bars(
    axes: Axes, table: pd.DataFrame, check: str | None, letters: int, room: float
) -> None:
    """Draw the bars.

    letters : of a name at most.  room : points right of the axes, for the figures.
    """
    cut = short(list(table["variety"]), letters)
    axes.set_yticks(range(len(table)), [cut[name] for name in table["variety"]])
    axes.set_ylim(len(table) - 0.5, -0.5)
    furthest = float(np.nanmax(table[["estimate", "high"]].to_numpy(float)))
    axes.set_xlim(0, max(furthest, 1e-9) * 1.02)
    axes.locator_params(axis="x", nbins=5)
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    for place, row in enumerate(Estimate.of(table)):
        own = row.variety == check
        axes.barh([place], [row.estimate], height=0.62, linewidth=0,
                  color=COLOURS[5] if own else COLOURS[0], alpha=1.0 if place == 0 else 0.55)
        if pd.notna(row.low) and pd.notna(row.high):
            axes.errorbar([row.estimate], [place], xerr=[
                [max(row.estimate - row.low, 0)], [max(row.high - row.estimate, 0)]],
                color=INK, linewidth=1.3, capsize=3, capthick=1.3)
        if pd.notna(row.estimate):
            axes.annotate(rounded(row.estimate), (1, place), xycoords=("axes fraction", "data"),
                          xytext=(room, 0), textcoords="offset points", ha="right", va="center",
                          fontweight="bold")
        if own and pd.notna(row.estimate):
            axes.axvline(row.estimate, color=MUTED, linewidth=1, linestyle=(0, (4, 3)))
            share = row.estimate / axes.get_xlim()[1]
            side = "right" if share > 0.85 else "left" if share < 0.15 else "center"
            axes.annotate("the check", (row.estimate, 1), xycoords=("data", "axes fraction"),
                          xytext=(0, 3), textcoords="offset points", color=MUTED,
                          ha=side, va="bottom")


def dots(
    table: pd.DataFrame, plots: pd.DataFrame, what: str, note: str, check: str | None = None
) -> Picture:
    """A line a variety, in the order of the table.

    table : variety, estimate, low, high (the last two NaN where there is no range).  plots :
    variety, value, a row a plot.  what : what is drawn, with its unit.  note : what the range is.
    """
    shown = leading(table, check)
    more = len(table) - len(shown)
    with mpl.rc_context(STYLE):
        figure = _dotted(shown, plots, check)
    many = plots.groupby("variety").size()
    said = "; ".join(
        f"{row.variety}{', the check,' if row.variety == check else ''} {rounded(row.estimate)}"
        f"{ranged(row.low, row.high)}, {counted(int(many.get(row.variety, 0)), 'plot')}"
        for row in Estimate.of(table))
    if more:
        note += f" The other {more} are in the table."
    return Picture(figure, f"{capital(what)}. {said}.", note, capital(what))


def _dotted(table: pd.DataFrame, plots: pd.DataFrame, check: str | None) -> Figure:
    cut = short(list(table["variety"]), LETTERS)
    longest = max(map(len, cut.values()), default=0)
    height = DOTTED_ABOVE + BELOW + DOTTED_EACH * len(table)
    left = (0.12 + 0.072 * longest) / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes(
        (left, BELOW / height, 0.97 - left, 1 - (BELOW + DOTTED_ABOVE) / height))
    axes.set_yticks(range(len(table)), [cut[name] for name in table["variety"]])
    axes.set_ylim(len(table) - 0.5, -0.5)
    axes.locator_params(axis="x", nbins=5)
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    for place, row in enumerate(Estimate.of(table)):
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


def scores(
    counts: pd.DataFrame, what: str, note: str, check: str | None = None
) -> Picture:
    """A bar a variety, parted into the shares of those who gave each score.

    counts : (varieties, scores), how many gave it; the index has the varieties in the order to
    draw, the columns the scores from the lowest.  what : what was scored.  note : for the caption.
    """
    table = counts.rename_axis("variety").reset_index()
    shown = leading(table, check).set_index("variety")
    shown.columns = counts.columns
    with mpl.rc_context(STYLE):
        figure = _shares(shown)
    said = "; ".join(
        f"{name}: " + ", ".join(f"{score} by {int(n)}" for score, n in row.items() if n)
        for name, row in counts.iterrows())
    if len(shown) < len(counts):
        note += f" The other {len(counts) - len(shown)} are in the table."
    return Picture(figure, f"{capital(what)}, how many gave each score. {said}.", note,
                   f"{capital(what)}: who gave which score")


def _shares(counts: pd.DataFrame) -> Figure:
    cut = short([str(name) for name in counts.index], LETTERS)
    height = ABOVE + BELOW + EACH * len(counts)
    left = (0.12 + 0.072 * max(map(len, cut.values()))) / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes(
        (left, BELOW / height, 0.97 - left, 1 - (BELOW + ABOVE) / height))
    axes.set_yticks(range(len(counts)), list(cut.values()))
    axes.set_ylim(len(counts) - 0.5, -0.5)
    axes.set_xlim(0, 1)
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25 %", "50 %", "75 %", "100 %"])
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    steps = np.linspace(0.12, 1.0, len(counts.columns))
    for place, row in enumerate(counts.to_numpy(float)):
        start = 0.0
        for score, share, depth in zip(counts.columns, row / max(row.sum(), 1.0), steps,
                                       strict=True):
            if not share:
                continue
            axes.barh([place], [share], left=start, height=0.72, color=COLOURS[0], alpha=depth,
                      linewidth=0)
            axes.plot([start + share] * 2, [place - 0.36, place + 0.36], color=PAPER, linewidth=1)
            if share > 0.035:
                axes.annotate(str(score), (start + share / 2, place), ha="center", va="center",
                              color=INK if depth < 0.8 else PAPER)
            start += share
    return figure
