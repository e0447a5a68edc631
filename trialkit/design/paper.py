"""Printed pages measured in millimetres: A4 and Letter, drawn with matplotlib.

All text is drawn as it is written: a variety called "$x$" prints as "$x$".
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import matplotlib as mpl
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import PatchCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, get_font
from matplotlib.patches import Rectangle
from matplotlib.textpath import TextToPath

MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72.0
# Home printers cannot reach the edge; 10 mm is safe on all of them (common practice, no source).
MARGIN_MM = 10.0
# DejaVu Sans comes with matplotlib; the others are used for letters it lacks, where installed.
FALLBACKS = ("Noto Sans", "Noto Sans CJK SC", "Noto Sans CJK JP", "Arial Unicode MS", "MS Gothic")
_INSTALLED = set(font_manager.get_font_names())
FAMILY = ["DejaVu Sans", *(name for name in FALLBACKS if name in _INSTALLED)]


# Nothing about the time or the library, so that the same bed gives the same file.
NO_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}


@dataclass(frozen=True)
class Paper:
    """A sheet of paper, upright, in mm (ISO 216 for A4, ANSI Y14.1 for Letter)."""

    name: str
    wide: float
    tall: float

    def turned(self) -> Paper:
        """The same sheet on its side."""
        return Paper(self.name, self.tall, self.wide)


A4 = Paper("A4", 210.0, 297.0)
LETTER = Paper("Letter", 215.9, 279.4)
PAPERS = {"a4": A4, "letter": LETTER}


def paper(name: str) -> Paper:
    """The paper of this name. Raises ValueError naming those there are."""
    try:
        return PAPERS[name.strip().lower()]
    except KeyError:
        raise ValueError(f"No paper is called {name!r}; choose A4 or Letter.") from None


def new_page(sheet: Paper) -> tuple[Figure, Axes]:
    """An empty page; its axes are in mm from the top left corner, y downwards."""
    figure = Figure(figsize=(sheet.wide / MM_PER_INCH, sheet.tall / MM_PER_INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, sheet.wide)
    axes.set_ylim(sheet.tall, 0.0)
    axes.axis("off")
    return figure, axes


@contextmanager
def printing() -> Iterator[None]:
    """Drawing settings that print well: letters that can be searched for and copied, plain black,
    thin hatching.

    Letters go into the PDF as outlines (Type 3): cutting a TrueType font down to the letters in
    use took three quarters of the time of printing.
    """
    with (
        warnings.catch_warnings(),
        mpl.rc_context(
            {
                "pdf.fonttype": 3,
                "svg.fonttype": "path",
                "svg.hashsalt": "bed",
                "font.family": FAMILY,
                "hatch.linewidth": 0.4,
                "text.parse_math": False,
            }
        ),
    ):
        # Letters without a font are named once by whoever prints (`unprintable`).
        warnings.filterwarnings("ignore", message=r"Glyph \d+")
        yield


def save_pdf(figures: list[Figure], path: Path, title: str) -> None:
    """Write pages as one PDF, whole or not at all, replacing an earlier print."""
    from trialkit.records.files import write_bytes

    stream = io.BytesIO()
    with printing(), PdfPages(stream, metadata={"Title": title, "CreationDate": None}) as pages:
        for figure in figures:
            pages.savefig(figure)
    write_bytes(path, stream.getvalue())


def svg_text(figure: Figure) -> str:
    """A figure as SVG text without a date, so the same bed gives the same file."""
    stream = io.StringIO()
    with printing():
        figure.savefig(stream, format="svg", metadata=NO_METADATA)
    return stream.getvalue()


@lru_cache(maxsize=20_000)
def text_width(text: str, points: float, bold: bool = False) -> float:
    """Width of a line of text in mm."""
    font = FontProperties(family=FAMILY[0], weight="bold" if bold else "normal", size=points)
    known = clean(text)
    for letter in unprintable(known, FAMILY[:1]):
        known = known.replace(letter, "M")
    wide, _, _ = TextToPath().get_text_width_height_descent(known, font, ismath=False)
    return float(wide) * MM_PER_POINT


def unprintable(text: str, family: list[str] | None = None) -> str:
    """The letters of a text that no font here has: they would print as empty boxes."""
    return "".join(sorted(set(clean(text)) - _letters(tuple(family or FAMILY))))


@lru_cache
def _letters(family: tuple[str, ...]) -> frozenset[str]:
    known: set[str] = set()
    for name in family:
        font = get_font(font_manager.findfont(FontProperties(family=name)))
        known |= {chr(code) for code in font.get_charmap()}
    return frozenset(known)


def fitting_size(
    text: str, room: float, largest: float, smallest: float, bold: bool = False
) -> float:
    """The largest type size in points, between the limits, at which a line fits `room` mm."""
    wide = text_width(text, 10.0, bold)
    return largest if wide == 0 else max(smallest, min(largest, 10.0 * room / wide))


def shortened(text: str, room: float, points: float, bold: bool = False) -> str:
    """The text, cut with an ellipsis if it is wider than `room` mm."""
    if text_width(text, points, bold) <= room:
        return text
    head = text
    while head and text_width(head + "…", points, bold) > room:
        head = head[:-1]
    return head.rstrip() + "…"


def wrapped(text: str, room: float, points: float, bold: bool = False) -> list[str]:
    """The text broken at spaces into lines no wider than `room` mm."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and text_width(longer, points, bold) > room:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines


def write(
    axes: Axes,
    x: float,
    y: float,
    text: str,
    points: float,
    *,
    bold: bool = False,
    across: str = "left",
    up: str = "center_baseline",
    grey: float = 0.0,
    turn: float = 0.0,
    boxed: bool = False,
) -> None:
    """One line of text at a place in mm. `grey` 0 is black, 1 white."""
    axes.text(
        x,
        y,
        clean(text),
        fontsize=points,
        fontweight="bold" if bold else "normal",
        ha=across,
        va=up,
        color=str(grey),
        rotation=turn,
        parse_math=False,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0} if boxed else None,
    )


def box(
    axes: Axes,
    x: float,
    y: float,
    wide: float,
    tall: float,
    *,
    line: float = 0.6,
    fill: str = "none",
    hatch: str | None = None,
    grey: float = 0.0,
) -> None:
    """A rectangle from its top left corner, in mm; `line` is its width in points."""
    axes.add_patch(
        Rectangle(
            (x, y), wide, tall, linewidth=line, edgecolor=str(grey), facecolor=fill, hatch=hatch
        )
    )


def boxes(
    axes: Axes, places: Sequence[tuple[float, float, float, float]], line: float = 0.6
) -> None:
    """Many empty boxes at once: left, top, width and height of each, in mm."""
    axes.add_collection(
        PatchCollection(
            [Rectangle((x, y), wide, tall) for x, y, wide, tall in places],
            facecolor="none", edgecolor="0.0", linewidth=line,
        )
    )  # fmt: skip


def clean(text: str) -> str:
    """Text without line breaks or control characters, which no font can print."""
    return "".join(character if character.isprintable() else " " for character in text)
