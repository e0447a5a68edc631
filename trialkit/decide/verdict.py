"""The verdict: what a trial answers, how surely, and what to do next.

Its form, which every answer has, comes first; then the answer from picks counted or weighed all
season, looked at after each of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.decide.looks import ALIKE, KEEP, SETTLED, UNSETTLED, LooksResult, State
from trialkit.decide.series import BEYOND_REACH, Looks, Quantity, Rest, means_so_far, rests
from trialkit.design.audit import RowsExplain, grouped_in
from trialkit.models.analysis import Analysis
from trialkit.models.position import MATTERS
from trialkit.models.results import Missing
from trialkit.models.totals import PlotTotals
from trialkit.records.plots import basket_names
from trialkit.wording import capital, counted, day, few, figure, listed, percent, span, times

DESCRIPTION, NOTHING = "description only", "nothing yet"

Mark = Literal["Firm", "Leaning", "Too close", "Level", "Too soon", "No comparison"]
"""Firm: act. Leaning: go on counting. Level: the gap is too small to matter. Too soon: wait. No
comparison: the layout can't tell. Too close: nothing more is to come and luck is not ruled out,
which none of the others says: it is not level, as that would be known, and there is nothing to
wait for or to go on with."""


@dataclass(frozen=True)
class Verdict:
    """answer: two sentences at most.  how_sure, next_step: a sentence or three each.
    state: "settled", "alike", "keep picking", "will not
    be settled this season", "description only" (no comparison can be made) or "nothing yet".
    mark: how sure, in a word or two; "Leaning" only while more is to come.
    sentence: the answer in one sentence; a second says what could turn it (lost plants, a late
    variety, one out of reach) where both have at most 27 words; where `answer` begins with it, the
    rest of it is what more there is to say.  pair: the variety ahead
    and the one it is told beside; empty where there is none.  headline: the answer in at
    most four words, where they do not follow from the rest; else empty. means: what a reader may
    make of the mark, where the mark alone does not say."""

    answer: str
    how_sure: str
    next_step: str
    state: str
    mark: Mark = "No comparison"
    sentence: str = ""
    pair: tuple[str, ...] = ()
    headline: str = ""
    means: str = ""


def plots_of_each(analysis: Analysis) -> str:
    """`4 plots of each variety`, `3 to 5 rows of each variety`."""
    each = analysis.ground.plots_of
    word = {"plot": "plot", "row": "row", "plant": "plant"}.get(analysis.ground.unit, "plot")
    if each.min() == each.max():
        return f"{counted(int(each.min()), word)} of each variety"
    return f"{each.min()} to {each.max()} {word}s of each variety"


# ------------------------------------------------------------------------------------------------
# The answer from picks counted or weighed all season, looked at after each of them.
# ------------------------------------------------------------------------------------------------

TOO_WIDE = float(np.log(100.0))
"""A likely range whose ends are a hundredfold apart says nothing yet, and is not shown."""

LOSSES_MATTER = 0.15
"""Difference in the share of plants lost from which losses are told in the answer. Own choice:
about the smallest difference in yield that a bed of four blocks can show."""

SMALL_CHANCE = 0.05
"""Chance of a firm answer below which nobody is told to keep picking for its sake."""

TURNS_AT_MOST = 10.0
"""How many times the leader's rate is told as a figure; beyond it, as over so many."""

MOST_WORDS = 27
"""The answer's one or two sentences above the first scroll have at most so many words together."""


def from_picks(
    analysis: Analysis, looks: Looks | None, totals: PlotTotals, table: pd.DataFrame,
    quantity: Quantity, rows: RowsExplain | None = None,
) -> Verdict:
    """Word the conclusion.  Every number comes from `table` or from the looks behind it."""
    if looks is None:
        return _description(analysis, totals, table, quantity, rows)
    facts = _Told(analysis, looks, totals, table.set_index("variety"), quantity)
    if looks.against_check:
        return _with_check(facts)
    return _without_check(facts)


