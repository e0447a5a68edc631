"""What each trait shows: its tables under how it was worked out, and its sentences.

| trait     | tables                                                 | sentences                 |
| --------- | ------------------------------------------------------ | ------------------------- |
| height    | on some days, fastest growth; treatments, reach        | treatments                |
| season    | of a length of row as planted, losses counted          |                           |
| window    | first pick, last day, days, what ended it              |                           |
| rate      | slumps after heat                                      | warmth and hot spells     |
| weights   | of one piece                                           |                           |
| stand     | standing on some days, why others were lost            | losses                    |
| harvest   | length of row, tests, treatments, grades, ready, place | grades, treatments, ready |
| one's own | every variety under every treatment                    | treatments                |
| position  | slope of the bed, edge and shade                       | what each place does      |

Beside them stands what a harvest is worth, where trial.toml has a price.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import nan

import pandas as pd

from trialkit import wording
from trialkit.models.grading import GradeResult
from trialkit.models.harvest import HarvestResult
from trialkit.models.height import HeightResult
from trialkit.models.own import OwnResult
from trialkit.models.picked import WeightsResult
from trialkit.models.position import ACROSS, ALONG, PlaceEffects, PositionResult
from trialkit.models.rate import RateResult, Warmth
from trialkit.models.results import Missing, TraitResult
from trialkit.models.season_yield import SeasonResult, Worth
from trialkit.models.stand import StandResult
from trialkit.models.support import Combinations
from trialkit.models.window import RECORDS, THRESHOLD, WindowResult
from trialkit.plots import Estimate, Spell, TypedRow, between_readings
from trialkit.report.blocks import Block, tabled, titled
from trialkit.report.measures import (
    WIDEST,
    Measure,
    height,
    joined,
    limited,
    means_table,
    measure,
    percent,
    ratio,
    row_of,
)
from trialkit.trial import Trial


def tables_of(result: TraitResult, about: Trial) -> list[Block]:
    """What a trait shows beyond its means, under how it was worked out."""
    match result:
        case WindowResult():
            return window_tables(result, about)
        case SeasonResult():
            return season_tables(result, about)
        case HeightResult():
            return height_tables(result, about)
        case RateResult():
            return rate_tables(result, about)
        case StandResult():
            return stand_tables(result, about)
        case PositionResult():
            return position_tables(result, about)
        case HarvestResult():
            return harvest_tables(result, about)
        case WeightsResult():
            return weights_tables(result, about)
    return []


# ------------------------------------------------------------------------------------------------
# Height: on some days, when it grew fastest, and under treatments.
# ------------------------------------------------------------------------------------------------

DATES = 4
"""Dates shown of a curve: as many columns as a phone takes with a push."""


@dataclass(frozen=True)
class _Curve(Estimate):
    """A variety on a day."""

    date: pd.Timestamp


@dataclass(frozen=True)
class _Treatment(TypedRow):
    """Over all varieties."""

    treatment: str
    estimate: float
    low: float
    high: float


@dataclass(frozen=True)
class _Gap(TypedRow):
    """One treatment, or variety, beside another."""

    left: str
    right: str
    estimate: float
    low: float
    high: float
    df: float


@dataclass(frozen=True)
class _Reach(TypedRow):
    """When a variety passed reach under a treatment; NaT: not yet."""

    variety: str
    treatment: str
    date: pd.Timestamp
    low: pd.Timestamp
    high: pd.Timestamp


def height_tables(result: HeightResult, about: Trial) -> list[Block]:
    """Height on a few days, fastest growth; and treatments given by lot."""
    shown = measure("cm", about)
    tables = [_on_dates(result, shown)]
    if len(result.treatments):
        tables += _treated(result, shown)
    return [table for table in tables if table.html]


def _on_dates(result: HeightResult, shown: Measure) -> Block:
    days = _spread(sorted(result.seen["date"].unique()))
    if not days or result.curve.empty:
        return Block("", "")
    curve = between_readings(result.curve, result.seen)
    at = {(row.variety, row.date): row for row in _Curve.of(curve[curve["date"].isin(days)])}
    growth = between_readings(result.growth, result.seen).dropna(subset=["estimate"])
    fastest = growth.loc[growth.groupby("variety")["estimate"].idxmax()]
    quickest = _Curve.by_variety(fastest.assign(low=nan, high=nan))
    rows = []
    for variety in result.means.sort_values("estimate", ascending=False)["variety"]:
        cells = [shown.estimate(at[variety, d].estimate, at[variety, d].low, at[variety, d].high)
                 if (variety, d) in at else wording.NONE for d in days]
        quick = quickest.get(variety)
        cells.append(wording.NONE if quick is None else
                     f"{shown.number(quick.estimate)} about {wording.short_day(quick.date)}")
        rows.append([str(variety), *cells])
    heads = ["Variety", *map(wording.short_day, days), "Fastest, a week"]
    return limited(f"Height on some days, {shown.unit}", heads, rows)


def _treated(result: HeightResult, shown: Measure) -> list[Block]:
    """The treatments over all varieties, their differences, and reach under each."""
    last = wording.short_day(result.curve["date"].max())
    rows = [(r.treatment, shown.estimate(r.estimate, r.low, r.high))
            for r in _Treatment.of(result.treatments)]
    caption = f"Height by treatment on {last}, over all varieties, {shown.unit}"
    tables = [limited(caption, ("Treatment", "Height"), rows)]
    pairs = [(f"{r.left} less {r.right}", shown.estimate(r.estimate, r.low, r.high),
              wording.degrees(r.df)) for r in _Gap.of(result.treatment_pairs)]
    if pairs:
        heads = ("Treatments", "Difference", "Degrees of freedom")
        tables.append(limited(f"Differences between treatments, {shown.unit}", heads, pairs))
    tables.append(_reached(result.treated_reach))
    if len(result.tests):
        tables.append(tests_table(result.tests, "Is there any difference in height at all?"))
    return tables


def _reached(frame: pd.DataFrame) -> Block:
    """Each variety under each treatment; over the treatments the varieties' cards say it."""
    if frame.empty:
        return Block("", "")
    rows = []
    for row in _Reach.of(frame):
        span = wording.days(row.low, row.high)
        said = "still within reach" if wording.missing(row.date) else wording.short_day(row.date)
        rows.append((row.variety, row.treatment, f"{said} ({span})" if span else said))
    return limited("Day out of reach", ("Variety", "Treatment", "Out of reach"), rows)


