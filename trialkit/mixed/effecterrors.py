"""How well each level's random effect is known.

With the mixed-model equations (Henderson 1975, Biometrics 31:423)

  C = [ L'Z'WZL + I   L'Z'WX ]        W the weights over the residual variance
      [ X'WZL         X'WX   ]

the errors b^ - b have covariance L C^-1 L', C^-1 the block of the random effects; with the fixed
effects taken as known, L (L'Z'WZL + I)^-1 L', the variance of the effects given the records.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import sparse

from trialkit.mixed.crossproducts import RandomPart
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats

MOST = 6000
"""Effects whose errors are worked out at most: a full matrix of them is held."""


def effect_covariances(
    random: RandomPart, factors: Sequence[Floats], columns: Floats | None, weight: Floats
) -> list[Floats]:
    """Covariance of each level's effects, one (levels, k, k) array a grouping.

    factors: L, in units of the response.  columns: X (n, p), or None with the fixed effects taken
    as known.  weight (n,): one over the residual variance, or the working weights.
    """
    total = sum(g.size for g in random.groupings)
    if total > MOST:
        raise MixedModelError(
            f"{total} random effects are too many for errors of each (at most {MOST})."
        )
    n = len(weight)
    blocks = []
    for g, f in zip(random.groupings, factors, strict=True):
        own = [np.ones(n) if x is None else x for x in g.values]
        for b in range(g.k):
            mixed = sum(own[a] * f[a, b] for a in range(g.k))
            blocks.append(sparse.csr_matrix((mixed, (np.arange(n), g.codes)), (n, g.n_levels)))
    zl = sparse.hstack(blocks).tocsr()
    weighted = sparse.diags(weight) @ zl
    matrix = np.asarray((zl.T @ weighted).todense()) + np.eye(zl.shape[1])
    if columns is not None:
        side = weighted.T @ columns
        inner = columns.T @ (columns * weight[:, None])
        matrix = matrix - side @ np.linalg.solve(inner, side.T)
    inverse = np.linalg.inv(matrix)
    out, start = [], 0
    for g, f in zip(random.groupings, factors, strict=True):
        j = np.arange(g.n_levels)
        at = start + np.arange(g.k)[:, None] * g.n_levels + j
        own_block = inverse[at.T[:, :, None], at.T[:, None, :]]
        out.append(f @ own_block @ f.T)
        start += g.size
    return out