@dataclass(frozen=True)
class _Told:
    """What the sentences are about."""

    analysis: Analysis
    looks: Looks
    totals: PlotTotals
    table: pd.DataFrame
    quantity: Quantity

    def gave(self, variety: str) -> str:
        return figure(float(self.table["gave"].astype(float)[variety]) / self.quantity.scale)

    def sentence(self, first: str, second: str, check: str = "") -> str:
        """What two varieties gave, up to when.  check: the one of them that is the check."""
        a = f"{first}, your check," if first == check else first
        b = f"{second}, your check," if second == check else second
        gave = f"{self.gave(first)} {self.quantity.what} per plant planted"
        before = f", before allowing for {self.allowed}" if self.allowed else ""
        each = ""
        level = [str(v) for v in self.table.index if str(v) not in (first, second, check)
                 and self.gave(str(v)) == self.gave(first)]
        if level and first != check:  # not to be hidden behind the one that is named
            a, each = few([first, *level]), "each "
        if self.looks.season_over:
            return (f"{a} {each}gave {gave} over the whole season and {b} {self.gave(second)}"
                    f"{before}")
        return (f"By {day(self.looks.as_of)} {a} had {each}given {gave} and {b} "
                f"{self.gave(second)}{before}")

    @property
    def allowed(self) -> str:
        """What the comparison is adjusted for, "" for nothing."""
        return listed(list(self.totals.adjusted.values()))


@dataclass(frozen=True)
class Said:
    """What could be said after one pick.  number: of the look.  day: the day its totals are up to.
    looks: the comparisons as they stood.  means: variety, estimate, low, high, as
    `series.means_so_far`."""

    number: int
    day: pd.Timestamp
    verdict: Verdict
    looks: Looks
    means: pd.DataFrame


def after_each_pick(
    analysis: Analysis, looks: Looks, totals: PlotTotals, table: pd.DataFrame, quantity: Quantity,
) -> list[Said]:
    """What could be said after each pick but the newest, the oldest first.

    A look's range rests on what was known by then, so it is read from the history of each
    comparison and not worked out again.  Arguments as `verdict`.
    """
    out = []
    for at in range(len(totals.day) - 1):
        results = {pair: _as_of(result, at) for pair, result in looks.results.items()}
        then = Looks(looks.totals, results, looks.against_check, False, totals.day[at],
                     rests(results, totals.day[: at + 1]))
        means = means_so_far(totals, True, at)
        gave = means.set_index("variety")["estimate"]
        gone = analysis.ground.lost(until=totals.day[at])
        rows = table.assign(gave=table["variety"].map(gave),
                            lost=table["variety"].map(gone).fillna(0).astype(int))
        said = from_picks(analysis, then, totals, rows, quantity)
        out.append(Said(at + 1, totals.day[at], said, then, means))
    return out


def _as_of(result: LooksResult, at: int) -> LooksResult:
    """The comparison as it stood at an earlier look, with no word on what more picks would have
    brought."""
    past = result.history.iloc[at]
    made = at + 1
    over = result.planned is not None and made >= result.planned
    clear = bool(abs(past["z"]) >= past["z_boundary"])
    low, high = float(past["low"]), float(past["high"])
    alike = result.alike_within is not None and max(-low, high) < result.alike_within
    state: State = SETTLED if clear else ALIKE if over and alike else UNSETTLED if over else KEEP
    return replace(
        result, state=state, direction=int(np.sign(past["z"])) if clear else 0, settled_on=None,
        looks=made, over=over, alike=alike, estimate=float(past["estimate"]),
        statistic=float(past["statistic"]), boundary=float(past["boundary"]), low=low, high=high,
        chance_at_trend=None, chance_if_worthwhile=None)


