"""From a trial's records to the answer: what is shown, how surely, and what to do next."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from trialkit.decide.looks import KEEP, SETTLED, UNSETTLED, evaluate_looks
from trialkit.decide.one_trait import Asked, from_one_trait, own_label, own_question
from trialkit.decide.series import Looks, Quantity, looks_method, looks_so_far, means_so_far
from trialkit.decide.verdict import DESCRIPTION, NOTHING, TOO_WIDE, Verdict, from_picks, noted_of
from trialkit.design.audit import RowsExplain, row_sd_to_explain
from trialkit.models.analysis import Analysis, analyse
from trialkit.models.harvest import HarvestResult
from trialkit.models.height import HeightResult
from trialkit.models.own import OwnResult
from trialkit.models.position import MATTERS
from trialkit.models.results import MethodNote, Missing, TraitResult
from trialkit.models.stand import StandResult
from trialkit.models.totals import Harvested, PlotTotals, log_index
from trialkit.reading.amounts import own_weight
from trialkit.records import Records
from trialkit.records.check import stick_length
from trialkit.records.schema import TRAITS
from trialkit.trial import EARLY, WITHIN_REACH, YIELD, OwnTrait
from trialkit.wording import counted, day, few, figure, times

WORTHWHILE_DAYS = 3.0
"""Days by which one variety may be earlier than another and it does not matter. Own choice: about
the time between two picks."""

TABLE = [
    "variety", "check", "gave", "gave_low", "gave_high", "ratio", "ratio_low", "ratio_high",
    "state", "within_reach", "within_low", "within_high", "first_pick", "first_low", "first_high",
    "halfway", "halfway_low", "halfway_high", "out_of_reach", "out_low", "out_high", "lost",
    "planted",
]


@dataclass(frozen=True)
class Conclusion:
    """What the report reads from; each part is worked out when first asked for, once."""

    records: Records
    analysis: Analysis = field(repr=False)
    seen: SeenRows | None = None
    tasted: bool = False

    @cached_property
    def looks(self) -> Looks | None:
        """Every comparison as looked at after every pick; None where none can be made."""
        return looks_so_far(self.analysis, self.totals)

    @property
    def question(self) -> str:
        """What the trial is to answer: "yield", "within reach", "early", or the name of a trait of
        the gardener's own."""
        return self.records.trial.question

    @property
    def own(self) -> OwnResult | Missing | None:
        """The trait of the gardener's own that the question is about; None for any other."""
        trait = self.records.trial.asked_trait
        result = None if trait is None else self.analysis.own[trait.name]
        return result if isinstance(result, OwnResult | Missing) else None

    @cached_property
    def of_yield(self) -> Conclusion:
        """The same trial asked for its yield, where a trait of one's own is asked for."""
        if self.own is None:
            return self
        trial = replace(self.records.trial, question=YIELD)
        return Conclusion(replace(self.records, trial=trial), self.analysis, self.seen)

    @property
    def totals(self) -> PlotTotals | None:
        """What each plot had given up to each look (within reach, where that is the question);
        None where nothing was counted, where it cannot be told what was within reach, or where the
        question is about no yield at all but a trait of one's own."""
        if self.own is not None:
            return None
        if self.question == WITHIN_REACH:
            return self.analysis.totals_within_reach
        return self.analysis.totals

    @property
    def season_over(self) -> bool:
        """Whether the totals are those of the whole season."""
        return self.totals is not None and self.analysis.season_over

    @property
    def as_of(self) -> pd.Timestamp | None:
        """The day the totals are up to; None where nothing was counted."""
        return None if self.totals is None else self.totals.day[-1]

    @cached_property
    def looks_method(self) -> MethodNote | None:
        """How the comparisons were looked at; None where none can be made."""
        return None if self.looks is None else looks_method(self.analysis, self.looks)

    @cached_property
    def verdict(self) -> Verdict:
        """The answer, how sure it is, and the next step."""
        return _verdict(self)

    @cached_property
    def cannot_tell(self) -> tuple[str, ...]:
        """What the trial leaves open, in sentences.  It asks every trait, so that whoever needs the
        verdict alone does not pay for models that the answer does not rest on."""
        return cannot_tell(self.analysis, self.looks, self.tasted)

    @cached_property
    def rows(self) -> RowsExplain | None:
        """How unlike rows would have to be to explain it all; None unless each stood alone."""
        return rows_alone(self.analysis, self.seen)

    @cached_property
    def since_last(self) -> tuple[str, ...]:
        """What changed since the pick before the last, in sentences."""
        return since_last(self.analysis, self.looks)

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row a variety, best first.

        variety, check (bool); gave, gave_low, gave_high: what the question is about, picked a
        plant planted up to `as_of`, losses counted (of the weight or count harvested, for a crop
        dug once; of a trait of one's own its mean); ratio, ratio_low,
        ratio_high: that over the check's, its interval good for looking after every pick (NaN
        while it is too early for one) (difference for a crop dug once: `ratio_is`); state: of that
        comparison at the newest look, "" for the check;
        within_reach (and limits): as gave, without what was picked above reach; NaN unless
        trial.toml says where the crop bears. first_pick, halfway (and limits): dates of the first
        pick with something, and by which half of the season had been picked (NaT before it is
        over). out_of_reach, out_low, out_high: dates, NaT for not by the last measurement; lost,
        planted: plants.  NaN where not known.
        """
        return _table(self)

    @property
    def quantity(self) -> Quantity | None:
        """What `gave` of the table is; None where nothing was counted, weighed or measured."""
        harvest, analysis, own = self.analysis.harvest, self.analysis, self.own
        trait = self.records.trial.asked_trait
        if own is not None and trait is not None:
            return None if isinstance(own, Missing) else Quantity(
                own_label(trait), own.unit, own.supported)
        if self.totals is None:
            if isinstance(harvest, TraitResult) and analysis.totals is None:
                return Quantity(harvest.label, harvest.unit, harvest.supported)
            return None
        upto = "whole season" if self.season_over else f"up to {day(self.totals.day[-1])}"
        reach = " within reach" if self.question == WITHIN_REACH else ""
        if analysis.weighed:
            scale, unit = own_weight("g", analysis.records.trial.weight_unit)
            return Quantity(f"weight per plant planted{reach}, {upto}", "g a plant",
                            self.looks is not None, f"{unit}{reach}", scale)
        counted = analysis.counted
        return Quantity(f"{counted} per plant planted{reach}, {upto}", f"{counted} a plant",
                        self.looks is not None, f"{counted}{reach}")

    @property
    def ratio_is(self) -> str:
        """What `ratio` of the table is: "ratio", "difference" or, of some traits of one's own,
        "odds", a ratio of odds."""
        if isinstance(self.own, OwnResult):
            return self.own.scale
        return "difference" if self.analysis.totals is None and isinstance(
            self.analysis.harvest, TraitResult) else "ratio"


def conclude(
    records: Records, seen: SeenRows | None = None, tasted: bool = False
) -> Conclusion:
    """The conclusion of a trial so far.  Never raises for what was recorded.

    seen: how much rows or plots differed in the grower's own replicated trials, where known.
    tasted: a tasting has been held, so that how they taste is not left open."""
    return Conclusion(records, analyse(records), seen, tasted)


def _verdict(of: Conclusion) -> Verdict:
    """The answer to the trial's question, else from whatever was recorded."""
    analysis, trial = of.analysis, of.records.trial
    if trial.asked_trait is not None:
        if isinstance(of.own, OwnResult):
            own = own_question(of.records, trial.asked_trait, of.own, WORTHWHILE_DAYS)
            return from_one_trait(analysis, own)
        return _not_recorded(trial.asked_trait, of.own)
    if of.question == EARLY and analysis.totals is not None:
        early = analysis.earliness
        if isinstance(early, TraitResult):
            return from_one_trait(
                analysis, Asked(early, less=True, worthwhile=WORTHWHILE_DAYS, dated=True,
                                first="was first"), of.rows)
        return _nothing_yet(f"{early.reason[:1].upper()}{early.reason[1:]}")
    if of.question == WITHIN_REACH and of.totals is None and analysis.totals is not None:
        needed = [what for what, there in (
            ('bears = "top" (pods set at the growing tip) or bears = "along" (all along the stem) '
             "in trial.toml", trial.bears is not None),
            ("reach, how high you can pick, in trial.toml", trial.reach_cm is not None),
            ("heights of the plants", bool(of.records.heights["height_cm"].notna().any())),
        ) if not there]
        return _reach_unknown(
            "What was picked within reach cannot be told yet.",
            "Nothing recorded so far says which pods hung above your reach.",
            f"Write down {' and '.join(needed)}.", "Within reach: not known")
    stick = stick_length(of.records.heights) if of.question == WITHIN_REACH else None
    if stick is not None and trial.bears == "top" and stick <= (trial.reach_cm or 0.0):
        return _reach_unknown(
            "What was picked within reach cannot be told: the heights stop at one length.",
            f"Many plants were noted at {stick:g} cm again and again, as if the stick had ended "
            "there, and that is below your reach.",
            "Measure the tall plants with a longer stick, or leave their heights blank.",
            "Heights stop short")
    if of.totals is not None and of.quantity is not None and (
            np.nansum(of.totals.pods[:, -1]) > 0):
        return from_picks(analysis, of.looks, of.totals, of.table, of.quantity, of.rows)
    asked = _recorded(analysis)
    if asked is not None:
        return from_one_trait(analysis, asked, of.rows)
    if len(analysis.looks):
        return _nothing_yet("Nothing but zeros has been counted")
    return _nothing_yet("Nothing has been counted, weighed or measured")


