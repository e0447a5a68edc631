"""Records of an invented bean trial, drawn from values that are known.

    frames = simulate_trial(seed=7, blocks=6, plot_sd=0.05)
    frames["picks"], frames["truth"]

A pick gathers what came since the plant was last looked at, so that after a blank the next pick
holds more days.  Plots, plants, blocks and dates multiply the rate by log-normal factors of mean
one; the counts are negative binomial about that (variance = mean + mean^2 / dispersion).  Final
heights differ from plot to plot and plant to plant by amounts of mean zero, so that a variety's
own curve is the mean of its plants.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from invented_season import Season, daily_rates, truth_of

CAUSES = (
    (11, "slugs"),
    (17, "cut off by a cutworm"),
    (38, "foot rot"),
    (64, "wilted, root eaten"),
    (92, "snapped in the storm"),
)
STORM_DAY = 92


def simulate_trial(seed: int, **settings: Any) -> dict[str, Any]:
    """One season as frames of the input files, and the truth behind them.

    settings : fields of `Season`.  Returns plants, picks, heights, weather, events (DataFrames),
    truth (a dict that JSON can hold) and season.  Raises TypeError for an unknown setting.
    """
    season = Season(**settings)
    # RandomState, since numpy promises that its stream never changes: the files must not.
    chance = np.random.RandomState(seed)  # noqa: NPY002
    plants, lost_day = _bed(season, chance)
    picks, blanks = _picks(season, chance, plants, lost_day)
    heights = _heights(season, chance, plants, lost_day)
    weather = _weather(season, chance)
    events = _events(season, plants)
    return {
        "season": season,
        "plants": plants,
        "picks": picks,
        "heights": heights,
        "weather": weather,
        "events": events,
        "truth": {"seed": seed, **truth_of(season), "blank_cells": blanks},
    }


def _bed(season: Season, chance: Any) -> tuple[pd.DataFrame, npt.NDArray[np.float64]]:
    """Plants in bed order; one row of the bed is a block, its plots drawn by lot."""
    names = list(season.varieties)
    rows = []
    for block in range(1, season.blocks + 1):
        for place, k in enumerate(chance.permutation(len(names))):
            for n in range(season.plants_per_plot):
                column = place * season.plants_per_plot + n + 1
                plot = f"{block}{chr(ord('A') + place)}"
                rows.append((f"R{block}-{column:02d}", names[k], block, plot, block, column))
    plants = pd.DataFrame(rows, columns=["plant", "variety", "block", "plot", "row", "column"])
    day = np.full(len(plants), np.inf)
    reason = np.full(len(plants), "", dtype=object)
    for name, variety in season.varieties.items():
        own = np.flatnonzero(plants["variety"] == name)
        causes = chance.randint(len(CAUSES), size=variety.lost)
        for i, c in zip(chance.permutation(own)[: variety.lost], causes, strict=False):
            day[i], reason[i] = CAUSES[c]
    plants["lost"] = season.dated(np.where(np.isinf(day), 0, day)).where(np.isfinite(day))
    plants["lost_reason"] = reason
    return plants, day


def _factors(chance: Any, sd: float, size: int) -> npt.NDArray[np.float64]:
    """Log-normal factors of mean one."""
    factors: npt.NDArray[np.float64] = np.exp(chance.normal(-(sd**2) / 2, sd, size))
    return factors


def _picks(
    season: Season, chance: Any, plants: pd.DataFrame, lost_day: npt.NDArray[np.float64]
) -> tuple[pd.DataFrame, int]:
    """The picks, blanks among them, and how many blanks."""
    variety = plants["variety"].to_numpy()
    plot = plants["plot"].factorize()[0]
    block = plants["block"].to_numpy() - 1
    edge = season.shaded_columns - plants["column"].to_numpy()
    factor = (
        _factors(chance, season.plot_sd, plot.max() + 1)[plot]
        * _factors(chance, season.plant_sd, len(plants))
        * _factors(chance, season.block_sd, season.blocks)[block]
        * np.exp(-season.shade / (1 + np.exp(-edge / 0.7)))
    )
    so_far = {name: np.cumsum(rate) for name, rate in daily_rates(season).items()}
    pod_g = plants["variety"].map({n: v.pod_g for n, v in season.varieties.items()}).to_numpy()
    looked = np.full(len(plants), season.first_pick - 4)
    of_date = _factors(chance, season.date_sd, season.picks)
    out, blanks = [], 0
    for i, day in enumerate(season.pick_days):
        there = lost_day > day
        skipped = chance.random_sample(len(plants)) < season.blank_share
        if i + 1 in season.rained_off:
            skipped[-2 * season.plants_per_plot - 2 :] = True
        ready = np.array(
            [so_far[v][day] - so_far[v][d] for v, d in zip(variety, looked, strict=True)]
        )
        mean = np.maximum(ready * factor * of_date[i], 1e-9)
        count = chance.poisson(chance.gamma(season.dispersion, mean / season.dispersion))
        grams = np.rint(count * pod_g * np.exp(chance.normal(0, 0.08, len(plants))))
        pick = pd.DataFrame(
            {"plant": plants["plant"], "count": count.astype(float), "weight": grams}
        )
        if (i + 1) % season.weighed_every:
            pick["weight"] = np.nan
        pick.loc[skipped, ["count", "weight"]] = np.nan
        pick.insert(0, "date", season.dated(np.full(len(plants), day)))
        out.append(pick[there])
        blanks += int((skipped & there).sum())
        looked = np.where(skipped, looked, day)
    picks = pd.concat(out, ignore_index=True)
    return picks.astype({"count": "Int64", "weight": "Int64"}), blanks


def _heights(
    season: Season, chance: Any, plants: pd.DataFrame, lost_day: npt.NDArray[np.float64]
) -> pd.DataFrame:
    plot = plants["plot"].factorize()[0]
    more = chance.normal(0, season.plot_height_sd, plot.max() + 1)[plot]
    more = more + chance.normal(0, season.plant_height_sd, len(plants))
    kinds = [season.varieties[v] for v in plants["variety"]]
    topped = _topped_plot(season, plants)
    out = []
    for day in season.height_days:
        tall = np.array(
            [v.height_on(day) * (1 + m / v.height) for v, m in zip(kinds, more, strict=True)]
        )
        tall = np.maximum(tall + chance.normal(0, 1, len(plants)) * (0.5 + 0.01 * tall), 2.0)
        if topped and season.topped and day >= season.topped[1]:
            cut = (plants["plot"] == topped).to_numpy()
            tall[cut] = np.minimum(tall[cut], season.topped[2] + chance.normal(0, 2.0, cut.sum()))
        there = lost_day > day
        rows = pd.DataFrame({"plant": plants["plant"], "height": np.rint(tall).astype(int)})
        rows.insert(0, "date", season.dated(np.full(len(plants), day)))
        out.append(rows[there])
    heights: pd.DataFrame = pd.concat(out, ignore_index=True)
    return heights


def _topped_plot(season: Season, plants: pd.DataFrame) -> str | None:
    if season.topped is None or season.topped[0] not in season.varieties:
        return None
    own = plants.loc[plants["variety"] == season.topped[0], "plot"].unique()
    return str(own[min(1, len(own) - 1)])


def _weather(season: Season, chance: Any) -> pd.DataFrame:
    """A cool summer: lowest and highest of each day, degrees Celsius, with one hot spell."""
    days = np.arange(season.pick_days[-1] + 1)
    swing = np.zeros(len(days))
    for i, push in enumerate(chance.normal(0, 1.4, len(days))):
        swing[i] = 0.65 * swing[max(i - 1, 0)] + push
    season_curve = 17.0 + 2.5 * np.sin((days - 20) / 115 * np.pi)
    into = days - season.hot_day
    heat = np.where((into >= 0) & (into < season.hot_days), 10.5, 0.0)
    heat = heat + np.where((into == -1) | (into == season.hot_days), 5.0, 0.0)
    high = season_curve + swing + heat
    low = high - 7.5 - np.abs(chance.normal(0, 1.5, len(days))) - 0.25 * heat
    return pd.DataFrame({"date": season.dated(days), "low": low.round(1), "high": high.round(1)})


def _events(season: Season, plants: pd.DataFrame) -> pd.DataFrame:
    last = season.pick_days[-1]
    rows: list[tuple[int, str, str, str]] = [
        (33, "", "fed", "one can of comfrey feed a plot"),
        (season.hot_day + 1, "", "watered", "every plot alike, each evening of the hot spell"),
        (STORM_DAY, "", "storm", "gusts all night; canes tied again in the morning"),
    ]
    for pick in season.rained_off:
        if pick <= season.picks:
            day = int(season.pick_days[pick - 1])
            rows.append((day, "", "rain", "stopped picking; the end of the last row not looked at"))
    plot = _topped_plot(season, plants)
    if plot and season.topped:
        note = f"at {season.topped[2]:.0f} cm, the canes were bending"
        rows.append((season.topped[1], plot, "topped", note))
    rows = sorted(r for r in rows if r[0] <= last)
    events = pd.DataFrame(rows, columns=["date", "plot", "event", "note"])
    events["date"] = season.dated(events["date"])
    events.insert(1, "plant", "")
    return events
