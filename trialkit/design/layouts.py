"""From a request to a bed: every plot and plant with its place, seeded and repeatable.

Plots of one block should share the same light and soil.  Where the sun or shade comes from
a known side, a block lies as a band at one distance from it; otherwise blocks are kept as
square as they can be, so that their plots are close together (both are common practice;
Cochran & Cox 1957, section 4.2, give compact blocks as the rule).

Every pattern is randomised in full for its design (blocks, plots within blocks, rows,
columns) before the neighbour search, and variety numbers are drawn to names at random
after it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.design.geometry import COMPASS, BedGeometry, compass_in, on_map
from trialkit.design.patterns import (
    EMPTY,
    AlphaDesign,
    DrawSwap,
    Efficiency,
    IntArray,
    NeighbourMix,
    alpha_design,
    edges,
    efficiency,
    grid_efficiency,
    improve,
    mix,
    random_latin_square,
    row_column_grid,
    swap_of_lines,
    swap_within,
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
    check_request,
)
from trialkit.reading.amounts import length_text


@dataclass(frozen=True)
class Arrangement:
    """Plots of a block and blocks of a bed, as down x along counts."""

    block_down: int
    block_along: int
    blocks_down: int
    blocks_along: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of plots in the bed."""
        return self.block_down * self.blocks_down, self.block_along * self.blocks_along


def changes_along(sun: str | None, top: str) -> str | None:
    """Which way the light changes: "along" the rows, "across" them, or None if not said."""
    side = compass_in(sun)
    if side is None:
        return None
    right, up = on_map(side, top)
    return "along" if abs(right) >= abs(up) else "across"


def plot_size_cm(request: PlanRequest) -> tuple[float, float]:
    """Length along the row and width across it of one whole plot."""
    along = request.plants // request.plot_rows * request.parts
    return along * request.plant_spacing_cm, request.plot_rows * request.row_spacing_cm


def geometry_for(request: PlanRequest, arrangement: Arrangement) -> BedGeometry:
    """Spacings and the aisles between blocks for an arrangement."""
    along = request.plants // request.plot_rows * request.parts
    down = request.plot_rows
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    if request.aisle_cm > 0 and request.design != COMPLETELY_RANDOMISED:
        rows = tuple(
            arrangement.block_down * down * n for n in range(1, arrangement.blocks_down)
        )
        columns = tuple(
            arrangement.block_along * along * n for n in range(1, arrangement.blocks_along)
        )
    return BedGeometry(
        request.row_spacing_cm, request.plant_spacing_cm, request.aisle_cm, rows, columns
    )


