"""The patterns that balance something: Latin squares, incomplete blocks, rows and columns.

Random Latin squares.

Jacobson & Matthews (1996), Generating uniformly distributed random Latin squares,
Journal of Combinatorial Designs 4:405-437: a walk over proper and improper squares that
reaches every Latin square and whose limit is uniform.

Resolvable incomplete blocks for many varieties: alpha designs.

Construction: Patterson & Williams (1976), A new class of resolvable incomplete block
designs, Biometrika 63:83-92. A k x r generating array with entries 0..s-1 is turned into
blocks by adding 1, 2, ... s-1 (mod s) to each column; row i of the result then stands for
the varieties i*s ... i*s + s - 1. Good arrays are found here by a seeded search, not copied.

The information matrix of such a design is block circulant, so its eigenvalues come from
s small matrices, one a frequency of the discrete Fourier transform. That makes one trial
array cheap enough to judge thousands on the efficiency factor itself.

Row-column layouts: blocked along the bed and across it at the same time.

The layout is found by interchange: two plots swap varieties when that raises the average
efficiency factor, with some worse swaps allowed early on so the search does not stick
(exchange and interchange procedures: Jones & Eccleston 1980, J. R. Statist. Soc. B 42:238;
annealing: Kirkpatrick, Gelatt & Vecchi 1983, Science 220:671).

Neighbours: which varieties stand next to which, and a search for a fairer mix.

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
import numpy.typing as npt

# ------------------------------------------------------------------------------------------------
# How much of the information about varieties a blocked layout keeps.
#
# In complete blocks every variety meets every other in every block and nothing is lost.
# In incomplete blocks some comparisons have to go through a third variety. The canonical
# efficiency factors say how much is left for each basic comparison; their harmonic mean is
# the average efficiency factor, the usual single figure for a design (James & Wilkinson 1971,
# Biometrika 58:279; John & Williams 1995, Cyclic and Computer Generated Designs, chapter 2).
# ------------------------------------------------------------------------------------------------

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

# An eigenvalue below this counts as zero: the comparison cannot be made at all.
DISCONNECTED = 1e-9


@dataclass(frozen=True)
class Efficiency:
    """Efficiency of a blocked layout for comparing varieties, as a fraction of 1.

    factors: canonical efficiency factors, smallest first, shape (varieties - 1,).
    average: their harmonic mean; 0 where some varieties can never be compared.
    bound: no design of this size can have a higher average (NaN where none is known).
    """

    factors: FloatArray
    average: float
    bound: float


def codes(labels: npt.ArrayLike) -> IntArray:
    """Labels as integers 0, 1, ... in sorted order, shape (n,)."""
    return np.unique(np.asarray(labels), return_inverse=True)[1].astype(np.int64).ravel()


def indicator(labels: npt.ArrayLike) -> FloatArray:
    """One column of zeros and ones a level, shape (n, levels)."""
    index = codes(labels)
    matrix = np.zeros((index.size, int(index.max()) + 1))
    matrix[np.arange(index.size), index] = 1.0
    return matrix


def information_matrix(variety: npt.ArrayLike, *strata: npt.ArrayLike) -> FloatArray:
    """Information about varieties after fitting the mean and every stratum as fixed.

    C = X'X - X'Z (Z'Z)^- Z'X, shape (varieties, varieties); John & Williams 1995, eq. 1.12.
    """
    x = indicator(variety)
    z = np.hstack([np.ones((x.shape[0], 1)), *(indicator(stratum) for stratum in strata)])
    left = np.linalg.svd(z, full_matrices=False)
    basis = left[0][:, left[1] > 1e-9 * left[1][0]]
    seen = basis.T @ x
    return np.asarray(x.T @ x - seen.T @ seen)


def canonical_efficiency_factors(variety: npt.ArrayLike, *strata: npt.ArrayLike) -> FloatArray:
    """Eigenvalues of R^-1/2 C R^-1/2 without the trivial zero, smallest first.

    R holds the replications. 1 is full information, 0 none. Shape (varieties - 1,).
    """
    information = information_matrix(variety, *strata)
    replication = np.bincount(codes(variety)).astype(float)
    scaled = information / np.sqrt(np.outer(replication, replication))
    # The overall mean is the trivial direction; lift it out of the way before sorting.
    trivial = np.sqrt(replication / replication.sum())
    values = np.linalg.eigvalsh(scaled + 2.0 * np.outer(trivial, trivial))
    return np.clip(values[:-1], 0.0, 1.0)


def pair_efficiency(variety: npt.ArrayLike, *strata: npt.ArrayLike) -> FloatArray:
    """Efficiency factor of every pair: 2/r over the pair's variance in units of s2.

    The variance of a difference is s2 (g_ii + g_jj - 2 g_ij), G a generalised inverse of the
    information matrix (John & Williams 1995, section 2.2).  Over all pairs of an equally
    replicated design the harmonic mean is the average efficiency factor.  Shape (varieties,
    varieties), varieties in sorted order; NaN on the diagonal.  Raises ValueError where some
    varieties can never be compared.
    """
    if harmonic_mean(canonical_efficiency_factors(variety, *strata)) == 0.0:
        raise ValueError("Some varieties can never be compared in this layout.")
    inverse = np.linalg.pinv(information_matrix(variety, *strata), hermitian=True)
    own = np.diag(inverse)
    variance = own[:, None] + own[None, :] - 2.0 * inverse
    np.fill_diagonal(variance, np.nan)
    each = 1.0 / np.bincount(codes(variety)).astype(float)
    return np.asarray((each[:, None] + each[None, :]) / variance)


def harmonic_mean(factors: FloatArray) -> float:
    """Average efficiency factor from canonical factors; 0 for a disconnected layout."""
    if factors.size == 0 or float(factors.min()) < DISCONNECTED:
        return 0.0
    return float(factors.size / np.sum(1.0 / factors))


def resolvable_bound(varieties: int, replicates: int, blocks: int) -> float:
    """Upper bound on the average efficiency factor of a resolvable design.

    `blocks` is s, the blocks in each replicate. Blocks take s - 1 units of information in
    all, from at most r(s-1) comparisons, and the harmonic mean is largest when they share
    the loss equally: E <= (v-1)(r-1) / [(v-1)(r-1) + r(s-1)] (Patterson & Williams 1976,
    Biometrika 63:83, section 3), which square lattices reach. Where r(s-1) exceeds v - 1
    all comparisons share the loss and the bound is that of a balanced design.
    """
    lost = blocks - 1
    sharing = min(replicates * lost, varieties - 1)
    if lost == 0:
        return 1.0
    if sharing <= lost:
        return 0.0
    return (varieties - 1) / (varieties - 1 + sharing * lost / (sharing - lost))


def incomplete_bound(varieties: int, block_size: int) -> float:
    """Upper bound on the average efficiency factor of v varieties in blocks of k plots.

    The mean canonical factor is largest when varieties repeat within a block as little as
    they can, and the harmonic mean cannot exceed it. For k < v this is v(k-1) / [k(v-1)],
    which balanced incomplete block designs reach (Yates 1936, Annals of Eugenics 7:121;
    Cochran & Cox 1957, section 11.1).
    """
    times, over = divmod(block_size, varieties)
    squares = (varieties - over) * times**2 + over * (times + 1) ** 2
    return varieties * (1 - squares / block_size**2) / (varieties - 1)


def efficiency(
    variety: npt.ArrayLike, *strata: npt.ArrayLike, bound: float = float("nan")
) -> Efficiency:
    """Canonical factors, their harmonic mean and the bound, for one layout."""
    factors = canonical_efficiency_factors(variety, *strata)
    return Efficiency(factors=factors, average=harmonic_mean(factors), bound=bound)


# ------------------------------------------------------------------------------------------------
# The patterns that balance something: Latin squares, incomplete blocks, rows and columns.
# ------------------------------------------------------------------------------------------------

def random_latin_square(size: int, rng: np.random.Generator, visits: int | None = None) -> IntArray:
    """A Latin square of 0 .. size-1, shape (size, size), by the Jacobson-Matthews walk.

    visits: proper squares passed before stopping. (Counting proper squares, not steps,
    keeps the limit uniform: stopping at the first proper square after a fixed time is not.)
    """
    if size < 2:
        return np.zeros((size, size), dtype=np.int64)
    cube = np.zeros((size, size, size), dtype=np.int64)
    row, column = np.indices((size, size))
    cube[row, column, (row + column) % size] = 1
    left = visits if visits is not None else 2 * size**2
    improper: tuple[int, int, int] | None = None
    while left > 0:
        improper = _step(cube, improper, rng)
        left -= improper is None
    return np.asarray(cube.argmax(axis=2), dtype=np.int64)


def _step(
    cube: IntArray, improper: tuple[int, int, int] | None, rng: np.random.Generator
) -> tuple[int, int, int] | None:
    """One +-1 move; returns the improper cell if the square has one afterwards."""
    if improper is None:
        a, b, c = (int(place) for place in rng.integers(len(cube), size=3))
        while cube[a, b, c] != 0:
            a, b, c = (int(place) for place in rng.integers(len(cube), size=3))
    else:
        a, b, c = improper
    # In a proper square each line has a single 1; through an improper cell it has two.
    a2 = _one_of(cube[:, b, c], rng)
    b2 = _one_of(cube[a, :, c], rng)
    c2 = _one_of(cube[a, b, :], rng)
    for cell in ((a, b, c), (a, b2, c2), (a2, b, c2), (a2, b2, c)):
        cube[cell] += 1
    for cell in ((a2, b, c), (a, b2, c), (a, b, c2), (a2, b2, c2)):
        cube[cell] -= 1
    return (a2, b2, c2) if cube[a2, b2, c2] < 0 else None


def _one_of(line: IntArray, rng: np.random.Generator) -> int:
    """The place of a 1 in a line, drawn evenly when there are two."""
    ones = np.flatnonzero(line == 1)
    return int(ones[0] if ones.size == 1 else ones[rng.integers(ones.size)])


@dataclass(frozen=True)
class AlphaDesign:
    """A resolvable design: replicates of blocks of variety numbers 0 .. v-1.

    array: the generating array, shape (block_size, replicates).
    blocks: blocks[replicate][block] is the variety numbers in that block.
    """

    varieties: int
    array: IntArray
    blocks: tuple[tuple[IntArray, ...], ...]
    efficiency: Efficiency


def array_efficiency(array: IntArray, cycle: int) -> float:
    """Average efficiency factor of the full design (v = k s) an array generates.

    Frequency f of the information matrix is r I - A A* / k with A[p, c] =
    exp(2 pi i f a[p, c] / s). A A* and A* A share their non-zero eigenvalues, so the
    smaller of the two is used. 0 for a design that is not connected.
    """
    size, replicates = array.shape
    frequency = np.arange(1, cycle)
    wave = np.exp(2j * np.pi / cycle * frequency[:, None, None] * array[None, :, :])
    small = np.conj(np.swapaxes(wave, 1, 2)) @ wave
    if size < replicates:
        small = wave @ np.conj(np.swapaxes(wave, 1, 2))
    lost = np.linalg.eigvalsh(small) / (size * replicates)
    left = 1.0 - lost
    if left.size and float(left.min()) < DISCONNECTED:
        return 0.0
    full = size * cycle - 1 - left.size
    return float((size * cycle - 1) / (full + np.sum(1.0 / left)))


def search_array(
    block_size: int, replicates: int, cycle: int, rng: np.random.Generator, starts: int = 30
) -> IntArray:
    """A generating array of high efficiency by coordinate exchange from random starts.

    The first row and column are zero without loss of generality (the reduced array of
    Patterson & Williams, section 2). Each other entry in turn takes its best value until
    a whole sweep changes nothing. The first start is a[i, j] = i j (mod s), which is a
    square lattice where s is prime and k <= s. Stops early when the bound is reached.
    """
    bound = resolvable_bound(block_size * cycle, replicates, cycle)
    best = np.zeros((block_size, replicates), dtype=np.int64)
    best_value = -1.0
    for start in range(starts):
        array = np.outer(np.arange(block_size), np.arange(replicates)) % cycle
        if start > 0:
            array[1:, 1:] = rng.integers(0, cycle, size=(block_size - 1, replicates - 1))
        value = array_efficiency(array, cycle)
        improving = True
        while improving:
            improving = False
            for row in range(1, block_size):
                for column in range(1, replicates):
                    best_entry = int(array[row, column])
                    for entry in range(cycle):
                        array[row, column] = entry
                        trial = array_efficiency(array, cycle)
                        if trial > value + 1e-12:
                            value, best_entry, improving = trial, entry, True
                    array[row, column] = best_entry
        if value > best_value + 1e-12:
            best, best_value = array.copy(), value
        if best_value > bound - 1e-9:
            break
    return best


def blocks_from_array(array: IntArray, cycle: int) -> tuple[tuple[IntArray, ...], ...]:
    """Replicates of blocks of variety numbers, v = k s (Patterson & Williams, section 2)."""
    group = cycle * np.arange(array.shape[0])
    return tuple(
        tuple((array[:, replicate] + shift) % cycle + group for shift in range(cycle))
        for replicate in range(array.shape[1])
    )


def alpha_design(
    varieties: int, replicates: int, block_size: int, rng: np.random.Generator, starts: int = 30
) -> AlphaDesign:
    """An efficient alpha design for v varieties in blocks of at most `block_size` plots.

    Where v is not a multiple of the block size, the last varieties of the last group are
    left out (Patterson & Williams, section 4), so blocks differ by at most one plot.
    """
    cycle = -(-varieties // block_size)
    size = -(-varieties // cycle)
    array = search_array(size, replicates, cycle, rng, starts)
    blocks = tuple(
        tuple(block[block < varieties] for block in replicate)
        for replicate in blocks_from_array(array, cycle)
    )
    variety, _, block_of = flatten(blocks)
    bound = resolvable_bound(varieties, replicates, cycle)
    measured = efficiency(variety, block_of, bound=bound)
    return AlphaDesign(varieties, array, blocks, measured)


def flatten(blocks: tuple[tuple[IntArray, ...], ...]) -> tuple[IntArray, IntArray, IntArray]:
    """Variety, replicate and block number of every plot, each of shape (plots,)."""
    variety: list[int] = []
    replicate_of: list[int] = []
    block_of: list[int] = []
    number = 0
    for replicate, group in enumerate(blocks):
        for block in group:
            variety.extend(int(number) for number in block)
            replicate_of.extend([replicate] * len(block))
            block_of.extend([number] * len(block))
            number += 1
    return np.array(variety), np.array(replicate_of), np.array(block_of)


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
    for (row, column), number in np.ndenumerate(grid):
        in_row[number, row] += 1
        in_column[number, column] += 1
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
        own = "no variety is its own neighbour"
        if self.own:
            own = f"a variety is its own neighbour in {self.own} places"
        times = f"{self.fewest}" if self.fewest == self.most else f"{self.fewest} to {self.most}"
        often = "once" if times == "1" else f"{times} times"
        return f"Neighbours: {own}; any two varieties stand side by side {often}."


def edges(
    grid: IntArray, cut_rows: Sequence[int] = (), cut_columns: Sequence[int] = ()
) -> IntArray:
    """Pairs of neighbouring cells as flat indices, shape (pairs, 2).

    Plots parted by an aisle (after the listed rows or columns, counted from 0) or by an
    empty cell are not neighbours.
    """
    index = np.arange(grid.size).reshape(grid.shape)
    rows = [line for line in range(grid.shape[0] - 1) if line not in set(cut_rows)]
    columns = [line for line in range(grid.shape[1] - 1) if line not in set(cut_columns)]
    down = np.stack([index[rows, :].ravel(), index[[line + 1 for line in rows], :].ravel()], axis=1)
    along = np.stack(
        [index[:, columns].ravel(), index[:, [line + 1 for line in columns]].ravel()], axis=1
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
    members = [group for group in members if group.size > 1]
    if not members:
        return None
    plots = np.concatenate(members)
    group_of = np.repeat(np.arange(len(members)), [group.size for group in members])

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
