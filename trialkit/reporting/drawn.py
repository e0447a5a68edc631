"""The pictures of the report: each cell takes a trait's frames to a drawing, or says what is
missing."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit import plots
from trialkit.models import Missing, TraitResult
from trialkit.models.position import PositionResult
from trialkit.models.rate import RateResult
from trialkit.reporting import pictures, words
from trialkit.reporting.blocks import Block, isolate, part
from trialkit.reporting.opened import OpenTrial, told

BAND = "Band: 95 % interval of the variety."
SLUMPS_SAID = 8
YIELD = "Yield so far"
NO_BAND = "No band: the layout gives no measure of chance differences."


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
    drawn = plots.totals(_ordered(trial, season.curve), what, _band(season), check)
    return pictures.show(drawn, "yield-so-far", trial.names)


@told
def height_and_reach(trial: OpenTrial) -> Block:
    """Height over time, with the line of an arm's reach."""
    height = trial.conclusion.analysis.height
    if isinstance(height, Missing):
        return _missing("Height", height.reason, trial)
    about = trial.records.trial
    scale, unit = words.height_scale(about.height_unit)
    curve = height.curve.copy()
    curve[["estimate", "low", "high"]] /= scale
    seen = height.seen[["variety", "date"]].assign(height=height.seen["height_cm"] / scale)
    drawn = plots.heights(
        _ordered(trial, curve),
        seen,
        unit,
        _band(height),
        reach=about.reach_cm / scale if about.reach_cm else None,
        check=about.check,
    )
    return pictures.show(drawn, "height", trial.names)


@told
def rate_over_season(trial: OpenTrial) -> Block:
    """How fast each variety gave, over the season, with hot spells."""
    rate = trial.conclusion.analysis.rate
    if isinstance(rate, Missing):
        return _missing("Rate over the season", rate.reason, trial)
    about = trial.records.trial
    drawn = plots.rates(
        _ordered(trial, rate.curve),
        f"{trial.conclusion.analysis.counted} a plant a week",
        _band(rate),
        about.check,
        hot=rate.hot,
        enough=about.threshold_per_week,
    )
    return pictures.show(drawn, "rate", trial.names, _slumps(rate))


@told
def bed_map(trial: OpenTrial) -> Block:
    """The bed from above: where plants gave more or less than their variety does."""
    position = trial.conclusion.analysis.position
    if isinstance(position, Missing):
        return _missing("The bed", position.reason, trial)
    about = trial.records.trial.layout
    sun = f"Sun: {about.sun}." if about.sun else ""
    shade = f" Shade: {about.shade}." if about.shade else ""
    counted = trial.conclusion.analysis.counted
    drawn = plots.bed(position.bed, f"{counted} a plant", (sun + shade).strip() or None)
    return pictures.show(drawn, "bed", trial.names, _trend(position))


@told
def compared(trial: OpenTrial) -> Block:
    """Every variety on one scale: against the check where there is one, else as it stands."""
    drawn = compared_picture(trial)
    return Block("", "") if drawn is None else pictures.show(drawn, "compared", trial.names)


def compared_picture(trial: OpenTrial) -> plots.Picture | None:
    """The drawing of `compared`; None where there is nothing to compare."""
    conclusion = trial.conclusion
    table = conclusion.table
    check = trial.records.trial.check
    main = headline(trial)
    if isinstance(main, Missing):
        return None
    ratios = table.rename(columns={"ratio_low": "low", "ratio_high": "high"})
    ratios = ratios.assign(estimate=ratios["ratio"])[["variety", "estimate", "low", "high"]]
    if check is not None and ratios["estimate"].notna().sum() > 1:
        ratio = conclusion.ratio_is == "ratio"
        name = plots.short([check], 16)[check]
        axis = f"season yield, times {name}" if ratio else f"{main.unit}, more than {name}"
        rows, to = ratios.dropna(subset=["estimate"]), 1.0 if ratio else 0.0
        note = f"Dashed line: {check}, the check. Dot: best estimate."
    else:
        rows = main.means[["variety", "estimate", "low", "high"]].sort_values(
            "estimate", ascending=False, kind="stable"
        )
        axis, to, note = words.with_unit(main.label, main.unit), None, "Dot: best estimate."
    if rows["low"].notna().any():
        note += " Bar: the range it may well lie in (95 % interval)."
    elif not main.supported:
        note += " No bar: the layout gives no measure of chance differences."
    return plots.compared(rows, axis, note, to)


