"""Crops dug or cut once: weight by variety, blocks and main plots as they were laid out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypedDict

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed import LMM, MixedModelError, fit_lmm
from trialkit.mixed.fixed import marginal_rows
from trialkit.mixed.leastsquares import LeastSquares
from trialkit.models.grading import GRADES, GradeResult, grade_result, poor
from trialkit.models.pods import difference_means
from trialkit.models.position import PlaceEffects, bed_map, place_columns, place_effects
from trialkit.models.results import (
    AGAINST,
    ALPHA,
    Floats,
    MethodNote,
    Missing,
    TraitResult,
    compare,
    empty,
)
from trialkit.models.support import (
    PART,
    Combinations,
    Support,
    adjusted_for,
    behind,
    combined,
    complete,
    design_df,
    given,
    usable_groups,
    with_covariates,
    with_parts,
)
from trialkit.models.totals import layout_columns
from trialkit.records.plots import recorded

if TYPE_CHECKING:
    from trialkit.models.support import Support
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
    p, df.  harvests: days from planting of each harvest.  rule: in words."""

    table: pd.DataFrame
    harvests: tuple[int, ...]
    rule: str
    against_check: pd.DataFrame = field(default_factory=lambda: empty(AGAINST))
    why_not: str = ""


def ready_from(
    records: Records, data: pd.DataFrame, ground: Support, order: list[str], check: str | None,
    rule: ReadyRule | None = None,
) -> ReadyResult | None:
    """Days from planting to readiness; None where no harvest has a date.

    data: plants harvested, with plant, variety, unit and the layout's columns.
    """
    rule = rule or ReadyRule()
    dug = records.harvest.dropna(subset=["date"])
    if dug.empty:
        return None
    planted = pd.Timestamp(records.trial.planted)
    fit = _marketable(dug, rule)
    first = dug[fit].groupby("plant")["date"].min()
    plants = records.plants.drop_duplicates("plant")
    plants = plants[plants["variety"].isin(order)]
    last_seen = dug.groupby("plant")["date"].max()
    dates = sorted(dug["date"].unique())
    # A plant that died before the last harvest and gave nothing never stood to be ready.
    lived = plants["lost"].isna() | plants["plant"].isin(last_seen.index)
    standing = plants[lived].assign(ready=plants["plant"].map(first))
    standing = ground.located(standing)
    harvests = tuple(int((pd.Timestamp(d) - planted).days) for d in dates)
    said = (f"at least {100 * rule.share:.0f} % of the standing plants have given a "
            "marketable piece"
            if rule.share != 0.5 else
            "at least half of the standing plants have given a marketable piece")
    by_variety = {v: _first_day(standing[standing["variety"] == v], rule.share, planted)
                  for v in order}
    units = standing.groupby("unit").agg(
        variety=("variety", "first"), block=("block", "first"),
        **{n: (n, "first") for n in ground.by if n != "block"})
    units["day"] = [_first_day(standing[standing["unit"] == u], rule.share, planted)
                    for u in units.index]
    mean, low, high, against, why = _intervals(units.reset_index(), ground, order, check,
                                               len(harvests))
    rows = []
    for i, v in enumerate(order):
        own = standing[standing["variety"] == v]
        plots = units[units["variety"] == v]
        share = float(own["ready"].notna().mean()) if len(own) else np.nan
        day = by_variety[v]
        date = planted + pd.Timedelta(days=day) if np.isfinite(day) else pd.NaT
        rows.append((v, day, date, mean[i], low[i], high[i], share, len(plots),
                     int(plots["day"].notna().sum()), _words(v, day, share, harvests)))
    return ReadyResult(pd.DataFrame(rows, columns=READY), harvests, said, against, why)


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


class _Parts(TypedDict, total=False):
    """The fields of a `HarvestResult` as they come to be known."""

    tests: pd.DataFrame
    treatments: pd.DataFrame
    dates: pd.DataFrame
    grades: pd.DataFrame
    grading: GradeResult | None
    ready: ReadyResult | None
    metre: pd.DataFrame
    fit: LMM | None
    combined: Combinations
    places: PlaceEffects | Missing
    bed: pd.DataFrame
    notes: tuple[str, ...]


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
    places: PlaceEffects | Missing = Missing("position", "nothing was weighed")
    bed: pd.DataFrame = field(default_factory=pd.DataFrame)


