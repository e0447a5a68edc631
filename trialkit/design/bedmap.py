"""A map of the bed to scale, for the notebook (SVG) and to pin up in the shed (PDF).

Readable in black and white: every plot carries its letter and a hatching, never colour alone.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.design.bed import Bed
from trialkit.design.mapframe import HATCHES, MapFrame, fit, points
from trialkit.design.mapmarks import draw_aisles, draw_head, draw_key, draw_light, draw_numbers
from trialkit.design.paper import (
    A4,
    Paper,
    box,
    fitting_size,
    new_page,
    printing,
    save_pdf,
    svg_text,
    write,
)
from trialkit.design.request import INCOMPLETE_BLOCKS


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
        names = ", ".join(f"{plot} {variety}" for plot, variety in pairs)
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
        box(axes, left, top, wide, tall, line=0.0, hatch=hatch[variety], grey=0.72)
        box(axes, left, top, wide, tall, line=0.9)
        # Plants stand on the middle line of their row, so words keep above or below it.
        strip = frame.mm(bed.geometry.row_spacing_cm) / 2
        name = bed.letters[variety]
        size = min(fitting_size(name, wide * 0.4, 24.0, 3.0, True), points(strip * 0.72))
        place = left + wide * (0.5 if wide > 14.0 else 0.62), top + strip * 0.46
        write(axes, *place, name, size, bold=True, across="center", up="center", boxed=True)
        small = min(fitting_size(str(plot), wide * 0.32, 8.0, 2.5), points(strip * 0.42))
        write(axes, left + 0.7, top + strip * 0.3, str(plot), small, up="center", boxed=True)


def _plants(axes: Axes, bed: Bed, frame: MapFrame) -> None:
    radius = min(frame.mm(bed.geometry.plant_spacing_cm), frame.mm(bed.geometry.row_spacing_cm))
    size = points(max(0.5, min(2.2, radius * 0.22)))

    def place(table: pd.DataFrame) -> tuple[list[float], list[float]]:
        x = bed.geometry.x(table["column"].to_numpy(float))
        y = bed.geometry.y(table["row"].to_numpy(float))
        return [frame.x(one) for one in x], [frame.y(one) for one in y]

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
