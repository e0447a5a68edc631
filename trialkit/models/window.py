"""The picking window, and the pods picked within an arm's reach: the headline."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.models.comparing import compare
from trialkit.models.height import HeightResult
from trialkit.models.pods import WEEK, PodsResult
from trialkit.models.rate import RateResult
from trialkit.models.results import MethodNote, Missing, TraitResult
from trialkit.models.season import season_days, total_curve
from trialkit.models.smooth import draw

if TYPE_CHECKING:
    from trialkit.records import Records

DRAWS = 1000
REACH, THRESHOLD, RECORDS = "out of reach", "rate below what is worth picking", "last record"


@dataclass(frozen=True)
class WindowResult(TraitResult):
    """`means`: pods a plant a week picked within reach, over the weeks of the picking season.
    `window`: variety, start, end, end_low, end_high, days, ended_by (what ended it)."""

    window: pd.DataFrame = field(default_factory=pd.DataFrame)


def window_trait(
    records: Records, pods: PodsResult, height: HeightResult | Missing,
    rate: RateResult | Missing, check: str | None, counted: str,
) -> WindowResult:
    """From the first pick to the earliest of out of reach, rate too low, last record.

    Pods within reach: those before the window closed, over the weeks of the whole picking
    season, so that a variety that grows away early has less.  Intervals by parametric draws: of
    the rates from the pods model, of the day out of reach from the height model.
    """
    varieties = list(pods.varieties)
    looks = pods.looks
    last_day = looks["date"].max()
    start = {v: looks.loc[(looks["variety"] == v) & (looks["pods"] > 0), "date"].min()
             for v in varieties}
    out = _out_of_reach(records, varieties, height)
    slow = _too_slow(records, varieties, rate)
    curve = total_curve(pods)
    share = {v: _Share(curve[curve["variety"] == v], looks) for v in varieties}
    point = np.array([share[v](min(out[v][0], slow[v])) for v in varieties])
    season_weeks = season_days(looks) / WEEK
    with np.errstate(divide="ignore"):
        level = pods.log_rate + np.log(WEEK) + np.log(point)
    if pods.supported:
        rng = np.random.default_rng(3)
        rates = draw(pods.log_rate, pods.covariance, pods.df, DRAWS, rng) + np.log(WEEK)
        drawn = np.array([
            [share[v](min(day, slow[v])) for day in rng.choice(out[v][1], DRAWS)]
            for v in varieties
        ]).T
        with np.errstate(divide="ignore"):
            log_within = rates + np.log(drawn)
    else:
        log_within = np.full((DRAWS, len(varieties)), np.nan)
    means = _means(varieties, level, log_within, pods.df).join(
        pods.means.set_index("variety").loc[varieties, ["plots", "plants", "records"]]
        .reset_index(drop=True))
    some = np.isfinite(level)
    kept = [v for v, ok in zip(varieties, some, strict=True) if ok]
    joint = (np.cov(log_within[:, some], rowvar=False).reshape(len(kept), len(kept))
             if pods.supported else np.full((len(kept),) * 2, np.nan))
    if pods.supported and pods.df > 2:
        joint = joint * (pods.df - 2) / pods.df  # draws are t: back to the scale of a t interval
    elif pods.supported:
        joint = pods.covariance[np.ix_(some, some)]
    compared = compare(kept, level[some], joint, pods.df, check, ratio=True)
    window = _window(varieties, start, out, slow, last_day, height)
    method = MethodNote(
        f"{counted.capitalize()} count while the variety is within reach, over all "
        f"{season_weeks:.1f} weeks of picking.",
        "Rate of the pods model x share of the variety's pods before its window closed. Window: "
        "first pick with something on it to the earliest of passing reach (height model), rate "
        f"below the grower's threshold for good, last record. {DRAWS} parametric draws of both "
        "models. Season: from the usual interval before the first pick to the last.",
        pods.method.formula, pods.method.groups, pods.method.df_method,
        {"weeks": season_weeks, **{f"share {v}": float(s)
                                   for v, s in zip(varieties, point, strict=True)}},
    )
    reach_known = isinstance(height, HeightResult) and len(height.reach) > 0
    label = f"{counted} a plant a week{' within reach' if reach_known else ''}"
    return WindowResult("window", label, f"{counted} a plant a week", "ratio", means,
                        compared.against_check, compared.pairs,
                        compared.letters if pods.supported else {}, pods.supported, pods.why_not,
                        method, () if reach_known else ("reach or heights are not known: every "
                                                        "pod counts",), window)


class _Share:
    """Share of a variety's season that was picked up to a day (timestamp value, inf: all)."""

    def __init__(self, curve: pd.DataFrame, looks: pd.DataFrame) -> None:
        before = float(looks["days"].median())
        days = (curve["date"] - curve["date"].iloc[0]).dt.days.to_numpy(float)
        self.origin = curve["date"].iloc[0]
        self.days = np.concatenate([[-before], days])
        total = np.concatenate([[0.0], curve["estimate"].to_numpy(float)])
        self.share = total / total[-1] if total[-1] > 0 else total

    def __call__(self, day: float) -> float:
        if np.isinf(day):
            return 1.0
        return float(np.interp(day - self.origin.toordinal(), self.days, self.share))