def harvest_trait(
    records: Records, ground: Support, order: list[str], check: str | None
) -> HarvestResult | Missing:
    """Weight (or count, where nothing was weighed) a plant or plot harvested.

    Raises MixedModelError where the model cannot be fitted.
    """
    table = records.harvest
    if table.empty:
        return Missing("harvest", "nothing is recorded as dug or cut once")
    value = "weight_g" if table["weight_g"].notna().any() else "count"
    if value == "count" and not table["count"].notna().any() and table["grade"].notna().any():
        table = table.assign(count=table["count"].where(table["grade"].isna(), 1.0))
    if not table[value].notna().any():
        return Missing("harvest", "the harvest has neither weights nor counts")
    data = _described(records, ground, table, value)
    varieties = [v for v in order if (data["variety"] == v).any()]
    unit = _unit(records, value)
    planted = records.plants.drop_duplicates("plant").groupby("variety")["plant"].size()
    a_metre = _a_metre(records)
    what = "weight harvested" if value == "weight_g" else f"{records.trial.counted} harvested"
    extra: _Parts = {
        "dates": _days(records, data), "bed": _bed(records, data),
    }
    trial = records.trial
    rule = ReadyRule(trial.ready_share or 0.5, trial.marketable or None, trial.marketable_from_g)
    extra["ready"] = ready_from(records, data, ground, varieties, check, rule)
    grading = grade_result(table, data, ground, varieties, check, trial.grades)
    if grading is not None:
        extra["grading"], extra["grades"] = grading, grading.shares
    how = given(data, ground)
    treated = bool(how)
    data = with_parts(data) if treated else data
    supported = ground.supported and len(varieties) > 1
    fitted, fixed = _as_fitted(data, ground, treated)
    if not supported or np.ptp(fitted["weight"].to_numpy()) == 0:
        same = "harvest" if np.ptp(data["weight"].to_numpy()) == 0 else "plot, on average,"
        why = ground.why_not or ("there is only one variety" if len(varieties) < 2
                                 else f"every {same} weighs the same")
        plain = data.groupby("variety")["weight"].mean().reindex(varieties).to_numpy(float)
        blank = np.full((len(varieties),) * 2, np.nan)
        note = MethodNote("Means; no interval: " + why + ".", "Plain means.")
        return _result(data, varieties, plain, blank, np.nan, check, what, unit, why, note,
                       extra, planted, a_metre)
    groups, left_out = usable_groups(
        fitted, [*(n for n in ground.by if n not in fixed), "unit", *([PART] if treated else [])],
        ("variety",))
    fitted, adjusted, unadjusted = with_covariates(ground, fitted, fixed)
    formula = " + ".join([f"weight ~ {how.terms}", *fixed, *adjusted])
    units = data.drop_duplicates("unit")
    df = design_df(units, ground.by)
    df = df if df >= 1 else ground.df(varieties)
    if treated:
        split = data.groupby("unit")[PART].nunique().max() > 1
        df = min(df, ground.df(varieties), *([] if split else [how.df]))
    df -= len(adjusted)
    if df < 1:
        raise MixedModelError("the layout has too few plots to adjust for anything besides")
    fit = fit_lmm(formula, fitted, groups=groups)
    labels, rows = marginal_rows(fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in varieties]
    rows = rows[:, fit.part.kept][at]
    terms = [*how.terms.replace(" * ", " + ").split(" + "),
             *(["variety:treatment"] if "*" in how.terms else [])]
    extra["tests"] = pd.DataFrame([fit.f_test(term) for term in [*terms, *adjusted]]).rename(
        index=adjusted).rename_axis("term").reset_index()
    if treated:
        extra["treatments"] = fit.means("treatment")
        extra["combined"] = combined(fit, how, varieties, df, "difference",
                                     test_df="kenward-roger")
    extra["places"] = _places(records, ground, data, varieties, check, unit)
    note = MethodNote(
        "Weights compared between the plots the varieties were given to." + adjusted_for(adjusted),
        f"Linear mixed model by REML, {formula}, random {', '.join(groups) or 'nothing'}; "
        f"{len(fitted)} {'plots' if 'unit' not in groups else 'records'}; complete blocks fixed; "
        f"F tests by Kenward and Roger 1997; comparisons on the layout's {df:g} df. "
        + "; ".join([*left_out, *unadjusted,
                     *(f"{column}: {name}" for column, name in adjusted.items())]),
        formula, tuple(groups), f"design, {df:g}",
        {"sd residual": fit.residual_sd, **{f"sd {k}": float(v) for k, v in fit.group_sd.items()}},
    )
    covariance = rows @ fit.cov_fixed.to_numpy() @ rows.T
    apart = None if treated or groups or adjusted else own_spreads(fitted, varieties, fixed)
    unadjusted += [how.note] if how.note else []
    extra["notes"] = tuple(unadjusted)
    if apart is not None:
        covariance, df = apart
        said = ("plots of some varieties differ far more among themselves than plots of others: "
                f"each comparison uses its own varieties' spread, on {df:g} df")
        extra["notes"] = (*unadjusted, said)
        note = replace(note, df_method=f"own spreads, {df:g}", full=(
            f"{note.full} {said[0].upper()}{said[1:]} (largest over smallest variance, Hartley "
            "1950, by drawing)."))
    extra["fit"] = fit
    return _result(data, varieties, rows @ fit.fixed.to_numpy(), covariance, df, check, what, unit,
                   "", note, extra, planted, a_metre)


