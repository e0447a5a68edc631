"""The verdict in words: two plain sentences, how sure, and the next step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from trialkit.decide.looks import ALIKE, KEEP, SETTLED, UNSETTLED, LooksResult
from trialkit.decide.series import Looks
from trialkit.design.audit import RowsExplain, grouped_in
from trialkit.models.analysis import Analysis
from trialkit.models.position import MATTERS
from trialkit.models.results import Missing, TraitResult
from trialkit.models.totals import PlotTotals
from trialkit.wording import counted, day, few, figure, span, times

DESCRIPTION, NOTHING = "description only", "nothing yet"

TOO_WIDE = float(np.log(100.0))
"""A likely range whose ends are a hundredfold apart says nothing yet, and is not shown."""

LOSSES_MATTER = 0.15
"""Difference in the share of plants lost from which losses are told in the answer. Own choice:
about the smallest difference in yield that a bed of four blocks can show."""

TURNS_AT_MOST = 10.0
"""How many times the leader's rate is told as a figure; beyond it, as over so many."""

Mark = Literal["Firm", "Leaning", "Level", "Too soon", "No comparison"]


@dataclass(frozen=True)
class Verdict:
    """answer: two sentences at most.  how_sure, next_step: a sentence or three each.
    cannot_tell: what the trial leaves open.  state: "settled", "alike", "keep picking", "will not
    be settled this season", "description only" (no comparison can be made) or "nothing yet".
    mark: how sure, in a word or two.  sentence: the answer in one sentence of at most 25 words;
    where `answer` begins with it, the rest of it is what more there is to say.  pair: the variety
    ahead and the one it is told beside; empty where there is none."""

    answer: str
    how_sure: str
    next_step: str
    cannot_tell: tuple[str, ...]
    state: str
    mark: Mark = "No comparison"
    sentence: str = ""
    pair: tuple[str, ...] = ()


def verdict(
    analysis: Analysis, looks: Looks | None, totals: PlotTotals | None, table: pd.DataFrame,
    open_questions: tuple[str, ...], rows: RowsExplain | None = None,
) -> Verdict:
    """Word the conclusion.  Every number comes from `table` or from the looks behind it."""
    if isinstance(analysis.pods, Missing):
        if isinstance(analysis.harvest, TraitResult):
            from trialkit.decide.harvested import harvested

            return harvested(analysis, open_questions, rows)
        return _nothing(analysis, open_questions)
    if looks is None or totals is None:
        return _description(analysis, totals, table, open_questions, rows)
    told = _Told(analysis, looks, totals, table.set_index("variety"))
    if looks.against_check:
        return _with_check(told, open_questions)
    return _without_check(told, open_questions)


@dataclass(frozen=True)
class _Told:
    """What the sentences are about."""

    analysis: Analysis
    looks: Looks
    totals: PlotTotals
    rows: pd.DataFrame

    def gave(self, variety: str) -> str:
        return figure(float(self.rows["gave"].astype(float)[variety]))

    def sentence(self, first: str, second: str, role: str) -> str:
        """What two varieties gave, up to when."""
        counted = self.analysis.counted
        other = f"{second}{role}" if role else second
        if self.looks.season_over:
            return (f"{first} gave {self.gave(first)} {counted} per plant planted over the whole "
                    f"season; {other}, gave {self.gave(second)}" if role else
                    f"{first} gave {self.gave(first)} {counted} per plant planted over the whole "
                    f"season and {other} {self.gave(second)}")
        return (f"By {day(self.looks.as_of)} {first} had given {self.gave(first)} {counted} per "
                f"plant planted and {other}{',' if role else ''} {self.gave(second)}")