def _recorded(analysis: Analysis) -> Asked | None:
    """The trait to answer from where nothing was picked: what was dug, its grades, heights, or
    losses, whichever is recorded."""
    harvest = analysis.harvest
    if isinstance(harvest, HarvestResult):
        crop = analysis.harvested
        if isinstance(crop, Harvested) and crop.graded_alone and harvest.grading is not None:
            return _graded(harvest)
        return Asked(harvest, verb="gave")
    if isinstance(analysis.height, HeightResult):
        return Asked(analysis.height, first="is tallest", verb="grew", ranked=False)
    stand = analysis.stand
    if isinstance(stand, StandResult) and stand.losses["lost"].sum() > 0:
        return Asked(stand, first="kept most")
    return None


def _graded(harvest: HarvestResult) -> Asked:
    """The share of the best grade, compared by the odds of a better one."""
    grading = harvest.grading
    assert grading is not None
    shares = grading.shares
    best = grading.order[0] if grading.order else str(shares["grade"].iloc[0])
    some = shares[shares["grade"] == best].set_index("variety")
    names = [v for v in harvest.means["variety"] if v in some.index]
    means = harvest.means[harvest.means["variety"].isin(names)].assign(
        **{to: [100.0 * float(some.loc[v, at]) for v in names]
           for to, at in (("estimate", "share"), ("low", "low"), ("high", "high"))})
    compared = grading.supported and len(grading.pairs) > 0
    why = grading.why_not or ("" if compared else
                              "the grades have no order that they could be compared by")
    return Asked(replace(
        harvest, trait="grades", label=f"share graded {best}", unit="%", scale="ratio",
        means=means, against_check=grading.against_check, pairs=grading.pairs,
        supported=compared, why_not=why), first="graded best",
        gap="Pieces of {best} were graded better than those of {other}")


