"""When a variety bears: its first pick, the day of half of its harvest, and the picking window."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.curves import draw
from trialkit.models.height import HeightResult
from trialkit.models.picked import PodsResult
from trialkit.models.rate import RateResult
from trialkit.models.results import MethodNote, Missing, TraitResult, compare
from trialkit.models.season_yield import season_days, total_curve
from trialkit.models.support import adjusted_for, plot_contrasts
from trialkit.models.totals import WEEK, Array, PlotTotals, Tally

if TYPE_CHECKING:
    from trialkit.records import Records


# ------------------------------------------------------------------------------------------------
# Earliness: the day of the first pick with something, and the day half of the season had come.
#
# A plot's first day is that of its first pick with something on it; its half-way day is when half
# of what it gave over the season had been picked, straight between two picks. Both are means of
# plots, in days from planting, and varieties are compared by their differences in days: varieties
# and what the layout takes out by least squares on plots (the analysis of variance of the layout;
# Cochran & Cox 1957, Experimental Designs, chapter 4). A day is known no better than the picks are
# apart: each plot carries at least the variance of a time spread evenly over one usual gap, gap^2 /
# 12, as in Sheppard's corrections for grouping.
# ------------------------------------------------------------------------------------------------

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


# ------------------------------------------------------------------------------------------------
# The picking window, and the pods picked within an arm's reach: the headline.
# ------------------------------------------------------------------------------------------------

DRAWS = 1000
EVERY_POD = "where the crop bears, the reach or heights are not known: every pod counts"
REACH, THRESHOLD, RECORDS = "out of reach", "rate below what is worth picking", "last record"


@dataclass(frozen=True)
class WindowResult(TraitResult):
    """`means`: pods a plant a week picked within reach, over the weeks of the picking season.
    `window`: variety, start, end, end_low, end_high, days (from start to end) with days_low and
    days_high, ended_by (what ended it)."""

    window: pd.DataFrame = field(default_factory=pd.DataFrame)


def window_trait(
    records: Records, pods: PodsResult, height: HeightResult | Missing,
    rate: RateResult | Missing, check: str | None, counted: str,
) -> WindowResult:
    """From the first pick to the earliest of out of reach, rate too low, last record.

    Pods within reach, where the crop sets at the growing tip (`bears` of trial.toml): those before
    the window closed, over the weeks of the whole picking season, so that a variety that grows
    away early has less. Elsewhere a pod that was picked counts, however high the top stood.
    Intervals by parametric draws: of the rates from the pods model, of the day out of reach from
    the height model, of the day the rate fell too low from the rate model, and of how the season's
    pods fell before and after.
    """
    varieties = list(pods.varieties)
    looks = pods.looks
    last_day = looks["date"].max()
    start = {v: looks.loc[(looks["variety"] == v) & (looks["pods"] > 0), "date"].min()
             for v in varieties}
    ends = {v: _End(out, slow) for v, out, slow in zip(
        varieties, _out_of_reach(records, varieties, height), _too_slow(records, varieties, rate),
        strict=True)}
    curve = total_curve(pods)
    share = {v: _Share(curve[curve["variety"] == v], looks) for v in varieties}
    top = records.trial.bears == "top"
    counting = {v: ends[v] if top else _End(NEVER, ends[v].slow) for v in varieties}
    point = np.array([share[v](counting[v].day) for v in varieties])
    season_weeks = season_days(looks) / WEEK
    with np.errstate(divide="ignore"):
        level = pods.log_rate + np.log(WEEK) + np.log(point)
    scatter = scatter_of(pods.tally)
    log_within, joint = _within_draws(pods, share, counting, scatter)
    means = _means(varieties, level, log_within, pods.df).join(
        pods.means.set_index("variety").loc[varieties, ["plots", "plants", "records"]]
        .reset_index(drop=True))
    some = np.isfinite(level) & (np.isfinite(np.diagonal(joint)) | (not pods.supported))
    usable = [name for name, ok in zip(varieties, some, strict=True) if ok]
    compared = compare(usable, level[some], joint[np.ix_(some, some)], pods.df, check, ratio=True)
    window = _window(varieties, start, ends, last_day)
    reach_known = top and isinstance(height, HeightResult) and len(height.reach) > 0
    label = f"{counted} a plant a week{' within reach' if reach_known else ''}"
    return WindowResult("window", label, f"{counted} a plant a week", "ratio", means,
                        compared.against_check, compared.pairs,
                        compared.letters if pods.supported else {}, pods.supported, pods.why_not,
                        _method(pods, counted, season_weeks, scatter, point),
                        () if reach_known else (EVERY_POD,), window)


def _within_draws(
    pods: PodsResult, share: dict[str, _Share], counting: dict[str, _End], scatter: float
) -> tuple[np.ndarray, np.ndarray]:
    """Draws (DRAWS, v) of the log of pods a week within reach, and the covariance (v, v) that a t
    interval takes; NaN where the layout supports none."""
    v = len(pods.varieties)
    if not pods.supported:
        return np.full((DRAWS, v), np.nan), np.full((v, v), np.nan)
    rng = np.random.default_rng(3)
    totals = pods.tally.by_variety["pods"]
    moved = np.array([
        share[name].simulated(counting[name].draws(rng), scatter / float(totals[name]), rng)
        for name in pods.varieties]).T
    rates = draw(pods.log_rate, pods.covariance, pods.df, DRAWS, rng) + np.log(WEEK)
    # Back from quantiles of draws to the scale of a t interval, which outliers do not move.
    with np.errstate(invalid="ignore"):
        low, high = np.quantile(moved, [0.025, 0.975], axis=0)
        spread = (high - low) / (2.0 * stats.t.isf(0.025, pods.df))
    return rates + moved, pods.covariance + np.diag(spread**2)


def _method(
    pods: PodsResult, counted: str, season_weeks: float, scatter: float, point: np.ndarray
) -> MethodNote:
    return MethodNote(
        f"{counted.capitalize()} count while the variety is within reach, over all "
        f"{season_weeks:.1f} weeks of picking.",
        "Rate of the pods model x share of the variety's pods before its window closed. Window: "
        "first pick with something on it to the earliest of passing reach (height model), rate "
        "below the grower's threshold for good (rate model), last record. "
        f"{DRAWS} parametric draws of these models, taken as independent, and of the share: "
        f"counts of plots at each pick scatter {scatter:.1f} times as much as Poisson counts "
        "would. Season: from the usual interval before the first pick to the last. With few "
        "degrees of freedom the intervals are on the wide side, since each source is given the "
        "t factor of the layout.",
        pods.method.formula, pods.method.groups, pods.method.df_method,
        {"weeks": season_weeks, "scatter": scatter,
         **{f"share {name}": float(s) for name, s in zip(pods.varieties, point, strict=True)}},
    )


def scatter_of(tally: Tally) -> float:
    """Variance over mean of plots' counts at each pick about variety x date and plot, at least 1.

    Pearson's X2 over its degrees of freedom (McCullagh & Nelder 1989, Generalized Linear Models,
    2nd ed., section 6.2.3), the margins fitted by proportions.
    """
    keys = ["variety", "unit", "date"]
    cells = tally.by_plot_and_date
    if cells.duplicated(keys).any():  # a plot across two blocks
        cells = cells.groupby(keys, as_index=False)[["pods", "days"]].sum()
    dates = tally.by_variety_and_date.loc[pd.MultiIndex.from_frame(cells[["variety", "date"]])]
    dates = dates.set_index(cells.index)
    expected = cells["days"] * dates["pods"] / dates["days"]
    by_unit = cells.assign(expected=expected).groupby("unit")[["pods", "expected"]].transform("sum")
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (expected * by_unit["pods"] / by_unit["expected"]).to_numpy(float)
        parts = (cells["pods"].to_numpy(float) - mean) ** 2 / mean
    some = mean > 0
    groups = len(cells.loc[some, ["variety", "date"]].drop_duplicates())
    units, varieties = cells["unit"].nunique(), cells["variety"].nunique()
    df = int(some.sum()) - groups - (units - varieties)
    return max(1.0, float(parts[some].sum()) / df) if df > 0 else 1.0


@dataclass(frozen=True)
class _Ending:
    """A day (ordinal, inf: never) and draws of it; sure: whether the draws mean anything."""

    day: float
    draws: np.ndarray
    sure: bool = True


@dataclass(frozen=True)
class _End:
    """What may end a window."""

    out: _Ending
    slow: _Ending

    @property
    def day(self) -> float:
        return min(self.out.day, self.slow.day)

    def draws(self, rng: np.random.Generator) -> np.ndarray:
        """The two models' draws, joined at random."""
        both = rng.choice(self.out.draws, DRAWS), rng.choice(self.slow.draws, DRAWS)
        return np.asarray(np.minimum(*both))