def treatment_lines(result: HeightResult, about: Trial) -> list[str]:
    """How tall each treatment was in the end, and the difference, in two sentences."""
    if result.treatments.empty:
        return []
    last = wording.short_day(result.curve["date"].max())
    levels = wording.listed([f"{r.treatment} {_height(r.estimate, r.low, r.high, about)}"
                           for r in _Treatment.of(result.treatments)])
    lines = [f"By treatment, over all varieties, on {last}: {levels}."]
    if len(result.treatment_pairs) == 1:
        gap = _Gap.of(result.treatment_pairs)[0]
        first, other, size, low, high = gap.left, gap.right, gap.estimate, gap.low, gap.high
        if size < 0:
            first, other, size, low, high = other, first, -size, -high, -low
        lines.append(f"{first}: {_height(size, low, high, about)} more than {other}.")
    return [wording.capital(line) for line in lines]


def _height(value: float, low: float, high: float, about: Trial) -> str:
    """`183 cm (176 to 190)`, `6'0" (5'9" to 6'3")`."""
    shown = measure("cm", about)
    span = shown.span(low, high)
    return height(value, about.height_unit) + (f" ({span})" if span else "")


def _spread(days: Sequence[pd.Timestamp], most: int = DATES) -> list[pd.Timestamp]:
    """A few of the days, the first and the last among them."""
    if len(days) <= most:
        return list(days)
    return [days[round(i * (len(days) - 1) / (most - 1))] for i in range(most)]


# ------------------------------------------------------------------------------------------------
# What was picked: season, picking season, rate and heat, weights.
# ------------------------------------------------------------------------------------------------


def season_tables(result: SeasonResult, about: Trial) -> list[Block]:
    """Of a length of row as planted, losses and their chance counted."""
    metres, row = row_of(about)
    per, planted = result.metre, f"a {row}"
    if per.empty or per["estimate"].isna().all():
        per, planted, metres = result.per_planted, "a plant set out", 1.0
    lost = result.losses.set_index("variety")
    shown = Measure(f"{result.unit.removesuffix(' a plant')} {planted}", 1.0 / metres)
    caption = (f"{wording.capital(shown.unit)}, season so far: as planted, places of lost plants "
               "and the chance of losses counted")
    return [means_table(
        caption, per, shown, result.metre_ratio, "ratio",
        more=[("Lost", lambda row: f"{lost.loc[row.variety, 'lost']} of "
                                   f"{lost.loc[row.variety, 'planted']}"),
              ("Plant-days lived", lambda row: percent(*lost.loc[
                  row.variety, ["alive", "alive_low", "alive_high"]]))],
    )]


