"""Earliness: the day of the first pick with something, and the day half of the season had come.

A plot's first day is that of its first pick with something on it; its half-way day is when half
of what it gave over the season had been picked, straight between two picks. Both are means of
plots, in days from planting, and varieties are compared by their differences in days: varieties
and what the layout takes out by least squares on plots (the analysis of variance of the layout;
Cochran & Cox 1957, Experimental Designs, chapter 4). A day is known no better than the picks are
apart: each plot carries at least the variance of a time spread evenly over one usual gap, gap^2 /
12, as in Sheppard's corrections for grouping.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.results import MethodNote, Missing, TraitResult, compare
from trialkit.models.support import adjusted_for
from trialkit.models.totals import Array, PlotTotals, plot_contrasts

FIRST, HALF = "first pick", "half of the season"


@dataclass(frozen=True)
class EarlyResult(TraitResult):
    """varieties: those compared.  level (v,), covariance (v, v): their days from planting and how
    well they are known; the covariance is NaN where the layout gives no measure of error.
    waiting: some plots have given nothing yet and may still, so that the days stand too early."""

    varieties: tuple[str, ...] = ()
    level: Array = field(default_factory=lambda: np.zeros(0))
    covariance: Array = field(default_factory=lambda: np.zeros((0, 0)))
    waiting: bool = False


def first_days(totals: PlotTotals) -> Array:
    """Day (ordinal) of each plot's first look with something, (plots,); NaN for none yet."""
    day = np.array([at.toordinal() for at in totals.known], dtype=float)
    some = np.nan_to_num(totals.pods) > 0
    return np.where(some.any(axis=1), day[some.argmax(axis=1)], np.nan)


def last_picks(totals: PlotTotals) -> dict[str, pd.Timestamp]:
    """The day of the last look that brought something new, by variety; without those that gave
    nothing."""
    path = np.maximum.accumulate(np.nan_to_num(totals.pods), axis=1)
    new = np.diff(path, axis=1, prepend=0.0) > 0
    name = totals.plots["variety"].astype(str).to_numpy()
    return {str(v): totals.known[np.flatnonzero(new[name == v].any(axis=0))[-1]]
            for v in dict.fromkeys(name) if new[name == v].any()}


def half_days(totals: PlotTotals) -> Array:
    """Day (ordinal) by which half of each plot's pods had been picked, (plots,); NaN for none."""
    day = np.array([at.toordinal() for at in totals.day], dtype=float)
    before = np.concatenate([[day[0] - totals.usual_gap], day])
    out = np.full(len(totals.pods), np.nan)
    for at, pods in enumerate(totals.pods):
        known = np.isfinite(pods)
        if not known.any() or not pods[known][-1] > 0:
            continue
        path = np.maximum.accumulate(np.concatenate([[0.0], pods[known]]))
        days = np.concatenate([before[:1], day[known]])
        after = int(np.argmax(path >= path[-1] / 2.0))
        step = path[after] - path[after - 1]
        part = (path[-1] / 2.0 - path[after - 1]) / step if step > 0 else 1.0
        out[at] = days[after - 1] + part * (days[after] - days[after - 1])
    return out


def early_trait(
    totals: PlotTotals | None, which: str, planted: pd.Timestamp, order: list[str],
    check: str | None, supported: bool, why_not: str, season_over: bool,
) -> EarlyResult | Missing:
    """Days from planting to the first pick (FIRST) or to half of the season's pods (HALF).

    Differences in days from the check and between all pairs; fewer days is earlier.
    """
    name = "first_pick" if which == FIRST else "halfway"
    if totals is None:
        return Missing(name, "nothing was counted")
    if which == HALF and not season_over:
        return Missing(name, "the season is not over: half of it is not known yet")
    days = (first_days if which == FIRST else half_days)(totals) - planted.toordinal()
    bore = totals.plots.assign(log_index=days)[np.isfinite(days)]
    varieties = [v for v in order if (bore["variety"] == v).any()]
    if not varieties:
        return Missing(name, "no plot has given anything yet")
    late = sorted({str(v) for v, ok in zip(totals.plots["variety"], np.isfinite(days), strict=True)
                   if not ok}, key=order.index)
    notes = tuple(f"not every plot of {v} has given something: its day is that of the others"
                  if v in varieties else f"{v} has given nothing" for v in late)
    fit = plot_contrasts(bore)
    plain = bore.groupby("variety")["log_index"].agg(["mean", "size"]).reindex(varieties)
    shown = pd.DataFrame({
        "variety": varieties, "estimate": plain["mean"].to_numpy(float), "se": np.nan,
        "df": np.nan, "low": np.nan, "high": np.nan, "plots": plain["size"].to_numpy(int),
        "plants": bore.groupby("variety")["planted"].sum().reindex(varieties).to_numpy(int),
        "records": plain["size"].to_numpy(int),
    })
    label = ("days from planting to the first pick" if which == FIRST else
             "days from planting to half of the season's harvest")
    at = [fit.varieties.index(v) for v in varieties]
    level, joint = fit.estimate[at], fit.covariance[np.ix_(at, at)]
    waiting = bool(late) and not season_over
    allowed = supported and fit.df >= 1 and len(varieties) > 1 and not waiting
    why = why_not if not supported else "" if allowed else (
        f"not every plot of {', '.join(late)} has given something yet" if waiting else
        "too few plots have given something to compare them")
    if allowed:
        joint = _no_better_than_the_picks(joint, bore, len(fit.varieties), fit.df,
                                          totals.usual_gap)
        se = np.sqrt(np.diagonal(joint))
        half = stats.t.isf(0.025, fit.df) * se
        shown = shown.assign(estimate=level, se=se, df=fit.df, low=level - half,
                             high=level + half)
    joint = joint if allowed else np.full_like(joint, np.nan)
    compared = compare(varieties, level, joint, fit.df if allowed else np.nan, check, ratio=False)
    method = MethodNote(
        f"Each plot's {label}; varieties compared by the plots they were given to."
        + adjusted_for(totals.adjusted),
        "Least squares on plots: variety and what the layout takes out; error between plots on "
        f"{fit.df:g} df, at least that of a day known to within {totals.usual_gap:g} days; "
        "Dunnett with the check, Tukey for all pairs.",
        "days ~ variety + blocks", (), f"design, {fit.df:g}",
    )
    return EarlyResult(name, label, "days from planting", "difference", shown,
                       compared.against_check, compared.pairs,
                       compared.letters if allowed else {}, allowed, why, method, notes,
                       tuple(varieties), level if allowed else shown["estimate"].to_numpy(float),
                       joint, waiting)


def _no_better_than_the_picks(
    joint: Array, plots: pd.DataFrame, number: int, df: float, gap: float
) -> Array:
    """The covariance, its error variance raised to that of a day spread evenly over a gap."""
    each = plots.groupby("variety").size().to_numpy(float)
    # In any layout the trace of the means' covariance is at least the error over the plots.
    error = float(np.trace(joint) / (1.0 / each).sum())
    least = gap**2 / 12.0
    if error >= least:
        return joint
    return np.asarray(np.diag(least / each) if error <= 0 else joint * (least / error))
