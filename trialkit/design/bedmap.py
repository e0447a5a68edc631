"""A map of the bed to scale, for the notebook (SVG) and to pin up in the shed (PDF).

Readable in black and white: every plot carries its letter and a hatching, never colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.design.bed import Bed
from trialkit.design.geometry import compass_in, on_map
from trialkit.design.paper import (
    A4,
    MARGIN_MM,
    MM_PER_POINT,
    Paper,
    box,
    fitting_size,
    new_page,
    printing,
    save_pdf,
    shortened,
    svg_text,
    text_width,
    write,
)
from trialkit.design.request import INCOMPLETE_BLOCKS
from trialkit.reading.amounts import CM, length_text

# Scales a ruler can read off, as 1 : n; with feet, an inch is half a foot, a foot, 2, 3 ... feet.
FEET_SCALES = (6, 12, 18, 24, 36, 48, 60, 72, 96, 120, 144, 180, 240, 360, 480, 600, 1200, 2400)
SCALES = (2, 5, 10, 20, 25, 30, 40, 50, 60, 75, 100, 125, 150, 200, 250, 500, 1000, 2000, 5000)
HATCHES = ("", "//", "..", "\\\\", "--", "xx", "||", "++", "oo", "////")
HEAD_MM = 28.0
LEFT_MM = 10.0
SUN_MM = 14.0
KEY_LINE_MM = 6.2


@dataclass(frozen=True)
class MapFrame:
    """Where the ground lies on the page: mm a cm of ground, and the place of row 1, column 1."""

    sheet: Paper
    scale: int
    left: float
    top: float

    def x(self, cm: float) -> float:
        """Millimetres from the left edge of the page of a place so far along the rows."""
        return self.left + cm * 10.0 / self.scale

    def y(self, cm: float) -> float:
        """Millimetres from the top of the page of a place so far down the map."""
        return self.top + cm * 10.0 / self.scale

    def mm(self, cm: float) -> float:
        """Millimetres on the page of a length on the ground."""
        return cm * 10.0 / self.scale


def extent(bed: Bed) -> tuple[float, float, float, float]:
    """Left, right, top and bottom of all plants and guards with half a spacing, in cm."""
    both = pd.concat([bed.plants[["row", "column"]], bed.guards[["row", "column"]]])
    x = bed.geometry.x(both["column"].to_numpy(float))
    y = bed.geometry.y(both["row"].to_numpy(float))
    half_x, half_y = bed.geometry.plant_spacing_cm / 2, bed.geometry.row_spacing_cm / 2
    return (
        float(x.min()) - half_x,
        float(x.max()) + half_x,
        float(y.min()) - half_y,
        float(y.max()) + half_y,
    )


def key_lines(bed: Bed) -> int:
    """Lines of the key and one for the marks."""
    if bed.blind:
        return 1
    return -(-len(bed.varieties) // key_columns(bed)) + 1


def key_columns(bed: Bed) -> int:
    """Columns of the key."""
    return 3 if len(bed.varieties) <= 9 else 4


def fit(bed: Bed, sheet: Paper) -> MapFrame:
    """The page and scale on which the bed is drawn largest.

    Raises ValueError where it is too large for every scale.
    """
    left, right, top, bottom = extent(bed)
    foot = key_lines(bed) * KEY_LINE_MM + 10.0
    best: MapFrame | None = None
    for page in (sheet.turned(), sheet):
        room_x = page.wide - 2 * (MARGIN_MM + SUN_MM) - LEFT_MM
        room_y = page.tall - 2 * MARGIN_MM - HEAD_MM - foot - SUN_MM - 8.0
        fits = [
            scale
            for scale in (FEET_SCALES if bed.feet else SCALES)
            if (right - left) * 10 / scale <= room_x and (bottom - top) * 10 / scale <= room_y
        ]
        if not fits:
            continue
        scale = fits[0]
        spare = room_x - (right - left) * 10 / scale
        frame = MapFrame(
            page,
            scale,
            MARGIN_MM + SUN_MM + LEFT_MM + spare / 2 - left * 10 / scale,
            MARGIN_MM + HEAD_MM + SUN_MM - top * 10 / scale,
        )
        if best is None or scale < best.scale:
            best = frame
    if best is None:
        least = (FEET_SCALES if bed.feet else SCALES)[-1]
        raise ValueError(f"The bed is too large to draw on this paper at 1 : {least}.")
    return best


def points(mm: float) -> float:
    """Millimetres in points of type."""
    return mm / MM_PER_POINT


def draw_head(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    """Title, scale and what else stands above the map."""
    room = frame.sheet.wide - 2 * MARGIN_MM
    y = MARGIN_MM + 5.0
    size = fitting_size(bed.title, room, 17.0, 9.0, bold=True)
    write(axes, MARGIN_MM, y, shortened(bed.title, room, size, True), size, bold=True)
    left, right, top, bottom = extent(bed)
    long, wide = (length_text(round(side, 0), bed.feet) for side in (right - left, bottom - top))
    parts = [
        bed.crop,
        f"planted {bed.planted}" if bed.planted else "",
        bed.design,
        f"bed {long} x {wide}" + (" with guards" if len(bed.guards) else ""),
        bed.note,
    ]
    top_side = f"top of map: {bed.top}"
    # The side at the top stands at the end of the same line.
    beside = room - text_width(top_side, 9.0) - 5.0
    line = "  ·  ".join(part for part in parts if part)
    small = fitting_size(line, beside, 10.0, 8.0)
    write(axes, MARGIN_MM, y + 7.0, shortened(line, beside, small), small)
    y += 15.0
    write(
        axes,
        MARGIN_MM,
        y,
        f"Scale 1 : {frame.scale}  ({_ruler(bed, frame)}, if printed at actual size)",
        9.0,
    )
    _scale_bar(axes, bed, frame, y)
    tip = frame.sheet.wide - MARGIN_MM
    write(axes, tip, MARGIN_MM + 12.0, top_side, 9.0, across="right")
    if bed.sun:
        words = shortened(f"Light: {bed.sun}", room, 9.0)
        write(axes, MARGIN_MM, y + 5.5, words, 9.0)


def _ruler(bed: Bed, frame: MapFrame) -> str:
    """What a length on the paper is on the ground, as a ruler of the grower's reads it."""
    if bed.feet:
        return f"1 in on paper = {length_text(frame.scale * CM['in'], True)} on the ground"
    return f"1 cm on paper = {frame.scale} cm on the ground"


