"""When a root or head is ready: days from planting, by variety.

A piece counts as ready on the day it was dug or cut fit to sell; one not yet dug, or dug too
small, does not.  So a variety is "ready from" the first harvest by which at least half of its
standing plants (or the share the grower sets) had given a marketable piece.  Dug on one day only,
that is all that can be said: ready by then, or not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.comparing import ALPHA, Floats, compare
from trialkit.models.grading import poor
from trialkit.models.plot_totals import layout_columns
from trialkit.models.results import AGAINST, empty

if TYPE_CHECKING:
    from trialkit.models.support import Support
    from trialkit.records import Records

READY = ["variety", "day", "date", "mean", "low", "high", "share", "plots", "plots_ready", "words"]


@dataclass(frozen=True)
class ReadyRule:
    """What is ready.  share: of the standing plants that must be.  grades: marketable ones; None:
    all whose name is not that of waste.  least_g: weight a piece must reach, None for any."""

    share: float = 0.5
    grades: tuple[str, ...] | None = None
    least_g: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.share <= 1:
            raise ValueError(f"share is {self.share:g}; above 0 and at most 1 is accepted.")


@dataclass(frozen=True)
class ReadyResult:
    """table: variety, day (days from planting of the first harvest by which it was ready; NaN:
    not yet), date, mean over its plots with low and high (95 % interval, days; NaN where the
    layout or one day of digging supports none), share (ready by the last harvest), plots,
    plots_ready, words.  against_check: variety, check, days later (+) or earlier (-), low, high,
    p, df.  harvests: days from planting of each harvest.  rule: in words."""

    table: pd.DataFrame
    harvests: tuple[int, ...]
    rule: str
    against_check: pd.DataFrame = field(default_factory=lambda: empty(AGAINST))
    why_not: str = ""


def ready_from(
    records: Records, data: pd.DataFrame, ground: Support, order: list[str], check: str | None,
    rule: ReadyRule | None = None,
) -> ReadyResult | None:
    """Days from planting to readiness; None where no harvest has a date.

    data: plants harvested, with plant, variety, unit and the layout's columns.
    """
    rule = rule or ReadyRule()
    dug = records.harvest.dropna(subset=["date"])
    if dug.empty:
        return None
    planted = pd.Timestamp(records.trial.planted)
    fit = _marketable(dug, rule)
    first = dug[fit].groupby("plant")["date"].min()
    plants = records.plants.drop_duplicates("plant")
    plants = plants[plants["variety"].isin(order)]
    last_seen = dug.groupby("plant")["date"].max()
    dates = sorted(dug["date"].unique())
    # A plant that died before the last harvest and gave nothing never stood to be ready.
    lived = plants["lost"].isna() | plants["plant"].isin(last_seen.index)
    standing = plants[lived].assign(ready=plants["plant"].map(first))
    standing = ground.located(standing)
    harvests = tuple(int((pd.Timestamp(d) - planted).days) for d in dates)
    said = (f"at least {100 * rule.share:.0f} % of the standing plants have given a "
            "marketable piece"
            if rule.share != 0.5 else
            "at least half of the standing plants have given a marketable piece")
    by_variety = {v: _first_day(standing[standing["variety"] == v], rule.share, planted)
                  for v in order}
    units = standing.groupby("unit").agg(
        variety=("variety", "first"), block=("block", "first"),
        **{n: (n, "first") for n in ground.by if n != "block"})
    units["day"] = [_first_day(standing[standing["unit"] == u], rule.share, planted)
                    for u in units.index]
    mean, low, high, against, why = _intervals(units.reset_index(), ground, order, check,
                                               len(harvests))
    rows = []
    for i, v in enumerate(order):
        own = standing[standing["variety"] == v]
        plots = units[units["variety"] == v]
        share = float(own["ready"].notna().mean()) if len(own) else np.nan
        day = by_variety[v]
        date = planted + pd.Timedelta(days=day) if np.isfinite(day) else pd.NaT
        rows.append((v, day, date, mean[i], low[i], high[i], share, len(plots),
                     int(plots["day"].notna().sum()), _words(v, day, share, harvests)))
    return ReadyResult(pd.DataFrame(rows, columns=READY), harvests, said, against, why)


def _marketable(dug: pd.DataFrame, rule: ReadyRule) -> pd.Series:
    grade = dug["grade"]
    if rule.grades is not None:
        good = grade.isin(rule.grades)
    else:
        good = ~grade.fillna("").astype(str).map(poor).astype(bool)
    weight, count = dug["weight_g"], dug["count"]
    some = ~((count == 0) | ((weight == 0) & count.isna()))
    if rule.least_g is not None:
        good &= (weight / count.where(count > 0, 1.0).fillna(1.0)) >= rule.least_g
    return good & some


def _first_day(plants: pd.DataFrame, share: float, planted: pd.Timestamp) -> float:
    """Days from planting by which the share of `plants` is ready; NaN if it never is."""
    days = np.sort((plants["ready"].dropna() - planted).dt.days.to_numpy(float))
    needed = int(np.ceil(share * len(plants) - 1e-9))
    return float(days[needed - 1]) if 0 < needed <= len(days) else float("nan")


def _intervals(
    units: pd.DataFrame, ground: Support, order: list[str], check: str | None, harvests: int
) -> tuple[Floats, Floats, Floats, pd.DataFrame, str]:
    """t intervals of each variety's plots and differences from the check, by least squares on
    the plots' days (variety and layout), or why there are none."""
    nothing = np.full(len(order), np.nan)
    why = ""
    if harvests < 2:
        why = "everything was dug on one day"
    elif not ground.supported:
        why = ground.why_not
    elif units["day"].isna().any():
        why = "some plots were not ready by the last harvest"
    elif units["day"].nunique() < 2:
        why = "every plot was ready on the same day"
    df = ground.df(order)
    if not why and df < 1:
        why = "there are too few plots"
    if why:
        return nothing, nothing, nothing, empty(AGAINST), why
    y = units["day"].to_numpy(float)
    x = np.column_stack([units["variety"] == v for v in order]).astype(float)
    x = np.hstack([x, layout_columns(units)])
    inverse = np.linalg.pinv(x.T @ x)
    beta = inverse @ x.T @ y
    v = len(order)
    covariance = inverse[:v, :v] * float(((y - x @ beta) ** 2).sum()) / df
    half = stats.t.isf(ALPHA / 2, df) * np.sqrt(np.diagonal(covariance))
    against = compare(order, beta[:v], covariance, df, check, ratio=False).against_check
    return beta[:v], beta[:v] - half, beta[:v] + half, against, ""


def _words(variety: str, day: float, share: float, harvests: tuple[int, ...]) -> str:
    """One plain sentence."""
    if np.isnan(share):
        return f"{variety}: no plant stood to be harvested."
    if len(harvests) == 1:
        if np.isfinite(day):
            return (f"{variety} was ready by day {day:.0f} from planting; all was dug that day, so "
                    "it may have been ready sooner.")
        return (f"{variety} was not ready by day {harvests[0]} from planting: "
                f"{100 * share:.0f} % of its plants gave a marketable piece.")
    if np.isnan(day):
        return (f"{variety} was not ready by day {harvests[-1]} from planting, the last harvest: "
                f"{100 * share:.0f} % of its plants had given a marketable piece.")
    if day == harvests[0]:
        return (f"{variety} was ready by day {day:.0f} from planting, the first harvest; it may "
                "have been ready sooner.")
    return f"{variety} was ready from day {day:.0f} from planting."
