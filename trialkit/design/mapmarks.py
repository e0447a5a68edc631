"""What stands round the bed on its map: title, scale, walking arrows, aisles, light, key."""

from __future__ import annotations

from matplotlib.axes import Axes

from trialkit.design.bed import Bed
from trialkit.design.geometry import compass_in, on_map
from trialkit.design.mapframe import (
    HATCHES,
    HEAD_MM,
    KEY_LINE_MM,
    LEFT_MM,
    MapFrame,
    extent,
    key_columns,
    key_lines,
    points,
)
from trialkit.design.paper import MARGIN_MM, box, fitting_size, shortened, text_width, write


def draw_head(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    room = frame.sheet.wide - 2 * MARGIN_MM
    y = MARGIN_MM + 5.0
    size = fitting_size(bed.title, room, 17.0, 9.0, bold=True)
    write(axes, MARGIN_MM, y, shortened(bed.title, room, size, True), size, bold=True)
    left, right, top, bottom = extent(bed)
    parts = [
        bed.crop,
        f"planted {bed.planted}" if bed.planted else "",
        bed.design,
        f"bed {(right - left) / 100:.1f} x {(bottom - top) / 100:.1f} m with guards"
        if len(bed.guards)
        else f"bed {(right - left) / 100:.1f} x {(bottom - top) / 100:.1f} m",
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
        f"Scale 1 : {frame.scale}  (1 cm on paper = {frame.scale} cm on the ground, "
        "if printed at actual size)",
        9.0,
    )
    _scale_bar(axes, frame, y)
    tip = frame.sheet.wide - MARGIN_MM
    write(axes, tip, MARGIN_MM + 12.0, top_side, 9.0, across="right")
    if bed.sun:
        words = shortened(f"Light: {bed.sun}", room, 9.0)
        write(axes, MARGIN_MM, y + 5.5, words, 9.0)


def _scale_bar(axes: Axes, frame: MapFrame, y: float) -> None:
    metres = next(
        (one for one in (0.25, 0.5, 1, 2, 5, 10, 20, 50) if frame.mm(one * 100) >= 20.0), 100
    )
    wide = frame.mm(metres * 100)
    right = frame.sheet.wide - MARGIN_MM
    label = f"{metres:g} m"
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
    geometry = bed.geometry
    if geometry.aisle_cm <= 0:
        return
    text = f"aisle {geometry.aisle_cm:g} cm"
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
    for at, name in enumerate(bed.varieties):
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
        marks.append("heavy line: block")
    marks.append("arrows: the way the record sheet walks")
    text = "    ".join(marks)
    write(axes, MARGIN_MM, line, text, fitting_size(text, room, 8.5, 5.0))
