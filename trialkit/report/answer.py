"""The part of the report a reader reads first: the answer, the table, what to do next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple, Protocol, cast

import numpy as np
import pandas as pd
from markupsafe import Markup

import trialkit
from trialkit import cautions, plots, wording
from trialkit.decide import Conclusion, Verdict
from trialkit.decide.series import Looks, means_so_far
from trialkit.decide.verdict import Said, after_each_pick
from trialkit.models import Missing, TraitResult
from trialkit.models.height import HeightResult
from trialkit.models.own import OwnResult
from trialkit.models.results import ALPHA
from trialkit.models.window import RECORDS
from trialkit.records.schema import TRAITS
from trialkit.report.blocks import Block, bullets, isolate, paragraphs, part
from trialkit.report.figures import headline, ranked
from trialkit.report.measures import Measure, joined, measure, percent, row_of, shown_as
from trialkit.report.opentrial import OpenTrial, told
from trialkit.report.trait_tables import (
    MORE_OR_LESS,
    PickingSeason,
    grade_lines,
    own_treatment_lines,
    ready_lines,
    stand_lines,
    treatment_line,
    window_days,
)
from trialkit.trial import EARLY, Trial

# Sentences of the first screen and of the sheet to pin up, each whole, its parts by name, so that
# they are read and mended together, and another language can follow.
# The answer in four words; a variety's name counts as one.
WON = "{variety} won"
GAVE_MOST = "{variety} gave most"
LEADS = "{variety} leads so far"
LEVEL = "Too close to matter"
CLOSE = "Too close to call"
TOO_EARLY = "Too early to say"
NOTHING_YET = "Nothing picked yet"
NO_HARVEST_YET = "Nothing to compare yet"
ROWS = "Rows can't be compared"
UNFAIR = "No fair comparison"

ALONE = "Only one variety"
OPEN = "Not comparable yet"

# What a reader may make of the mark.
ACT = "you can act on it"
AHEAD = "clear so far, not final"
LUCK = "it could be luck"
SMALL_GAP = "the gap is too small to matter"
WAIT = "wait for more picks"
LAYOUT = "this layout can't tell"
NEEDED = "one question to answer first"
NEIGHBOUR = "nothing to compare it with"
MEANS = {"Firm": ACT, "Leaning": LUCK, "Too close": LUCK, "Level": SMALL_GAP, "Too soon": WAIT,
         "No comparison": NEEDED}

# The sheet to pin up.
INVENTED = "Invented data: made up to show what this looks like."
PLANTED = "{plants} of {varieties}, all planted on {day}."
PICKED = "All {counted} counted by eye at {picks}; a lost plant's gap counts."
WHOLE = "The whole report: {address}"
NEXT = "Next: {step}"

# The trade's own words, once on the page.
CHECK_MEANS = "Check: the variety you would grow anyway, the one to beat. Here it is {check}."
PLOT_MEANS = "Plot: one variety's plants together in one spot."
BLOCK_MEANS = "Block: plots on like ground, normally one of each variety."
PART_BLOCK_MEANS = "Block: plots on like ground, here with some of the varieties."
REPLICATE_MEANS = "Replicate: blocks that together hold every variety once."
PICK_MEANS = "Pick: one round of picking and counting."
PLANTED_MEANS = "Per plant planted: the crop over every plant set out, lost ones too."
RANGE_MEANS = "Likely range: where the true figure probably lies."

STANDING = {
    "settled": "firm", "alike": "level", "keep picking": "still open",
    "will not be settled this season": "too close to call",
}
"""The state of a comparison, in the table's words."""


class Cell(NamedTuple):
    """A figure, the range it may lie in, and a word on it."""

    value: str
    range: str = ""
    remark: str = ""


class VarietyRow(Protocol):
    """A row of `Conclusion.table` as far as the table of varieties shows it."""

    variety: str
    check: bool
    gave: float
    gave_low: float
    gave_high: float
    ratio: float
    ratio_low: float
    ratio_high: float
    state: str
    out_of_reach: pd.Timestamp
    out_low: pd.Timestamp
    out_high: pd.Timestamp
    lost: int
    planted: int


