"""A bed as it is drawn, labelled and walked, from a fresh plan or from a trial's records; and where
it lies: its true shape on the ground, its edges, and where its shade falls.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.design.experimental_units import rows_below
from trialkit.design.geometry import BedGeometry, compass_in, on_map
from trialkit.design.layouts import Planting, walking_order
from trialkit.design.request import PLAN_FILE, BedDrawing, read_drawing, read_letters
from trialkit.reading.amounts import in_feet

if TYPE_CHECKING:
    from trialkit.records import Records
    from trialkit.trial import OwnTrait

# Capital letters name varieties on paper; I and O are left out beside 1 and 0.
CAPITALS = "ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(frozen=True)
class Bed:
    """What paper needs to know of a trial.

    plants: plant, variety, block, plot, row, column, treatment, in walking order.
    guards: row and column of guard plants. lost: ids of plants that have died.
    note: something to say under the title, such as a spacing that had to be assumed.
    kept_letters: letters the trial has already (see `letters_for`). traits: declared by the
    gardener. grades: of a crop dug or cut once. once: it is harvested in one go. plots_only:
    plants.csv names plots, not plants. plots_named: it names all plots there are. blind: names and
    letters of varieties are left off.
    """

    title: str
    crop: str
    counted: str
    planted: str
    design: str
    plants: pd.DataFrame
    guards: pd.DataFrame
    geometry: BedGeometry
    check: str | None
    sun: str | None
    top: str
    height_unit: str
    weight_unit: str
    lost: frozenset[str] = frozenset()
    note: str = ""
    kept_letters: Mapping[str, str] = field(default_factory=dict)
    traits: tuple[OwnTrait, ...] = ()
    grades: tuple[str, ...] = ()
    once: bool = False
    plots_only: bool = False
    plots_named: bool = True
    blind: bool = False

    def nameless(self) -> Bed:
        """The same bed without any variety's name or letter, for whoever records blind."""
        return replace(
            self, plants=self.plants.assign(variety=""), check=None, kept_letters={}, blind=True
        )

    @property
    def feet(self) -> bool:
        """Whether lengths are told in feet and inches."""
        return in_feet(self.height_unit)

    @property
    def varieties(self) -> list[str]:
        """Names in the order of their letters."""
        return list(self.letters)

    @property
    def letters(self) -> dict[str, str]:
        """The letter of each variety, in the order of the letters."""
        planted = set(self.plants["variety"].astype(str))
        every = letters_for(planted, self.check, self.kept_letters)
        return {name: letter for name, letter in every.items() if name in planted}

    @property
    def treatments(self) -> list[str]:
        """Treatment names, or an empty list."""
        return sorted(self.plants["treatment"].dropna().astype(str).unique())

    @property
    def rows(self) -> int:
        """Rows of plants, guards outside not counted."""
        return int(self.plants["row"].max())

    @property
    def columns(self) -> int:
        """Plants along the longest row, guards outside not counted."""
        return int(self.plants["column"].max())


def letter(place: int) -> str:
    """A, B, ... for 0, 1, ..."""
    before, last = divmod(place, len(CAPITALS))
    return (CAPITALS[before - 1] if before else "") + CAPITALS[last]


def letters_for(
    names: Iterable[object], check: str | None, letters: Mapping[str, str] | None = None
) -> dict[str, str]:
    """A letter for each variety, A, B, ... Z, AA, ..., in that order.

    Varieties in `letters` have theirs; the rest take those that are free, the check first and the
    others by the alphabet.
    """
    known = dict(letters or {})
    fresh = sorted({str(name) for name in names} - set(known))
    if check in fresh:
        fresh.insert(0, fresh.pop(fresh.index(check)))
    taken = set(known.values())
    places = (
        capital for capital in map(letter, range(len(fresh) + len(taken))) if capital not in taken
    )
    known |= dict(zip(fresh, places, strict=False))
    return dict(sorted(known.items(), key=lambda pair: (len(pair[1]), pair[1])))


def variety_letters(records: Records) -> dict[str, str]:
    """The one letter each variety has on the map, the stakes, the sheets and in the report.

    Those kept in the trial's plan.toml; varieties it does not name, and trials without one, get
    theirs by `letters_for`. A plan.toml that cannot be read is passed over here.
    """
    names = {*records.plants["variety"].dropna().astype(str), *records.trial.variety_names}
    try:
        letters = read_letters(records.folder / PLAN_FILE)
    except (OSError, ValueError):
        letters = {}
    return letters_for(names, records.trial.check, letters)


def bed_of(
    planting: Planting,
    *,
    title: str,
    crop: str = "",
    counted: str = "pods",
    planted: str = "",
    height_unit: str = "cm",
    weight_unit: str = "g",
) -> Bed:
    """The bed of a fresh plan."""
    request = planting.request
    check = request.check or request.varieties[0]
    return Bed(
        title=title,
        crop=crop,
        counted=counted,
        planted=planted,
        design=request.design,
        plants=walking_order(planting.plants),
        guards=planting.guards,
        geometry=planting.geometry,
        check=check,
        sun=request.sun,
        top=request.top,
        height_unit=height_unit,
        weight_unit=weight_unit,
        kept_letters=letters_for(request.varieties, check),
    )


ROOM_CM = 30.0
"""Distance drawn between plants where the trial gives no spacing; rows are twice as far apart."""
_LINE = re.compile(r"\b(row|column)\s+(\d+)", re.I)


@dataclass(frozen=True)
class Shade:
    """share: of each plant, indexed by plant: 1 next to what shades the bed, 0 far from it.
    words: what was read out of the trial's description, for a grower to object to."""

    share: pd.Series
    words: str


def drawing_of(records: Records) -> BedDrawing:
    """Geometry with aisles and the top of the map from plan.toml, else from the spacings.

    A plan.toml that cannot be read is passed over: it draws the bed, it holds no records.
    """
    path = records.folder / PLAN_FILE
    try:
        if path.is_file():
            return read_drawing(path)
    except (OSError, ValueError):
        pass
    layout = records.trial.layout
    geometry = BedGeometry(layout.row_spacing_cm or 2 * ROOM_CM, layout.plant_spacing_cm or ROOM_CM)
    return BedDrawing(geometry, "none", "north")


def plant_positions(records: Records) -> pd.DataFrame:
    """Each plant's place on the ground, indexed by plant: x along the rows and y across, in cm.

    The first plant of the first row is at one spacing each way; NaN where not recorded.
    """
    plants = records.plants.drop_duplicates("plant").set_index("plant")
    geometry = drawing_of(records).geometry
    row = plants["row"].to_numpy(float)
    if plants.dropna(subset=["row", "column"]).duplicated(["row", "column"]).any():
        row = rows_below(plants).to_numpy(float)
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
    right, up = on_map(side, drawing_of(records).top)
    place = plant_positions(records)
    toward = right * place["x"] - up * place["y"]
    wide = float(toward.max() - toward.min())
    if wide < 1e-9:
        return None
    return Shade((toward - toward.min()) / wide,
                 f"shade from the {side}, taken to fall off evenly across the bed")