def _with_check(facts: _Told) -> Verdict:
    check = str(facts.analysis.check)
    results = {left: r for (left, _), r in facts.looks.results.items()}
    ahead = [v for v, r in results.items() if r.state == SETTLED and r.direction > 0]
    behind = [v for v, r in results.items() if r.state == SETTLED and r.direction < 0]
    ratios = pd.Series({v: float(np.exp(r.estimate)) for v, r in results.items()})
    by_ratio = sorted(results, key=lambda v: -ratios[v] if np.isfinite(ratios[v]) else np.inf)
    subject = next((v for v in by_ratio if v in ahead), by_ratio[0])
    result = results[subject]
    undecided = [v for v, r in results.items() if r.state == KEEP]
    if not np.isfinite(ratios[subject]):
        return _too_soon(facts, [subject, check])
    leads = ratios[subject] >= 1
    pair = (subject, check) if leads else (check, subject)
    firm = result.state == SETTLED
    rest = facts.looks.rest.get((subject, check))
    mark = _mark(result, rest)
    tail, headline = _tail(result, rest, pair[0], firm)
    state = result.state if firm or result.state == ALIKE else (KEEP if undecided else (
        SETTLED if len(behind) == len(results) else UNSETTLED))
    harmed = _harmed(facts, results, check)
    late = _later(facts, pair[0])
    first = f"{facts.sentence(*pair, check)}{tail}."
    harm = [f" Something may have harmed {check}."] if harmed else []
    why_behind = [late.short, harm] if facts.looks.season_over else [harm, late.short]
    top, more = _on_top(
        first, [_losses(facts, [*results, check]), *why_behind, _outgrown(facts)])
    second = _others(facts, results, subject, check)
    place, turned = _place(facts.analysis, subject, check, ratios[subject])
    answer, more = _two(first, top, more, second)
    sure = _how_sure(facts, result, 1.0) + late.paces + more
    answer, sure = (answer + place, sure) if turned else (answer, sure + place)
    means = ""
    if mark == "Firm" and leads and len(results) > 1:
        headline, means = beat(pair[0], len(ahead), len(results), over=result.over)
    grown = [*(v for v in by_ratio if v in ahead), check] if leads else list(pair)
    return Verdict(answer, sure,
                   _next_step(facts, grown, result, undecided, rest, late.may_pass, harmed),
                   state, mark, top, pair, headline, means)


BEAT = "{variety} beat the check"
SEVERAL_BEAT = "{many} beat the check"
WINNING, SEVERAL_WINNING = "{variety} is winning", "{many} lead the check"
MANY = {2: "Two", 3: "Three", 4: "Four", 5: "Five", 6: "Six"}
OVER_CHECK = "better than the check, you can act on it"
BEST_OPEN = "better than the check; which is best is open"


def beat(leader: str, ahead: int, of: int, *, over: bool = True) -> tuple[str, str]:
    """The headline of varieties that are firmly better than the check, and what Firm then means:
    they were set against the check only, so of several none is the best.

    ahead: how many are; of: how many were compared. over: nothing more is to come."""
    if ahead < 2:
        return (BEAT if over else WINNING).format(variety=leader), OVER_CHECK
    many = ("Both" if of == 2 else "All") if ahead == of else MANY.get(ahead, "Several")
    return (SEVERAL_BEAT if over else SEVERAL_WINNING).format(many=many), BEST_OPEN


def _on_top(first: str, pieces: list[list[str]]) -> tuple[str, str]:
    """What stands above the first scroll, and what of the rest comes below it.

    pieces: what more there is to say, the most important first, each in its wordings from the
    fullest to the shortest; one of them stands above, in the fullest wording there is room for."""
    below, top = [], first
    for wordings in filter(None, pieces):
        fits = [w for w in wordings if len(f"{first}{w}".split()) <= MOST_WORDS]
        if top == first and fits:
            top += fits[0]
        else:
            below.append(wordings[0])
    return top, "".join(below)


def _two(first: str, top: str, below: str, others: str) -> tuple[str, str]:
    """The answer in two sentences, where the others stand being the second if nothing more urgent
    is; and what comes after how sure it is."""
    return (first + others, below) if top == first else (top, below + others)


def _tail(result: LooksResult, rest: Rest | None, leader: str, firm: bool) -> tuple[str, str]:
    """How the first sentence ends, and the headline where the report could not find it itself."""
    if firm:
        if result.over:
            return "", ""
        if rest is not None and rest.season:
            return ": ahead for the season", f"{leader} is winning"
        return ": ahead so far", ""
    if result.state == ALIKE:
        return ": too close to matter", ""
    return (": too close to call" if result.over else ", perhaps by luck"), ""


