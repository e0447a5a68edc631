"""Row-column layouts: blocked along the bed and across it at the same time.

The layout is found by interchange: two plots swap varieties when that raises the average
efficiency factor, with some worse swaps allowed early on so the search does not stick
(exchange and interchange procedures: Jones & Eccleston 1980, J. R. Statist. Soc. B 42:238;
annealing: Kirkpatrick, Gelatt & Vecchi 1983, Science 220:671).
"""

from __future__ import annotations

import numpy as np

from trialkit.design.efficiency import (
    DISCONNECTED,
    Efficiency,
    FloatArray,
    IntArray,
    efficiency,
    incomplete_bound,
)


def row_column_grid(
    varieties: int, rows: int, columns: int, rng: np.random.Generator, tries: int = 4000
) -> IntArray:
    """Variety numbers on a rows x columns grid of plots, each variety equally often.

    Where the columns (or rows) are a multiple of the varieties, every row (or column) is
    kept complete and only the other direction is searched.

    Raises ValueError when rows * columns is not a multiple of the varieties.
    """
    plots = rows * columns
    if plots % varieties:
        raise ValueError(f"{plots} plots cannot hold {varieties} varieties equally often")
    if rows % varieties == 0 and columns % varieties:
        return row_column_grid(varieties, columns, rows, rng, tries).T.copy()
    complete_rows = columns % varieties == 0
    grid = np.tile(np.arange(varieties), plots // varieties).reshape(rows, columns)
    if complete_rows:
        grid = np.stack([rng.permutation(row) for row in grid])
    else:
        grid = rng.permutation(grid.ravel()).reshape(rows, columns)
    return _anneal(grid, varieties, complete_rows, rng, tries)


def grid_efficiency(grid: IntArray) -> Efficiency:
    """Efficiency of comparing varieties after rows and columns are both taken out."""
    rows, columns = np.indices(grid.shape)
    varieties = int(grid.max()) + 1
    # Losses to rows and to columns add up in the mean factor, so they do in its bound.
    lost = sum(1.0 - incomplete_bound(varieties, size) for size in grid.shape)
    return efficiency(grid.ravel(), rows.ravel(), columns.ravel(), bound=1.0 - lost)


def _anneal(
    grid: IntArray, varieties: int, within_rows: bool, rng: np.random.Generator, tries: int
) -> IntArray:
    rows, columns = grid.shape
    in_row = np.zeros((varieties, rows))
    in_column = np.zeros((varieties, columns))
    for (row, column), one in np.ndenumerate(grid):
        in_row[one, row] += 1
        in_column[one, column] += 1
    now = _average(in_row, in_column)
    best, best_value = grid.copy(), now
    heat = 0.02
    for _ in range(tries):
        heat *= 0.999
        a = (int(rng.integers(rows)), int(rng.integers(columns)))
        b = (a[0] if within_rows else int(rng.integers(rows)), int(rng.integers(columns)))
        first, second = int(grid[a]), int(grid[b])
        if first == second:
            continue
        _swap(in_row, in_column, first, second, a, b)
        value = _average(in_row, in_column)
        if value >= now or rng.random() < np.exp((value - now) / heat):
            now = value
            grid[a], grid[b] = second, first
            if now > best_value + 1e-12:
                best, best_value = grid.copy(), now
        else:
            _swap(in_row, in_column, second, first, a, b)
    return best


def _swap(
    in_row: FloatArray,
    in_column: FloatArray,
    first: int,
    second: int,
    a: tuple[int, int],
    b: tuple[int, int],
) -> None:
    """Count the move of `first` from a to b and of `second` from b to a."""
    for table, here, there in ((in_row, a[0], b[0]), (in_column, a[1], b[1])):
        table[first, here] -= 1
        table[first, there] += 1
        table[second, there] -= 1
        table[second, here] += 1


def _average(in_row: FloatArray, in_column: FloatArray) -> float:
    """Average efficiency factor from the two incidence tables; below 0 if not connected."""
    varieties, rows = in_row.shape
    columns = in_column.shape[1]
    replication = rows * columns / varieties
    information = (
        replication * np.eye(varieties)
        - in_row @ in_row.T / columns
        - in_column @ in_column.T / rows
        + replication**2 / (rows * columns)
    )
    values = np.linalg.eigvalsh(information + 2 * replication / varieties)[:-1] / replication
    if float(values.min()) < DISCONNECTED:
        # Not connected yet: let more usable comparisons count as better.
        return float(np.mean(values > DISCONNECTED)) - 1.0
    return float((varieties - 1) / np.sum(1.0 / values))
