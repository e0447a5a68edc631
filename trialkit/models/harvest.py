"""Crops dug or cut once: weight by variety, blocks and main plots as they were laid out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed import LMM, MixedModelError, fit_lmm
from trialkit.mixed.leastsquares import LeastSquares
from trialkit.models.grading import GRADES, GradeResult, grade_result, poor
from trialkit.models.position import PlaceEffects, bed_map, place_columns, place_effects
from trialkit.models.results import (
    AGAINST,
    ALPHA,
    Floats,
    MethodNote,
    Missing,
    TraitResult,
    compare,
    difference_means,
    empty,
    variety_levels,
)
from trialkit.models.support import (
    PART,
    Combinations,
    Support,
    TreatmentTerms,
    adjusted_for,
    behind,
    combined,
    complete,
    design_df,
    layout_columns,
    treatment_terms,
    usable_groups,
    with_covariates,
    with_parts,
)
from trialkit.models.totals import Harvested

if TYPE_CHECKING:
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# When a root or head is ready: days from planting, by variety.
#
# A piece counts as ready on the day it was dug or cut fit to sell; one not yet dug, or dug too
# small, does not.  So a variety is "ready from" the first harvest by which at least half of its
# standing plants (or the share the grower sets) had given a marketable piece.  Dug on one day only,
# that is all that can be said: ready by then, or not.
# ------------------------------------------------------------------------------------------------

READY = ["variety", "day", "date", "mean", "low", "high", "share", "plots", "plots_ready", "words"]


@dataclass(frozen=True)
class ReadyRule:
    """What is ready.  share: of the standing plants that must be.  grades: marketable ones; None:
    all whose name is not that of waste.  least_g: weight a piece must reach, None for any."""

    share: float = 0.5
    grades: tuple[str, ...] | None = None
    least_g: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.share <= 1:
            raise ValueError(f"share is {self.share:g}; above 0 and at most 1 is accepted.")


@dataclass(frozen=True)
class ReadyResult:
    """table: variety, day (days from planting of the first harvest by which it was ready; NaN:
    not yet), date, mean over its plots with low and high (95 % interval, days; NaN where the
    layout or one day of digging supports none), share (ready by the last harvest), plots,
    plots_ready, words.  against_check: variety, check, days later (+) or earlier (-), low, high,
    p, df.  rule: in words."""

    table: pd.DataFrame
    rule: str
    against_check: pd.DataFrame = field(default_factory=lambda: empty(AGAINST))
    why_not: str = ""


def ready_from(
    crop: Harvested, planted: pd.Timestamp, order: list[str], check: str | None,
    rule: ReadyRule | None = None,
) -> ReadyResult | None:
    """Days from planting to readiness; None where no harvest has a date.

    planted: the day; order: varieties.
    """
    rule = rule or ReadyRule()
    dug, ground = crop.table.dropna(subset=["date"]), crop.ground
    if dug.empty:
        return None
    first = crop.first_date(_marketable(crop.table, rule))
    plants = ground.plants[ground.plants["variety"].isin(order)]
    # A plant that died before the last harvest and gave nothing never stood to be ready.
    still_there = plants["lost"].isna() | plants["plant"].isin(dug["plant"])
    standing = ground.located(plants[still_there].assign(ready=plants["plant"].map(first)))
    harvests = tuple(int((pd.Timestamp(d) - planted).days) for d in sorted(dug["date"].unique()))
    said = (f"at least {100 * rule.share:.0f} % of the standing plants have given a "
            "marketable piece"
            if rule.share != 0.5 else
            "at least half of the standing plants have given a marketable piece")
    by_variety = {v: _first_day(standing[standing["variety"] == v], rule.share, planted)
                  for v in order}
    units = ground.plots(standing)
    units["day"] = [_first_day(standing[standing["unit"] == u], rule.share, planted)
                    for u in units["unit"]]
    mean, low, high, against, why = _intervals(units, ground, order, check, len(harvests))
    rows = []
    for i, v in enumerate(order):
        own = standing[standing["variety"] == v]
        plots = units[units["variety"] == v]
        share = float(own["ready"].notna().mean()) if len(own) else np.nan
        day = by_variety[v]
        date = planted + pd.Timedelta(days=day) if np.isfinite(day) else pd.NaT
        rows.append((v, day, date, mean[i], low[i], high[i], share, len(plots),
                     int(plots["day"].notna().sum()), _words(v, day, share, harvests)))
    return ReadyResult(pd.DataFrame(rows, columns=READY), said, against, why)


def _marketable(dug: pd.DataFrame, rule: ReadyRule) -> pd.Series:
    grade = dug["grade"]
    if rule.grades is not None:
        good = grade.isin(rule.grades)
    else:
        good = ~grade.fillna("").astype(str).map(poor).astype(bool)
    weight, count = dug["weight_g"], dug["count"]
    some = ~((count == 0) | ((weight == 0) & count.isna()))
    if rule.least_g is not None:
        good &= (weight / count.where(count > 0, 1.0).fillna(1.0)) >= rule.least_g
    return good & some


def _first_day(plants: pd.DataFrame, share: float, planted: pd.Timestamp) -> float:
    """Days from planting by which the share of `plants` is ready; NaN if it never is."""
    days = np.sort((plants["ready"].dropna() - planted).dt.days.to_numpy(float))
    needed = int(np.ceil(share * len(plants) - 1e-9))
    return float(days[needed - 1]) if 0 < needed <= len(days) else float("nan")


def _intervals(
    units: pd.DataFrame, ground: Support, order: list[str], check: str | None, harvests: int
) -> tuple[Floats, Floats, Floats, pd.DataFrame, str]:
    """t intervals of each variety's plots and differences from the check, by least squares on
    the plots' days (variety and layout), or why there are none."""
    nothing = np.full(len(order), np.nan)
    why = ""
    if harvests < 2:
        why = "everything was dug on one day"
    elif not ground.supported:
        why = ground.why_not
    elif units["day"].isna().any():
        why = "some plots were not ready by the last harvest"
    elif units["day"].nunique() < 2:
        why = "every plot was ready on the same day"
    df = ground.df(order)
    if not why and df < 1:
        why = "there are too few plots"
    if why:
        return nothing, nothing, nothing, empty(AGAINST), why
    y = units["day"].to_numpy(float)
    x = np.column_stack([units["variety"] == v for v in order]).astype(float)
    x = np.hstack([x, layout_columns(units)])
    fit, v = LeastSquares(x, y), len(order)
    mean, covariance = fit.estimate[:v], fit.unscaled[:v, :v] * fit.rss / df
    half = stats.t.isf(ALPHA / 2, df) * np.sqrt(np.diagonal(covariance))
    against = compare(order, mean, covariance, df, check, ratio=False).against_check
    return mean, mean - half, mean + half, against, ""


