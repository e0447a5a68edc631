"""The bed from above, plant by plant."""

from __future__ import annotations

from collections.abc import Mapping

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.plots.style import (
    ABOUT,
    COLOURS,
    FEWER,
    INK,
    LESS,
    MORE,
    MOST,
    MUTED,
    STYLE,
    WIDTH,
    Picture,
)


def bed(
    plants: pd.DataFrame, what: str, sun: str | None = None,
    letters: Mapping[str, str] | None = None,
) -> Picture:
    """The bed from above in its true shape: each plant against what its variety would give.

    Rows closer together than letters are high are drawn further apart, and the caption says so.

    plants : variety, plot, x, y (cm), ratio (1 is as expected; missing: not known), lost (bool).
    letters : of each variety, those its stakes and map carry; else in order of appearance.
    """
    letters = _own_letters(plants, letters)
    with mpl.rc_context(STYLE):
        left, right, top, bottom, point, stretch = _measured(plants, WIDTH * 0.98)
        height = float(np.clip((bottom - top) * point / 72 / 0.98, 0.5, 5.5))
        figure = Figure(figsize=(WIDTH, height))
        axes = figure.add_axes((0.01, 0.01, 0.98, 0.98))
        letters = _draw(axes, plants, letters, WIDTH * 0.98)
    key = "; ".join(f"{letter} {variety}" for variety, letter in letters.items())
    counts = _class_of(plants).value_counts()
    said = ", ".join(
        f"{counts[group]} {words}" for group, (_, _, words) in _classes().items() if group in counts
    )
    caption = (
        f"{'To scale, the' if stretch == 1 else 'The'} first row at the top"
        f"{'' if stretch == 1 else ', rows drawn further apart than they are'}. "
        f"{key + '. ' if key else ''}Triangle up: {what} above the usual for its variety "
        "and block; triangle down: below it; dot: about as usual; cross: lost."
    )
    if sun:
        caption += f" {sun}"
    lines = plants.dropna(subset=["plot"]).groupby("plot").size()
    each = "plot" if len(lines) and (lines == 1).all() else "plant"
    return Picture(figure, f"Map of the bed, {what} {each} by {each}: {said}.", caption,
                   "The bed from above")


def bed_on(
    figure: Figure, plants: pd.DataFrame, letters: Mapping[str, str], width: float, tall: float,
    corner: tuple[float, float],
) -> float:
    """Draw the bed on a sheet; returns its height.  All in inches.

    width, tall : room there is.  corner : its upper left corner, from the sheet's lower left.
    """
    left, right, top, bottom, point, _ = _measured(plants, width)
    height = min((bottom - top) * point / 72, tall)
    across, down = (float(inches) for inches in figure.get_size_inches())
    axes = figure.add_axes((corner[0] / across, (corner[1] - height) / down, width / across,
                            height / down))
    shrunk = width * min(1.0, height / ((bottom - top) * point / 72))
    _draw(axes, plants, _own_letters(plants, letters), shrunk)
    return height


def _own_letters(plants: pd.DataFrame, letters: Mapping[str, str] | None) -> dict[str, str]:
    seen = {str(name) for name in plants["variety"]}
    own = {v: letter for v, letter in (letters or {}).items() if v in seen}
    return own if seen <= set(own) else _letters(plants["variety"])


def _measured(
    plants: pd.DataFrame, width: float
) -> tuple[float, float, float, float, float, float]:
    """Edges of the bed as drawn (left, right, top, bottom, cm), points to a cm, and how much
    further apart than they are its rows are drawn."""
    left, right = plants["x"].min() - 30, plants["x"].max() + 30
    wanted = 0.11 * (right - left)
    room = _gap(plants["y"], wanted)
    stretch = max(1.0, wanted / room)
    top = plants["y"].min() * stretch - 0.5 * room * stretch
    bottom = plants["y"].max() * stretch + 0.5 * room * stretch
    return left, right, top, bottom, width * 72 / (right - left), stretch


