"""Grades tested on the plots: are the odds alike at every grade, is each grade as common."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from trialkit.mixed import MixedModelError
from trialkit.mixed.ordered import odds_test
from trialkit.models.comparing import ALPHA, Floats
from trialkit.models.oddsmodel import independent
from trialkit.models.plot_totals import layout_columns


def parallel_p(
    counts: Floats, variety: Floats, nuisance: Floats, spread: float, df: float
) -> float:
    """p of varieties differing by the same odds at every threshold between grades.

    counts (plots, k), worst grade first; variety (plots, v) 0/1; nuisance: the layout's columns.
    The likelihood ratio of a model in which each variety has an effect of its own at every
    threshold (Peterson & Harrell 1990, Applied Statistics 39:205; `trialkit.mixed.ordered`), over
    its degrees of freedom and over the spread between plots, as F on the layout's `df`.  NaN
    where that model cannot be fitted, or with two grades.
    """
    if counts.shape[1] < 3 or df < 1:
        return float("nan")
    x = np.hstack([np.ones((len(counts), 1)), variety[:, 1:], nuisance])
    kept = independent(x)
    tested = [k for k, j in enumerate(kept[1:]) if 1 <= j < variety.shape[1]]
    try:
        test = odds_test(counts, x[:, kept[1:]], tested)
    except (MixedModelError, np.linalg.LinAlgError):
        return float("nan")
    if not np.isfinite(test.statistic) or test.df < 1:
        return float("nan")
    return float(stats.f.sf(test.statistic / test.df / spread, test.df, df))


def _anova_p(frame: pd.DataFrame, varieties: list[str], y: Floats, df: float) -> float:
    layout = np.column_stack([np.ones(len(y)), layout_columns(frame)])
    x = np.column_stack([layout, *(frame["variety"] == v for v in varieties[1:])]).astype(float)
    without, of_all = _rss(layout, y), _rss(x, y)
    if of_all <= 1e-12 * max(float(y @ y), 1e-12):
        return 1.0 if without - of_all < 1e-12 else 0.0
    return float(stats.f.sf((without - of_all) / (len(varieties) - 1) / (of_all / df),
                            len(varieties) - 1, df))


def _rss(x: Floats, y: Floats) -> float:
    left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(left @ left)


def counted_shares(counts: Floats, x: Floats) -> tuple[Floats, Floats, Floats]:
    """Share of each grade by variety with its 95 % interval, (v, k) each.

    counts (plots, k), x (plots, v) 0/1.  The shares are those counted, which is what a multinomial
    logit by variety gives.  Interval: each plot of the variety left out in turn (jackknife, Tukey
    1958, Ann. Math. Statist. 29:614) on the logit scale, on the variety's plots less one df; NaN
    where a share is none or all, or there is one plot.
    """
    of_variety = x.T @ counts
    fitted = _share(of_variety)
    low, high = np.full(fitted.shape, np.nan), np.full(fitted.shape, np.nan)
    for i, own in enumerate(x.T.astype(bool)):
        plots = int(own.sum())
        if plots < 2:
            continue
        spare = _share(of_variety[i] - counts[own])
        with np.errstate(divide="ignore"):
            value, moved = logit(fitted[i]), logit(spare)
        sound = np.isfinite(value) & np.isfinite(moved).all(axis=0)
        step = np.where(sound, moved - np.where(sound, value, 0.0), np.nan)
        se = np.sqrt((plots - 1) / plots * (step**2).sum(axis=0))
        half = stats.t.isf(ALPHA / 2, plots - 1) * se
        low[i], high[i] = expit(value - half), expit(value + half)
    return fitted, low, high


def _share(counts: Floats) -> Floats:
    return np.asarray(counts / np.maximum(counts.sum(axis=1, keepdims=True), 1.0))


def each_grade_p(
    frame: pd.DataFrame, varieties: list[str], grades: list[str], df: float
) -> list[float]:
    """p of each grade being as common in every variety: the plots' log-odds (half a piece added)
    by variety and layout on `df`, Bonferroni over the grades."""
    counts = frame[grades].to_numpy(float)
    total = counts.sum(axis=1)
    ps = [_anova_p(frame, varieties, np.log((c + 0.5) / (total - c + 0.5)), df) for c in counts.T]
    return [min(1.0, p * len(ps)) for p in ps]
