"""The verdict in words: two plain sentences, how sure, and the next step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.decide.looks import KEEP, SETTLED, UNSETTLED, Claim, LooksResult
from trialkit.decide.series import Looks
from trialkit.design.audit import RowsExplain, grouped_in
from trialkit.models.analysis import Analysis
from trialkit.models.position import MATTERS
from trialkit.models.results import Missing, TraitResult
from trialkit.wording import counted, day, few, figure, span, times

DESCRIPTION, NOTHING = "description only", "nothing yet"


@dataclass(frozen=True)
class Verdict:
    """answer: two sentences.  how_sure, next_step: a sentence or three each.  cannot_tell: what
    the trial leaves open.  state: "settled", "keep picking", "will not be settled this season",
    "description only" (the layout supports no comparison) or "nothing yet"."""

    answer: str
    how_sure: str
    next_step: str
    cannot_tell: tuple[str, ...]
    state: str


def verdict(
    analysis: Analysis, looks: Looks | None, table: pd.DataFrame,
    open_questions: tuple[str, ...], rows: RowsExplain | None = None,
) -> Verdict:
    """Word the conclusion.  Every number comes from `table` or from the looks behind it."""
    if isinstance(analysis.pods, Missing):
        if isinstance(analysis.harvest, TraitResult):
            from trialkit.decide.harvested import harvested

            return harvested(analysis, open_questions, rows)
        return _nothing(analysis, open_questions)
    if looks is None:
        return _description(analysis, open_questions, rows)
    if not looks.against_check:
        return _without_check(analysis, looks, table, open_questions)
    return _with_check(analysis, looks, table, open_questions)


def _with_check(
    analysis: Analysis, looks: Looks, table: pd.DataFrame, open_questions: tuple[str, ...]
) -> Verdict:
    check, counted = str(analysis.check), analysis.counted
    rows = table.set_index("variety")
    results = {left: r for (left, _), r in looks.results.items()}
    ahead = [v for v, r in results.items() if r.state == SETTLED and r.direction > 0]
    behind = [v for v, r in results.items() if r.state == SETTLED and r.direction < 0]
    ratios = rows["ratio"].astype(float)
    by_ratio = sorted(results, key=lambda v: -ratios[v])
    subject = next((v for v in by_ratio if v in ahead), by_ratio[0])
    row: Any = rows.loc[subject]
    size = times(row["ratio"]) + span(row["ratio_low"], row["ratio_high"])
    early = ", too early to say within what limits" if pd.isna(row["ratio_low"]) else ""
    if subject in ahead:
        upto = "" if pd.isna(row["as_of"]) else f", up to {day(row['as_of'])}"
        first = f"{subject} gave {size} the {counted} of {check}, the check{upto}."
    elif row["ratio"] >= 1:
        first = (f"{subject} is ahead of {check}, the check, so far, at {size} its {counted}"
                 f"{early}, but that may still be chance.")
    else:
        first = (f"No variety gave more {counted} than {check}, the check; next is {subject} at "
                 f"{size}.")
    undecided = [v for v, r in results.items() if r.state == KEEP]
    state = SETTLED if subject in ahead else (KEEP if undecided else (
        SETTLED if len(behind) == len(results) else UNSETTLED))
    second = _reach_sentence(analysis, rows, subject, check) or _others(
        ahead, behind, subject, check, counted, rows)
    sure = _how_sure(analysis, results[subject], state) + _place(analysis, subject, check)
    return Verdict(f"{first} {second}", sure,
                   _next_step(analysis, looks, state, undecided), open_questions, state)


def _reach_sentence(
    analysis: Analysis, rows: pd.DataFrame, subject: str, check: str
) -> str:
    """The headline trait of the same two varieties, where reach makes a difference."""
    a: Any = rows.loc[subject]
    b: Any = rows.loc[check]
    if pd.isna(a["within_reach"]) or pd.isna(b["within_reach"]):
        return ""
    if rows["out_of_reach"].isna().all():
        return ""
    said = (f"Within an arm's reach it gave {figure(a['within_reach'])} {analysis.counted} a plant "
            f"a week, {check} {figure(b['within_reach'])}")
    gone = [f"{name} was out of reach from {day(row['out_of_reach'])}"
            for name, row in ((subject, a), (check, b)) if pd.notna(row["out_of_reach"])]
    if gone:
        said += ", as " + " and ".join(gone)
    return said + "."


def _others(
    ahead: list[str], behind: list[str], subject: str, check: str, counted: str, rows: pd.DataFrame
) -> str:
    rest = [v for v in ahead if v != subject]
    open_ = [v for v in rows.index if v not in {*ahead, *behind, subject, check}]
    parts = []
    if rest:
        parts.append(f"{few(rest)} gave more than {check} too")
    if behind:
        parts.append(f"{few(behind)} gave less")
    if open_:
        parts.append(f"{few(open_)} cannot be told from it")
    if not parts:
        return f"There is no other variety to set against {check}."
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."


def _how_sure(analysis: Analysis, result: LooksResult, state: str, turn: float = 1.0) -> str:
    """turn: -1 where the answer tells the comparison the other way round."""
    looks = counted(result.looks, "look")
    planned = f" of {result.planned} planned" if result.planned else ""
    plots = _plots(analysis)
    if state == SETTLED:
        claim = result.claim
        assert claim is not None
        held = f"still holds after {looks}{planned}" if claim.newest else (
            f"is that of look {claim.number}{planned}, on {day(claim.date)}")
        return (f"Sure enough to say so: the interval in brackets {held}, and over all looks at "
                "all varieties a winner that is none is named at most one time in twenty. Settled "
                f"on {day(result.settled_on)}.{_since_then(result, claim, turn)} It rests on "
                f"{plots}.")
    chance = result.chance_at_trend
    outlook = "" if chance is None else (
        f" If things go on as they are, the chance of settling it is {_percent(chance)}.")
    return (f"Not sure: after {looks}{planned} the difference could still be chance, with {plots} "
            f"to go by.{outlook}")


def _since_then(result: LooksResult, claim: Claim, turn: float) -> str:
    """What came after the look that is told: a description, and never another verdict."""
    if claim.newest or not np.isfinite(result.estimate):
        return ""
    now = times(float(np.exp(turn * result.estimate)))
    if result.planned is not None and result.looks > result.planned:
        later = counted(result.looks - result.planned, "look")
        return f" {later} beyond the plan only describe{'s' if later.startswith('1 ') else ''}: " \
               f"it stands at {now} now."
    ends = sorted(float(np.exp(turn * e)) for e in (result.low, result.high))
    return f" Later picks have brought the two closer: {now}{span(*ends)} now."


def _place(analysis: Analysis, subject: str, check: str) -> str:
    """Whether place in the bed explains the difference."""
    position = analysis.position
    if isinstance(position, Missing) or not position.supported:
        return ""
    side = position.side_by_side.set_index("variety")
    if subject not in side.index:
        return ""
    row: Any = side.loc[subject]
    size = times(row["adjusted"]) + span(row["adjusted_low"], row["adjusted_high"])
    if abs(row["change"]) > MATTERS:
        return (f" The place in the bed matters: with it allowed for, {subject} stands at {size} "
                f"{check}, in a plain interval for one look.")
    where = " and ".join(position.trend["direction"].astype(str))
    return f" With a trend {where} (sun, shade) allowed for, it is {times(row['adjusted'])}."


def _percent(chance: float) -> str:
    if chance < 0.05:
        return "under 5 %"
    return "over 95 %" if chance > 0.95 else f"about {round(20 * chance) * 5} %"


def _plots(analysis: Analysis) -> str:
    units = analysis.ground.units
    each = units.groupby("variety").size()
    word = {"plot": "plot", "row": "row", "plant": "plant"}.get(analysis.ground.unit, "plot")
    if each.min() == each.max():
        return f"{counted(int(each.min()), word)} of each variety"
    return f"{each.min()} to {each.max()} {word}s of each variety"


def _next_step(analysis: Analysis, looks: Looks, state: str, undecided: list[str]) -> str:
    check = str(analysis.check)
    if state == SETTLED and undecided:
        return (f"Keep counting only if you want to know how {few(undecided)} "
                f"{'compares' if len(undecided) == 1 else 'compare'} with {check}; the first "
                "question is settled.")
    if state == SETTLED:
        return "There is no need to count any further: go on picking for the kitchen."
    if state == KEEP:
        longest = max(looks.results.values(), key=lambda r: r.looks)
        left = "" if longest.planned is None else (
            f" {counted(_left(longest), 'planned look is', 'planned looks are')} left.")
        return f"Keep picking, and keep writing down every plant, zeros too.{left}"
    within = grouped_in(analysis.ground.units, analysis.ground.by)
    return ("More picks will not settle it this season. Next year plant more plots of each "
            f"variety{', in more than ' if within else ''}{within}, rather than more plants in a "
            "plot.")


def _left(result: LooksResult) -> int:
    return max((result.planned or 0) - result.looks, 0)


def _without_check(
    analysis: Analysis, looks: Looks, table: pd.DataFrame, open_questions: tuple[str, ...]
) -> Verdict:
    pods = analysis.pods
    assert not isinstance(pods, Missing)
    order = [pods.varieties[i] for i in np.argsort(-pods.log_rate)]
    best, second = order[0], order[1]
    result = looks.results.get((best, second)) or looks.results[second, best]
    turn = 1.0 if (best, second) in looks.results else -1.0
    shown = result.claim or result
    ratio = float(np.exp(turn * shown.estimate))
    ends = sorted(float(np.exp(turn * e)) for e in (shown.low, shown.high))
    size = times(ratio) + span(*ends)
    won = result.state == SETTLED and turn * result.direction > 0
    upto = "" if result.claim is None or result.claim.newest else (
        f", up to {day(result.claim.date)}")
    first = (f"{best} gave {size} the {analysis.counted} of {second}, the next best{upto}." if won
             else
             f"{best} is ahead so far, at {size} the {analysis.counted} of {second}, but that may "
             "still be chance.")
    settled = [(a, b) if r.direction > 0 else (b, a) for (a, b), r in looks.results.items()
               if r.state == SETTLED]
    beaten = [b for a, b in settled if a == best and b != second]
    more = (f"It gave more than {few(beaten)} as well." if beaten and won else
            f"It did give more than {few(beaten)}." if beaten else
            f"{counted(len(settled), 'pair')} of the {len(looks.results)} can be told apart.")
    return Verdict(f"{first} {more}", _how_sure(analysis, result, result.state, turn),
                   _next_step(analysis, looks, result.state, []) + " Mark one variety as the check "
                   "next time: fewer comparisons settle sooner.", open_questions, result.state)


def _description(
    analysis: Analysis, open_questions: tuple[str, ...], rows: RowsExplain | None
) -> Verdict:
    pods = analysis.pods
    assert not isinstance(pods, Missing)
    counted = analysis.counted
    rates = pods.means.sort_values("estimate", ascending=False)
    said = [f"{name} {figure(rate)}" for name, rate in
            zip(rates["variety"], rates["estimate"].astype(float), strict=True)]
    first = f"In this bed the plants gave, in {counted} a plant a week: {few(said, 6)}."
    why = pods.why_not.rstrip(".")
    second = f"Which variety is better this trial cannot say: {why}."
    return Verdict(
        f"{first} {second}",
        "No interval or test is given, since the layout gives no measure of chance differences."
        + ("" if rows is None else f" {rows.full}"),
        _fix(analysis), open_questions, DESCRIPTION,
    )


def _fix(analysis: Analysis) -> str:
    """The audit's own advice where it gives one."""
    return analysis.audit.fix or (
        "Next year give every variety at least three plots, set in different places of the bed "
        "and drawn by lot within each block.")


def _nothing(analysis: Analysis, open_questions: tuple[str, ...]) -> Verdict:
    pods = analysis.pods
    assert isinstance(pods, Missing)
    why = pods.reason[:1].upper() + pods.reason[1:]
    return Verdict(
        f"There is nothing to compare yet. {why}.",
        "Not at all sure, as nothing has been counted." if analysis.looks.empty else
        "Not at all sure: nothing but zeros has been counted.",
        "Pick, and write down every plant looked at, zeros too.", open_questions, NOTHING,
    )
