"""The pictures of the report: each cell takes a trait's frames to a drawing, or says what is
missing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit import plots, wording
from trialkit.design.bed import variety_letters
from trialkit.models import Missing, TraitResult
from trialkit.models.analysis import Analysis
from trialkit.models.own import OwnResult
from trialkit.models.position import PositionResult
from trialkit.models.rate import FINISHED, RateResult
from trialkit.models.window import EarlyResult, last_picks
from trialkit.records.plots import recorded
from trialkit.records.schema import NOTE
from trialkit.report.blocks import Block, bullets, isolate, part, show
from trialkit.report.measures import (
    Measure,
    height_scale,
    joined,
    measure,
    percent,
    ratio,
    shown_as,
)
from trialkit.report.opentrial import WITHHELD, OpenTrial, told
from trialkit.report.trait_tables import place_lines, places_tables, slope_table, treatment_lines
from trialkit.trial import EARLY, Trial

OWN_DRAWN = 6
"""Traits of the gardener's own that are drawn; of more there is a line, and the tables."""
BAND = "Band: the variety's likely range (95 %)."
SLUMPS_SAID = 4
YIELD = "Yield so far"


@told
def yield_so_far(trial: OpenTrial) -> Block:
    """What each variety has given so far, plant for plant."""
    season = trial.conclusion.analysis.season
    if isinstance(season, Missing):
        return _missing(YIELD, season.reason, trial)
    if season.curve["date"].nunique() < 2:
        return Block("", "")
    what = f"{trial.conclusion.analysis.counted} a living plant"
    check = trial.records.trial.check
    curve = _ordered(trial, _while_picked(trial, season.curve))
    return _curves(trial, "yield-so-far", curve, lambda most: plots.totals(
        curve, what, _band(season), check, most))


@told
def height_and_reach(trial: OpenTrial) -> Block:
    """Height over time, with the line of an arm's reach."""
    height = trial.conclusion.analysis.height
    if isinstance(height, Missing):
        return _missing("Height", height.reason, trial)
    about = trial.records.trial
    scale, unit = height_scale(about.height_unit)
    curve = _ordered(trial, height.curve)
    curve[["estimate", "low", "high"]] /= scale
    seen = height.seen[["variety", "date"]].assign(height=height.seen["height_cm"] / scale)
    reach = about.reach_cm / scale if about.reach_cm else None
    return _curves(trial, "height", curve, lambda most: plots.heights(
        curve, seen, unit, _band(height), reach=reach, check=about.check, most=most,
    ), [*treatment_lines(height, about), *(
        f"{wording.capital(line)}. The line there is straight, and the band spans both readings."
        for line in height.unmeasured)])


@told
def rate_over_season(trial: OpenTrial) -> Block:
    """How fast each variety gave, over the season, with hot spells."""
    rate = trial.conclusion.analysis.rate
    if isinstance(rate, Missing):
        return _missing("Rate over the season", rate.reason, trial)
    about = trial.records.trial
    what = f"{trial.conclusion.analysis.counted} a plant a week"
    curve = _ordered(trial, _while_picked(trial, rate.curve))
    return _curves(trial, "rate", curve, lambda most: plots.rates(
        curve, what, _band(rate), about.check, hot=rate.hot, enough=about.threshold_per_week,
        most=most,
    ), _slumps(rate))


def _curves(
    trial: OpenTrial, name: str, curve: pd.DataFrame, draw: Callable[[int], plots.Picture],
    remarks: Sequence[str] = (),
) -> Block:
    """A panel a variety; of many, paper shows fewer than the page.  draw : the picture of so many
    panels at most."""
    many = curve["variety"].nunique() > plots.ALL_PRINTED
    return show(draw(plots.PANELS), name, trial.names, remarks,
                         draw(plots.PRINTED) if many else None)


@told
def bed_map(trial: OpenTrial) -> Block:
    """The bed from above: where plants gave more or less than their variety does."""
    analysis, about = trial.conclusion.analysis, trial.records.trial
    position, harvest = analysis.position, analysis.harvest
    if isinstance(position, Missing):
        if isinstance(harvest, Missing) or harvest.bed.empty:
            return _missing("The bed", position.reason, trial)
        bed, what = harvest.bed, harvest.label
        remarks = place_lines(harvest.places, about)
    else:
        bed, what = position.bed, f"{analysis.counted} a plant"
        remarks = _trend(position) + place_lines(position.places, about)
    if remarks:
        remarks.append("All of this allows for varieties and layout.")
    layout = about.layout
    sun = f"Sun: {layout.sun}." if layout.sun else ""
    shade = f" Shade: {layout.shade}." if layout.shade else ""
    picture = plots.bed(bed, what, (sun + shade).strip() or None, variety_letters(trial.records))
    return show(picture, "bed", trial.names, remarks)


