"""What was picked a plant a week: pods by count, picks with something to pick, grams.

Pods are counted pick by pick, and a mixed model of the counts serves.  Weights are positive and
skew, they come in lumps from plant to plant, and a plant with nothing to pick weighs nothing: a
model of single picks would need one part for the zeros and one for the weights, and more dates than
a gardener weighs.  Added up over a plot and over the dates weighed, hardly a zero is left and the
spread is in proportion to the size: so the plots' totals are compared on the logarithmic scale,
with the error between plots.  Last, whether the answer of the pods can be trusted.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed import GLMM, LMM, MixedModelError, fit_glmm, fit_lmm
from trialkit.models.results import (
    MEANS,
    Floats,
    MethodNote,
    Missing,
    TraitResult,
    compare,
    difference_means,
    empty,
    rate_means,
    variety_levels,
    variety_rows,
)
from trialkit.models.support import (
    COVARIATE,
    ONE_BLOCK,
    Support,
    adjusted_for,
    complete,
    plot_contrasts,
    usable_groups,
    with_an_error,
    with_covariates,
    without_each,
)
from trialkit.models.totals import (
    WEEK,
    Tally,
    counted_looks,
    log_index,
    tally_of,
    with_intervals,
)
from trialkit.wording import number, percent

if TYPE_CHECKING:
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# Pods a plant, pick by pick: a negative binomial mixed model with the days as an offset.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class PodsResult(TraitResult):
    """Pods a plant a week.  Also, for the traits built on it: `log_rate` (v,) log pods a plant
    a day by variety in the order of `varieties`, its covariance (v, v) and df; the fit; `tally`,
    what is behind it.  Varieties that gave nothing are in `means` but not in these."""

    varieties: tuple[str, ...] = ()
    log_rate: Floats = field(default_factory=lambda: np.zeros(0))
    covariance: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    df: float = float("nan")
    fit: GLMM | None = field(default=None, repr=False, compare=False)
    tally: Tally = field(default_factory=lambda: Tally(pd.DataFrame()), repr=False, compare=False)

    @property
    def looks(self) -> pd.DataFrame:
        """The looks behind it, one row each."""
        return self.tally.looks


def pods_trait(
    tally: Tally, ground: Support, order: list[str], check: str | None, counted: str
) -> PodsResult | Missing:
    """Rate of each variety and its ratio to the check.

    tally: what was counted.  order: varieties as the trial lists them.  counted:
    what is counted ("pods").  Raises MixedModelError where the model cannot be fitted.
    """
    if tally.looks.empty:
        return Missing("pods", f"no pick with a count of {counted} is recorded yet")
    if not tally.looks["pods"].any():
        return Missing("pods", f"every pick recorded so far is zero {counted}")
    total, adjusted = tally.by_variety["pods"], tally.adjusted
    bearing = [v for v in order if total.get(v, 0.0) > 0]
    seen = [v for v in order if v in total.index]
    barren = [v for v in seen if v not in bearing]
    notes = [f"{v} gave no {counted} at all: no ratio can be worked out for it" for v in barren]
    notes += [f"{v} has no pick recorded" for v in order if v not in seen]
    if ground.supported and len(bearing) > 1 and ground.df(bearing) - len(adjusted) >= 1:
        result = _modelled(tally, ground, bearing, check, counted, [*notes, *tally.unadjusted])
    else:
        result = _described(tally, ground, bearing, check, counted, notes)
    if not barren:
        return result
    none = tally.behind(barren).assign(variety=barren, estimate=0.0)
    if result.fit is not None:
        limits, notes = _at_most(tally.looks, ground, result, barren, check, counted)
        none = none.assign(low=0.0, high=limits,
                           df=ground.df([*bearing, *barren]) - len(adjusted))
        other_notes = tuple(n for n in result.notes if not n.startswith(tuple(barren)))
        result = replace(result, notes=(*other_notes, *notes))
    means = pd.concat([result.means, none.reindex(columns=MEANS)], ignore_index=True)
    return replace(result, means=means)


def _modelled(
    tally: Tally, ground: Support, varieties: list[str], check: str | None, counted: str,
    notes: list[str],
) -> PodsResult:
    tally, adjusted = tally.of(varieties), tally.adjusted
    some = tally.looks
    fit, groups, left_out = fit_looks(some, ground)
    df = ground.df(varieties) - len(adjusted)
    estimate, joint = variety_levels(fit, varieties)
    joint = joint - _season(fit, some, joint)
    level = estimate + _calibration(some, dict(zip(varieties, estimate, strict=True)))
    compared = compare(varieties, level, joint, df, check, ratio=True)
    method = _method(fit, groups, df, counted, [*notes, *left_out], adjusted)
    return PodsResult(
        "pods", f"{counted} a plant a week", f"{counted} a plant a week", "ratio",
        rate_means(varieties, level, joint, df, WEEK).join(tally.behind(varieties)),
        compared.against_check, compared.pairs, compared.letters, True, "", method, tuple(notes),
        tuple(varieties), level, joint, df, fit, tally,
    )


def _at_most(
    data: pd.DataFrame, ground: Support, result: PodsResult, barren: list[str], check: str | None,
    counted: str,
) -> tuple[Floats, list[str]]:
    """Upper limits of the rates of varieties that gave nothing (two-sided 95 %, by the profile of
    the likelihood), and each in a sentence, against the check where that bore."""
    fit, _, _ = fit_looks(data, ground, like=result.fit, separated="limits")
    df = ground.df([*result.varieties, *barren]) - len(covariates_in(data))
    rows = variety_rows(fit, barren)
    shift = _calibration(result.looks, dict(zip(
        result.varieties, variety_rows(fit, list(result.varieties)) @ fit._beta, strict=True)))
    rates = np.exp(fit.contrast(rows, df).high.to_numpy() + shift) * WEEK
    notes = [
        f"{v} gave no {counted} at all; its true rate is very likely under {number(rate)} "
        f"{counted} a plant a week" for v, rate in zip(barren, rates, strict=True)
    ]
    if check in result.varieties:
        against = fit.contrast(rows - variety_rows(fit, [str(check)]), df).high
        notes = [f"{note}, or {percent(float(np.exp(high)))} of {check}'s" if high < 0.0 else note
                 for note, high in zip(notes, against, strict=True)]
    return rates, notes


def fit_looks(
    data: pd.DataFrame, ground: Support, like: GLMM | None = None, separated: str = "keep"
) -> tuple[GLMM, list[str], list[str]]:
    """The model of the looks, the groupings in it and those left out.

    data: the looks of a tally.  like: a fit to nearly the same looks, to start from.  separated: as
    in `fit_glmm`.  Raises MixedModelError where it cannot be fitted.
    """
    replicated = "replicate" in ground.by and "replicate" in complete(data, ground.by)
    fixed = ("replicate",) if replicated else ()
    groups, left_out = usable_groups(
        data, [*(n for n in ground.by if n not in fixed), "unit", "plant", "pick"],
        ("variety", *fixed))
    formula = " + ".join(["pods ~ variety", *fixed, *covariates_in(data)])
    if data["treatment"].dropna().nunique() > 1 and data["treatment"].notna().all():
        formula += " + treatment"
    fit = fit_glmm(formula, data, family="negative-binomial", offset="log_days", groups=groups,
                   method="reml", like=like, separated=separated)
    return fit, groups, left_out


def covariates_in(data: pd.DataFrame) -> list[str]:
    """The columns with numbers a plot that are adjusted for."""
    return [str(name) for name in data.columns if str(name).startswith(COVARIATE)]


def _season(fit: GLMM, data: pd.DataFrame, joint: Floats) -> float:
    """The part of the means' variance that is the dates': common to all varieties.

    The dates are those of this season, not a draw from many, so it is taken out of the means
    (it never was in the differences), as far as the matrix stays positive definite.
    """
    dates = float(fit.group_sd.get("pick", 0.0)) ** 2 / max(data["pick"].nunique(), 1)
    solved = np.linalg.pinv(joint)
    most = 1.0 / max(float(solved.sum()), 1e-12)
    return min(dates, 0.8 * most)


def _calibration(data: pd.DataFrame, log_rate: dict[str, float]) -> float:
    """Shift that makes the rates' expected pods over all looks equal to those picked.

    The model's own level is that of an average date and plant on the log scale; a grower's
    average is over pods.
    """
    expected = data["days"] * np.exp(data["variety"].map(log_rate).astype(float))
    return float(np.log(data["pods"].sum() / expected.sum()))


def _described(
    tally: Tally, ground: Support, varieties: list[str], check: str | None, counted: str,
    notes: list[str],
) -> PodsResult:
    """Rates and ratios without intervals: what an unreplicated layout can show."""
    tally = tally.of(varieties)
    some = tally.looks
    overall = some["pods"].sum() / some["days"].sum()
    level = log_index(tally.by_variety.loc[varieties]).to_numpy() + float(np.log(overall))
    level = level + _calibration(some, dict(zip(varieties, level, strict=True)))
    v = len(varieties)
    nothing = np.full((v, v), np.nan)
    compared = compare(varieties, level, nothing, np.nan, check, ratio=True)
    why = ground.why_not or "only one variety gave anything, so that there is nothing to compare"
    method = MethodNote(
        f"Rates are {counted} picked over plant-days, set against what an average plant gave on "
        "the same dates. No intervals: " + why + ".",
        "Indirect standardisation by date; no model, since no error can be estimated.",
    )
    return PodsResult(
        "pods", f"{counted} a plant a week", f"{counted} a plant a week", "ratio",
        rate_means(varieties, level, nothing, np.nan, WEEK).join(tally.behind(varieties)),
        compared.against_check, compared.pairs, {}, False, why, method, tuple(notes),
        tuple(varieties), level, nothing, float("nan"), None, tally,
    )


def _method(
    fit: GLMM, groups: list[str], df: float, counted: str, notes: list[str],
    adjusted: dict[str, str],
) -> MethodNote:
    sds = {f"sd {name}": float(sd) for name, sd in fit.group_sd.items()}
    zero = [f"{name} estimated as zero" for name in fit.boundary]
    full = (
        f"Negative binomial mixed model (NB2, log link), {fit.formula}, offset log days since "
        f"the plant's last look, random {', '.join(groups) or 'nothing'}; Laplace approximation "
        "with the fixed effects integrated out (REML-like). Degrees of freedom are those of the "
        f"layout, {df:g} between the units that varieties were given to, whatever the estimated "
        "variances. A plant's first look has no known interval and takes the trial's median one; "
        "the dates' own effect takes up what is wrong with it. Intervals and tests: Dunnett "
        "against the check, Tukey-Kramer for all pairs."
    )
    notes = [*notes, *(f"{column}: {name}" for column, name in adjusted.items())]
    if notes or zero:
        full += " Notes: " + "; ".join([*notes, *zero]) + "."
    return MethodNote(
        f"Every look at every plant is counted, with the days since its last look; {counted} "
        f"are compared between plots, not between plants.{adjusted_for(adjusted)}",
        full, fit.formula, tuple(groups), f"design, {df:g}",
        {"dispersion": fit.dispersion, "records": fit.n, **sds},
    )


# ------------------------------------------------------------------------------------------------
# Picks a week: how often a plant had something to pick.
# ------------------------------------------------------------------------------------------------

LABEL = "picks a plant a week with something to pick"
UNIT = "picks a plant a week"


def picking_trait(
    tally: Tally, ground: Support, order: list[str], check: str | None
) -> TraitResult | Missing:
    """Picks with at least one pod, a plant a week of its days looked after.

    Raises MixedModelError where the model cannot be fitted.
    """
    if tally.looks.empty or len(tally.by_date) < 2:
        return Missing("picks_per_week", "how often one can pick takes at least two picks")
    plants = tally.by_plant[["plant", "variety", "block", "some", "weeks"]]
    plants = ground.located(plants.assign(rate=plants["some"] / plants["weeks"]))
    seen = [v for v in order if (plants["variety"] == v).any()]
    plain = plants.groupby("variety")["rate"].mean().reindex(seen).to_numpy(float)
    if np.ptp(plants["rate"].to_numpy()) == 0 or not ground.supported or len(seen) < 2:
        same = np.ptp(plants["rate"].to_numpy()) == 0
        why = "every plant had the same number of picks" if same else ground.why_not
        return _result(tally, seen, plain, np.full((len(seen),) * 2, np.nan), np.nan, check, why,
                       MethodNote("Means of plants; no interval: " + why + ".", "Plant means."))
    fixed = complete(plants, ground.by)
    plants, adjusted, unadjusted = with_an_error(ground, plants)
    groups, left_out = usable_groups(
        plants, [*(n for n in ground.by if n not in fixed), "unit"], ("variety",))
    left_out += unadjusted
    fit = fit_lmm(" + ".join(["rate ~ variety", *fixed, *adjusted]), plants, groups=groups,
                  weights="weeks")
    df = ground.df(seen) - len(adjusted)
    note = MethodNote(
        "Each plant's picks with something on it over its weeks, compared between plots."
        + adjusted_for(adjusted),
        f"Linear mixed model by REML, {fit.formula}, weighted by weeks, random "
        f"{', '.join(groups) or 'nothing'}; df of the layout, {df:g}. "
        + "; ".join(left_out), fit.formula, tuple(groups), f"design, {df:g}",
        {f"sd {k}": float(v) for k, v in fit.group_sd.items()},
    )
    return _result(tally, seen, *variety_levels(fit, seen), df, check, "", note)


def _result(
    tally: Tally, varieties: list[str], estimate: np.ndarray, covariance: np.ndarray,
    df: float, check: str | None, why: str, method: MethodNote,
) -> TraitResult:
    means = difference_means(varieties, estimate, covariance, df).join(tally.behind(varieties))
    compared = compare(varieties, estimate, covariance, df, check, ratio=False)
    return TraitResult("picks_per_week", LABEL, UNIT, "difference", means, compared.against_check,
                       compared.pairs, compared.letters, not why, why, method)


# ------------------------------------------------------------------------------------------------
# Grams: plots' totals on the logarithmic scale, where the picks of some dates were weighed.
# ------------------------------------------------------------------------------------------------

GRAMS_A_WEEK = "g a plant a week"
EACH = ["variety", "estimate", "low", "high"]


@dataclass(frozen=True)
class WeightsResult(TraitResult):
    """`means`: grams a plant a week over the days whose picks were weighed; ratios to the check.
    `each`: variety, estimate, low, high, grams of one pod (empty where pods were not counted).
    `weighed`: the dates.  `seen`: one row a weighed look at a plant: date, plant, variety, block,
    unit, weight_g (0: looked at and nothing on it), count, days since the last look."""

    each: pd.DataFrame = field(default_factory=lambda: empty(EACH))
    weighed: tuple[pd.Timestamp, ...] = ()
    seen: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False, compare=False)


def weights_trait(
    records: Records, ground: Support, order: list[str], check: str | None, counted: str
) -> WeightsResult | Missing:
    """Weights of the picks compared between plots.  Raises MixedModelError where the plots'
    totals cannot be fitted."""
    seen = weighed_looks(records, ground)
    if seen.empty:
        return Missing("weights", "nobody weighed a pick yet")
    if not seen["weight_g"].any():
        return Missing("weights", "every pick weighed so far was 0 g")
    every = Tally(seen.rename(columns={"weight_g": "pods"}))
    total = every.by_variety["pods"]
    bearing = [v for v in order if total.get(v, 0.0) > 0]
    barren = [v for v in order if v in total.index and v not in bearing]
    notes = [f"{v} gave nothing on the dates weighed: no ratio can be worked out for it"
             for v in barren]
    notes += [f"no pick of {v} was weighed" for v in order if v not in total.index]
    some = seen[seen["variety"].isin(bearing)]
    tally = every.of(bearing)
    index = plot_index(tally)
    index, adjusted, unadjusted = with_covariates(ground, index, ground.by)
    notes += unadjusted
    fit, df, why = _fit(index, ground, bearing)
    level, joint = _levels(index, fit, bearing)
    level = level + float(np.log(some["weight_g"].sum() / (
        some["days"] * np.exp(some["variety"].map(dict(zip(bearing, level, strict=True))))).sum()))
    means = rate_means(bearing, level, joint, df, WEEK).join(tally.behind(bearing))
    if barren:
        none = every.behind(barren).assign(variety=barren, estimate=0.0)
        means = pd.concat([means, none.reindex(columns=MEANS)], ignore_index=True)
    compared = compare(bearing, level, joint, df, check, ratio=True)
    dates = tuple(pd.Timestamp(day) for day in np.sort(seen["date"].unique()))
    return WeightsResult(
        "weights", "weight picked a plant a week", GRAMS_A_WEEK, "ratio", means,
        compared.against_check, compared.pairs, compared.letters if fit is not None else {},
        fit is not None, why,
        _weights_method(fit, df, index, len(dates), counted, why, adjusted), tuple(notes),
        _each(some, ground, bearing), dates, seen,
    )


def weighed_looks(records: Records, ground: Support) -> pd.DataFrame:
    """One row a plant on a date when picks were weighed; see `WeightsResult.seen`.

    A plant looked at on such a date with a count of 0 weighs 0; one that was picked and not
    weighed is left out.  Two records of one plant on one date are added, and left out if only
    one of them was weighed.
    """
    picks = records.picks[["date", "plant", "count", "weight_g"]].dropna(subset=["date", "plant"])
    picks = picks.dropna(subset=["count", "weight_g"], how="all")
    weight = picks["weight_g"].where(picks["weight_g"].notna() | (picks["count"] != 0), 0.0)
    looks = with_intervals(
        records,
        picks.assign(weight_g=weight, blank=weight.isna(), scaled=picks["weight_g"].notna()),
        weight_g=("weight_g", "sum"), count=("count", "sum"), counts=("count", "count"),
        blank=("blank", "any"), scaled=("scaled", "any"))
    looks["count"] = looks["count"].where(looks["counts"] > 0)
    days_weighed = looks.loc[looks["scaled"], "date"].unique()
    out = looks[looks["date"].isin(days_weighed) & ~looks["blank"]].reset_index(drop=True)
    block = out["block"].astype("object")
    return out.assign(
        unit=out["plant"].map(ground.unit_of).astype(str),
        block=block.where(block.notna(), ONE_BLOCK).astype(str),
    ).drop(columns=["blank", "scaled", "counts", "gap", "plants", "first"])


def plot_index(tally: Tally) -> pd.DataFrame:
    """Each plot's weight against what an average plant weighed on the same dates gave.

    Indirect standardisation by date, as for pods (`Tally.by_plot`): a plant not weighed on a date
    drops out of both sums.  Half of the lightest weight above zero is added to both, which keeps a
    plot that gave nothing finite.  Returns the columns of `Tally.by_plot`, and log_index.
    """
    weights = tally.looks["pods"]
    return tally.by_plot.assign(
        log_index=log_index(tally.by_plot, float(weights[weights > 0].min()) / 2.0))


def _fit(
    index: pd.DataFrame, ground: Support, varieties: list[str]
) -> tuple[LMM | None, float, str]:
    """The plots' logarithms on variety and block; why not, where they cannot be compared."""
    formula = "log_index ~ variety"
    if index["block"].nunique() > 1:
        formula += " + block"
    whole = index["treatment"].notna().all() and (index["treatments"] == 1).all()
    if whole and index["treatment"].nunique() > 1:
        formula += " + treatment"
    formula = " + ".join([formula, *(c for c in index.columns if c.startswith(COVARIATE))])
    if not ground.supported:
        return None, float("nan"), ground.why_not
    if len(varieties) < 2:
        return None, float("nan"), "only one variety gave anything on the dates weighed"
    terms = formula.split(" ~ ")[1].split(" + ")
    numbers = index[[name for name in terms if name.startswith(COVARIATE)]].to_numpy(float)
    columns = [pd.get_dummies(index[name]).to_numpy(float) for name in terms
               if not name.startswith(COVARIATE)]
    rank = int(np.linalg.matrix_rank(np.hstack(columns)))
    joined = rank == sum(c.shape[1] for c in columns) - len(columns) + 1
    df = min(ground.df(varieties), float(len(index) - rank)) - numbers.shape[1]
    if df < 1 or not joined:
        return None, float("nan"), "too few plots were weighed to tell varieties from plots"
    return fit_lmm(formula, index), df, ""


