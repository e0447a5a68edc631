"""Distributions that hold for many comparisons at once.

The studentised range (Tukey 1953; integral as in Copenhaver & Holland 1988, J. Stat. Comput.
Simul. 30:1, eq. 1) and the largest |t| of correlated comparisons with one control (Dunnett 1955),
by Gauss-Legendre quadrature over the common scale and over one normal variable, evaluated for
all values at once.  A correlation without product form goes to scipy's multivariate t.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import interpolate, optimize, special, stats

from trialkit.mixed.grouping import Floats

_X, _W = np.polynomial.legendre.leggauss(64)
# A standard normal variable between -8.5 and 8.5: less than 2e-17 lies outside.
Z = 8.5 * _X
ZW = 8.5 * _W * np.exp(-0.5 * Z**2) / np.sqrt(2.0 * np.pi)
FARTHEST = 17.0
"""A range of standard normal values past this has a chance below 1e-30."""
SAME = 1e-12
"""Comparisons whose correlation, either sign, is this near to one are one comparison."""
STEEP = 0.25
"""Below this spread about the common variable the step of a normal distribution is too steep for
64 nodes over the whole line; the line is then cut at the steps."""


@lru_cache(maxsize=256)
def scale_nodes(df: float) -> tuple[Floats, Floats]:
    """Nodes and weights for s = sqrt(chi2_df / df), in panels of log s.

    log s has density c exp(df y - df exp(2y) / 2); the panels run over its quantiles, so each
    carries a comparable share and the tails are reached to 1e-14.
    """
    if not np.isfinite(df):
        return np.ones(1), np.ones(1)
    x, w = np.polynomial.legendre.leggauss(16)
    cuts = [1e-14, 1e-7, 1e-3, 0.05, 0.3, 0.7, 0.95, 1 - 1e-3]
    edges = np.log(np.append(stats.chi2.ppf(cuts, df), stats.chi2.isf([1e-7, 1e-14], df)) / df) / 2
    mid, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    y = (mid[:, None] + half[:, None] * x).ravel()
    weight = (half[:, None] * w).ravel()
    log_c = np.log(2.0) + 0.5 * df * np.log(0.5 * df) - special.gammaln(0.5 * df)
    return np.exp(y), weight * np.exp(log_c + df * y - 0.5 * df * np.exp(2.0 * y))


def range_sf(q: float, means: int, df: float) -> float:
    """P(Q > q) for the studentised range of ``means`` means."""
    s, w = scale_nodes(df)
    inside = 1.0 - np.clip(_normal_range(means)(np.minimum(q * s, FARTHEST)), 0.0, 1.0)
    return float(np.clip(1.0 - w @ inside, 0.0, 1.0))


@lru_cache(maxsize=256)
def _normal_range(means: int) -> interpolate.BSpline:
    """P(R > x) for the range R of ``means`` standard normal values, over 0 to FARTHEST.

    The scale's integral asks for it at a hundred points for every q; as a curve through a thousand
    points it holds to 1e-12."""
    x = np.linspace(0.0, FARTHEST, 1025)
    width = special.ndtr(Z) - special.ndtr(Z - x[:, None])
    return interpolate.make_interp_spline(x, 1.0 - means * _power(width, means - 1) @ ZW, k=7)


def _power(x: Floats, exponent: int) -> Floats:
    """x to a whole number of one or more, by squaring: many times faster than any power."""
    out: Floats | None = None
    while exponent:
        if exponent % 2:
            out = x if out is None else out * x
        exponent //= 2
        if exponent:
            x = x * x
    assert out is not None
    return out


def range_ppf(level: float, means: int, df: float) -> float:
    """The q with P(Q <= q) = level."""
    root = float(np.sqrt(2.0))
    # one pair alone from below, all pairs by Bonferroni from above
    low = root * float(stats.t.isf(0.5 * (1.0 - level), df))
    high = root * float(stats.t.isf((1.0 - level) / (means * (means - 1)), df))
    return float(
        optimize.brentq(
            lambda q: range_sf(q, means, df) - (1.0 - level), 0.999 * low, 1.001 * high, xtol=1e-9
        )
    )


def range_ppfs(level: float, means: int, dfs: Floats) -> Floats:
    """`range_ppf` at each of ``dfs``; many of one size are read off a curve in 1 / df.

    The curve is smooth: at 12 Chebyshev points over dfs within a factor of two it holds to 1e-7.
    """
    distinct, at = np.unique(np.round(dfs, 6), return_inverse=True)
    least, most = float(distinct[0]), float(distinct[-1])
    if len(distinct) <= 12 or most > 2.0 * least:
        return np.array([range_ppf(level, means, float(d)) for d in distinct])[at]
    curve = np.polynomial.Chebyshev.interpolate(
        lambda x: np.array([range_ppf(level, means, 1.0 / float(v)) for v in x]),
        11,
        domain=[1.0 / most, 1.0 / least],
    )
    return np.asarray(curve(1.0 / distinct))[at]


class LargestT:
    """P(max |T_i| > c) for comparisons with a given correlation (m, m).

    nearest: where the correlation has no product form, take the nearest one instead of scipy's
    slower integral (Hsu 1992, J. Comput. Graph. Stat. 1:151); near equal replication the error
    is in the fourth decimal.  Comparisons that are perfectly correlated count once.
    """

    def __init__(self, correlation: Floats, *, nearest: bool = False) -> None:
        distinct = _distinct(correlation)
        self.correlation = correlation = correlation[np.ix_(distinct, distinct)]
        self.loadings = product_form(correlation)
        if self.loadings is None and nearest:
            self.loadings = nearest_product_form(correlation)

    def sf(self, c: float, df: float) -> float:
        if len(self.correlation) == 1:
            return float(2.0 * stats.t.sf(c, df))
        if self.loadings is None:
            return self._by_scipy(c, df)
        s, w = scale_nodes(df)
        if np.abs(self.loadings).max() > np.sqrt(1.0 - STEEP**2):
            return float(np.clip(1.0 - w @ _steep(c * s, self.loadings), 0.0, 1.0))
        spread = np.sqrt(1.0 - self.loadings**2)
        centre = self.loadings * Z[:, None]
        edge = (c * s)[:, None, None]
        inside = special.ndtr((edge - centre) / spread) - special.ndtr((-edge - centre) / spread)
        return float(np.clip(1.0 - w @ (inside.prod(axis=2) @ ZW), 0.0, 1.0))

    def isf(self, alpha: float, df: float) -> float:
        """The c with P(max |T_i| > c) = alpha."""
        if len(self.correlation) == 1:
            return float(stats.t.isf(alpha / 2.0, df))
        if self.loadings is None:
            return self._by_steps(alpha, df)
        m = len(self.correlation)
        low, high = (float(stats.t.isf(a, df)) for a in (alpha / 2.0, alpha / (2.0 * (m + 1))))
        return float(
            optimize.brentq(lambda c: self.sf(c, df) - alpha, 0.999 * low, 1.01 * high, xtol=1e-8)
        )

    def isfs(self, alpha: float, dfs: Floats) -> Floats:
        """`isf` at each of ``dfs``.

        Without product form the dear integral is solved at three dfs; what it adds to the
        nearest product form is small and smooth in 1 / df, so a parabola gives the others.
        """
        distinct, at = np.unique(np.round(dfs, 6), return_inverse=True)
        least, most = float(distinct[0]), float(distinct[-1])
        if self.loadings is not None or len(distinct) <= 3 or most > 4.0 * least:
            return np.array([self.isf(alpha, float(d)) for d in distinct])[at]
        near = LargestT(self.correlation, nearest=True)
        knots = 1.0 / np.array([least, 2.0 / (1.0 / least + 1.0 / most), most])
        added = [self.isf(alpha, 1.0 / x) - near.isf(alpha, 1.0 / x) for x in knots]
        # around the middle knot, in units of the way to the outer ones
        way = (1.0 / distinct - knots[1]) / (knots[0] - knots[1])
        curve = np.polyfit([1.0, 0.0, -1.0], added, 2)
        easy = np.array([near.isf(alpha, float(d)) for d in distinct])
        return np.asarray(easy + np.polyval(curve, way))[at]

    def _by_steps(self, alpha: float, df: float) -> float:
        """Newton steps from the nearest product form, whose slope serves for both."""
        near = LargestT(self.correlation, nearest=True)
        c = near.isf(alpha, df)
        slope = (near.sf(c + 1e-3, df) - near.sf(c - 1e-3, df)) / 2e-3
        for _ in range(6):
            step = (self.sf(c, df) - alpha) / slope
            c -= step
            if abs(step) < 1e-5:
                break
        return c

    def _by_scipy(self, c: float, df: float) -> float:
        m = len(self.correlation)
        edge = np.full(m, c)
        if np.isfinite(df):
            law = stats.multivariate_t(np.zeros(m), self.correlation, df, allow_singular=True)  # type: ignore[arg-type]
            return 1.0 - float(law.cdf(edge, lower_limit=-edge, maxpts=100_000, random_state=1))
        normal = stats.multivariate_normal(  # type: ignore[call-overload]
            np.zeros(m), self.correlation, allow_singular=True, maxpts=100_000
        )
        rng = np.random.default_rng(1)
        return 1.0 - float(normal.cdf(edge, lower_limit=-edge, rng=rng))


def _distinct(correlation: Floats) -> list[int]:
    """The comparisons that are not one and the same, up to sign, as another before them."""
    distinct: list[int] = []
    for i in range(len(correlation)):
        if all(abs(correlation[i, j]) < 1.0 - SAME for j in distinct):
            distinct.append(i)
    return distinct


def _steep(edges: Floats, loadings: Floats) -> Floats:
    """P(all |l_i Z + sqrt(1 - l_i^2) E_i| < edge) for each of ``edges`` (n,), Z and E_i standard
    normal: Gauss-Legendre in panels that meet where each comparison's step lies."""
    x, weight = np.polynomial.legendre.leggauss(16)
    size, spread = np.abs(loadings), np.sqrt(1.0 - loadings**2)
    at = edges[:, None, None] / size[:, None]
    steps = (at + np.array([-6.0, 0.0, 6.0]) * (spread / size)[:, None]).reshape(len(edges), -1)
    fixed = np.broadcast_to(np.array([-8.5, -4.0, 0.0, 4.0, 8.5]), (len(edges), 5))
    cuts = np.sort(np.clip(np.concatenate([steps, -steps, fixed], axis=1), -8.5, 8.5), axis=1)
    mid, half = 0.5 * (cuts[:, 1:] + cuts[:, :-1]), 0.5 * np.diff(cuts, axis=1)
    z = mid[:, :, None] + half[:, :, None] * x
    inside = half[:, :, None] * weight * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    edge = edges[:, None, None]
    for loading, sd in zip(loadings, spread, strict=True):
        inside *= special.ndtr((edge - loading * z) / sd) - special.ndtr((-edge - loading * z) / sd)
    return np.asarray(inside.sum(axis=(1, 2)))