@dataclass(frozen=True)
class PickingSeason(TypedRow):
    """From the first pick to what ended it."""

    variety: str
    start: pd.Timestamp
    end: pd.Timestamp
    end_low: pd.Timestamp
    end_high: pd.Timestamp
    days: float
    days_low: float
    days_high: float
    ended_by: str


def window_tables(result: WindowResult, about: Trial) -> list[Block]:
    """From the first pick to what ended it."""
    rows = [
        (
            row.variety, wording.short_day(row.start),
            dated(row.end, row.end_low, row.end_high), window_days(row), ended(row),
        )
        for row in PickingSeason.of(
            result.window.sort_values("days", ascending=False, kind="stable"))
    ]
    heads = ("Variety", "First pick", "Last day", "Days", "Ended by")
    return [limited("Picking season", heads, rows)] if rows else []


def window_days(row: PickingSeason) -> str:
    """`22 days (20 to 25)`; `none (out of reach)`."""
    if round(row.days) == 0:
        return f"none ({ended(row)})"
    known = not (wording.missing(row.days_low) or wording.missing(row.days_high))
    low, high = (wording.whole(row.days_low), wording.whole(row.days_high)) if known else ("", "")
    span = f" ({low} to {high})" if low != high else ""
    return f"{wording.counted(int(round(row.days)), 'day')}{span}"


def ended(row: PickingSeason) -> str:
    """What ended a window, in a word or two."""
    if row.ended_by == THRESHOLD:
        return "too few to be worth picking"
    return "not yet ended" if row.ended_by == RECORDS else row.ended_by


def dated(day: pd.Timestamp, low: pd.Timestamp, high: pd.Timestamp) -> str:
    """`3 Aug (1 Aug to 6 Aug)`."""
    if wording.missing(low) or wording.missing(high) or low == high:
        return wording.short_day(day)
    return f"{wording.short_day(day)} ({wording.days(low, high)})"


@dataclass(frozen=True)
class _Slump(TypedRow):
    """What a hot spell did to a variety: rates a week, days, the share lost."""

    variety: str
    hot_from: pd.Timestamp
    hot_to: pd.Timestamp
    before: float
    lowest: float
    lowest_on: pd.Timestamp
    lowest_low: pd.Timestamp
    lowest_high: pd.Timestamp
    depth: float
    depth_low: float
    depth_high: float
    recovery: str
    recovered_on: pd.Timestamp
    recovered_low: pd.Timestamp
    recovered_high: pd.Timestamp


def rate_tables(result: RateResult, about: Trial) -> list[Block]:
    """The slump of every variety after every hot spell."""
    if result.slumps.empty:
        return []
    rows = [
        (
            row.variety,
            wording.days(row.hot_from, row.hot_to),
            wording.number(row.before),
            f"{wording.number(row.lowest)} on "
            f"{dated(row.lowest_on, row.lowest_low, row.lowest_high)}",
            percent(row.depth, row.depth_low, row.depth_high),
            _recovery(row),
        )
        for row in _Slump.of(result.slumps)
    ]
    heads = ("Variety", "Hot spell", "Rate before", "Lowest", "Share lost", "Recovery")
    return [limited(f"Slump after heat, {result.unit}", heads, rows)]


def _recovery(row: _Slump) -> str:
    said = row.recovery.removeprefix("which ")
    span = wording.days(row.recovered_low, row.recovered_high)
    return f"{said} ({span})" if span and not wording.missing(row.recovered_on) else said


def warmth_lines(
    warmth: Warmth | None, hot: Sequence[Spell], about: Trial
) -> list[str]:
    """Degree days so far, and the hot spells; nothing without weather."""
    if warmth is None:
        return []
    known = warmth.days.dropna(subset=["total"])
    lines = [warmth.plain]
    if len(known):
        total, newest = float(known["total"].iloc[-1]), known["date"].iloc[-1]
        by = f" ({wording.whole(total * 1.8)} in degrees Fahrenheit)" if about.height_unit in (
            "ft", "in") else ""
        lines.insert(0, f"{wording.whole(total)} degree days{by} from planting to "
                        f"{wording.short_day(newest)}.")
    gaps = [f"{wording.counted(n, 'day')} {said}" for n, said in (
        (warmth.bridged, "without a reading bridged by a straight line"),
        (warmth.missing, "left without a value")) if n]
    lines += [f"{wording.capital('; '.join(gaps))}."] if gaps else []
    spells = "; ".join(wording.days(a, b) for a, b in hot)
    lines.append(f"Hot spells: {spells}." if spells else "There was no hot spell.")
    return lines


