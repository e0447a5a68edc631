"""Small invented seasons as records, for the trait models and the verdict."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.records import Records
from trialkit.trial import Layout, Trial, Variety

PLANTED = date(2025, 5, 24)
NO_DOUBTS = pd.DataFrame(columns=["file", "line", "column", "value", "doubt"])


def day(n: float) -> pd.Timestamp:
    """The nth day from planting."""
    return pd.Timestamp(PLANTED) + pd.Timedelta(days=n)


def bed(varieties, blocks=4, plants=3) -> pd.DataFrame:
    """Every variety in every block, one plot each; a block is a row."""
    rows = []
    for b in range(1, blocks + 1):
        turned = [varieties[(i + b) % len(varieties)] for i in range(len(varieties))]
        for p, variety in enumerate(turned):
            for k in range(plants):
                column = p * plants + k + 1
                rows.append((f"{b}-{column}", variety, f"{b}", f"{b}{p}", b, column))
    frame = pd.DataFrame(rows, columns=["plant", "variety", "block", "plot", "row", "column"])
    return frame.assign(treatment=pd.NA, lost=pd.NaT, lost_reason=pd.NA).astype(
        {"row": float, "column": float, "lost": "datetime64[ns]"})


def records(plants, picks=None, heights=None, harvest=None, *, check="A", looks=None, reach=None,
            threshold=None, events=None, doubts=None, weather=None, design=None,
            bears="top") -> Records:
    """Records of a trial whose varieties are those of the plants, in order of appearance."""
    names = list(dict.fromkeys(plants["variety"]))
    trial = Trial(
        "Test", "a garden", "bean", PLANTED,
        tuple(Variety(n, n == check) for n in names), reach_cm=reach, looks=looks,
        threshold_per_week=threshold, bears=bears,
        layout=Layout(design=design, plant_spacing_cm=25.0, row_spacing_cm=100.0), invented=True,
    )
    return Records(
        Path("."), trial, plants,
        _frame(picks, {"date": "datetime64[ns]", "plant": object, "count": float,
                       "weight_g": float}),
        _frame(heights, {"date": "datetime64[ns]", "plant": object, "height_cm": float}),
        _frame(weather, {"date": "datetime64[ns]", "low_c": float, "high_c": float}),
        _frame(events, {"date": "datetime64[ns]", "plant": object, "plot": object,
                        "event": object, "note": object}),
        _frame(harvest, {"date": "datetime64[ns]", "plant": object, "weight_g": float,
                         "count": float, "grade": object}),
        doubts if doubts is not None else NO_DOUBTS, "0" * 16, (),
        queried={} if doubts is None else {"picks": tuple(int(at) - 2 for at in doubts["line"])},
    )


def _frame(frame, kinds) -> pd.DataFrame:
    if frame is None:
        frame = pd.DataFrame({name: [] for name in kinds})
    return frame.reindex(columns=list(kinds)).astype(kinds)


def picked(plants, rates, days, seed=1, plot_sd=0.1, plant_sd=0.2, size=5.0) -> pd.DataFrame:
    """Counts at each of `days` from planting: negative binomial about rate x gap x effects."""
    rng = np.random.default_rng(seed)
    plots = {p: rng.normal(0, plot_sd) for p in plants["plot"].unique()}
    own = {p: rng.normal(0, plant_sd) for p in plants["plant"]}
    rows = []
    gaps = np.diff([days[0] - (days[1] - days[0] if len(days) > 1 else 3), *days])
    for gap, when in zip(gaps, days, strict=True):
        shared = rng.normal(0, 0.2)
        for row in plants.itertuples(index=False):
            mean = rates[row.variety] * gap * np.exp(plots[row.plot] + own[row.plant] + shared)
            count = rng.poisson(rng.gamma(size, mean / size)) if mean > 0 else 0
            rows.append((day(when), row.plant, float(count), np.nan))
    return pd.DataFrame(rows, columns=["date", "plant", "count", "weight_g"])


def grown(plants, final, days, seed=1, plot_sd=4.0, plant_sd=8.0, noise=2.0, half=45.0,
          speed=10.0) -> pd.DataFrame:
    """Heights on a logistic curve; the final height varies by plot and by plant."""
    rng = np.random.default_rng(seed)
    plots = {p: rng.normal(0, plot_sd) for p in plants["plot"].unique()}
    own = {p: rng.normal(0, plant_sd) for p in plants["plant"]}
    rows = []
    for when in days:
        share = 1 / (1 + np.exp(-(when - half) / speed))
        for row in plants.itertuples(index=False):
            top = final[row.variety] + plots[row.plot] + own[row.plant]
            rows.append((day(when), row.plant, top * share + rng.normal(0, noise)))
    return pd.DataFrame(rows, columns=["date", "plant", "height_cm"])
