"""Cross-products of [Z | X y] under weights or a known covariance of the errors: after this step
the number of records is gone.

The groupings that can be eliminated unit by unit come first, each kept as one small block a unit;
the other groupings, X and y together are the *rest*, kept dense.  (The blocked form is that of
Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1), section 3.)
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Codes, Floats, Grouping

# ------------------------------------------------------------------------------------------------
# The order in which groupings are eliminated from the mixed-model equations.
#
# Eliminating a level ties together whatever shared records with it.  Where factors are nested
# (plant in plot in block) that reaches no further than the level above, so the equations stay block
# diagonal up the chain; it is the fill-reducing order of a sparse Cholesky factor, known here from
# the groupings alone (Davis 2006, Direct Methods for Sparse Linear Systems, ch. 7).  A grouping is
# a *stage* of the elimination if its levels fall into many small *units*, of which none is tied to
# another: units of one level where factors are nested, the plants of a plot where the dates of each
# plot went before.  What has no such units (dates crossed with everything) stays to the end and is
# factored densely.
# ------------------------------------------------------------------------------------------------

# A unit with more effects than this costs more to eliminate than it saves.
WIDEST = 40
# A stage after the first that takes fewer columns than this out of the dense part is not worth its
# own steps; the first is, as small blocks keep their digits where a variance is large.
LEAST_SAVED = 24
# Units padded to the widest hold at most this many times the levels there are.
PADDED = 4


@dataclass(frozen=True, eq=False)
class Stage:
    """A grouping eliminated unit by unit.

    records: (n,) the unit of each record; unit, slot: (levels,) the unit of each level and its
    place there.  Effects are held as (units, width), width = slots * k, zero where a unit has
    fewer levels than slots.
    """

    grouping: Grouping
    records: Codes
    unit: Codes
    slot: Codes
    n_units: int
    slots: int

    @property
    def k(self) -> int:
        return self.grouping.k

    @property
    def width(self) -> int:
        return self.slots * self.grouping.k

    @cached_property
    def places(self) -> Codes:
        """Number of each record's slot among all units' slots, (n,)."""
        if self.slots == 1:
            return self.records
        return np.asarray((self.unit * self.slots + self.slot)[self.grouping.codes])

    @property
    def n_places(self) -> int:
        return self.n_units * self.slots

    def factor(self, lower: Floats) -> Floats:
        """L_f (k, k) of one level as that of a whole unit, (width, width)."""
        return np.kron(np.eye(self.slots), lower) if self.slots > 1 else lower

    def by_unit(self, effects: Floats) -> Floats:
        """(levels, k, ...) as (units, width, ...)."""
        shape = (self.n_units, self.slots, *effects.shape[1:])
        out = np.zeros(shape, dtype=effects.dtype)
        out[self.unit, self.slot] = effects
        return out.reshape(self.n_units, self.width, *effects.shape[2:])

    def by_level(self, effects: Floats) -> Floats:
        """(units, width, ...) as (levels, k, ...)."""
        parts = effects.reshape(self.n_units, self.slots, self.k, *effects.shape[2:])
        return np.asarray(parts[self.unit, self.slot])

    def own_sum(self, blocks: Floats) -> Floats:
        """Sum over the levels of their own (k, k) blocks of (units, width, width)."""
        if self.slots == 1:
            return np.asarray(blocks.sum(axis=0))
        parts = blocks.reshape(self.n_units, self.slots, self.k, self.slots, self.k)
        return np.asarray(np.einsum("usasb->ab", parts))


@dataclass(frozen=True, eq=False)
class Link:
    """Which unit of a later stage each unit of a stage lies in, (units,)."""

    above: Codes
    n_above: int

    @cached_property
    def _sums(self) -> sparse.csr_matrix:
        n = len(self.above)
        return sparse.csr_matrix(
            (np.ones(n), (self.above, np.arange(n))), shape=(self.n_above, n)
        )

    def down(self, x: Floats) -> Floats:
        """For each unit below, what the unit above it holds: (units above, ...) -> (units, ...)."""
        return np.take(x, self.above, axis=0)

    def up(self, x: Floats) -> Floats:
        """Sum over the units below: (units, ...) -> (units above, ...)."""
        total = self._sums @ x.reshape(len(x), -1)
        return np.asarray(total).reshape(self.n_above, *x.shape[1:])


def order_of_elimination(
    groupings: Sequence[Grouping], tied: Codes | None = None
) -> tuple[tuple[Stage, ...], tuple[Grouping, ...]]:
    """The stages, first to last, and the groupings that stay dense, largest first.

    tied: (n,) numbers of sets of records that are tied from the start, by errors that covary.
    """
    stages: list[Stage] = []
    dense: list[Grouping] = []
    for g in sorted(groupings, key=lambda g: -g.size):
        stage = _stage(g, tied)
        columns = stage.width
        if (
            columns <= WIDEST
            and g.size - columns >= (LEAST_SAVED if stages else 1)
            and stage.n_places <= PADDED * g.n_levels
        ):
            stages.append(stage)
            tied = stage.records
        else:
            dense.append(g)
    return tuple(stages), tuple(dense)


def links(stages: Sequence[Stage]) -> dict[tuple[int, int], Link]:
    """From each stage to every later one."""
    out = {}
    for i, low in enumerate(stages):
        for j in range(i + 1, len(stages)):
            above = np.zeros(low.n_units, dtype=np.intp)
            above[low.records] = stages[j].records
            out[i, j] = Link(above, stages[j].n_units)
    return out


def sums_of(low: Stage, high: Stage) -> Floats | None:
    """N (width of low, width of high) with Z_high = Z_low N in every unit: the later stage's
    columns are sums of the earlier one's.  None where they are not (slopes that low lacks)."""
    if high.slots > 1:
        return None
    out = np.zeros((low.slots, low.k, high.k))
    for b, values in enumerate(high.grouping.values):
        same = [a for a, own in enumerate(low.grouping.values) if _equal(own, values)]
        if not same:
            return None
        out[:, same[0], b] = 1.0
    return out.reshape(low.width, high.width)


