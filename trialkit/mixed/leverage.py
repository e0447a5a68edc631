"""How much each record bears on its own fitted value, for the Laplace gradient.

With D the inverse of the mixed-model equations' matrix, the factors put back (the covariance of
the effects' errors, in units of the residual variance), the leverage of a record is

  h_i = (z_i, x_i)' D (z_i, x_i)

Only the entries of D that some record meets are formed, by the identities D = G - G Z'PZ G among
the effects and D_fR = -G_f E_f D_R (symbols of `solve.py`).
"""

from __future__ import annotations

import numpy as np

from trialkit.mixed.crossproducts import Dense
from trialkit.mixed.grouping import Floats, Grouping
from trialkit.mixed.solve import Solved, batched, forward, scale_rows, turned


def leverages(s: Solved, dense: Dense) -> Floats:
    """h, (n,)."""
    random, r, p, c = s.random, s.r, s.p, len(s.stages)
    d = _rest(s)
    h = np.zeros(len(dense.codes))
    xd = dense.rows @ d[r:, :] if p else None
    if xd is not None:
        h += np.einsum("up,up->u", xd[:, r:], dense.rows)[dense.codes]
    for f, stage in enumerate(random.stages):
        g, places = stage.grouping, stage.places
        shape = (stage.n_units, stage.slots, stage.k)
        for i in range(f, c):
            later = random.stages[i]
            block = _between(s, f, i).reshape(*shape, later.slots, later.k)
            if i == f:
                block = np.einsum("usasb->usab", block).reshape(-1, g.k, 1, g.k)
                h += _summed(block, places, g, g)
            else:
                block = block.reshape(-1, g.k, later.slots, later.k)
                h += 2.0 * _summed(block, random.pair_codes(f, i), g, later.grouping)
        to_rest = -(s.stages[f].g @ s.to_rest(f)[:, :, : r + p]) @ d
        for i, (gi, si) in enumerate(zip(random.others, random.slices, strict=True), start=c):
            block = to_rest[:, :, si].reshape(-1, g.k, gi.n_levels, gi.k)
            h += 2.0 * _summed(block, random.pair_codes(f, i), g, gi)
        if xd is not None:
            h += 2.0 * _with_fixed(to_rest[:, :, r:].reshape(-1, g.k, p), places, g, dense)
    for i, (gi, si) in enumerate(zip(random.others, random.slices, strict=True), start=c):
        for j, (gj, sj) in enumerate(zip(random.others, random.slices, strict=True), start=c):
            if j < i:
                continue
            block = d[si, sj].reshape(gi.n_levels, gi.k, gj.n_levels, gj.k)
            if i == j:
                block = np.einsum("jajb->jab", block).reshape(-1, gi.k, 1, gi.k)
                h += _summed(block, gi.codes, gi, gi)
            else:
                h += 2.0 * _summed(block, random.pair_codes(i, j), gi, gj)
        if xd is not None:
            with_x = xd[:, si].reshape(len(dense.rows), gi.n_levels, gi.k)
            for a in range(gi.k):
                h += 2.0 * _times(with_x[dense.codes, gi.codes, a], gi.values[a], None)
    return h


def _rest(s: Solved) -> Floats:
    """D of the dense groupings and the fixed effects: S C^-1 S', (r + p, r + p)."""
    half = forward(s.chol, np.asfortranarray(np.eye(s.size)))
    back = [f.T for f in s.factors]
    d = scale_rows(s.random, back, half.T @ half)
    return scale_rows(s.random, back, d.T)


def _between(s: Solved, f: int, i: int) -> Floats:
    """D of each unit of stage f with the unit of stage i that it lies in, i = f its own,
    (units, width of f, width of i)."""
    links, low, high = s.random.links, s.stages[f], s.stages[i]
    y = [s.y_units(a) for a in (f, i)]
    last = len(s.stages)
    if f == i:
        common = np.matmul(y[0], turned(y[0]))
        for j in range(f + 1, last):
            w = s.between(f, j)
            common += batched(batched(w, links[f, j].down(s.stages[j].k)), turned(w))
        return np.asarray(low.k + low.g @ common @ low.g)
    above = links[f, i]
    common = np.matmul(y[0], turned(above.down(y[1])))
    for j in range(i + 1, last):
        w = batched(s.between(f, j), links[f, j].down(s.stages[j].k))
        common += batched(w, turned(above.down(s.between(i, j))))
    given = batched(s.between(f, i), above.down(high.k))
    return np.asarray(low.g @ (common @ high.g - given))


def _summed(block: Floats, cells: np.ndarray, one: Grouping, two: Grouping) -> Floats:
    """Sum over a and b of block[., a, ., b] times the values of the two columns, (n,)."""
    out = np.zeros(len(cells))
    for a in range(one.k):
        for b in range(two.k):
            value = np.ascontiguousarray(block[:, a, :, b]).reshape(-1)[cells]
            out += _times(value, one.values[a], two.values[b])
    return out


def _with_fixed(effects: Floats, places: np.ndarray, g: Grouping, dense: Dense) -> Floats:
    """Sum over a of effects[., a, :] x times the column's values, (n,)."""
    n = len(dense.codes)
    out = np.zeros(n)
    for a in range(g.k):
        own = effects[:, a, :]
        if len(dense.rows) * len(own) <= max(4 * n, 100_000):
            value = (own @ dense.rows.T)[places, dense.codes]
        else:
            value = np.einsum("ip,ip->i", own[places], dense.rows[dense.codes])
        out += _times(value, g.values[a], None)
    return out


def _times(x: Floats, a: Floats | None, b: Floats | None) -> Floats:
    if a is not None:
        x = x * a
    return x if b is None else x * b