def _mark(result: LooksResult, rest: Rest | None) -> Mark:
    """Firm is for acting on: nothing more is to come that could turn it."""
    if result.state == SETTLED:
        return "Firm" if result.over or (rest is not None and rest.season) else "Leaning"
    if not np.isfinite(result.low) or result.high - result.low > TOO_WIDE:
        return "Too soon"
    if result.state == ALIKE:
        return "Level"
    return "Too close" if result.over else "Leaning"


def _others(
    facts: _Told, results: dict[str, LooksResult], subject: str, check: str
) -> str:
    """Where the other varieties stand to the check, named."""
    rest = {v: r for v, r in results.items() if v != subject}
    gave = facts.table["gave"].astype(float)
    groups = (
        ([v for v, r in rest.items() if r.state == SETTLED and r.direction > 0],
         "{names} gave more than {check} too"),
        ([v for v, r in rest.items() if r.state == SETTLED and r.direction < 0 and gave[v] > 0],
         "{names} gave less than {check}"),
        ([v for v, r in rest.items() if r.state == SETTLED and r.direction < 0 and gave[v] == 0],
         "{names} gave nothing"),
        ([v for v, r in rest.items() if r.state == ALIKE], "{names} came level with {check}"),
        ([v for v, r in rest.items() if r.state == KEEP], OPEN),
        ([v for v, r in rest.items() if r.state not in (SETTLED, ALIKE, KEEP)], CLOSE),
    )
    parts = [_sentence(names, what, check) for names, what in groups if names]
    return f" {'; '.join(parts)}." if parts else ""


CLOSE = "{names} {verb} too close to {check} to call"
OPEN = "{names} against {check} {verb} still open"


def _sentence(names: list[str], said: str, check: str) -> str:
    """said : a sentence with its parts by name: names, verb (is, are), check."""
    return said.format(names=few(names), verb="is" if len(names) == 1 else "are", check=check)


def _losses(facts: _Told, names: list[str]) -> list[str]:
    """Lost plants, where one variety lost so many more than another that it could turn the order:
    its plants might have given what its others gave."""
    share = (facts.table["lost"] / facts.table["planted"]).astype(float)[names]
    if share.max() - share.min() < LOSSES_MATTER:
        return []
    worst = str(share.idxmax())
    lost, planted = (int(facts.table[c].astype(int)[worst]) for c in ("lost", "planted"))
    if lost == planted:
        return [f" {worst} lost all {planted} plants."]
    said = f" {worst} lost {lost} of {planted} plants"
    return [f"{said}; these gaps count.", f"{said}."]


def _outgrown(facts: _Told) -> list[str]:
    """Which varieties the picker could no longer reach, and since when."""
    out = facts.table["out_of_reach"]
    out = out[out.notna() & (out <= facts.looks.as_of)].sort_values()
    if out.empty:
        return []
    if len(out) == len(facts.table) > 1:
        return [f" All of them outgrew your reach by {day(out.iloc[-1])}."]
    names = [str(v) for v in out.index]
    when = [f"{v} on {day(out[v])}" for v in names]
    short = f" {few(names)} outgrew your reach."
    return [f" Out of your reach: {few(when)}.", short] if len(names) > 1 else [
        f" {names[0]} outgrew your reach on {day(out.iloc[0])}.", short]


def _harmed(facts: _Told, results: dict[str, LooksResult], check: str) -> bool:
    """Whether the check did so much worse than all others that it may have been harmed: then to
    have beaten it says little."""
    if len(results) < 2 or any(r.state != SETTLED or r.direction < 0 for r in results.values()):
        return False
    gave = facts.table["gave"].astype(float)
    return bool(gave[check] < HARMED * gave[list(results)].min())


HARMED = 0.5
"""A check that gave less than this share of every other variety may have been harmed. Own
choice."""

LATE_SHARE, ONLY_BEGUN = 0.1, 0.8
"""How much more of its crop so far than the leader's a variety gave in the last half (or third) of
the picks to be called a later one; and the part of its own from which it has only begun. Own
choice."""