def _reach_unknown(answer: str, why: str, step: str, headline: str) -> Verdict:
    return Verdict(answer, why, step, DESCRIPTION, "No comparison", answer, (), headline)


def _not_recorded(trait: OwnTrait, own: Missing | None) -> Verdict:
    """Nothing yet of the trait of one's own that the trial asks for."""
    why = f"no {trait.name} is recorded yet" if own is None else own.reason
    return Verdict(
        f"{why[:1].upper()}{why[1:]}.", "There is nothing to compare yet.",
        f"Write down {trait.name} of every {trait.on} looked at, in traits.csv.", NOTHING,
        "Too soon", f"{why[:1].upper()}{why[1:]}.", (), "Nothing to compare yet",
        "wait for the first records")


def _nothing_yet(why: str) -> Verdict:
    return Verdict(
        f"{why.rstrip('.')}.", "There is nothing to compare yet.",
        "Pick, and write down every plant looked at, zeros too.", NOTHING,
        "Too soon", f"{why.rstrip('.')}.", ())


def _table(of: Conclusion) -> pd.DataFrame:
    analysis, looks, totals = of.analysis, of.looks, of.totals
    check = analysis.check
    out = pd.DataFrame({"variety": analysis.order})
    out["check"] = out["variety"] == check
    gave = None if totals is None else means_so_far(totals, looks is not None)
    dug: TraitResult | None = analysis.harvest if analysis.totals is None and isinstance(
        analysis.harvest, TraitResult) else None
    if of.own is not None:
        dug = of.own if isinstance(of.own, OwnResult) else None
    if dug is not None:
        gave = dug.means
    for column, source in (("gave", "estimate"), ("gave_low", "low"), ("gave_high", "high")):
        out[column] = _mapped(out["variety"], gave, source)
    for column, source in (("ratio", "estimate"), ("ratio_low", "low"), ("ratio_high", "high")):
        out[column] = _mapped(out["variety"], None if dug is None else dug.against_check, source)
    out["state"] = ""
    if looks is not None and looks.against_check:
        _set_against(out, looks, str(check))
    if dug is not None or (looks is not None and looks.against_check):
        differs = dug is not None and dug.scale == "difference"
        out.loc[out["check"], "ratio"] = 0.0 if differs else 1.0
    inside = analysis.totals_within_reach
    within = None if inside is None else means_so_far(inside, analysis.ground.supported)
    for column, source in (("within_reach", "estimate"), ("within_low", "low"),
                           ("within_high", "high")):
        out[column] = _mapped(out["variety"], within, source)
    planted = pd.Timestamp(analysis.records.trial.planted)
    for trait, names in ((analysis.first_pick, ("first_pick", "first_low", "first_high")),
                         (analysis.halfway, ("halfway", "halfway_low", "halfway_high"))):
        for column, source in zip(names, ("estimate", "low", "high"), strict=True):
            days = _mapped(out["variety"],
                           trait.means if isinstance(trait, TraitResult) else None, source)
            out[column] = planted + pd.to_timedelta(days.round(), unit="D")
    height = analysis.height
    for column in ("out_of_reach", "out_low", "out_high"):
        out[column] = pd.NaT
    if isinstance(height, HeightResult) and len(height.reach):
        reach = height.reach.set_index("variety")
        for column, source in (("out_of_reach", "date"), ("out_low", "low"), ("out_high", "high")):
            out[column] = out["variety"].map(reach[source])
    for column, plants in (("lost", analysis.ground.lost()), ("planted", analysis.ground.planted)):
        out[column] = out["variety"].map(plants).fillna(0).astype(int)
    by, rising = ("gave" if out["gave"].notna().any() else "ratio"), False
    if of.question == EARLY and out["first_pick"].notna().any():
        by, rising = "halfway" if out["halfway"].notna().any() else "first_pick", True
    asked = of.records.trial.asked_trait
    if asked is not None:
        rising = asked.better == "less"
    return out.sort_values(by, ascending=rising, kind="stable", na_position="last")[
        TABLE].reset_index(drop=True)


