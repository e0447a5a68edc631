"""Made-up trials of the same varieties in any number of gardens, written as trial folders.

True log rates are those of `true_rates`; each garden adds its own level, its own liking for each
variety, plots, plants and dates.  A garden depends on the seed and its number only, so that the
first hundred of a thousand gardens are the hundred gardens.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt

PLANTED = date(2026, 5, 20)
FIRST_PICK = 48
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
TRIAL = """title = "Made-up garden {number}"
garden = "Garden {number} (made up)"
crop = "climbing bean"
planted = {planted}
counted = "pods"
zeros = "written"
reach = "210 cm"
bears = "top"
invented = true
source = "made by tests/gardens/made_gardens.py, seed {seed}"
[layout]
design = "randomised complete blocks"
rows = {blocks}
columns = {columns}
row_spacing = "100 cm"
plant_spacing = "30 cm"
"""


@dataclass(frozen=True)
class Size:
    """One garden.  picks: every third day.  heights: measured at every fourth pick."""

    varieties: int = 5
    blocks: int = 3
    plants: int = 3
    picks: int = 20
    heights: bool = True


@dataclass(frozen=True)
class Spread:
    """Standard deviations on the log scale, and the shape of the negative binomial counts."""

    garden: float = 0.35
    variety_in_garden: float = 0.15
    block: float = 0.10
    plot: float = 0.12
    plant: float = 0.20
    date: float = 0.25
    shape: float = 4.0


def true_rates(varieties: int) -> npt.NDArray[np.float64]:
    """Log pods a plant a day of each variety in an average garden; the first is the check."""
    return np.log(0.8) + np.linspace(0.0, 0.6, varieties)


def make_gardens(
    folder: Path, gardens: int, size: Size | None = None, spread: Spread | None = None,
    seed: int = 1,
) -> list[Path]:
    """Write gardens 0 to `gardens` - 1 below `folder`; returns their folders in order."""
    return [
        make_garden(folder / f"garden-{number:06d}", number, size or Size(), spread or Spread(),
                    seed)
        for number in range(gardens)
    ]


def make_garden(folder: Path, number: int, size: Size, spread: Spread, seed: int) -> Path:
    """Write one garden: randomised complete blocks, no plant lost, one pick in fifty missed."""
    chance = np.random.default_rng([seed, number])
    varieties = np.arange(size.varieties)
    level = (
        true_rates(size.varieties)
        + chance.normal(0, spread.garden)
        + chance.normal(0, spread.variety_in_garden, size.varieties)
    )
    drawn = np.array([chance.permutation(varieties) for _ in range(size.blocks)])
    plot = (
        level[drawn] + chance.normal(0, spread.block, (size.blocks, 1))
        + chance.normal(0, spread.plot, drawn.shape)
    )
    plant = np.repeat(plot.ravel(), size.plants)
    plant = plant + chance.normal(0, spread.plant, len(plant))
    days = [PLANTED + timedelta(days=FIRST_PICK + 3 * i) for i in range(size.picks)]
    mean = 3 * np.exp(plant[:, None] + chance.normal(0, spread.date, size.picks))
    counts = chance.poisson(chance.gamma(spread.shape, mean / spread.shape))
    missed = chance.random(counts.shape) < 0.02

    names = [f"P{i + 1:03d}" for i in range(len(plant))]
    columns = size.varieties * size.plants
    listed = ["plant,variety,block,plot,row,column"]
    for i, name in enumerate(names):
        block, place = divmod(i, columns)
        variety = LETTERS[drawn[block, place // size.plants]]
        row, plot = block + 1, place // size.plants + 1
        listed.append(f"{name},Variety {variety},{row},{row}-{plot},{row},{place + 1}")
    picked = ["date,plant,count"]
    for j, day in enumerate(days):
        picked += [
            f"{day},{name},{'' if missed[i, j] else counts[i, j]}" for i, name in enumerate(names)
        ]
    described = TRIAL.format(number=number, planted=PLANTED, seed=seed, blocks=size.blocks,
                             columns=columns)
    for v in varieties:
        check = "\ncheck = true" if v == 0 else ""
        described += f'[[varieties]]\nname = "Variety {LETTERS[v]}"{check}\n'

    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(described, encoding="utf-8")
    (folder / "plants.csv").write_text("\n".join(listed) + "\n", encoding="utf-8")
    (folder / "picks.csv").write_text("\n".join(picked) + "\n", encoding="utf-8")
    if size.heights:
        measured = ["date,plant,height"]
        slope = chance.normal(3.2, 0.3, len(names))
        for day in days[::4]:
            grown = slope * (day - PLANTED).days + chance.normal(0, 4, len(names))
            measured += [f"{day},{n},{h:.0f}" for n, h in zip(names, grown, strict=True)]
        (folder / "heights.csv").write_text("\n".join(measured) + "\n", encoding="utf-8")
    return folder
