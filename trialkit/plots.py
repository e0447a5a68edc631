"""The pictures: seaborn and matplotlib figures, each with the words that stand in for it.

Every function takes tidy frames already in the units to show, and returns a `Picture`: the figure,
an alternative text that gives the same facts to someone who cannot see it, and a caption.

Drawn 3.5 inches wide, so that 9 point letters come out at 11 pixels or more on a phone 360 pixels
wide.  Varieties differ by place (a panel each) or by marker as well as by colour.  Ink and colours
are named in `INK` and `COLOURS`, so that a page may swap them for its own light and dark ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

WIDTH = 3.5
INK, MUTED, FAINT, PAPER = "#101418", "#5b626a", "#d5d9de", "#fefefe"
# Okabe & Ito 2008, "Color Universal Design"; the lightest of the eight are left out, and orange
# and purple are a shade deeper so that a thin line keeps 3:1 against white paper (WCAG 2.1,
# success criterion 1.4.11).
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#c06a9a", "#bf8000", "#4a4f55")
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "*")
FEWER, LESS, ABOUT, MORE, MOST = "#b24e00", "#e0a070", "#b9bec4", "#6fb0d8", "#00609a"
PANELS = 12
"""More varieties than this and a figure shows the leading ones only; its caption says so."""

STYLE: Any = {
    **sns.axes_style("ticks"),
    "text.parse_math": False,  # a $ in a variety's name is a dollar sign
    "font.size": 9,
    "axes.titlesize": 9,
    "axes.labelsize": 9,
    "xtick.labelsize": 9,
    "ytick.labelsize": 9,
    "axes.titlelocation": "left",
    "axes.titlepad": 4,
    "axes.linewidth": 0.8,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.edgecolor": MUTED,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "font.family": ["DejaVu Sans"],  # comes with matplotlib; a page shows its own letters
    "svg.fonttype": "none",
    "path.simplify": False,  # it would drop lines without length, which are dots here
}


class Picture(NamedTuple):
    """A figure with its words."""

    figure: Figure
    alt: str
    caption: str


def totals(curve: pd.DataFrame, what: str, band: str, check: str | None = None) -> Picture:
    """Yield so far, one panel a variety, the others behind it in grey.

    curve : variety, date, estimate, low, high (`low` and `high` may be missing).
    what : what is counted, as the axis says it ("pods a plant").
    band : what the band is, as the caption says it.
    """
    figure, alt = _panels(curve, f"{what} so far", check, from_zero=True)
    caption = f"Each panel: one variety in colour, the others in grey. {band}"
    return Picture(figure, f"{_capital(what)} so far. {alt}", caption + _left_out(curve))


def rates(
    curve: pd.DataFrame,
    what: str,
    band: str,
    check: str | None = None,
    hot: Sequence[tuple[Any, Any]] = (),
    enough: float | None = None,
) -> Picture:
    """Rate over the season, one panel a variety.

    hot : (first day, last day) of each hot spell, shaded.
    enough : the rate below which the grower finds picking not worth while, a dashed line.
    """
    figure, alt = _panels(curve, what, check, from_zero=True, hot=hot, line=enough)
    notes = [f"Each panel: one variety in colour, the others in grey. {band}"]
    if len(hot):
        notes.append("Grey columns: hot spells.")
    if enough is not None:
        notes.append("Dashed line: the rate below which picking is not worth while.")
    said = [f"hot from {_day(a)} to {_day(b)}" for a, b in hot]
    heat = f" {_capital(', '.join(said))}." if said else ""
    return Picture(
        figure, f"{_capital(what)} over the season. {alt}{heat}", " ".join(notes) + _left_out(curve)
    )


def heights(
    curve: pd.DataFrame,
    seen: pd.DataFrame,
    unit: str,
    band: str,
    reach: float | None = None,
    check: str | None = None,
) -> Picture:
    """Height over time with the line of an arm's reach.

    curve : variety, date, estimate, low, high; seen : variety, date, height (one dot a plant).
    """
    figure, alt = _panels(curve, f"height, {unit}", check, dots=seen, line=reach, from_zero=True)
    notes = ["Dots: plants as measured. " + band]
    if reach is not None:
        notes.insert(0, "Dashed line: as high as an arm reaches.")
        alt += f" Reach is {reach:.3g} {unit}."
    return Picture(figure, f"Height in {unit}. {alt}", " ".join(notes) + _left_out(curve))


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
        f"{row.variety} {_sig(row.estimate)}{_range(row.low, row.high)}"
        for row in table.itertuples(index=False)
    )
    return Picture(figure, f"{_capital(axis)}. {said}.", note)


def bed(plants: pd.DataFrame, what: str, sun: str | None = None) -> Picture:
    """The bed from above in its true shape: each plant against what its variety would give.

    plants : variety, plot, x, y (cm), ratio (1 is as expected; missing: not known), lost (bool).
    """
    room = _room(plants["y"])
    with mpl.rc_context(STYLE):
        left, right = plants["x"].min() - 30, plants["x"].max() + 30
        top, bottom = plants["y"].min() - 0.5 * room, plants["y"].max() + 0.5 * room
        height = float(np.clip(WIDTH * 0.98 * (bottom - top) / (right - left), 0.8, 5.5))
        figure = Figure(figsize=(WIDTH, height))
        axes = figure.add_axes((0.01, 0.01, 0.98, 0.98))
        axes.set_aspect("equal", adjustable="box")
        axes.set_xlim(left, right)
        axes.set_ylim(bottom, top)
        axes.set_axis_off()
        letters = _letters(plants["variety"])
        for _, plot in plants.groupby("plot", sort=False, dropna=False):
            _outline(axes, plot, letters[str(plot["variety"].iloc[0])], room)
        for group, (colour, marker, _) in _classes().items():
            some = plants[_class_of(plants) == group]
            axes.scatter(some["x"], some["y"], s=18, c=colour, marker=marker, linewidths=0.9)
    key = "; ".join(f"{letter} {variety}" for variety, letter in letters.items())
    counts = _class_of(plants).value_counts()
    said = ", ".join(
        f"{counts[group]} {words}" for group, (_, _, words) in _classes().items() if group in counts
    )
    caption = (
        f"The bed from above, to scale, the first row at the top. {key}. Triangle up: more {what} "
        "than its variety and block lead one to expect; triangle down: fewer; dot: about as "
        "expected; cross: lost."
    )
    if sun:
        caption += f" {sun}"
    return Picture(figure, f"Map of the bed, {what} of single plants: {said}.", caption)


def short(names: Sequence[str], width: int = 20) -> dict[str, str]:
    """Each name cut to `width` characters for a drawing, and still told apart from the others."""
    cut: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        tidy = " ".join(name.split())
        label = tidy if len(tidy) <= width else tidy[: width - 1].rstrip() + "…"
        n = 2
        while label in taken:
            label = f"{tidy[: width - 4].rstrip()}… {n}"
            n += 1
        taken.add(label)
        cut[name] = label
    return cut


def _panels(
    curve: pd.DataFrame,
    label: str,
    check: str | None,
    *,
    from_zero: bool,
    dots: pd.DataFrame | None = None,
    line: float | None = None,
    hot: Sequence[tuple[Any, Any]] = (),
) -> tuple[Figure, str]:
    """Small multiples on shared axes, two abreast; returns the figure and the ends in words."""
    curve = curve.assign(date=pd.to_datetime(curve["date"]))
    varieties = list(pd.unique(curve["variety"]))
    shown = varieties[:PANELS]
    names = short(shown)
    abreast = 1 if len(shown) == 1 else 2
    rows = -(-len(shown) // abreast)
    height = 0.55 + (1.9 if abreast == 1 else 1.38) * rows
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, height))
        grid: npt.NDArray[Any] = figure.subplots(
            rows, abreast, sharex=True, sharey=True, squeeze=False
        )
        figure.subplots_adjust(
            left=0.115, right=0.975, top=1 - 0.42 / height, bottom=0.3 / height,
            hspace=0.36, wspace=0.1,
        )
        figure.text(0.005, 1 - 0.14 / height, _capital(label), va="center", ha="left")
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
            axes.set_title(names[variety] + (" (check)" if variety == check else ""))
        for spare in grid.flat[len(shown):]:
            spare.set_axis_off()
        _dates(grid, curve["date"], len(shown), abreast)
        top = axes.get_ylim()[1]
        if from_zero:
            grid.flat[0].set_ylim(0, max(top, 1e-9))
        grid.flat[0].locator_params(axis="y", nbins=4)
        sns.despine(fig=figure)
    ends = []
    for variety in varieties:
        last = lines[variety].dropna(subset=["estimate"]).tail(1)
        for row in last.itertuples(index=False):
            ends.append(f"{variety} {_sig(row.estimate)}{_range(row.low, row.high)}")
    said = f"On {_day(curve['date'].max())}: " + "; ".join(ends) + "." if ends else "Nothing yet."
    return figure, said


def _one(axes: Axes, part: pd.DataFrame, place: int, dots: pd.DataFrame | None) -> None:
    """One variety in its own colour and marker: dots behind, then the band, then the line."""
    colour = COLOURS[place % len(COLOURS)]
    if dots is not None:
        seen = dots[dots["variety"] == part["variety"].iloc[0]]
        _specks(axes, pd.to_datetime(seen["date"]), seen["height"], colour)
    banded = part.dropna(subset=["low", "high"])
    if len(banded):
        axes.fill_between(banded["date"], banded["low"], banded["high"], color=colour, alpha=0.22,
                          linewidth=0)
    sns.lineplot(data=part, x="date", y="estimate", ax=axes, color=colour, linewidth=1.8,
                 errorbar=None, estimator=None, legend=False)
    end = part.dropna(subset=["estimate"]).tail(1)
    axes.plot(end["date"], end["estimate"], color=colour, marker=MARKERS[place % len(MARKERS)],
              markersize=5, linestyle="none", clip_on=False)
    axes.set_xlabel("")
    axes.set_ylabel("")


def _specks(axes: Axes, x: pd.Series[Any], y: pd.Series[Any], colour: str) -> None:
    """Dots as lines without length and with round ends: a tenth of the bytes of markers."""
    at = x.to_numpy().repeat(3)
    level = np.repeat(y.to_numpy(dtype=float), 3)
    level[2::3] = np.nan
    axes.plot(at, level, color=colour, alpha=0.35, linewidth=2.2, solid_capstyle="round")


def _dates(grid: npt.NDArray[Any], dates: pd.Series[Any], shown: int, abreast: int) -> None:
    """Two or three dates under each panel that has none below it."""
    first, last = dates.min(), dates.max()
    span = (last - first).days
    if span < 8:
        shares: tuple[float, ...] = (0, 1)
    else:
        shares = (0, 0.5, 1) if abreast == 1 else (0.1, 0.85)
    ticks = [first + pd.Timedelta(days=round(span * share)) for share in shares]
    axes = grid.flat[0]
    axes.set_xlim(first - pd.Timedelta(days=max(span, 1) * 0.03),
                  last + pd.Timedelta(days=max(span, 1) * 0.06))
    axes.set_xticks(ticks, [_day(t) for t in ticks])
    for place in range(shown):
        grid.flat[place].tick_params(labelbottom=place + abreast >= shown)


def _room(across: pd.Series[Any]) -> float:
    """The distance between two rows of plants, cm; 60 where there is one row."""
    lines = np.unique(across)
    return float(np.diff(lines).min()) if len(lines) > 1 else 60.0


def _outline(axes: Axes, plot: pd.DataFrame, letter: str, room: float) -> None:
    """A plot's edge and the letter of its variety.

    The letter goes where no plant stands: between the first two rows, else above the only one.
    """
    from matplotlib.patches import Rectangle

    lines = np.unique(plot["y"])
    several = len(lines) > 1
    left, right = plot["x"].min() - 13, plot["x"].max() + 13
    top, bottom = lines[0] - room * (0.3 if several else 0.44), lines[-1] + room * 0.24
    axes.add_patch(Rectangle((left, top), right - left, bottom - top, fill=False,
                             edgecolor=MUTED, linewidth=0.7))
    place = (lines[0] + lines[1]) / 2 if several else lines[0] - room * 0.24
    axes.text((left + right) / 2, place, letter, va="center", ha="center", color=INK)


def _letters(varieties: pd.Series[Any]) -> dict[str, str]:
    """A to Z, then A1 to Z1 and so on, one a variety in order of appearance."""
    names = list(pd.unique(varieties))
    return {
        str(name): chr(65 + i % 26) + (str(i // 26) if i >= 26 else "")
        for i, name in enumerate(names)
    }


def _classes() -> dict[int, tuple[str, str, str]]:
    """Class of a plant -> colour, marker, words."""
    return {
        -2: (FEWER, "v", "far below what was expected"),
        -1: (LESS, "v", "below"),
        0: (ABOUT, "o", "about as expected"),
        1: (MORE, "^", "above"),
        2: (MOST, "^", "far above"),
        9: (INK, "x", "lost"),
    }


def _class_of(plants: pd.DataFrame) -> pd.Series[Any]:
    """The class of each plant; plants with no known ratio and not lost have none (missing)."""
    bounds = [-np.inf, 0.6, 0.85, 1.15, 1.4, np.inf]
    cut = pd.cut(plants["ratio"], bounds, labels=[-2, -1, 0, 1, 2]).astype("Float64")
    return cut.where(~plants["lost"].astype(bool), 9)


def _left_out(curve: pd.DataFrame) -> str:
    more = curve["variety"].nunique() - PANELS
    if more <= 0:
        return ""
    return f" The leading {PANELS} varieties are drawn; the other {more} are in the table."


def _sig(value: Any) -> str:
    return f"{value:.2g}" if abs(value) < 10 else f"{value:,.0f}"


def _range(low: Any, high: Any) -> str:
    return "" if pd.isna(low) or pd.isna(high) else f" ({_sig(low)} to {_sig(high)})"


def _day(when: Any) -> str:
    stamp = pd.Timestamp(when)
    return f"{stamp.day} {stamp:%b}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
