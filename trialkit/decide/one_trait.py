"""The answer from one measured trait: a crop dug once, earliness, heights, losses, grades, or a
trait of the gardener's own.

There is one look, so the plain comparison decides: with the check where one is marked (Dunnett),
else the two varieties that come first (Tukey). How a trait of the gardener's own is worded comes
last.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trialkit.decide.looks import ALIKE, ALIKE_RATIO, SETTLED, UNSETTLED
from trialkit.decide.verdict import DESCRIPTION, Mark, Verdict, beat, plots_of_each
from trialkit.design.audit import RowsExplain, grouped_in
from trialkit.models.analysis import Analysis
from trialkit.models.harvest import HarvestResult
from trialkit.models.own import OwnResult
from trialkit.models.results import TraitResult
from trialkit.reading.amounts import own_weight
from trialkit.records import Records
from trialkit.records.owntraits import values_of
from trialkit.trial import OwnTrait, Trial
from trialkit.wording import capital, counted, day, few, figure, span, times

ALPHA = 0.05
WON = "won"


@dataclass(frozen=True)
class Asked:
    """A trait the answer is read from. less: the smaller figure is the better one. worthwhile:
    the smallest difference that matters, in units of the trait; None for the trial's ratio.
    dated: values are days from planting and are told as dates. first: the headline of the variety
    that comes first. verb: what a variety did to have its value. ranked: whether to have most of it
    is to be better, as it is not of heights.

    Of a trait of the gardener's own, own: its name. about: what the answer begins with; "" for the
    label. unit: that values are told in; None for the result's. gap: the sentence of a ratio, with
    {best}, {other} and, where it is a figure to tell, {times}. may_be_level: whether a gap may be
    called too small to matter. compared: sentences on which value is compared."""

    result: TraitResult
    less: bool = False
    worthwhile: float | None = None
    dated: bool = False
    first: str = WON
    verb: str = "had"
    ranked: bool = True
    own: str = ""
    about: str = ""
    unit: str | None = None
    gap: str = ""
    may_be_level: bool = True
    compared: str = ""


@dataclass(frozen=True)
class _Pair:
    """best against other in the trait's units (or as a ratio), best first; p of the family."""

    best: str
    other: str
    estimate: float
    low: float
    high: float
    p: float


def from_one_trait(
    analysis: Analysis, asked: Asked, rows: RowsExplain | None = None
) -> Verdict:
    """Word the answer of a trait: the best variety against the check, or against the next."""
    result = in_own_unit(asked.result, analysis.records.trial)
    means = result.means.dropna(subset=["estimate"])
    order = list(means.sort_values("estimate", ascending=asked.less, kind="stable")["variety"])
    facts = _Values(asked, result, pd.Timestamp(analysis.records.trial.planted),
                    analysis.ground.supported)
    if not result.supported or len(order) < 2:
        why = result.why_not.rstrip(".") or "there is only one variety"
        first = facts.first_two(order)
        if asked.own and analysis.ground.supported:
            return _not_told_apart(asked, first, why, order)
        return Verdict(
            f"{first} This trial can't say which variety is better: {why}.",
            "No range is given, as the layout leaves no way to rule out luck."
            + ("" if rows is None else f" {rows.full}"),
            analysis.audit.fix or "Next year give every variety at least three plots, drawn at "
            "random within blocks.",
            DESCRIPTION, "No comparison",
            first, tuple(order[:2]))
    check = analysis.check if analysis.check in order else None
    pair = _headline_pair(result, order, check, asked)
    band = _band(asked, result, check, pair, analysis.records.trial) if asked.may_be_level else None
    firm = bool(pair.p < ALPHA)
    alike = not firm and band is not None and _inside(result, pair, band)
    names = (f"{pair.best}, your check," if pair.best == check else pair.best,
             f"{pair.other}, your check," if pair.other == check else pair.other)
    same = facts.value(pair.best) == facts.value(pair.other)
    at = facts.at
    first = (f"{facts.about}: {names[0].rstrip(',')} and {names[1].rstrip(',')} both {at} "
             f"{facts.value(pair.best)}" if same else
             f"{facts.about}: {names[0]} {at} {facts.value(pair.best)} and {names[1]} {at} "
             f"{facts.value(pair.other)}")
    tail = "" if firm else ": too close to matter" if alike else ": too close to call"
    first += f"{tail}."
    answer = f"{first}{_others(result, order, check, pair, asked)}"
    place, turned = _place(analysis, result, pair)
    if turned:
        answer, place = f"{answer}{place}", ""
    sure = _how_sure(analysis, facts, result, pair, firm, alike, band, asked)
    state = SETTLED if firm else ALIKE if alike else UNSETTLED
    beside = " beside the check" if analysis.check is not None else ""
    step = (f"Grow the best again{beside} to see whether it holds in another year."
            if firm else "Choose by what else you like in them." if alike else
            "To see a smaller difference next time, plant more blocks of the same varieties."
            if same else
            "To see a difference this size next time, plant more blocks of the same varieties.")
    headline, what = _headline(asked, pair, firm, alike), ""
    if firm and pair.other == check and len(order) > 2 and asked.ranked:
        ahead = 1 + _firmly_better(result, pair, asked)
        if asked.own or ahead > 1:
            headline, what = beat(pair.best, ahead, len(order) - 1)
    mark: Mark = "Firm" if firm else "Level" if alike else "Too close"
    return Verdict(answer, sure + place, step, state, mark, first, (pair.best, pair.other),
                   headline, what)