def weights_tables(result: WeightsResult, about: Trial) -> list[Block]:
    """Of one pod."""
    if result.each.empty:
        return []
    each = measure("g", about, result.each["estimate"].max())
    piece = about.counted.removesuffix("s") if about.counted.endswith("s") else about.counted
    rows = [(r.variety, each.estimate(r.estimate, r.low, r.high))
            for r in Estimate.of(result.each)]
    caption = (f"Weight of one {piece}, {each.unit}; "
               f"{wording.counted(len(result.weighed), 'pick')} weighed")
    return [limited(caption, ("Variety", "Estimate"), rows)]


# ------------------------------------------------------------------------------------------------
# Plants standing: how many were lost, and why.
# ------------------------------------------------------------------------------------------------


def stand_lines(result: StandResult) -> list[str]:
    """How many were lost, and whether varieties differ in that; nothing where none was."""
    lost, planted = int(result.losses["lost"].sum()), int(result.losses["planted"].sum())
    if not lost:
        return []
    why = result.reasons.groupby("reason", sort=False)["plants"].sum()
    reasons = "; ".join(f"{'no reason written down' if reason == 'not recorded' else reason}"
                        + (f" {n}" if len(why) > 1 else "") for reason, n in why.items())
    first = f"{wording.counted(lost, 'plant')} of {planted:,d} lost ({reasons})."
    if not result.supported:
        return [f"{first} Losses are not compared: {result.why_not}."]
    clear = result.pairs[result.pairs["p"] < 0.05]
    if clear.empty:
        return [f"{first} The differences between varieties could be luck."]
    said = [f"{a} kept more than {b}" if size > 0 else f"{b} kept more than {a}"
            for a, b, size in clear[["left", "right", "estimate"]].itertuples(index=False)]
    shown = said[:3] + ([f"so in {len(said) - 3} more pairs"] if len(said) > 3 else [])
    return [f"{first} More than luck: {'; '.join(shown)}."]


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
        reasons = "; ".join(f"{reason} {plants}" for reason, plants in
                            zip(why["reason"], why["plants"], strict=True))
        rows.append([str(variety), *cells, f"{lost.loc[variety, 'lost']} of "
                     f"{lost.loc[variety, 'planted']}", reasons or wording.NONE])
    heads = ["Variety", *map(wording.short_day, days), "Lost", "Why"]
    return [limited("Plants standing on some days, %", heads, rows)]


def _standing(steps: pd.DataFrame, day: pd.Timestamp) -> str:
    before = steps[steps["date"] <= day]
    if before.empty:
        return wording.NONE
    newest = Estimate.of(before.tail(1))[0]
    shown = Measure("%")
    if newest.low == newest.high:
        return shown.number(newest.estimate)
    return shown.estimate(newest.estimate, newest.low, newest.high)


# ------------------------------------------------------------------------------------------------
# A crop dug or cut once: a length of row, grades, readiness.
# ------------------------------------------------------------------------------------------------


def harvest_tables(result: HarvestResult, about: Trial) -> list[Block]:
    """Everything a single harvest gives beyond the means."""
    tables = [_metre(result, about)]
    if not result.tests.empty:
        tables.append(tests_table(result.tests, "Is there any difference at all?"))
    shown = measure(result.unit, about)
    if not result.treatments.empty:
        rows = [(r.treatment, shown.estimate(r.estimate, r.low, r.high, 3))
                for r in _Treatment.of(result.treatments)]
        caption = f"Treatments, {shown.unit}, over all varieties"
        tables.append(limited(caption, ("Treatment", "Mean"), rows))
    if result.grading is not None:
        tables += [shares_table(result.grading), _odds(result.grading)]
    tables += [_ready(result), *places_tables(result.places, about)]
    return [table for table in tables if table.html]