def _levels(
    index: pd.DataFrame, fit: LMM | None, varieties: list[str]
) -> tuple[Floats, Floats]:
    """log of each variety's index (v,) and covariance (v, v), NaN without a fit."""
    if fit is None:
        level = index.groupby("variety")["log_index"].mean().reindex(varieties).to_numpy(float)
        return level, np.full((len(varieties),) * 2, np.nan)
    return variety_levels(fit, varieties)


def _each(looks: pd.DataFrame, ground: Support, varieties: list[str]) -> pd.DataFrame:
    """Grams of one pod: plots' weight over plots' pods, compared as the weights are."""
    some = looks[(looks["count"] > 0) & (looks["weight_g"] > 0)]
    weighed = [v for v in varieties if (some["variety"] == v).any()]
    if not weighed:
        return empty(EACH)
    index = some.groupby("unit", sort=True).agg(
        variety=("variety", "first"), block=("block", "first"), treatment=("treatment", "first"),
        treatments=("treatment", "nunique"), weight_g=("weight_g", "sum"), count=("count", "sum"),
    ).reset_index()
    index["log_index"] = np.log(index["weight_g"] / index["count"])
    index, _, _ = with_covariates(ground, index, ground.by)
    if index["log_index"].std() < 1e-9:
        fit, df = None, float("nan")
    else:
        fit, df, _ = _fit(index, ground, weighed)
    level, joint = _levels(index, fit, weighed)
    return rate_means(weighed, level, joint, df, 1.0)[EACH]