def _words(variety: str, day: float, share: float, harvests: tuple[int, ...]) -> str:
    """One plain sentence."""
    if np.isnan(share):
        return f"{variety}: no plant stood to be harvested."
    if len(harvests) == 1:
        if np.isfinite(day):
            return (f"{variety} was ready {day:.0f} days after planting, when all was dug; perhaps "
                    "sooner.")
        return (f"{variety} was not ready {harvests[0]} days after planting: "
                f"{100 * share:.0f} % of its plants gave a marketable piece.")
    if np.isnan(day):
        return (f"{variety} was not ready {harvests[-1]} days after planting, at the last harvest: "
                f"{100 * share:.0f} % of its plants had given a marketable piece.")
    if day == harvests[0]:
        return (f"{variety} was ready at the first harvest, {day:.0f} days after planting; perhaps "
                "sooner.")
    return f"{variety} was ready {day:.0f} days after planting."


# ------------------------------------------------------------------------------------------------
# Crops dug or cut once: weight by variety, blocks and main plots as they were laid out.
# ------------------------------------------------------------------------------------------------

LIKE_SIZED = 2.0
"""Plots of up to this many times the plants of the smallest count alike, as means (own choice)."""
SPREAD_DRAWS = 999
"""Fields of equal spreads drawn to see how unequal they look by chance."""
METRE = ["variety", "estimate", "low", "high", "share"]
NO_PLACES = Missing("position", "nothing was weighed")