def _set_against(table: pd.DataFrame, looks: Looks, check: str) -> None:
    """Fill in the ratio of each variety to the check, its range and its state."""
    for at, variety in enumerate(table["variety"]):
        result = looks.results.get((variety, check))
        if result is None:
            continue
        # A variety that gave nothing has no ratio; only its limits say something.
        if np.isfinite(result.estimate) and not _nothing(table, variety, check):
            table.loc[at, "ratio"] = np.exp(result.estimate)
        narrow = np.isfinite(result.low) and result.high - result.low < TOO_WIDE
        ends = np.exp([result.low, result.high]) if narrow else [np.nan, np.nan]
        table.loc[at, ["ratio_low", "ratio_high"]] = ends
        table.loc[at, "state"] = result.state


def _nothing(table: pd.DataFrame, *names: str) -> bool:
    """Whether one of these varieties gave nothing."""
    return bool((table.loc[table["variety"].isin(names), "gave"] == 0).any())


def _mapped(names: pd.Series, frame: pd.DataFrame | None, column: str) -> pd.Series:
    if frame is None or frame.empty:
        return pd.Series(np.nan, index=names.index)
    return names.map(frame.set_index("variety")[column]).astype(float)


# ------------------------------------------------------------------------------------------------
# One row of each variety: how unlike rows would have to be to explain what was seen.
# ------------------------------------------------------------------------------------------------