def _weights_method(
    fit: LMM | None, df: float, index: pd.DataFrame, dates: int, counted: str, why: str,
    adjusted: dict[str, str],
) -> MethodNote:
    how = ("Plots' weights are added up over the dates weighed and compared with what an average "
           "plant gave on the same dates.")
    if fit is None:
        return MethodNote(f"{how} No intervals: {why}.",
                          "Indirect standardisation by date; no error can be estimated.")
    return MethodNote(
        f"{how} A plant looked at with no {counted} on it weighs 0.{adjusted_for(adjusted)}",
        f"Least squares of log(weight of the plot / expected), {fit.formula}; expected: grams a "
        "plant-day of the whole bed on each date weighed times the plot's plant-days, half of the "
        f"lightest weight added to both. {dates} dates weighed. Logarithms of totals, since the "
        "spread of weights is in proportion to their size and a plot's total is hardly ever zero. "
        f"{df:g} df between plots; blocks fixed. Dunnett against the check, Tukey-Kramer for all "
        "pairs. The mean is brought to the grams picked over all looks weighed.",
        fit.formula, (), f"design, {df:g}",
        {"sd plots, log": fit.residual_sd, "dates weighed": dates,
         "plots without weight": int((index["pods"] == 0).sum())},
    )


# ------------------------------------------------------------------------------------------------
# Can the answer be trusted: spread of the counts, odd plots, doubtful records.
# ------------------------------------------------------------------------------------------------

