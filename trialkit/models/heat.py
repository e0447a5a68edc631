"""Warmth and heat: growing degree days, and hot spells.

Growing degree days by the averaging formula (McMaster & Wilhelm 1997, Growing degree-days: one
equation, two interpretations, Agricultural and Forest Meteorology 87:291-300):

    GDD = (T_max + T_min) / 2 - T_base, never below 0.

Their Method 1 compares the day's mean with the base; Method 2 first raises a minimum (or
maximum) below the base to the base. Method 2 is the default here. With a cap, Method 1 lowers a
mean above the cap to the cap, Method 2 a maximum (or minimum) above it. The two can differ a
lot, so the method is always stated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

BASE_C, CAP_C = 10.0, 30.0
"""Base 10 and cap 30 degrees Celsius: the 50 and 86 degrees Fahrenheit of the "86/50 method" for
maize, in use for other warm-season crops too (Ohio State University Extension 2023, after the
Ohio Agronomy Guide; Iowa State University, Agronomy 541, lesson 2b)."""

LEAST_HOT_C, HOT_SHARE, HOT_DAYS = 30.0, 0.9, 3
"""A hot day has a high of at least 30 degrees Celsius and is among the hottest tenth of the days
on record: heat that is hard on most vegetables in flower (30 degrees: common practice, no source)
and unusual for the place (90th percentile as in the climate index TX90p, which however takes it
from 30 reference years, and here the season's own days must do). A hot spell is three such days
running or more, as in weather services' usual definitions of a heat wave."""

BRIDGE_DAYS = 2
"""Gaps of up to this many days in the weather are bridged by a straight line for the degree-day
sum, and counted; a longer gap ends the sum. Own choice."""


def growing_degree_days(
    low_c: ArrayLike,
    high_c: ArrayLike,
    base_c: float = BASE_C,
    cap_c: float | None = CAP_C,
    method: int = 2,
) -> NDArray[np.float64]:
    """Growing degree days of each day, in degree-days Celsius; NaN where a reading is missing.

    low_c, high_c: daily minimum and maximum, shape (n,). method: 1 or 2, see the module.
    Raises ValueError for another method, a cap below the base, or a low above its high.
    """
    low, high = np.asarray(low_c, dtype=float), np.asarray(high_c, dtype=float)
    top = np.inf if cap_c is None else cap_c
    if method not in (1, 2):
        raise ValueError("method must be 1 or 2")
    if top <= base_c:
        raise ValueError("the cap must lie above the base")
    if np.any(low > high):
        raise ValueError("a day's low lies above its high")
    if method == 1:
        return np.asarray(np.clip((low + high) / 2.0, base_c, top) - base_c)
    return np.asarray((np.clip(low, base_c, top) + np.clip(high, base_c, top)) / 2.0 - base_c)


@dataclass(frozen=True)
class Warmth:
    """days: DataFrame[date, gdd, total, bridged], one row a day from the start on.

    total: sum so far (NaN after a gap too long to bridge). bridged: days filled in; missing:
    days left without a value. base_c, cap_c, method: as used. plain: how it was worked out.
    """

    days: pd.DataFrame
    bridged: int
    missing: int
    base_c: float
    cap_c: float | None
    method: int
    plain: str

    def on(self, date: object) -> float:
        """Degree days summed up to and including a date; NaN outside the record."""
        row = self.days[self.days["date"] == pd.Timestamp(str(date))]
        return float(row["total"].iloc[0]) if len(row) else float("nan")


def warmth(
    weather: pd.DataFrame,
    start: object,
    base_c: float = BASE_C,
    cap_c: float | None = CAP_C,
    method: int = 2,
) -> Warmth | None:
    """Degree days summed from `start` (the planting day); None without weather from then on.

    weather: date, low_c, high_c, in any order; the last of several rows for a day counts.
    """
    first = pd.Timestamp(str(start))
    seen = weather.dropna(subset=["date"]).drop_duplicates("date", keep="last").set_index("date")
    seen = seen.sort_index()[["low_c", "high_c"]].astype(float)
    seen = seen[seen.index >= first]
    if seen.dropna().empty:
        return None
    every = seen.reindex(pd.date_range(first, seen.index.max(), freq="D"))
    filled = every.apply(_bridge)
    gdd = growing_degree_days(filled["low_c"], filled["high_c"], base_c, cap_c, method)
    bridged = every.isna().any(axis=1).to_numpy() & ~np.isnan(gdd)
    days = pd.DataFrame(
        {"date": every.index, "gdd": gdd, "total": np.cumsum(gdd), "bridged": bridged}
    )
    cap = "" if cap_c is None else f", highs above {cap_c:g} counted as {cap_c:g}"
    plain = (
        f"Growing degree days: mean of the day's high and low less {base_c:g} degrees Celsius"
        f"{cap} (McMaster & Wilhelm 1997, method {method})."
    )
    missing = int(np.isnan(gdd).sum())
    return Warmth(days, int(bridged.sum()), missing, base_c, cap_c, method, plain)


def hot_from(weather: pd.DataFrame) -> float:
    """The high from which a day counts as hot here, in degrees Celsius; see LEAST_HOT_C."""
    highs = weather["high_c"].dropna()
    return max(LEAST_HOT_C, float(highs.quantile(HOT_SHARE))) if len(highs) else LEAST_HOT_C


def hot_spells(
    weather: pd.DataFrame, hot_c: float | None = None, days: int = HOT_DAYS
) -> tuple[tuple[pd.Timestamp, pd.Timestamp], ...]:
    """First and last day of each run of at least `days` days with a high of `hot_c` or more.

    weather: date, high_c. hot_c: degrees Celsius; default `hot_from(weather)`. A day without a
    reading ends a run: nothing is made up. Raises ValueError for days < 1.
    """
    if days < 1:
        raise ValueError("a spell takes at least one day")
    seen = weather.dropna(subset=["date", "high_c"]).drop_duplicates("date", keep="last")
    threshold = hot_from(seen) if hot_c is None else hot_c
    hot = seen.loc[seen["high_c"] >= threshold, "date"].sort_values()
    if hot.empty:
        return ()
    run = (hot.diff() != pd.Timedelta(days=1)).cumsum()
    spells = hot.groupby(run).agg(["min", "max", "size"])
    return tuple(
        (pd.Timestamp(one["min"]), pd.Timestamp(one["max"]))
        for _, one in spells.iterrows()
        if one["size"] >= days
    )


def _bridge(readings: pd.Series) -> pd.Series:
    """Gaps of at most BRIDGE_DAYS filled by a straight line between the days around them."""
    gap = readings.isna()
    length = gap.groupby((~gap).cumsum()).transform("sum")
    line = readings.interpolate(limit_area="inside")
    return readings.where(~gap | (length > BRIDGE_DAYS), line)
