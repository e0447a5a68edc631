"""Natural cubic splines: smooth curves that stay straight beyond their outer knots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.mixed.fixed import FixedPart, design_rows

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Spline:
    """A natural cubic spline basis with k knots: k - 1 columns, the first one linear.

    Hastie, Tibshirani & Friedman 2009, The Elements of Statistical Learning, eq. 5.4 and 5.5,
    with x brought to 0..1 first.
    """

    knots: Floats

    @classmethod
    def through(cls, x: npt.ArrayLike, columns: int) -> Spline:
        """Knots at evenly spaced quantiles of the distinct values of x, both ends included.

        Fewer columns are used where x has too few distinct values.
        """
        values = np.unique(np.asarray(x, dtype=float))
        count = max(min(columns + 1, len(values)), 2)
        return cls(np.quantile(values, np.linspace(0.0, 1.0, count)))

    @property
    def names(self) -> list[str]:
        return [f"curve{i}" for i in range(1, len(self.knots))]

    def basis(self, x: npt.ArrayLike) -> Floats:
        """(n, k - 1)."""
        low, wide = self.knots[0], max(float(np.ptp(self.knots)), 1e-9)
        u = (np.asarray(x, dtype=float) - low) / wide
        knots = (self.knots - low) / wide
        out = [u]
        if len(knots) > 2:
            last = _bend(u, knots[-2], knots[-1])
            out += [_bend(u, knot, knots[-1]) - last for knot in knots[:-2]]
        return np.column_stack(out)

    def columns(self, x: npt.ArrayLike) -> pd.DataFrame:
        """The basis as named columns."""
        return pd.DataFrame(self.basis(x), columns=self.names)


def _bend(u: Floats, knot: float, last: float) -> Floats:
    return np.asarray((np.clip(u - knot, 0, None) ** 3 - np.clip(u - last, 0, None) ** 3)
                      / (last - knot))


@dataclass(frozen=True)
class Curves:
    """A smooth curve a variety with its joint uncertainty.

    days (d,): grid; value (v, d): fitted; rows (v, d, p): what makes it; covariance (p, p).
    """

    varieties: tuple[str, ...]
    days: Floats
    rows: Floats
    beta: Floats
    covariance: Floats
    df: float

    @property
    def value(self) -> Floats:
        return np.asarray(self.rows @ self.beta)

    @property
    def se(self) -> Floats:
        inner = np.einsum("vdp,pq,vdq->vd", self.rows, self.covariance, self.rows, optimize=True)
        return np.asarray(np.sqrt(np.maximum(inner, 0.0)))

    def draws(self, count: int, seed: int) -> Floats:
        """Curves drawn from the estimates' distribution (multivariate t), (count, v, d)."""
        rng = np.random.default_rng(seed)
        beta = draw(self.beta, self.covariance, self.df, count, rng)
        return np.asarray(np.einsum("vdp,np->nvd", self.rows, beta, optimize=True))


def draw(
    mean: Floats, covariance: Floats, df: float, count: int, rng: np.random.Generator
) -> Floats:
    """Draws (count, p) from a multivariate t about `mean`; normal for infinite df."""
    values, vectors = np.linalg.eigh(covariance)
    half = vectors * np.sqrt(np.maximum(values, 0.0))
    z = rng.standard_normal((count, len(mean))) @ half.T
    if np.isfinite(df):
        z = z / np.sqrt(rng.chisquare(df, size=(count, 1)) / df)
    return np.asarray(mean + z)


def curves_of(
    part: FixedPart, beta: Floats, covariance: Floats, df: float, varieties: list[str],
    spline: Spline, days: Floats,
) -> Curves:
    """The fitted curve of each variety over `days`, from a model ``~ variety * (curve1 + ...)``."""
    basis = spline.columns(days)
    grid = pd.concat([basis.assign(variety=v) for v in varieties], ignore_index=True)
    rows = design_rows(part, grid)[:, part.kept]
    return Curves(tuple(varieties), days, rows.reshape(len(varieties), len(days), -1), beta,
                  covariance, df)
