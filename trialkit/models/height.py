"""Height over time, and the day a variety passes an arm's reach."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.mixed import fit_lmm
from trialkit.models.comparing import compare
from trialkit.models.picking import difference_means
from trialkit.models.results import MethodNote, Missing, TraitResult, empty
from trialkit.models.smooth import Curves, Spline, curves_of
from trialkit.models.support import ONE_BLOCK, Support, behind, usable_groups

if TYPE_CHECKING:
    from trialkit.records import Records

DRAWS = 1000
COLUMNS = 6
"""Columns of the spline: enough for an S-shaped curve to keep its shape (checked by simulation)."""
OUT_OF_REACH = ["variety", "date", "low", "high", "day", "day_low", "day_high", "never"]


@dataclass(frozen=True)
class HeightResult(TraitResult):
    """`means`: height in cm on the last day measured.  `curve`: variety, date, estimate, low,
    high (cm).  `growth`: variety, date, estimate (cm a week).  `seen`: variety, date, plant,
    height_cm as measured.  `reach`: variety, date (NaT: not by the last measurement), low, high
    (NaT: no limit that way), day, day_low, day_high (days from planting, inf likewise), never
    (share of the draws in which reach is not passed)."""

    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    growth: pd.DataFrame = field(default_factory=pd.DataFrame)
    seen: pd.DataFrame = field(default_factory=pd.DataFrame)
    reach: pd.DataFrame = field(default_factory=lambda: empty(OUT_OF_REACH))
    curves: Curves | None = field(default=None, repr=False, compare=False)
    crossing: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)), repr=False,
                                 compare=False)

    def on(self, when: object) -> pd.DataFrame:
        """Height of each variety on a date: variety, date, estimate, low, high (cm)."""
        return self.curve[self.curve["date"] == pd.Timestamp(when)]  # type: ignore[arg-type]


def height_trait(
    records: Records, ground: Support, order: list[str], check: str | None
) -> HeightResult | Missing:
    """One growth curve a variety.  Raises MixedModelError where it cannot be fitted."""
    seen, notes = measured(records)
    if seen.empty:
        return Missing("height", "no height is recorded yet")
    planted = pd.Timestamp(records.trial.planted)
    block = seen["block"].astype("object")
    data = seen.assign(
        day=(seen["date"] - planted).dt.days.astype(float),
        unit=seen["plant"].map(ground.unit_of),
        block=block.where(block.notna(), ONE_BLOCK).astype(str),
    )
    varieties = [v for v in order if (data["variety"] == v).any()]
    dates = data.groupby("variety")["day"].nunique().reindex(varieties)
    if dates.min() < 2:
        few = ", ".join(v for v in varieties if dates[v] < 2)
        return Missing("height", f"growth takes two dates with heights; there is one for {few}")
    spline = Spline.through(data["day"], int(min(COLUMNS, dates.min() - 1)))
    basis = spline.columns(data["day"])
    basis.index = data.index
    data = pd.concat([data, basis], axis=1)
    groups, left_out = usable_groups(data, ["block", "unit", "plant"], ("variety",))
    smooth = " + ".join(spline.names)
    formula = (f"height_cm ~ variety * ({smooth})" if len(varieties) > 1
               else f"height_cm ~ {smooth}")
    sloped = [g for g in groups if g != "block"] if dates.min() > 2 else []
    slopes = {name: ["curve1"] for name in sloped}
    fit = fit_lmm(formula, data, groups=groups, slopes=slopes)
    supported = ground.supported and len(varieties) > 1
    df = ground.df(varieties)
    covariance = fit.cov_fixed.to_numpy()
    days = np.arange(data["day"].min(), data["day"].max() + 1)
    curves = curves_of(fit.part, fit.fixed.to_numpy(), covariance, df if df >= 1 else np.inf,
                       varieties, spline, days)
    method = MethodNote(
        "One smooth growth curve a variety through every plant measured; each plant may be "
        "taller or shorter and grow faster or slower than its variety.",
        f"Linear mixed model by REML: {formula}, natural cubic spline in days from planting with "
        f"{len(spline.names)} columns, random {', '.join(groups) or 'nothing'}"
        f"{', each with its own slope but blocks' if slopes else ''}. The day reach is passed is "
        f"the first at which the curve does; its interval comes from {DRAWS} draws of the fixed "
        f"effects (multivariate t, {df:g} df of the layout). No curve is drawn past the last "
        "measurement. " + "; ".join(left_out),
        formula, tuple(groups), f"design, {df:g}",
        {"sd residual": fit.residual_sd, **{f"sd {k}": float(v) for k, v in fit.group_sd.items()}},
    )
    return _result(records, data, curves, supported, ground.why_not, check, method, notes)


def measured(records: Records) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Heights with variety, block, plot; a plant's heights after topping are left out."""
    about = records.plants.drop_duplicates("plant")[["plant", "variety", "block", "plot"]]
    seen = records.heights.dropna(subset=["height_cm"]).merge(about, on="plant", how="inner")
    events = records.events
    topped = events[events["event"].astype(str).str.strip().str.lower() == "topped"]
    notes = []
    drop = pd.Series(False, index=seen.index)
    row: Any
    for row in topped.itertuples(index=False):
        own = pd.Series(True, index=seen.index)
        if pd.notna(row.plant) and str(row.plant):
            own = seen["plant"] == row.plant
        elif pd.notna(row.plot) and str(row.plot):
            own = seen["plot"] == row.plot
        drop |= own & (seen["date"] >= row.date)
        where = f"plot {row.plot}" if pd.notna(row.plot) and str(row.plot) else "plants"
        notes.append(f"{where} topped on {row.date:%-d %B}: heights from then on are left out")
    return seen[~drop].reset_index(drop=True), tuple(notes)


