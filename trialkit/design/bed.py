"""A bed as it is drawn, labelled and walked: from a fresh plan or from a trial's records."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from trialkit.design.geometry import BedGeometry
from trialkit.design.layouts import Planting, walking_order

# Capital letters name varieties on paper; I and O are left out beside 1 and 0.
CAPITALS = "ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(frozen=True)
class Bed:
    """What paper needs to know of a trial.

    plants: plant, variety, block, plot, row, column, treatment, in walking order.
    guards: row and column of guard plants. lost: ids of plants that have died.
    note: something to say under the title, such as a spacing that had to be assumed.
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

    @property
    def varieties(self) -> list[str]:
        """Names in alphabetical order, the check first."""
        names = sorted(self.plants["variety"].astype(str).unique())
        if self.check in names:
            names.remove(self.check)
            names.insert(0, self.check)
        return names

    @property
    def letters(self) -> dict[str, str]:
        """A letter for each variety: A, B, ... Z, AA, AB, ..."""
        return {name: letter(place) for place, name in enumerate(self.varieties)}

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
    return Bed(
        title=title,
        crop=crop,
        counted=counted,
        planted=planted,
        design=request.design,
        plants=walking_order(planting.plants),
        guards=planting.guards,
        geometry=planting.geometry,
        check=request.check or request.varieties[0],
        sun=request.sun,
        top=request.top,
        height_unit=height_unit,
        weight_unit=weight_unit,
    )