Fill = Callable[[VarietyRow], Cell]
"""What makes the cell of a column."""


class Row(NamedTuple):
    """A variety's line of the table."""

    name: str
    check: bool
    cells: list[Cell]


@told
def heading(trial: OpenTrial) -> Block:
    """The report's title, and under it what, where, when and how far."""
    about = trial.records.trial
    under = [wording.capital(about.crop), day_of(trial)]
    notes = []
    if about.invented:
        notes.append("Invented data: made up to show what a report looks like.")
    elif about.source:
        notes.append("Published data.")
    if trial.until is not None:
        notes.append(
            f"As of {wording.day(trial.until, year=True)}: what was recorded later is left out."
        )
    under_text = " · ".join(filter(None, under))
    html = part("heading", title=about.title, under=under_text, notes=notes)
    facts = {"title": about.title, "footer": _footer(trial), "last_pick": _last_pick(trial)}
    return Block(html, "\n".join([about.title, under_text, *notes]), facts)


def day_of(trial: OpenTrial) -> str:
    """The day the report is of: that of the last pick or harvest (of the last record of a trait of
    one's own that the trial asks for), else of planting."""
    asked = _asked_days(trial)
    if len(asked):
        return wording.day(asked.max(), year=True)
    last = _last_pick(trial)
    if last:
        return wording.day(last, year=True)
    planted = trial.records.trial.planted
    return f"planted {wording.day(planted, year=True)}"


def _dates(trial: OpenTrial) -> list[str]:
    """When planted and how far picked; nothing where the records have no dates."""
    records = trial.records
    planted = f"planted {wording.day(records.trial.planted, year=True)}"
    days = records.picks["date"].dropna().unique()
    if len(days):
        last = wording.day(max(days), year=True)
        return [planted, f"picked on {wording.counted(len(days), 'day')} up to {last}"]
    if records.harvest.empty and not len(_asked_days(trial)):
        return [planted, "no picks yet"]
    return [planted] if records.harvest["date"].notna().any() else []


def _asked_days(trial: OpenTrial) -> pd.Series:
    """The days of records of the trait of one's own that the trial asks for."""
    own = trial.conclusion.own
    if own is None or isinstance(own, Missing) or own.by_day is None:
        return pd.Series(dtype="datetime64[ns]")
    return own.by_day["date"]


def _last_pick(trial: OpenTrial) -> str:
    """The day of the last pick (or harvest), such as 2025-07-20; empty where there is none."""
    records = trial.records
    days = (records.harvest if records.picks.empty else records.picks)["date"].dropna()
    return "" if days.empty else str(days.max().date())


def _footer(trial: OpenTrial) -> str:
    return (
        f"Made with trialkit {trialkit.__version__} from records with the fingerprint "
        f"{trial.records.fingerprint}."
    )


@told
def answer(trial: OpenTrial) -> Block:
    """The answer to be read in five seconds: who leads, how sure that is, and one sentence."""
    verdict = trial.conclusion.verdict
    leads, means = leader(trial)
    html = part(
        "answer",
        leader=isolate(leads, trial.names),
        mark=verdict.mark,
        shape=shape_of(verdict.mark),
        means=means,
        sentence=isolate(verdict.sentence, trial.names),
    )
    facts = {"answer": verdict.answer, "sure": verdict.how_sure, "state": verdict.state,
             "mark": verdict.mark, "leader": leads, "sentence": verdict.sentence,
             "next": verdict.next_step}
    return Block(html, f"{leads}\n{verdict.mark}: {means}\n{verdict.sentence}", facts)