def _metre(result: HarvestResult, about: Trial) -> Block:
    if result.metre.empty:
        return Block("", "")
    metres, row = row_of(about)
    plain = measure(result.unit, about)
    shown = Measure(f"{plain.unit} a {row}", plain.scale / metres)
    share = result.metre.set_index("variety")["share"]
    return means_table(
        f"{wording.capital(result.label)}, {shown.unit}, as planted", result.metre, shown,
        result.against_check.head(0), "difference",
        more=[("Plants that gave something", lambda r: percent(share[r.variety]))],
    )


@dataclass(frozen=True)
class _Grade(TypedRow):
    """A variety's share of a grade, and the pieces in it."""

    variety: str
    grade: str
    count: float
    share: float
    low: float
    high: float


def shares_table(grading: GradeResult) -> Block:
    """Every variety's share of each grade."""
    shares = grading.shares.dropna(subset=["share"])
    if shares.empty:
        return Block("", "")
    grades = list(dict.fromkeys(shares["grade"]))
    at = {(r.variety, r.grade): r for r in _Grade.of(shares)}
    rows = []
    for variety in dict.fromkeys(shares["variety"]):
        own = [at.get((variety, grade)) for grade in grades]
        pieces = sum(r.count for r in own if r is not None)
        rows.append([str(variety), *(
            wording.NONE if r is None else percent(r.share, r.low, r.high) for r in own),
            wording.whole(pieces)])
    return limited("Share of the pieces in each grade", ["Variety", *grades, "Pieces"], rows)


@dataclass(frozen=True)
class _Better(TypedRow):
    """The chance that a piece of one variety is better than one of the other's."""

    variety: str
    against: str
    chance: float


def grade_lines(grading: GradeResult) -> list[str]:
    """Which variety's pieces come out better, in sentences; or why that is not said."""
    if not grading.supported:
        return [f"Grades are shown as counted: {grading.why_not}."]
    lines = []
    for pair in _Better.of(grading.chance_better):
        odds = grading.against_check
        odds = odds[(odds["variety"] == pair.variety) & (odds["check"] == pair.against)]
        firm = len(odds) > 0 and (odds["low"].iloc[0] > 1 or odds["high"].iloc[0] < 1)
        said = "" if odds.empty else ", firmly" if firm else ": too close to call"
        lines.append(
            f"Take a piece of {pair.variety} and one of {pair.against}: {pair.variety}'s is the "
            f"better in {100 * pair.chance:.0f} of 100 pairs{said}.")
    if not lines and not wording.missing(grading.p):
        lines.append(f"Grades by variety: {_more_than_luck(grading.p)}".replace(": The", ": the"))
    return lines + [f"{wording.capital(note)}." for note in grading.notes]


def _odds(grading: GradeResult) -> Block:
    """Odds of a better grade, of all pairs."""
    pairs = grading.against_check if len(grading.against_check) else grading.pairs
    if pairs.empty:
        return Block("", "")
    named_alike = pairs.rename(columns=dict(zip(pairs.columns[:2], ("left", "right"), strict=True)))
    rows = [(f"{r.left} against {r.right}", ratio(r.estimate, r.low, r.high),
             wording.degrees(r.df), wording.chance(p))
            for r, p in zip(_Gap.of(named_alike), pairs["p"], strict=True)]
    caption = "Odds of a better grade; in brackets intervals that hold all together, 95 %."
    return tabled(caption, ("Varieties", "Odds", "Degrees of freedom", "p"), rows)


@dataclass(frozen=True)
class _Ready(TypedRow):
    """When a variety was ready, the mean day of its plots, the share ready by the last harvest."""

    variety: str
    day: float
    date: pd.Timestamp
    mean: float
    low: float
    high: float
    share: float


def _ready(result: HarvestResult) -> Block:
    ready = result.ready
    if ready is None or ready.table.empty:
        return Block("", "")
    days = Measure("days")
    against = Estimate.by_variety(ready.against_check)
    rows = []
    for row in _Ready.of(ready.table):
        cells = [row.variety,
                 "not yet" if wording.missing(row.day) else
                 f"day {row.day:.0f}, {wording.short_day(row.date)}",
                 days.estimate(row.mean, row.low, row.high), percent(row.share)]
        if against:
            later = against.get(row.variety)
            cells.append("the check" if later is None else
                         days.estimate(later.estimate, later.low, later.high))
        rows.append(cells)
    heads = ["Variety", "Ready", "Mean of its plots, days", "Ready by the last harvest"]
    heads += ["Days later than the check"] if against else []
    if ready.table["mean"].isna().all():
        heads.pop(2)
        for cells in rows:
            cells.pop(2)
    return limited(f"Ready when {ready.rule}, days from planting", heads, rows)


