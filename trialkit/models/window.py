"""The picking window, and the pods picked within an arm's reach: the headline."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.height import HeightResult
from trialkit.models.pods import WEEK, PodsResult
from trialkit.models.rate import RateResult
from trialkit.models.results import MethodNote, Missing, TraitResult, compare
from trialkit.models.season import season_days, total_curve
from trialkit.models.smooth import draw

if TYPE_CHECKING:
    from trialkit.records import Records

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
    v = len(varieties)
    log_within, joint = np.full((DRAWS, v), np.nan), np.full((v, v), np.nan)
    scatter = scatter_of(looks)
    if pods.supported:
        rng = np.random.default_rng(3)
        totals = looks.groupby("variety")["pods"].sum()
        moved = np.array([
            share[name].drawn(counting[name].draws(rng), scatter / float(totals[name]), rng)
            for name in varieties]).T
        rates = draw(pods.log_rate, pods.covariance, pods.df, DRAWS, rng) + np.log(WEEK)
        log_within = rates + moved
        # Back from quantiles of draws to the scale of a t interval, which outliers do not move.
        with np.errstate(invalid="ignore"):
            low, high = np.quantile(moved, [0.025, 0.975], axis=0)
            spread = (high - low) / (2.0 * stats.t.isf(0.025, pods.df))
        joint = pods.covariance + np.diag(spread**2)
    means = _means(varieties, level, log_within, pods.df).join(
        pods.means.set_index("variety").loc[varieties, ["plots", "plants", "records"]]
        .reset_index(drop=True))
    some = np.isfinite(level) & (np.isfinite(np.diagonal(joint)) | (not pods.supported))
    usable = [name for name, ok in zip(varieties, some, strict=True) if ok]
    compared = compare(usable, level[some], joint[np.ix_(some, some)], pods.df, check, ratio=True)
    window = _window(varieties, start, ends, last_day)
    method = MethodNote(
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
         **{f"share {name}": float(s) for name, s in zip(varieties, point, strict=True)}},
    )
    reach_known = top and isinstance(height, HeightResult) and len(height.reach) > 0
    label = f"{counted} a plant a week{' within reach' if reach_known else ''}"
    return WindowResult("window", label, f"{counted} a plant a week", "ratio", means,
                        compared.against_check, compared.pairs,
                        compared.letters if pods.supported else {}, pods.supported, pods.why_not,
                        method, () if reach_known else (EVERY_POD,), window)


def scatter_of(looks: pd.DataFrame) -> float:
    """Variance over mean of plots' counts at each pick about variety x date and plot, at least 1.

    Pearson's X2 over its degrees of freedom (McCullagh & Nelder 1989, Generalized Linear Models,
    2nd ed., section 6.2.3), the margins fitted by proportions.
    """
    cells = looks.groupby(["variety", "unit", "date"], as_index=False)[["pods", "days"]].sum()
    dates = cells.groupby(["variety", "date"])[["pods", "days"]].transform("sum")
    expected = cells["days"] * dates["pods"] / dates["days"]
    by_unit = cells.assign(expected=expected).groupby("unit")[["pods", "expected"]].transform("sum")
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (expected * by_unit["pods"] / by_unit["expected"]).to_numpy(float)
        parts = (cells["pods"].to_numpy(float) - mean) ** 2 / mean
    some = mean > 0
    groups = cells[some].groupby(["variety", "date"]).ngroups
    units, varieties = cells["unit"].nunique(), cells["variety"].nunique()
    df = int(some.sum()) - groups - (units - varieties)
    return max(1.0, float(parts[some].sum()) / df) if df > 0 else 1.0


@dataclass(frozen=True)
class _Ending:
    """A day (ordinal, inf: never) and draws of it; sure: whether the draws mean anything."""

    day: float
    drawn: np.ndarray
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
        both = rng.choice(self.out.drawn, DRAWS), rng.choice(self.slow.drawn, DRAWS)
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

    def drawn(self, days: np.ndarray, scatter: float, rng: np.random.Generator) -> np.ndarray:
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
        drawn = level if moved is None else level + moved[:, where[v], at : at + level.shape[1]]
        both = np.vstack([level, drawn])
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
    varieties: list[str], level: np.ndarray, drawn: np.ndarray, df: float
) -> pd.DataFrame:
    rate = np.exp(level)
    with np.errstate(invalid="ignore"):
        low, high = np.exp(np.quantile(drawn, [0.025, 0.975], axis=0))
        se = np.exp(drawn).std(axis=0)
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
        drawn = np.minimum(end.draws(rng), final)
        low, high = np.quantile(drawn, [0.025, 0.975], method="nearest")
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
