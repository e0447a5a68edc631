"""The order in which groupings are eliminated from the mixed-model equations.

Eliminating a level ties together whatever shared records with it.  Where factors are nested
(plant in plot in block) that reaches no further than the level above, so the equations stay block
diagonal up the chain; it is the fill-reducing order of a sparse Cholesky factor, known here from
the groupings alone (Davis 2006, Direct Methods for Sparse Linear Systems, ch. 7).  A grouping is a
*stage* of the elimination if its levels fall into many small *units*, of which none is tied to
another: units of one level where factors are nested, the plants of a plot where the dates of each
plot went before.  What has no such units (dates crossed with everything) stays to the end and is
factored densely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.mixed.grouping import Codes, Floats, Grouping

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
    pairs = sparse.csr_matrix(
        (np.ones(len(tied), dtype=bool), (tied, count + g.codes)),
        shape=(count + g.n_levels, count + g.n_levels),
    )
    _, labels = connected_components(pairs, directed=False)
    _, packed = np.unique(labels[:count], return_inverse=True)
    return np.asarray(packed.reshape(-1).astype(np.intp)[tied])