@dataclass(frozen=True)
class _Later(Estimate):
    """Days later than the check."""

    check: str


def ready_lines(result: HarvestResult) -> list[str]:
    """When each variety was ready, and how much later than the check."""
    ready = result.ready
    if ready is None:
        return []
    lines = [str(line) for line in ready.table["words"]]
    for row in _Later.of(ready.against_check):
        days = Measure("days")
        word = "later" if row.estimate >= 0 else "sooner"
        size, low, high = row.estimate, row.low, row.high
        if row.estimate < 0:
            size, low, high = -size, -high, -low
        unit = "day" if days.number(size) == "1.0" else "days"
        span = days.span(low, high)
        lines.append(f"{row.variety} was ready {days.number(size)} {unit} {word} than {row.check}"
                     + (f" ({span})." if span else "."))
    return lines


# ------------------------------------------------------------------------------------------------
# Treatments of a harvest or of a trait of one's own: over all varieties, and whether varieties
# answer differently.
# ------------------------------------------------------------------------------------------------


def treatment_line(result: HarvestResult, about: Trial) -> list[str]:
    """What each treatment gave over all varieties, and whether they differ."""
    if result.treatments.empty:
        return []
    shown = measure(result.unit, about)
    said = wording.listed([f"{r.treatment} {shown.estimate(r.estimate, r.low, r.high)}"
                         for r in _Treatment.of(result.treatments)])
    test = result.tests[result.tests["term"] == "treatment"]
    luck = f" {_more_than_luck(test['p'].iloc[0])}" if len(test) else ""
    return [f"Treatments over all varieties, {shown.unit}: {said}.{luck}",
            *answer_lines(result.combined, shown)]


def own_treatment_lines(result: OwnResult) -> list[str]:
    """The same of a trait of the gardener's own."""
    both, shown = result.combined, Measure(result.unit)
    if both.over.empty:
        return []
    said = wording.listed([f"{r.treatment} {shown.estimate(r.estimate, r.low, r.high)}"
                           for r in _Treatment.of(both.over)])
    luck = "" if wording.missing(both.p("treatment")) else (
        f" {_more_than_luck(both.p('treatment'))}")
    return [f"{wording.capital(wording.with_unit(result.label, result.unit))}, treatments over all "
            f"varieties: {said}.{luck}", *answer_lines(both, shown, result.kind)]


ANSWERS_TOLD = 4
"""Varieties whose own answer to two treatments is told in a sentence; the table has them all."""

MORE_OR_LESS = {
    "score": ("scored higher", "scored lower"),
    "yes or no": ("more often", "less often"),
    "share": ("a larger share", "a smaller share"),
}
"""Of a trait compared by its odds, by its kind: what is said where it is clear. The odds
themselves, which are no measure that a gardener knows, are in the method."""


def _which_way(odds: Estimate, kind: str) -> str:
    more, less = MORE_OR_LESS[kind]
    if odds.low > 1 or odds.high < 1:
        return more if odds.estimate > 1 else less
    return "too close to call"


def answer_lines(both: Combinations, shown: Measure, kind: str = "") -> list[str]:
    """Whether varieties answer differently to the treatments, and how, in plain words.

    kind : of a trait of the gardener's own.
    """
    p = both.p("variety:treatment")
    if wording.missing(p):
        return []
    if not p < 0.05:
        return ["This trial can't show that varieties answer differently to the treatments; "
                "compare them over all treatments."]
    first = "Varieties answer differently to the treatments"
    if both.over["treatment"].nunique() > 2 or len(both.answers) > ANSWERS_TOLD:
        top = both.cells.loc[both.cells.groupby("treatment", sort=False)["estimate"].idxmax()]
        highest = "; ".join(f"under {r.treatment}, {r.variety}" for r in _Combination.of(top))
        return [f"{first}: compare them under one treatment at a time. Highest {highest}."]
    told = []
    for row in Estimate.of(both.answers):
        if both.scale == "difference":
            size = f"{shown.estimate(row.estimate, row.low, row.high)} {shown.unit}"
        elif both.scale == "odds":
            size = _which_way(row, kind)
        else:
            size = ratio(row.estimate, row.low, row.high)
        told.append(f"{row.variety} {size}")
    word = {"difference": "less", "odds": "beside"}.get(both.scale, "over")
    pair = f"{both.answers['left'].iloc[0]} {word} {both.answers['right'].iloc[0]}"
    return [f"{first}. {wording.capital(pair)}: {'; '.join(told)}."]


