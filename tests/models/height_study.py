"""Do the 95 % intervals of height and of the day out of reach hold the truth 95 times in 100?

    python tests/models/height_study.py [seasons]            (600; some minutes)
    python tests/models/height_study.py --gaps [seasons]     (8: readings ever further apart)

Made seasons with a known truth: four varieties in three or four randomised blocks, four plants a
plot, every plant measured once a week from day 14 to day 98.  The mean curve of a variety is a
logistic one.  Blocks, plots and plants differ in their final height (sd 6, 6 and 12 cm) and in
how early they grow (plots and plants, sd 1.0 and 2.0 days, made linear so that the mean curve
stays what it is); a reading errs by 3 cm.  "in proportion" has sds of plots and plants of 3
and 6 % of the variety's final height instead of 6 and 12 cm, "lean" smaller differences between
plots (2 cm, 0.3 days), "gaps" a fifth of the readings missing and one plant in ten lost.

The truth of a variety's height is its mean over plots and plants such as these, in the blocks of
this bed.  Early passes reach (200 cm) half way, Late near the end of the season, Edge levels
off 2 cm short of it and Short 40 cm short.  A day out of reach is held when it lies in the
interval; for the two that never pass, the interval holds the truth when it has no end.

The tables, printed in Markdown, are kept in README.md beside this file.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pandas as pd
from seasons import bed, day, picked, records

from trialkit.models import Missing, analyse
from trialkit.models.height import height_trait
from trialkit.models.support import Support
from trialkit.models.totals import measured_of

FINAL = {"Early": 260.0, "Late": 204.0, "Edge": 198.0, "Short": 160.0}
HALF, SPEED, REACH = 45.0, 10.0, 200.0
WEEKS = np.arange(14.0, 99.0, 7.0)
DATES = (35, 50, 63, 98)
SEED = 20_604


@dataclass(frozen=True)
class Garden:
    """sd of blocks, plots and plants: of final height in cm, of earliness in days."""

    name: str
    blocks: int
    plants: int = 4
    block: float = 6.0
    plot: float = 6.0
    plot_days: float = 1.0
    missing: float = 0.0
    proportional: bool = False


GARDENS = (
    Garden("usual", 3), Garden("usual", 4),
    Garden("in proportion", 3, proportional=True), Garden("in proportion", 4, proportional=True),
    Garden("lean", 4, plot=2.0, plot_days=0.3), Garden("gaps", 4, missing=0.2),
)  # fmt: skip
PLANT, PLANT_DAYS, ERROR = 12.0, 2.0, 3.0


def share(when: np.ndarray | float) -> np.ndarray:
    """Share of the final height reached by a day."""
    return np.asarray(1.0 / (1.0 + np.exp(-(np.asarray(when, float) - HALF) / SPEED)))


def passed(final: float) -> float:
    """The day the logistic curve passes reach, by hand; inf if not by the last reading."""
    when = HALF - SPEED * np.log(final / REACH - 1.0) if final > REACH else np.inf
    return float(when) if when <= WEEKS[-1] else float("inf")


def grow(garden: Garden, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame, float]:
    """Plants, heights, and what the blocks of this bed add to a final height on average."""
    plants = bed(list(FINAL), garden.blocks, garden.plants)

    def drawn(name: str, sd: float) -> np.ndarray:
        at, levels = pd.factorize(plants[name])
        return rng.normal(0.0, sd, len(levels))[at]

    blocks = drawn("block", garden.block)
    final = plants["variety"].map(FINAL).to_numpy()
    size = final / 200.0 if garden.proportional else 1.0
    top = final + blocks + size * (drawn("plot", garden.plot) + drawn("plant", PLANT))
    early = drawn("plot", garden.plot_days) + drawn("plant", PLANT_DAYS)
    at = share(WEEKS)
    slope = at * (1.0 - at) / SPEED
    height = top[:, None] * at + (final * early)[:, None] * slope
    height += rng.normal(0.0, ERROR, height.shape)
    seen = rng.random(height.shape) >= garden.missing
    if garden.missing:
        gone = rng.random(len(plants)) < 0.1
        seen &= ~(gone[:, None] & (rng.uniform(20, 98, len(plants))[:, None] < WEEKS))
    which, when = np.nonzero(seen)
    heights = pd.DataFrame({
        "date": [day(WEEKS[i]) for i in when], "plant": plants["plant"].to_numpy()[which],
        "height_cm": height[seen],
    })
    mean = float(plants.assign(b=blocks).groupby("block")["b"].first().mean())
    return plants, heights, mean


def ground_of(garden: Garden) -> Support:
    """What the layout supports: the same for every season of a garden."""
    return analyse(records(bed(list(FINAL), garden.blocks, garden.plants))).ground


def season(
    garden: Garden, ground: Support, rng: np.random.Generator
) -> dict[str, tuple[float, float]]:
    """Of each answer whether its interval holds the truth, and its width."""
    plants, heights, blocks = grow(garden, rng)
    made = records(plants, heights=heights, reach=REACH, check="Early")
    measured = measured_of(made, ground, made.heights, "height_cm")
    found = height_trait(made, measured, ground, list(FINAL), "Early")
    if isinstance(found, Missing):
        raise RuntimeError(found.reason)
    out: dict[str, tuple[float, float]] = {}
    for when in DATES:
        table = found.on(day(when)).set_index("variety").loc[list(FINAL)]
        truth = (pd.Series(FINAL) + blocks) * share(when)
        held = (table["low"] <= truth) & (truth <= table["high"])
        out[f"height, day {when}"] = float(held.mean()), float((table.high - table.low).mean())
    for row in found.reach.itertuples(index=False):
        truth = passed(FINAL[row.variety] + blocks)
        held = (row.day_low <= truth) & (truth <= row.day_high)
        kind = f"day out of reach, {row.variety}"
        closed = np.isfinite(row.day_high)
        out[kind] = float(held), float(row.day_high - row.day_low) if closed else float("inf")
    return out


def study(garden: Garden, seasons: int, seed: int = SEED) -> pd.DataFrame:
    """what, coverage, error (Monte Carlo standard error; both in %), median width."""
    rng = np.random.default_rng([seed, GARDENS.index(garden)])
    found: dict[str, list[tuple[float, float]]] = defaultdict(list)
    ground = ground_of(garden)
    for _ in range(seasons):
        for name, result in season(garden, ground, rng).items():
            found[name].append(result)
    rows = []
    for name, results in found.items():
        held, width = np.array(results).T
        rows.append((name, 100.0 * held.mean(), 100.0 * held.std() / np.sqrt(len(held)),
                     float(np.median(width))))
    return pd.DataFrame(rows, columns=["what", "coverage", "error", "width"])


FAR = {"A": 240.0, "B": 200.0, "C": 215.0}
"""Final heights of the varieties measured ever less often; 190 cm is out of reach."""


def gaps(seasons: int = 8) -> None:
    """How often the day out of reach is held with readings so many days apart, of days after the
    first reading; sd of plots and plants 8 cm, of a reading 2 cm."""
    print("| days between readings | held | median width, days |\n|---|---|---|")
    for apart in (7, 14, 21, 28, 40, 60):
        held, width = [], []
        for season in range(seasons):
            rng = np.random.default_rng(season)
            dates = np.arange(10 + rng.integers(apart), 150, apart)
            plants = bed("ABC", blocks=4, plants=4)
            plots = {plot: rng.normal(0, 8) for plot in plants["plot"].unique()}
            top = np.array([FAR[p.variety] + plots[p.plot] + rng.normal(0, 8)
                            for p in plants.itertuples()])
            heights = pd.concat([pd.DataFrame({
                "date": day(int(when)), "plant": plants["plant"],
                "height_cm": top * _grown(when) + rng.normal(0, 2, len(top))}) for when in dates])
            made = records(plants, picked(plants, dict.fromkeys(FAR, 0.5), [60, 70]), heights,
                           reach=190.0)
            for row in analyse(made).height.reach.itertuples():
                mean = top[(plants["variety"] == row.variety).to_numpy()].mean()
                truth = HALF - SPEED * np.log(mean / 190.0 - 1) if mean > 190.0 else np.inf
                if truth >= dates[0]:
                    held.append(row.day_low - 1 <= truth <= row.day_high + 1)
                    width.append(row.day_high - row.day_low)
        print(f"| {apart} | {sum(held)} of {len(held)} | {np.median(width):.1f} |", flush=True)


def _grown(when: float) -> float:
    """The share of its final height a plant has, days from planting."""
    return float(1 / (1 + np.exp(-(when - HALF) / SPEED)))


def main(seasons: int = 600) -> None:
    print("| garden | blocks | what | coverage, % | (standard error) | median width |")
    print("|---|---|---|---|---|---|")
    for garden in GARDENS:
        for row in study(garden, seasons).itertuples(index=False):
            wide = "open" if np.isinf(row.width) else f"{row.width:.1f}"
            print(f"| {garden.name} | {garden.blocks} | {row.what} | {row.coverage:.1f} "
                  f"| {row.error:.1f} | {wide} |", flush=True)  # fmt: skip


if __name__ == "__main__":
    if sys.argv[1:2] == ["--gaps"]:
        gaps(*map(int, sys.argv[2:3]))
        sys.exit()
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 600)