class SeenRows(NamedTuple):
    """How much rows or plots of one variety differed in the grower's own replicated trials.

    sd: standard deviation of logarithms; high: the upper end of its 95 % interval, infinite where
    those trials set none."""

    sd: float
    high: float


def rows_alone(analysis: Analysis, seen: SeenRows | None = None) -> RowsExplain | None:
    """The row-to-row sd that would explain the largest difference between varieties away.

    None unless every variety stood in one row or plot alone and two of them gave something.
    Worked on ratios of the rows' means a plant; the scatter of the plants within the rows is
    taken out first (`design.audit.row_sd_to_explain`).
    """
    each = analysis.ground.plots_of
    if analysis.ground.supported or len(each) < 2 or (each > 1).any():
        return None
    plants = _of_plants(analysis)
    if plants is None:
        return None
    rows = plants.groupby("variety")["value"].agg(["mean", "var", "size"])
    rows = rows[rows["mean"] > 0]
    if len(rows) < 2:
        return None
    pooled = float(np.average(
        (rows["var"] / rows["mean"] ** 2).fillna(0.0), weights=np.maximum(rows["size"] - 1, 1e-9)))
    mean, size = rows["mean"].to_numpy(float), rows["size"].to_numpy(float)
    top, bottom = int(mean.argmax()), int(mean.argmin())
    within = float(np.sqrt(pooled * (1.0 / size[top] + 1.0 / size[bottom])))
    return row_sd_to_explain(
        float(np.log(mean[top] / mean[bottom])), within, len(rows),
        seen_sd=None if seen is None else seen.sd, seen_high=None if seen is None else seen.high,
    )


def _of_plants(analysis: Analysis) -> pd.DataFrame | None:
    """variety, value: of each plant, its pods against an average plant's, or what it weighed."""
    if not isinstance(analysis.pods, Missing):
        plants = analysis.pods.tally.by_plant
        return pd.DataFrame({"variety": plants["variety"].astype(str),
                             "value": np.exp(log_index(plants))})
    if isinstance(analysis.harvest, Missing) or isinstance(analysis.harvested, str):
        return None
    return analysis.harvested.by_plant[["variety", "weight"]].rename(columns={"weight": "value"})


# ------------------------------------------------------------------------------------------------
# What a trial cannot tell, in plain sentences.
# ------------------------------------------------------------------------------------------------

def cannot_tell(
    analysis: Analysis, looks: Looks | None, tasted: bool = False
) -> tuple[str, ...]:
    """What is left open: the design's limits first, then the season's, then missing records.

    tasted: whether how they taste is known."""
    return tuple(_design(analysis) + _pairs(looks) + _place(analysis)
                 + _general(analysis, tasted) + _missing(analysis))


