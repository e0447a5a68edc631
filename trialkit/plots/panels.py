"""Curves over the season: small panels on shared axes, one a variety, the others behind in grey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.plots.history import week_ticks
from trialkit.plots.style import (
    COLOURS,
    FAINT,
    INK,
    MARKERS,
    STYLE,
    WIDTH,
    Picture,
    ranged,
    short,
    specks,
)
from trialkit.wording import capital, rounded, short_day

PANELS = 12
"""More varieties than this and a figure shows the leading ones and the check only; its caption says
so."""

ALL_PRINTED, PRINTED = 6, 4
"""Of more varieties than the first, paper has so many panels, as many sheets are not pinned up."""


BEYOND = 3.0
"""Nothing is drawn above so many times the largest estimate: a range that wide says nothing, and
would press all curves flat."""


def totals(
    curve: pd.DataFrame, what: str, band: str, check: str | None = None, most: int = PANELS
) -> Picture:
    """Yield so far, one panel a variety, the others behind it in grey.

    curve : variety, date, estimate, low, high (`low` and `high` may be missing).
    what : what is counted, as the axis says it ("pods a plant").
    band : what the band is, as the caption says it.  most : panels at most.
    """
    figure, alt = _panels(curve, check, most, from_zero=True)
    caption = f"{_each(curve)}{band}".strip()
    title = f"{capital(what)} so far"
    return Picture(figure, f"{title}. {alt}", caption + _left_out(curve, check, most), title)


def rates(
    curve: pd.DataFrame,
    what: str,
    band: str,
    check: str | None = None,
    hot: Sequence[tuple[Any, Any]] = (),
    enough: float | None = None,
    most: int = PANELS,
) -> Picture:
    """Rate over the season, one panel a variety.

    hot : (first day, last day) of each hot spell, shaded.
    enough : the rate below which the grower finds picking not worth while, a dashed line.
    most : panels at most.
    """
    figure, alt = _panels(curve, check, most, from_zero=True, hot=hot, line=enough)
    notes = [f"{_each(curve)}{band}".strip()]
    if len(hot):
        notes.append("Grey columns: hot spells.")
    if enough is not None:
        notes.append("Dashed line: below this rate picking isn't worth while.")
    said = [f"hot from {short_day(a)} to {short_day(b)}" for a, b in hot]
    heat = f" {capital(', '.join(said))}." if said else ""
    return Picture(
        figure, f"{capital(what)} over the season. {alt}{heat}",
        " ".join(filter(None, notes)) + _left_out(curve, check, most), capital(what),
    )


def heights(
    curve: pd.DataFrame,
    seen: pd.DataFrame,
    unit: str,
    band: str,
    reach: float | None = None,
    check: str | None = None,
    most: int = PANELS,
) -> Picture:
    """Height over time with the line of an arm's reach.

    curve : variety, date, estimate, low, high; seen : variety, date, height (one dot a plant);
    most : panels at most.
    A variety's curve runs from its own first reading to its own last one: beyond them it would be
    drawn from the other varieties' dates.
    """
    curve = between_readings(curve, seen)
    figure, alt = _panels(curve, check, most, dots=seen, line=reach, from_zero=True)
    notes = ["Dots: plants as measured. " + band]
    if reach is not None:
        notes.insert(0, "Dashed line: as high as an arm reaches.")
        alt += f" Reach is {reach:.3g} {unit}."
    caption = " ".join(notes) + _left_out(curve, check, most)
    return Picture(figure, f"Height in {unit}. {alt}", caption, f"Height, {unit}")


def _each(curve: pd.DataFrame) -> str:
    """What a panel is; nothing of a variety alone."""
    return ("Each panel: one variety in colour, the others in grey. "
            if curve["variety"].nunique() > 1 else "")


def between_readings(curve: pd.DataFrame, seen: pd.DataFrame) -> pd.DataFrame:
    """The rows of `curve` between the first and the last reading of their own variety.

    curve, seen : variety, date and more.  A variety without a reading has no curve.
    """
    dates = pd.to_datetime(seen["date"]).groupby(seen["variety"].astype(str))
    name, when = curve["variety"].astype(str), pd.to_datetime(curve["date"])
    return curve[(when >= name.map(dates.min())) & (when <= name.map(dates.max()))]


def _panels(
    curve: pd.DataFrame,
    check: str | None,
    panels: int,
    *,
    from_zero: bool,
    dots: pd.DataFrame | None = None,
    line: float | None = None,
    hot: Sequence[tuple[Any, Any]] = (),
) -> tuple[Figure, str]:
    """Small multiples on shared axes, two abreast; returns the figure and the ends in words."""
    curve = curve.assign(date=pd.to_datetime(curve["date"]))
    varieties = list(pd.unique(curve["variety"]))
    shown = _leading(varieties, check, panels)
    abreast = 1 if len(shown) == 1 else 2
    names = short(shown)
    if check in shown and abreast > 1:  # room for the word behind the name
        names[check] = short(shown, 12)[check]
    rows = -(-len(shown) // abreast)
    height = 0.4 + (1.9 if abreast == 1 else 1.38) * rows
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        grid: npt.NDArray[Any] = figure.subplots(
            rows, abreast, sharex=True, sharey=True, squeeze=False
        )
        figure.subplots_adjust(
            left=0.115, right=0.975, top=1 - 0.22 / height, bottom=0.3 / height,
            hspace=0.36, wspace=0.1,
        )
        lines = {v: part.sort_values("date") for v, part in curve.groupby("variety", sort=False)}
        for place, variety in enumerate(shown):
            axes = grid.flat[place]
            for first, last in hot:
                axes.axvspan(pd.Timestamp(first), pd.Timestamp(last), color=FAINT, linewidth=0)
            if line is not None:
                axes.axhline(line, color=INK, linewidth=1, linestyle=(0, (4, 3)))
            for other in shown:
                if other != variety:
                    part = lines[other]
                    axes.plot(part["date"], part["estimate"], color=FAINT, linewidth=1)
            _one(axes, lines[variety], place, dots)
            axes.set_title(f"{names[variety]} (check)" if variety == check else names[variety])
        for spare in grid.flat[len(shown):]:
            spare.set_axis_off()
        _dates(grid, curve["date"], len(shown), abreast)
        most = float(np.nanmax([1e-9, *curve["estimate"].astype(float),
                                *(() if dots is None else dots["height"].astype(float))]))
        if from_zero:
            grid.flat[0].set_ylim(0, min(max(axes.get_ylim()[1], 1e-9), BEYOND * most))
        grid.flat[0].locator_params(axis="y", nbins=4)
    ends, newest = [], curve["date"].max()
    for variety in varieties:
        last = lines[variety].dropna(subset=["estimate"]).tail(1)
        for row in last.itertuples(index=False):
            own = "" if row.date == newest else f" on {short_day(row.date)}"
            high: Any = row.high
            said = "" if high > BEYOND * most else ranged(row.low, high)
            ends.append(f"{variety} {rounded(row.estimate)}{said}{own}")
    said = f"On {short_day(newest)}: {'; '.join(ends)}." if ends else "Nothing yet."
    return figure, said


def _one(axes: Axes, part: pd.DataFrame, place: int, dots: pd.DataFrame | None) -> None:
    """One variety in its own colour and marker: dots behind, then the band, then the line."""
    colour = COLOURS[place % len(COLOURS)]
    if dots is not None:
        seen = dots[dots["variety"] == part["variety"].iloc[0]]
        specks(axes, pd.to_datetime(seen["date"]), seen["height"], colour)
    banded = part.dropna(subset=["low", "high"])
    if len(banded):
        axes.fill_between(banded["date"], banded["low"], banded["high"], color=colour, alpha=0.22,
                          linewidth=0)
    axes.plot(part["date"], part["estimate"], color=colour, linewidth=1.8)
    end = part.dropna(subset=["estimate"]).tail(1)
    axes.plot(end["date"], end["estimate"], color=colour, marker=MARKERS[place % len(MARKERS)],
              markersize=5, linestyle="none", clip_on=False)


def _dates(grid: npt.NDArray[Any], dates: pd.Series[Any], shown: int, abreast: int) -> None:
    """A few dates under each panel that has none below it."""
    first, last = dates.min(), dates.max()
    span = (last - first).days
    if span < 8:
        shares: tuple[float, ...] = (0, 1)
    else:
        shares = (0, 0.25, 0.5, 0.75, 1) if abreast == 1 else (0.14, 0.5, 0.86)
    ticks = [first + pd.Timedelta(days=round(span * share)) for share in shares]
    axes = grid.flat[0]
    axes.set_xlim(first - pd.Timedelta(days=max(span, 1) * 0.03),
                  last + pd.Timedelta(days=max(span, 1) * 0.06))
    axes.set_xticks(ticks, [short_day(t) for t in ticks])
    week_ticks(axes, first, last)
    for place in range(shown):
        lowest = place + abreast >= shown
        grid.flat[place].tick_params(labelbottom=lowest)
        grid.flat[place].tick_params(which="minor", bottom=lowest)


def _leading(varieties: list[str], check: str | None, most: int) -> list[str]:
    """The first varieties, the check among them."""
    if len(varieties) <= most or check not in varieties[most:]:
        return varieties[:most]
    return [*varieties[: most - 1], check]


def _left_out(curve: pd.DataFrame, check: str | None, most: int) -> str:
    varieties = list(pd.unique(curve["variety"]))
    more = len(varieties) - most
    if more <= 0:
        return ""
    drawn = f"leading {most - 1} and the check" if check in varieties[most:] else (
        f"leading {most} varieties")
    return f" The {drawn} are drawn; the other {more} are in the table."
