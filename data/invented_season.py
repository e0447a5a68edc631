"""What is true of an invented season: the varieties, the bed, the weather and how much varies.

Each variety has a daily rate of pods a plant: it climbs from the day the first pods are ready,
dips after a hot spell, and fades in autumn.  Height is a logistic curve.  `invented_records`
draws the records of a trial from these values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd


@dataclass(frozen=True)
class Variety:
    """What is true of one variety.

    ratio : pods over the season, divided by the check's.
    height : final height of the average plant, cm.
    half_day, speed : day from planting at which it has half of that; days for the logistic curve.
    first_day : day at which pods begin to be ready.
    dip : share of the rate lost at the worst of the slump.
    pod_g : weight of a pod, g.
    lost : plants lost over the season.
    """

    ratio: float
    height: float
    half_day: float = 50.0
    speed: float = 11.0
    first_day: float = 51.0
    dip: float = 0.60
    pod_g: float = 9.0
    lost: int = 1
    note: str = ""

    def height_on(self, day: npt.ArrayLike) -> Any:
        """Height of the average plant, cm, on a day from planting."""
        return self.height / (1 + np.exp(-(np.asarray(day, float) - self.half_day) / self.speed))

    def day_at(self, height: float) -> float | None:
        """Day from planting at which the average plant passes a height; None if it never does."""
        if self.height <= height:
            return None
        return float(self.half_day - self.speed * np.log(self.height / height - 1))


VARIETIES: Mapping[str, Variety] = {
    "Tallow Lane": Variety(1.0, 250, 52, 11, 51, pod_g=9.0, note="what most plots here grow"),
    "Quarterbell": Variety(1.6, 196, 47, 10, 51, pod_g=8.0, lost=0),
    "Ostlerine": Variety(1.2, 285, 50, 11, 52, pod_g=10.5),
    "Dunmirren": Variety(1.0, 236, 54, 11, 52, dip=0.25, pod_g=9.5),
    "Thimblerow": Variety(0.7, 150, 45, 10, 49, pod_g=7.0, lost=2),
}
"""The first is the check."""


@dataclass(frozen=True)
class Season:
    """The settings of a season; every one may be given to `simulate_trial` by name."""

    varieties: Mapping[str, Variety] = field(default_factory=lambda: dict(VARIETIES))
    blocks: int = 4
    plants_per_plot: int = 6
    planted: date = date(2025, 5, 24)
    reach: float = 210.0
    first_pick: int = 49
    picks: int = 20
    pods_per_pick: float = 2.5
    """Of the check, averaged over the season."""
    dispersion: float = 5.0
    plot_sd: float = 0.10
    plant_sd: float = 0.22
    block_sd: float = 0.12
    date_sd: float = 0.12
    plot_height_sd: float = 5.0
    plant_height_sd: float = 12.0
    fade_day: float = 107.0
    hot_day: int = 77
    hot_days: int = 7
    shade: float = 0.30
    """Loss on the log scale at the shaded end of every row."""
    shaded_columns: float = 5.5
    blank_share: float = 0.006
    rained_off: tuple[int, ...] = (8,)
    """Picks that rain stopped before the end of the last row."""
    weighed_every: int = 4
    topped: tuple[str, int, float] | None = ("Ostlerine", 85, 240.0)
    """One plot of this variety was topped on this day at this height, cm."""

    @property
    def pick_days(self) -> npt.NDArray[np.int_]:
        """Days from planting: every four and three days in turn."""
        gaps = np.resize([4, 3], max(self.picks - 1, 0))
        return self.first_pick + np.concatenate([[0], np.cumsum(gaps)]).astype(int)

    @property
    def height_days(self) -> npt.NDArray[np.int_]:
        return np.arange(14, int(self.pick_days[-1]) + 1, 7)

    @property
    def slump(self) -> tuple[int, int, int, int]:
        """Days: the rate begins to fall, is lowest from, to, has recovered."""
        end = self.hot_day + self.hot_days
        return self.hot_day + 4, self.hot_day + 7, end + 7, end + 13

    def dated(self, days: npt.ArrayLike) -> pd.Series:
        return pd.Series(pd.Timestamp(self.planted) + pd.to_timedelta(np.asarray(days), unit="D"))


def daily_rates(season: Season) -> dict[str, npt.NDArray[np.float64]]:
    """Pods ready on each day from planting, of the average unshaded plant, by variety.

    Scaled so that the sums over the picked days stand exactly in the varieties' ratios.
    """
    days = np.arange(season.pick_days[-1] + 1)
    picked = days > season.first_pick - 4
    total = season.pods_per_pick * season.picks
    rates = {}
    for name, variety in season.varieties.items():
        climb = 1 / (1 + np.exp(-(days - variety.first_day) / 2.5))
        fade = 1 / (1 + np.exp((days - season.fade_day) / 6.0))
        trough = np.interp(days, season.slump, [0, 1, 1, 0])
        shape = np.where(picked, climb * fade * (1 - variety.dip * trough), 0.0)
        rates[name] = total * variety.ratio * shape / shape.sum()
    return rates


def truth_of(season: Season) -> dict[str, Any]:
    """What is true behind the records, as JSON can hold it; lengths in cm, days from planting."""
    rates = daily_rates(season)
    check = next(iter(season.varieties))
    day = {d: season.dated([d])[0].date().isoformat() for d in (season.hot_day, *season.slump)}
    fall, lowest, lowest_to, recovered = season.slump
    last_measured = int(season.height_days[-1])
    varieties = {}
    for name, variety in season.varieties.items():
        out_of_reach = variety.day_at(season.reach)
        window = [season.first_pick - 4, *season.pick_days]
        kept = [d for d in window[1:] if out_of_reach is None or d <= out_of_reach]
        within = float(rates[name][: kept[-1] + 1].sum()) if kept else 0.0
        varieties[name] = {
            "ratio_to_check": variety.ratio / season.varieties[check].ratio,
            "pods_a_plant_season": round(float(rates[name].sum()), 3),
            "pods_a_plant_within_reach": round(within, 3),
            "final_height_cm": variety.height,
            "height_last_measured_cm": round(float(variety.height_on(last_measured)), 2),
            "out_of_reach_day": None if out_of_reach is None else round(out_of_reach, 2),
            "slump_share_lost": variety.dip,
            "plants_lost": variety.lost,
        }
    return {
        "invented": True,
        "check": check,
        "planted": season.planted.isoformat(),
        "reach_cm": season.reach,
        "varieties": varieties,
        "slump": {
            "hot_from": day[season.hot_day],
            "hot_days": season.hot_days,
            "falls_from": day[fall],
            "lowest_from": day[lowest],
            "lowest_to": day[lowest_to],
            "recovered": day[recovered],
        },
        "log_sd": {
            "plot": season.plot_sd,
            "plant": season.plant_sd,
            "block": season.block_sd,
            "date": season.date_sd,
        },
        "dispersion": season.dispersion,
        "height_sd_cm": {"plot": season.plot_height_sd, "plant": season.plant_height_sd},
        "shade": {
            "share_lost": round(1 - float(np.exp(-season.shade)), 3),
            "columns": f"1 to {int(season.shaded_columns)}",
        },
    }
