"""The random pattern of each design: which variety number lands on which plot.

Every pattern is randomised in full for its design (blocks, plots within blocks, rows,
columns) before the neighbour search, and variety numbers are drawn to names at random
after it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.design.arrange import (
    Arrangement,
    block_candidates,
    changes_along,
    choose,
    factor_pairs,
    plot_size_cm,
)
from trialkit.design.efficiency import Efficiency, IntArray, efficiency
from trialkit.design.neighbours import EMPTY, DrawSwap, swap_of_lines, swap_within
from trialkit.design.patterns import (
    AlphaDesign,
    alpha_design,
    grid_efficiency,
    random_latin_square,
    row_column_grid,
)
from trialkit.design.request import (
    COMPLETE_BLOCKS,
    COMPLETELY_RANDOMISED,
    INCOMPLETE_BLOCKS,
    LATIN_SQUARE,
    ROW_COLUMN,
    SPLIT_PLOT,
    PlanProblem,
    PlanRequest,
)


@dataclass(frozen=True)
class Pattern:
    """Variety numbers on the grid of plots; all arrays have shape (rows, columns).

    variety, block, replicate: EMPTY where there is no plot; blocks count from 0.
    draw_swap: what the neighbour search may swap without changing the design.
    """

    arrangement: Arrangement
    variety: IntArray
    block: IntArray
    replicate: IntArray
    draw_swap: DrawSwap | None
    efficiency: Efficiency


def draw(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    """The random pattern for a request that check_request has passed."""
    make = {
        COMPLETELY_RANDOMISED: _completely_randomised,
        COMPLETE_BLOCKS: _complete_blocks,
        SPLIT_PLOT: _complete_blocks,
        LATIN_SQUARE: _latin_square,
        ROW_COLUMN: _row_column,
        INCOMPLETE_BLOCKS: _incomplete_blocks,
    }[request.design]
    return make(request, rng)


def _completely_randomised(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    plots = request.count * request.blocks
    arrangement = choose(request, block_candidates(plots, 1))
    grid = rng.permutation(np.arange(plots) % request.count).reshape(arrangement.shape)
    whole = np.zeros_like(grid)
    found = efficiency(grid.ravel(), bound=1.0)
    return Pattern(arrangement, grid, whole, whole, swap_within(whole), found)


def _complete_blocks(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    arrangement = choose(request, block_candidates(request.count, request.blocks))
    block = _block_numbers(arrangement)
    grid = np.full(arrangement.shape, EMPTY, dtype=np.int64)
    for one in range(request.blocks):
        grid[block == one] = rng.permutation(request.count)
    found = efficiency(grid.ravel(), block.ravel(), bound=1.0)
    return Pattern(arrangement, grid, block, block, swap_within(block), found)


def _latin_square(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    size = request.count
    arrangement = choose(request, [Arrangement(size, size, 1, 1)])
    grid = random_latin_square(size, rng)
    grid = grid[rng.permutation(size)][:, rng.permutation(size)]
    rows = np.indices(grid.shape)[0].astype(np.int64)
    return Pattern(arrangement, grid, rows, rows, swap_of_lines(grid.shape), grid_efficiency(grid))


def _row_column(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    plots = request.count * request.blocks
    sizes = [request.grid] if request.grid is not None else _grids(plots, request.count)
    shapes = [Arrangement(rows, columns, 1, 1) for rows, columns in sizes]
    arrangement = choose(request, shapes)
    grid = row_column_grid(request.count, *arrangement.shape, rng)
    found = grid_efficiency(grid)
    if found.average == 0.0:
        raise PlanProblem(
            [
                f"{arrangement.shape[0]} rows x {arrangement.shape[1]} columns of plots leave "
                "some varieties with no way to be compared."
            ],
            [f"a grid of {rows} x {columns}" for rows, columns in _grids(plots, request.count)],
        )
    grid = grid[rng.permutation(grid.shape[0])][:, rng.permutation(grid.shape[1])]
    rows = np.indices(grid.shape)[0].astype(np.int64)
    whole = np.zeros_like(rows)
    return Pattern(arrangement, grid, rows, whole, swap_of_lines(grid.shape), found)


def _grids(plots: int, count: int) -> list[tuple[int, int]]:
    """Grids with two or more lines each way; those with complete lines only, if there are."""
    both = [(rows, columns) for rows, columns in factor_pairs(plots) if min(rows, columns) >= 2]
    complete = [(a, b) for a, b in both if a % count == 0 or b % count == 0]
    return complete or both


def _incomplete_blocks(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    assert request.block_size is not None
    design = alpha_design(request.count, request.blocks, request.block_size, rng)
    if design.efficiency.average == 0.0:
        raise PlanProblem(
            ["These blocks leave some varieties with no way to be compared."],
            [f"{request.blocks + 1} replicates", f"blocks of {request.block_size + 1}"],
        )
    blocks = len(design.blocks[0])
    size = max(len(block) for block in design.blocks[0])
    as_rows = [
        Arrangement(blocks, size, down, along) for down, along in factor_pairs(request.blocks)
    ]
    as_columns = [
        Arrangement(size, blocks, down, along) for down, along in factor_pairs(request.blocks)
    ]
    upright = _blocks_upright(request, size)
    try:
        arrangement = choose(request, as_columns if upright else as_rows)
    except PlanProblem:
        arrangement = choose(request, as_rows + as_columns)
        upright = arrangement in as_columns and (arrangement not in as_rows or upright)
    return _place_alpha(design, arrangement, upright, rng)


def _blocks_upright(request: PlanRequest, size: int) -> bool:
    """Whether an incomplete block should run down the map, across the rows."""
    light = changes_along(request.sun, request.top)
    if light is not None:
        return light == "along"
    long, wide = plot_size_cm(request)

    def stretch(a: float, b: float) -> float:
        return max(a / b, b / a)

    return stretch(long, wide * size) < stretch(long * size, wide)


def _place_alpha(
    design: AlphaDesign, arrangement: Arrangement, upright: bool, rng: np.random.Generator
) -> Pattern:
    variety = np.full(arrangement.shape, EMPTY, dtype=np.int64)
    block = variety.copy()
    replicate = variety.copy()
    per_replicate = len(design.blocks[0])
    for place, chosen in enumerate(rng.permutation(len(design.blocks))):
        down, along = divmod(place, arrangement.blocks_along)
        top, left = down * arrangement.block_down, along * arrangement.block_along
        for line, number in enumerate(rng.permutation(per_replicate)):
            members = rng.permutation(design.blocks[int(chosen)][int(number)])
            run = np.arange(members.size)
            across = np.full(members.size, line)
            cells = (top + run, left + across) if upright else (top + across, left + run)
            variety[cells] = members
            block[cells] = place * per_replicate + line
            replicate[cells] = place
    return Pattern(arrangement, variety, block, replicate, swap_within(block), design.efficiency)


def _block_numbers(arrangement: Arrangement) -> IntArray:
    rows, columns = np.indices(arrangement.shape)
    down = rows // arrangement.block_down
    along = columns // arrangement.block_along
    return np.asarray(down * arrangement.blocks_along + along, dtype=np.int64)
