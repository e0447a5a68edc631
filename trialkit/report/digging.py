"""Tables of a crop dug or cut once: tests, treatments, a length of row, grades, readiness."""

from __future__ import annotations

from typing import Any

from trialkit import wording
from trialkit.models.grading import GradeResult
from trialkit.models.harvest import HarvestResult
from trialkit.report.bedplaces import places_tables
from trialkit.report.blocks import Block, tabled
from trialkit.report.found import limited, means_table
from trialkit.report.growing import tests_table
from trialkit.report.measures import Measure, measure, percent, ratio, row_of
from trialkit.trial import Trial


def harvest_tables(result: HarvestResult, about: Trial) -> list[Block]:
    """Everything a single harvest gives beyond the means."""
    tables = [_metre(result, about)]
    if not result.tests.empty:
        tables.append(tests_table(result.tests, "Is there any difference at all?"))
    shown = measure(result.unit, about)
    if not result.treatments.empty:
        rows = [(str(r.treatment), shown.estimate(r.estimate, r.low, r.high, 3))
                for r in result.treatments.itertuples(index=False)]
        caption = f"Treatments, {shown.unit}, over all varieties"
        tables.append(limited(caption, ("Treatment", "Mean"), rows))
    if result.grading is not None:
        tables += [shares_table(result.grading), _odds(result.grading)]
    tables += [_ready(result), *places_tables(result.places, about)]
    return [one for one in tables if one.html]


def _metre(result: HarvestResult, about: Trial) -> Block:
    if result.metre.empty:
        return Block("", "")
    metres, row = row_of(about)
    plain = measure(result.unit, about)
    one = Measure(f"{plain.unit} a {row}", plain.scale / metres)
    share = result.metre.set_index("variety")["share"]
    return means_table(
        f"{wording.capital(result.label)}, {one.unit}, as planted", result.metre, one,
        result.against_check.head(0), "difference",
        more=[("Plants that gave something", lambda r: percent(share[r.variety]))],
    )


def shares_table(grading: GradeResult) -> Block:
    """Every variety's share of each grade."""
    shares = grading.shares.dropna(subset=["share"])
    if shares.empty:
        return Block("", "")
    grades = list(dict.fromkeys(shares["grade"]))
    at: dict[Any, Any] = {(r.variety, r.grade): r for r in shares.itertuples(index=False)}
    rows = []
    for variety in dict.fromkeys(shares["variety"]):
        own = [at.get((variety, grade)) for grade in grades]
        pieces = sum(r.count for r in own if r is not None)
        rows.append([str(variety), *(
            wording.NONE if r is None else percent(r.share, r.low, r.high) for r in own),
            wording.whole(pieces)])
    return limited("Share of the pieces in each grade", ["Variety", *grades, "Pieces"], rows)


def grade_lines(grading: GradeResult) -> list[str]:
    """Which variety's pieces come out better, in sentences; or why that is not said."""
    if not grading.supported:
        return [f"Grades are shown as counted: {grading.why_not}."]
    lines = []
    one: Any
    for one in grading.chance_better.itertuples(index=False):
        odds = grading.against_check
        odds = odds[(odds["variety"] == one.variety) & (odds["check"] == one.against)]
        said = ""
        if len(odds):
            row: Any = odds.iloc[0]
            said = f" (odds {ratio(row['estimate'], row['low'], row['high'])})".replace(
                "times (", "times, ").replace("))", ")")
        lines.append(
            f"Take a piece of {one.variety} and one of {one.against}: {one.variety}'s is the "
            f"better in {100 * one.chance:.0f} of 100 pairs{said}.")
    if not lines and not wording.missing(grading.p):
        lines.append(f"Grades by variety: {_more_than_luck(grading.p)}".replace(": The", ": the"))
    return lines + [f"{wording.capital(note)}." for note in grading.notes]


def _odds(grading: GradeResult) -> Block:
    """Odds of a better grade, of all pairs."""
    pairs = grading.against_check if len(grading.against_check) else grading.pairs
    if pairs.empty:
        return Block("", "")
    left, right = list(pairs.columns[:2])
    rows = [(f"{getattr(r, left)} against {getattr(r, right)}", ratio(r.estimate, r.low, r.high),
             wording.degrees(r.df), wording.chance(r.p)) for r in pairs.itertuples(index=False)]
    caption = "Odds of a better grade; in brackets intervals that hold all together, 95 %."
    return tabled(caption, ("Varieties", "Odds", "Degrees of freedom", "p"), rows)


def _ready(result: HarvestResult) -> Block:
    ready = result.ready
    if ready is None or ready.table.empty:
        return Block("", "")
    days = Measure("days")
    against = ready.against_check.set_index("variety") if len(ready.against_check) else None
    rows = []
    row: Any
    for row in ready.table.itertuples(index=False):
        cells = [str(row.variety),
                 "not yet" if wording.missing(row.day) else
                 f"day {row.day:.0f}, {wording.short_day(row.date)}",
                 days.estimate(row.mean, row.low, row.high), percent(row.share)]
        if against is not None:
            cells.append(
                days.estimate(*against.loc[row.variety, ["estimate", "low", "high"]])
                if row.variety in against.index else "the check")
        rows.append(cells)
    heads = ["Variety", "Ready", "Mean of its plots, days", "Ready by the last harvest"]
    heads += ["Days later than the check"] if against is not None else []
    if ready.table["mean"].isna().all():
        heads.pop(2)
        for cells in rows:
            cells.pop(2)
    return limited(f"Ready when {ready.rule}, days from planting", heads, rows)


def treatment_line(result: HarvestResult, about: Trial) -> list[str]:
    """What each treatment gave over all varieties, and whether they differ."""
    if result.treatments.empty:
        return []
    shown = measure(result.unit, about)
    said = wording.listed([f"{r.treatment} {shown.estimate(r.estimate, r.low, r.high)}"
                         for r in result.treatments.itertuples(index=False)])
    test = result.tests[result.tests["term"] == "treatment"]
    luck = f" {_more_than_luck(test['p'].iloc[0])}" if len(test) else ""
    return [f"Treatments over all varieties, {shown.unit}: {said}.{luck}"]


def _more_than_luck(p: float) -> str:
    """A test's outcome in the open part; the figure itself is in the folded one."""
    return ("The differences are more than luck would give." if p < 0.05
            else "The differences could be luck.")


def ready_lines(result: HarvestResult) -> list[str]:
    """When each variety was ready, and how much later than the check."""
    ready = result.ready
    if ready is None:
        return []
    lines = [str(one) for one in ready.table["words"]]
    row: Any
    for row in ready.against_check.itertuples(index=False):
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