def _firmly_better(result: TraitResult, pair: _Pair, asked: Asked) -> int:
    """How many other varieties than the best are firmly better than the check too."""
    rest = result.against_check[~result.against_check["variety"].isin([pair.best, pair.other])]
    none = 1.0 if result.scale == "ratio" else 0.0
    better = rest["estimate"] < none if asked.less else rest["estimate"] > none
    return int((better & (rest["p"] < ALPHA)).sum())


def _headline(asked: Asked, pair: _Pair, firm: bool, alike: bool) -> str:
    """The answer in four words; "" where they follow from the mark, or are those of a yield."""
    if alike or (asked.first == WON and not asked.own):
        return ""
    if not firm:
        return "Too close to call"
    return f"{pair.best} {asked.first}"


def _not_told_apart(
    asked: Asked, first: str, why: str, order: Sequence[str]
) -> Verdict:
    """A trait of one's own whose records carry no comparison, though the layout would."""
    return Verdict(
        f"{first} Which variety is better can't be said: {why}.",
        f"No range is given: {why}."
        f"{' ' if asked.compared else ''}{asked.compared}",
        f"Go on recording {asked.own} in every plot of every variety, or choose by what you saw.",
        DESCRIPTION, "No comparison", first, tuple(order[:2]),
        "Not comparable yet", "these records can't tell")


@dataclass(frozen=True)
class _Values:
    """Values of the trait in words."""

    asked: Asked
    result: TraitResult
    planted: pd.Timestamp
    ground: bool = True
    """Whether the layout supports comparisons."""

    @property
    def dated(self) -> bool:
        return self.asked.dated

    @property
    def about(self) -> str:
        if self.asked.about:
            return self.asked.about
        label = self.result.label.removeprefix("days from planting to ") if self.dated else (
            self.result.label)
        return f"{label[:1].upper()}{label[1:]}"

    @property
    def at(self) -> str:
        """Between a variety's name, which may end in a figure, and its value."""
        return "on" if self.dated else "at"

    def first_two(self, order: Sequence[str]) -> str:
        """The best two where the layout compares none."""
        said = [f"{v} {self.at} {self.value(v)}" for v in order[:2]]
        explained = len(said) < 2 or (self.asked.own and self.ground)
        luck = "" if explained else ", but soil or light may explain that"
        return f"{self.about}: {few(said)}{luck}."

    def value(self, variety: str) -> str:
        value = float(self.result.of(variety)["estimate"])
        if self.dated:
            return day(self.planted + pd.Timedelta(days=round(value)))
        return f"{figure(value)} {self.unit}".rstrip()

    @property
    def unit(self) -> str:
        """That values and gaps are told in."""
        return "days" if self.dated else (
            self.result.unit if self.asked.unit is None else self.asked.unit)

    def lead(self, pair: _Pair) -> str:
        """How far the best is from the other, without its full stop."""
        if self.asked.gap and self.result.scale == "ratio":
            return self.asked.gap.format(
                best=pair.best, other=pair.other,
                times=f"{times(pair.estimate)}{span(pair.low, pair.high)}")
        verb = _verb(self.asked)
        than = "" if self.result.scale == "ratio" else "than "
        return f"{pair.best} {verb} {self.difference(pair)} {than}{pair.other}"

    def difference(self, pair: _Pair) -> str:
        """The lead, with its range."""
        if self.result.scale == "ratio":
            return f"{times(pair.estimate)}{span(pair.low, pair.high)}"
        sign = -1.0 if self.asked.less else 1.0
        low, high = sorted((sign * pair.low, sign * pair.high))
        less, more = ("earlier", "later") if self.dated else ("less", "more")
        word = less if self.asked.less else more
        ends = ("" if not math.isfinite(low) else
                f" (likely range {_signed(low)} to {_signed(high)})")
        return " ".join(f"{figure(sign * pair.estimate)} {self.unit} {word}{ends}".split())


