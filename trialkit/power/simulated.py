"""Power by simulation: the mixed model of the report, fitted to made-up seasons.

For what has no exact answer: plants that die, picks that are missed, layouts whose blocks
are not complete. Each made-up season draws plots, plants and picks on the log scale, gives two
varieties a true ratio, fits the model and asks whether the ratio was seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.design.layouts import Planting, lay_out
from trialkit.design.request import (
    COMPLETELY_RANDOMISED,
    LATIN_SQUARE,
    ROW_COLUMN,
    SPLIT_PLOT,
    PlanRequest,
)
from trialkit.mixed import MixedModelError, fit_lmm
from trialkit.power.exact import Setup, Spread

# Called after each season with seasons done and seasons in all.
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class SimulatedPower:
    """Share of made-up seasons in which the ratio was seen.

    error: standard error of that share, by chance of the draw alone, sqrt(p (1 - p) / seasons).
    low, high: 95 % interval for the power itself (Clopper & Pearson 1934); both narrow with the
    number of seasons. unusable: seasons in which the model could not be fitted, counted
    as not seen.
    """

    power: float
    low: float
    high: float
    seasons: int
    unusable: int

    @property
    def error(self) -> float:
        return float(np.sqrt(self.power * (1.0 - self.power) / self.seasons))


def simulated_power(
    ratio: float,
    setup: Setup,
    spread: Spread,
    *,
    seasons: int = 500,
    seed: int = 1,
    alpha: float = 0.05,
    lost: float = 0.0,
    missed: float = 0.0,
    progress: Progress | None = None,
    planting: Planting | None = None,
) -> SimulatedPower:
    """Chance that two varieties which differ by `ratio` come out as different.

    lost: share of plants that die, each at a random pick. missed: share of picks of a plant
    that are not looked at. planting: the bed, of this setup; None lays one out with the seed. The
    two varieties compared are chosen beforehand, and from season to season every pair takes its
    turn: where blocks are incomplete one pair may be seen 10 points better than another
    (`trialkit.power.power_of_pairs`), and this is about a pair like any other.

    Where plots hardly differ beyond what their plants and picks explain, REML often puts the
    plot variance at zero; the test then leans on plants too, and sees a little less than the
    exact power of `trialkit.power` (3 points less in one such case that was measured).
    Raises ValueError for shares outside 0 to 1, and PlanProblem for an impossible layout.
    """
    if not (0 <= lost < 1 and 0 <= missed < 1):
        raise ValueError("The shares lost and missed must be at least 0 and less than 1.")
    rng = np.random.default_rng(seed)
    planting = planting or lay_out(plan_for(setup, seed))
    formula = _formula(setup)
    pairs = list(combinations(planting.request.varieties, 2))
    seen = unusable = 0
    for season in range(seasons):
        records = _season(planting, setup, spread, rng, lost, missed)
        left, right = pairs[season % len(pairs)]
        shift = np.where(records["variety"] == right, np.log(ratio), 0.0)
        records["y"] = records["y"] + shift
        p_value = _p_value(formula, records, setup, left, right)
        unusable += p_value is None
        seen += p_value is not None and p_value < alpha
        if progress is not None:
            progress(season + 1, seasons)
    limits = stats.binomtest(seen, seasons).proportion_ci(method="exact")
    return SimulatedPower(seen / seasons, float(limits.low), float(limits.high), seasons, unusable)


@contextmanager
def progress_bar(words: str = "made-up seasons") -> Iterator[Progress]:
    """A progress bar for the terminal or the notebook; gives the callback to pass on."""
    from rich.progress import Progress as Bar

    with Bar(transient=True) as bar:
        task = bar.add_task(words, total=None)

        def moved(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield moved


def plan_for(setup: Setup, seed: int) -> PlanRequest:
    """A layout of this size."""
    return PlanRequest(
        varieties=tuple(f"V{number}" for number in range(setup.varieties)),
        design=setup.design,
        blocks=setup.blocks,
        plants=setup.plants,
        block_size=setup.block_size,
        grid=setup.grid,
        treatments=tuple(f"T{number}" for number in range(setup.treatments)),
        seed=seed,
    )


def _formula(setup: Setup) -> str:
    fixed = {
        COMPLETELY_RANDOMISED: "y ~ variety",
        LATIN_SQUARE: "y ~ variety + plot_row + plot_column",
        ROW_COLUMN: "y ~ variety + plot_row + plot_column",
        SPLIT_PLOT: "y ~ variety + block + treatment",
    }
    return fixed.get(setup.design, "y ~ variety + block")


def _season(
    planting: Planting,
    setup: Setup,
    spread: Spread,
    rng: np.random.Generator,
    lost: float,
    missed: float,
) -> pd.DataFrame:
    """One record a look: variety, block, plot, plant, treatment and y on the log scale."""
    plants = planting.plants.drop(columns=["row", "column"]).merge(
        planting.plots[["plot", "plot_row", "plot_column"]], on="plot"
    )
    plot = _draws(plants["plot"], spread.plot, rng)
    if setup.parts > 1:
        plot = plot + _draws(plants["plot"] + "/" + plants["treatment"], spread.part, rng)
    level = plot + rng.normal(0.0, spread.plant, len(plants))
    looks = np.tile(np.arange(setup.picks), len(plants))
    records = plants.loc[plants.index.repeat(setup.picks)].reset_index(drop=True)
    records["y"] = np.repeat(level, setup.picks) + rng.normal(0.0, spread.pick, len(records))
    died = np.where(
        rng.random(len(plants)) < lost, rng.integers(0, setup.picks, len(plants)), setup.picks
    )
    there = (looks < np.repeat(died, setup.picks)) & (rng.random(len(records)) >= missed)
    for name in ("plot_row", "plot_column"):
        records[name] = records[name].astype(str)
    return records[there].reset_index(drop=True)


def _draws(groups: pd.Series, sd: float, rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """One normal draw for each group, repeated for its members."""
    index = pd.factorize(groups)[0]
    return np.asarray(rng.normal(0.0, sd, int(index.max()) + 1)[index])


def _p_value(
    formula: str, records: pd.DataFrame, setup: Setup, left: str, right: str
) -> float | None:
    """p of the comparison by Kenward and Roger's method, None where it cannot be made."""
    groups = ["plot"]
    if setup.parts > 1:
        records["part"] = records["plot"] + "/" + records["treatment"]
        groups.append("part")
    if setup.plants > 1 and setup.picks > 1:
        groups.append("plant")
    if setup.plants * setup.picks == 1:
        groups = []
    try:
        model = fit_lmm(formula, records, groups=groups)
        # One variety is the base of the coding and has no column: it counts as 0.
        columns = [
            float(name == f"variety[T.{right}]") - float(name == f"variety[T.{left}]")
            for name in model.fixed.index
        ]
        p_value = float(model.contrast(columns, df="kenward-roger")["p"].iloc[0])
    except MixedModelError:
        return None
    return None if np.isnan(p_value) else p_value