NEVER = _Ending(float("inf"), np.full(1, np.inf))


class _Share:
    """Share of a variety's season that was picked up to a day (timestamp value, inf: all)."""

    def __init__(self, curve: pd.DataFrame, looks: pd.DataFrame) -> None:
        before = float(looks["gap"].median())
        days = (curve["date"] - curve["date"].iloc[0]).dt.days.to_numpy(float)
        self.origin = curve["date"].iloc[0]
        self.days = np.concatenate([[-before], days])
        total = np.concatenate([[0.0], curve["estimate"].to_numpy(float)])
        self.share = total / total[-1] if total[-1] > 0 else total

    def __call__(self, day: float) -> float:
        if np.isinf(day):
            return 1.0
        return float(np.interp(day - self.origin.toordinal(), self.days, self.share))

    def simulated(self, days: np.ndarray, scatter: float, rng: np.random.Generator) -> np.ndarray:
        """log share up to each of these days, with the chance of counts: the variance of log(s)
        of pods split in s before and 1 - s after is scatter (1 - s) / s, scatter being the
        variance of a count over its mean, over all pods."""
        own = np.where(np.isinf(days), 1.0, np.interp(
            days - self.origin.toordinal(), self.days, self.share))
        with np.errstate(divide="ignore", invalid="ignore"):
            sd = np.where(own > 0, np.sqrt(scatter * (1.0 - own) / own), 0.0)
            return np.asarray(np.minimum(np.log(own) + sd * rng.standard_normal(len(own)), 0.0))


