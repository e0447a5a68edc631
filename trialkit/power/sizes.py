"""Power of one layout in several sizes: more blocks, more plants, more picks, side by side."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from trialkit.design.request import COMPLETE_BLOCKS, LATIN_SQUARE
from trialkit.power.exact import (
    PAIR,
    Claims,
    Setup,
    Spread,
    error_df,
    plot_variance,
    power_to_see,
    smallest_ratio,
)

MOST_BLOCKS = 60


def power_by_blocks(
    ratio: float,
    setup: Setup,
    spread: Spread,
    *,
    plants: tuple[int, ...] = (1, 2, 4, 8),
    blocks: tuple[int, ...] = tuple(range(2, 13)),
    alpha: float = 0.05,
    test: str | Claims = PAIR,
) -> pd.DataFrame:
    """Power for each number of blocks and plants.

    Columns: blocks, plants, picks, all_plants, df, power, smallest_ratio (seen 8 times in 10).
    """
    rows = []
    for each in plants:
        for many in blocks:
            size = _resized(setup, many, each)
            rows.append(
                {
                    "blocks": many,
                    "plants": each,
                    "picks": size.picks,
                    "all_plants": size.all_plants,
                    "df": error_df(size),
                    "power": power_to_see(ratio, size, spread, alpha=alpha, test=test),
                    "smallest_ratio": smallest_ratio(size, spread, alpha=alpha, test=test),
                }
            )
    return pd.DataFrame(rows)


def ways_to_see(
    ratio: float,
    setup: Setup,
    spread: Spread,
    *,
    plants: tuple[int, ...] = (1, 2, 3, 4, 6, 8, 12),
    picks: tuple[int, ...] = (5, 10, 20),
    target: float = 0.8,
    alpha: float = 0.05,
    test: str | Claims = PAIR,
) -> pd.DataFrame:
    """The fewest blocks that do it, for each number of plants and picks; cheapest first.

    Columns: blocks, plants, picks, all_plants, counts (plants times picks), power. Rows that
    would need more than 60 blocks are left out.
    """
    rows = []
    for looks in picks:
        for each in plants:
            sizes = [replace(_resized(setup, many, each), picks=looks)
                     for many in range(2, MOST_BLOCKS + 1)]

            def power(size: Setup) -> float:
                return power_to_see(ratio, size, spread, alpha=alpha, test=test)

            # More blocks always help, so that halving finds the fewest.
            enough = bisect_left(sizes, target, key=power)
            if enough < len(sizes):
                size = sizes[enough]
                rows.append({
                    "blocks": size.blocks, "plants": each, "picks": looks,
                    "all_plants": size.all_plants, "counts": size.all_plants * looks,
                    "power": power(size),
                })
    columns = ["blocks", "plants", "picks", "all_plants", "counts", "power"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values(["all_plants", "counts"], ignore_index=True)


@dataclass(frozen=True)
class Doubling:
    """What twice the plants buy, spent in two ways.

    now, more_plants, more_blocks: power as planned, with twice the plants in each plot, and
    with twice the blocks.  plot_share: of the variance between plots what is not that of plants.
    """

    ratio: float
    setup: Setup
    now: float
    more_plants: float
    more_blocks: float
    plot_share: float

    @property
    def text(self) -> str:
        """In words."""
        if np.isnan(self.now):
            return (
                "As planned, nothing can be compared: there is no second plot of a variety to "
                f"judge by. {self.setup.blocks * 2} blocks give a {in_words(self.more_blocks)} "
                "chance."
            )
        beaten = self.more_blocks > self.more_plants + 0.005
        better = "More blocks beat more plants" if beaten else "They buy the same"
        return (
            f"To see {self.ratio:g} times: {in_words(self.now)} as planned, "
            f"{in_words(self.more_plants)} with twice the plants in each plot, "
            f"{in_words(self.more_blocks)} with twice the blocks, for the same "
            f"{2 * self.setup.all_plants} plants. {better}: {100 * self.plot_share:.0f} % of what "
            "makes plots differ is the plot itself, which more plants in it cannot average away."
        )


def double_plants_or_blocks(
    ratio: float, setup: Setup, spread: Spread, *, alpha: float = 0.05, test: str | Claims = PAIR
) -> Doubling:
    """Compare doubling the plants in each plot with doubling the blocks."""
    sizes = (
        setup,
        _resized(setup, setup.blocks, setup.plants * 2),
        _resized(setup, setup.blocks * 2, setup.plants),
    )
    now, plants, blocks = (
        power_to_see(ratio, size, spread, alpha=alpha, test=test) for size in sizes
    )
    return Doubling(ratio, setup, now, plants, blocks,
                    spread.plot**2 / plot_variance(setup, spread))


def in_words(chance: float) -> str:
    """A chance in whole per cent; never "100 %", for no trial is certain."""
    return "over 99 %" if chance >= 0.995 else f"{100 * chance:.0f} %"


def _resized(setup: Setup, blocks: int, plants: int) -> Setup:
    """The same trial with other numbers; a Latin square turns into complete blocks."""
    design = setup.design
    if design == LATIN_SQUARE and blocks != setup.varieties:
        design = COMPLETE_BLOCKS
    grid = setup.grid if blocks == setup.blocks else None
    return replace(setup, blocks=blocks, plants=plants, design=design, grid=grid)