WIDEST_TABLE = 4
"""Treatments that stand side by side in a table; more are put one below another."""


@dataclass(frozen=True)
class _Combination(Estimate):
    """A variety under a treatment."""

    treatment: str


def combination_tables(both: Combinations, shown: Measure, tests: bool) -> list[Block]:
    """Every variety under every treatment; tests: with whether treatments matter at all."""
    if both.cells.empty:
        return []
    levels = list(dict.fromkeys(both.cells["treatment"]))
    varieties = list(dict.fromkeys(both.cells["variety"]))
    at = {(r.variety, r.treatment): r for r in _Combination.of(both.cells)}

    def cell(variety: str, level: str) -> str:
        row = at[variety, level]
        return shown.estimate(row.estimate, row.low, row.high, 3)

    caption = f"Every variety under every treatment{f', {shown.unit}' if shown.unit else ''}"
    if len(levels) <= WIDEST_TABLE:
        table = limited(caption, ("Variety", *levels),
                        [(v, *(cell(v, level) for level in levels)) for v in varieties])
    else:
        table = limited(caption, ("Variety", "Treatment", "Mean"),
                        [(v, level, cell(v, level)) for v in varieties for level in levels])
    asked = [tests_table(both.tests, "Do treatments matter?")] if tests else []
    return [block for block in (table, *asked) if block.html]


@dataclass(frozen=True)
class _Term(TypedRow):
    """An F test."""

    term: str
    F: float
    num_df: float
    den_df: float
    p: float


def tests_table(tests: pd.DataFrame, caption: str) -> Block:
    """F tests of the terms of a model; those that could not be made are left out."""
    rows = [
        (r.term, wording.number(r.F, 3), f"{wording.degrees(r.num_df)} and "
         f"{wording.degrees(r.den_df)}", wording.chance(r.p))
        for r in _Term.of(tests.dropna(subset=["F", "p"]))
    ]
    heads = ("Term", "F", "Degrees of freedom", "p")
    return tabled(caption, heads, rows) if rows else Block("", "")


def _more_than_luck(p: float) -> str:
    """A test's outcome in the open part; the figure itself is in the folded one."""
    return ("The differences are more than luck would give." if p < 0.05
            else "The differences could be luck.")


# ------------------------------------------------------------------------------------------------
# What a harvest is worth, in the money of trial.toml.
# ------------------------------------------------------------------------------------------------

WORTH_TITLE = "What a harvest is worth"

TOO_WIDE = "too early to give a range"

CENTS = 3
"""Figures of money shown."""


@dataclass(frozen=True)
class _Money(TypedRow):
    """What a variety is worth, and its seed."""

    variety: str
    gross: float
    low: float
    high: float
    seed: float
    net: float
    net_low: float
    net_high: float


def worth_block(
    worth: Worth | Missing | None, about: Trial, names: Iterable[str]
) -> Block:
    """Money a length of row with its interval, less the seed where its cost is given; why not,
    where it cannot be said; nothing without a price."""
    if worth is None:
        return Block("", "")
    names = list(names)
    if isinstance(worth, Missing):
        return titled(WORTH_TITLE, [f"Not worked out: {worth.reason}."], names)
    metres, row = row_of(about) if worth.metres else (1.0, "plant set out")
    seeds = bool(worth.table["seed"].notna().any())
    shown = Measure("", 1.0 / metres)
    whole = bool(worth.table["seed"].notna().all())
    by = worth.table.sort_values("net" if whole else "gross", ascending=False, kind="stable")
    rows = [[r.variety, *_money(r, shown, seeds)] for r in _Money.of(by)]
    heads = ["Variety", "Gross return",
             *(("Seed", "Return above seed") if seeds else ())]
    currency = about.price.currency if about.price else ""
    caption = f"Worth a {row}{f', {currency}' if currency else ''}, as planted"
    return joined([titled(WORTH_TITLE, _worth_lines(worth, about, row), names),
                   limited(caption, heads, rows)])