@dataclass(frozen=True)
class HarvestResult(TraitResult):
    """`tests`: term, F, num_df, den_df, p.  `support`: treatment, estimate, se, df, low, high.
    `combined`: every variety under every treatment.
    `dates`: variety, days from planting to harvest.  `grades`: its shares, `grading`: all of
    `grading.GradeResult`, None where nothing is graded.
    `ready`: when each variety was ready, None without dates.  `metre`: variety, estimate, low,
    high a metre of row as planted, share (of the plants set out that gave something): the means
    times plants a metre times that share; empty without a plant spacing or where a record is a
    plot, not a plant.
    `places`: slope, edge and shade, tested on the plots and taken out one at a time.  `bed`: as
    `PositionResult.bed`, ratio being the weight over the variety's mean."""

    tests: pd.DataFrame = field(default_factory=pd.DataFrame)
    treatments: pd.DataFrame = field(default_factory=pd.DataFrame)
    dates: pd.DataFrame = field(default_factory=pd.DataFrame)
    grades: pd.DataFrame = field(default_factory=lambda: empty(GRADES))
    grading: GradeResult | None = None
    ready: ReadyResult | None = None
    metre: pd.DataFrame = field(default_factory=lambda: empty(METRE))
    fit: LMM | None = field(default=None, repr=False, compare=False)
    combined: Combinations = field(default_factory=Combinations)
    places: PlaceEffects | Missing = NO_PLACES
    bed: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class _Dug:
    """crop: what was harvested.  varieties: those that gave something."""

    records: Records
    crop: Harvested
    varieties: list[str]
    check: str | None

    @property
    def ground(self) -> Support:
        return self.crop.ground

    @property
    def data(self) -> pd.DataFrame:
        return self.crop.by_plant

    def mean(self, column: str) -> Floats:
        """Of `Harvested.by_variety`, (v,)."""
        return self.crop.by_variety[column].reindex(self.varieties).to_numpy(float)

    @property
    def label(self) -> str:
        counted = self.records.trial.counted
        return f"{counted} harvested" if self.crop.counted else "weight harvested"

    @property
    def unit(self) -> str:
        """Grams, or the unit a published weight was given in, or what was counted."""
        trial = self.records.trial
        return str(trial.counted) if self.crop.counted else trial.harvest_unit or "g"


@dataclass(frozen=True)
class _Levels:
    """estimate (v,) of each variety, its covariance (v, v) and df; how they were worked out, and
    what else the model says.  why: no comparison is made, in plain words; "" where one is."""

    estimate: Floats
    covariance: Floats
    df: float
    method: MethodNote
    why: str = ""
    notes: tuple[str, ...] = ()
    fit: LMM | None = None
    tests: pd.DataFrame = field(default_factory=pd.DataFrame)
    treatments: pd.DataFrame = field(default_factory=pd.DataFrame)
    combined: Combinations = field(default_factory=Combinations)


def harvest_trait(
    records: Records, crop: Harvested | str, order: list[str], check: str | None
) -> HarvestResult | Missing:
    """Weight (or count, where nothing was weighed) a plant or plot harvested.

    crop: `totals.harvested_of`, or why there is nothing.  Raises MixedModelError where the model
    cannot be fitted.
    """
    if isinstance(crop, str):
        return Missing("harvest", crop)
    varieties = [v for v in order if v in crop.by_variety.index]
    trial, ground = records.trial, crop.ground
    rule = ReadyRule(trial.ready_share or 0.5, trial.marketable or None, trial.marketable_from_g)
    ready = ready_from(crop, pd.Timestamp(trial.planted), varieties, check, rule)
    grading = grade_result(crop, varieties, check, trial.grades)
    how = treatment_terms(crop.by_plant, ground)
    if how:
        crop = replace(crop, by_plant=with_parts(crop.by_plant))
    dug = _Dug(records, crop, varieties, check)
    fitted, fixed = _as_fitted(dug.data, ground, bool(how))
    why = _why_not(dug, fitted)
    levels = _plain(dug, why) if why else _modelled(dug, fitted, fixed, how)
    means = difference_means(varieties, levels.estimate, levels.covariance, levels.df).join(
        behind(dug.data, varieties))
    means["low"] = means["low"].clip(lower=np.minimum(means["estimate"], 0.0))  # nothing below none
    compared = compare(varieties, levels.estimate, levels.covariance, levels.df, check, ratio=False)
    return HarvestResult(
        "harvest", dug.label, dug.unit, "difference", means, compared.against_check,
        compared.pairs, compared.letters, not why, why, levels.method, levels.notes,
        tests=levels.tests, treatments=levels.treatments,
        dates=crop.by_variety["days"].reset_index(),
        grades=empty(GRADES) if grading is None else grading.shares, grading=grading, ready=ready,
        metre=_metre(dug, means), fit=levels.fit, combined=levels.combined,
        places=_places(dug) if not why else NO_PLACES, bed=_bed(dug))


def _why_not(dug: _Dug, fitted: pd.DataFrame) -> str:
    """Why varieties cannot be compared; "" where they can."""
    alike = np.ptp(fitted["weight"].to_numpy()) == 0
    if dug.ground.supported and len(dug.varieties) > 1 and not alike:
        return ""
    if dug.ground.why_not:
        return dug.ground.why_not
    if len(dug.varieties) < 2:
        return "there is only one variety"
    same = "harvest" if np.ptp(dug.data["weight"].to_numpy()) == 0 else "plot, on average,"
    return f"every {same} weighs the same"