def _result(
    records: Records, data: pd.DataFrame, curves: Curves, supported: bool, why_not: str,
    check: str | None, method: MethodNote, notes: tuple[str, ...],
) -> HeightResult:
    from scipy import stats

    planted = pd.Timestamp(records.trial.planted)
    varieties = list(curves.varieties)
    last = curves.rows[:, -1, :]
    covariance = last @ curves.covariance @ last.T
    df = curves.df if supported else np.nan
    if not supported:
        covariance = np.full_like(covariance, np.nan)
    value, se = curves.value, curves.se
    means = difference_means(varieties, value[:, -1], covariance, df)
    compared = compare(varieties, value[:, -1], covariance, df, check, ratio=False)
    half = stats.t.isf(0.025, curves.df) * se if supported else np.full_like(se, np.nan)
    dates = planted + pd.to_timedelta(curves.days, unit="D")
    curve = pd.concat([
        pd.DataFrame({"variety": v, "date": dates, "estimate": value[i],
                      "low": value[i] - half[i], "high": value[i] + half[i]})
        for i, v in enumerate(varieties)
    ], ignore_index=True)
    growth = curve[["variety", "date"]].assign(
        estimate=np.concatenate([np.gradient(value[i]) * 7.0 for i in range(len(varieties))])
    )
    crossing = np.zeros((0, len(varieties)))
    reach = empty(OUT_OF_REACH)
    if records.trial.reach_cm:
        crossing = first_passed(curves.draws(DRAWS, 1), curves.days, records.trial.reach_cm)
        point = first_passed(value[None], curves.days, records.trial.reach_cm)[0]
        reach = _reach(varieties, point, crossing if supported else None, planted)
    why = "" if supported else why_not or "there is only one variety with heights"
    return HeightResult(
        "height", f"height on {dates[-1]:%-d %B}", "cm", "difference",
        means.join(behind(data, varieties)), compared.against_check, compared.pairs,
        compared.letters, supported, why, method, notes, curve, growth,
        data[["variety", "date", "plant", "height_cm"]], reach, curves, crossing,
    )


def first_passed(curves: np.ndarray, days: np.ndarray, reach: float) -> np.ndarray:
    """First day each curve (n, v, d) is above reach, straight between days; inf: never."""
    above = curves > reach
    at = above.argmax(axis=2)
    ever = above.any(axis=2)
    before = np.maximum(at - 1, 0)
    y1 = np.take_along_axis(curves, at[:, :, None], 2)[:, :, 0]
    y0 = np.take_along_axis(curves, before[:, :, None], 2)[:, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(at > 0, (reach - y0) / (y1 - y0), 0.0)
    day = days[before] + share * (days[at] - days[before])
    return np.where(ever, day, np.inf)


def _reach(
    varieties: list[str], point: np.ndarray, draws: np.ndarray | None, planted: pd.Timestamp
) -> pd.DataFrame:
    low = high = np.full(len(varieties), np.nan)
    never = np.full(len(varieties), np.nan)
    if draws is not None:
        low, high = np.quantile(draws, [0.025, 0.975], axis=0, method="nearest")
        never = np.isinf(draws).mean(axis=0)

    def dated(day: np.ndarray) -> pd.Series:
        some = np.where(np.isfinite(day), day, 0.0)
        dates = pd.Series(planted + pd.to_timedelta(np.round(some), unit="D"))
        return dates.where(np.isfinite(day))

    return pd.DataFrame({"variety": varieties, "date": dated(point), "low": dated(low),
                         "high": dated(high), "day": point, "day_low": low, "day_high": high,
                         "never": never})