def _design(analysis: Analysis) -> list[str]:
    ground = analysis.ground
    if ground.supported:
        # Lots that left a variety in one row: the place it had is in the result.
        return [f"Whether it is the variety or its place: {finding.one_line}"
                for finding in analysis.audit.findings if finding.code == "one-row-by-lot"]
    return [] if ground.units["variety"].nunique() < 2 else [
        f"Whether any variety is better: {ground.why_not.rstrip('.')}."]


def _pairs(looks: Looks | None) -> list[str]:
    if looks is None:
        return []
    alike = [pair for pair, r in looks.results.items() if r.state != SETTLED]
    ahead = [a for (a, _), r in looks.results.items() if r.state == SETTLED and r.direction > 0]
    best = [] if not looks.against_check or len(ahead) < 2 else [
        f"Which of {few(ahead)} is best: each was compared with the check only."]
    if not alike:
        return best
    if looks.against_check:
        names = [a for a, _ in alike]
        verb = "differs" if len(names) == 1 else "differ"
        return [f"Whether {few(names)} {verb} from {alike[0][1]} at all.", *best]
    return [f"Which is better: {few([f'{a} or {b}' for a, b in alike], 3)}."]


def _place(analysis: Analysis) -> list[str]:
    position = analysis.position
    if isinstance(position, Missing):
        if isinstance(analysis.pods, Missing) or not analysis.ground.supported:
            return []
        return [f"How much of the difference is the place in the bed: {position.reason}."]
    if position.differs:
        side = position.side_by_side
        moved = [str(v) for v in side.loc[side["change"].abs() > MATTERS, "variety"]]
        return [f"How much of the difference of {few(moved)} is the place in the bed: with "
                "the place allowed for the ratio changes by more than a tenth."]
    return []


FLOWER = re.compile(
    r"\b((cut )?(flower|bloom|blossom)s?|anemones?|asters?|carnations?|chrysanthemums?|cosmos|"
    r"daffodils?|dahlias?|gladiol(us|i)|lil(y|ies)|lisianthus|marigolds?|narciss(us|i)|"
    r"peon(y|ies)|ranunculus|roses?|snapdragons?|statice|sweet ?peas?|tulips?|zinnias?)\b",
    re.IGNORECASE)
"""Crops grown to be looked at (common practice, no source)."""


def _general(analysis: Analysis, tasted: bool) -> list[str]:
    about = analysis.records.trial
    open_taste = not tasted and not FLOWER.search(f"{about.crop} {about.counted}")
    lines = ["Whether it would be so in another year or another garden: this is one season in one "
           "garden."]
    if isinstance(analysis.pods, Missing):
        return lines
    counted = analysis.counted
    weights = analysis.weights
    if isinstance(weights, TraitResult):
        if weights.supported:
            return [*lines, "How they taste."] if open_taste else lines
        return [*lines, f"{_by_weight(open_taste)}: {weights.why_not}."]
    if analysis.records.picks["weight_g"].notna().any():
        return [*lines, f"{_by_weight(open_taste)}: {weights.reason}."]
    if FLOWER.search(f"{about.crop} {about.counted}"):
        return lines
    return [*lines, f"{_by_weight(open_taste)}: {counted} were counted, not weighed."]


def _by_weight(open_taste: bool) -> str:
    return ("How they taste, and which gives most by weight" if open_taste else
            "Which gives most by weight")


def _missing(analysis: Analysis) -> list[str]:
    if isinstance(analysis.pods, Missing):
        return []
    out = []
    for trait in TRAITS:
        result = analysis.trait(trait) if trait.question else None
        if isinstance(result, Missing):
            out.append(f"{trait.question}: {result.reason}.")
    height = analysis.height
    if isinstance(height, TraitResult) and not analysis.records.trial.reach_cm:
        out.append("When they pass reach: the trial gives no reach.")
    return out


# ------------------------------------------------------------------------------------------------
# What changed since the pick before the last.
# ------------------------------------------------------------------------------------------------