LATE_PICKS = 6
"""Picks from which their last half says anything of timing. Own choice."""


@dataclass(frozen=True)
class _Late:
    """Varieties behind that bear later than the leader. short: for the answer. may_pass: what they
    may still do, a sentence. paces: of the first of them and of the leader, a sentence; or which
    part of their crop came late."""

    short: list[str] = field(default_factory=list)
    may_pass: str = ""
    paces: str = ""


def _later(facts: _Told, leader: str) -> _Late:
    """Who of those behind bears later than the leader, so that a rest of season may still turn the
    order: by the share of a plot's crop so far that came in the last half of the picks, else in
    their last third. Of a season that is over, whether the check was late."""
    totals, looks = facts.totals, facts.looks
    made = 0 if looks.as_of is None else int((totals.day <= looks.as_of).sum())
    if made < LATE_PICKS:
        return _Late()
    pods = totals.pods[:, made - 1]
    code = totals.plots["variety"].astype(str).to_numpy()
    gave = facts.table["gave"].astype(float)
    behind = [str(v) for v in facts.table.index if gave[v] < gave[leader]]
    if looks.season_over:  # nobody passes any more, but what the others beat was a late one
        behind = [v for v in behind if v == facts.analysis.check]
    names: list[str] = []
    share = np.empty(0)
    for part in (2, 3):
        back = made - 1 - round(made / part)
        before = totals.pods[:, back]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(pods > 0, 1.0 - before / pods, np.nan)
        names = [v for v in behind if _more(share[code == v], share[code == leader])]
        if names:
            break
    if not names:
        return _Late()
    if looks.season_over:
        late, other = (float(np.nanmean(share[code == v])) for v in (names[0], leader))
        return _Late([f" {names[0]} bore later than {leader}."], paces=(
            f" Of what {names[0]} gave {percent(late)} came in the last {made - 1 - back} picks, "
            f"of what {leader} gave {percent(other)}."))
    many = len(names) > 1
    than = ""
    if min(np.nanmean(share[code == v]) for v in names) >= ONLY_BEGUN:
        bears = f"{few(names)} {'have' if many else 'has'} only begun to bear"
    else:
        bears, than = f"{few(names)} {'bear' if many else 'bears'} later", f" than {leader}"
    weeks = (totals.day[made - 1] - totals.day[back]).days / 7.0
    planted = totals.plots["planted"].to_numpy(float)
    pace = {v: float(np.nansum((pods - before)[at]) / planted[at].sum() / weeks)
            for v in (names[0], leader) for at in [code == v]}
    scale = facts.quantity.scale
    return _Late(
        [f" {bears}{than}."], f" {bears} and may still pass {leader}.",
        f" Over the last {made - 1 - back} picks {names[0]} gave {figure(pace[names[0]] / scale)} "
        f"{facts.quantity.what} per plant planted a week and {leader} "
        f"{figure(pace[leader] / scale)}.")


def _more(own: npt.NDArray[np.float64], others: npt.NDArray[np.float64]) -> bool:
    """Whether these shares are larger by `LATE_SHARE`, and by Welch's t test, one-sided at 1.25 %,
    as two parts of the season are looked at."""
    own, others = own[np.isfinite(own)], others[np.isfinite(others)]
    if min(len(own), len(others)) < 2 or own.mean() - others.mean() < LATE_SHARE:
        return False
    test = stats.ttest_ind_from_stats(
        own.mean(), own.std(ddof=1), len(own), others.mean(), others.std(ddof=1), len(others),
        equal_var=False, alternative="greater")
    return bool(test.pvalue < 0.0125)


