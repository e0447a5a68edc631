"""Can the answer be trusted: spread of the counts, odd plots, doubtful records."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed import GLMM, MixedModelError
from trialkit.models.pods import (
    PodsResult,
    counted_looks,
    fit_looks,
    prepared,
    unit_index,
    variety_rows,
)
from trialkit.models.support import Support
from trialkit.models.totals import plot_contrasts, without_each

if TYPE_CHECKING:
    from trialkit.records import Records


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
    index = unit_index(pods.looks, "unit")
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
    bearing = looks.groupby("variety")["pods"].sum()
    if not all(bearing.get(v, 0.0) > 0 for v in varieties):
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
    looks = prepared(looks[looks["variety"].isin(pods.varieties)], ground)
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
