"""Varieties compared day by day from the curves of their plots: the second stage.

On each day the plots' heights are analysed as the layout says: varieties and blocks by least
squares, the error between plots (summary measures of repeated readings: Matthews, Altman,
Campbell & Royston 1990, BMJ 300:230-235).  The error is that day's own, so that an interval holds
whatever the plots' differences do over the season, with the degrees of freedom of the layout.
Tall varieties vary more than short ones; the variance is taken in proportion to the height, half
way between one standard deviation and one coefficient of variation for all (own choice: too few
plots tell which, and with one standard deviation the tall ones' intervals held 92 % in
tests/models/height_study.py).
Blocks are fixed: the answer is for the places of this bed, not for a draw of other beds.

In a split plot the second factor is compared within plots: its differences have the error
between parts of a plot, and a mean of one variety under one treatment has both errors, its
degrees of freedom by Satterthwaite (1946, Biometrics Bulletin 2:110-114).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.models.smooth import Floats

TESTS = ["term", "F", "num_df", "den_df", "p", "stratum"]


@dataclass(frozen=True)
class Stratum:
    """One error: joins (v, v) of the means, times sides @ sides.T (d, d) of the days, on df;
    each mean's standard error times its scale (v, d) on the day."""

    joins: Floats
    sides: Floats
    df: float
    scale: Floats


@dataclass(frozen=True)
class MeanCurves:
    """A mean curve a variety (or a variety under a treatment).

    names (v,); days (d,): from planting; value (v, d) in cm; strata: the errors behind it.
    """

    names: tuple[str, ...]
    days: Floats
    value: Floats
    strata: tuple[Stratum, ...]

    @property
    def varieties(self) -> tuple[str, ...]:
        return self.names

    @property
    def supported(self) -> bool:
        return bool(self.strata) and all(one.df >= 1 for one in self.strata)

    @property
    def _variances(self) -> Floats:
        """(strata, v, d)"""
        return np.array([
            np.outer(np.diagonal(one.joins), (one.sides**2).sum(axis=1)) * one.scale**2
            for one in self.strata])

    @property
    def se(self) -> Floats:
        """(v, d); NaN where there is no error to go by."""
        if not self.supported:
            return np.full(self.value.shape, np.nan)
        return np.asarray(np.sqrt(self._variances.sum(axis=0)))

    @property
    def df(self) -> Floats:
        """(v, d)"""
        if not self.supported:
            return np.full(self.value.shape, np.nan)
        of = np.array([one.df for one in self.strata])
        each = self._variances
        if len(of) == 1:
            return np.full(self.value.shape, of[0])
        total = each.sum(axis=0)
        least = (each**2 / of[:, None, None]).sum(axis=0)
        ratio = np.divide(total**2, least, out=np.full(total.shape, of.min()), where=least > 0)
        return np.asarray(np.maximum(ratio, of.min()))

    @property
    def half(self) -> Floats:
        """Half-width of the 95 % interval, (v, d)."""
        return np.asarray(stats.t.isf(0.025, self.df) * self.se)

    def covariance(self, at: int) -> Floats:
        """(v, v) of the means on one day of the grid; NaN where unsupported."""
        if not self.supported:
            return np.full((len(self.names),) * 2, np.nan)
        return np.asarray(sum(
            one.joins * (one.sides[at] ** 2).sum() * np.outer(one.scale[:, at], one.scale[:, at])
            for one in self.strata))

    def draws(self, count: int, seed: int) -> Floats:
        """Curves drawn from the estimates' distribution, (count, v, d): each error's part a
        multivariate t on its df.  The estimates over and over where unsupported."""
        rng = np.random.default_rng(seed)
        out = np.repeat(self.value[None], count, axis=0)
        for one in self.strata if self.supported else ():
            values, vectors = np.linalg.eigh(one.joins)
            root = vectors * np.sqrt(np.maximum(values, 0.0))
            z = rng.standard_normal((count, len(self.names), one.sides.shape[1]))
            z = z / np.sqrt(rng.chisquare(one.df, size=(count, 1, 1)) / one.df)
            out += np.einsum("vw,nwm,dm->nvd", root, z, one.sides, optimize=True) * one.scale
        return out


@dataclass(frozen=True)
class Fitted:
    """Least squares of the units' curves: means (v, d), their joins (v, v), residuals (u, d)."""

    value: Floats
    joins: Floats
    residual: Floats
    df: float

    def stratum(self, most: float, of_units: Floats, of_means: Floats) -> Stratum:
        """most: degrees of freedom of the layout, if those are fewer than are left over here.
        of_units (u, d), of_means (v, d): relative standard deviations; see `relative`."""
        sides = _sides(self.residual / of_units) / np.sqrt(max(self.df, 1.0))
        return Stratum(self.joins, sides, min(self.df, most), of_means)


def fitted(value: Floats, x: Floats, rows: Floats) -> Fitted:
    """value (u, d) on columns x (u, q); rows (v, q): what makes a mean."""
    residual = value - x @ (inverse := np.linalg.pinv(x)) @ value
    df = float(len(x) - np.linalg.matrix_rank(x))
    joins = rows @ np.linalg.pinv(x.T @ x) @ rows.T
    # Rounded, so that heights all alike do not differ by what the arithmetic leaves.
    return Fitted(np.round(rows @ inverse @ value, 9), np.asarray(joins), residual, df)


def relative(heights: Floats, average: Floats, proportional: bool) -> Floats:
    """Standard deviations of heights (n, d) relative to that of the day's average (d,), the
    variance in proportion to the height; all 1 if not `proportional`.

    A height below a twentieth of the average counts as that.
    """
    if not proportional:
        return np.ones_like(heights)
    usual = np.maximum(average, 1e-9)
    return np.asarray(np.sqrt(np.maximum(heights / usual, 0.05)))


def indicators(labels: pd.Series, levels: list[str]) -> Floats:
    """One 0/1 column a level, (n, levels)."""
    return np.array([labels.to_numpy() == one for one in levels], dtype=float).T


def centred(labels: pd.Series, levels: list[str]) -> Floats:
    """Columns of a factor that sum to zero over its levels, (n, levels - 1)."""
    full = indicators(labels, levels)
    return np.asarray(full[:, :-1] - full[:, -1:])


def term_test(term: str, y: Floats, with_it: Floats, without: Floats, stratum: str) -> tuple[
        str, float, float, float, float, str]:
    """F of a term: what is gained by its columns, over the residual of the fuller model."""

    def rss(x: Floats) -> tuple[float, int]:
        fit = x @ np.linalg.lstsq(x, y, rcond=None)[0]
        return float(((y - fit) ** 2).sum()), int(np.linalg.matrix_rank(x))

    (less, rank), (more, small) = rss(with_it), rss(without)
    top, bottom = float(rank - small), float(len(y) - rank)
    if top < 1 or bottom < 1 or less <= 1e-9 * max(more, 1e-9):
        return term, np.nan, top, bottom, np.nan, stratum
    f = (more - less) / top / (less / bottom)
    return term, f, top, bottom, float(stats.f.sf(f, top, bottom)), stratum


def _sides(residual: Floats) -> Floats:
    """(d, m) with sides @ sides.T = residual.T @ residual, m no more than the units."""
    _, scale, vectors = np.linalg.svd(residual, full_matrices=False)
    keep = scale > 1e-12 * max(float(scale.max(initial=0.0)), 1e-300)
    if not keep.any():
        return np.zeros((residual.shape[1], 1))
    return np.asarray((scale[keep, None] * vectors[keep]).T)
