"""Pods a plant, pick by pick: a negative binomial mixed model with the days as an offset."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from trialkit.mixed import GLMM, fit_glmm
from trialkit.mixed.terms import marginal_rows
from trialkit.models.comparing import Floats, compare
from trialkit.models.results import MEANS, MethodNote, Missing, TraitResult
from trialkit.models.support import Support, behind, usable_groups
from trialkit.wording import number, percent

WEEK = 7.0


@dataclass(frozen=True)
class PodsResult(TraitResult):
    """Pods a plant a week.  Also, for the traits built on it: `log_rate` (v,) log pods a plant
    a day by variety in the order of `varieties`, its covariance (v, v) and df; the fit; `looks`,
    the records behind it.  Varieties that gave nothing are in `means` but not in these."""

    varieties: tuple[str, ...] = ()
    log_rate: Floats = field(default_factory=lambda: np.zeros(0))
    covariance: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    df: float = float("nan")
    fit: GLMM | None = field(default=None, repr=False, compare=False)
    looks: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False, compare=False)


def pods_trait(
    looks: pd.DataFrame, ground: Support, order: list[str], check: str | None, counted: str
) -> PodsResult | Missing:
    """Rate of each variety and its ratio to the check.

    looks: from `counting.counted_looks`.  order: varieties as the trial lists them.  counted:
    what is counted ("pods").  Raises MixedModelError where the model cannot be fitted.
    """
    if looks.empty:
        return Missing("pods", f"no pick with a count of {counted} is recorded yet")
    if not looks["pods"].any():
        return Missing("pods", f"every pick recorded so far is zero {counted}")
    data = prepared(looks, ground)
    bearing = [v for v in order if data.loc[data["variety"] == v, "pods"].sum() > 0]
    seen = [v for v in order if (data["variety"] == v).any()]
    barren = [v for v in seen if v not in bearing]
    notes = [f"{v} gave no {counted} at all: no ratio can be worked out for it" for v in barren]
    notes += [f"{v} has no pick recorded" for v in order if v not in seen]
    if ground.supported and len(bearing) > 1 and ground.df(bearing) >= 1:
        result = _modelled(data, ground, bearing, check, counted, notes)
    else:
        result = _described(data, ground, bearing, check, counted, notes)
    if not barren:
        return result
    none = behind(data, barren).assign(variety=barren, estimate=0.0)
    if result.fit is not None:
        limits, notes = _at_most(data, ground, result, barren, check, counted)
        none = none.assign(low=0.0, high=limits, df=ground.df([*bearing, *barren]))
        told = tuple(n for n in result.notes if not n.startswith(tuple(barren)))
        result = replace(result, notes=(*told, *notes))
    means = pd.concat([result.means, none.reindex(columns=MEANS)], ignore_index=True)
    return replace(result, means=means)


def prepared(looks: pd.DataFrame, ground: Support) -> pd.DataFrame:
    """The looks with unit, block (rows and columns of a square), log_days, the date as a factor."""
    return ground.located(looks).assign(
        log_days=np.log(looks["days"].clip(lower=0.5)),
        pick=looks["date"].dt.strftime("%Y-%m-%d"),
    )


def _modelled(
    data: pd.DataFrame, ground: Support, varieties: list[str], check: str | None, counted: str,
    notes: list[str],
) -> PodsResult:
    some = data[data["variety"].isin(varieties)]
    fit, groups, left_out = fit_looks(some, ground)
    df = ground.df(varieties)
    rows = variety_rows(fit, varieties)
    estimate, joint = rows @ fit.fixed.to_numpy(), rows @ fit.cov_fixed.to_numpy() @ rows.T
    joint = joint - _season(fit, some, joint)
    level = estimate + _calibration(some, dict(zip(varieties, estimate, strict=True)))
    compared = compare(varieties, level, joint, df, check, ratio=True)
    method = _method(fit, groups, df, counted, [*notes, *left_out])
    return PodsResult(
        "pods", f"{counted} a plant a week", f"{counted} a plant a week", "ratio",
        rate_means(varieties, level, joint, df, WEEK).join(behind(some, varieties)),
        compared.against_check, compared.pairs, compared.letters, True, "", method, tuple(notes),
        tuple(varieties), level, joint, df, fit, some,
    )


def _at_most(
    data: pd.DataFrame, ground: Support, result: PodsResult, barren: list[str], check: str | None,
    counted: str,
) -> tuple[Floats, list[str]]:
    """Upper limits of the rates of varieties that gave nothing (two-sided 95 %, by the profile of
    the likelihood), and each in a sentence, against the check where that bore."""
    fit, _, _ = fit_looks(data, ground, like=result.fit, separated="limits")
    df = ground.df([*result.varieties, *barren])
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

    data: from `prepared`.  like: a fit to nearly the same looks, to start from.  separated: as in
    `fit_glmm`.  Raises MixedModelError where it cannot be fitted.
    """
    groups, left_out = usable_groups(data, [*ground.by, "unit", "plant", "pick"], ("variety",))
    formula = "pods ~ variety"
    if data["treatment"].dropna().nunique() > 1 and data["treatment"].notna().all():
        formula += " + treatment"
    fit = fit_glmm(formula, data, family="negative-binomial", offset="log_days", groups=groups,
                   method="reml", like=like, separated=separated)
    return fit, groups, left_out


def variety_rows(fit: GLMM, varieties: list[str]) -> Floats:
    """What of the fixed effects makes each variety's log rate, (v, p)."""
    labels, rows = marginal_rows(fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in varieties]
    return np.asarray(rows[:, fit.part.kept][at])


def rate_means(
    varieties: list[str], log_rate: Floats, covariance: Floats, df: float, days: float
) -> pd.DataFrame:
    """Rates over so many days with their intervals; se on the scale of the rate."""
    from scipy import stats

    se = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    half = stats.t.isf(0.025, df) * se
    rate = np.exp(log_rate) * days
    return pd.DataFrame({
        "variety": varieties, "estimate": rate, "se": se * rate, "df": df,
        "low": rate * np.exp(-half), "high": rate * np.exp(half),
    })


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
    data: pd.DataFrame, ground: Support, varieties: list[str], check: str | None, counted: str,
    notes: list[str],
) -> PodsResult:
    """Rates and ratios without intervals: what an unreplicated layout can show."""
    from trialkit.models.counting import unit_index

    some = data[data["variety"].isin(varieties)]
    index = unit_index(some, "variety").set_index("variety").loc[varieties]
    overall = some["pods"].sum() / some["days"].sum()
    level = index["log_index"].to_numpy() + float(np.log(overall))
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
        rate_means(varieties, level, nothing, np.nan, WEEK).join(behind(some, varieties)),
        compared.against_check, compared.pairs, {}, False, why, method, tuple(notes),
        tuple(varieties), level, nothing, float("nan"), None, some,
    )


def _method(
    fit: GLMM, groups: list[str], df: float, counted: str, notes: list[str]
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
    if notes or zero:
        full += " Notes: " + "; ".join([*notes, *zero]) + "."
    return MethodNote(
        f"Every look at every plant is counted, with the days since its last look; {counted} "
        "are compared between plots, not between plants.",
        full, fit.formula, tuple(groups), f"design, {df:g}",
        {"dispersion": fit.dispersion, "records": fit.n, **sds},
    )