FEW = 3
MANY_PLOTS = 60
MANY_LOOKS = 10_000
"""Of more plots or looks than this, the model is fitted again for three only, for speed."""


@dataclass(frozen=True)
class Diagnostics:
    """residuals: what the randomised quantile residuals show, a row a check: check, value,
    expected, words.  influence: a row a plot, most first: unit, variety, ratio (of the headline
    variety to the check without that plot, from the plots' totals), change (share), and for
    plots of these two refitted (that ratio from the whole model fitted again without the plot) and
    refitted_change (NaN for the others).  doubts: variety, ratio, without (from the whole model
    fitted again with the doubtful picks left out), change.  remarks: sentences for a grower."""

    residuals: pd.DataFrame = field(default_factory=pd.DataFrame)
    influence: pd.DataFrame = field(default_factory=pd.DataFrame)
    doubts: pd.DataFrame = field(default_factory=pd.DataFrame)
    quantile: np.ndarray = field(default_factory=lambda: np.zeros(0), repr=False, compare=False)
    remarks: tuple[str, ...] = ()


def diagnose(
    records: Records, pods: PodsResult, ground: Support, headline: str | None, check: str | None
) -> Diagnostics:
    """Diagnostics of the pods model; empty where no model was fitted.

    headline: the variety whose ratio to the check the answer names.
    """
    if pods.fit is None:
        return Diagnostics(remarks=("No model was fitted, so there is nothing to diagnose.",))
    quantile = pods.fit.residuals(kind="quantile", seed=1)
    residuals, remarks = _residuals(pods, quantile)
    influence, doubts = pd.DataFrame(), pd.DataFrame()
    if headline is not None and check is not None and headline != check:
        influence = refitted(pods, ground, leave_one_out(pods, headline, check), headline, check)
        doubts = without_doubtful(records, pods, ground, check)
        remarks += _said(influence, doubts, headline, check)
    return Diagnostics(residuals, influence, doubts, quantile, tuple(remarks))