def _headline_pair(
    result: TraitResult, order: Sequence[str], check: str | None, asked: Asked
) -> _Pair:
    """The best variety against the check; the check that is best, against the next."""
    best = order[0]
    other = check if check is not None and check != best else order[1]
    if check is None or not len(result.against_check):
        return _of_pairs(result, best, other)
    name = other if best == check else best
    row = result.against_check[result.against_check["variety"] == name].iloc[0]
    value, low, high = (float(row[c]) for c in ("estimate", "low", "high"))
    if best == check:
        value, low, high = _turned(result, value, low, high)
    return _Pair(best, other, value, low, high, float(row["p"]))


def _of_pairs(result: TraitResult, best: str, other: str) -> _Pair:
    pairs = result.pairs
    row = pairs[((pairs["left"] == best) & (pairs["right"] == other))
                     | ((pairs["left"] == other) & (pairs["right"] == best))].iloc[0]
    value, low, high = (float(row[c]) for c in ("estimate", "low", "high"))
    if row["left"] != best:
        value, low, high = _turned(result, value, low, high)
    return _Pair(best, other, value, low, high, float(row["p"]))


def _turned(
    result: TraitResult, value: float, low: float, high: float
) -> tuple[float, float, float]:
    if result.scale == "ratio":
        return 1 / value if value else math.inf, 1 / high if high else math.inf, (
            1 / low if low else math.inf)
    return -value, -high, -low


def _band(
    asked: Asked, result: TraitResult, check: str | None, pair: _Pair, trial: Trial
) -> float | None:
    """How large a difference may be and not matter, in the trait's units (log for ratios)."""
    ratio = float(np.log(trial.worthwhile or ALIKE_RATIO))
    if result.scale == "ratio":
        return ratio
    if asked.worthwhile is not None:
        return asked.worthwhile
    level = float(result.of(check or pair.other)["estimate"])
    return level * (math.exp(ratio) - 1.0) if level > 0 and not asked.dated else None


def _inside(result: TraitResult, pair: _Pair, band: float) -> bool:
    """Whether the range lies within the band: two one-sided tests at once (Schuirmann 1987,
    J. Pharmacokinet. Biopharm. 15:657-680), here at the level of the range shown."""
    ends = np.array([pair.low, pair.high])
    if result.scale == "ratio":
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.log(ends)
    return bool(np.isfinite(ends).all() and np.abs(ends).max() < band)


def _others(
    result: TraitResult, order: Sequence[str], check: str | None, pair: _Pair, asked: Asked
) -> str:
    """Which of the others differ: from the check where there is one, else which pairs."""
    if check is not None and len(result.against_check):
        rest = result.against_check[~result.against_check["variety"].isin([pair.best, pair.other])]
        firm = rest[rest["p"] < ALPHA]
        none = 1.0 if result.scale == "ratio" else 0.0
        above = [str(v) for v in firm.loc[firm["estimate"] > none, "variety"]]
        below = [str(v) for v in firm.loc[firm["estimate"] < none, "variety"]]
        open_ = [str(v) for v in rest.loc[~(rest["p"] < ALPHA), "variety"]]
        more, less = ("later", "earlier") if asked.dated else ("more", "less")
        parts = [f"{few(names)} {what}" for names, what in (
            (above, f"{_verb(asked, len(above))} {more} than {check}"),
            (below, f"{_verb(asked, len(below))} {less} than {check}"),
            (open_, f"{'is' if len(open_) == 1 else 'are'} too close to {check} to call")) if names]
        return f" {'; '.join(parts)}." if parts else ""
    firm = result.pairs[result.pairs["p"] < ALPHA]
    said = [(str(a), str(b)) for a, b in zip(firm["left"], firm["right"], strict=True)
            if {str(a), str(b)} != {pair.best, pair.other}]
    if not said:
        return "" if len(order) == 2 else " Other pairs are too close to call."
    place = {v: k for k, v in enumerate(order)}
    named = [f"{min(p, key=place.__getitem__)} and {max(p, key=place.__getitem__)}" for p in said]
    return f" These differ: {few(named, 4)}."


def _verb(asked: Asked, many: int = 1) -> str:
    """What a variety did, before `12 cm more than` another."""
    if asked.dated:
        return "was" if many == 1 else "were"
    return asked.verb


