"""Record sheets to carry down the rows: walking order, large boxes, the rules printed on.

One set is one pick (or one round of measuring). A box left empty means "not looked at";
a 0 means "looked, and there was nothing". The two are never the same thing.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.cautions import PICKING, in_a_line
from trialkit.design import paper
from trialkit.design.bed import Bed
from trialkit.design.layouts import walking_order
from trialkit.design.paper import A4, MARGIN_MM, MM_PER_POINT, Paper

LINE_MM = 11.0
TURN_MM = 6.5
COLUMN_HEAD_MM = 7.0
FOOT_MM = 8.0


@dataclass(frozen=True)
class Entry:
    """A plant's line, or (plant is None) the band that says where to walk next."""

    plant: dict[str, object] | None
    text: str = ""

    @property
    def tall(self) -> float:
        """Its height in mm."""
        return LINE_MM if self.plant is not None else TURN_MM


def head_tall(first: bool) -> float:
    """Height of a page's head in mm: the first page has the rules in full."""
    return 52.0 if first else 17.0


def entries_of(bed: Bed) -> list[Entry]:
    """Plants in walking order with a band at each new row."""
    plants = walking_order(bed.plants)
    entries: list[Entry] = []
    last: object = None
    for place, record in enumerate(plants.to_dict("records")):
        plant = {str(key): value for key, value in record.items()}
        row = plant["row"]
        if place == 0 or row != last:
            entries.append(Entry(None, _turn(plants, row)))
            last = row
        entries.append(Entry(plant))
    return entries


def _turn(plants: pd.DataFrame, row: object) -> str:
    """The words of a turn, for example "row 2: walk back, from plant 16 to 1"."""
    if row != row or row is None:
        return "plants without a row"
    line = plants[plants["row"] == row]["column"]
    if line.isna().any():
        return f"row {_number(row)}"
    first, last = _number(line.iloc[0]), _number(line.iloc[-1])
    arrow = "→" if line.iloc[-1] >= line.iloc[0] else "←"
    return f"ROW {_number(row)} {arrow}  plant {first} to {last}"


def _number(value: object) -> str:
    return f"{float(str(value)):g}"


def paged(entries: list[Entry], sheet: Paper) -> list[list[list[Entry]]]:
    """Entries shared out into pages of two columns; a turn never stands last in a column."""
    pages: list[list[list[Entry]]] = []
    waiting = list(entries)
    row = ""
    while waiting or not pages:
        room = sheet.tall - 2 * MARGIN_MM - FOOT_MM - COLUMN_HEAD_MM - head_tall(not pages)
        halves: list[list[Entry]] = []
        for _ in range(2):
            half: list[Entry] = []
            used = 0.0
            if waiting and waiting[0].plant is not None:
                half.append(Entry(None, f"{row}, on from the last column"))
                used = TURN_MM
            while waiting and used + waiting[0].tall <= room:
                used += waiting[0].tall
                half.append(waiting.pop(0))
                if half[-1].plant is None:
                    row = half[-1].text.split("  ")[0]
            if half and half[-1].plant is None and waiting:
                waiting.insert(0, half.pop())
            halves.append(half)
        pages.append(halves)
    return pages


GAP_MM = 5.0


@dataclass(frozen=True)
class Rule:
    """What a full box, an empty box and an L mean; in full on the first page."""

    lines: tuple[str, ...]
    short: str


PICK_RULE = Rule(
    (
        "LOOKED and found nothing: write 0.",
        "DID NOT LOOK: leave the box EMPTY. Never write 0 for a plant you skipped.",
        "Plant DEAD or GONE: write L, and the reason under notes.",
    ),
    "0 = looked, nothing there.   EMPTY = did not look.   L = plant dead or gone.",
)
MEASURE_RULE = Rule(
    (
        "Measure from the ground to the highest growing tip, the plant as it stands.",
        "DID NOT MEASURE: leave the box EMPTY. Never guess, never write 0.",
        "Plant DEAD or GONE: write L, and the reason under notes.",
    ),
    "EMPTY = did not measure.   L = plant dead or gone.   Never a guess, never 0.",
)
CAUTIONS = in_a_line(PICKING, "this sheet")