def _residuals(pods: PodsResult, quantile: np.ndarray) -> tuple[pd.DataFrame, list[str]]:
    fit = pods.fit
    assert fit is not None
    zeros = float((fit.y == 0).mean())
    expected = float(np.mean(fit.family.cdf(np.zeros(fit.n), fit.mode.eta, fit.log_size)))
    spread, far = float(quantile.std()), float((np.abs(quantile) > 3).mean())
    rows = [
        ("spread of the residuals", spread, 1.0),
        ("residuals beyond 3", far, float(2 * stats.norm.sf(3))),
        ("picks with nothing", zeros, expected),
    ]
    remarks = []
    if zeros > expected + 3 * np.sqrt(expected * (1 - expected) / fit.n) + 0.01:
        remarks.append("There are more empty picks than the model expects: something stopped "
                       "whole plants at times.")
    if far > 0.01:
        remarks.append("Some picks are far from anything expected; see the doubtful records.")
    if not remarks:
        remarks.append("The counts vary about as the model says they should.")
    return pd.DataFrame(rows, columns=["check", "value", "expected"]), remarks


def leave_one_out(pods: PodsResult, headline: str, check: str) -> pd.DataFrame:
    """The headline ratio without each plot in turn, from the plots' totals."""
    index = pods.tally.by_plot
    index = index.assign(log_index=log_index(index))
    ratio = np.exp(without_each(index, headline, check))
    out = index[["unit", "variety"]].assign(
        ratio=ratio, change=ratio / _ratio(index, headline, check) - 1.0)
    return out.reindex(out["change"].abs().sort_values(ascending=False).index).reset_index(
        drop=True)


