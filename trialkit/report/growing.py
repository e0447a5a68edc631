"""Tables of growth and stand: heights on some days, treatments, plants standing, warmth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from trialkit import wording
from trialkit.models.height import HeightResult
from trialkit.models.rate import Warmth
from trialkit.models.stand import StandResult
from trialkit.plots import between_readings
from trialkit.report.blocks import Block, tabled
from trialkit.report.found import limited
from trialkit.report.measures import Measure, height, measure
from trialkit.trial import Trial

DATES = 4
"""Dates shown of a curve: as many columns as a phone takes with a push."""


def height_tables(result: HeightResult, about: Trial) -> list[Block]:
    """Height on a few days, fastest growth; and treatments given by lot."""
    shown = measure("cm", about)
    tables = [_on_dates(result, shown)]
    if len(result.treatments):
        tables += _treated(result, shown)
    return [one for one in tables if one.html]


def _on_dates(result: HeightResult, shown: Measure) -> Block:
    days = _spread(sorted(result.seen["date"].unique()))
    if not days or result.curve.empty:
        return Block("", "")
    curve = between_readings(result.curve, result.seen)
    at = {
        (row.variety, row.date): row
        for row in curve[curve["date"].isin(days)].itertuples(index=False)
    }
    growth = between_readings(result.growth, result.seen).dropna(subset=["estimate"])
    fastest = growth.loc[growth.groupby("variety")["estimate"].idxmax()].set_index("variety")
    rows = []
    for variety in result.means.sort_values("estimate", ascending=False)["variety"]:
        cells = [shown.estimate(at[variety, d].estimate, at[variety, d].low, at[variety, d].high)
                 if (variety, d) in at else wording.NONE for d in days]
        quick: Any = fastest.loc[variety] if variety in fastest.index else None
        cells.append(wording.NONE if quick is None else
                     f"{shown.number(quick['estimate'])} about {wording.short_day(quick['date'])}")
        rows.append([str(variety), *cells])
    heads = ["Variety", *map(wording.short_day, days), "Fastest, a week"]
    return limited(f"Height on some days, {shown.unit}", heads, rows)


def _reached(frame: pd.DataFrame) -> Block:
    """Each variety under each treatment; over the treatments the varieties' cards say it."""
    if frame.empty:
        return Block("", "")
    rows = []
    row: Any
    for row in frame.itertuples(index=False):
        span = wording.days(row.low, row.high)
        said = "still within reach" if wording.missing(row.date) else wording.short_day(row.date)
        rows.append((str(row.variety), str(row.treatment), f"{said} ({span})" if span else said))
    return limited("Day out of reach", ("Variety", "Treatment", "Out of reach"), rows)


def treatment_lines(result: HeightResult, about: Trial) -> list[str]:
    """How tall each treatment was in the end, and the difference, in two sentences."""
    if result.treatments.empty:
        return []
    last = wording.short_day(result.curve["date"].max())
    levels = wording.listed([f"{r.treatment} {_height(r.estimate, r.low, r.high, about)}"
                           for r in result.treatments.itertuples(index=False)])
    lines = [f"By treatment, over all varieties, on {last}: {levels}."]
    if len(result.treatment_pairs) == 1:
        row: Any = result.treatment_pairs.iloc[0]
        one, other, size, low, high = row[["left", "right", "estimate", "low", "high"]]
        if size < 0:
            one, other, size, low, high = other, one, -size, -high, -low
        lines.append(f"{one}: {_height(size, low, high, about)} more than {other}.")
    return [wording.capital(line) for line in lines]


def _height(value: Any, low: Any, high: Any, about: Trial) -> str:
    """`183 cm (176 to 190)`, `6'0" (5'9" to 6'3")`."""
    shown = measure("cm", about)
    span = shown.span(low, high)
    return height(value, about.height_unit) + (f" ({span})" if span else "")


def stand_lines(result: StandResult) -> list[str]:
    """How many were lost, and whether varieties differ in that; nothing where none was."""
    lost, planted = int(result.losses["lost"].sum()), int(result.losses["planted"].sum())
    if not lost:
        return []
    why = result.reasons.groupby("reason", sort=False)["plants"].sum()
    reasons = "; ".join(f"{reason} {n}" for reason, n in why.items())
    first = f"{wording.counted(lost, 'plant')} of {planted:,d} lost ({reasons})."
    if not result.supported:
        return [f"{first} Losses are not compared: {result.why_not}."]
    told = result.pairs[result.pairs["p"] < 0.05]
    if told.empty:
        return [f"{first} The differences between varieties could be luck."]
    said = [f"{a} kept more than {b}" if size > 0 else f"{b} kept more than {a}"
            for a, b, size in told[["left", "right", "estimate"]].itertuples(index=False)]
    shown = said[:3] + ([f"so in {len(said) - 3} more pairs"] if len(said) > 3 else [])
    return [f"{first} More than luck: {'; '.join(shown)}."]