def product_form(correlation: Floats) -> Floats | None:
    """Loadings l with r_ij = l_i l_j off the diagonal, or None where there are none.

    Comparisons of independent means with one control have them exactly.
    """
    m = len(correlation)
    if m == 1:
        return np.zeros(1)
    if m == 2:
        root = np.sqrt(min(abs(correlation[0, 1]), 1.0 - SAME))
        return np.array([root, np.sign(correlation[0, 1]) * root])
    off = correlation - np.diag(np.diagonal(correlation))
    if (np.abs(off[~np.eye(m, dtype=bool)]) < 1e-12).any():
        return None
    square = off[0, 1] * off[0, 2] / off[1, 2]
    if not 0.0 < square < 1.0:
        return None
    loadings = np.empty(m)
    loadings[0] = np.sqrt(square)
    loadings[1:] = off[0, 1:] / loadings[0]
    fitted = np.outer(loadings, loadings)
    np.fill_diagonal(fitted, 0.0)
    if np.abs(fitted - off).max() > 1e-8 or (np.abs(loadings) >= 1.0).any():
        return None
    return loadings


def nearest_product_form(correlation: Floats) -> Floats:
    """Loadings l whose products l_i l_j come nearest to the correlations, by least squares."""
    m = len(correlation)
    off = correlation - np.diag(np.diagonal(correlation))
    load = np.full(m, np.sqrt(max(float(off.sum()) / (m * (m - 1)), 1e-4)))
    for _ in range(200):
        new = load.copy()
        for i in range(m):
            rest = np.delete(new, i)
            new[i] = float(np.delete(off[i], i) @ rest) / max(float(rest @ rest), 1e-12)
        new = np.clip(new, -0.999, 0.999)
        if np.abs(new - load).max() < 1e-10:
            break
        load = new
    return load