def refitted(
    pods: PodsResult, ground: Support, influence: pd.DataFrame, headline: str, check: str
) -> pd.DataFrame:
    """`influence` with the whole model fitted again without plots of the pair.

    The plots' totals rank all plots in no time, but roughly: of the two varieties compared, each
    plot is left out of the whole model (of a big trial, the first few).  Others hardly matter.
    """
    pair = influence["variety"].isin([headline, check])
    influence = pd.concat([influence[pair], influence[~pair]], ignore_index=True)
    big = len(influence) > MANY_PLOTS or len(pods.looks) > MANY_LOOKS
    count = min(FEW, int(pair.sum())) if big else int(pair.sum())
    whole = _model_ratio(pods.log_rate, pods.varieties, headline, check)
    again = [
        _again(pods.looks[pods.looks["unit"] != unit], ground, [headline, check], pods.fit)
        for unit in influence["unit"].head(count)
    ]
    ratio = np.full(len(influence), np.nan)
    ratio[: len(again)] = [_model_ratio(rate, (headline, check), headline, check) for rate in again]
    out = influence.assign(refitted=ratio, refitted_change=ratio / whole - 1.0)
    first = out.head(count).sort_values("refitted_change", key=np.abs, ascending=False)
    return pd.concat([first, out.iloc[count:]], ignore_index=True)