def leader(trial: OpenTrial) -> tuple[str, str]:
    """The answer in at most four words, a variety's name counted as one; what its mark means."""
    conclusion = trial.conclusion
    verdict = conclusion.verdict
    if not verdict.headline and verdict.mark == "No comparison":
        return _not_compared(trial)
    if not verdict.headline and verdict.state == "nothing yet":
        empty = conclusion.analysis.looks.empty
        return NOTHING_YET if empty else NO_HARVEST_YET, WAIT
    gave = conclusion.table.set_index("variety")["gave"].astype(float)
    return leads(verdict, conclusion.looks, gave, trial.records.trial.check)


def leads(
    verdict: Verdict, looks: Looks | None, gave: pd.Series, check: str | None
) -> tuple[str, str]:
    """`leader` of any verdict that compares.  gave : of each variety."""
    if verdict.headline:
        return verdict.headline, verdict.means or MEANS[verdict.mark]
    if verdict.mark == "Level":
        return LEVEL, SMALL_GAP
    if verdict.mark == "Too soon" or not verdict.pair:
        return TOO_EARLY, WAIT
    first, second = verdict.pair
    if verdict.mark in ("Leaning", "Too close"):
        own = [] if looks is None else [
            r for pair, r in looks.results.items() if set(pair) == {first, second}]
        over = looks is None or any(r.over for r in own)
        clear = any(r.state == "settled" for r in own)
        if over and not clear:  # nobody is to act on a name that may be luck
            return CLOSE, LUCK
        return ((GAVE_MOST if over else LEADS).format(variety=first),
                AHEAD if clear else LUCK)
    # Against every other one, not against the second alone.
    beaten = looks is None or all(
        r.state == "settled" for pair, r in looks.results.items() if first in pair)
    return (WON if beaten else GAVE_MOST).format(variety=first), ACT


def _not_compared(trial: OpenTrial) -> tuple[str, str]:
    conclusion = trial.conclusion
    if conclusion.totals is not None and conclusion.totals.zeros_unsure and (
            conclusion.analysis.ground.supported):
        return OPEN, NEEDED
    if len(trial.names) < 2:
        return ALONE, NEIGHBOUR
    rows = conclusion.analysis.ground.unit == "row"
    return ROWS if rows else UNFAIR, LAYOUT


def shape_of(mark: str) -> str:
    """The name of a mark's shape among the templates."""
    return mark.lower().replace(" ", "-")


@told
def next_step(trial: OpenTrial) -> Block:
    """What to do next."""
    said = trial.conclusion.verdict.next_step
    html = part("next", step=isolate(said, trial.names))
    return Block(html, f"Next: {said}")


@told
def how_sure(trial: OpenTrial) -> Block:
    """How sure the answer is, and why; what else was found; where and when."""
    verdict = trial.conclusion.verdict
    more = verdict.answer.removeprefix(verdict.sentence).strip()
    block = paragraphs([*filter(None, [more, verdict.how_sure])], trial.names)
    about = trial.records.trial
    where = " · ".join(filter(None, [about.garden, *_dates(trial)]))
    fine = [f"{wording.capital(where)}."]
    if about.source and not about.invented:
        fine.append(f"The records: {about.source}.")
    return joined([block, paragraphs(fine, trial.names, "fine")])


@told
def since_last(trial: OpenTrial) -> Block:
    """What changed since the last pick."""
    return bullets(trial.conclusion.since_last, trial.names)


@told
def cannot_tell(trial: OpenTrial) -> Block:
    """What the trial cannot show, but for what the answer has said."""
    verdict = trial.conclusion.verdict
    why = trial.conclusion.analysis.ground.why_not.rstrip(".")
    told_above = bool(why) and why.lower() in f"{verdict.answer} {verdict.how_sure}".lower()
    lines = tuple(line for line in trial.conclusion.cannot_tell if not (told_above and why in line))
    return bullets(lines, trial.names)


