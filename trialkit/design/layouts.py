"""From a request to a bed: every plot and plant with its place, seeded and repeatable."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.design.arrange import bed_size_cm, geometry_for
from trialkit.design.efficiency import Efficiency, IntArray
from trialkit.design.geometry import COMPASS, BedGeometry
from trialkit.design.neighbours import EMPTY, NeighbourMix, edges, improve, mix
from trialkit.design.randomise import Pattern, draw
from trialkit.design.request import (
    INCOMPLETE_BLOCKS,
    LATIN_SQUARE,
    ROW_COLUMN,
    SPLIT_PLOT,
    PlanProblem,
    PlanRequest,
    check_request,
)

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
    plants: plant, variety, block, plot, row, column, treatment (None unless a split plot);
        in walking order. Row 1 is at the top of the map, column 1 at its left.
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
    found = mix(grid, pairs, request.count)
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
        neighbours=found,
        efficiency=pattern.efficiency,
        size_cm=bed_size_cm(request, pattern.arrangement),
        notes=_notes(request, grid, pattern, found),
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
    kept = ["plot", "variety", "block", "replicate", "plot_row", "plot_column"]
    return table[kept]


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
        plots["plot_row"].astype(int).tolist(),
        plots["plot_column"].astype(int).tolist(),
        strict=True,
    )
    frames = []
    for plot, variety, block, plot_row, plot_column in places:
        row, column = (one.ravel() for one in np.indices((request.plot_rows, along)))
        row = row + (plot_row - 1) * request.plot_rows + 1
        column = column + (plot_column - 1) * along + 1
        order = np.lexsort((np.where(row % 2 == 1, column, -column), row))
        frame = pd.DataFrame({"row": row[order], "column": column[order]})
        frame["plant"] = [plot + _letter(one) for one in range(len(frame))]
        frame["variety"], frame["block"], frame["plot"] = variety, block, plot
        frame["treatment"] = None
        if request.design == SPLIT_PLOT:
            parts = rng.permutation(np.array(request.treatments, dtype=object))
            part = (column[order] - (plot_column - 1) * along - 1) // part_long
            frame["treatment"] = parts[part]
        frames.append(frame)
    plants = pd.concat(frames, ignore_index=True)
    kept = ["plant", "variety", "block", "plot", "row", "column", "treatment"]
    return walking_order(plants)[kept]


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
    places |= {one for one in inside if one not in taken}
    return pd.DataFrame(sorted(places), columns=["row", "column"])


def _notes(
    request: PlanRequest, grid: IntArray, pattern: Pattern, found: NeighbourMix
) -> tuple[str, ...]:
    notes = [found.in_words()]
    if request.blocks == 1:
        notes.append(
            "One plot of each variety: variety and plot cannot be told apart, so this plan can "
            "describe but not compare. Use 2 repeats at least; 4 or more are better."
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