@dataclass(frozen=True)
class Column:
    """One box to fill in: its heading and its share of the width."""

    heading: str
    share: float


def pick_columns(bed: Bed, weigh: bool) -> list[Column]:
    """Boxes of a pick sheet."""
    count = Column(bed.counted, 1.0)
    notes = Column("notes", 0.9)
    return [count, Column(f"weight, {bed.weight_unit}", 1.1), notes] if weigh else [count, notes]


def pick_sheets(
    bed: Bed, sheet: Paper = A4, weigh: bool = True, blind: bool = False
) -> list[Figure]:
    """Pages for one pick."""
    columns = pick_columns(bed, weigh)
    return _sheets(bed, sheet, "PICK", columns, PICK_RULE, blind)


def height_sheets(bed: Bed, sheet: Paper = A4, blind: bool = False) -> list[Figure]:
    """Pages for one round of measuring heights."""
    unit = "ft in" if bed.height_unit.startswith("ft") else bed.height_unit
    columns = [Column(f"height, {unit}", 1.2), Column("notes", 1.0)]
    return _sheets(bed, sheet, "HEIGHT", columns, MEASURE_RULE, blind)


def print_sheets(figures: list[Figure], path: Path, title: str) -> int:
    """Write the sheets as a PDF; returns the number of pages."""
    paper.save_pdf(figures, path, title)
    return len(figures)


def _sheets(
    bed: Bed,
    sheet: Paper,
    kind: str,
    columns: list[Column],
    rule: Rule,
    blind: bool,
) -> list[Figure]:
    with paper.printing():
        pages = paged(entries_of(bed), sheet)
        figures = []
        for number, halves in enumerate(pages):
            figure, axes = paper.new_page(sheet)
            top = _head(axes, bed, sheet, kind, rule, number == 0)
            for half, entries in enumerate(halves):
                left = MARGIN_MM + half * (_half_wide(sheet) + GAP_MM)
                _half(axes, bed, left, top, _half_wide(sheet), columns, entries, blind)
            _foot(axes, bed, sheet, number, len(pages), kind)
            figures.append(figure)
    return figures


def _half_wide(sheet: Paper) -> float:
    return (sheet.wide - 2 * MARGIN_MM - GAP_MM) / 2


def _head(axes: Axes, bed: Bed, sheet: Paper, kind: str, rule: Rule, first: bool) -> float:
    """Draws the head; returns where the columns start, in mm from the top."""
    room = sheet.wide - 2 * MARGIN_MM
    y = MARGIN_MM + 4.0
    size = paper.fitting_size(bed.title, room * 0.62, 15.0, 8.0, bold=True)
    title = paper.shortened(bed.title, room * 0.62, size, True)
    paper.write(axes, MARGIN_MM, y, title, size, bold=True)
    right = sheet.wide - MARGIN_MM
    paper.write(axes, right - 62.0, y, "Date", 11.0, bold=True, across="right")
    paper.box(axes, right - 60.0, y - 6.0, 60.0, 9.0, line=1.2)
    if not first:
        paper.write(axes, MARGIN_MM, y + 8.5, rule.short, 9.5, bold=True)
        return MARGIN_MM + head_tall(first)
    what = f"{kind} SHEET" + (f": {bed.crop}" if bed.crop else "")
    paper.write(axes, MARGIN_MM, y + 7.5, what, 10.0)
    y += 16.0
    for at, (word, share) in enumerate(
        (("Time", 0.18), ("By", 0.30), ("Weather, spray, other", 0.52))
    ):
        x = MARGIN_MM + room * (0.0, 0.18, 0.48)[at]
        paper.write(axes, x, y, word, 9.0)
        line_from = x + (11.0, 8.0, 39.0)[at]
        axes.plot([line_from, x + room * share - 4.0], [y + 1.2] * 2, color="black", lw=0.7)
    y += 5.0
    paper.box(axes, MARGIN_MM, y, room, 16.5, line=1.6)
    for at, text in enumerate(rule.lines):
        paper.write(axes, MARGIN_MM + 3.0, y + 4.4 + at * 4.9, text, 9.5, bold=True)
    y += 20.0
    for at, text in enumerate(paper.wrapped(CAUTIONS, room, 7.0)[:2]):
        paper.write(axes, MARGIN_MM, y + at * 3.2, text, 7.0)
    return MARGIN_MM + head_tall(first)