def batched(a: Floats, b: Floats) -> Floats:
    """Products of two stacks of small matrices, (u, l, s) by (u, s, m)."""
    return a * b if a.shape[-1] == 1 else np.matmul(a, b)


def _equal(a: Floats | None, b: Floats | None) -> bool:
    if a is None or b is None:
        return a is b
    return a is b or np.array_equal(a, b)


def _stage(g: Grouping, tied: Codes | None) -> Stage:
    records = g.codes if tied is None else _joined(tied, g)
    if records is g.codes:
        each = np.arange(g.n_levels)
        return Stage(g, g.codes, each, np.zeros_like(each), g.n_levels, 1)
    unit = np.zeros(g.n_levels, dtype=np.intp)
    unit[g.codes] = records
    slot = pd.Series(unit).groupby(unit).cumcount().to_numpy().astype(np.intp)
    return Stage(g, records, unit, slot, int(records.max()) + 1, int(slot.max()) + 1)


def _joined(tied: Codes, g: Grouping) -> Codes:
    """Numbers of the sets of records after those that share a level are put together."""
    count = int(tied.max()) + 1
    above = np.zeros(count, dtype=np.intp)
    above[tied] = g.codes
    if np.array_equal(above[tied], g.codes):
        return g.codes
    sets, levels = tied, g.codes
    if count * g.n_levels <= 4 * len(tied):  # each pair once: records are many, pairs may be few
        table = np.bincount(tied * g.n_levels + g.codes, minlength=count * g.n_levels)
        sets, levels = np.divmod(np.flatnonzero(table), g.n_levels)
    pairs = sparse.csr_matrix(
        (np.ones(len(sets), dtype=bool), (sets, count + levels)),
        shape=(count + g.n_levels, count + g.n_levels),
    )
    _, labels = connected_components(pairs, directed=False)
    _, packed = np.unique(labels[:count], return_inverse=True)
    return np.asarray(packed.reshape(-1).astype(np.intp)[tied])


# ------------------------------------------------------------------------------------------------
# Weighted cross-products of [Z | X y]: after this step the number of records is gone.
# ------------------------------------------------------------------------------------------------

# Above this many cells a two-way table of level by row is kept sparse.
DENSE_CELLS = 20_000_000


@dataclass(frozen=True)
class Dense:
    """Dense columns given as few distinct rows: column j of record i is rows[codes[i], j]."""

    rows: Floats
    codes: Codes

    def times(self, coefficients: Floats) -> Floats:
        """X b, one value a record (n,)."""
        out: Floats = (self.rows @ coefficients)[self.codes]
        return out

    def transpose_times(self, values: Floats) -> Floats:
        """X' v (p,)."""
        sums = np.bincount(self.codes, weights=values, minlength=len(self.rows))
        out: Floats = self.rows.T @ sums
        return out