def _scale_bar(axes: Axes, bed: Bed, frame: MapFrame, y: float) -> None:
    unit = CM["ft" if bed.feet else "m"]
    units = (0.5, 1, 2, 5, 10, 20, 50, 100) if bed.feet else (0.25, 0.5, 1, 2, 5, 10, 20, 50)
    many = next((many for many in units if frame.mm(many * unit) >= 20.0), 2 * units[-1])
    wide = frame.mm(many * unit)
    right = frame.sheet.wide - MARGIN_MM
    label = f"{many:g} {'ft' if bed.feet else 'm'}"
    left = right - wide - text_width(label, 9.0) - 2.0
    box(axes, left, y - 1.0, wide / 2, 2.0, fill="black")
    box(axes, left + wide / 2, y - 1.0, wide / 2, 2.0, fill="white")
    write(axes, right, y, label, 9.0, across="right")


def draw_numbers(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    """Row numbers at the left with the walking arrow, column numbers along the top."""
    left, _, top, _ = extent(bed)
    step = frame.mm(bed.geometry.row_spacing_cm)
    every = max(1, round(3.2 / step + 0.49))
    for place, row in enumerate(sorted(bed.plants["row"].astype(int).unique())):
        if place % every:
            continue
        arrow = "→" if place % 2 == 0 else "←"
        y = frame.y(float(bed.geometry.y(row)))
        write(axes, frame.x(left) - 1.5, y, f"{row} {arrow}", 8.0, across="right", up="center")
    wide = frame.mm(bed.geometry.plant_spacing_cm)
    gap = 1 if wide >= 5 else 5 if wide * 5 >= 6 else 10
    for column in sorted(bed.plants["column"].astype(int).unique()):
        if column == 1 or column % gap == 0:
            x = frame.x(float(bed.geometry.x(column)))
            write(axes, x, frame.y(top) - 2.2, str(column), 7.0, across="center", grey=0.25)


def draw_aisles(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    """The aisles, and how wide they are."""
    geometry = bed.geometry
    if geometry.aisle_cm <= 0:
        return
    text = f"aisle {length_text(geometry.aisle_cm, bed.feet)}"
    size = max(4.0, min(8.0, points(frame.mm(geometry.aisle_cm) * 0.7)))
    # Words stand beside the first block, clear of where two aisles cross.
    first_row = (geometry.aisles_after_rows or (bed.rows,))[0]
    first_column = (geometry.aisles_after_columns or (bed.columns,))[0]
    middle_x = frame.x(float(geometry.x(1) + geometry.x(first_column)) / 2)
    middle_y = frame.y(float(geometry.y(1) + geometry.y(first_row)) / 2)
    for row in geometry.aisles_after_rows:
        y = float(geometry.y(row)) + geometry.row_spacing_cm / 2 + geometry.aisle_cm / 2
        place = middle_x, frame.y(y)
        write(axes, *place, text, size, across="center", up="center", grey=0.25)
    for column in geometry.aisles_after_columns:
        x = float(geometry.x(column)) + geometry.plant_spacing_cm / 2 + geometry.aisle_cm / 2
        place = frame.x(x), middle_y
        write(axes, *place, text, size, across="center", up="center", turn=90.0, grey=0.25)


def draw_light(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    """An arrow from the side the grower named, with the words beside it where they fit."""
    side = compass_in(bed.sun)
    if not bed.sun or side is None:
        return
    west, east, north, south = extent(bed)
    left, right, top, bottom = frame.x(west), frame.x(east), frame.y(north), frame.y(south)
    to_right, up = on_map(side, bed.top)
    reach_x, reach_y = (right - left) / 2 + LEFT_MM + 1.0, (bottom - top) / 2 + 5.0
    stretch = min(
        reach_x / abs(to_right) if abs(to_right) > 1e-9 else 1e9,
        reach_y / abs(up) if abs(up) > 1e-9 else 1e9,
    )
    tip = ((left + right) / 2 + stretch * to_right, (top + bottom) / 2 - stretch * up)
    tail = (tip[0] + 9.0 * to_right, tip[1] - 9.0 * up)
    axes.annotate(
        "", xy=tip, xytext=tail, arrowprops={"arrowstyle": "-|>", "lw": 1.8, "color": "black"}
    )
    if abs(to_right) > 0.99:
        words = shortened(bed.sun, frame.sheet.tall - 2 * MARGIN_MM - HEAD_MM - 40.0, 9.0)
        x = tail[0] + (2.5 if to_right > 0 else -2.5)
        write(axes, x, tail[1], words, 9.0, across="center", up="center", turn=90.0)
    elif abs(up) > 0.99:
        words = shortened(bed.sun, (frame.sheet.wide - 2 * MARGIN_MM) / 2 - 6.0, 9.0)
        write(axes, tail[0] + 3.0, tail[1] + (2.0 if up > 0 else -2.0), words, 9.0, up="center")


def draw_key(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    """Letters and names, and what the marks mean, at the foot of the page."""
    room = frame.sheet.wide - 2 * MARGIN_MM
    columns = key_columns(bed)
    column = room / columns
    y = frame.sheet.tall - MARGIN_MM - key_lines(bed) * KEY_LINE_MM + 2.0
    plots = bed.plants.groupby("variety")["plot"].nunique()
    for at, name in enumerate([] if bed.blind else bed.varieties):
        x = MARGIN_MM + (at % columns) * column
        line = y + (at // columns) * KEY_LINE_MM
        box(axes, x, line - 2.3, 12.0, 4.6, line=0.0, hatch=HATCHES[at % len(HATCHES)], grey=0.72)
        box(axes, x, line - 2.3, 12.0, 4.6, line=0.7)
        write(
            axes,
            x + 3.0,
            line,
            bed.letters[name],
            9.0,
            bold=True,
            across="center",
            up="center",
            boxed=True,
        )
        check = ", check" if name == bed.check else ""
        note = f" ({int(plots[name])} plots{check})"
        left = column - 16.0 - text_width(note, 9.0)
        write(axes, x + 14.0, line, shortened(name, left, 9.0) + note, 9.0)
    line = y + (key_lines(bed) - 1) * KEY_LINE_MM
    marks = ["○ plant"]
    if len(bed.treatments) > 1:
        marks = [f"● {bed.treatments[0]}", f"○ {', '.join(bed.treatments[1:])}"]
    if bed.lost:
        marks.append("× lost")
    if len(bed.guards):
        marks.append("△ guard plant: grown, not recorded")
    if bed.plants["block"].nunique() > 1:
        parts = bed.design == INCOMPLETE_BLOCKS
        marks.append("heavy line: block" + (", R1B2 the second of replicate 1" if parts else ""))
    marks.append("arrows: the way the record sheet walks")
    text = "    ".join(marks)
    write(axes, MARGIN_MM, line, text, fitting_size(text, room, 8.5, 5.0))


def bed_map(bed: Bed, sheet: Paper = A4) -> Figure:
    """The map of a bed on one page, to the largest round scale that fits.

    Raises ValueError when plants have no row and column to be drawn at.
    """
    if bed.plants[["row", "column"]].isna().any(axis=None):
        raise ValueError("Plants without a row and a column in plants.csv cannot be drawn.")
    with printing():
        frame = fit(bed, sheet)
        figure, axes = new_page(frame.sheet)
        draw_head(axes, bed, frame)
        _plots(axes, bed, frame)
        _block_names(axes, bed, frame)
        _plants(axes, bed, frame)
        draw_numbers(axes, bed, frame)
        draw_aisles(axes, bed, frame)
        draw_light(axes, bed, frame)
        draw_key(axes, bed, frame)
    return figure


def bed_map_svg(bed: Bed, sheet: Paper = A4) -> str:
    """The map as SVG text."""
    return svg_text(bed_map(bed, sheet))


def print_bed_map(bed: Bed, path: Path, sheet: Paper = A4) -> None:
    """Write the map as a one-page PDF."""
    save_pdf([bed_map(bed, sheet)], path, f"Bed map: {bed.title}")


def bed_map_words(bed: Bed) -> str:
    """The map in words, for a screen reader."""
    rows = []
    for row in sorted(bed.plants["row"].astype(int).unique()):
        line = bed.plants[bed.plants["row"] == row].sort_values("column")
        plots = line.drop_duplicates("plot")
        pairs = zip(plots["plot"].astype(str), plots["variety"].astype(str), strict=True)
        names = ", ".join(f"{plot} {variety}".rstrip() for plot, variety in pairs)
        rows.append(f"Row {row}: {names}.")
    sun = f" Light: {bed.sun}." if bed.sun else ""
    return (
        f"Map of {bed.title}: {bed.rows} rows of up to {bed.columns} plants, "
        f"{bed.top} at the top.{sun} Plots from left to right. " + " ".join(rows)
    )


def _cell_sides(
    bed: Bed, frame: MapFrame, cells: pd.DataFrame
) -> tuple[float, float, float, float]:
    """Left, top, width and height in mm of the ground some plants stand on."""
    half_x, half_y = bed.geometry.plant_spacing_cm / 2, bed.geometry.row_spacing_cm / 2
    x = bed.geometry.x(cells["column"].to_numpy(float))
    y = bed.geometry.y(cells["row"].to_numpy(float))
    left, right = float(x.min()) - half_x, float(x.max()) + half_x
    top, bottom = float(y.min()) - half_y, float(y.max()) + half_y
    return frame.x(left), frame.y(top), frame.mm(right - left), frame.mm(bottom - top)


def _plots(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    hatch = {name: HATCHES[at % len(HATCHES)] for at, name in enumerate(bed.varieties)}
    for plot, cells in bed.plants.groupby("plot", sort=False):
        left, top, wide, tall = _cell_sides(bed, frame, cells)
        variety = str(cells["variety"].iloc[0])
        if not bed.blind:
            box(axes, left, top, wide, tall, line=0.0, hatch=hatch[variety], grey=0.72)
        box(axes, left, top, wide, tall, line=0.9)
        # Plants stand on the middle line of their row, so words keep above or below it.
        strip = frame.mm(bed.geometry.row_spacing_cm) / 2
        name = str(plot) if bed.blind else bed.letters[variety]
        size = min(fitting_size(name, wide * 0.4, 24.0, 3.0, True), points(strip * 0.72))
        place = left + wide * (0.5 if wide > 14.0 else 0.62), top + strip * 0.46
        write(axes, *place, name, size, bold=True, across="center", up="center", boxed=True)
        if bed.blind:
            continue
        small = min(fitting_size(str(plot), wide * 0.32, 8.0, 2.5), points(strip * 0.42))
        write(axes, left + 0.7, top + strip * 0.3, str(plot), small, up="center", boxed=True)


def _plants(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    radius = min(frame.mm(bed.geometry.plant_spacing_cm), frame.mm(bed.geometry.row_spacing_cm))
    size = points(max(0.5, min(2.2, radius * 0.22)))

    def place(table: pd.DataFrame) -> tuple[list[float], list[float]]:
        x = bed.geometry.x(table["column"].to_numpy(float))
        y = bed.geometry.y(table["row"].to_numpy(float))
        return [frame.x(end) for end in x], [frame.y(end) for end in y]

    first = bed.treatments[0] if bed.treatments else None
    filled = bed.plants["treatment"].eq(first) if first else pd.Series(False, bed.plants.index)
    lost = bed.plants["plant"].isin(bed.lost)
    for chosen, face in ((~filled & ~lost, "white"), (filled & ~lost, "black")):
        x, y = place(bed.plants[chosen])
        axes.plot(x, y, "o", ms=size, mfc=face, mec="black", mew=0.6, ls="none")
    x, y = place(bed.plants[lost])
    axes.plot(x, y, "x", ms=size, mec="black", mew=1.0, ls="none")
    x, y = place(bed.guards)
    axes.plot(x, y, "^", ms=size, mfc="0.8", mec="0.3", mew=0.5, ls="none")


def _block_names(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    """A heavy line round each block, and its name in the lower right corner."""
    blocks = bed.plants.dropna(subset=["block"])
    if blocks["block"].nunique() < 2:
        return
    word = "" if bed.design == INCOMPLETE_BLOCKS else "block "
    for name, cells in blocks.groupby("block", sort=False):
        left, top, wide, tall = _cell_sides(bed, frame, cells)
        box(axes, left, top, wide, tall, line=2.2)
        strip = frame.mm(bed.geometry.row_spacing_cm) / 2
        label = f"{word}{name}"
        size = min(fitting_size(label, wide * 0.9, 7.0, 2.5), points(strip * 0.42))
        place = left + wide - 0.9, top + tall - strip * 0.3
        write(axes, *place, label, size, across="right", up="center", boxed=True)