def _treated(result: HeightResult, shown: Measure) -> list[Block]:
    """The treatments over all varieties, their differences, and reach under each."""
    last = wording.short_day(result.curve["date"].max())
    rows = [(str(r.treatment), shown.estimate(r.estimate, r.low, r.high))
            for r in result.treatments.itertuples(index=False)]
    caption = f"Height by treatment on {last}, over all varieties, {shown.unit}"
    tables = [limited(caption, ("Treatment", "Height"), rows)]
    pairs = [(f"{r.left} less {r.right}", shown.estimate(r.estimate, r.low, r.high),
              wording.degrees(r.df)) for r in result.treatment_pairs.itertuples(index=False)]
    if pairs:
        heads = ("Treatments", "Difference", "Degrees of freedom")
        tables.append(limited(f"Differences between treatments, {shown.unit}", heads, pairs))
    tables.append(_reached(result.treated_reach))
    if len(result.tests):
        tables.append(tests_table(result.tests, "Is there any difference in height at all?"))
    return tables


def tests_table(tests: pd.DataFrame, caption: str) -> Block:
    """F tests of the terms of a model; those that could not be made are left out."""
    rows = [
        (str(r.term), wording.number(r.F, 3), f"{wording.degrees(r.num_df)} and "
         f"{wording.degrees(r.den_df)}", wording.chance(r.p))
        for r in tests.dropna(subset=["F", "p"]).itertuples(index=False)
    ]
    heads = ("Term", "F", "Degrees of freedom", "p")
    return tabled(caption, heads, rows) if rows else Block("", "")


def stand_tables(result: StandResult, about: Trial) -> list[Block]:
    """Plants standing on a few days, and why the others were lost."""
    lost = result.losses.set_index("variety")
    steps = result.curve.sort_values("date")
    days = _spread(sorted(steps["date"].unique()))
    rows = []
    for variety in lost.index:
        own = steps[steps["variety"] == variety]
        cells = [_standing(own, day) for day in days]
        why = result.reasons[result.reasons["variety"] == variety]
        reasons = "; ".join(f"{r.reason} {r.plants}" for r in why.itertuples(index=False))
        rows.append([str(variety), *cells, f"{lost.loc[variety, 'lost']} of "
                     f"{lost.loc[variety, 'planted']}", reasons or wording.NONE])
    heads = ["Variety", *map(wording.short_day, days), "Lost", "Why"]
    return [limited("Plants standing on some days, %", heads, rows)]


def _standing(steps: pd.DataFrame, day: Any) -> str:
    before = steps[steps["date"] <= day]
    if before.empty:
        return wording.NONE
    row: Any = before.iloc[-1]
    shown = Measure("%")
    if row["low"] == row["high"]:
        return shown.number(row["estimate"])
    return shown.estimate(row["estimate"], row["low"], row["high"])


def warmth_lines(
    warmth: Warmth | None, hot: Sequence[tuple[Any, Any]], about: Trial
) -> list[str]:
    """Degree days so far, and the hot spells; nothing without weather."""
    if warmth is None:
        return []
    known = warmth.days.dropna(subset=["total"])
    lines = [warmth.plain]
    if len(known):
        last: Any = known.iloc[-1]
        total = float(last["total"])
        by = f" ({wording.whole(total * 1.8)} in degrees Fahrenheit)" if about.height_unit in (
            "ft", "in") else ""
        lines.insert(0, f"{wording.whole(total)} degree days{by} from planting to "
                        f"{wording.short_day(last['date'])}.")
    gaps = [f"{wording.counted(n, 'day')} {said}" for n, said in (
        (warmth.bridged, "without a reading bridged by a straight line"),
        (warmth.missing, "left without a value")) if n]
    lines += [f"{wording.capital('; '.join(gaps))}."] if gaps else []
    spells = "; ".join(wording.days(a, b) for a, b in hot)
    lines.append(f"Hot spells: {spells}." if spells else "There was no hot spell.")
    return lines


def _spread(days: Sequence[Any], most: int = DATES) -> list[Any]:
    """A few of the days, the first and the last among them."""
    if len(days) <= most:
        return list(days)
    return [days[round(i * (len(days) - 1) / (most - 1))] for i in range(most)]
