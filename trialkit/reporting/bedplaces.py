"""What the place in the bed does: slope, edge and shade, answers with and without it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit.models import Missing
from trialkit.models.places import PlaceEffects
from trialkit.models.position import PositionResult
from trialkit.reporting import words
from trialkit.reporting.blocks import Block
from trialkit.reporting.found import limited
from trialkit.reporting.measures import Measure, measure, ratio
from trialkit.trial import Trial


def position_tables(result: PositionResult, about: Trial) -> list[Block]:
    """As counted beside place allowed for: slope of the bed, then edge and shade."""
    tables = [slope_table(result), *places_tables(result.places, about)]
    return [one for one in tables if one.html]


def slope_table(result: PositionResult) -> Block:
    """Ratios to the check with and without the slope of the bed."""
    return limited(
        "Ratio to the check as counted, and with the slope along and across the bed allowed for",
        ("Variety", "As counted", "Slope allowed for"),
        [(str(r.variety), ratio(r.unadjusted, r.unadjusted_low, r.unadjusted_high),
          ratio(r.adjusted, r.adjusted_low, r.adjusted_high))
         for r in result.side_by_side.itertuples(index=False)],
    ) if len(result.side_by_side) else Block("", "")


def places_tables(
    places: PlaceEffects | Missing | None, about: Trial, only_where_it_matters: bool = False
) -> list[Block]:
    """What each place does to the plots, and every variety with and without it.

    only_where_it_matters : only varieties' answers that change by more than a tenth.
    """
    if places is None or isinstance(places, Missing):
        return []
    tables = []
    shown = Measure("times") if places.scale == "ratio" else measure(places.unit, about)
    known = places.effects.dropna(subset=["estimate"])
    if len(known) and not only_where_it_matters:
        rows = [(words.capital(str(r.words)), _value(places, shown, r.estimate, r.low, r.high),
                 words.chance(r.p), words.degrees(r.df)) for r in known.itertuples(index=False)]
        tables.append(limited(
            f"What the place does to the plots{_in(places, shown)}",
            ("Plots compared", "Effect", "p", "Degrees of freedom"), rows))
    for place, own in places.by_place.groupby("place", sort=False):
        if only_where_it_matters and not own["differs"].astype(bool).any():
            continue
        tables.append(_side_by_side(str(place), own, places, shown))
    return tables


def _side_by_side(place: str, own: pd.DataFrame, places: PlaceEffects, shown: Measure) -> Block:
    against = str(own["against"].iloc[0])
    rows = [
        (str(r.variety),
         _value(places, shown, r.unadjusted, r.unadjusted_low, r.unadjusted_high),
         _value(places, shown, r.adjusted, r.adjusted_low, r.adjusted_high))
        for r in own.itertuples(index=False)
    ]
    word = "Against" if places.scale == "ratio" else "More than"
    noted = "counted" if places.scale == "ratio" else "harvested"
    return limited(
        f"{word} {against}{_in(places, shown)}, as {noted}, and with {place} allowed for",
        ("Variety", f"As {noted}", f"{words.capital(place)} allowed for"), rows)


def place_lines(places: PlaceEffects | Missing | None, about: Trial) -> list[str]:
    """A sentence a place: how the plots there did; or why that cannot be told."""
    if places is None or isinstance(places, Missing):
        return []
    shown = Measure("times") if places.scale == "ratio" else measure(places.unit, about)
    lines = []
    row: Any
    for row in places.effects.itertuples(index=False):
        if words.missing(row.estimate):
            if row.note:
                lines.append(f"{words.capital(str(row.place))}: {row.note}.")
            continue
        lines.append(f"{words.capital(str(row.words))}: {_effect(row, places, shown)}, varieties "
                     "and blocks allowed for.")
    return lines


def _effect(row: Any, places: PlaceEffects, shown: Measure) -> str:
    if places.scale == "ratio":
        return ratio(row.estimate, row.low, row.high)
    size, low, high, word = row.estimate, row.low, row.high, "more"
    if size < 0:
        size, low, high, word = -size, -high, -low, "less"
    return f"{shown.number(size)} {shown.unit} {word}" + (
        f" ({shown.span(low, high)})" if shown.span(low, high) else "")


def _value(places: PlaceEffects, shown: Measure, value: Any, low: Any, high: Any) -> str:
    if places.scale == "ratio":
        return ratio(value, low, high)
    return shown.estimate(value, low, high)


def _in(places: PlaceEffects, shown: Measure) -> str:
    return "" if places.scale == "ratio" else f", {shown.unit}"