def _out_of_reach(
    records: Records, varieties: list[str], height: HeightResult | Missing
) -> list[_Ending]:
    """When each variety passed reach."""
    if isinstance(height, Missing) or height.reach.empty or height.curves is None:
        return [NEVER] * len(varieties)
    planted = records.trial.planted.toordinal()
    where = {v: i for i, v in enumerate(height.curves.names)}
    point = height.reach.set_index("variety")["day"]
    return [
        _Ending(float(point[v]) + planted, height.crossing[:, where[v]] + planted,
                height.supported) if v in where else NEVER
        for v in varieties
    ]


def _too_slow(
    records: Records, varieties: list[str], rate: RateResult | Missing
) -> list[_Ending]:
    """When the rate went below the grower's threshold for good; inf: not yet."""
    limit = records.trial.threshold_per_week
    if not limit or isinstance(rate, Missing) or rate.curves is None:
        return [NEVER] * len(varieties)
    where = {v: i for i, v in enumerate(rate.curves.varieties)}
    opening = rate.curve["date"].min().toordinal()
    shown = rate.curve.groupby("variety", sort=False)["estimate"]
    moved = rate.curves.draws(DRAWS, 4) - rate.curves.value if rate.supported else None
    out = []
    for v in varieties:
        if v not in where:
            out.append(NEVER)
            continue
        level = np.log(shown.get_group(v).to_numpy(float))[None]
        first = rate.curve.loc[rate.curve["variety"] == v, "date"].min().toordinal()
        at = first - opening
        draws = level if moved is None else level + moved[:, where[v], at : at + level.shape[1]]
        both = np.vstack([level, draws])
        if v in rate.finished:  # the empty picks that follow
            both = np.column_stack([both, np.full(len(both), np.log(limit) - 1.0)])
        days = fell_below(both, float(np.log(limit))) + first
        out.append(_Ending(float(days[0]), days[1:], rate.supported))
    return out


def fell_below(curves: np.ndarray, limit: float) -> np.ndarray:
    """Day (n,) from which each curve (n, d) stays below the limit, straight between days; inf: it
    does not, or never was above."""
    enough = curves >= limit
    last = curves.shape[1] - 1 - enough[:, ::-1].argmax(axis=1)
    ended = enough.any(axis=1) & (last < curves.shape[1] - 1)
    after = np.minimum(last + 1, curves.shape[1] - 1)
    y0, y1 = (np.take_along_axis(curves, at[:, None], 1)[:, 0] for at in (last, after))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(ended, last + (y0 - limit) / (y0 - y1), np.inf))


def _means(
    varieties: list[str], level: np.ndarray, draws: np.ndarray, df: float
) -> pd.DataFrame:
    rate = np.exp(level)
    with np.errstate(invalid="ignore"):
        low, high = np.exp(np.quantile(draws, [0.025, 0.975], axis=0))
        se = np.exp(draws).std(axis=0)
    return pd.DataFrame({"variety": varieties, "estimate": rate, "se": se, "df": df, "low": low,
                         "high": high})


def _window(
    varieties: list[str], start: dict[str, pd.Timestamp], ends: dict[str, _End],
    last: pd.Timestamp,
) -> pd.DataFrame:
    rows = []
    rng = np.random.default_rng(5)
    for v in varieties:
        end, begin = ends[v], start[v]
        final = float(last.toordinal())
        days = {REACH: end.out.day, THRESHOLD: end.slow.day, RECORDS: final}
        by = min(days, key=lambda name: days[name])
        draws = np.minimum(end.draws(rng), final)
        low, high = np.quantile(draws, [0.025, 0.975], method="nearest")
        stop = _stamp(days[by])
        sure = end.out.sure and end.slow.sure
        first = begin.toordinal()
        rows.append({
            "variety": v, "start": begin, "end": max(stop, begin),
            "end_low": max(_stamp(low), begin) if sure else pd.NaT,
            "end_high": max(_stamp(high), begin) if sure else pd.NaT,
            "days": float(max((stop - begin).days, 0)),
            "days_low": max(low - first, 0.0) if sure else np.nan,
            "days_high": max(high - first, 0.0) if sure else np.nan, "ended_by": by,
        })
    return pd.DataFrame(rows)


def _stamp(day: float) -> pd.Timestamp:
    from datetime import date

    return pd.Timestamp(date.fromordinal(int(round(day))))