def _how_sure(facts: _Told, result: LooksResult, turn: float) -> str:
    """turn: -1 where the answer tells the comparison the other way round."""
    analysis = facts.analysis
    picks = _picks(result.looks, result.planned)
    plots = plots_of_each(analysis)
    left, right = result.names if turn > 0 else result.names[::-1]
    ends = sorted(float(np.exp(np.clip(turn * e, -700, 700))) for e in (result.low, result.high))
    barren = [v for v in (left, right) if float(facts.table["gave"].astype(float)[v]) == 0]
    known = (np.isfinite(result.low) and result.high - result.low < TOO_WIDE) and not barren
    size = times(float(np.exp(turn * result.estimate)))
    told_range = f"{size}{span(*ends)}" if known else size
    if not known and result.state == SETTLED:
        told_range = (f"at least {times(ends[0])}" if turn * result.direction > 0 else
                      f"at most {times(ends[1])}")
    elif barren:
        told_range = "too little to say how many times"
    allowed = f"Allowing for {facts.allowed}, " if facts.allowed else ""
    out = [f"{allowed}{left} gave {told_range} what {right} gave, after {picks}, on {plots}."]
    if not known and result.state != SETTLED:
        out.append("These plots are too few to give a likely range." if result.over else
                   "It is too early to give a likely range of that.")
    if result.state == SETTLED:
        out.append("The range leaves out a tie. It allows for every pick you looked at and every "
                   "variety: if all were alike, at most 1 such trial in 20 would name a winner.")
        if not facts.looks.season_over:
            ending = ("the last planned pick; what comes later is not counted." if result.over
                      else "not the whole season's.")
            out.append(f"This is the crop up to {day(facts.looks.as_of)}, {ending}"
                       + _to_turn(facts.looks.rest.get(result.names)))
    elif result.state == ALIKE:
        assert result.alike_within is not None
        small = float(np.exp(result.alike_within))
        out.append(f"A gap under {small:.3g} times counts as too small to matter, and the whole "
                   "range lies within it.")
    else:
        out.append("The gap could be luck.")
        if known and _bars_apart(facts.table, left, right):
            out.append("This range allows for every pick you looked at and every variety, so it is "
                       "wider than the lines across the bars.")
        if result.chance_at_trend is not None:
            out.append("On present form the chance of a firm answer this season is "
                       f"{_percent(result.chance_at_trend)}.")
    return " ".join(out)


def _bars_apart(table: pd.DataFrame, left: str, right: str) -> bool:
    """Whether the ranges drawn at two varieties' bars, each for itself at one look, lie apart: to a
    reader they then say that one gave more."""
    low, high = table["gave_low"].astype(float), table["gave_high"].astype(float)
    return bool(low[left] > high[right] or low[right] > high[left])


def _picks(made: int, planned: int | None) -> str:
    """`all 20 planned picks`, `9 of 20 planned picks`, `12 picks`."""
    if not planned:
        return counted(made, "pick")
    many = counted(planned, "planned pick")
    return f"all {many}" if made == planned > 1 else f"{made} of {many}"


def _to_turn(rest: Rest | None) -> str:
    """What would have to happen for the other to draw level by the last planned pick."""
    if rest is None:
        return ""
    size = (f"over {TURNS_AT_MOST:g} times" if rest.needed > TURNS_AT_MOST else
            times(rest.needed))
    end = f"by {day(rest.until)}, the last planned pick"
    if rest.season:
        return (f" Even if {rest.other} gave {times(BEYOND_REACH)} a week what {rest.leader} has "
                f"given so far, with {rest.leader} going on as it has, it would not draw level "
                f"{end}: that takes {size}.")
    return (f" {rest.other} could still draw level {end}: with {rest.leader} going on as it has, "
            f"it would have to give {size} a week what {rest.leader} has given so far.")


def _place(
    analysis: Analysis, subject: str, check: str, ratio: float
) -> tuple[str, bool]:
    """Where its own test says that place tells: whether it explains the difference, and whether
    it turns the order round, which belongs in the answer."""
    position = analysis.position
    if isinstance(position, Missing) or not position.supported or not position.clear:
        return "", False
    side = position.side_by_side
    own = side[side["variety"] == subject]
    if own.empty:
        return "", False
    row = own.iloc[0]
    size = times(row["adjusted"]) + span(row["adjusted_low"], row["adjusted_high"])
    if abs(row["change"]) > MATTERS:
        turned = bool((row["adjusted"] - 1.0) * (ratio - 1.0) < 0)
        what = "turns the order round" if turned else "matters"
        return (f" The place in the bed {what}: allowing for it, {subject} gave {size} what "
                f"{check} gave. That range is for this pick alone."), turned
    where = " and ".join(position.trend["direction"].astype(str))
    now = times(row["adjusted"])
    same = "the same" if now == times(ratio) else now
    return f" Allowing for sun and shade {where}, it is {same}.", False