@dataclass(frozen=True)
class Cross:
    """Cross-products A = [Z X y]'W[Z X y] under one set of weights.

    rows: one array a stage, (units, width, width + the widths of the later stages + m): what a
        unit has with itself, with the unit of each later stage it lies in, and with the rest
    rest: (m, m), [Z2 X y]'W[Z2 X y]
    """

    rows: tuple[Floats, ...]
    rest: Floats

    def times(
        self, random: RandomPart, g: int, effects: Floats
    ) -> tuple[list[Floats], Floats]:
        """Z'WZ_g b, (levels, k, q) a grouping, and [X y]'WZ_g b, for effects b (levels, k, q)."""
        stages, c, q = random.stages, len(random.stages), effects.shape[2]
        if g >= c:
            at, b = random.slices[g - c], effects.reshape(-1, q)
            ends = [random.tail(i) + s.width for i, s in enumerate(stages)]
            by_unit = [
                rows[:, :, end:][:, :, at] @ b for rows, end in zip(self.rows, ends, strict=True)
            ]
            rest = self.rest[:, at] @ b
        else:
            b = stages[g].by_unit(effects)
            own = self.rows[g]
            width = stages[g].width
            by_unit = []
            for i in range(c):
                if i < g:
                    at = random.columns(i, g)
                    first = stages[i].width
                    block = self.rows[i][:, :, first + at.start : first + at.stop]
                    by_unit.append(np.matmul(block, random.links[i, g].down(b)))
                elif i == g:
                    by_unit.append(np.matmul(own[:, :, :width], b))
                else:
                    block = own[:, :, width:][:, :, random.columns(g, i)]
                    by_unit.append(
                        random.links[g, i].up(np.matmul(block.transpose(0, 2, 1), b))
                    )
            end = width + random.tail(g)
            rest = own[:, :, end:].reshape(b.shape[0] * width, -1).T @ b.reshape(-1, q)
        z = [s.by_level(x) for s, x in zip(stages, by_unit, strict=True)]
        for other, s in zip(random.others, random.slices, strict=True):
            z.append(rest[s].reshape(other.n_levels, other.k, q))
        return z, rest[random.r :]


