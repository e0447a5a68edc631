"""What all drawings share: size, ink, colours, the picture with its words, how a page shows it.

Drawn 3.5 inches wide, so that 9 point letters come out at 11 pixels or more on a phone 360 pixels
wide.  On a page a drawing is vector where small: it takes ink and colours from the page (CSS
variables), so that it follows it into the dark, and its letters stay letters, which keeps them
small, sharp and in any script.
"""

from __future__ import annotations

import base64
import io
import re
import warnings
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from os.path import commonprefix
from textwrap import wrap
from typing import Any, NamedTuple, Self, cast

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn as sns
from markupsafe import Markup
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
FEWER, LESS, ABOUT, MORE, MOST = "#b24e00", "#e0a070", "#b9bec4", "#6fb0d8", "#00609a"
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
    "axes.spines.top": False,
    "axes.spines.right": False,
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


@dataclass(frozen=True)
class TypedRow:
    """A row of a result's frame: a subclass names the columns that it takes and their types."""

    @classmethod
    def of(cls, frame: pd.DataFrame) -> list[Self]:
        """The rows of `frame`, in its order; other columns are left alone."""
        columns = [column.name for column in fields(cls)]
        make = cast(Callable[..., Self], cls)
        return [make(*values) for values in frame[columns].itertuples(index=False, name=None)]


@dataclass(frozen=True)
class Estimate(TypedRow):
    """A variety's estimate and its range, NaN where there is none."""

    variety: str
    estimate: float
    low: float
    high: float

    @classmethod
    def by_variety(cls, frame: pd.DataFrame) -> dict[str, Self]:
        """Each variety's row of `frame`."""
        return {row.variety: row for row in cls.of(frame)}


def specks(
    axes: Axes, x: pd.Series | np.ndarray, y: pd.Series | np.ndarray, colour: str,
    size: float = 2.2, alpha: float = 0.35,
) -> None:
    """Dots as lines without length and with round ends: a tenth of the bytes of markers.

    x, y : of equal length.
    """
    at = np.repeat(np.asarray(x), 3)
    level = np.repeat(np.asarray(y, dtype=float), 3)
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
    left = min(1.65, 0.3 + 0.072 * max(map(len, cut.values()), default=0)) / WIDTH
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes((left, below / height, 0.95 - left, 1 - (below + 0.05) / height))
    axes.set_yticks(range(len(names)), [cut[name] for name in names])
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    for at, line in enumerate(reversed(said)):
        figure.text(0.97, (0.08 + LINE * at) / height, line, ha="right", va="center")
    return figure, axes


def short(names: Sequence[str], width: int = 20) -> dict[str, str]:
    """Each name cut to `width` characters for a drawing, and still told apart from the others.

    Of names that begin alike the middle is cut, so that what tells them apart is seen.
    """
    tidy = {name: " ".join(name.split()) for name in names}
    heads = Counter(text[: width - 1] for text in tidy.values())
    alike: dict[str, list[str]] = {}
    for text in tidy.values():
        alike.setdefault(text[: width - 1], []).append(text)
    cut: dict[str, str] = {}
    taken: set[str] = set()
    for name, text in tidy.items():
        label = text
        if len(text) > width:
            head = text[: width - 1]
            label = f"{head.rstrip()}…" if heads[head] == 1 else _middle_cut(
                text, alike[head], width)
        n = 2
        while label in taken:
            label = f"{text[: width - 4].rstrip()}… {n}"
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
    if name[same:].startswith("("):  # whole words before what stands in brackets
        head = name[: width - 2 - rest]
        return f"{head.rpartition(' ')[0] or head.rstrip()}… {name[same:]}"
    last = max(rest, width // 2)
    return f"{name[: width - 1 - last].rstrip()}…{name[-last:].lstrip()}"


def ranged(low: float, high: float) -> str:
    """` (1.2 to 2.1)`, empty where there is no interval."""
    return "" if pd.isna(low) or pd.isna(high) else f" ({rounded(low)} to {rounded(high)})"


# ------------------------------------------------------------------------------------------------
# A picture as part of a page.
# ------------------------------------------------------------------------------------------------

LARGEST_VECTOR = 150_000
"""Bytes of SVG above which a figure goes in as a bitmap instead."""

VARIABLES = {
    INK: "ink",
    MUTED: "muted",
    FAINT: "faint",
    PAPER: "paper",
    FEWER: "fewer",
    LESS: "less",
    ABOUT: "about",
    MORE: "more",
    MOST: "most",
    **{colour: f"c{i}" for i, colour in enumerate(COLOURS)},
}
"""Colour as drawn -> CSS variable of the page (`--ink`); elsewhere the drawn colour holds."""


FONTS = re.compile(r"(font: [^'\";]*|font-family: )'[^\";]*")
"""The list of font names in the style of a letter, as one matplotlib or another writes it."""


FINER = re.compile(r"(?<=\d\.\d\d)\d+")
"""What a coordinate says beyond a hundredth of a point."""


def on_page(picture: Picture, name: str) -> str:
    """HTML of the figure: vector where small, a bitmap on a light card where not.

    name : must differ from figure to figure on a page.
    """
    svg = vector(picture, name)
    return svg if len(svg.encode()) <= LARGEST_VECTOR else bitmap(picture)


def vector(picture: Picture, name: str) -> str:
    """The figure as SVG for the middle of an HTML page."""
    buffer = io.StringIO()
    with mpl.rc_context({**STYLE, "svg.hashsalt": name}), warnings.catch_warnings():
        # A name in a script matplotlib has no letters for is drawn by the browser, which has.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        picture.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    head, rest = svg.split(">", 1)
    box = re.search(r'viewBox="[^"]+"', head)
    assert box is not None
    alt = Markup.escape(picture.alt)
    opening = f'<svg {box[0]} role="img" aria-label="{alt}" focusable="false"'
    rest = _own_ids(rest, name)
    for colour, variable in VARIABLES.items():
        rest = rest.replace(f": {colour}", f": var(--{variable}, {colour})")
    rest = FONTS.sub(r"\1var(--letters, sans-serif)", rest)
    rest = FINER.sub("", rest)
    rest = re.sub(r"\n\s*", "\n", rest)
    return f"{opening}>{rest}".strip()


def bitmap(picture: Picture) -> str:
    """The figure as an <img> on light paper, three dots to a CSS pixel."""
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        picture.figure.savefig(buffer, format="png", dpi=220, facecolor=PAPER)
    data = base64.b64encode(buffer.getvalue()).decode()
    alt = Markup.escape(picture.alt)
    return f'<img class="card" src="data:image/png;base64,{data}" alt="{alt}">'


def _own_ids(svg: str, name: str) -> str:
    """Drop the ids nothing refers to, and mark the others with the figure's name.

    Several figures share a page, and an id may stand on it once.
    """
    used = set(re.findall(r"(?:url\(#|href=\"#)([^\")]+)", svg))
    svg = re.sub(
        r' id="([^"]+)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg
    )
    return re.sub(r"(url\(#|href=\"#)", rf"\g<1>{name}-", svg)
