"""Records whose errors have a known covariance: estimates that an earlier stage hands on.

The covariance R of the n records is block diagonal, one block for those that came out of one
earlier fit; the records of a block are tied from the start, and the rest of the core works as it
stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.mixed.crossproducts import Cross, Dense, RandomPart, room_for
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Codes, Floats, Grouping


@dataclass(frozen=True)
class KnownCovariance:
    """R (n, n), its inverse, the lower triangle of its Cholesky, and log |R|.

    blocks: (n,) the number of the diagonal block each record lies in.
    """

    inverse: sparse.csr_matrix
    root: sparse.csr_matrix
    logdet: float
    blocks: Codes


def read_covariance(given: object, n: int) -> KnownCovariance:
    """Check and factor a covariance matrix (n, n), dense or sparse.

    Raises MixedModelError if it is not n x n, not finite, not symmetric or not positive
    definite, naming the records.
    """
    matrix: Any = sparse.csr_matrix(cast(Any, given), dtype=np.float64)
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
        root = _cholesky(dense, members)
        logdet += 2.0 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum())
        inverses.append(_spread(np.linalg.inv(dense), members))
        roots.append(_spread(root, members))
    return KnownCovariance(_joined(inverses, n), _joined(roots, n), logdet, blocks)


def _cholesky(dense: Floats, members: Codes) -> Floats:
    try:
        return np.asarray(np.linalg.cholesky(dense))
    except np.linalg.LinAlgError:
        worst = int(np.linalg.eigvalsh(dense)[:, 0].argmin())
        raise MixedModelError(
            "residual_covariance is not positive definite in the block of records "
            f"{', '.join(str(i) for i in members[worst][:10])}."
        ) from None


def _spread(dense: Floats, members: Codes) -> tuple[Floats, Codes, Codes]:
    rows = np.broadcast_to(members[:, :, None], dense.shape)
    columns = np.broadcast_to(members[:, None, :], dense.shape)
    return dense.ravel(), rows.ravel(), columns.ravel()


def _joined(parts: list[tuple[Floats, Codes, Codes]], n: int) -> sparse.csr_matrix:
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