@told
def answer_grew(trial: OpenTrial) -> Block:
    """The leading comparison after every pick, and since when it has been clear."""
    looks, pair = trial.conclusion.looks, trial.conclusion.verdict.pair
    if looks is None or len(pair) < 2:
        return Block("", "")
    first, second = pair
    turn = 1.0 if (first, second) in looks.results else -1.0
    result = looks.results.get((first, second)) or looks.results.get((second, first))
    if result is None or abs(result.estimate) > np.log(100):  # the other bore next to nothing
        return Block("", "")
    past = result.history
    past = past[np.isfinite(past["estimate"].astype(float))]
    if len(past) < 3:
        return Block("", "")
    ends = np.exp(np.clip(turn * past[["low", "high"]].to_numpy(float), -50, 50))
    known = pd.DataFrame({
        "date": pd.to_datetime(past["date"]), "ratio": np.exp(turn * past["estimate"]),
        "low": ends.min(axis=1), "high": ends.max(axis=1),
        "clear": (past["low"] > 0) | (past["high"] < 0)})
    picture = plots.history(known, first, second, trial.conclusion.analysis.counted,
                            trial.records.trial.check)
    return show(picture, "answer-grew", trial.names)


@told
def calendar(trial: OpenTrial) -> Block:
    """What each pick brought of each variety."""
    picked = _picked(trial)
    if picked is None:
        return Block("", "")
    each = picked.diff().fillna(picked.head(1))
    picture = plots.calendar(each, trial.conclusion.analysis.counted, trial.records.trial.check)
    return show(picture, "calendar", trial.names)


@told
def when_bore(trial: OpenTrial) -> Block:
    """First and last pick of each variety, and the day half its crop was in."""
    picked = _picked(trial)
    if picked is None:
        return Block("", "")
    totals, conclusion = trial.conclusion.of_yield.totals, trial.conclusion
    assert totals is not None
    last = last_picks(totals)
    days = conclusion.table.set_index("variety").reindex(list(picked))
    shown = pd.DataFrame({
        "variety": list(picked), "first": days["first_pick"].to_numpy(),
        "half": days["halfway"].to_numpy(), "last": [last[str(name)] for name in picked]})
    picture = plots.bearing(shown, trial.records.trial.check)
    return show(picture, "when-bore", trial.names)


def _picked(trial: OpenTrial) -> pd.DataFrame | None:
    """Running totals per plant planted, a column a variety, best first; None before two picks."""
    totals = trial.conclusion.of_yield.totals
    if totals is None or len(totals.day) < 2:
        return None
    frame = totals.per_plant
    frame = frame[~frame.index.duplicated(keep="last")]
    order = [v for v in ranked(trial)["variety"] if v in frame and frame[v].max() > 0]
    return frame[order] if order and len(frame) > 1 else None


@told
def along(trial: OpenTrial) -> Block:
    """Rain, heat and events along the rate of the leading varieties and the check."""
    analysis, about, records = trial.conclusion.analysis, trial.records.trial, trial.records
    rate = analysis.rate
    if isinstance(rate, Missing):
        return Block("", "")
    events = records.events.dropna(subset=["date", "event"])
    events = events[(events["event"] != "") & (events["event"] != WITHHELD)]
    weather = records.weather
    wet = weather.dropna(subset=["date", "rain_mm"]) if "rain_mm" in weather else weather.head(0)
    inches = about.height_unit in ("ft", "in")
    fell = wet["rain_mm"] if len(wet) else pd.Series(dtype=float)
    rain = pd.DataFrame({"date": wet["date"], "rain": fell / (25.4 if inches else 1.0)})
    if events.empty and rain.empty and not len(rate.hot):
        return Block("", "")
    curve = _ordered(trial, _while_picked(trial, rate.curve))
    order = list(pd.unique(curve["variety"]))
    shown = order[: plots.ALONG]
    if about.check in order and about.check not in shown:
        shown[-1] = about.check
    curve = curve[curve["variety"].isin(shown)].assign(date=lambda c: pd.to_datetime(c["date"]))
    picture = plots.along(curve, f"{analysis.counted} a plant a week", events, rain,
                          "inches" if inches else "mm", rate.hot)
    return show(picture, "along", trial.names)