def _out_of_reach(
    records: Records, varieties: list[str], height: HeightResult | Missing
) -> dict[str, tuple[float, np.ndarray]]:
    """Day out of reach as an ordinal, and draws of it (inf: never)."""
    never = (np.inf, np.full(1, np.inf))
    if isinstance(height, Missing) or height.reach.empty or height.curves is None:
        return dict.fromkeys(varieties, never)
    planted = records.trial.planted.toordinal()
    where = {v: i for i, v in enumerate(height.curves.varieties)}
    point = height.reach.set_index("variety")["day"]
    return {
        v: (float(point[v]) + planted, height.crossing[:, where[v]] + planted)
        if v in where else never
        for v in varieties
    }


def _too_slow(
    records: Records, varieties: list[str], rate: RateResult | Missing
) -> dict[str, float]:
    """Day (ordinal) from which the rate stays below the grower's threshold; inf: not yet."""
    limit = records.trial.threshold_per_week
    out = dict.fromkeys(varieties, float("inf"))
    if not limit or isinstance(rate, Missing):
        return out
    for variety, part in rate.curve.groupby("variety"):
        enough = np.flatnonzero(part["estimate"].to_numpy() >= limit)
        if len(enough) and enough[-1] < len(part) - 1:
            out[str(variety)] = float(part["date"].iloc[enough[-1] + 1].toordinal())
    return out


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
    varieties: list[str], start: dict[str, pd.Timestamp],
    out: dict[str, tuple[float, np.ndarray]], slow: dict[str, float], last: pd.Timestamp,
    height: HeightResult | Missing,
) -> pd.DataFrame:
    rows = []
    supported = isinstance(height, HeightResult) and height.supported
    for v in varieties:
        ends = {REACH: out[v][0], THRESHOLD: slow[v], RECORDS: float(last.toordinal())}
        by = min(ends, key=lambda name: ends[name])
        drawn = np.minimum(out[v][1], min(slow[v], ends[RECORDS]))
        low, high = np.quantile(drawn, [0.025, 0.975], method="nearest")
        end, begin = _stamp(ends[by]), start[v]
        rows.append({
            "variety": v, "start": begin, "end": max(end, begin),
            "end_low": _stamp(low) if supported else pd.NaT,
            "end_high": _stamp(high) if supported else pd.NaT,
            "days": float(max((end - begin).days, 0)), "ended_by": by,
        })
    return pd.DataFrame(rows)


def _stamp(day: float) -> pd.Timestamp:
    from datetime import date

    return pd.Timestamp(date.fromordinal(int(round(day))))
