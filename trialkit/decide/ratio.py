"""The ratio of two varieties' totals at one look, with its standard error and degrees of freedom.

The quantity is the ratio of what the plots of two varieties gave a plant planted. Plots are fitted
by variety x block (row x column of a square) as products, by quasi-likelihood with variance in
proportion to the mean (Wedderburn 1974, Biometrika 61:439-447): where every block holds every
variety once, that is the ratio of the varieties' totals itself, a plot without any pod included.
The error is that of plots about the fit, in proportion to what was fitted, one for all varieties.

The check stands in every comparison, so one error for all varieties is wrong in all of them at
once where its plots scatter more. Its plots have a variance of their own, therefore, and those of
all others one together, both from the residuals (Rao 1970, J. Am. Stat. Assoc. 65:161-172; for
two-way tables Shukla 1972, Heredity 29:237-245): right however uneven the check is. Degrees of
freedom are those of a sum of mean squares (Satterthwaite 1946, Biometrics Bulletin 2:110-114), with
fourth powers of standard deviations estimated without bias (Welch 1947, Biometrika 34:28-35).
Where another variety's plots scatter more by an F test it is set apart in the same way, if that
makes the wider range; so are both of a pair where all pairs are compared. With two varieties in
blocks there is one error only, that of the paired t test; without blocks it is near the test of
Welch (1938, Biometrika 29:350-362).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
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

UNEVEN_OTHER, UNEVEN_PAIR = 0.03, 0.1
"""Level of the F test for uneven scatter: of a variety compared with the check, and of each where
all pairs are compared. Chosen by simulation of a single look (20,000 trials of log-normal plots in
4 blocks, shared by Dunnett's or Tukey's method), as are the check's own variances. Three varieties,
the check's spread one, three and five times the others': false claims in 3.9, 4.4 and 4.4 %, and
45 % of true leads of 1.5 named, where one error for all gives 3.5, 5.5 and 6.6 % and names 47 %.
Five varieties, another three times as uneven: 6.3 %, without the test 8.4 %. Own choice."""

FEWEST_ALONE = 1.5
"""With fewer degrees of freedom for how one variety differs from the others (two blocks) its own
error does not stand by itself: the wider range is taken. Own choice."""

SEPARATE = 1e-3
"""Groups of varieties whose sums of squares are nearer than this to being one and the same are not
told apart, as in a Latin square, whose plots hardly show which variety scatters."""

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
    df: plots less the rank of x. even: variance of a residual, the same for all. squared:
    (varieties,) sums of squared residuals. spread, rest: what those and the residuals of plots
    hold of the plots' own variation.
    """

    variety: npt.NDArray[np.int64]
    x: Array
    coefficient: Array
    use: Array
    pods: Array
    df: float
    even: float
    squared: Array
    spread: Array
    rest: Array

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
        variance, df = self._error(left, right, squares, in_all)
        chance = 1.0 / (self.pods[[left, right]] + 0.5)
        least = np.where(self.pods[[left, right]] < FEW_PODS, 1.0, LEAST_SHARE)
        floor = float((least * chance).sum())
        return Ratio(float(step @ self.coefficient), float(np.sqrt(max(variance, floor))), df)

    def _error(
        self, left: int, right: int, squares: Array, in_all: bool
    ) -> tuple[float, float]:
        """Variance and degrees of freedom of a sum over varieties of squares x variance."""
        for_all = self.even * float(squares.sum()), self.df
        apart = {v: self._apart[v] for v in (left, right) if v in self._apart}
        if not apart:
            return for_all
        found = [for_all]
        if in_all and right in apart:
            found = [self._own(apart[right], squares)]
            if apart[right].alone < FEWEST_ALONE:
                found.append(for_all)
        level = UNEVEN_OTHER if in_all else UNEVEN_PAIR
        found += [self._own(one, squares) for v, one in apart.items()
                  if one.p < level and not (in_all and v == right)]
        return max(found, key=lambda error: _reach(*error))

    @cached_property
    def _apart(self) -> dict[int, _Apart]:
        """Each variety against all others, where the layout tells their variances apart."""
        each = {v: self._set_apart(v) for v in range(len(self.pods))}
        return {v: one for v, one in each.items() if one is not None}

    def _set_apart(self, variety: int) -> _Apart | None:
        """The variances of one variety's plots and of all others'; None where the layout does not
        tell them from one another."""
        number = len(self.pods)
        group = np.zeros((number, 2))
        group[variety, 0] = 1.0
        group[:, 1] = 1.0 - group[:, 0]
        spread = group.T @ self.spread @ group
        if self.df < 2 or np.linalg.cond(spread) > 1.0 / SEPARATE:
            return None
        squared = group.T @ self.squared
        of_group = group[self.variety]
        form = np.array([self.rest.T @ (of_group[:, g][:, None] * self.rest) for g in (0, 1)])
        # joint[g, h, k, l]: of the covariance of two sums of squares, the part of variances k, l.
        joint = np.einsum("gij,hij,ik,jl->ghkl", form, form, of_group, of_group)
        own = np.linalg.solve(spread, squared)
        inverse = np.linalg.inv(spread)
        # How one variety's mean differs from that of all others, and those among themselves.
        top = inverse[0] + inverse[1] / (number - 1.0)
        above, below = float(top @ squared), float(own[1])
        equal = np.ones((2, 2))
        out = _Apart(group, inverse, squared, joint, 1.0, 0.0)
        out = replace(out, alone=out.df(top, equal))
        if below <= 0:
            return out
        ratio = max(above / ((1.0 + 1.0 / (number - 1.0)) * below), 0.0)
        return replace(out, p=float(stats.f.sf(ratio, out.alone, out.df(inverse[1], equal))))

    def _own(self, apart: _Apart, squares: Array) -> tuple[float, float]:
        """The error with one variety apart."""
        part = apart.group.T @ squares @ apart.inverse
        variance = float(part @ apart.squared)
        if not variance > 0:
            return self.even * float(squares.sum()), self.df
        return variance, float(np.clip(apart.df(part), 1.0, self.df))