@dataclass
class RandomPart:
    """All groupings in the order of elimination, stages first, and where each sits.

    tied: (n,) numbers of sets of records whose errors covary; None where none do.
    """

    groupings: tuple[Grouping, ...]
    keep_pairs: bool = False
    tied: Codes | None = None
    _pairs: dict[tuple[int, int], Codes] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.stages, self.others = order_of_elimination(self.groupings, self.tied)
        self.groupings = (*(s.grouping for s in self.stages), *self.others)

    @cached_property
    def links(self) -> dict[tuple[int, int], Link]:
        """From each stage to every later one."""
        return links(self.stages)

    @cached_property
    def sums(self) -> dict[tuple[int, int], Floats]:
        """For stages i < j where Z_j = Z_i N: N, (width of i, width of j)."""
        matrices = {at: sums_of(self.stages[at[0]], self.stages[at[1]]) for at in self.links}
        return {at: n for at, n in matrices.items() if n is not None}

    @cached_property
    def r(self) -> int:
        """Columns of the groupings that stay dense."""
        return sum(g.size for g in self.others)

    @cached_property
    def slices(self) -> tuple[slice, ...]:
        """Where each of ``others`` sits among the rest's columns."""
        out, start = [], 0
        for g in self.others:
            out.append(slice(start, start + g.size))
            start += g.size
        return tuple(out)

    def tail(self, i: int) -> int:
        """Columns of the stages after stage i."""
        return sum(s.width for s in self.stages[i + 1 :])

    def columns(self, i: int, j: int) -> slice:
        """Where stage j > i sits among the columns that follow stage i's own."""
        start = sum(s.width for s in self.stages[i + 1 : j])
        return slice(start, start + self.stages[j].width)

    def times(self, effects: Sequence[Floats]) -> Floats:
        """Z b, one value a record; ``effects`` one (levels, k) array a grouping."""
        n = len(self.groupings[0].codes) if self.groupings else 0
        out = np.zeros(n)
        for g, b in zip(self.groupings, effects, strict=True):
            for a, values in enumerate(g.values):
                part = b[:, a][g.codes]
                out += part if values is None else part * values
        return out

    def transpose_times(self, v: Floats) -> list[Floats]:
        """Z' v, one (levels, k) array a grouping."""
        out = []
        for g in self.groupings:
            sums = [
                np.bincount(g.codes, v if x is None else v * x, g.n_levels).astype(np.float64)
                for x in g.values
            ]
            out.append(np.stack(sums, axis=1))
        return out

    def pair_codes(self, i: int, j: int) -> Codes:
        """Cell number of each record in the table of grouping i's slots by those of grouping j;
        for two stages, of i's slots by the slots of one unit of j.

        Kept for the next time where cross-products are formed at every step (count models)."""
        if (i, j) in self._pairs:
            return self._pairs[i, j]
        c = len(self.stages)
        first = self.stages[i].places if i < c else self.groupings[i].codes
        if j < c:
            stage = self.stages[j]
            if stage.slots == 1:
                return first
            codes: Codes = first * stage.slots
            codes += stage.slot[stage.grouping.codes]
        else:
            codes = first * self.groupings[j].n_levels
            codes += self.groupings[j].codes
        if self.keep_pairs:
            self._pairs[i, j] = codes
        return codes

    def cross_zz(self, i: int, j: int, w: Floats | None) -> Floats:
        """Zi'WZj for i < j: (slots of all units of i, k_i, slots of one unit of j, k_j) for two
        stages; all levels of j, and of i, where they stay dense."""
        gi, gj = self.groupings[i], self.groupings[j]
        c = len(self.stages)
        rows = self.stages[i].n_places if i < c else gi.n_levels
        columns = self.stages[j].slots if j < c else gj.n_levels
        codes = self.pair_codes(i, j)
        out = np.empty((rows, gi.k, columns, gj.k))
        for a in range(gi.k):
            for b in range(gj.k):
                weights = _product(w, gi.values[a], gj.values[b])
                table = np.bincount(codes, weights=weights, minlength=rows * columns)
                out[:, a, :, b] = table.reshape(rows, columns)
        return out


def cross_products(random: RandomPart, dense: Dense, y: Floats | None, w: Floats | None) -> Cross:
    """Form the cross-products once.  ``w`` (n,) weights or None; ``y`` (n,) or None."""
    p, r, c = dense.rows.shape[1], random.r, len(random.stages)
    room_for(random, p)
    m = r + p + (y is not None)
    rows: list[Floats] = []
    for i in range(c):
        below = [h for h in range(i) if (h, i) in random.sums]
        rows.append(
            _summed_rows(random, below[-1], i, rows[below[-1]]) if below
            else _stage_rows(random, i, dense, y, w)
        )
    rest = np.zeros((m, m))
    for i, si in enumerate(random.slices, start=c):
        gi = random.groupings[i]
        at = np.arange(gi.n_levels)
        block = np.zeros((gi.n_levels, gi.k, gi.n_levels, gi.k))
        block[at, :, at, :] = _own(gi, gi.codes, gi.n_levels, w)
        rest[si, si] = block.reshape(gi.size, gi.size)
        for j, sj in enumerate(random.slices[: i - c], start=c):
            table = random.cross_zz(j, i, w).reshape(-1, gi.size)
            rest[sj, si] = table
            rest[si, sj] = table.T
        rest[si, r:] = _group_dense(gi, gi.codes, gi.n_levels, dense, y, w).reshape(gi.size, -1)
        rest[r:, si] = rest[si, r:].T
    rest[r:, r:] = _dense_dense(dense, y, w)
    return Cross(tuple(rows), rest)


def _summed_rows(random: RandomPart, h: int, i: int, below: Floats) -> Floats:
    """Stage i's rows from an earlier stage h's with Z_i = Z_h N: Z_i'W[.] = N'Z_h'W[.] summed
    over the units within, so that records are read once a chain of nested groupings."""
    ends = below[:, :, random.stages[h].width + random.columns(h, i).start :]
    return random.links[h, i].up(batched(random.sums[h, i].T[None], ends))