@told
def place_in_bed(trial: OpenTrial) -> Block:
    """The ratios with and without the place in the bed, where it makes a difference."""
    position = trial.conclusion.analysis.position
    if isinstance(position, Missing) or not position.differs:
        return Block("", "")
    rows = [
        (
            str(row.variety),
            f"{words.number(row.unadjusted)} times"
            f"{_bracketed(row.unadjusted_low, row.unadjusted_high)}",
            f"{words.number(row.adjusted)} times{_bracketed(row.adjusted_low, row.adjusted_high)}",
        )
        for row in position.side_by_side.itertuples(index=False)
    ]
    caption = "Ratio to the check as counted, and with the place in the bed allowed for"
    heads = ("Variety", "As counted", "Place allowed for")
    html = part("table", caption=caption, heads=heads, rows=rows)
    return Block(html, "\n".join([caption, *("  ".join(cells) for cells in rows)]))


def _trend(position: PositionResult) -> list[str]:
    """What the place in the bed does: from the first plants of a row to the last, and so on."""
    lines = [
        f"{words.capital(str(row.direction))}, the last plants gave {words.number(row.ratio)} "
        f"times the first{_bracketed(row.low, row.high)}, varieties and blocks allowed for."
        for row in position.trend.itertuples(index=False)
    ]
    if lines and not position.differs:
        lines.append("Allowing for that changes no variety's ratio by more than a tenth.")
    return lines


def _bracketed(low: object, high: object) -> str:
    span = words.interval(low, high)
    return f" ({span})" if span else ""


def headline(trial: OpenTrial) -> TraitResult | Missing:
    """The trait the table of varieties leads with: pods within reach, or what was dug once."""
    analysis = trial.conclusion.analysis
    if isinstance(analysis.window, Missing) and not isinstance(analysis.harvest, Missing):
        return analysis.harvest
    return analysis.window


def _band(result: TraitResult) -> str:
    return BAND if result.supported else NO_BAND


def _ordered(trial: OpenTrial, curve: pd.DataFrame) -> pd.DataFrame:
    """The varieties in the order of the table, best first."""
    place = {name: at for at, name in enumerate(trial.conclusion.table["variety"])}
    return curve.sort_values("variety", key=lambda v: v.map(place), kind="stable")


def _slumps(rate: RateResult) -> list[str]:
    """A sentence a hot spell: how far each variety fell, and whether it came back."""
    lines = []
    row: Any
    for _, spell in rate.slumps.groupby(["hot_from", "hot_to"], sort=True):
        first, last = spell[["hot_from", "hot_to"]].iloc[0]
        said = []
        for row in spell.head(SLUMPS_SAID).itertuples(index=False):
            fell = "" if row.recovery == "no slump" else f"down {row.depth:.0%}, "
            said.append(f"{row.variety} {fell}{row.recovery}")
        more = len(spell) - SLUMPS_SAID
        rest = f"; the other {more} are listed below, under how it was done" if more > 0 else ""
        lines.append(f"Hot {words.days(first, last)}: {'; '.join(said)}{rest}.")
    return lines


def _missing(title: str, reason: str, trial: OpenTrial) -> Block:
    """A line in place of a picture; none for a crop dug or cut once, nor the same line twice."""
    analysis = trial.conclusion.analysis
    told_before = isinstance(analysis.pods, Missing) and analysis.pods.reason == reason
    if not isinstance(analysis.harvest, Missing) or (told_before and title != YIELD):
        return Block("", "")
    text = f"{title}: not shown, as {reason}."
    html = part("paragraphs", paragraphs=[isolate(text, trial.names)], kind="missing")
    return Block(html, text)