def _money(row: _Money, shown: Measure, seeds: bool) -> list[str]:
    if 0 < row.low < row.high / WIDEST:
        return [TOO_WIDE, *([wording.NONE] * 2 if seeds else [])]
    gross = shown.estimate(row.gross, row.low, row.high, CENTS)
    if not seeds:
        return [gross]
    if wording.missing(row.seed):
        return [gross, "not given", wording.NONE]
    return [gross, shown.number(row.seed),
            shown.estimate(row.net, row.net_low, row.net_high, CENTS)]


def _worth_lines(worth: Worth, about: Trial, row: str) -> list[str]:
    """What was priced, what was taken off, and what the ranges do not hold."""
    sold = about.price.text if about.price else ""
    seeds = worth.table.set_index("variety")["seed"]
    lines = [f"At {sold}, a {row} as planted.", *worth.basis]
    if seeds.notna().any():
        lines.append("Seed: its cost a plant set out, times the plants in that length of row."
                     if worth.metres else "Seed: its cost a plant set out.")
        without = [str(v) for v in seeds.index[seeds.isna()]]
        if without:
            lines.append(f"No seed cost is given for {wording.listed(without)}.")
    lines.append("One price is used for all varieties, and labour, water and the like are not "
                 "taken off. Each range is one variety's own and does not compare varieties; the "
                 "yields do.")
    if worth.left_out:
        names = wording.listed(list(worth.left_out))
        lines.append(f"No range can be given for {names}, so no figure is shown.")
    return lines


# ------------------------------------------------------------------------------------------------
# The place in the bed: slope, edge and shade, answers with and without it.
# ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Placed(TypedRow):
    """A variety against the check as it stands, and with the place allowed for."""

    variety: str
    unadjusted: float
    unadjusted_low: float
    unadjusted_high: float
    adjusted: float
    adjusted_low: float
    adjusted_high: float


@dataclass(frozen=True)
class _Place(TypedRow):
    """What a place in the bed does to the plots."""

    place: str
    words: str
    estimate: float
    low: float
    high: float
    p: float
    df: float
    note: str


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
            [(r.variety, ratio(above.get(r.variety), None, None),
              ratio(r.adjusted, r.adjusted_low, r.adjusted_high))
             for r in _Placed.of(result.side_by_side)],
        ) if len(result.side_by_side) else Block("", "")
    return limited(
        "Ratio to the check as counted, and with the slope along and across the bed allowed for",
        ("Variety", "As counted", "Slope allowed for"),
        [(r.variety, ratio(r.unadjusted, r.unadjusted_low, r.unadjusted_high),
          ratio(r.adjusted, r.adjusted_low, r.adjusted_high))
         for r in _Placed.of(result.side_by_side)],
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
        rows = [(named(r.place), _value(places, shown, r.estimate, r.low, r.high),
                 wording.chance(r.p), wording.degrees(r.df)) for r in _Place.of(known)]
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
    adjusted = [{r.variety: r for r in _Placed.of(own)} for _, own in sides]
    rows = []
    for r in _Placed.of(first):
        cells = [_value(places, shown, r.unadjusted, r.unadjusted_low, r.unadjusted_high)]
        for own in adjusted:
            row = own[r.variety]
            cells.append(
                _value(places, shown, row.adjusted, row.adjusted_low, row.adjusted_high))
        rows.append([r.variety, *cells])
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
    for row in _Place.of(places.effects):
        if wording.missing(row.estimate):
            if row.note:
                lines.append(f"{named(row.place)}: {row.note}.")
            continue
        where = wording.capital(row.words)
        lines.append(f"{where}: {_effect(row, places, shown)}.")
    return lines


def _effect(row: _Place, places: PlaceEffects, shown: Measure) -> str:
    if places.scale == "ratio":
        return ratio(row.estimate, row.low, row.high)
    size, low, high, word = row.estimate, row.low, row.high, "more"
    if size < 0:
        size, low, high, word = -size, -high, -low, "less"
    return f"{shown.number(size)} {shown.unit} {word}" + (
        f" ({shown.span(low, high)})" if shown.span(low, high) else "")


def _value(places: PlaceEffects, shown: Measure, value: float, low: float, high: float) -> str:
    if places.scale == "ratio":
        return ratio(value, low, high)
    return shown.estimate(value, low, high)


def _in(places: PlaceEffects, shown: Measure) -> str:
    return "" if places.scale == "ratio" else f", {shown.unit}"