def _percent(chance: float) -> str:
    if chance < 0.05:
        return "under 5 %"
    return "over 95 %" if chance > 0.95 else f"about {round(20 * chance) * 5} %"


def noted_of(analysis: Analysis, looks: pd.DataFrame) -> str:
    """What a line of these looks is of: "plant", or "plot" where whole plots were picked into a
    basket each."""
    baskets = list(basket_names(analysis.records.plants))
    return "plot" if len(looks) and looks["plant"].isin(baskets).all() else "plant"


def _next_step(
    facts: _Told, grow: Sequence[str], result: LooksResult, undecided: list[str],
    rest: Rest | None = None, may_pass: str = "", harmed: bool = False,
) -> str:
    """grow: what is worth growing again, the check the last of them where there is one. may_pass:
    who may still pass the leader, a sentence. harmed: so may the check have been."""
    noted = noted_of(facts.analysis, facts.analysis.looks)
    left = 0 if result.planned is None else max(result.planned - result.looks, 0)
    to_go = f" {counted(left, 'planned pick is', 'planned picks are')} left." if left else ""
    again = f"You can stop counting. Grow {few(grow)} again next year."
    if harmed:
        again = (f"You can stop counting. Grow {few(grow[:-1])} again next year, beside another "
                 f"check too. {grow[-1]} gave less than half of any other, so look for what "
                 "harmed it.")
    more_plots = "next year give each variety more plots, rather than more plants in a plot."
    to_the_end = f"{may_pass} Count on to the end to see what the season gives."
    if result.over:
        if result.state == SETTLED:
            return f"{again}{may_pass}"
        if result.state == ALIKE:
            return ("You can stop counting. Choose by what else you like in them."
                    if not may_pass else f"The plan is done.{to_the_end}")
        within = grouped_in(facts.analysis.ground.units, facts.analysis.ground.by)
        return (f"More picks won't {'make it firm' if may_pass else 'answer it'}."
                f"{to_the_end if may_pass else ''} Next year give each variety more plots"
                f"{', in more than ' if within else ''}{within}, rather than more plants in a "
                "plot.")
    if result.state == UNSETTLED and not undecided:
        if may_pass:
            return (f"A firm answer this season is unlikely.{to_the_end} "
                    f"{capital(more_plots)}")
        return f"A firm answer this season is unlikely. You can stop counting; {more_plots}"
    if result.state == SETTLED and rest is not None and rest.season:
        return again
    if result.state == SETTLED:
        keep = f"Keep picking, and keep writing down every {noted}, zeros too"
        return (f"{keep}.{may_pass}{to_go}" if may_pass else
                f"{keep}: a later variety can still catch up.{to_go}")
    if result.chance_at_trend is not None and result.chance_at_trend < SMALL_CHANCE:
        return ("Count on only if you wish to know what the season gives: a firm answer is "
                f"unlikely.{may_pass}{to_go} {capital(more_plots)}")
    return f"Keep picking, and keep writing down every {noted}, zeros too.{may_pass}{to_go}"


def _too_soon(facts: _Told, names: list[str]) -> Verdict:
    counted_ = facts.quantity.what
    first = (f"It is too early to say: {names[0]} and {names[1]} have given too few {counted_} to "
             "compare.")
    over = facts.looks.season_over
    return Verdict(first, "One strong plant can still swap the order.",
                   "Count every plant at each pick, zeros too, and come back in two weeks."
                   if not over else "Next year plant more plots of each variety.",
                   UNSETTLED if over else KEEP, "Too soon", first,
                   tuple(names))


