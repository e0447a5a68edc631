"""The season's yield: of a plant that lived, and of a metre of row with its losses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.models.pods import PodsResult, rate_means
from trialkit.models.results import MethodNote, TraitResult, empty

if TYPE_CHECKING:
    from trialkit.records import Records


@dataclass(frozen=True)
class SeasonResult(TraitResult):
    """`means`: pods a plant that stood the whole season.  `metre`: variety, estimate, low, high,
    pods a metre of row as planted, losses included (NaN without a plant spacing).  `per_planted`:
    the same a plant set out.  `days` of the season so far.  `curve`: variety, date, estimate,
    low, high, pods a living plant so far."""

    metre: pd.DataFrame = field(default_factory=pd.DataFrame)
    per_planted: pd.DataFrame = field(default_factory=pd.DataFrame)
    metre_ratio: pd.DataFrame = field(default_factory=pd.DataFrame)
    curve: pd.DataFrame = field(default_factory=pd.DataFrame)
    days: float = float("nan")


def season_trait(records: Records, pods: PodsResult, check: str | None, counted: str
                 ) -> SeasonResult:
    """Rates times the days of the season.

    A plant not looked at on some date still had its pods: the rate covers those days, so a
    missed pick counts neither as zero nor twice.  Losses enter the metre of row only, as the
    share of plant-days that were lived.  The ratios are those of the rates.
    """
    looks = pods.looks
    days = season_days(looks)
    varieties = list(pods.varieties)
    means = rate_means(varieties, pods.log_rate, pods.covariance, pods.df, days)
    behind = pods.means.set_index("variety").loc[varieties, ["plots", "plants", "records"]]
    means = means.join(behind.reset_index(drop=True))
    lived = lived_share(records, looks, varieties)
    planted = means[["variety", "estimate", "low", "high"]].copy()
    planted[["estimate", "low", "high"]] = planted[["estimate", "low", "high"]].mul(
        lived.to_numpy(), axis=0)
    spacing = records.trial.layout.plant_spacing_cm
    a_metre = 100.0 / spacing if spacing else np.nan
    metre = planted.copy()
    metre[["estimate", "low", "high"]] = planted[["estimate", "low", "high"]] * a_metre
    method = MethodNote(
        f"{counted} a day times the {days:.0f} days picked so far. A living plant: one that stood "
        "to the end. A metre of row: as planted, so that lost plants count as losses.",
        "Season total = modelled rate x days from the usual interval before the first pick to "
        "the last pick. Metre of row = that x share of plant-days lived x plants a metre; its "
        "interval holds the losses as they were (the stand has its own comparison).",
        pods.method.formula, pods.method.groups, pods.method.df_method,
        {"days": days, **{f"lived {v}": float(lived[v]) for v in varieties}},
    )
    return SeasonResult(
        "season", f"{counted} a living plant, season so far", f"{counted} a plant", "ratio", means,
        pods.against_check, pods.pairs, pods.letters, pods.supported, pods.why_not, method, (),
        metre, planted,
        _with_losses(pods.against_check, lived, check), total_curve(pods), days,
    )


def season_days(looks: pd.DataFrame) -> float:
    """Days the picks cover: first to last look, and the usual interval before the first."""
    first = looks.loc[looks["first"], "days"]
    before = float(first.median()) if len(first) else 0.0
    return float((looks["date"].max() - looks["date"].min()).days) + before


def lived_share(records: Records, looks: pd.DataFrame, varieties: list[str]) -> pd.Series:
    """Share of the season's plant-days that the plants set out were alive, by variety."""
    plants = records.plants.drop_duplicates("plant")
    end = looks["date"].max()
    start = looks["date"].min() - pd.Timedelta(days=float(looks["days"].median()))
    whole = (end - start).days
    alive = (plants["lost"].fillna(end).clip(start, end) - start).dt.days / max(whole, 1)
    by_variety: pd.Series = alive.groupby(plants["variety"]).mean().reindex(varieties)
    return by_variety


def total_curve(pods: PodsResult) -> pd.DataFrame:
    """Pods a living plant so far, at each pick: variety, date, estimate, low, high.

    Each step is the variety's pods over its plant-days since the last pick times the days; a
    plant not looked at stands out of both.  The band is the season's relative uncertainty of the
    variety at its last point, narrowing to none at the first: it belongs to the total.
    """
    looks = pods.looks
    if looks.empty or not pods.varieties:
        return empty(["variety", "date", "estimate", "low", "high"])
    looks = looks[looks["variety"].isin(pods.varieties)]
    every = np.sort(looks["date"].unique())
    cells = looks.groupby(["variety", "date"])[["pods", "days"]].sum()
    pace = (cells["pods"] / cells["days"]).unstack("variety").reindex(every)
    gaps = pd.Series(pd.to_datetime(every)).diff().dt.days.to_numpy(float, copy=True)
    gaps[0] = float(looks["days"].median())
    total = pace.interpolate(limit_direction="both").mul(gaps, axis=0).cumsum()
    end = season_days(looks)
    half = _half(pods)
    rows = []
    for variety, level in zip(pods.varieties, pods.log_rate, strict=True):
        part = total[variety]
        part = part * (np.exp(level) * end / part.iloc[-1]) if part.iloc[-1] > 0 else part
        rows.append(pd.DataFrame({
            "variety": variety, "date": every, "estimate": part.to_numpy(),
            "low": part.to_numpy() * np.exp(-half[variety]),
            "high": part.to_numpy() * np.exp(half[variety]),
        }))
    return pd.concat(rows, ignore_index=True)


def _half(pods: PodsResult) -> dict[str, float]:
    rows = pods.means.set_index("variety")
    half = np.log(rows["high"].astype(float) / rows["estimate"].astype(float))
    return {v: float(half[v]) for v in pods.varieties}


def _with_losses(against: pd.DataFrame, lived: pd.Series, check: str | None) -> pd.DataFrame:
    """Ratios a metre of row: those of a living plant times the ratio of the shares lived."""
    if check is None or against.empty:
        return against.copy()
    factor = against["variety"].map(lived / lived[check]).astype(float)
    out = against.copy()
    out[["estimate", "low", "high"]] = out[["estimate", "low", "high"]].mul(factor, axis=0)
    return out.assign(p=np.nan)
