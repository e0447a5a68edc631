"""Which varieties stand next to which, and a search for a fairer mix.

A tall variety shades its neighbour and a thirsty one robs it. If the same two always stand
together, that shows up as a variety difference. The search swaps what a design lets one
swap (two plots of one block, two rows of a Latin square, ...) so that a variety is not its
own neighbour and every pair meets about equally often. Because varieties are drawn to the
numbers of the finished pattern at random afterwards, each variety is as likely as any other
to land on any plot (restricted randomisation: Yates 1948; Bailey & Rowley 1987, Proc. R.
Soc. A 410:105, discuss when it is valid; the tests measure the error rate it gives here).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.design.efficiency import FloatArray, IntArray

EMPTY = -1
# A variety beside itself wastes a comparison with a true neighbour: it counts this many times.
SELF_WEIGHT = 4.0

# Draws two equally long lists of cells of the flattened grid that may change places.
DrawSwap = Callable[[np.random.Generator], tuple[IntArray, IntArray]]


@dataclass(frozen=True)
class NeighbourMix:
    """Side-by-side plots in a finished layout.

    own: pairs of neighbouring plots with the same variety.
    fewest, most: how often the least and most frequent pair of varieties meets.
    uneven: the score that the search lowers (0 is a perfectly even mix).
    """

    own: int
    fewest: int
    most: int
    uneven: float

    def in_words(self) -> str:
        """One sentence for the plan."""
        own = "no variety stands beside itself"
        if self.own:
            own = f"a variety stands beside itself in {self.own} places"
        times = f"{self.fewest}" if self.fewest == self.most else f"{self.fewest} to {self.most}"
        return f"Neighbours: {own}; each pair of varieties meets {times} times."


def edges(
    grid: IntArray, cut_rows: Sequence[int] = (), cut_columns: Sequence[int] = ()
) -> IntArray:
    """Pairs of neighbouring cells as flat indices, shape (pairs, 2).

    Plots parted by an aisle (after the listed rows or columns, counted from 0) or by an
    empty cell are not neighbours.
    """
    index = np.arange(grid.size).reshape(grid.shape)
    rows = [one for one in range(grid.shape[0] - 1) if one not in set(cut_rows)]
    columns = [one for one in range(grid.shape[1] - 1) if one not in set(cut_columns)]
    down = np.stack([index[rows, :].ravel(), index[[one + 1 for one in rows], :].ravel()], axis=1)
    along = np.stack(
        [index[:, columns].ravel(), index[:, [one + 1 for one in columns]].ravel()], axis=1
    )
    pairs = np.concatenate([down, along]).astype(np.int64)
    filled = grid.ravel()[pairs] != EMPTY
    return np.asarray(pairs[filled.all(axis=1)])


def meetings(cells: IntArray, pairs: IntArray, varieties: int) -> FloatArray:
    """How often each pair of varieties stands side by side, shape (v, v), symmetric."""
    if pairs.size == 0:
        return np.zeros((varieties, varieties))
    left, right = cells[pairs[:, 0]], cells[pairs[:, 1]]
    count = np.bincount(left * varieties + right, minlength=varieties**2)
    table = count.reshape(varieties, varieties).astype(float)
    return np.asarray(table + table.T)


def mix(grid: IntArray, pairs: IntArray, varieties: int) -> NeighbourMix:
    """The neighbour mix of a layout."""
    table = meetings(grid.ravel(), pairs, varieties)
    other = table[~np.eye(varieties, dtype=bool)]
    own = int(np.trace(table) / 2)
    if other.size == 0:
        return NeighbourMix(own, 0, 0, 0.0)
    return NeighbourMix(own, int(other.min()), int(other.max()), _score(table))


def _score(table: FloatArray) -> float:
    # Sums over the whole symmetric table cost less than picking out its upper triangle.
    varieties = table.shape[0]
    kinds = varieties * (varieties - 1) / 2
    twice_own = table.diagonal()
    squares = (float(np.vdot(table, table)) - float(twice_own @ twice_own)) / 2
    total = (float(table.sum()) - float(twice_own.sum())) / 2
    own = twice_own / 2
    return float(SELF_WEIGHT * (own @ own + own.sum()) + squares - total**2 / kinds)


def _perfect(pairs: int, varieties: int) -> float:
    """The score of a mix with no variety beside itself and counts that differ by 1 at most."""
    kinds = varieties * (varieties - 1) // 2
    share = pairs / kinds
    over = pairs % kinds
    return over * (pairs // kinds + 1 - share) ** 2 + (kinds - over) * (pairs // kinds - share) ** 2


def improve(
    grid: IntArray,
    pairs: IntArray,
    draw_swap: DrawSwap | None,
    varieties: int,
    rng: np.random.Generator,
    tries: int = 3000,
) -> IntArray:
    """A more even neighbour mix, reached only by swaps that keep the design what it is."""
    cells = grid.ravel().copy()
    if draw_swap is None or pairs.size == 0 or varieties < 2:
        return grid.copy()
    now = _score(meetings(cells, pairs, varieties))
    best, best_score = cells.copy(), now
    perfect = _perfect(len(pairs), varieties)
    heat = max(now, 1.0) / 20.0
    for _ in range(tries):
        if best_score <= perfect + 1e-9:
            break
        heat *= 0.998
        here, there = draw_swap(rng)
        cells[here], cells[there] = cells[there], cells[here]
        score = _score(meetings(cells, pairs, varieties))
        if score <= now or rng.random() < np.exp((now - score) / heat):
            now = score
            if now < best_score - 1e-9:
                best, best_score = cells.copy(), now
        else:
            cells[here], cells[there] = cells[there], cells[here]
    return best.reshape(grid.shape)


def swap_within(groups: IntArray) -> DrawSwap | None:
    """Draws two plots of one group; `groups` is a grid and its EMPTY cells stay put.

    None where no group has two plots.
    """
    flat = groups.ravel()
    members = [np.flatnonzero(flat == group) for group in np.unique(flat[flat != EMPTY])]
    members = [one for one in members if one.size > 1]
    if not members:
        return None
    plots = np.concatenate(members)
    group_of = np.repeat(np.arange(len(members)), [one.size for one in members])

    def draw(rng: np.random.Generator) -> tuple[IntArray, IntArray]:
        at = int(rng.integers(plots.size))
        group = members[int(group_of[at])]
        other = group[int(rng.integers(group.size))]
        return plots[at : at + 1], np.array([other])

    return draw


def swap_of_lines(shape: tuple[int, int]) -> DrawSwap:
    """Draws two whole rows or two whole columns of the grid."""
    index = np.arange(shape[0] * shape[1]).reshape(shape)

    def draw(rng: np.random.Generator) -> tuple[IntArray, IntArray]:
        lines = index if rng.random() < 0.5 else index.T
        return lines[int(rng.integers(len(lines)))], lines[int(rng.integers(len(lines)))]

    return draw
