"""How much of the information about varieties a blocked layout keeps.

In complete blocks every variety meets every other in every block and nothing is lost.
In incomplete blocks some comparisons have to go through a third variety. The canonical
efficiency factors say how much is left for each basic comparison; their harmonic mean is
the average efficiency factor, the usual single figure for a design (James & Wilkinson 1971,
Biometrika 58:279; John & Williams 1995, Cyclic and Computer Generated Designs, chapter 2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