def since_last(analysis: Analysis, looks: Looks | None) -> tuple[str, ...]:
    """Sentences: what was picked, and what is new: how the leading comparison moved, what became
    firm or unlikely to, losses.

    Earlier and later figures of a comparison are made in the same way, from plot totals.
    """
    seen = analysis.looks
    if seen.empty:
        return ()
    dates = np.sort(seen["date"].unique())
    last = pd.Timestamp(dates[-1])
    if len(dates) < 2:
        return (f"The pick of {day(last)} is the first.",)
    before = pd.Timestamp(dates[-2])
    out = [_picked(analysis, last, before)]
    if looks is not None:
        out += _moved(looks)
        out += _settled(looks, last)
        out += _given_up(looks)
    out.append(_lost(analysis, before))
    return tuple(line for line in out if line)


def _picked(analysis: Analysis, last: pd.Timestamp, before: pd.Timestamp) -> str:
    seen = analysis.looks
    new = seen[seen["date"] == last]
    old = seen[seen["date"] == before]
    pace = [part["pods"].sum() / max(part["days"].sum(), 1e-9) * 7 for part in (old, new)]
    pods = counted(int(new["pods"].sum()), analysis.counted, analysis.counted)
    plants = counted(int(new["plant"].nunique()), noted_of(analysis, new))
    text = (f"On {day(last)}: {pods} from {plants}, {figure(pace[1])} a plant a week "
            f"({figure(pace[0])} at the pick before).")
    by = analysis.tally.by_variety_and_date.xs(last, level="date")
    rate = (by["pods"] / by["days"]).sort_values(ascending=False)
    if len(rate) > 1 and rate.iloc[0] > 0:
        text += f" {rate.index[0]} was best on the day."
    return text


def _moved(looks: Looks) -> list[str]:
    pair = max(looks.totals, key=lambda p: _size(looks, p))
    old, new = looks.totals[pair][-2:]
    if not (old.usable and new.usable):
        return []
    left, right = pair
    sign = 1.0 if new.estimate >= 0 else -1.0
    if sign < 0:
        left, right = right, left
    a, b = times(np.exp(sign * old.estimate)), times(np.exp(sign * new.estimate))
    if a == b or abs(new.estimate) > TOO_WIDE:
        return []
    return [f"{left} went from {a} to {b} what {right} gave."]


def _size(looks: Looks, pair: tuple[str, str]) -> float:
    """Against the check the leader's comparison; among pairs the widest."""
    look = looks.totals[pair][-1]
    value = look.estimate if looks.against_check else abs(look.estimate)
    return value if np.isfinite(value) else -np.inf


def _settled(looks: Looks, last: pd.Timestamp) -> list[str]:
    fresh = [pair for pair, r in looks.results.items()
             if r.state == SETTLED and r.settled_on == last.date()]
    said = [f"{a} and {b}" for a, b in fresh]
    return [f"This pick made the answer firm: {few(said)}."] if said else []


def _given_up(looks: Looks) -> list[str]:
    """Comparisons that were still worth waiting for before this pick and are not now; after the
    last planned pick they are too close to call."""
    fresh = [
        pair for pair, r in looks.results.items()
        if r.state == UNSETTLED and r.looks > 1
        and evaluate_looks(looks.totals[pair][:-1], r.planned, r.alpha).state == KEEP
    ]
    out = []
    for over, line in ((False, "Unlikely to firm up this season"), (True, "Too close to call")):
        said = [f"{a} and {b}" for a, b in fresh if looks.results[a, b].over == over]
        out += [f"{line}: {few(said)}."] if said else []
    return out


def _lost(analysis: Analysis, before: pd.Timestamp) -> str:
    # Those lost after the last pick too: the next report is too late to hear of them.
    gone = analysis.ground.lost(after=before)
    said = [f"{name} {n}" for name, n in gone.items()]
    return f"{counted(int(gone.sum()), 'plant')} lost since the pick before: {few(said)}." if (
        said) else ""