def _draw(
    axes: Axes, plants: pd.DataFrame, letters: dict[str, str], width: float
) -> dict[str, str]:
    """The bed on axes `width` inches wide; returns the letters it had room for."""
    left, right, top, bottom, point, stretch = _measured(plants, width)
    near = _gap(plants["x"], 30.0)
    room = _gap(plants["y"], 0.11 * (right - left)) * stretch
    plants = plants.assign(y=plants["y"] * stretch)
    letters = letters if near * point * _abreast(plants) > 9 else {}
    axes.set_aspect("equal", adjustable="box")
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    axes.set_axis_off()
    tints = {name: COLOURS[k % len(COLOURS)] for k, name in enumerate(letters)}
    for number, plot in plants.groupby("plot", sort=False, dropna=False):
        name = str(plot["variety"].iloc[0])
        _outline(axes, plot, letters.get(name, ""), near, room, tints.get(name),
                 "" if pd.isna(number) else str(number), point)
    size = float(np.clip((0.75 * near * point) ** 2, 2, 20))
    for group, (colour, marker, _) in _classes().items():
        some = plants[_class_of(plants) == group]
        axes.scatter(some["x"], some["y"], s=size, c=colour, marker=marker, linewidths=0.9)
    return letters


def _gap(places: pd.Series, lone: float) -> float:
    """The least distance between two places, cm; `lone` where there is one only."""
    lines = np.unique(places)
    return float(np.diff(lines).min()) if len(lines) > 1 else lone


def _abreast(plants: pd.DataFrame) -> int:
    """Plants side by side in the narrowest plot."""
    return int(plants.groupby("plot", dropna=False)["x"].nunique().min())


def _outline(
    axes: Axes, plot: pd.DataFrame, letter: str, near: float, room: float, tint: str | None,
    number: str, point: float,
) -> None:
    """A plot's edge, the letter and tint of its variety, and its number where there is room.

    point : of the page, to a cm of the bed.

    The letter goes where no plant stands: between the first two rows, else above the only one.
    """
    from matplotlib.patches import Rectangle

    lines = np.unique(plot["y"])
    several = len(lines) > 1
    left, right = plot["x"].min() - 0.45 * near, plot["x"].max() + 0.45 * near
    top, bottom = lines[0] - room * (0.3 if several else 0.44), lines[-1] + room * 0.24
    if tint is not None:
        axes.add_patch(Rectangle((left, top), right - left, bottom - top, facecolor=tint,
                                 alpha=0.16, linewidth=0))
    axes.add_patch(Rectangle((left, top), right - left, bottom - top, fill=False,
                             edgecolor=MUTED, linewidth=0.7))
    place = (lines[0] + lines[1]) / 2 if several else lines[0] - room * 0.22
    # A figure is about 0.64 of the height of its letter wide.
    wide = (right - left) * point > 9 * 0.64 * (len(letter) + len(number) + 1) + 2
    if letter and number and number != letter and wide:
        axes.text((left + right) / 2, place, f"{letter}  {number}", va="center", ha="center",
                  color=INK)
    else:
        axes.text((left + right) / 2, place, letter, va="center", ha="center", color=INK)


def _letters(varieties: pd.Series) -> dict[str, str]:
    """A to Z, then A1 to Z1 and so on, one a variety in order of appearance."""
    names = list(pd.unique(varieties))
    return {
        str(name): chr(65 + i % 26) + (str(i // 26) if i >= 26 else "")
        for i, name in enumerate(names)
    }


def _classes() -> dict[int, tuple[str, str, str]]:
    """Class of a plant -> colour, marker, words."""
    return {
        -2: (FEWER, "v", "far below usual"),
        -1: (LESS, "v", "below"),
        0: (ABOUT, "o", "about as usual"),
        1: (MORE, "^", "above"),
        2: (MOST, "^", "far above"),
        9: (INK, "x", "lost"),
    }


def _class_of(plants: pd.DataFrame) -> pd.Series:
    """The class of each plant; plants with no known ratio and not lost have none (missing)."""
    bounds = [-np.inf, 0.6, 0.85, 1.15, 1.4, np.inf]
    cut = pd.cut(plants["ratio"], bounds, labels=[-2, -1, 0, 1, 2]).astype("Float64")
    return cut.where(~plants["lost"].astype(bool), 9)