def bed_plants(trial: OpenTrial) -> pd.DataFrame | None:
    """The plants of the bed map; None where nobody wrote down where they stand."""
    position, harvest = trial.conclusion.analysis.position, trial.conclusion.analysis.harvest
    if not isinstance(position, Missing):
        return position.bed
    return None if isinstance(harvest, Missing) or harvest.bed.empty else harvest.bed


@told
def compared(trial: OpenTrial) -> Block:
    """Every variety on one scale, in the unit it was counted or weighed in, the check's line
    drawn through."""
    picture = compared_picture(trial)
    return Block("", "") if picture is None else show(picture, "compared", trial.names)


def compared_picture(trial: OpenTrial) -> plots.Picture | None:
    """The drawing of `compared`; None where there is nothing to compare."""
    comparison = compared_rows(trial)
    if comparison is None:
        return None
    rows, label, _ = comparison
    # Why there are no ranges is told under how sure the answer is.
    note = "Line across a bar: its likely range (95 %)." if rows["low"].notna().any() else ""
    check = trial.records.trial.check if len(rows) > 1 else None
    return plots.compared(rows, label, note, check)


def compared_rows(trial: OpenTrial) -> tuple[pd.DataFrame, str, bool] | None:
    """What the answer's chart shows: variety, estimate, low, high, best first, in the gardener's
    unit; what it is, with that unit; whether the layout supports ranges."""
    conclusion, about = trial.conclusion, trial.records.trial
    if isinstance(conclusion.own, Missing):
        return None
    if conclusion.own is not None and conclusion.quantity is not None:
        rows = conclusion.own.means.set_index("variety").reindex(
            conclusion.table["variety"]).dropna(subset=["estimate"]).reset_index()
        label = wording.with_unit(conclusion.quantity.label, conclusion.own.unit)
        rows = rows[["variety", "estimate", "low", "high"]]
        return (rows, label, conclusion.own.supported) if len(rows) else None
    days = conclusion.analysis.earliness
    if conclusion.question == EARLY and isinstance(days, EarlyResult):
        rows = days.means.set_index("variety").reindex(conclusion.table["variety"]).dropna(
            subset=["estimate"]).reset_index()
        return rows[["variety", "estimate", "low", "high"]], days.label, days.supported
    rows = conclusion.table.rename(
        columns={"gave": "estimate", "gave_low": "low", "gave_high": "high"})
    rows = rows[["variety", "estimate", "low", "high"]].dropna(subset=["estimate"])
    if len(rows) and conclusion.quantity is not None:
        shown = measure(conclusion.quantity.unit, about)
        label, supported = conclusion.quantity.label, conclusion.quantity.supported
        if conclusion.totals is None:  # a harvest: the label has no unit yet
            label = wording.with_unit(label, shown.unit)
    else:
        main = headline(trial)
        if isinstance(main, Missing):
            return None
        shown, supported = shown_as(main, about), main.supported
        label = wording.with_unit(main.label, shown.unit)
        rows = main.means
    rows = _in_units(rows, shown).sort_values("estimate", ascending=False, kind="stable")
    return rows, label, supported


@told
def own_traits(trial: OpenTrial) -> Block:
    """Each trait of the gardener's own: a dot a plot, the varieties' means and ranges."""
    blocks: list[Block] = []
    names: list[str] = []
    for place, (name, own) in enumerate(trial.conclusion.analysis.own.items()):
        if not isinstance(own, OwnResult) or own.by_plot is None or (
                own.by_plot["value"].isna().all()):
            continue
        if len(blocks) == OWN_DRAWN:
            names.append(name)
            continue
        rows = own.means[["variety", "estimate", "low", "high"]].sort_values(
            "estimate", ascending=own.better == "less", kind="stable", na_position="last")
        note = "Circle: a plot. Diamond: the variety's mean" + (
            "; line: its likely range (95 %)." if rows["low"].notna().any() else ".")
        if not own.supported:
            note += f" No ranges: {own.why_not}."
        elif rows["low"].isna().all():
            note += (" A mean score has no range: varieties are compared by how often one plant "
                     "scores above another.")
        if own.better:
            note += " Best first." if own.better == "more" else " Best, the lowest, first."
        label = wording.with_unit(own.label, own.unit)
        picture = plots.dots(rows, own.by_plot, label, note, trial.records.trial.check)
        blocks.append(show(picture, f"own-{place}", trial.names))
    if names:
        blocks.append(bullets([f"Not drawn, but in the tables: {wording.listed(names)}."],
                              trial.names))
    return joined(blocks)