@told
def words_used(trial: OpenTrial) -> Block:
    """The trade's words of this page, each explained once."""
    check, records = trial.records.trial.check, trial.records
    lines = [CHECK_MEANS.format(check=check)] if check and len(trial.names) > 1 else []
    lines.append(PLOT_MEANS)
    if records.plants["block"].notna().any():
        lines.append(BLOCK_MEANS)
    if "replicate" in trial.conclusion.analysis.audit.by:
        lines[-1:] = [PART_BLOCK_MEANS, REPLICATE_MEANS]
    if not records.picks.empty:
        lines += [PICK_MEANS, PLANTED_MEANS]
    if trial.conclusion.analysis.ground.supported:
        lines.append(RANGE_MEANS)
    return bullets(lines, trial.names)


@told
def take_care(trial: OpenTrial) -> Block:
    """The usual cautions of work in a bed; none for a trial that others published long ago."""
    about = trial.records.trial
    if about.source and not about.invented:
        return Block("", "")
    which = [rule for rule in cautions.ALL if about.reach_cm or rule is not cautions.LADDER]
    care = [*(f"{rule.about}: {rule.text}." for rule in which), cautions.deferring("this report")]
    return bullets(care, trial.names)


@told
def varieties(trial: OpenTrial) -> Block:
    """The small table: one line a variety, best first."""
    columns = _columns(trial)
    if not columns:
        return Block("", "")
    rows = [
        Row(row.variety, row.check, [show(row) for _, show in columns])
        for row in table_rows(ranked(trial))
    ]
    first = columns[0][0]
    caption = f"Best first, by {first[:1].lower()}{first[1:]}. In bold the best estimate"
    if any(cell.range for row in rows for cell in row.cells):
        caption += "; below it the likely range (95 %)"
    if trial.conclusion.looks is not None and trial.conclusion.looks.against_check:
        caption += "; the range against the check allows for every pick"
    heads = [head for head, _ in columns]
    html = part("cards", caption=f"{caption}.", heads=heads, rows=rows)
    lines = [
        "  ".join([row.name, *(f"{cell.value} {cell.range}".strip() for cell in row.cells)])
        for row in rows
    ]
    return Block(html, "\n".join(["  ".join(["Variety", *heads]), *lines]))


def _columns(trial: OpenTrial) -> list[tuple[str, Fill]]:
    """Heading of each column and what makes its cell; columns with nothing to show are left out."""
    conclusion, table = trial.conclusion, trial.conclusion.table
    main, trait = conclusion.quantity, headline(trial)
    columns: list[tuple[str, Fill]] = []
    if conclusion.own is not None:
        columns = [*_asked(trial), *_yields(conclusion.of_yield, trial.records.trial)]
    elif conclusion.totals is not None and main is not None:
        shown = measure(main.unit, trial.records.trial)
        columns.append((wording.capital(main.label), lambda row: Cell(
            shown.number(row.gave), shown.span(row.gave_low, row.gave_high) if row.gave else "")))
    elif not isinstance(trait, Missing):
        shown = shown_as(trait, trial.records.trial)
        head = wording.capital(wording.with_unit(trait.label, shown.unit))
        columns.append((head, estimates(trait.means, shown)))
    if conclusion.own is not None:
        pass  # beside the trait already
    elif table["ratio"].notna().any():
        ratio = conclusion.ratio_is == "ratio"
        head = "Times the check" if ratio else "Difference from the check"
        unit = None if ratio or main is None else measure(
            main.unit, trial.records.trial)
        columns.append((head, lambda row: _against(row, unit)))
    elif conclusion.totals is None and not isinstance(trait, Missing) and len(
            trait.against_check):
        columns.append(_more_than_the_check(trait, trial.records.trial))
    elif conclusion.totals is None and not isinstance(trait, Missing) and trait.letters:
        letters = trait.letters
        columns.append(("Same letter: too close to call",
                        lambda row: Cell(letters.get(row.variety, wording.NONE))))
    if not isinstance(conclusion.analysis.height, Missing) and trial.records.trial.reach_cm:
        columns.append(("Day out of reach", _reach(conclusion.analysis.height)))
    if not trial.records.picks.empty or table["lost"].any():
        columns.append(("Plants lost", lambda row: Cell(f"{row.lost} of {row.planted}")))
    return columns


