"""Records whose errors have a known covariance: estimates that an earlier stage hands on.

The covariance R of the n records is block diagonal, one block for those that came out of one
earlier fit.  Groupings whose levels stay inside such blocks are gathered with them into
*clusters*; a cluster is one level of the lead, with an effect for each level inside it, so
that Z1'R^-1 Z1 is block diagonal again and the rest of the core works as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.mixed.crossproducts import Cross, Dense, RandomPart, room_for
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Codes, Floats, Grouping

# A cluster with more effects than this costs more to eliminate than its groupings save.
CLUSTER_EFFECTS = 40


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


@dataclass(frozen=True)
class Clustered:
    """Groupings gathered into a lead of clusters, and the others left as they are.

    random: the lead (one variance a gathered grouping) and the others; inside: the gathered
    groupings; cluster, effect: for each of them, where each level's effect sits in the lead.
    """

    random: RandomPart
    inside: tuple[Grouping, ...]
    cluster: tuple[Codes, ...]
    effect: tuple[Codes, ...]

    def own_effects(self, found: Sequence[Floats]) -> dict[str, Floats]:
        """Effects (levels, 1) by the name of the grouping, from those of `random`."""
        out = {
            g.name: found[0][c, e][:, None]
            for g, c, e in zip(self.inside, self.cluster, self.effect, strict=True)
        }
        return out | {g.name: b for g, b in zip(self.random.others, found[1:], strict=True)}


def gather(groupings: Sequence[Grouping], blocks: Codes) -> Clustered:
    """Gather the groupings into clusters, the one with most levels first, as long as no cluster
    holds more than CLUSTER_EFFECTS effects; the first is always gathered."""
    if not groupings:
        return Clustered(RandomPart(()), (), (), ())
    labels = blocks
    inside: list[Grouping] = []
    others: list[Grouping] = []
    for g in sorted(groupings, key=lambda g: -g.n_levels):
        joined = _merge(labels, g)
        most = int(np.sum([_levels_in(joined, h) for h in [*inside, g]], axis=0).max())
        if inside and most > CLUSTER_EFFECTS:
            others.append(g)
        else:
            labels = joined
            inside.append(g)
    count = int(labels.max()) + 1
    values: list[Floats] = []
    shared: list[tuple[int, ...]] = []
    names: list[str] = []
    cluster: list[Codes] = []
    effect: list[Codes] = []
    for g in inside:
        home = np.zeros(g.n_levels, dtype=np.intp)
        home[g.codes] = labels
        rank = pd.Series(home).groupby(home).cumcount().to_numpy()
        width = int(rank.max()) + 1
        first = len(values)
        own = rank[g.codes]
        z = np.ones(len(labels)) if g.values[0] is None else g.values[0]
        values += [np.where(own == a, z, 0.0) for a in range(width)]
        names += [f"{g.name} {a + 1}" for a in range(width)]
        shared.append(tuple(range(first, first + width)))
        cluster.append(home)
        effect.append((rank + first).astype(np.intp))
    lead = Grouping(
        "cluster", pd.RangeIndex(count), labels, tuple(names), tuple(values), tuple(shared)
    )
    return Clustered(
        _LeadFirst((lead, *others)), tuple(inside), tuple(cluster), tuple(effect)
    )


class _LeadFirst(RandomPart):
    """Groupings in the order given: the lead is the one of clusters, whatever its size."""

    def __post_init__(self) -> None:
        pass


def _merge(labels: Codes, g: Grouping) -> Codes:
    """Labels of the records after those that share a level are put together."""
    count = int(labels.max()) + 1
    size = count + g.n_levels
    links = sparse.coo_matrix((np.ones(len(labels)), (labels, count + g.codes)), (size, size))
    _, joined = connected_components(links, directed=False)
    _, packed = np.unique(joined[labels], return_inverse=True)
    return np.asarray(packed.reshape(-1), dtype=np.intp)


def _levels_in(labels: Codes, g: Grouping) -> NDArray[np.intp]:
    """How many levels of a grouping each cluster holds."""
    pairs = np.unique(labels * g.n_levels + g.codes)
    return np.bincount(pairs // g.n_levels, minlength=int(labels.max()) + 1)


def known_cross_products(
    random: RandomPart, dense: Dense, y: Floats, known: KnownCovariance
) -> Cross:
    """[Z | X y]'R^-1[Z | X y], as `crossproducts.cross_products` gives it for weights."""
    p, r = dense.rows.shape[1], random.r
    room_for(random, p)
    n = len(y)
    columns = np.empty((n, r + p + 1))
    for g, s in zip(random.others, random.slices, strict=True):
        columns[:, s] = _indicator(g).toarray()
    columns[:, r : r + p] = dense.rows[dense.codes]
    columns[:, -1] = y
    weighted = known.inverse @ columns
    rest = columns.T @ weighted
    rest = 0.5 * (rest + rest.T)
    if random.lead is None:
        return Cross(np.zeros((0, 1, 1)), np.zeros((0, 1, r + p + 1)), rest)
    levels, k = random.lead.n_levels, random.lead.k
    z = _indicator(random.lead)
    own = (z.T @ known.inverse @ z).tocoo()
    lead = np.zeros((levels, k, k))
    lead[own.row // k, own.row % k, own.col % k] = own.data
    lead_rest = np.asarray(z.T @ weighted).reshape(levels, k, -1)
    return Cross(0.5 * (lead + lead.transpose(0, 2, 1)), lead_rest, rest)


def _indicator(g: Grouping) -> sparse.csr_matrix:
    """Z of a grouping, (n, levels * k)."""
    n = len(g.codes)
    parts = []
    for a, values in enumerate(g.values):
        data = np.ones(n) if values is None else values
        keep = np.flatnonzero(data)
        parts.append((data[keep], keep, g.codes[keep] * g.k + a))
    data, rows, columns = (np.concatenate(piece) for piece in zip(*parts, strict=True))
    return sparse.csr_matrix((data, (rows, columns)), shape=(n, g.size))