@told
def place_in_bed(trial: OpenTrial) -> Block:
    """The varieties with and without the place in the bed, where it makes a difference."""
    analysis, about = trial.conclusion.analysis, trial.records.trial
    position, harvest = analysis.position, analysis.harvest
    tables = []
    if not isinstance(position, Missing):
        tables = [slope_table(position, trial.conclusion.table)] if position.differs else []
        tables += places_tables(position.places, about, only_where_it_matters=True)
    elif not isinstance(harvest, Missing):
        tables = places_tables(harvest.places, about, only_where_it_matters=True)
    return joined(tables)


def _in_units(means: pd.DataFrame, shown: Measure) -> pd.DataFrame:
    """variety, estimate, low, high as the gardener measures."""
    out = means[["variety", "estimate", "low", "high"]].copy()
    out[["estimate", "low", "high"]] = out[["estimate", "low", "high"]].astype(float) / shown.scale
    return out


def _trend(position: PositionResult) -> list[str]:
    """What the place in the bed does: from the first plants of a row to the last, and so on."""
    lines = []
    for row in position.trend.itertuples(index=False):
        said = ratio(row.ratio, row.low, row.high)
        where = wording.capital(str(row.direction))
        lines.append(
            f"{where}, the last plants gave {said} what the first did."
            if "(" in said else
            f"{where}: these plots can't show how the last plants differ from the first.")
    if lines and not position.differs:
        lines.append("That changes no variety's figure by more than a tenth.")
    return lines


def headline(trial: OpenTrial) -> TraitResult | Missing:
    """The trait the table of varieties leads with: the first of these that was recorded.

    The trait of one's own that the trial asks for; pods within reach; what was dug or cut once; the
    weight of the picks; height; plants standing.
    Pods picked on one day only are told a plant, not a week: no time lies between two picks.
    """
    analysis, own = trial.conclusion.analysis, trial.conclusion.own
    if isinstance(own, OwnResult) and not own.means.empty:
        return own
    once = trial.records.picks["date"].nunique() == 1
    first = analysis.season if once else analysis.window
    for result in _to_lead_with(analysis, first, bool(trial.records.plants["lost"].notna().any())):
        if isinstance(result, TraitResult) and not result.means.empty:
            return result
    return first if isinstance(first, Missing) else analysis.window


def _to_lead_with(
    analysis: Analysis, first: TraitResult | Missing, losses: bool
) -> Iterator[TraitResult | Missing]:
    """Those of `headline` in turn; what is not asked for is not worked out."""
    yield first
    yield analysis.harvest
    yield analysis.weights
    yield analysis.height
    if losses:
        yield analysis.stand


def _band(result: TraitResult) -> str:
    """Nothing where there is none: why is told under how sure the answer is."""
    return BAND if result.supported else ""


def _while_picked(trial: OpenTrial, curve: pd.DataFrame) -> pd.DataFrame:
    """Each variety's curve up to the last day that variety was looked at."""
    looks = recorded(trial.records.plants, trial.records.picks)
    last = looks.groupby("variety")["date"].max()
    return curve[~(pd.to_datetime(curve["date"]) > curve["variety"].map(last))]


def ranked(trial: OpenTrial) -> pd.DataFrame:
    """The conclusion's table, best first: by what each gave, as in the answer, so that a variety
    keeps its place in every table and picture."""
    table = trial.conclusion.table
    if table["gave"].notna().any():
        return table
    main = headline(trial)
    if isinstance(main, Missing):
        return table
    level = table["variety"].map(main.means.set_index("variety")["estimate"])
    return table.loc[level.sort_values(ascending=False, kind="stable").index]


def _ordered(trial: OpenTrial, curve: pd.DataFrame) -> pd.DataFrame:
    """The varieties in the order of the table, best first."""
    place = {name: at for at, name in enumerate(ranked(trial)["variety"])}
    return curve.sort_values("variety", key=lambda v: v.map(place), kind="stable")