def _half(
    axes: Axes,
    bed: Bed,
    left: float,
    top: float,
    wide: float,
    columns: list[Column],
    entries: list[Entry],
    blind: bool,
) -> None:
    """One column of plants with its boxes."""
    if not entries:
        return
    name_wide = wide * 0.34
    total = sum(column.share for column in columns)
    edges = [left + name_wide]
    for column in columns:
        edges.append(edges[-1] + (wide - name_wide) * column.share / total)
    line = top + COLUMN_HEAD_MM - 2.2
    for at, column in enumerate(columns):
        room = edges[at + 1] - edges[at] - 1.5
        size = paper.fitting_size(column.heading, room, 10.0, 5.0, bold=True)
        heading = paper.shortened(column.heading, room, size, True)
        middle = (edges[at] + edges[at + 1]) / 2
        paper.write(axes, middle, line, heading, size, bold=True, across="center")
    paper.write(axes, left + 1.0, line, "plant", 10.0, bold=True)
    y = top + COLUMN_HEAD_MM
    plot: object = None
    for entry in entries:
        if entry.plant is None:
            plot = None
            paper.box(axes, left, y, wide, TURN_MM, line=0.0, fill="0.85", grey=0.85)
            paper.write(axes, left + 1.5, y + TURN_MM / 2, entry.text, 9.0, bold=True, up="center")
        else:
            _line(axes, bed, left, y, edges, entry.plant, blind)
            if plot is not None and entry.plant["plot"] != plot:
                axes.plot([left, left + wide], [y, y], color="black", lw=2.2)
            plot = entry.plant["plot"]
        y += entry.tall


def _line(
    axes: Axes,
    bed: Bed,
    left: float,
    y: float,
    edges: list[float],
    plant: dict[str, object],
    blind: bool,
) -> None:
    """One plant: its id in large type and an empty box for each figure."""
    paper.box(axes, left, y, edges[0] - left, LINE_MM, line=0.4, grey=0.4)
    name = str(plant["plant"])
    room = edges[0] - left - 2.0
    lost = name in bed.lost
    size = paper.fitting_size(name, room, 17.0, 7.0, bold=True)
    small = []
    if plant["treatment"] is not None:
        small.append(str(plant["treatment"]))
    if not blind:
        small.append(str(plant["variety"]))
    up = y + LINE_MM * (0.38 if small else 0.5)
    grey = 0.55 if lost else 0.0
    paper.write(axes, left + 1.0, up, name, size, bold=True, up="center", grey=grey)
    if small:
        text = paper.shortened(", ".join(small), room, 7.0)
        paper.write(axes, left + 1.0, y + LINE_MM * 0.82, text, 7.0, up="center")
    for at in range(len(edges) - 1):
        wide = edges[at + 1] - edges[at]
        # Heavy boxes for figures, a light one for notes, so a count never lands there.
        paper.box(axes, edges[at], y, wide, LINE_MM, line=0.4 if at == len(edges) - 2 else 1.1)
    if lost:
        points = LINE_MM * 0.35 / MM_PER_POINT
        middle = (edges[0] + edges[1]) / 2
        paper.write(
            axes, middle, y + LINE_MM / 2, "LOST", points, across="center", up="center", grey=0.45
        )


def _foot(axes: Axes, bed: Bed, sheet: Paper, number: int, pages: int, kind: str) -> None:
    y = sheet.tall - MARGIN_MM - 1.5
    paper.write(axes, MARGIN_MM, y, f"{kind.lower()} sheet, page {number + 1} of {pages}", 9.0)
    right = sheet.wide - MARGIN_MM
    paper.box(axes, right - 4.5, y - 3.4, 4.5, 4.5, line=0.9)
    paper.write(axes, right - 6.5, y, "every box on this page looked over", 9.0, across="right")
