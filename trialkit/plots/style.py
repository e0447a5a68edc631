"""What all drawings share: their size, ink and colours, the picture with its words, short names.

Drawn 3.5 inches wide, so that 9 point letters come out at 11 pixels or more on a phone 360 pixels
wide.  Ink and colours are named here, so that a page may swap them for its own light and dark ones.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from os.path import commonprefix
from textwrap import wrap
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.wording import rounded

WIDTH = 3.5
AXIS, LINE = 42, 0.15
"""Characters of an axis in words that fit on one line, in any letters; inches between lines."""
INK, MUTED, FAINT, PAPER = "#101418", "#5b626a", "#d5d9de", "#fefefe"
# Okabe & Ito 2008, "Color Universal Design"; the lightest of the eight are left out, and orange
# and purple are a shade deeper so that a thin line keeps 3:1 against white paper (WCAG 2.1,
# success criterion 1.4.11).
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#c06a9a", "#bf8000", "#4a4f55")
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "*")

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
    """A figure with its words.  alt: the same facts for who cannot see it.  title: what it shows,
    with the unit; empty where the axis says so."""

    figure: Figure
    alt: str
    caption: str
    title: str = ""


def specks(axes: Axes, x: Any, y: Any, colour: str, size: float = 2.2, alpha: float = 0.35
           ) -> None:
    """Dots as lines without length and with round ends: a tenth of the bytes of markers.

    x, y : series of equal length.
    """
    at = pd.Series(x).to_numpy().repeat(3)
    level = np.repeat(pd.Series(y).to_numpy(dtype=float), 3)
    level[2::3] = np.nan
    axes.plot(at, level, color=colour, alpha=alpha, linewidth=size, solid_capstyle="round")


def lined(names: Sequence[str], axis: str, each: float) -> tuple[Figure, Axes]:
    """A figure with a named line for each of `names`, `each` inches tall, and the axis in words.

    Words too long for one line go on in a second.
    """
    cut = short(names, 22)
    said = wrap(axis, AXIS)
    below = 0.45 + LINE * (len(said) - 1)
    height = 0.17 + below + each * len(names)
    left = min(1.5, 0.3 + 0.072 * max(map(len, cut.values()), default=0)) / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes((left, below / height, 0.95 - left, 1 - (below + 0.05) / height))
    axes.set_yticks(range(len(names)), [cut[name] for name in names])
    sns.despine(ax=axes, left=True)
    axes.tick_params(axis="y", length=0)
    for at, line in enumerate(reversed(said)):
        figure.text(0.97, (0.08 + LINE * at) / height, line, ha="right", va="center")
    return figure, axes


def short(names: Sequence[str], width: int = 20) -> dict[str, str]:
    """Each name cut to `width` characters for a drawing, and still told apart from the others.

    Of names that begin alike the middle is cut, so that what tells them apart is seen.
    """
    tidy = {name: " ".join(name.split()) for name in names}
    heads = Counter(one[: width - 1] for one in tidy.values())
    alike: dict[str, list[str]] = {}
    for one in tidy.values():
        alike.setdefault(one[: width - 1], []).append(one)
    cut: dict[str, str] = {}
    taken: set[str] = set()
    for name, one in tidy.items():
        label = one
        if len(one) > width:
            head = one[: width - 1]
            label = f"{head.rstrip()}…" if heads[head] == 1 else _middle_cut(
                one, alike[head], width)
        n = 2
        while label in taken:
            label = f"{one[: width - 4].rstrip()}… {n}"
            n += 1
        taken.add(label)
        cut[name] = label
    return cut


def _middle_cut(name: str, others: Sequence[str], width: int) -> str:
    """The beginning and, from where names that begin alike differ, the rest of the name.

    others : the names that begin alike, this one among them.
    """
    same = max((len(commonprefix([name, other])) for other in others if other != name), default=0)
    same = name.rfind(" ", 0, same) + 1 if " " in name[:same] else same
    rest = len(name) - same
    if rest > width - 4:  # too long itself: from the difference on
        return f"…{name[same : same + width - 2].rstrip()}…"
    last = max(rest, width // 2)
    return f"{name[: width - 1 - last].rstrip()}…{name[-last:].lstrip()}"


def ranged(low: Any, high: Any) -> str:
    """` (1.2 to 2.1)`, empty where there is no interval."""
    return "" if pd.isna(low) or pd.isna(high) else f" ({rounded(low)} to {rounded(high)})"