def _plain(dug: _Dug, why: str) -> _Levels:
    """Means of what was harvested, without an error."""
    mean = dug.mean("weight")
    return _Levels(mean, np.full((len(mean),) * 2, np.nan), float("nan"),
                   MethodNote("Means; no interval: " + why + ".", "Plain means."), why)


def _modelled(
    dug: _Dug, fitted: pd.DataFrame, fixed: tuple[str, ...], how: TreatmentTerms
) -> _Levels:
    """Linear mixed model by REML; its error is that between the plots varieties were given to."""
    ground, varieties = dug.ground, dug.varieties
    parts = [PART] if how else []
    groups, left_out = usable_groups(
        fitted, [*(n for n in ground.by if n not in fixed), "unit", *parts], ("variety",))
    fitted, adjusted, unadjusted = with_covariates(ground, fitted, fixed)
    formula = " + ".join([f"weight ~ {how.terms}", *fixed, *adjusted])
    df = _layout_df(dug, how) - len(adjusted)
    if df < 1:
        raise MixedModelError("the layout has too few plots to adjust for anything besides")
    fit = fit_lmm(formula, fitted, groups=groups)
    estimate, covariance = variety_levels(fit, varieties)
    terms = how.terms.replace(" * ", " + ").split(" + ")
    terms += ["variety:treatment"] if "*" in how.terms else []
    tests = pd.DataFrame([fit.f_test(term) for term in [*terms, *adjusted]]).rename(
        index=adjusted).rename_axis("term").reset_index()
    notes = [*unadjusted, *([how.note] if how.note else [])]
    method = MethodNote(
        "Weights compared between the plots the varieties were given to." + adjusted_for(adjusted),
        f"Linear mixed model by REML, {formula}, random {', '.join(groups) or 'nothing'}; "
        f"{len(fitted)} {'plots' if 'unit' not in groups else 'records'}; complete blocks fixed; "
        f"F tests by Kenward and Roger 1997; comparisons on the layout's {df:g} df. "
        + "; ".join([*left_out, *unadjusted,
                     *(f"{column}: {name}" for column, name in adjusted.items())]),
        formula, tuple(groups), f"design, {df:g}",
        {"sd residual": fit.residual_sd, **{f"sd {k}": float(v) for k, v in fit.group_sd.items()}},
    )
    if how:
        return _Levels(
            estimate, covariance, df, method, "", tuple(notes), fit, tests, fit.means("treatment"),
            combined(fit, how, varieties, df, "difference", test_df="kenward-roger"))
    levels = _Levels(estimate, covariance, df, method, "", tuple(notes), fit, tests)
    spreads = None if groups or adjusted else own_spreads(fitted, varieties, fixed)
    return levels if spreads is None else _with_own_spreads(levels, *spreads)


def _layout_df(dug: _Dug, how: TreatmentTerms) -> float:
    """The layout's degrees of freedom between what varieties were given to."""
    all_of_it = dug.ground.df(dug.varieties)
    df = design_df(dug.data.drop_duplicates("unit"), dug.ground.by)
    df = df if df >= 1 else all_of_it
    if not how:
        return df
    split = dug.data.groupby("unit")[PART].nunique().max() > 1
    return min(df, all_of_it) if split else min(df, all_of_it, how.df)


def _with_own_spreads(levels: _Levels, covariance: Floats, df: float) -> _Levels:
    """The same levels, each comparison with its own varieties' spread."""
    said = ("plots of some varieties differ far more among themselves than plots of others: "
            f"each comparison uses its own varieties' spread, on {df:g} df")
    method = replace(levels.method, df_method=f"own spreads, {df:g}", full=(
        f"{levels.method.full} {said[0].upper()}{said[1:]} (largest over smallest variance, "
        "Hartley 1950, by drawing)."))
    return replace(levels, covariance=covariance, df=df, method=method,
                   notes=(*levels.notes, said))