def _how_sure(
    analysis: Analysis, facts: _Values, result: TraitResult, pair: _Pair, firm: bool, alike: bool,
    band: float | None, asked: Asked,
) -> str:
    other = pair.other
    lead = facts.lead(pair)
    level = abs(float(result.of(pair.best)["estimate"]))
    if result.scale != "ratio" and abs(pair.estimate) <= 1e-9 * max(level, 1e-300):
        lead = f"{pair.best} and {other} came out the same" + (
            f" (likely range of the gap {_signed(pair.low)} to {_signed(pair.high)} "
            f"{facts.unit}".rstrip() + ")"
            if math.isfinite(pair.low) else "")
    within = grouped_in(analysis.ground.units, analysis.ground.by)
    out = [f"{lead}, on {_plots(analysis, asked)}{' in ' if within else ''}{within}."]
    if firm:
        ranged = not asked.gap or "{times}" in asked.gap
        tie = "The range leaves out a tie." if ranged else "That is more than luck would give."
        out.append(f"{tie} It allows for every comparison made: if all varieties were alike, at "
                   "most 1 such trial in 20 would name a winner.")
    elif alike and band is not None:
        small = (f"{math.exp(band):.3g} times" if result.scale == "ratio" else
                 f"{figure(band)} {facts.unit}".rstrip())
        out.append(f"A gap under {small} counts as too small to matter, and the whole range lies "
                   "within it.")
    else:
        out.append("The gap could be luck.")
    if asked.compared:
        out.append(asked.compared)
    return " ".join(out)


def _plots(analysis: Analysis, asked: Asked) -> str:
    """The plots behind the answer: of a trait of one's own those it is recorded of."""
    each = asked.result.means["plots"] if asked.own else pd.Series(dtype=float)
    planted = analysis.ground.plots_of
    if not len(each) or (each.max() == planted.max() and each.min() == planted.min()):
        return plots_of_each(analysis)
    few_, most = int(each.min()), int(each.max())
    word = analysis.ground.unit if analysis.ground.unit in ("row", "plant") else "plot"
    return f"{few_ if few_ == most else f'{few_} to {most}'} recorded {word}s of each variety"


def _place(analysis: Analysis, result: TraitResult, pair: _Pair) -> tuple[str, bool]:
    """What the place in the bed does to the headline, where its own test says it is there, and
    whether it turns the order round, which belongs in the answer."""
    harvest = analysis.harvest
    if result.trait != "harvest" or not isinstance(harvest, HarvestResult) or not harvest.places:
        return "", False
    table = getattr(harvest.places, "by_place", None)
    if table is None or table.empty:
        return "", False
    scale = abs(float(harvest.of(pair.best)["estimate"]) / float(
        result.of(pair.best)["estimate"]) or 1.0)
    some = table[table["differs"].astype(bool) & table["variety"].isin([pair.best, pair.other])]
    turned = some[np.sign(some["adjusted"].astype(float))
                  != np.sign(some["unadjusted"].astype(float))]
    rows = turned if len(turned) else some
    if rows.empty:
        return "", False
    row = rows.iloc[0]
    unit = result.unit

    def than(value: float) -> str:
        return f"{figure(abs(value) / scale)} {unit} {'less' if value < 0 else 'more'}"

    what = "turns the order round" if len(turned) else "matters"
    return (f" The place in the bed ({row['place']}) {what}: with it allowed for, {row['variety']} "
            f"gave {than(float(row['adjusted']))} than {row['against']}, not "
            f"{than(float(row['unadjusted']))}."), bool(len(turned))


def in_own_unit(result: TraitResult, about: Trial) -> TraitResult:
    """A trait with its means and differences in the gardener's unit of weights."""
    if result.unit == about.harvest_unit:
        return result
    scale, unit = own_weight(result.unit, about.weight_unit)
    if scale == 1.0:
        return result

    def told(frame: pd.DataFrame) -> pd.DataFrame:
        names = [name for name in ("estimate", "se", "low", "high") if name in frame]
        return frame.assign(**{name: frame[name].astype(float) / scale for name in names})

    against, pairs = ((result.against_check, result.pairs) if result.scale == "ratio" else
                      (told(result.against_check), told(result.pairs)))
    return replace(result, unit=unit, means=told(result.means), pairs=pairs, against_check=against)


def _signed(value: float) -> str:
    if not math.isfinite(value):
        return figure(value)
    return f"\N{MINUS SIGN}{figure(-value)}" if value < 0 else figure(value)


# ------------------------------------------------------------------------------------------------
# A trait of the gardener's own as the trial's question: which of its values is compared, and how
# its figures and gaps are worded.
#
# The comparison itself is that of `models.own`: one comparison of everything recorded so far.
# ------------------------------------------------------------------------------------------------

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