def _without_check(facts: _Told) -> Verdict:
    gave = facts.table["gave"].astype(float).dropna().sort_values(ascending=False, kind="stable")
    if len(gave) < 2:
        return _too_soon(facts, [*map(str, facts.table.index), ""][:2])
    results = facts.looks.results
    best, second = str(gave.index[0]), str(gave.index[1])
    result = results.get((best, second)) or results[second, best]
    turn = 1.0 if (best, second) in results else -1.0
    if not np.isfinite(result.estimate):
        return _too_soon(facts, [best, second])
    firm = result.state == SETTLED and turn * result.direction > 0
    rest = facts.looks.rest.get(result.names) if firm else None
    tail, headline = _tail(result, rest, best, firm)
    settled = [(a, b) if r.direction > 0 else (b, a) for (a, b), r in results.items()
               if r.state == SETTLED]
    beaten = [b for a, b in settled if a == best and b != second]
    others = [f"{a} more than {b}" for a, b in settled if a != best]
    more = f" {best} gave more than {few(beaten)}." if beaten else (
        f" {few(others)}, firmly." if others else "")
    undecided = [a for (a, _), r in results.items() if r.state == KEEP]
    late = _later(facts, best)
    first = f"{facts.sentence(best, second)}{tail}."
    top, below = _on_top(first, [_losses(facts, [str(v) for v in gave.index]), late.short,
                                 _outgrown(facts)])
    answer, below = _two(first, top, below, more)
    return Verdict(
        answer, _how_sure(facts, result, turn) + late.paces + below,
        _next_step(facts, (best, second), result, undecided, rest, late.may_pass)
        + " Mark one variety as the check next time: fewer comparisons are easier to settle.",
        result.state, _mark(result, rest), top, (best, second),
        headline)


def _description(
    analysis: Analysis, totals: PlotTotals, table: pd.DataFrame, quantity: Quantity,
    rows: RowsExplain | None,
) -> Verdict:
    gave = table.set_index("variety")["gave"].astype(float).dropna().sort_values(
        ascending=False, kind="stable")
    ranked = tuple(str(name) for name in gave.index[:2])
    if totals.zeros_unsure and analysis.ground.supported:
        return Verdict(
            "Say what a blank means first: at some picks plants were passed over, and no zero is "
            "written. Until then nobody can say which variety is better.",
            "Plants were passed over at some picks, and no zero is written anywhere. If nothing "
            "was there to pick, those blanks are zeros, and they can turn the answer round.",
            'Write zeros = "left out" into trial.toml if a blank means there was nothing to pick, '
            'or zeros = "written" if it means nobody looked.',
            DESCRIPTION, "No comparison",
            "Say what a blank means first: at some picks plants were passed over, and no zero is "
            "written.", ranked)
    why = analysis.ground.why_not.rstrip(".")
    alone = len(gave) < 2
    first = _gave_most(analysis, gave / quantity.scale, quantity.what)
    cannot = _cannot_say(why, len(gave))
    return Verdict(
        first if alone else f"{first} {cannot}",
        cannot if alone else "No range is given, as the layout leaves no way to rule out luck."
        + ("" if rows is None else f" {rows.full}"),
        _fix(analysis), DESCRIPTION, "No comparison",
        first, ranked,
    )


def _cannot_say(why: str, varieties: int) -> str:
    """Why nothing is compared."""
    said = why.rstrip(".")
    if varieties < 2:
        return f"{said[:1].upper()}{said[1:]}."
    return f"This trial can't say which variety is better: {said}."


def _gave_most(analysis: Analysis, gave: pd.Series, what: str) -> str:
    """What the first two gave in a bed that cannot compare them."""
    best = str(gave.index[0])
    if len(gave) < 2:
        return f"{best} gave {figure(float(gave.iloc[0]))} {what} per plant planted."
    row = "'s row" if analysis.ground.unit == "row" else ""
    other = f"{gave.index[1]}'s" if row else str(gave.index[1])
    return (f"{best}{row} gave {figure(float(gave.iloc[0]))} {what} per plant planted and {other} "
            f"{figure(float(gave.iloc[1]))}, but soil or light may explain that.")


def _fix(analysis: Analysis) -> str:
    """The audit's own advice where it gives one."""
    return analysis.audit.fix or (
        "Next year give every variety at least three plots, set in different places of the bed "
        "and drawn at random within each block.")