def _again(
    looks: pd.DataFrame, ground: Support, varieties: list[str], like: GLMM | None
) -> np.ndarray:
    """Log rates of some varieties from the model of these looks; NaN where there is none."""
    nothing = np.full(len(varieties), np.nan)
    if not set(varieties) <= set(looks.loc[looks["pods"] > 0, "variety"]):
        return nothing
    try:
        fit = fit_looks(looks, ground, like)[0]
    except (MixedModelError, np.linalg.LinAlgError):
        return nothing
    return np.asarray(variety_rows(fit, varieties) @ fit.fixed.to_numpy())


def _model_ratio(
    log_rate: np.ndarray, varieties: tuple[str, ...], left: str, right: str
) -> float:
    return float(np.exp(log_rate[varieties.index(left)] - log_rate[varieties.index(right)]))


def without_doubtful(
    records: Records, pods: PodsResult, ground: Support, check: str
) -> pd.DataFrame:
    """Ratios to the check with and without the picks listed as doubtful, the model fitted again."""
    doubtful = doubtful_picks(records)
    if not len(doubtful):
        return pd.DataFrame()
    picks = records.picks.drop(index=doubtful)
    looks = counted_looks(_Picks(records.plants, picks))  # type: ignore[arg-type]
    looks = tally_of(looks[looks["variety"].isin(pods.varieties)], ground).looks
    names = list(pods.varieties)
    without = _again(looks, ground, names, pods.fit)
    rows = []
    for variety in names:
        if variety != check:
            a = _model_ratio(pods.log_rate, pods.varieties, variety, check)
            b = _model_ratio(without, pods.varieties, variety, check)
            rows.append((variety, a, b, b / a - 1.0))
    return pd.DataFrame(rows, columns=["variety", "ratio", "without", "change"])


