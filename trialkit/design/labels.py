"""Stake labels: the plant's id in large type and as a QR code (ISO/IEC 18004), to cut out.

The code holds the id and nothing else, so any reader gives back what plants.csv calls the
plant. Error correction level H still reads with about 30 % of the code muddy or scratched.
"""

from __future__ import annotations

from dataclasses import dataclass

import segno
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from trialkit.design import paper
from trialkit.design.bed import Bed
from trialkit.design.paper import A4, MARGIN_MM, MM_PER_POINT, Paper

# Empty squares that must surround the code (ISO/IEC 18004, 6.3.8).
QUIET_SQUARES = 4
# Below this a phone camera struggles at arm's length (common practice, no source).
SMALLEST_SQUARE_MM = 0.5
FOOT_MM = 6.0


@dataclass(frozen=True)
class LabelSize:
    """Width and height of one label in mm."""

    wide: float = 60.0
    tall: float = 25.0


def labels_on(sheet: Paper, size: LabelSize) -> tuple[int, int]:
    """Labels across and down one sheet. Raises ValueError when not even one fits."""
    across = int((sheet.wide - 2 * MARGIN_MM) // size.wide)
    down = int((sheet.tall - 2 * MARGIN_MM - FOOT_MM) // size.tall)
    if across < 1 or down < 1 or size.wide < 2 * size.tall or size.tall < 15:
        raise ValueError(
            f"A label of {size.wide:g} x {size.tall:g} mm does not work on {sheet.name}: it must "
            f"be at least 15 mm tall, twice as wide as tall and at most "
            f"{sheet.wide - 2 * MARGIN_MM:.0f} mm wide."
        )
    return across, down


def stake_labels(bed: Bed, sheet: Paper = A4, size: LabelSize | None = None) -> list[Figure]:
    """Pages of labels in walking order."""
    size = size or LabelSize()
    across, down = labels_on(sheet, size)
    per_page = across * down
    rows = bed.plants.to_dict("records")
    pages = -(-len(rows) // per_page)
    figures = []
    with paper.printing():
        for page in range(pages):
            figure, axes = paper.new_page(sheet)
            left = (sheet.wide - across * size.wide) / 2
            for place, plant in enumerate(rows[page * per_page : (page + 1) * per_page]):
                x = left + (place % across) * size.wide
                y = MARGIN_MM + (place // across) * size.tall
                _label(axes, x, y, size, {str(k): v for k, v in plant.items()}, bed)
            foot = (
                f"Print at actual size (100 %): labels {size.wide:g} x {size.tall:g} mm. Laminate, "
                f"or go over in pencil: ink fades. Page {page + 1} of {pages}. {bed.title}"
            )
            room = sheet.wide - 2 * MARGIN_MM
            foot = paper.shortened(foot, room, 7.0)
            paper.write(axes, MARGIN_MM, sheet.tall - MARGIN_MM, foot, 7.0, grey=0.3)
            figures.append(figure)
    return figures


def _label(
    axes: Axes,
    x: float,
    y: float,
    size: LabelSize,
    plant: dict[str, object],
    bed: Bed,
) -> None:
    paper.box(axes, x, y, size.wide, size.tall, line=0.3, grey=0.6)
    name = str(plant["plant"])
    side = size.tall - 2.0
    draw_code(axes, x + 1.0, y + 1.0, side, name)
    left, room = x + side + 2.5, size.wide - side - 4.5
    big = min(paper.fitting_size(name, room, 60.0, 8.0, bold=True), size.tall * 0.5 / MM_PER_POINT)
    paper.write(axes, left, y + size.tall * 0.31, name, big, bold=True, up="center")
    variety = str(plant["variety"])
    lines = [_place(plant)]
    if plant["treatment"] is not None:
        lines.insert(0, str(plant["treatment"]))
    if variety:
        lines.insert(0, f"{bed.letters[variety]}  {variety}")
    step = size.tall * 0.40 / max(len(lines), 2)
    for at, text in enumerate(lines):
        largest = step / MM_PER_POINT * 0.85
        points = paper.fitting_size(text, room, min(largest, 12.0), 5.0, bold=at == 0)
        text = paper.shortened(text, room, points, bold=at == 0)
        paper.write(
            axes,
            left,
            y + size.tall * 0.58 + step * (at + 0.5),
            text,
            points,
            bold=at == 0,
            up="center",
        )


def _place(plant: dict[str, object]) -> str:
    """Plot, row and place in the row, as far as they are known."""
    parts = [str(plant["plot"])] if plant["plot"] else []
    if parts and not parts[0].startswith("row "):
        parts[0] = f"plot {parts[0]}"
    for word, key in (("row", "row"), ("plant", "column")):
        value = float(str(plant[key]))
        if value == value and not (parts and parts[0] == f"{word} {value:g}"):
            parts.append(f"{word} {value:g}")
    return ", ".join(parts)


def draw_code(axes: Axes, x: float, y: float, side: float, text: str) -> None:
    """A QR code of `text`, quiet zone included, in a square of `side` mm.

    Raises ValueError when its squares would print too small to read.
    """
    code = segno.make_qr(text, error="h", boost_error=False)
    squares = [list(row) for row in code.matrix]
    step = side / (len(squares) + 2 * QUIET_SQUARES)
    if step < SMALLEST_SQUARE_MM:
        raise ValueError(
            f"The plant id {text!r} is too long for a QR code {side:.0f} mm wide; "
            "use larger labels or shorter ids."
        )
    runs = []
    for row, line in enumerate(squares):
        top = y + (row + QUIET_SQUARES) * step
        column = 0
        while column < len(line):
            run = column
            while run < len(line) and line[run]:
                run += 1
            if run > column:
                left, right = (x + (at + QUIET_SQUARES) * step for at in (column, run))
                bottom = top + step * 1.01
                runs.append([(left, top), (right, top), (right, bottom), (left, bottom)])
            column = run + 1
    axes.add_collection(
        PolyCollection(runs, facecolor="black", edgecolor="none", linewidth=0, antialiased=False)
    )