def _with_check(told: _Told, open_questions: tuple[str, ...]) -> Verdict:
    check = str(told.analysis.check)
    results = {left: r for (left, _), r in told.looks.results.items()}
    ahead = [v for v, r in results.items() if r.state == SETTLED and r.direction > 0]
    behind = [v for v, r in results.items() if r.state == SETTLED and r.direction < 0]
    ratios = pd.Series({v: float(np.exp(r.estimate)) for v, r in results.items()})
    by_ratio = sorted(results, key=lambda v: -ratios[v] if np.isfinite(ratios[v]) else np.inf)
    subject = next((v for v in by_ratio if v in ahead), by_ratio[0])
    result = results[subject]
    undecided = [v for v, r in results.items() if r.state == KEEP]
    if not np.isfinite(ratios[subject]):
        return _too_soon(told, [subject, check], open_questions)
    leads = ratios[subject] >= 1
    pair = (subject, check) if leads else (check, subject)
    first = told.sentence(*pair, ", your check" if leads else "")
    if not leads:
        first = first.replace(f"{check} ", f"{check}, your check, ", 1)
    firm = result.state == SETTLED
    mark = _mark(result)
    tail = "" if firm else (
        ": too close to matter" if result.state == ALIKE else
        ": too close to call" if result.over else ", perhaps by luck")
    state = result.state if firm or result.state == ALIKE else (KEEP if undecided else (
        SETTLED if len(behind) == len(results) else UNSETTLED))
    second = _others(results, ratios, subject, check) + _losses(told, [*results, check])
    sure = _how_sure(told, result, 1.0) + _place(told.analysis, subject, check)
    return Verdict(f"{first}{tail}.{second}", sure, _next_step(told, pair, result, undecided),
                   open_questions, state, mark, f"{first}{tail}.", pair)


def _mark(result: LooksResult) -> Mark:
    """Firm is for acting on: nothing more is to come that could turn it."""
    if result.state == SETTLED:
        return "Firm" if result.over else "Leaning"
    if not np.isfinite(result.low) or result.high - result.low > TOO_WIDE:
        return "Too soon"
    return "Level" if result.state == ALIKE else "Leaning"


def _others(
    results: dict[str, LooksResult], ratios: pd.Series, subject: str, check: str
) -> str:
    """Where the other varieties stand to the check, named."""
    rest = {v: r for v, r in results.items() if v != subject}
    groups = (
        ([v for v, r in rest.items() if r.state == SETTLED and r.direction > 0],
         f"gave more than {check} too"),
        ([v for v, r in rest.items() if r.state == SETTLED and r.direction < 0],
         f"gave less than {check}"),
        ([v for v, r in rest.items() if r.state == ALIKE], f"came level with {check}"),
        ([v for v, r in rest.items() if r.state not in (SETTLED, ALIKE)],
         f"against {check}: still too close to call"),
    )
    parts = [f"{few(names)} {what}" for names, what in groups if names]
    return f" {'; '.join(parts)}." if parts else ""


def _losses(told: _Told, names: list[str]) -> str:
    """Lost plants, where one variety lost so many more than another that it could turn the order:
    its plants might have given what its others gave."""
    share = (told.rows["lost"] / told.rows["planted"]).astype(float)[names]
    if share.max() - share.min() < LOSSES_MATTER:
        return ""
    worst = str(share.idxmax())
    lost, planted = (int(told.rows[c].astype(int)[worst]) for c in ("lost", "planted"))
    return f" {worst} lost {lost} of {planted} plants; these gaps count."


def _how_sure(told: _Told, result: LooksResult, turn: float) -> str:
    """turn: -1 where the answer tells the comparison the other way round."""
    analysis = told.analysis
    picks = counted(result.looks, "pick")
    planned = f" of {result.planned} planned" if result.planned else ""
    plots = _plots(analysis)
    left, right = result.names if turn > 0 else result.names[::-1]
    ends = sorted(float(np.exp(turn * e)) for e in (result.low, result.high))
    barren = [v for v in (left, right) if float(told.rows["gave"].astype(float)[v]) == 0]
    known = (np.isfinite(result.low) and result.high - result.low < TOO_WIDE) and not barren
    size = times(float(np.exp(turn * result.estimate)))
    told_range = f"{size}{span(*ends)}" if known else size
    if not known and result.state == SETTLED:
        told_range = (f"at least {times(ends[0])}" if turn * result.direction > 0 else
                      f"at most {times(ends[1])}")
    elif barren:
        told_range = "too little to say how many times"
    out = [f"{left} gave {told_range} what {right} gave, after {picks}{planned}, on {plots}."]
    if not known and result.state != SETTLED:
        out.append("It is too early to give a likely range.")
    if result.state == SETTLED:
        out.append("The range leaves out a tie. It allows for every pick you looked at and every "
                   "variety: if all were alike, at most 1 such trial in 20 would name a winner.")
        if not told.looks.season_over:
            out.append(f"This is the crop up to {day(told.looks.as_of)}, not the whole season's."
                       + _to_turn(told, result))
    elif result.state == ALIKE:
        assert result.alike_within is not None
        out.append(f"A gap under {times(float(np.exp(result.alike_within)))} counts as too small "
                   "to matter, and the whole range lies within it.")
    else:
        out.append("The gap could be luck.")
        if result.chance_at_trend is not None:
            out.append("On present form the chance of a firm answer this season is "
                       f"{_percent(result.chance_at_trend)}.")
    return " ".join(out)