def _slumps(rate: RateResult) -> list[str]:
    """A sentence a hot spell: how far each variety fell, and whether it came back."""
    lines = []
    row: Any
    for _, spell in rate.slumps.groupby(["hot_from", "hot_to"], sort=True):
        first, last = spell[["hot_from", "hot_to"]].iloc[0]
        said, steady = [], [str(v) for v in spell.loc[spell["recovery"] == "no slump", "variety"]]
        slumped = spell[spell["recovery"] != "no slump"]
        told = len(slumped) if len(slumped) <= SLUMPS_SAID + 2 else SLUMPS_SAID
        for row in slumped.head(told).itertuples(index=False):
            fell = "" if row.recovery == FINISHED else f"down {percent(row.depth)}, "
            said.append(f"{row.variety} {fell}{row.recovery}")
        more = len(slumped) - told
        if more > 0:
            said.append(f"the other {more} are listed below, under how it was done")
        if steady:
            which = wording.few(steady, 2) if said or len(steady) < 2 else "any variety"
            said.append(f"no slump in {which}")
        lines.append(f"Hot {wording.days(first, last)}: {'; '.join(said)}.")
    return lines


def _missing(title: str, reason: str, trial: OpenTrial) -> Block:
    """A line in place of a picture; none for a crop dug or cut once, nor where the same is told
    again: under what the trial cannot tell, or as why nothing was picked."""
    analysis = trial.conclusion.analysis
    told_before = isinstance(analysis.pods, Missing) and analysis.pods.reason == reason
    again = any(reason in line for line in trial.conclusion.cannot_tell)
    if not isinstance(analysis.harvest, Missing) or again or (told_before and title != YIELD):
        return Block("", "")
    text = f"{title}: not shown, as {reason}."
    html = part("paragraphs", paragraphs=[isolate(text, trial.names)], kind="missing")
    return Block(html, text)


# ------------------------------------------------------------------------------------------------
# What was done to the bed and what befell it: events and notes, in order of date.
# ------------------------------------------------------------------------------------------------

LINES = 40
"""More lines than this and the earliest are counted, not shown."""
NAMED = 4
"""Plants or plots named of one event; the rest by number."""


@told
def events(trial: OpenTrial) -> Block:
    """A line for each thing done on a day, and the notes made at a pick; nothing without any."""
    records = trial.records
    lines = [*event_lines(records.events), *rain_lines(records.weather, records.trial)]
    return bullets(lines, trial.names)


def rain_lines(weather: pd.DataFrame, about: Trial) -> list[str]:
    """How much rain fell, on how many days and when most; nothing where none was recorded.

    weather : date, rain_mm (missing: not recorded, which is not the same as none).
    """
    known = weather.dropna(subset=["date", "rain_mm"]) if "rain_mm" in weather else weather.head(0)
    if known.empty:
        return []
    inches = about.height_unit in ("ft", "in")

    def amount(mm: float) -> str:
        return f"{mm / 25.4:.2f} in" if inches else f"{mm:.0f} mm"

    first, last = wording.day(known["date"].min()), wording.day(known["date"].max())
    fell = known[known["rain_mm"] > 0]
    span = f"from {first} to {last}, {wording.counted(len(known), 'day')} recorded"
    if fell.empty:
        return [f"No rain {span}."]
    most = fell.sort_values("rain_mm", ascending=False, kind="stable")
    when, mm = most["date"].iloc[0], float(most["rain_mm"].iloc[0])
    return [f"Rain: {amount(float(fell['rain_mm'].sum()))} on "
            f"{wording.counted(len(fell), 'day')} {span}; most on {wording.day(when)}, "
            f"{amount(mm)}."]


def event_lines(recorded: pd.DataFrame) -> list[str]:
    """`12 July: watered (plots 1A and 2B): hose ran all night.` or `12 July, plant P1: limp.`

    recorded : date, plant, plot, event, note; one row a plant or a plot, or one for the whole bed.
    """
    lines = []
    known = recorded.dropna(subset=["date", "event"]).sort_values("date", kind="stable")
    key = [known["date"], known["event"].astype(str), known["note"].fillna("").astype(str)]
    for named, alike in known.groupby(key, sort=False):
        when, event, note = named[0], str(named[1]), str(named[2])
        if event == WITHHELD and not note:
            continue
        where = [
            f"{thing if len(names) == 1 else thing + 's'} {wording.few(names, NAMED)}"
            for thing in ("plot", "plant")
            if (names := list(dict.fromkeys(alike[thing].dropna().astype(str))))
        ]
        if event == NOTE.field:
            lines.append(f"{', '.join([wording.day(when), *where])}: {note.rstrip('. ')}.")
            continue
        said = f"{event} ({', '.join(where)})" if where else event
        told_so = f": {note.rstrip('. ')}" if note else ""
        lines.append(f"{wording.day(when)}: {said}{told_so}.")
    if len(lines) > LINES:
        lines = [f"{len(lines) - LINES} earlier events are in the records.", *lines[-LINES:]]
    return lines