def _asked(trial: OpenTrial) -> list[tuple[str, Fill]]:
    """The trait of one's own that the trial asks for, and how it stands to the check's."""
    conclusion, own = trial.conclusion, trial.conclusion.own
    main = conclusion.quantity
    if main is None or own is None or isinstance(own, Missing):
        return []
    head = wording.capital(wording.with_unit(main.label, own.unit))
    columns = [(head, estimates(own.means, Measure(own.unit)))]
    if own.against_check["estimate"].notna().any():
        unit = Measure(own.unit) if own.scale == "difference" else None
        head = ("Difference from the check" if own.scale == "difference" else "Times the check"
                if own.scale == "ratio" else "Against the check")
        columns.append((head, _by_odds(own) if own.scale == "odds" else (
            lambda row: _against(row, unit))))
    elif own.letters:
        letters = own.letters
        columns.append(("Same letter: too close to call",
                        lambda row: Cell(letters.get(row.variety, wording.NONE))))
    return columns


def _yields(yields: Conclusion, about: Trial) -> list[tuple[str, Fill]]:
    """What was picked or dug, where the trial asks for something else: with its own standing."""
    main = yields.quantity
    if main is None:
        return []
    rows = {row.variety: row for row in table_rows(yields.table)}
    shown, ratio = measure(main.unit, about), yields.ratio_is == "ratio"
    label = main.label if yields.totals is not None else wording.with_unit(main.label, shown.unit)

    def gave(row: VarietyRow) -> Cell:
        own = rows[row.variety]
        return Cell(shown.number(own.gave), shown.span(own.gave_low, own.gave_high))

    columns: list[tuple[str, Fill]] = [(wording.capital(label), gave)]
    if yields.table["ratio"].notna().any():
        head = "That, times the check" if ratio else "That, more than the check"
        columns.append((head, lambda row: _against(rows[row.variety], None if ratio else shown)))
    return columns


def estimates(means: pd.DataFrame, shown: Measure) -> Fill:
    """What fills a column with each variety's estimate and range; a row has its `variety`."""
    known = plots.Estimate.by_variety(means)

    def cell(row: VarietyRow) -> Cell:
        if row.variety not in known:
            return Cell(wording.NONE)
        own = known[row.variety]
        return Cell(shown.number(own.estimate), shown.span(own.low, own.high))

    return cell


def _more_than_the_check(
    main: TraitResult, about: Trial
) -> tuple[str, Fill]:
    """The trait itself against the check, where the answer is not about the yield of picks."""
    shown = Measure("times") if main.scale == "ratio" else shown_as(main, about)
    fill = estimates(main.against_check, shown)
    none = "1, the check" if main.scale == "ratio" else "0, the check"
    head = "Against the check, times" if main.scale == "ratio" else "More than the check"
    return head, lambda row: Cell(none) if row.check else fill(row)


def table_rows(table: pd.DataFrame) -> Iterator[VarietyRow]:
    """The rows of `Conclusion.table`, or of some of its columns."""
    return cast(Iterator[VarietyRow], table.itertuples(index=False))


def _against(row: VarietyRow, unit: Measure | None) -> Cell:
    """A ratio, or a difference in `unit`."""
    if row.check:
        return Cell("1, the check" if unit is None else "0, the check")
    if unit is not None:
        return Cell(unit.number(row.ratio), unit.span(row.ratio_low, row.ratio_high), row.state)
    times = "" if wording.missing(row.ratio) else " times"
    # As the answer says it: an end just clear of 1 does not read as 1.
    known = not (wording.missing(row.ratio_low) or wording.missing(row.ratio_high))
    span = wording.span(row.ratio_low, row.ratio_high).strip(" ()") if known else ""
    return Cell(wording.number(row.ratio) + times, span, STANDING.get(row.state, row.state))


