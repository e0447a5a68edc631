"""Weighted cross-products of [Z | X y]: after this step the number of records is gone.

The grouping with the most effects is the *lead*: its own block Z1'WZ1 is diagonal (block
diagonal with slopes), so it is kept as one k x k block a level and eliminated first.
The other groupings, X and y together are the *rest*, kept dense.  (The blocked form is
that of Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1), section 3, with the
order of elimination chosen once by size.)
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Codes, Floats, Grouping

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
    """Cross-products under one set of weights.

    lead:      (levels, k, k), Z1'WZ1, one block a level; levels = 0 where there is no grouping
    lead_rest: (levels, k, m), Z1'W[Z2 X y]
    rest:      (m, m), [Z2 X y]'W[Z2 X y]
    """

    lead: Floats
    lead_rest: Floats
    rest: Floats


@dataclass
class RandomPart:
    """All groupings in elimination order (lead first), and where each sits in the rest."""

    groupings: tuple[Grouping, ...]
    keep_pairs: bool = False
    _pairs: dict[tuple[int, int], Codes] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.groupings = tuple(sorted(self.groupings, key=lambda g: -g.size))

    @property
    def lead(self) -> Grouping | None:
        return self.groupings[0] if self.groupings else None

    @property
    def others(self) -> tuple[Grouping, ...]:
        return self.groupings[1:]

    @cached_property
    def r(self) -> int:
        """Columns of the other groupings."""
        return sum(g.size for g in self.others)

    @cached_property
    def slices(self) -> tuple[slice, ...]:
        """Where each of ``others`` sits among the rest's columns."""
        out, start = [], 0
        for g in self.others:
            out.append(slice(start, start + g.size))
            start += g.size
        return tuple(out)

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
        """Cell number of each record in the table of grouping i by grouping j.

        Kept for the next time where cross-products are formed at every step (count models)."""
        if (i, j) in self._pairs:
            return self._pairs[i, j]
        gi, gj = self.groupings[i], self.groupings[j]
        codes: Codes = gi.codes * gj.n_levels
        codes += gj.codes
        if self.keep_pairs:
            self._pairs[i, j] = codes
        return codes

    def cross_zz(self, i: int, j: int, w: Floats | None) -> Floats:
        """Zi'WZj as (levels_i, k_i, levels_j, k_j); for i = j only (levels, k, k)."""
        gi, gj = self.groupings[i], self.groupings[j]
        if i == j:
            own = np.empty((gi.n_levels, gi.k, gi.k))
            for a in range(gi.k):
                for b in range(a + 1):
                    sums = np.bincount(
                        gi.codes,
                        weights=_product(w, gi.values[a], gi.values[b]),
                        minlength=gi.n_levels,
                    )
                    own[:, a, b] = own[:, b, a] = sums
            return own
        out = np.empty((gi.n_levels, gi.k, gj.n_levels, gj.k))
        cells = gi.n_levels * gj.n_levels
        for a in range(gi.k):
            for b in range(gj.k):
                weights = _product(w, gi.values[a], gj.values[b])
                table = np.bincount(self.pair_codes(i, j), weights=weights, minlength=cells)
                out[:, a, :, b] = table.reshape(gi.n_levels, gj.n_levels)
        return out


def cross_products(random: RandomPart, dense: Dense, y: Floats | None, w: Floats | None) -> Cross:
    """Form the cross-products once.  ``w`` (n,) weights or None; ``y`` (n,) or None."""
    p, r = dense.rows.shape[1], random.r
    room_for(random, p)
    extra = 0 if y is None else 1
    m = r + p + extra
    rest = np.zeros((m, m))
    for i, si in enumerate(random.slices, start=1):
        gi = random.groupings[i]
        own = random.cross_zz(i, i, w)
        block = np.zeros((gi.n_levels, gi.k, gi.n_levels, gi.k))
        at = np.arange(gi.n_levels)
        block[at, :, at, :] = own
        rest[si, si] = block.reshape(gi.size, gi.size)
        for j, sj in enumerate(random.slices[: i - 1], start=1):
            table = random.cross_zz(i, j, w).reshape(gi.size, -1)
            rest[si, sj] = table
            rest[sj, si] = table.T
        rest[si, r:] = _group_dense(gi, dense, y, w)
        rest[r:, si] = rest[si, r:].T
    rest[r:, r:] = _dense_dense(dense, y, w)
    if random.lead is None:
        return Cross(np.zeros((0, 1, 1)), np.zeros((0, 1, m)), rest)
    g = random.lead
    lead_rest = np.empty((g.n_levels, g.k, m))
    for j, sj in enumerate(random.slices, start=1):
        lead_rest[:, :, sj] = random.cross_zz(0, j, w).reshape(g.n_levels, g.k, -1)
    lead_rest[:, :, r:] = _group_dense(g, dense, y, w).reshape(g.n_levels, g.k, -1)
    return Cross(random.cross_zz(0, 0, w), lead_rest, rest)


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
        zx = _group_dense(replace(g, columns=("Intercept",), values=(None,)), dense, None, None)
        n = len(g.codes)
        if n - float(np.sum(zx * np.linalg.solve(gram, zx.T).T)) <= 1e-9 * n:
            raise MixedModelError(
                f"grouping factor '{g.name}' is aliased with the fixed effects: the formula "
                "already tells its levels apart, so their variance cannot be seen. Leave it out "
                "of groups, or out of the formula."
            )


def room_for(random: RandomPart, p: int) -> None:
    """Refuse a model whose tables would not fit in this machine's memory, before they are made."""
    size = random.r + p
    lead = random.lead.size if random.lead is not None else 0
    # at the most two copies of lead by rest, and three of rest by rest, are held at once
    wanted = 8 * (2 * lead * size + 3 * size**2)
    if wanted > _memory():
        names = ", ".join(f"{g.name} ({g.size})" for g in random.groupings)
        raise MixedModelError(
            f"groupings {names} need about {wanted / 1e9:.0f} GB; only the largest may have many "
            "effects. Leave one out, or average the records over its levels first."
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


def _group_dense(g: Grouping, dense: Dense, y: Floats | None, w: Floats | None) -> Floats:
    """Zg'W[X y], (levels * k, p (+ 1))."""
    u, p = dense.rows.shape
    out = np.empty((g.n_levels, g.k, p + (y is not None)))
    table: Floats | sparse.csr_matrix
    for a, values in enumerate(g.values):
        weights = _product(w, values)
        if g.n_levels * u <= min(DENSE_CELLS, 4 * len(g.codes) + 100_000):
            cells = g.codes * u + dense.codes
            flat = np.bincount(cells, weights=weights, minlength=g.n_levels * u)
            table = flat.astype(np.float64).reshape(-1, u)
        else:
            data = np.ones(len(g.codes)) if weights is None else weights
            table = sparse.csr_matrix((data, (g.codes, dense.codes)), shape=(g.n_levels, u))
        out[:, a, :p] = table @ dense.rows
        if y is not None:
            out[:, a, p] = np.bincount(g.codes, weights=_product(y, weights), minlength=g.n_levels)
    return out.reshape(g.size, -1)


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
    out = []
    for i, g in enumerate(random.groupings):
        if i == 0:
            mean = np.einsum("jaa->a", cross.lead) / g.n_levels
        else:
            own = np.diagonal(cross.rest)[random.slices[i - 1]].reshape(g.n_levels, g.k)
            mean = own.mean(axis=0)
        for columns in g.shared:
            mean[list(columns)] = mean[list(columns)].mean()
        out.append(np.maximum(np.asarray(mean), 1e-300))
    return out
