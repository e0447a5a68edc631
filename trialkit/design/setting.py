"""Where a bed lies: its true shape on the ground, its edges, and where its shade falls."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.design.geometry import BedGeometry, compass_in, on_map
from trialkit.design.planfile import NAME, Drawn, read_drawn

if TYPE_CHECKING:
    from trialkit.records import Records

ROOM_CM = 30.0
"""Drawn distance between plants where the trial gives no spacing; rows are twice as far apart."""
_LINE = re.compile(r"\b(row|column)\s+(\d+)", re.I)


@dataclass(frozen=True)
class Shade:
    """share: of each plant, indexed by plant: 1 next to what shades the bed, 0 far from it.
    words: what was read out of the trial's description, for a grower to object to."""

    share: pd.Series
    words: str


def drawn_of(records: Records) -> Drawn:
    """Geometry with aisles and the top of the map from plan.toml, else from the spacings.

    A plan.toml that cannot be read is passed over: it draws the bed, it holds no records.
    """
    path = records.folder / NAME
    try:
        if path.is_file():
            return read_drawn(path)
    except (OSError, ValueError):
        pass
    layout = records.trial.layout
    geometry = BedGeometry(layout.row_spacing_cm or 2 * ROOM_CM, layout.plant_spacing_cm or ROOM_CM)
    return Drawn(geometry, "none", "north")


def standing(records: Records) -> pd.DataFrame:
    """Each plant's place on the ground, indexed by plant: x along the rows and y across, in cm.

    The first plant of the first row is at one spacing each way; NaN where not recorded.
    """
    plants = records.plants.drop_duplicates("plant").set_index("plant")
    geometry = drawn_of(records).geometry
    row = plants["row"].to_numpy(float)
    if plants.dropna(subset=["row", "column"]).duplicated(["row", "column"]).any():
        # Rows that start again in each block: the blocks are set below one another.
        row = row + (np.nanmax(row) + 1.0) * pd.factorize(plants["block"])[0]
    return pd.DataFrame({
        "x": geometry.x(plants["column"].to_numpy(float)) + geometry.plant_spacing_cm,
        "y": geometry.y(row) + geometry.row_spacing_cm,
    }, index=plants.index)


def at_edge(plants: pd.DataFrame) -> pd.Series:
    """Whether each plant stands at the edge of the bed: the ends of its row, and all plants of
    the outer rows where there are three rows or more."""
    ends = plants.groupby("row")["column"].agg(["min", "max"]).reindex(plants["row"])
    column = plants["column"].to_numpy()
    at_end = (column == ends["min"].to_numpy()) | (column == ends["max"].to_numpy())
    rows = plants["row"]
    outer = rows.isin([rows.min(), rows.max()]) if rows.nunique() > 2 else rows != rows
    return pd.Series(at_end | outer.to_numpy(), index=plants.index)


def shade(records: Records) -> Shade | None:
    """Where the trial's own words put the shade; None where they name no place in the bed.

    "beyond column 8" or "along row 1": the plants of that row or column.  A side of the compass:
    falling off evenly from that side to the other, the top of the map being north unless
    plan.toml says otherwise.
    """
    layout = records.trial.layout
    sun = layout.sun if "shade" in (layout.sun or "").lower() else None
    words = layout.shade or sun
    plants = records.plants.drop_duplicates("plant").set_index("plant")
    if not words or plants[["row", "column"]].isna().any(axis=None) or plants.empty:
        return None
    line = _LINE.search(words)
    if line is not None:
        name = line[1].lower()
        at = float(np.clip(int(line[2]), plants[name].min(), plants[name].max()))
        share = (plants[name] == at).astype(float)
        return Shade(share, f"the plants of {name} {at:g} ({words})")
    side = compass_in(words)
    if side is None:
        return None
    right, up = on_map(side, drawn_of(records).top)
    place = standing(records)
    toward = right * place["x"] - up * place["y"]
    wide = float(toward.max() - toward.min())
    if wide < 1e-9:
        return None
    return Shade((toward - toward.min()) / wide,
                 f"shade from the {side}, taken to fall off evenly across the bed")