def _by_odds(own: OwnResult) -> Fill:
    more, less = MORE_OR_LESS[own.kind]
    firm = set(own.against_check.loc[own.against_check["p"] < ALPHA, "variety"])

    def shown(row: VarietyRow) -> Cell:
        if row.check:
            return Cell("the check")
        if wording.missing(row.ratio):
            return Cell(wording.NONE)
        if row.variety not in firm:
            return Cell("too close to call")
        return Cell(more if row.ratio > 1 else less, "", "firm")

    return shown


def _reach(height: HeightResult) -> Fill:
    """The day a row's variety outgrew reach; between which two where nobody measured then."""
    unmeasured = set(height.reach.loc[height.reach["unmeasured"].astype(bool), "variety"])

    def shown(row: VarietyRow) -> Cell:
        span = wording.days(row.out_low, row.out_high)
        if wording.missing(row.out_of_reach):
            return Cell("still within reach", span)
        if row.variety in unmeasured:
            return Cell(f"between {wording.short_day(row.out_low)} and "
                        f"{wording.short_day(row.out_high)}" if not wording.missing(row.out_high)
                        else f"after {wording.short_day(row.out_low)}", "", "nobody measured then")
        return Cell(wording.short_day(row.out_of_reach), span)

    return shown


# ------------------------------------------------------------------------------------------------
# Pick by pick: what could be said after each of them.
# ------------------------------------------------------------------------------------------------

STEPS_LEAST, STEPS_BARS = 3, 8
"""Fewer picks than this have no picture pick by pick; varieties with a bar in it at most."""


class Bar(NamedTuple):
    """A variety's line at one pick: lengths as shares of the widest, in percent; `low` and `high`
    are None where no range is given."""

    name: str
    check: bool
    value: str
    length: str
    low: str | None = None
    high: str | None = None


class Step(NamedTuple):
    """What could be said after one pick."""

    number: int
    day: str
    month: str
    new_month: bool
    date: int
    leader: str
    mark: str
    shape: str
    means: str
    sentence: Markup
    bars: list[Bar]


@told
def pick_by_pick(trial: OpenTrial) -> Block:
    """What could be said after each pick: a row of picks to choose from, the newest chosen.

    The page has no script: a choice among radio buttons shows its own part of the page.
    """
    conclusion, about = trial.conclusion, trial.records.trial
    looks, totals, quantity = conclusion.looks, conclusion.totals, conclusion.quantity
    if (looks is None or totals is None or quantity is None or conclusion.question == EARLY
            or len(totals.day) < STEPS_LEAST):
        return Block("", "")
    table = conclusion.table
    past = after_each_pick(conclusion.analysis, looks, totals, table, quantity)
    newest = Said(len(totals.day), totals.day[-1], conclusion.verdict, looks,
                  means_so_far(totals, True))
    leaders = plots.leading(table, about.check, STEPS_BARS)["variety"]
    shown = measure(quantity.unit, about)
    most = float(np.nanmax([1e-9, *newest.means[["estimate", "high"]].to_numpy(float).ravel(),
                            *(m for pick in past for m in pick.means["estimate"].astype(float))]))
    steps: list[Step] = []
    for pick in [*past, newest]:
        means = pick.means.set_index("variety")
        said = leads(pick.verdict, pick.looks, means["estimate"], about.check)
        ranged = pick.verdict.mark != "Too soon"
        bars = [_bar(name, name == about.check, means.loc[name], shown, most, ranged)
                for name in leaders if name in means.index]
        date, month = wording.short_day(pick.day).split()
        steps.append(Step(
            pick.number, wording.day(pick.day), month, not steps or steps[-1].month != month,
            int(date), said[0], pick.verdict.mark, shape_of(pick.verdict.mark), said[1],
            isolate(pick.verdict.sentence, trial.names), bars))
    planned = about.looks if about.looks and about.looks >= len(steps) else None
    what = f"{quantity.what} per plant planted"
    left = len(table) - len(leaders)
    html = part("steps", steps=steps, planned=planned, what=wording.capital(what),
                ranged=any(bar.low is not None for step in steps for bar in step.bars),
                left=f"The other {left} are in the table." if left > 0 else "")
    plain = [f"{step.day}: {step.leader}. {step.mark}: {step.means}. {step.sentence}"
             for step in steps]
    return Block(html, "\n".join(plain))