def bed_size_cm(request: PlanRequest, arrangement: Arrangement) -> tuple[float, float]:
    """Length along the rows and width across them of the whole bed, guards included."""
    down, along = arrangement.shape
    rows = down * request.plot_rows
    columns = along * (request.plants // request.plot_rows * request.parts)
    return geometry_for(request, arrangement).size_cm(rows, columns, request.guards)


def choose(request: PlanRequest, candidates: list[Arrangement]) -> Arrangement:
    """The candidate that suits the light and the room best.

    Raises PlanProblem when none fits the room or the asked number of plots along a row.
    """
    fitting = candidates
    if request.across is not None:
        fitting = [
            arrangement for arrangement in candidates if arrangement.shape[1] == request.across
        ]
        if not fitting:
            widths = sorted({arrangement.shape[1] for arrangement in candidates})
            raise PlanProblem(
                [f"{request.across} plots along a row do not come out even with this layout."],
                [f"{', '.join(str(arrangement) for arrangement in widths)} plots along a row"],
            )
    if request.room_cm is not None:
        inside = [arrangement for arrangement in fitting if _fits(request, arrangement)]
        if not inside:
            raise _no_room(request, fitting)
        fitting = inside
    return min(fitting, key=lambda arrangement: _misfit(request, arrangement))


def _fits(request: PlanRequest, arrangement: Arrangement) -> bool:
    assert request.room_cm is not None
    long, wide = bed_size_cm(request, arrangement)
    return long <= request.room_cm[0] + 1e-6 and wide <= request.room_cm[1] + 1e-6


def _no_room(request: PlanRequest, candidates: list[Arrangement]) -> PlanProblem:
    assert request.room_cm is not None
    room_long, room_wide = request.room_cm
    sizes = sorted({bed_size_cm(request, arrangement) for arrangement in candidates})

    def over(size: tuple[float, float]) -> float:
        return max(size[0] / room_long, 1.0) * max(size[1] / room_wide, 1.0)

    nearest = sorted(sizes, key=over)[:3]
    feet = request.feet
    instead = [
        f"a bed of {length_text(long, feet)} x {length_text(wide, feet)}" for long, wide in nearest
    ]
    instead.append("fewer plants in a plot or fewer varieties, but as many blocks as you can")
    return PlanProblem(
        [
            f"{request.count} varieties, {request.blocks} plots of each and {request.plants} "
            f"plants in a plot do not fit {length_text(room_long, feet)} along the rows x "
            f"{length_text(room_wide, feet)} across them."
        ],
        instead,
    )


def _misfit(request: PlanRequest, arrangement: Arrangement) -> tuple[float, float]:
    """Lower suits better: first the shape of a block, then that of the bed."""
    plot_long, plot_wide = plot_size_cm(request)
    block_long = arrangement.block_along * plot_long
    block_wide = arrangement.block_down * plot_wide
    light = changes_along(request.sun, request.top)
    if request.design == COMPLETELY_RANDOMISED:
        shape = 1.0
    elif light == "along":
        shape = block_long / block_wide
    elif light == "across":
        shape = block_wide / block_long
    else:
        shape = max(block_long / block_wide, block_wide / block_long)
    long, wide = bed_size_cm(request, arrangement)
    return shape, max(long / wide, wide / long)


def factor_pairs(number: int) -> list[tuple[int, int]]:
    """All (down, along) with down * along == number."""
    return [(side, number // side) for side in range(1, number + 1) if number % side == 0]


def block_candidates(plots_in_block: int, blocks: int) -> list[Arrangement]:
    """Every way to lay complete blocks as rectangles of plots in a rectangle of blocks."""
    return [
        Arrangement(block_down, block_along, blocks_down, blocks_along)
        for block_down, block_along in factor_pairs(plots_in_block)
        for blocks_down, blocks_along in factor_pairs(blocks)
    ]


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
    efficiencies = efficiency(grid.ravel(), bound=1.0)
    return Pattern(arrangement, grid, whole, whole, swap_within(whole), efficiencies)


def _complete_blocks(request: PlanRequest, rng: np.random.Generator) -> Pattern:
    arrangement = choose(request, block_candidates(request.count, request.blocks))
    block = _block_numbers(arrangement)
    grid = np.full(arrangement.shape, EMPTY, dtype=np.int64)
    for number in range(request.blocks):
        grid[block == number] = rng.permutation(request.count)
    efficiencies = efficiency(grid.ravel(), block.ravel(), bound=1.0)
    return Pattern(arrangement, grid, block, block, swap_within(block), efficiencies)


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
    efficiencies = grid_efficiency(grid)
    if efficiencies.average == 0.0:
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
    return Pattern(arrangement, grid, rows, whole, swap_of_lines(grid.shape), efficiencies)


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


ObjectArray = npt.NDArray[np.object_]

# i, l and o are left out: on a muddy stake they look like 1 and 0.
# A bed that puts a variety in one row right through is drawn again, as often as this.
DRAWS = 100

LETTERS = "abcdefghjkmnpqrstuvwxyz"


@dataclass(frozen=True)
class Planting:
    """A laid-out trial.

    request: what was asked, with the seed that was used.
    plots: plot, variety, block, replicate, plot_row, plot_column (counted from 1).
    plants: plant, variety, replicate (None unless blocks are incomplete), block, plot, row, column,
        treatment (None unless a split plot); in walking order. Row 1 is at the top of the map,
        column 1 at its left.
    guards: row, column of each guard plant; rows and columns outside the trial are 0 or
        one past the last.
    """

    request: PlanRequest
    plots: pd.DataFrame
    plants: pd.DataFrame
    guards: pd.DataFrame
    geometry: BedGeometry
    neighbours: NeighbourMix
    efficiency: Efficiency
    size_cm: tuple[float, float]
    notes: tuple[str, ...]

    @property
    def seed(self) -> int:
        """The seed that gives this layout again from the same request."""
        assert self.request.seed is not None
        return self.request.seed


def new_seed() -> int:
    """A fresh seed, short enough to copy by hand."""
    return int(np.random.SeedSequence().generate_state(1)[0]) % 1_000_000


def lay_out(request: PlanRequest) -> Planting:
    """Lay out a trial. The same request and seed give the same bed.

    Raises PlanProblem, naming the nearest plans that work, when it cannot be done.
    """
    check_request(request)
    if request.top not in COMPASS:
        raise PlanProblem([f"The top of the map {request.top!r}: choose {', '.join(COMPASS)}."])
    request = replace(request, seed=new_seed() if request.seed is None else request.seed)
    rng = np.random.default_rng(request.seed)
    for _ in range(DRAWS):
        pattern = draw(request, rng)
        geometry = geometry_for(request, pattern.arrangement)
        pairs = _neighbour_pairs(pattern, geometry, request)
        grid = pattern.variety
        if request.improve_neighbours:
            grid = improve(grid, pairs, pattern.draw_swap, request.count, rng)
        if not _one_line_right_through(grid):
            break
    neighbours = mix(grid, pairs, request.count)
    name_of = rng.permutation(np.array(request.varieties, dtype=object))
    plots = _plots(grid, pattern, name_of, request)
    plants = _plants(plots, request, rng)
    along = request.plants // request.plot_rows * request.parts
    rows, columns = grid.shape[0] * request.plot_rows, grid.shape[1] * along
    return Planting(
        request=request,
        plots=plots,
        plants=plants,
        guards=guard_places(plants, rows, columns, request.guards),
        geometry=geometry,
        neighbours=neighbours,
        efficiency=pattern.efficiency,
        size_cm=bed_size_cm(request, pattern.arrangement),
        notes=_notes(request, grid, pattern, neighbours),
    )


def _one_line_right_through(grid: IntArray) -> bool:
    """Whether a variety has a row, or a column, of plots to itself and no plot elsewhere.

    What that row gives or takes could then not be separated from the variety, so such a bed is
    drawn again. grid: variety numbers, shape (rows, columns).
    """
    for lines in (grid, grid.T):
        whole = [set(line[line != EMPTY].tolist()) for line in lines]
        whole = [line for line in whole if line]
        if len(whole) < 2 or lines.shape[1] < 2:
            continue
        for at, line in enumerate(whole):
            elsewhere = set().union(*(other for n, other in enumerate(whole) if n != at))
            (only, *others) = line
            if not others and only not in elsewhere and int((grid == only).sum()) > 1:
                return True
    return False


def _neighbour_pairs(pattern: Pattern, geometry: BedGeometry, request: PlanRequest) -> IntArray:
    along = request.plants // request.plot_rows * request.parts
    cut_rows = [row // request.plot_rows - 1 for row in geometry.aisles_after_rows]
    cut_columns = [column // along - 1 for column in geometry.aisles_after_columns]
    return edges(pattern.variety, cut_rows, cut_columns)


def _plots(
    grid: IntArray, pattern: Pattern, name_of: ObjectArray, request: PlanRequest
) -> pd.DataFrame:
    """One row a plot, numbered along the walk within its block: 101, 102, ... 201, ..."""
    rows, columns = np.nonzero(grid != EMPTY)
    walk = np.where(rows % 2 == 0, columns, -columns)
    hundreds = pattern.replicate if request.design == INCOMPLETE_BLOCKS else pattern.block
    table = pd.DataFrame(
        {
            "variety": name_of[grid[rows, columns]],
            "block": pattern.block[rows, columns],
            "replicate": pattern.replicate[rows, columns],
            "hundreds": hundreds[rows, columns] + 1,
            "plot_row": rows + 1,
            "plot_column": columns + 1,
            "walk": walk,
        }
    ).sort_values(["hundreds", "plot_row", "walk"], ignore_index=True)
    number = table.groupby("hundreds").cumcount() + 1
    step = 100 if int(number.max()) < 100 else 10_000
    table["plot"] = (table["hundreds"] * step + number).astype(str)
    table["block"] = _block_names(table, request)
    table["replicate"] = (table["replicate"] + 1).astype(str)
    fields = ["plot", "variety", "block", "replicate", "plot_row", "plot_column"]
    return table[fields]


def _block_names(table: pd.DataFrame, request: PlanRequest) -> pd.Series:
    if request.design != INCOMPLETE_BLOCKS:
        return (table["block"] + 1).astype(str)
    first = table.groupby("replicate")["block"].transform("min")
    within = table["block"] - first + 1
    # "2-3" would turn into a date in a spreadsheet; "2.3" into a number.
    return "R" + (table["replicate"] + 1).astype(str) + "B" + within.astype(str)


def _plants(plots: pd.DataFrame, request: PlanRequest, rng: np.random.Generator) -> pd.DataFrame:
    part_long = request.plants // request.plot_rows
    along = part_long * request.parts
    places = zip(
        plots["plot"].astype(str).tolist(),
        plots["variety"].tolist(),
        plots["block"].tolist(),
        plots["replicate"].tolist(),
        plots["plot_row"].astype(int).tolist(),
        plots["plot_column"].astype(int).tolist(),
        strict=True,
    )
    frames = []
    for plot, variety, block, replicate, plot_row, plot_column in places:
        row, column = (place.ravel() for place in np.indices((request.plot_rows, along)))
        row = row + (plot_row - 1) * request.plot_rows + 1
        column = column + (plot_column - 1) * along + 1
        order = np.lexsort((np.where(row % 2 == 1, column, -column), row))
        frame = pd.DataFrame({"row": row[order], "column": column[order]})
        frame["plant"] = [plot + _letter(place) for place in range(len(frame))]
        frame["variety"], frame["block"], frame["plot"] = variety, block, plot
        frame["replicate"] = replicate if request.design == INCOMPLETE_BLOCKS else None
        frame["treatment"] = None
        if request.design == SPLIT_PLOT:
            parts = rng.permutation(np.array(request.treatments, dtype=object))
            part = (column[order] - (plot_column - 1) * along - 1) // part_long
            frame["treatment"] = parts[part]
        frames.append(frame)
    plants = pd.concat(frames, ignore_index=True)
    fields = ["plant", "variety", "replicate", "block", "plot", "row", "column", "treatment"]
    return walking_order(plants)[fields]


def walking_order(plants: pd.DataFrame) -> pd.DataFrame:
    """Plants in serpentine order: along the first row, back along the next, and so on.

    Plants without a place keep their order and come last.
    """
    if plants.empty:
        return plants.copy()
    row = pd.to_numeric(plants["row"]).astype(float)
    column = pd.to_numeric(plants["column"]).astype(float)
    line = row.rank(method="dense")
    walk = np.where(line % 2 == 1, column, -column)
    order = np.lexsort((np.arange(len(plants)), walk, row.fillna(np.inf)))
    return plants.iloc[order].reset_index(drop=True)


def _letter(number: int) -> str:
    first, last = divmod(number, len(LETTERS))
    return (LETTERS[first - 1] if first else "") + LETTERS[last]


def guard_places(plants: pd.DataFrame, rows: int, columns: int, guards: str) -> pd.DataFrame:
    """Guards where asked for, and in any spare plot so that no plant faces a gap.

    rows, columns: of plants in the bed. Returns row and column of each guard plant.
    """
    places: set[tuple[int, int]] = set()
    if guards != "none":
        for row in range(1, rows + 1):
            places |= {(row, 0), (row, columns + 1)}
    if guards == "all round":
        for column in range(columns + 2):
            places |= {(0, column), (rows + 1, column)}
    taken = set(zip(plants["row"], plants["column"], strict=True))
    inside = ((row, column) for row in range(1, rows + 1) for column in range(1, columns + 1))
    places |= {place for place in inside if place not in taken}
    return pd.DataFrame(sorted(places), columns=["row", "column"])


def _notes(
    request: PlanRequest, grid: IntArray, pattern: Pattern, neighbours: NeighbourMix
) -> tuple[str, ...]:
    notes = [neighbours.in_words()]
    if request.blocks == 1:
        notes.append(
            "One plot of each variety: variety and plot can't be separated, so this plan can "
            "describe but not compare. Give each at least 2 plots; 4 or more are better."
        )
    if request.design in (INCOMPLETE_BLOCKS, ROW_COLUMN, LATIN_SQUARE):
        average, bound = pattern.efficiency.average, pattern.efficiency.bound
        notes.append(
            f"Average efficiency factor {average:.3f} (no layout of this size can pass "
            f"{bound:.3f}; 1 means every comparison keeps all its information)."
        )
    spare = int(np.sum(grid == EMPTY))
    if spare:
        notes.append(f"{spare} spare plots at the ends of short blocks: plant guards there.")
    if request.guards == "none":
        notes.append(
            "No guard plants: plants at the ends of rows get more light and room than the rest."
        )
    if request.aisle_cm > 0 and request.guards != "none":
        notes.append("Plants along an aisle get more light too; aisles run between blocks only.")
    if request.design == SPLIT_PLOT:
        notes.append(
            f"Each plot is split: {' and '.join(request.treatments)}, drawn at random in each plot."
        )
    return tuple(notes)