def _to_turn(told: _Told, result: LooksResult) -> str:
    """How much the other would have to give from now on to draw level by the last planned pick.

    At the low end of the likely range the leader has given A and the other A / low. Over the
    planned picks left the leader goes on at its mean rate of the last third of its picks, r; the
    other draws level at the rate R r with R = 1 + A (1 - 1 / low) / (r T).
    """
    if result.planned is None or result.planned <= result.looks or len(told.totals.day) < 4:
        return ""
    leader, other = result.names if result.direction > 0 else result.names[::-1]
    low = float(np.exp(result.low if result.direction > 0 else -result.high))
    so_far = told.totals.per_plant[leader].to_numpy(float)
    days = told.totals.day.to_series().map(pd.Timestamp.toordinal).to_numpy(float)
    back = max(len(days) // 3, 2)
    since = max(days[-1] - days[-1 - back], 1.0)
    rate = (so_far[-1] - so_far[-1 - back]) / since
    ahead = (result.planned - result.looks) * float(np.median(np.diff(days)))
    if not rate > 0 or not ahead > 0:
        return f" {leader} has nearly stopped, so {other} could still overtake it."
    needed = 1.0 + so_far[-1] * (1.0 - 1.0 / low) / (rate * ahead)
    if needed > TURNS_AT_MOST:
        return (f" {other} would have to give over {TURNS_AT_MOST:g} times what {leader} gives "
                "from now on to draw level by the last planned pick.")
    return (f" {other} could still draw level by the last planned pick: it would have to give "
            f"{times(needed)} what {leader} gives from now on.")


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


def _next_step(
    told: _Told, pair: tuple[str, str], result: LooksResult, undecided: list[str]
) -> str:
    left = 0 if result.planned is None else max(result.planned - result.looks, 0)
    to_go = f" {counted(left, 'planned pick is', 'planned picks are')} left." if left else ""
    if result.over:
        if result.state == SETTLED:
            return f"You can stop counting. Grow {pair[0]} and {pair[1]} again next year."
        if result.state == ALIKE:
            return "You can stop counting. Choose between them by what else you like in them."
        within = grouped_in(told.analysis.ground.units, told.analysis.ground.by)
        return ("More picks will not answer it. Next year give each variety more plots"
                f"{', in more than ' if within else ''}{within}, rather than more plants in a "
                "plot.")
    if result.state == UNSETTLED and not undecided:
        return ("A firm answer this season is unlikely. You can stop counting; next year give "
                "each variety more plots, rather than more plants in a plot.")
    if result.state == SETTLED:
        return ("Keep picking, and keep writing down every plant, zeros too: a later variety can "
                f"still catch up.{to_go}")
    return f"Keep picking, and keep writing down every plant, zeros too.{to_go}"


def _too_soon(told: _Told, names: list[str], open_questions: tuple[str, ...]) -> Verdict:
    counted_ = told.analysis.counted
    first = (f"It is too early to say: {names[0]} and {names[1]} have given too few {counted_} to "
             "compare.")
    over = told.looks.season_over
    return Verdict(first, "One strong plant can still swap the order.",
                   "Count every plant at each pick, zeros too, and come back in two weeks."
                   if not over else "Next year plant more plots of each variety.",
                   open_questions, UNSETTLED if over else KEEP, "Too soon", first,
                   tuple(names))


def _without_check(told: _Told, open_questions: tuple[str, ...]) -> Verdict:
    gave = told.rows["gave"].astype(float).dropna().sort_values(ascending=False, kind="stable")
    if len(gave) < 2:
        return _too_soon(told, [*map(str, told.rows.index), ""][:2], open_questions)
    results = told.looks.results
    best, second = str(gave.index[0]), str(gave.index[1])
    result = results.get((best, second)) or results[second, best]
    turn = 1.0 if (best, second) in results else -1.0
    if not np.isfinite(result.estimate):
        return _too_soon(told, [best, second], open_questions)
    firm = result.state == SETTLED and turn * result.direction > 0
    tail = "" if firm else (": too close to matter" if result.state == ALIKE else
                            ": too close to call" if result.over else ", perhaps by luck")
    settled = [(a, b) if r.direction > 0 else (b, a) for (a, b), r in results.items()
               if r.state == SETTLED]
    beaten = [b for a, b in settled if a == best and b != second]
    others = [f"{a} more than {b}" for a, b in settled if a != best]
    more = f" {best} gave more than {few(beaten)}." if beaten else (
        f" {few(others)}, firmly." if others else "")
    undecided = [a for (a, _), r in results.items() if r.state == KEEP]
    more += _losses(told, [str(v) for v in gave.index])
    return Verdict(
        f"{told.sentence(best, second, '')}{tail}.{more}", _how_sure(told, result, turn),
        _next_step(told, (best, second), result, undecided)
        + " Mark one variety as the check next time: fewer comparisons are easier to settle.",
        open_questions, result.state, _mark(result),
        f"{told.sentence(best, second, '')}{tail}.", (best, second))


def _description(
    analysis: Analysis, totals: PlotTotals | None, table: pd.DataFrame,
    open_questions: tuple[str, ...], rows: RowsExplain | None,
) -> Verdict:
    gave = table.set_index("variety")["gave"].astype(float).dropna().sort_values(
        ascending=False, kind="stable")
    each = [f"{name} {figure(value)}" for name, value in gave.items()]
    ranked = tuple(str(name) for name in gave.index[:2])
    first = f"In this bed the plants gave, in {analysis.counted} per plant planted: {few(each, 6)}."
    if totals is not None and totals.zeros_unsure and analysis.ground.supported:
        return Verdict(
            f"{first} Which variety is better cannot be said until you say what a blank means.",
            "Plants were passed over at some picks, and no zero is written anywhere. If nothing "
            "was there to pick, those blanks are zeros, and they can turn the answer round.",
            'Write zeros = "left out" into trial.toml if a blank means there was nothing to pick, '
            'or zeros = "written" if it means nobody looked.',
            open_questions, DESCRIPTION, "No comparison",
            "Say what a blank means first: at some picks plants were passed over, and no zero is "
            "written.", ranked)
    why = analysis.ground.why_not.rstrip(".")
    second = f"Which variety is better this trial cannot say: {why}."
    return Verdict(
        f"{first} {second}",
        "No range is given, as the layout leaves no way to rule out luck."
        + ("" if rows is None else f" {rows.full}"),
        _fix(analysis), open_questions, DESCRIPTION, "No comparison",
        _gave_most(analysis, gave), ranked)


def _gave_most(analysis: Analysis, gave: pd.Series) -> str:
    """What the first two gave in a bed that cannot compare them."""
    best = str(gave.index[0])
    if len(gave) < 2:
        return f"{best} gave {figure(float(gave.iloc[0]))} {analysis.counted} per plant planted."
    row = "'s row" if analysis.ground.unit == "row" else ""
    other = f"{gave.index[1]}'s" if row else str(gave.index[1])
    return (f"{best}{row} gave {figure(float(gave.iloc[0]))} {analysis.counted} per plant planted "
            f"and {other} {figure(float(gave.iloc[1]))}, but soil or light may explain that.")


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
        "Too soon",
        "Nothing has been picked yet." if analysis.looks.empty else
        "Nothing but zeros has been counted so far.")