@dataclass(frozen=True)
class _Apart:
    """One variety against all others. group: (varieties, 2). inverse: (2, 2), from sums of
    squares to variances. squared: (2,) sums of squares. joint: (2, 2, 2, 2). p: of the F
    test that the variety scatters no more. alone: degrees of freedom of how it differs from the
    mean of the others."""

    group: Array
    inverse: Array
    squared: Array
    joint: Array
    p: float
    alone: float

    def df(self, part: Array, variances: Array | None = None) -> float:
        """Degrees of freedom of part @ squared: 2 mean^2 / variance. variances: (2, 2) products
        of the groups' variances where they are known; else estimated without bias."""
        if variances is not None:
            mean = float(part @ np.linalg.inv(self.inverse) @ np.sqrt(np.diagonal(variances)))
            return mean**2 / float(np.einsum("g,h,ghkl,kl", part, part, self.joint, variances))
        own = self.inverse @ self.squared
        # The product of two estimates is that of the variances and their covariance on top.
        on_top = 2.0 * np.einsum("ag,bh,ghkl->abkl", self.inverse, self.inverse, self.joint)
        lift = np.eye(4) + on_top.reshape(4, 4)
        products = np.linalg.solve(lift, np.outer(own, own).ravel()).reshape(2, 2)
        below = float(np.einsum("g,h,ghkl,kl", part, part, self.joint, products))
        return float(part @ self.squared) ** 2 / below - 2.0 if below > 0 else np.inf


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
    totals = _by_variety(variety, pods, number)
    return FittedPlots(variety, x, coefficient, use, totals, df, even, squared, spread, rest)


def _reach(variance: float, df: float) -> float:
    """Half of a range with this error, to compare two of them."""
    return float(np.sqrt(variance) * stats.t.isf(0.0125, df))


def _by_variety(variety: npt.NDArray[np.int64], value: Array, number: int) -> Array:
    """Sums by variety."""
    return np.bincount(variety, value, minlength=number).astype(np.float64)
