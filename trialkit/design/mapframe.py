"""Where the ground lies on a page: the scale, and room for what stands round the bed."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from trialkit.design.bed import Bed
from trialkit.design.paper import MARGIN_MM, MM_PER_POINT, Paper

# Scales a ruler can read off, as 1 : n.
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
        return self.left + cm * 10.0 / self.scale

    def y(self, cm: float) -> float:
        return self.top + cm * 10.0 / self.scale

    def mm(self, cm: float) -> float:
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
    return -(-len(bed.varieties) // key_columns(bed)) + 1


def key_columns(bed: Bed) -> int:
    return 3 if len(bed.varieties) <= 9 else 4


def fit(bed: Bed, sheet: Paper) -> MapFrame:
    left, right, top, bottom = extent(bed)
    foot = key_lines(bed) * KEY_LINE_MM + 10.0
    best: MapFrame | None = None
    for page in (sheet.turned(), sheet):
        room_x = page.wide - 2 * (MARGIN_MM + SUN_MM) - LEFT_MM
        room_y = page.tall - 2 * MARGIN_MM - HEAD_MM - foot - SUN_MM - 8.0
        fits = [
            one
            for one in SCALES
            if (right - left) * 10 / one <= room_x and (bottom - top) * 10 / one <= room_y
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
        raise ValueError("The bed is too large to draw on this paper at 1 : 5000.")
    return best


def points(mm: float) -> float:
    return mm / MM_PER_POINT
