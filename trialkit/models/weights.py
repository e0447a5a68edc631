"""Weight picked: grams a plant a week, where the picks of some dates were weighed.

Weights are positive and skew, they come in lumps from plant to plant, and a plant with nothing to
pick weighs nothing.  A model of single picks would need one part for the zeros and one for the
weights, and more dates than a gardener weighs.  Added up over a plot and over the dates weighed,
hardly a zero is left and the spread is in proportion to the size: so the plots' totals are
compared on the logarithmic scale, with the error between plots.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.mixed import LMM, fit_lmm
from trialkit.mixed.fixed import marginal_rows
from trialkit.models.pods import rate_means
from trialkit.models.results import MEANS, Floats, MethodNote, Missing, TraitResult, compare, empty
from trialkit.models.support import (
    COVARIATE,
    ONE_BLOCK,
    Support,
    adjusted_for,
    with_covariates,
)
from trialkit.models.totals import WEEK, Tally, log_index, with_intervals

if TYPE_CHECKING:
    from trialkit.records import Records

UNIT = "g a plant a week"
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
        "weights", "weight picked a plant a week", UNIT, "ratio", means, compared.against_check,
        compared.pairs, compared.letters if fit is not None else {}, fit is not None, why,
        _method(fit, df, index, len(dates), counted, why, adjusted), tuple(notes),
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
    labels, rows = marginal_rows(fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in varieties]
    rows = rows[:, fit.part.kept][at]
    return (np.asarray(rows @ fit.fixed.to_numpy()),
            np.asarray(rows @ fit.cov_fixed.to_numpy() @ rows.T))


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


def _method(
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