def _bar(
    name: str, check: bool, mean: pd.Series, shown: Measure, most: float, ranged: bool
) -> Bar:
    def share(value: float) -> str:
        return f"{100 * min(max(value, 0.0), most) / most:.1f}".removesuffix(".0")

    known = ranged and bool(np.isfinite(mean["low"]) and np.isfinite(mean["high"]))
    return Bar(name, check, wording.rounded(float(mean["estimate"]) / shown.scale),
               share(float(mean["estimate"])),
               *((share(float(mean["low"])), share(float(mean["high"]))) if known else ()))


# ------------------------------------------------------------------------------------------------
# What else a grower goes by: yield of a plant and of the row, days of picking, weight; of a crop
# dug or cut once its grades and when it was ready.
# ------------------------------------------------------------------------------------------------

_OWN_COLUMNS = frozenset({"window", "weights"})
Column = tuple[str, Callable[[str], Cell]]


@told
def other_figures(trial: OpenTrial) -> Block:
    """A card a variety, and a few sentences; nothing where there is nothing to add."""
    columns = [*_season(trial), *_window(trial), *_weights(trial), *_harvest(trial),
               *_others(trial)]
    lines = _lines(trial)
    if not columns:
        return bullets(lines, trial.names)
    about = trial.records.trial
    rows = [
        Row(name, name == about.check, [show(name) for _, show in columns])
        for name in ranked(trial)["variety"]
    ]
    caption = "In the order of the table above"
    if any(cell.range for row in rows for cell in row.cells):
        caption += "; below each estimate its likely range (95 %)"
    heads = [head for head, _ in columns]
    html = part("cards", caption=f"{caption}.{_meaning(trial)}", heads=heads, rows=rows,
                compact=True)
    plain = ["  ".join(["Variety", *heads])]
    plain += ["  ".join([row.name, *(f"{c.value} {c.range}".strip() for c in row.cells)])
              for row in rows]
    return joined([Block(html, "\n".join(plain)), bullets(lines, trial.names)])


def _season(trial: OpenTrial) -> list[Column]:
    season = trial.conclusion.analysis.season
    if isinstance(season, Missing):
        return []
    led = headline(trial)
    counted = wording.capital(trial.conclusion.analysis.counted)
    none_lost = trial.records.plants["lost"].isna().all()  # then it is the crop per plant planted
    living = season.means[season.means["variety"].isin(_standing(trial))]
    columns = [] if led is season or none_lost else [
        (f"{counted} a living plant, so far", _cells(living, Measure("")))]
    if season.metre["estimate"].notna().any():
        metres, row = row_of(trial.records.trial)
        columns.append((f"{counted} a {row}, gaps included",
                        _cells(season.metre, Measure("", 1.0 / metres))))
    return columns


def _standing(trial: OpenTrial) -> set[str]:
    """The varieties of which a plant is alive: of the others nothing is to come of a plant."""
    plants = trial.records.plants
    return set(plants.loc[plants["lost"].isna(), "variety"].astype(str))


def _meaning(trial: OpenTrial) -> str:
    """What the two yields are, for the caption."""
    season = trial.conclusion.analysis.season
    if isinstance(season, Missing):
        return ""
    said = "" if trial.records.plants["lost"].isna().all() else (
        " A living plant: one still standing.")
    if season.metre["estimate"].notna().any():
        row = row_of(trial.records.trial)[1].split()[0]
        said += f" A {row}: as planted, gaps of lost plants included."
    return said


