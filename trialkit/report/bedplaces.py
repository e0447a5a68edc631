"""What the place in the bed does: slope, edge and shade, answers with and without it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit import wording
from trialkit.models import Missing
from trialkit.models.position import ACROSS, ALONG, PlaceEffects, PositionResult
from trialkit.report.blocks import Block
from trialkit.report.measures import Measure, limited, measure, ratio
from trialkit.trial import Trial


def position_tables(result: PositionResult, about: Trial) -> list[Block]:
    """As counted beside place allowed for: slope of the bed, then edge and shade."""
    tables = [slope_table(result), *places_tables(result.places, about)]
    return [table for table in tables if table.html]


def slope_table(result: PositionResult, shown_above: pd.DataFrame | None = None) -> Block:
    """Ratios to the check with and without the slope of the bed.

    shown_above : the table of varieties, where it stands on the same page: its ratios are given
    again, without limits, so that one ratio has one range.
    """
    if shown_above is not None:
        above = shown_above.set_index("variety")["ratio"]
        return limited(
            "Yield against the check, as in the table above and allowing for place in the row",
            ("Variety", "Table above", "Allowing for place"),
            [(str(r.variety), ratio(above.get(r.variety), None, None),
              ratio(r.adjusted, r.adjusted_low, r.adjusted_high))
             for r in result.side_by_side.itertuples(index=False)],
        ) if len(result.side_by_side) else Block("", "")
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
    shown = _shown(places, about)
    tables = []
    known = places.effects.dropna(subset=["estimate"])
    if len(known) and not only_where_it_matters:
        rows = [(named(str(r.place)), _value(places, shown, r.estimate, r.low, r.high),
                 wording.chance(r.p), wording.degrees(r.df)) for r in known.itertuples(index=False)]
        tables.append(limited(
            f"What the place does to the plots{_in(places, shown)}",
            ("Place", "Effect", "p", "Degrees of freedom"), rows))
    sides = [
        (str(place), own) for place, own in places.by_place.groupby("place", sort=False)
        if not only_where_it_matters or own["differs"].astype(bool).any()
    ]
    if sides:
        tables.append(_side_by_side(sides, places, shown))
    return tables


def _side_by_side(
    sides: list[tuple[str, pd.DataFrame]], places: PlaceEffects, shown: Measure
) -> Block:
    """A line a variety: as it stands, and with each place by itself allowed for."""
    first = sides[0][1]
    adjusted: list[dict[Any, Any]] = [
        {r.variety: r for r in own.itertuples(index=False)} for _, own in sides]
    rows = []
    for r in first.itertuples(index=False):
        cells = [_value(places, shown, r.unadjusted, r.unadjusted_low, r.unadjusted_high)]
        for own in adjusted:
            row = own[r.variety]
            cells.append(
                _value(places, shown, row.adjusted, row.adjusted_low, row.adjusted_high))
        rows.append([str(r.variety), *cells])
    noted = "counted" if places.scale == "ratio" else "harvested"
    word = "Against" if places.scale == "ratio" else "More than"
    return limited(
        f"{word} {first['against'].iloc[0]}{_in(places, shown)}, as {noted}, and with the place in "
        "the bed allowed for",
        ("Variety", f"As {noted}", *(f"{named(place)} allowed for" for place, _ in sides)), rows)


def named(place: str) -> str:
    """`Slope along the rows`, `The shade`."""
    return f"Slope {place}" if place in (ALONG, ACROSS) else wording.capital(place)


def _shown(places: PlaceEffects, about: Trial) -> Measure:
    return Measure("times") if places.scale == "ratio" else measure(places.unit, about)


def place_lines(places: PlaceEffects | Missing | None, about: Trial) -> list[str]:
    """A sentence a place: how the plots there did; or why that cannot be told."""
    if places is None or isinstance(places, Missing):
        return []
    shown = _shown(places, about)
    lines = []
    row: Any
    for row in places.effects.itertuples(index=False):
        if wording.missing(row.estimate):
            if row.note:
                lines.append(f"{named(str(row.place))}: {row.note}.")
            continue
        where = wording.capital(str(row.words))
        lines.append(f"{where}: {_effect(row, places, shown)}.")
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
