"""Tables of what was picked: season, window, rate, weights; for the folded part of the report."""

from __future__ import annotations

from typing import Any

from trialkit import wording
from trialkit.models.rate import RateResult
from trialkit.models.season import SeasonResult
from trialkit.models.weights import WeightsResult
from trialkit.models.window import RECORDS, THRESHOLD, WindowResult
from trialkit.report.blocks import Block
from trialkit.report.found import limited, means_table
from trialkit.report.measures import Measure, measure, percent, row_of
from trialkit.trial import Trial


def season_tables(result: SeasonResult, about: Trial) -> list[Block]:
    """Of a length of row as planted, losses and their chance counted."""
    metres, row = row_of(about)
    per, planted = result.metre, f"a {row}"
    if per.empty or per["estimate"].isna().all():
        per, planted, metres = result.per_planted, "a plant set out", 1.0
    lost = result.losses.set_index("variety")
    one = Measure(f"{result.unit.removesuffix(' a plant')} {planted}", 1.0 / metres)
    caption = (f"{wording.capital(one.unit)}, season so far: as planted, places of lost plants and "
               "the chance of losses counted")
    return [means_table(
        caption, per, one, result.metre_ratio, "ratio",
        more=[("Lost", lambda row: f"{lost.loc[row.variety, 'lost']} of "
                                   f"{lost.loc[row.variety, 'planted']}"),
              ("Plant-days lived", lambda row: percent(*lost.loc[
                  row.variety, ["lived", "lived_low", "lived_high"]]))],
    )]


def window_tables(result: WindowResult, about: Trial) -> list[Block]:
    """From the first pick to what ended it."""
    rows = [
        (
            str(row.variety), wording.short_day(row.start),
            dated(row.end, row.end_low, row.end_high), window_days(row), ended(row),
        )
        for row in result.window.sort_values("days", ascending=False, kind="stable")
        .itertuples(index=False)
    ]
    heads = ("Variety", "First pick", "Last day", "Days", "Ended by")
    return [limited("Picking season", heads, rows)] if rows else []


def window_days(row: Any) -> str:
    """`22 days (20 to 25)` of a row of `WindowResult.window`."""
    known = not (wording.missing(row.days_low) or wording.missing(row.days_high))
    low, high = (wording.whole(row.days_low), wording.whole(row.days_high)) if known else ("", "")
    span = f" ({low} to {high})" if low != high else ""
    return f"{wording.counted(int(round(row.days)), 'day')}{span}"


def ended(row: Any) -> str:
    """What ended a window, in a word or two."""
    if row.ended_by == THRESHOLD:
        return "too few to be worth picking"
    return "not yet ended" if row.ended_by == RECORDS else str(row.ended_by)


def dated(day: Any, low: Any, high: Any) -> str:
    """`3 Aug (1 Aug to 6 Aug)`."""
    if wording.missing(low) or wording.missing(high) or low == high:
        return wording.short_day(day)
    return f"{wording.short_day(day)} ({wording.days(low, high)})"


def rate_tables(result: RateResult, about: Trial) -> list[Block]:
    """The slump of every variety after every hot spell."""
    if result.slumps.empty:
        return []
    rows = [
        (
            str(row.variety),
            wording.days(row.hot_from, row.hot_to),
            wording.number(row.before),
            f"{wording.number(row.lowest)} on "
            f"{dated(row.lowest_on, row.lowest_low, row.lowest_high)}",
            percent(row.depth, row.depth_low, row.depth_high),
            _recovery(row),
        )
        for row in result.slumps.itertuples(index=False)
    ]
    heads = ("Variety", "Hot spell", "Rate before", "Lowest", "Share lost", "Recovery")
    return [limited(f"Slump after heat, {result.unit}", heads, rows)]


def _recovery(row: Any) -> str:
    said = str(row.recovery).removeprefix("which ")
    span = wording.days(row.recovered_low, row.recovered_high)
    return f"{said} ({span})" if span and not wording.missing(row.recovered_on) else said


def weights_tables(result: WeightsResult, about: Trial) -> list[Block]:
    """Of one pod."""
    if result.each.empty:
        return []
    each = measure("g", about, result.each["estimate"].max())
    one = about.counted.removesuffix("s") if about.counted.endswith("s") else about.counted
    rows = [(str(r.variety), each.estimate(r.estimate, r.low, r.high))
            for r in result.each.itertuples(index=False)]
    caption = (f"Weight of one {one}, {each.unit}; "
               f"{wording.counted(len(result.weighed), 'pick')} weighed")
    return [limited(caption, ("Variety", "Estimate"), rows)]
