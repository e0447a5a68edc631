"""A trait of the gardener's own as the trial's question: which of its values is compared, and how
its figures and gaps are worded.

The comparison itself is that of `models.own`: one comparison of everything recorded so far.
"""

from __future__ import annotations

from dataclasses import replace

from trialkit.decide.one_trait import Asked
from trialkit.models.own import OwnResult
from trialkit.records import Records
from trialkit.records.owntraits import values_of
from trialkit.trial import OwnTrait
from trialkit.wording import capital, counted, day

ONE_LOOK = ("This counts as one look at the records. Looking again after every record and stopping "
            "at the first winner would name false ones more often.")


def own_question(
    records: Records, trait: OwnTrait, result: OwnResult, worthwhile_days: float
) -> Asked:
    """The trait as the answer is read from it; `result` is what `models.own` made of it."""
    less = trait.better == "less"
    dated = trait.kind == "day"
    better = ("earlier" if less else "later") if dated else trait.better
    odds = result.scale == "odds"
    return Asked(
        replace(result, scale="ratio") if odds else result, less=less,
        worthwhile=worthwhile_days if dated else None, dated=dated,
        about=f"{capital(_value_of(trait))}{_up_to(records, trait)}, {better} is better",
        unit="" if trait.kind == "score" else result.unit,
        gap=_gap(trait),
        # What is too small to matter is said as a ratio of amounts; of odds nobody said it.
        may_be_level=not odds, own=trait.name, compared=_compared(records, trait, result))


def own_label(trait: OwnTrait) -> str:
    """The trait as a heading of figures: its name, and which end is better."""
    better = ("earlier" if trait.better == "less" else "later") if trait.kind == "day" else (
        trait.better)
    return f"{trait.name} ({better} is better)"


def _value_of(trait: OwnTrait) -> str:
    return f"{trait.name}, mean score" if trait.kind == "score" else trait.name


def _up_to(records: Records, trait: OwnTrait) -> str:
    days = values_of(records.traits, trait)["date"].dropna()
    if trait.kind == "day" or trait.when == "once" or days.nunique() < 2:
        return ""
    return f" up to {day(days.max())}"


def _gap(trait: OwnTrait) -> str:
    """The sentence of a comparison of two varieties that is none of their means' difference; filled
    in with best, other and times.  What is compared by its odds is told without a figure: they are
    no measure that a gardener knows, and stand with their range in the method."""
    less, name = trait.better == "less", capital(trait.name)
    if trait.kind == "count":
        return "{best} had {times} what {other} had"
    if trait.kind == "score":
        return f"{name} was scored {'lower' if less else 'higher'} for {{best}} than for {{other}}"
    if trait.kind == "yes or no":
        return f"{name} was seen {'less' if less else 'more'} often in {{best}} than in {{other}}"
    if trait.kind == "share":
        return (f"The share of {trait.name} was {'lower' if less else 'higher'} for {{best}} than "
                "for {other}")
    return ""


def _compared(records: Records, trait: OwnTrait, result: OwnResult) -> str:
    """Which of several values is compared, and that it is one look."""
    rows = values_of(records.traits, trait)
    days = rows["date"].nunique()
    said = []
    if trait.kind == "day":
        plants = rows["plant"].nunique()
        by_plots = result.supported and result.means["records"].sum() == (
            result.means["plots"].sum()) and plants > result.means["plots"].sum()
        said.append("The day by which half of each plot's plants had it is compared, as some have "
                    "not had it yet." if by_plots else
                    f"The day it was first seen on each {trait.on} is compared.")
    elif trait.when == "once":
        if rows["plant"].duplicated().any():
            said.append(f"Of a {trait.on} recorded more than once the last value is compared.")
    elif days > 1:
        said.append(f"{capital(trait.name)} was recorded on {counted(days, 'day')}. Each variety's "
                    "average over all of them is compared, not its last value.")
    if trait.kind == "score":
        steps = result.unit.removeprefix("mean score, ")
        said.append(f"Scores go from {steps}.")
    if days > 1:
        said.append(ONE_LOOK)
    return " ".join(said)
