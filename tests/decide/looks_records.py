"""Seasons as records, for the study of looks through the report's own route.

A season is plants x picks: a randomised complete block trial, a negative binomial count of each
plant at each pick, about rate x days x exp(block + plot + plant + date + plot at that pick).
Standard deviations are on the log scale; losses and missed looks on demand.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.decide.looks import Look
from trialkit.decide.series import LEAST_SHARE, plot_total_looks
from trialkit.models.analysis import Analysis, analyse
from trialkit.models.pods import prepared
from trialkit.models.support import Support

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))

from seasons import bed, day, records  # noqa: E402

LOOKS = 20
DAYS = [50 + int(3.5 * k) for k in range(LOOKS)]


@dataclass(frozen=True)
class Bed:
    """One kind of trial. Variety A is the check; the last one gives `ratio` times as much.

    size: of the negative binomial; rate: pods a plant a day; lost: share of plants lost on some
    day of the season; missed: share of looks at a plant that were missed.
    """

    blocks: int
    varieties: int
    plot_sd: float
    ratio: float = 1.0
    plants: int = 4
    plant_sd: float = 0.2
    block_sd: float = 0.2
    date_sd: float = 0.2
    pick_sd: float = 0.1
    size: float = 5.0
    rate: float = 0.8
    lost: float = 0.0
    missed: float = 0.0

    @property
    def names(self) -> str:
        return "ABCDEFGHIJ"[: self.varieties]


@lru_cache
def layout(blocks: int, varieties: str, plants: int) -> Support:
    """What the layout supports: the same in every season."""
    return analyse(records(bed(varieties, blocks=blocks, plants=plants))).ground


def counts(kind: Bed, plants: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Pods of every plant at every pick, shape (looks, plants)."""
    plot, block = (pd.factorize(plants[name])[0] for name in ("plot", "block"))
    n = len(plants)
    level = rng.normal(0.0, kind.plot_sd, plot.max() + 1)[plot]
    level = level + rng.normal(0.0, kind.block_sd, block.max() + 1)[block]
    level = level + rng.normal(0.0, kind.plant_sd, n)
    level = level + np.log(kind.ratio) * (plants["variety"] == kind.names[-1]).to_numpy()
    level = level + rng.normal(0.0, kind.date_sd, (LOOKS, 1))
    level = level + rng.normal(0.0, kind.pick_sd, (LOOKS, plot.max() + 1))[:, plot]
    gap = np.diff([DAYS[0] - 3, *DAYS])[:, None]
    mean = kind.rate * gap * np.exp(level)
    return rng.poisson(rng.gamma(kind.size, mean / kind.size)).astype(float)


def season(kind: Bed, rng: np.random.Generator) -> Analysis:
    """One whole season as an analysis of its records, with 20 planned looks."""
    plants = bed(kind.names, blocks=kind.blocks, plants=kind.plants)
    count, n = counts(kind, plants, rng), len(plants)
    gone = np.where(rng.random(n) < kind.lost, rng.integers(0, LOOKS, n), LOOKS)
    there = (np.arange(LOOKS)[:, None] < gone) & (rng.random(count.shape) >= kind.missed)
    picks = pd.DataFrame({
        "date": np.repeat([day(d) for d in DAYS], n),
        "plant": np.tile(plants["plant"].to_numpy(), LOOKS),
        "count": np.where(there, count, np.nan).ravel(),
        "weight_g": np.nan,
    })
    plants.loc[gone < LOOKS, "lost"] = [day(DAYS[k]) for k in gone[gone < LOOKS]]
    whole = analyse(records(plants, picks, looks=LOOKS))
    whole.__dict__["ground"] = layout(kind.blocks, kind.names, kind.plants)
    return whole


def until(whole: Analysis, look: int) -> Analysis:
    """The same season as it stood after a look."""
    kept = whole.records
    picks = kept.picks[kept.picks["date"] <= day(DAYS[look - 1])]
    part = analyse(records(kept.plants, picks, looks=LOOKS))
    part.__dict__["ground"] = whole.ground
    return part


def plot_looks(whole: Analysis) -> dict[tuple[str, str], list[Look]]:
    """The looks that decide, as `looks_so_far` makes them, without the fit they do not need."""
    data = prepared(whole.looks, whole.ground)
    return plot_total_looks(data, whole.order, whole.check)


def looks_of_whole_seasons(
    kind: Bed, rngs: Sequence[np.random.Generator]
) -> tuple[np.ndarray, np.ndarray]:
    """estimate and se of the looks that decide, (seasons, looks, varieties - 1) each.

    The short way to what `plot_looks` gives of seasons without a missed look or a lost plant:
    all plots then have the same expected pods, which drop out of contrasts, and least squares is
    the analysis of variance of the block layout. test_route.py sets it beside the long way.
    """
    plants = bed(kind.names, blocks=kind.blocks, plants=kind.plants)
    every = np.array([counts(kind, plants, rng) for rng in rngs])
    cell = np.array([
        [((plants["variety"] == v) & (plants["block"] == b)).to_numpy(float) for v in kind.names]
        for b in plants["block"].unique()
    ])
    seen = np.cumsum(np.einsum("skp,bvp->skbv", every, cell), axis=1)
    log = np.log(seen + 0.5)
    means = log.mean(axis=2)
    residual = log - means[:, :, None, :] - log.mean(axis=3, keepdims=True)
    residual += log.mean(axis=(2, 3), keepdims=True)
    df = (kind.blocks - 1) * (kind.varieties - 1)
    variance = 2.0 * (residual**2).sum(axis=(2, 3)) / df / kind.blocks
    by_chance = LEAST_SHARE * (1.0 / (seen + 0.5)).sum(axis=2) / kind.blocks**2
    se = np.sqrt(np.maximum(variance[..., None], by_chance[..., 1:] + by_chance[..., :1]))
    return means[..., 1:] - means[..., :1], se
