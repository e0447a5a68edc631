"""Least squares with independent errors of one variance: a layout's plots on its fixed columns.

Columns may be more than their rank (varieties beside blocks, both whole): the estimate is then the
one of smallest length, and what the columns leave estimable does not depend on that choice (Searle
1971, Linear Models, section 5.4).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LeastSquares:
    """x (n, p) and y, (n,) or (n, d) for several y at once on the same columns."""

    x: Floats
    y: Floats

    @cached_property
    def _inverse(self) -> tuple[Floats, int]:
        # n is a trial's plots, not its records: taking x itself apart is cheap, and keeps the
        # digits that cross-products lose.
        left, size, right = np.linalg.svd(self.x, full_matrices=False)
        least = np.finfo(float).eps * max(self.x.shape) * size.max(initial=0.0)
        rank = int((size > least).sum())
        inverse = (right[:rank].T / size[:rank]) @ left[:, :rank].T
        return np.asarray(inverse, dtype=np.float64), rank

    @cached_property
    def estimate(self) -> Floats:
        """(p,) or (p, d)."""
        return np.asarray(self._inverse[0] @ self.y, dtype=np.float64)

    @property
    def rank(self) -> int:
        return self._inverse[1]

    @property
    def df(self) -> int:
        """Residual degrees of freedom, n less the rank."""
        return len(self.x) - self.rank

    @cached_property
    def residual(self) -> Floats:
        """What the columns leave of y, in its shape."""
        return np.asarray(self.y - self.x @ self.estimate)

    @cached_property
    def rss(self) -> float:
        """The residual sum of squares, over all y."""
        return float((self.residual**2).sum())

    @property
    def variance(self) -> float:
        """The residual mean square; NaN where no degree of freedom is left."""
        return self.rss / self.df if self.df > 0 else float("nan")

    @cached_property
    def unscaled(self) -> Floats:
        """A generalised inverse of x'x, (p, p): the estimate's covariance at variance 1."""
        return np.asarray(self._inverse[0] @ self._inverse[0].T, dtype=np.float64)

    @property
    def covariance(self) -> Floats:
        """(p, p); NaN where no degree of freedom is left."""
        return self.unscaled * self.variance

    def f_over(self, less: LeastSquares) -> tuple[float, int]:
        """F of the columns that `less`, a part of this fit, does without, and how many they are.

        NaN where they add none, or nothing is left to judge them by.
        """
        more = self.rank - less.rank
        if more < 1 or not self.variance > 0:
            return float("nan"), more
        return (less.rss - self.rss) / more / self.variance, more

    def left_out(self, step: Floats) -> Floats:
        """step' estimate with each record in turn left out, (n,); NaN where that leaves none.

        b(i) = b - (x'x)^-1 x_i e_i / (1 - h_i) (Cook & Weisberg 1982, Residuals and Influence in
        Regression, eq. 3.4.6).  One y only.
        """
        influence = self.x @ self.unscaled
        spare = 1.0 - (influence * self.x).sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            moved = (influence @ step) * self.residual / spare
        return np.where(spare > 1e-9, step @ self.estimate - moved, np.nan)
