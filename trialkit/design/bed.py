"""A bed as it is drawn, labelled and walked: from a fresh plan or from a trial's records."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from trialkit.design.geometry import BedGeometry
from trialkit.design.layouts import Planting, walking_order
from trialkit.design.planfile import NAME, read_letters

if TYPE_CHECKING:
    from trialkit.records import Records

# Capital letters name varieties on paper; I and O are left out beside 1 and 0.
CAPITALS = "ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(frozen=True)
class Bed:
    """What paper needs to know of a trial.

    plants: plant, variety, block, plot, row, column, treatment, in walking order.
    guards: row and column of guard plants. lost: ids of plants that have died.
    note: something to say under the title, such as a spacing that had to be assumed.
    kept_letters: letters the trial has already (see `letters_for`).
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

    @property
    def varieties(self) -> list[str]:
        """Names in the order of their letters."""
        return list(self.letters)

    @property
    def letters(self) -> dict[str, str]:
        """The letter of each variety, in the order of the letters."""
        planted = set(self.plants["variety"].astype(str))
        every = letters_for(planted, self.check, self.kept_letters)
        return {name: one for name, one in every.items() if name in planted}

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
    names: Iterable[object], check: str | None, kept: Mapping[str, str] | None = None
) -> dict[str, str]:
    """A letter for each variety, A, B, ... Z, AA, ..., in that order.

    Varieties in `kept` have theirs; the rest take those that are free, the check first and the
    others by the alphabet.
    """
    known = dict(kept or {})
    fresh = sorted({str(name) for name in names} - set(known))
    if check in fresh:
        fresh.insert(0, fresh.pop(fresh.index(check)))
    taken = set(known.values())
    places = (one for one in map(letter, range(len(fresh) + len(taken))) if one not in taken)
    known |= dict(zip(fresh, places, strict=False))
    return dict(sorted(known.items(), key=lambda pair: (len(pair[1]), pair[1])))


def variety_letters(records: Records) -> dict[str, str]:
    """The one letter each variety has on the map, the stakes, the sheets and in the report.

    Those kept in the trial's plan.toml; varieties it does not name, and trials without one, get
    theirs by `letters_for`. A plan.toml that cannot be read is passed over here.
    """
    names = {*records.plants["variety"].dropna().astype(str), *records.trial.variety_names}
    try:
        kept = read_letters(records.folder / NAME)
    except (OSError, ValueError):
        kept = {}
    return letters_for(names, records.trial.check, kept)


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