@dataclass(frozen=True)
class _Picks:
    plants: pd.DataFrame
    picks: pd.DataFrame


def doubtful_picks(records: Records) -> pd.Index:
    """Rows of the picks frame that a doubt is about, whatever file they came from."""
    return records.picks.index[list(records.queried.get("picks", ()))]


def _ratio(index: pd.DataFrame, left: str, right: str) -> float:
    contrast = plot_contrasts(index)
    if left not in contrast.varieties or right not in contrast.varieties:
        return float("nan")
    at = contrast.varieties.index
    return float(np.exp(contrast.estimate[at(left)] - contrast.estimate[at(right)]))


def _said(
    influence: pd.DataFrame, doubts: pd.DataFrame, headline: str, check: str
) -> list[str]:
    out = []
    if len(influence) and np.isfinite(influence["change"].iloc[0]):
        top = influence.iloc[0]
        ratio, change = top["refitted"], top["refitted_change"]
        if not np.isfinite(ratio):
            ratio, change = top["ratio"], top["change"]
        out.append(
            f"The plot that matters most is {top['unit']} ({top['variety']}): without it "
            f"{headline} would stand at {ratio:.2g} times {check} instead of "
            f"{ratio / (1 + change):.2g}."
        )
    if len(doubts) and doubts["change"].isna().any():
        out.append("Without the doubtful picks there is too little left to compare.")
    elif len(doubts):
        most = float(doubts["change"].abs().max())
        out.append("Leaving out the doubtful picks changes no ratio by more than "
                   f"{100 * max(most, 0.001):.1f} %.")
    return out