def _as_fitted(
    data: pd.DataFrame, ground: Support, treated: bool
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """What is analysed (plots' means where plots are like-sized), and the groupings fixed."""
    fitted = data
    if not treated and data.groupby("unit")["weight"].nunique().max() == 1:
        # A plot's total shared out evenly among its plants is one figure, not several.
        fitted = data.drop_duplicates("unit")
    fixed = complete(fitted, ground.by)
    size = fitted.groupby("unit").size()
    if not treated and size.max() <= LIKE_SIZED * size.min():
        fitted = ground.plots(fitted, weight=("weight", "mean"))
    return fitted, fixed


def own_spreads(
    plots: pd.DataFrame, varieties: list[str], fixed: tuple[str, ...]
) -> tuple[Floats, float] | None:
    """Covariance (v, v) of the varieties' means from each one's own spread, and its df; None where
    the plots do not tell that spreads differ, or the layout has no such errors.

    Spreads differ where the largest variance (in blocks: of a difference between two varieties)
    is further above the smallest than in 19 of 20 normal fields of equal spreads and this layout
    (Hartley 1950, Biometrika 37:308; here by drawing).  In complete blocks with a plot of each
    variety the blocks' vectors are then independent draws, whatever their covariance (Hotelling
    1931, Ann. Math. Stat. 2:360), on blocks less one df.  Without blocks: each variety's own
    variance, on the fewest plots less one (Welch 1938, Biometrika 29:350, at its least df).
    """
    count = plots["variety"].value_counts().reindex(varieties).to_numpy(int)
    if count.min() < 3 or len(fixed) > 1 or np.ptp(plots["weight"].to_numpy()) < 1e-9:
        return None
    rng = np.random.default_rng(6)
    if not fixed:
        spread: Floats = np.asarray(
            plots.groupby("variety")["weight"].var().reindex(varieties), dtype=np.float64)
        by_chance: Floats = np.asarray(
            rng.chisquare(count - 1, (SPREAD_DRAWS, len(count))) / (count - 1), dtype=np.float64)
        if not _unlike(spread, by_chance):
            return None
        return np.diag(spread / count), float(count.min() - 1)
    wide = plots.pivot_table(index=fixed[0], columns="variety", values="weight")[varieties]
    if wide.size != len(plots) or len(varieties) < 3:
        return None
    left, right = np.triu_indices(len(varieties), 1)
    noise = rng.standard_normal((SPREAD_DRAWS, *wide.shape))
    differences = wide.to_numpy()[:, left] - wide.to_numpy()[:, right]
    by_chance = np.asarray((noise[:, :, left] - noise[:, :, right]).var(axis=1, ddof=1))
    own: Floats = np.asarray(differences.var(axis=0, ddof=1), dtype=np.float64)
    if not _unlike(own, by_chance):
        return None
    return (np.asarray(np.cov(wide.to_numpy().T) / len(wide), dtype=np.float64),
            float(len(wide) - 1))


def _unlike(spread: Floats, by_chance: Floats) -> bool:
    """Whether the largest over the smallest is beyond all but a twentieth of the draws (n, m)."""
    def ratio(of: Floats) -> Floats:
        return np.asarray(of.max(axis=-1) / np.maximum(of.min(axis=-1), 1e-300))

    above = int((ratio(by_chance) >= ratio(spread)).sum())
    return (above + 1) / (len(by_chance) + 1) < ALPHA


def _metre(dug: _Dug, means: pd.DataFrame) -> pd.DataFrame:
    """`HarvestResult.metre`; empty without a spacing, or where a row of plants.csv is a plot."""
    trial = dug.records.trial
    spacing = trial.layout.plant_spacing_cm
    if not spacing or trial.harvest_unit:
        return empty(METRE)
    planted = dug.ground.planted.reindex(dug.varieties).to_numpy(float)
    share = dug.mean("plants") / np.maximum(planted, 1.0)
    metre = means[["variety", "estimate", "low", "high"]].copy()
    metre[["estimate", "low", "high"]] = metre[["estimate", "low", "high"]].mul(
        share * (100.0 / spacing), axis=0)
    return metre.assign(share=share)[METRE]


def _places(dug: _Dug) -> PlaceEffects | Missing:
    """What the place in the bed makes of the plots' means."""
    where, words = place_columns(dug.records, dug.ground)
    if where.empty:
        return Missing("position", "the places of the plants (row and column) are not recorded")
    per = pd.crosstab(dug.data["unit"], dug.data["treatment"])
    if len(per.drop_duplicates()) > 1:
        return Missing("position", "the plots differ in treatment as well as in place")
    units = dug.ground.plots(dug.data, value=("weight", "mean"))
    return place_effects(units, where, words, dug.varieties, dug.check, ratio=False,
                         unit=dug.unit)


def _bed(dug: _Dug) -> pd.DataFrame:
    weight = dug.data["weight"]
    mean = dug.data["variety"].map(dug.crop.by_variety["weight"])
    ratio = (weight / mean.where(mean > 0)).to_numpy(float)
    return bed_map(dug.records, dict(zip(dug.data["plant"], ratio, strict=True)))