def _result(
    data: pd.DataFrame, varieties: list[str], estimate: np.ndarray, covariance: np.ndarray,
    df: float, check: str | None, what: str, unit: str, why: str, note: MethodNote,
    extra: _Parts, planted: pd.Series, a_metre: float,
) -> HarvestResult:
    means = difference_means(varieties, estimate, covariance, df).join(behind(data, varieties))
    means["low"] = means["low"].clip(lower=np.minimum(means["estimate"], 0.0))  # nothing below none
    compared = compare(varieties, estimate, covariance, df, check, ratio=False)
    harvested = data.groupby("variety")["plants"].sum().reindex(varieties).to_numpy(float)
    share = harvested / np.maximum(planted.reindex(varieties).to_numpy(float), 1.0)
    metre = means[["variety", "estimate", "low", "high"]].copy()
    metre[["estimate", "low", "high"]] = metre[["estimate", "low", "high"]].mul(
        share * a_metre, axis=0)
    extra["metre"] = metre.assign(share=share)[METRE] if np.isfinite(a_metre) else empty(METRE)
    return HarvestResult("harvest", what, unit, "difference", means, compared.against_check,
                         compared.pairs, compared.letters, not why, why, note, **extra)


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
        firsts = {n: (n, "first") for n in ("variety", *ground.by)}
        fitted = fitted.groupby("unit").agg(weight=("weight", "mean"), **firsts).reset_index()
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
        drawn: Floats = np.asarray(
            rng.chisquare(count - 1, (SPREAD_DRAWS, len(count))) / (count - 1), dtype=np.float64)
        if not _unlike(spread, drawn):
            return None
        return np.diag(spread / count), float(count.min() - 1)
    wide = plots.pivot_table(index=fixed[0], columns="variety", values="weight")[varieties]
    if wide.size != len(plots) or len(varieties) < 3:
        return None
    left, right = np.triu_indices(len(varieties), 1)
    noise = rng.standard_normal((SPREAD_DRAWS, *wide.shape))
    differences = wide.to_numpy()[:, left] - wide.to_numpy()[:, right]
    drawn = np.asarray((noise[:, :, left] - noise[:, :, right]).var(axis=1, ddof=1))
    own: Floats = np.asarray(differences.var(axis=0, ddof=1), dtype=np.float64)
    if not _unlike(own, drawn):
        return None
    return (np.asarray(np.cov(wide.to_numpy().T) / len(wide), dtype=np.float64),
            float(len(wide) - 1))


def _unlike(spread: Floats, drawn: Floats) -> bool:
    """Whether the largest over the smallest is beyond all but a twentieth of the draws (n, m)."""
    def ratio(of: Floats) -> Floats:
        return np.asarray(of.max(axis=-1) / np.maximum(of.min(axis=-1), 1e-300))

    above = int((ratio(drawn) >= ratio(spread)).sum())
    return (above + 1) / (len(drawn) + 1) < ALPHA


def _a_metre(records: Records) -> float:
    """Plants a metre of row; NaN without a spacing, or where a row of plants.csv is a plot."""
    spacing = records.trial.layout.plant_spacing_cm
    return 100.0 / spacing if spacing and not records.trial.harvest_unit else float("nan")


def _described(
    records: Records, ground: Support, table: pd.DataFrame, value: str
) -> pd.DataFrame:
    """One row a plant (or plot) harvested: its grades added up, a basket's weight as a mean of the
    plants alive then."""
    total = table.dropna(subset=[value]).groupby("plant", as_index=False).agg(
        weight=(value, "sum"), date=("date", "max"))
    out = recorded(records.plants, total).drop(columns=["row", "column", "lost"])
    each = out["plants"] if not records.trial.harvest_unit else 1.0
    return ground.located(out).assign(weight=out["weight"].astype(float) / each)


def _places(
    records: Records, ground: Support, data: pd.DataFrame, varieties: list[str],
    check: str | None, unit: str,
) -> PlaceEffects | Missing:
    """What the place in the bed makes of the plots' means."""
    where, words = place_columns(records, ground)
    if where.empty:
        return Missing("position", "the places of the plants (row and column) are not recorded")
    per = pd.crosstab(data["unit"], data["treatment"])
    if len(per.drop_duplicates()) > 1:
        return Missing("position", "the plots differ in treatment as well as in place")
    columns = ["variety", "block", *(name for name in ground.by if name != "block")]
    units = data.groupby("unit").agg(value=("weight", "mean"), **{k: (k, "first") for k in columns})
    return place_effects(units.reset_index(), where, words, varieties, check, ratio=False,
                         unit=unit)


def _bed(records: Records, data: pd.DataFrame) -> pd.DataFrame:
    mean = data.groupby("variety")["weight"].transform("mean")
    ratio = (data["weight"] / mean.where(mean > 0)).to_numpy(float)
    return bed_map(records, dict(zip(data["plant"], ratio, strict=True)))


def _unit(records: Records, value: str) -> str:
    """Grams, or the unit a published weight was given in, or what was counted."""
    if value == "count":
        return str(records.trial.counted)
    return records.trial.harvest_unit or "g"


def _days(records: Records, data: pd.DataFrame) -> pd.DataFrame:
    days = (data["date"] - pd.Timestamp(records.trial.planted)).dt.days
    return days.groupby(data["variety"]).mean().rename("days").reset_index()