def _stage_rows(
    random: RandomPart, i: int, dense: Dense, y: Floats | None, w: Floats | None
) -> Floats:
    """A stage's rows of the cross-products, laid out as in `Cross`."""
    stage, g, c = random.stages[i], random.groupings[i], len(random.stages)
    m = random.r + dense.rows.shape[1] + (y is not None)
    shape = (stage.n_units, stage.width)
    out = np.empty((*shape, stage.width + random.tail(i) + m))
    own = np.zeros((stage.n_units, stage.slots, stage.k, stage.slots, stage.k))
    slot = np.arange(stage.slots)
    blocks = _own(g, stage.places, stage.n_places, w)
    own[:, slot, :, slot, :] = blocks.reshape(-1, stage.slots, stage.k, stage.k).swapaxes(0, 1)
    out[:, :, : stage.width] = own.reshape(*shape, stage.width)
    later = out[:, :, stage.width :]
    for j in range(i + 1, c):
        later[:, :, random.columns(i, j)] = random.cross_zz(i, j, w).reshape(*shape, -1)
    rest = later[:, :, random.tail(i) :]
    for j, at in enumerate(random.slices, start=c):
        rest[:, :, at] = random.cross_zz(i, j, w).reshape(*shape, -1)
    ends = _group_dense(g, stage.places, stage.n_places, dense, y, w)
    rest[:, :, random.r :] = ends.reshape(*shape, -1)
    return out


def not_in_fixed(random: RandomPart, part: FixedPart) -> None:
    """Refuse a grouping whose levels the fixed effects already tell apart.

    Its variance would have no bearing on the likelihood: Z lies in the span of X, that is
    Z'Z - Z'X (X'X)^-1 X'Z vanishes.
    """
    dense = Dense(part.basis, part.codes)
    gram = _dense_dense(dense, None, None)
    for g in random.groupings:
        if g.n_levels > part.p:
            continue
        first = g.values[0]  # of slopes without an intercept, the first
        single = replace(g, columns=g.columns[:1], values=(first,), shared=(), centres=())
        zx = _group_dense(single, g.codes, g.n_levels, dense, None, None)[:, 0]
        n = float(len(g.codes)) if first is None else float(first @ first)
        if n - float(np.sum(zx * np.linalg.solve(gram, zx.T).T)) <= 1e-9 * n:
            raise MixedModelError(
                f"grouping factor '{g.name}' is aliased with the fixed effects: the formula "
                "already tells its levels apart, so their variance cannot be seen. Leave it out "
                "of groups, or out of the formula."
            )


def room_wanted(random: RandomPart, p: int) -> int:
    """Bytes that a linear fit and its comparisons hold at the most, within a fifth where that is
    10 MB or more (measured: `tests/mixed/test_room.py`).

    The fit holds about seven numbers a record, five copies of the stages' rows and four of the
    rest by the rest; Kenward and Roger's comparisons fewer of records and of the rest, and seven
    copies of the rows, ten where a stage's units have more than one effect.
    """
    size = random.r + p + 1
    rows = [
        (s.n_units * s.width * (s.width + random.tail(i) + size), s.width == 1)
        for i, s in enumerate(random.stages)
    ]
    records = len(random.groupings[0].codes) if random.groupings else 0
    fit = 7.0 * records + 5.0 * sum(n for n, _ in rows) + 4.0 * size**2
    comparisons = sum((7.2 if single else 10.0) * n for n, single in rows)
    return int(8 * max(fit, 4.3 * records + comparisons + 2.0 * size**2))


def room_for(random: RandomPart, p: int) -> None:
    """Refuse a model whose tables would not fit in this machine's memory, before they are made."""
    wanted = room_wanted(random, p)
    if wanted > _memory():
        names = ", ".join(f"{g.name} ({g.size})" for g in random.groupings)
        raise MixedModelError(
            f"groupings {names} need about {wanted / 1e9:.0f} GB: crossed groupings cannot all "
            "have many effects. Leave one out, or average the records over its levels first."
        )


def _memory() -> float:
    """Three quarters of the machine's memory in bytes; unlimited where it does not say."""
    try:
        return 0.75 * os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return float("inf")


def _product(*parts: Floats | None) -> Floats | None:
    out: Floats | None = None
    for part in parts:
        if part is not None:
            out = part if out is None else out * part
    return out


