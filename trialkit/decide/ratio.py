"""The ratio of two varieties' totals at one look, with its standard error and degrees of freedom.

The quantity is the ratio of what the plots of two varieties gave a plant planted. Plots are fitted
by variety x block (row x column of a square) as products, by quasi-likelihood with variance in
proportion to the mean (Wedderburn 1974, Biometrika 61:439-447): where every block holds every
variety once, that is the ratio of the varieties' totals itself, a plot without any pod included.
The error is that of plots about the fit, in proportion to what was fitted, one for all varieties.

Where the plots of a pair's variety show more scatter than all others (an F test), the pair has the
error of its own plots alone, if that makes the wider range: in blocks how the two differ from block
to block, which is right however uneven each of them is (as in a paired t test; Cochran & Cox 1957,
Experimental Designs, section 3.9); elsewhere variances by variety from the residuals (Rao 1970,
J. Am. Stat. Assoc. 65:161-172; for two-way tables Shukla 1972, Heredity 29:237-245) with degrees
of freedom by Satterthwaite (1946, Biometrics Bulletin 2:110-114), which without blocks is the
test of Welch (1938, Biometrika 29:350-362).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

Array = npt.NDArray[np.float64]

LEAST_SHARE = 0.01
"""At an early look two or three plots can agree to the pod, and a standard error of nothing would
settle anything; this much of chance (Poisson: 1 / n for the logarithm of n) stops that. The whole
of it is too much where degrees of freedom are few: with 3 blocks of two varieties it named a false
winner in 0.1 % of 4000 seasons, where 5 % are allowed, and power goes with it."""

FEW_PODS = 20.0
"""A variety with fewer pods in all its plots has the whole of that chance, and two varieties with
fewer between them are not compared at all: plots of two or three pods say nothing of their own
scatter. Own choice."""

UNEVEN_CHECK, UNEVEN_OTHER, UNEVEN_PAIRS = 0.25, 0.4, 0.5
"""Level of the F test for uneven scatter: of the check, which stands in every comparison; of each
other variety (0.4 / varieties); where all pairs are compared, of each (0.5 / varieties). Chosen by
simulation of a single look (20,000 trials of log-normal plots, 3 varieties in 4 blocks, 5 % shared
by Dunnett's method; the check's spread one, three and five times the others'): with the check's
test alone false claims in 4.3, 5.8 and 5.1 %, where one error for all gives 5.1, 9.1 and 10.2 %,
and 47 % of true leads named in place of 53 %. Each pair's own error in every trial would hold
5 % exactly and name 34 %. Own choice."""

LEAST_DF = 2.0
"""Two varieties of a square are left with hardly a plot for their own error; with fewer degrees of
freedom than this the variances by variety serve instead. Own choice."""

STEPS, CLOSE = 50, 1e-10


class Ratio(NamedTuple):
    """log(left / right), its standard error and degrees of freedom; NaN where there is none."""

    estimate: float
    se: float
    df: float


NONE = Ratio(np.nan, np.nan, np.nan)


@dataclass(frozen=True)
class FittedPlots:
    """Plot totals at one look, fitted.

    variety: (n,) codes from 0. x: (n, p) columns of varieties, then of what the layout takes out.
    mean: (n,) fitted pods a plant planted. away: (n,) residuals in proportion to the mean.
    use: (p, n) how coefficients answer to those residuals. pods: (varieties,) totals.
    df: plots less the rank of x. even: variance of a residual, the same for all. own: (varieties,)
    variance of each variety's, never below zero. spread, rest: what the residuals of varieties
    and of plots hold of the plots' own variation. scatter_p: (varieties,) p value of the F test
    that a variety's plots scatter no more than all others; 1 where it cannot be made.
    """

    variety: npt.NDArray[np.int64]
    planted: Array
    plot_pods: Array
    x: Array
    coefficient: Array
    use: Array
    pods: Array
    df: float
    even: float
    own: Array
    spread: Array
    rest: Array
    scatter_p: Array

    def ratio(self, left: int, right: int, *, in_all: bool = True) -> Ratio:
        """Variety `left` over `right` (codes). in_all: `right` stands in every comparison made
        (the check); False where all pairs are compared."""
        if self.df < 1 or self.pods[[left, right]].sum() < FEW_PODS:
            return NONE
        step = np.zeros(self.x.shape[1])
        step[left], step[right] = 1.0, -1.0
        weights = step @ self.use
        if np.abs(weights @ self.x - step).max() > 1e-6:
            return NONE  # no block holds the two together
        squares = _by_variety(self.variety, weights**2, len(self.pods))
        variance, df = self.even * float(squares.sum()), self.df
        number, p = len(self.pods), self.scatter_p
        if (p[right] < UNEVEN_CHECK or p[left] < UNEVEN_OTHER / number if in_all else
                min(p[left], p[right]) < UNEVEN_PAIRS / number):
            own = self._error_of_pair(left, right, squares)
            if _reach(*own) > _reach(variance, df):
                variance, df = own
        chance = 1.0 / (self.pods[[left, right]] + 0.5)
        least = np.where(self.pods[[left, right]] < FEW_PODS, 1.0, LEAST_SHARE)
        floor = float((least * chance).sum())
        return Ratio(float(step @ self.coefficient), float(np.sqrt(max(variance, floor))), df)

    def _error_of_pair(self, left: int, right: int, squares: Array) -> tuple[float, float]:
        """Variance and degrees of freedom from the plots of two varieties alone."""
        number = len(self.pods)
        if self.x.shape[1] > number:
            pair = (self.variety == left) | (self.variety == right)
            code = np.where(self.variety[pair] == left, 0, 1)
            fit = fit_plots(self.plot_pods[pair], self.planted[pair], code,
                            self.x[pair, number:])
            if fit is not None and fit.df >= LEAST_DF:
                step = np.zeros(fit.x.shape[1])
                step[:2] = 1.0, -1.0
                weights = step @ fit.use
                if np.abs(weights @ fit.x - step).max() < 1e-6:
                    return fit.even * float(weights @ weights), fit.df
        return float(squares @ self.own), min(self.df, self._satterthwaite(squares))

    def _satterthwaite(self, squares: Array) -> float:
        """Degrees of freedom of sum(squares x own): 2 mean^2 / variance of a quadratic form."""
        part = np.linalg.pinv(self.spread).T @ squares
        form = self.rest.T @ (part[self.variety][:, None] * self.rest)
        there = np.maximum(self.own, 0.05 * self.even)[self.variety]
        product = form * there[None, :]
        below = float((product * product.T).sum())
        return max(float(np.trace(product)) ** 2 / below, 1.0) if below > 0 else self.df


def fit_plots(
    pods: Array, planted: Array, variety: npt.NDArray[np.int64], taken_out: Array
) -> FittedPlots | None:
    """Fit the plots of one look; None where fewer than two varieties or plots are there.

    pods, planted: (n,) totals and plants set out. variety: (n,) codes from 0, all of them there.
    taken_out: (n, any) columns of blocks, each factor's summing to zero.
    """
    number = int(variety.max()) + 1 if len(variety) else 0
    count = np.bincount(variety, minlength=number).astype(float)
    if number < 2 or (count == 0).any():
        return None
    x = np.hstack([np.eye(number)[variety], taken_out])
    # Half a pod a variety keeps one that gave nothing finite.
    y = (pods + 0.5 / count[variety]) / planted
    start = np.bincount(variety, y, minlength=number) / count
    mean = start[variety]
    coefficient = np.concatenate([np.log(start), np.zeros(taken_out.shape[1])])
    use = np.zeros(x.T.shape)
    for _ in range(STEPS):
        weighted = x * mean[:, None]
        use = np.linalg.pinv(x.T @ weighted) @ weighted.T
        step = use @ ((y - mean) / mean)
        coefficient = coefficient + np.clip(step, -2.0, 2.0)
        mean = np.exp(np.clip(x @ coefficient, -30.0, 30.0))
        if np.abs(step).max() < CLOSE:
            break
    away = (y - mean) / mean
    rest = np.eye(len(y)) - x @ use
    df = float(len(y) - np.linalg.matrix_rank(x))
    by = np.eye(number)[variety]
    spread = by.T @ rest**2 @ by
    squared = by.T @ away**2
    even = float(squared.sum() / spread.sum()) if df >= 1 else np.nan
    own = np.maximum(np.linalg.pinv(spread) @ squared, 0.0)
    totals = _by_variety(variety, pods, number)
    scatter = _scatter_p(squared, spread, count, df)
    return FittedPlots(variety, planted, pods, x, coefficient, use, totals, df, even, own, spread,
                       rest, scatter)


def _scatter_p(squared: Array, spread: Array, count: Array, df: float) -> Array:
    """p value, by variety, of residuals no larger than those of all others."""
    share = spread.sum(axis=1)
    each = df * count / count.sum()
    if df < 3 or len(count) < 3 or (share <= 0).any():
        return np.ones(len(count))
    mean, others = squared / share, (squared.sum() - squared) / (share.sum() - share)
    return np.asarray(stats.f.sf(mean / np.maximum(others, 1e-300), each, df - each))


def _reach(variance: float, df: float) -> float:
    """Half of a range with this error, to compare two of them."""
    return float(np.sqrt(variance) * stats.t.isf(0.0125, df))


def _by_variety(variety: npt.NDArray[np.int64], value: Array, number: int) -> Array:
    """Sums by variety."""
    return np.bincount(variety, value, minlength=number).astype(np.float64)
