"""Picks a week: how often a plant had something to pick."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.mixed import fit_lmm
from trialkit.mixed.terms import marginal_rows
from trialkit.models.comparing import compare
from trialkit.models.pods import prepared
from trialkit.models.results import MethodNote, Missing, TraitResult
from trialkit.models.support import Support, behind, complete, usable_groups

LABEL = "picks a plant a week with something to pick"
UNIT = "picks a plant a week"


def picking_trait(
    looks: pd.DataFrame, ground: Support, order: list[str], check: str | None
) -> TraitResult | Missing:
    """Picks with at least one pod, a plant a week of its days looked after.

    Raises MixedModelError where the model cannot be fitted.
    """
    if looks.empty or looks["date"].nunique() < 2:
        return Missing("picks_per_week", "how often one can pick takes at least two picks")
    data = prepared(looks, ground)
    plants = ground.located(_by_plant(data))
    seen = [v for v in order if (plants["variety"] == v).any()]
    plain = plants.groupby("variety")["rate"].mean().reindex(seen).to_numpy(float)
    if np.ptp(plants["rate"].to_numpy()) == 0 or not ground.supported or len(seen) < 2:
        same = np.ptp(plants["rate"].to_numpy()) == 0
        why = "every plant had the same number of picks" if same else ground.why_not
        return _result(data, seen, plain, np.full((len(seen),) * 2, np.nan), np.nan, check, why,
                       MethodNote("Means of plants; no interval: " + why + ".", "Plant means."))
    fixed = complete(plants, ground.by)
    groups, left_out = usable_groups(
        plants, [*(n for n in ground.by if n not in fixed), "unit"], ("variety",))
    fit = fit_lmm(" + ".join(["rate ~ variety", *fixed]), plants, groups=groups, weights="weeks")
    labels, rows = marginal_rows(fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in seen]
    rows = rows[:, fit.part.kept][at]
    df = ground.df(seen)
    covariance = rows @ fit.cov_fixed.to_numpy() @ rows.T
    note = MethodNote(
        "Each plant's picks with something on it over its weeks, compared between plots.",
        f"Linear mixed model by REML, {fit.formula}, weighted by weeks, random "
        f"{', '.join(groups) or 'nothing'}; df of the layout, {df:g}. "
        + "; ".join(left_out), fit.formula, tuple(groups), f"design, {df:g}",
        {f"sd {k}": float(v) for k, v in fit.group_sd.items()},
    )
    return _result(data, seen, rows @ fit.fixed.to_numpy(), covariance, df, check, "", note)


def _by_plant(data: pd.DataFrame) -> pd.DataFrame:
    grouped = data.assign(some=data["pods"] > 0).groupby("plant", sort=True)
    out = grouped.agg(variety=("variety", "first"), block=("block", "first"),
                      some=("some", "sum"), weeks=("gap", "sum"))
    out["weeks"] /= 7.0
    out["rate"] = out["some"] / out["weeks"]
    return out.reset_index()


def _result(
    data: pd.DataFrame, varieties: list[str], estimate: np.ndarray, covariance: np.ndarray,
    df: float, check: str | None, why: str, method: MethodNote,
) -> TraitResult:
    means = difference_means(varieties, estimate, covariance, df).join(behind(data, varieties))
    compared = compare(varieties, estimate, covariance, df, check, ratio=False)
    return TraitResult("picks_per_week", LABEL, UNIT, "difference", means, compared.against_check,
                       compared.pairs, compared.letters, not why, why, method)


def difference_means(
    varieties: list[str], estimate: np.ndarray, covariance: np.ndarray, df: float
) -> pd.DataFrame:
    """Means with t intervals."""
    from scipy import stats

    se = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    half = stats.t.isf(0.025, df) * se
    return pd.DataFrame({"variety": varieties, "estimate": estimate, "se": se, "df": df,
                         "low": estimate - half, "high": estimate + half})