def _own(g: Grouping, places: Codes, count: int, w: Floats | None) -> Floats:
    """Each level's own block of Z'WZ, (count, k, k), by the place that ``places`` gives it."""
    own = np.empty((count, g.k, g.k))
    for a in range(g.k):
        for b in range(a + 1):
            sums = np.bincount(places, _product(w, g.values[a], g.values[b]), minlength=count)
            own[:, a, b] = own[:, b, a] = sums
    return own


def _group_dense(
    g: Grouping, places: Codes, count: int, dense: Dense, y: Floats | None, w: Floats | None
) -> Floats:
    """Zg'W[X y], (count, k, p (+ 1)), levels at the place that ``places`` gives them."""
    u, p = dense.rows.shape
    out = np.empty((count, g.k, p + (y is not None)))
    table: Floats | sparse.csr_matrix
    for a, values in enumerate(g.values):
        weights = _product(w, values)
        if count * u <= min(DENSE_CELLS, 4 * len(places) + 100_000):
            cells = places * u + dense.codes
            flat = np.bincount(cells, weights=weights, minlength=count * u)
            table = flat.astype(np.float64).reshape(-1, u)
        else:
            data = np.ones(len(places)) if weights is None else weights
            table = sparse.csr_matrix((data, (places, dense.codes)), shape=(count, u))
        out[:, a, :p] = table @ dense.rows
        if y is not None:
            out[:, a, p] = np.bincount(places, weights=_product(y, weights), minlength=count)
    return out


def _dense_dense(dense: Dense, y: Floats | None, w: Floats | None) -> Floats:
    """[X y]'W[X y]."""
    u, p = dense.rows.shape
    count = np.bincount(dense.codes, weights=w, minlength=u)
    xx = dense.rows.T @ (dense.rows * count[:, None])
    if y is None:
        return xx
    out = np.empty((p + 1, p + 1))
    out[:p, :p] = xx
    wy = y if w is None else w * y
    out[:p, p] = out[p, :p] = dense.transpose_times(wy)
    out[p, p] = float(wy @ y)
    return out


def mean_diagonals(random: RandomPart, cross: Cross) -> list[NDArray[np.float64]]:
    """Mean of each effect's own cross-product, one (k,) array a grouping.

    A relative variance of 1 / this is where a grouping starts to matter, so it sets the
    scale the optimiser works on.
    """
    own = [
        np.diagonal(s.own_sum(rows[:, :, : s.width])) / s.grouping.n_levels
        for s, rows in zip(random.stages, cross.rows, strict=True)
    ]
    diagonal = np.diagonal(cross.rest)
    own += [
        diagonal[at].reshape(g.n_levels, g.k).mean(axis=0)
        for g, at in zip(random.others, random.slices, strict=True)
    ]
    out = []
    for g, mean in zip(random.groupings, own, strict=True):
        mean = np.array(mean)
        for columns in g.shared:
            mean[list(columns)] = mean[list(columns)].mean()
        out.append(np.maximum(mean, 1e-300))
    return out

# ------------------------------------------------------------------------------------------------
# Records whose errors have a known covariance R, block diagonal: the same cross-products with R^-1
# for the weights.  The records of a block are tied from the start.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class KnownCovariance:
    """R (n, n), its inverse, the lower triangle of its Cholesky, and log |R|.

    blocks: (n,) the number of the diagonal block each record lies in.
    """

    inverse: sparse.csr_matrix
    root: sparse.csr_matrix
    logdet: float
    blocks: Codes