def _window(trial: OpenTrial) -> list[Column]:
    window = trial.conclusion.analysis.window
    if isinstance(window, Missing) or window.window["ended_by"].eq(RECORDS).all():
        return []  # none has ended: it is as long as the picking so far
    rows = {row.variety: row for row in PickingSeason.of(window.window)}

    def shown(name: str) -> Cell:
        if name not in rows:
            return Cell(wording.NONE)
        value, _, span = window_days(rows[name]).partition(" (")
        return Cell(value, span.rstrip(")"))

    return [("Picking season", shown)]


def _weights(trial: OpenTrial) -> list[Column]:
    weights = trial.conclusion.analysis.weights
    if isinstance(weights, Missing) or headline(trial) is weights:
        return []
    shown = shown_as(weights, trial.records.trial)
    picked = trial.records.picks["date"].nunique()
    weighed = len(weights.weighed)
    some = f" ({weighed} of {picked} picks weighed)" if weighed < picked else ""
    return [(f"Weight, {shown.unit}{some}", _cells(weights.means, shown))]


def _harvest(trial: OpenTrial) -> list[Column]:
    harvest = trial.conclusion.analysis.harvest
    if isinstance(harvest, Missing):
        return []
    columns: list[Column] = []
    about = trial.records.trial
    if len(harvest.metre):
        metres, row = row_of(about)
        shown = measure(harvest.unit, about)
        of_row = wording.with_unit(f"{harvest.label.split(',')[0]} a {row}", shown.unit)
        columns.append((f"{wording.capital(of_row)}, gaps included",
                        _cells(harvest.metre, Measure("", shown.scale / metres))))
    if harvest.grading is not None:
        shares = harvest.grading.shares.dropna(subset=["share"])
        columns += [(f"Graded {grade}", _share(shares[shares["grade"] == grade]))
                    for grade in dict.fromkeys(shares["grade"])]
    return columns


def _others(trial: OpenTrial) -> list[Column]:
    """Of any other trait whose place is beside the answer its estimates."""
    columns: list[Column] = []
    for trait in TRAITS:
        result = trial.conclusion.analysis.trait(trait)
        if trait.place != "beside" or trait.name in _OWN_COLUMNS or isinstance(result, Missing):
            continue
        shown = shown_as(result, trial.records.trial)
        columns.append((wording.capital(wording.with_unit(result.label, shown.unit)),
                        _cells(result.means, shown)))
    for own in trial.conclusion.analysis.own.values():
        if not isinstance(own, Missing) and own is not trial.conclusion.own:
            columns.append((wording.capital(wording.with_unit(own.label, own.unit)),
                            _cells(own.means, Measure(own.unit))))
    return columns


def _share(shares: pd.DataFrame) -> Callable[[str], Cell]:
    rows = shares.set_index("variety")[["share", "low", "high"]].astype(float)

    def shown(name: str) -> Cell:
        if name not in rows.index:
            return Cell(wording.NONE)
        value, _, span = percent(*rows.loc[name]).partition(" (")
        return Cell(value, span.rstrip(")"))

    return shown


def _cells(means: pd.DataFrame, shown: Measure) -> Callable[[str], Cell]:
    rows = plots.Estimate.by_variety(means)

    def cell(name: str) -> Cell:
        if name not in rows:
            return Cell(wording.NONE)
        row = rows[name]
        return Cell(shown.number(row.estimate), shown.span(row.low, row.high))

    return cell


def _lines(trial: OpenTrial) -> list[str]:
    """Losses, grades and readiness, a sentence or two each."""
    analysis = trial.conclusion.analysis
    lines: list[str] = []
    if not isinstance(analysis.harvest, Missing):
        if analysis.harvest.grading is not None:
            lines += grade_lines(analysis.harvest.grading)
        lines += treatment_line(analysis.harvest, trial.records.trial)
        lines += ready_lines(analysis.harvest)
    for own in analysis.own.values():
        lines += own_treatment_lines(own) if isinstance(own, OwnResult) else []
    if isinstance(analysis.stand, TraitResult):
        lines += stand_lines(analysis.stand)
    return lines
