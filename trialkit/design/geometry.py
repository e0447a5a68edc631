"""Where every plant stands, in cm: rows run across the map, plants along the rows."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialkit.design.patterns import FloatArray

COMPASS = {
    "north": (0.0, 1.0),
    "north-east": (1.0, 1.0),
    "east": (1.0, 0.0),
    "south-east": (1.0, -1.0),
    "south": (0.0, -1.0),
    "south-west": (-1.0, -1.0),
    "west": (-1.0, 0.0),
    "north-west": (-1.0, 1.0),
}
_POINT = re.compile(r"\b(north|south)(?:[- ]?(east|west))?(?:ern|erly)?\b|\b(east|west)", re.I)


@dataclass(frozen=True)
class BedGeometry:
    """Spacing of the bed. Row 1 is at the top of the map, column 1 at its left.

    aisles_after_rows, aisles_after_columns: an aisle follows these rows or columns.
    """

    row_spacing_cm: float
    plant_spacing_cm: float
    aisle_cm: float = 0.0
    aisles_after_rows: tuple[int, ...] = ()
    aisles_after_columns: tuple[int, ...] = ()

    def x(self, column: npt.ArrayLike) -> FloatArray:
        """Distance along the row in cm; column 1 is at 0."""
        return self._along(column, self.plant_spacing_cm, self.aisles_after_columns)

    def y(self, row: npt.ArrayLike) -> FloatArray:
        """Distance down the map in cm; row 1 is at 0."""
        return self._along(row, self.row_spacing_cm, self.aisles_after_rows)

    def _along(self, number: npt.ArrayLike, spacing: float, aisles: tuple[int, ...]) -> FloatArray:
        at = np.asarray(number, dtype=float)
        passed = np.sum(at[..., None] > np.asarray(aisles, dtype=float), axis=-1)
        return np.asarray((at - 1.0) * spacing + passed * self.aisle_cm)

    def size_cm(self, rows: int, columns: int, guards: str) -> tuple[float, float]:
        """Length along the rows and width across them, with half a spacing of soil outside.

        Guard plants at the ends add a plant at each end; all round adds a row each side too.
        """
        long = float(self.x(columns)) + self.plant_spacing_cm
        wide = float(self.y(rows)) + self.row_spacing_cm
        if guards != "none":
            long += 2 * self.plant_spacing_cm
        if guards == "all round":
            wide += 2 * self.row_spacing_cm
        return long, wide


def compass_in(words: str | None) -> str | None:
    """The compass side named in free words ("afternoon shade from the west"), else None."""
    point = _POINT.search(words or "")
    if point is None:
        return None
    first, second, lone = (part.lower() if part else None for part in point.groups())
    return lone or (f"{first}-{second}" if second else first)


def on_map(side: str, top: str) -> tuple[float, float]:
    """Unit vector on the map (right, up) that points to a compass side; `top` is up."""
    right, up = COMPASS[side]
    top_right, top_up = COMPASS[top]
    turned = (right * top_up - up * top_right, right * top_right + up * top_up)
    length = float(np.hypot(*turned))
    return turned[0] / length, turned[1] / length