def read_covariance(covariance: object, n: int) -> KnownCovariance:
    """Check and factor a covariance matrix (n, n), dense or sparse.

    Raises MixedModelError if it is not n x n, not finite, not symmetric or not positive
    definite, naming the records.
    """
    matrix: Any = sparse.csr_matrix(cast(Any, covariance), dtype=np.float64)
    if matrix.shape != (n, n):
        rows, columns = matrix.shape
        raise MixedModelError(
            f"residual_covariance is {rows} x {columns} for {n} records; it must be {n} x {n}."
        )
    if not np.isfinite(matrix.data).all():
        raise MixedModelError("residual_covariance holds blank or infinite values.")
    gap = abs(matrix - matrix.T)
    if gap.nnz and gap.max() > 1e-8 * abs(matrix).max():
        i, j = (int(at[0]) for at in np.nonzero(gap == gap.max()))
        raise MixedModelError(f"residual_covariance is not symmetric: see records {i} and {j}.")
    matrix.eliminate_zeros()
    count, labels = connected_components(matrix, directed=False)
    blocks: Codes = labels.astype(np.intp)
    order = np.argsort(blocks, kind="stable")
    sizes = np.bincount(blocks, minlength=count)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    place = np.empty(n, dtype=np.intp)
    place[order] = np.arange(n) - np.repeat(starts, sizes)
    entries = matrix.tocoo()
    inverses, roots, logdet = [], [], 0.0
    for size in np.unique(sizes):
        mine = np.flatnonzero(sizes == size)
        members = order[starts[mine][:, None] + np.arange(size)]
        number = np.full(count, -1, dtype=np.intp)
        number[mine] = np.arange(len(mine))
        at = number[blocks[entries.row]]
        here = at >= 0
        dense = np.zeros((len(mine), size, size))
        dense[at[here], place[entries.row[here]], place[entries.col[here]]] = entries.data[here]
        root = _block_cholesky(dense, members)
        logdet += 2.0 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum())
        inverses.append(_entries(np.linalg.inv(dense), members))
        roots.append(_entries(root, members))
    return KnownCovariance(_assembled(inverses, n), _assembled(roots, n), logdet, blocks)


def _block_cholesky(dense: Floats, members: Codes) -> Floats:
    try:
        return np.asarray(np.linalg.cholesky(dense))
    except np.linalg.LinAlgError:
        worst = int(np.linalg.eigvalsh(dense)[:, 0].argmin())
        raise MixedModelError(
            "residual_covariance is not positive definite in the block of records "
            f"{', '.join(str(i) for i in members[worst][:10])}."
        ) from None


def _entries(dense: Floats, members: Codes) -> tuple[Floats, Codes, Codes]:
    rows = np.broadcast_to(members[:, :, None], dense.shape)
    columns = np.broadcast_to(members[:, None, :], dense.shape)
    return dense.ravel(), rows.ravel(), columns.ravel()


def _assembled(parts: list[tuple[Floats, Codes, Codes]], n: int) -> sparse.csr_matrix:
    data, rows, columns = (np.concatenate(piece) for piece in zip(*parts, strict=True))
    return sparse.csr_matrix((data, (rows, columns)), shape=(n, n))


def known_cross_products(
    random: RandomPart, dense: Dense, y: Floats, known: KnownCovariance
) -> Cross:
    """[Z | X y]'R^-1[Z | X y], as `crossproducts.cross_products` gives it for weights."""
    p, r, c = dense.rows.shape[1], random.r, len(random.stages)
    room_for(random, p)
    columns = np.empty((len(y), r + p + 1))
    for g, s in zip(random.others, random.slices, strict=True):
        columns[:, s] = _indicator(g, g.codes, g.n_levels).toarray()
    columns[:, r : r + p] = dense.rows[dense.codes]
    columns[:, -1] = y
    weighted = known.inverse @ columns
    rest = columns.T @ weighted
    z = [_indicator(s.grouping, s.places, s.n_places) for s in random.stages]
    rows = []
    for i, stage in enumerate(random.stages):
        shape = (stage.n_units, stage.width)
        out = np.zeros((*shape, stage.width + random.tail(i) + r + p + 1))
        half = z[i].T @ known.inverse
        for j in range(i, c):
            width = random.stages[j].width
            start = 0 if j == i else stage.width + random.columns(i, j).start
            table = (half @ z[j]).tocoo()
            unit, row = np.divmod(table.row, stage.width)
            out[unit, row, start + table.col % width] = table.data
        out[:, :, stage.width + random.tail(i) :] = (z[i].T @ weighted).reshape(*shape, -1)
        rows.append(out)
    return Cross(tuple(rows), 0.5 * (rest + rest.T))


def _indicator(g: Grouping, places: Codes, count: int) -> sparse.csr_matrix:
    """Z of a grouping, (n, count * k), levels at the place that ``places`` gives them."""
    n = len(g.codes)
    parts = []
    for a, values in enumerate(g.values):
        data = np.ones(n) if values is None else values
        keep = np.flatnonzero(data)
        parts.append((data[keep], keep, places[keep] * g.k + a))
    data, rows, columns = (np.concatenate(piece) for piece in zip(*parts, strict=True))
    return sparse.csr_matrix((data, (rows, columns)), shape=(n, count * g.k))
