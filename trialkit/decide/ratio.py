"""The ratio of two varieties' totals at one look, with its standard error and degrees of freedom.

The quantity is the ratio of what the plots of two varieties gave a plant planted. Plots are fitted
by variety x block (row x column of a square) as products, by quasi-likelihood with variance in
proportion to the mean (Wedderburn 1974, Biometrika 61:439-447): where every block holds every
variety once, that is the ratio of the varieties' totals itself, a plot without any pod included.
The error is that of plots about the fit, in proportion to what was fitted, variety and block taken
out of these residuals with equal weights: with the weights of the totals a variety that gives much
is all that blocks are known by, and where it gave seven times the check in three blocks a lead of
its own was named in 55 % of trials in place of 73 (three varieties whose plots differ by 45 %).

The check stands in every comparison, so one error for all varieties is wrong in all of them at
once where its plots scatter more. Its plots have a variance of their own, therefore, and those of
all others one together, both from the residuals (Rao 1970, J. Am. Stat. Assoc. 65:161-172; for
two-way tables Shukla 1972, Heredity 29:237-245): right however uneven the check is, but three or
four plots know their own variance badly, so that a fifth of the error is the one common to all
(`MODERATED`). Degrees of freedom are those of a sum of mean squares (Satterthwaite 1946, Biometrics
Bulletin 2:110-114), with fourth powers of standard deviations estimated without bias (Welch 1947,
Biometrika 34:28-35). Where another variety's plots scatter more by an F test it is set apart, all
of its own, if that makes the wider range; so are both of a pair where all pairs are compared. With
two varieties in blocks there is one error only, that of the paired t test; without blocks it is
near the test of Welch (1938, Biometrika 29:350-362).

On ground that slopes along a block, what chance is left is the draw's alone, and the law of the
draw has shorter tails than the normal: with plots of each block equally unlike, that of F with
1 - 2 / m times its degrees of freedom, m those within blocks (Box & Andersen 1955, J. R. Stat. Soc.
B 17:1-34, of randomised blocks). So degrees of freedom are cut where residuals lie on a slope
(`SLOPE`). Not with two varieties: what errs there are the draws that have one of them on the same
side of every block, whose residuals show no slope (the audit names them), and to halve three
degrees of freedom would only turn the answer to and fro.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc, stdtrit

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

MODERATED = 0.2
"""Part of the error common to all plots in a comparison with the check, the rest being that of the
check's own plots and that of the others'. Few plots know their own variance badly: moderated so, a
true lead is named more often and plots that are uneven are still allowed for. Chosen by the seasons
of tests/decide (README there: what else was tried). Own choice."""

UNEVEN_OTHER, UNEVEN_PAIR = 0.01, 0.1
"""Level of the F test for uneven scatter: of a variety compared with the check, and of each where
all pairs are compared. Chosen by simulation of a single look (20,000 trials of log-normal plots in
4 blocks). Another variety's plots with twice the spread: false claims in 5.8 % with three varieties
and 5.8 with five, without the test 5.9 and 6.6; at 0.03 5.4 and 5.1, but of true leads of 1.5 times
with plots all alike 50.0 % are named in place of 50.9. Own choice."""

FEWEST_ALONE = 1.5
"""With fewer degrees of freedom for how one variety differs from the others (two blocks) its own
error does not stand by itself: the wider range is taken. Own choice."""

SEPARATE = 1e-3
"""One variety and the rest whose sums of squares are nearer than this to being one and the same are
not told apart, as in a Latin square, whose plots hardly show which variety scatters."""

SLOPE = 0.05
"""Level of the F test for a slope along the bed or across it, in equal parts, by which degrees of
freedom are cut. At the end of 20,000 simulated seasons of three varieties in 4 blocks (standard
error 0.15): false claims with one end giving 1.8 times the other 4.6 %, uncut 5.5; 2.7 times, 5.2
and 6.7; a true lead of 1.5 times on even ground named in 45.5 in place of 46.0 %, in 3 blocks 26.3
in place of 27.0. At 0.1 false claims 4.3 and 5.0 %, named 45.0 and 25.6. Own choice."""

STEPS, CLOSE = 50, 1e-10


class Ratio(NamedTuple):
    """log(left / right), its standard error and degrees of freedom, and what all plots together
    leave for error; NaN where there is none."""

    estimate: float
    se: float
    df: float
    plots_df: float


NONE = Ratio(np.nan, np.nan, np.nan, np.nan)


@dataclass(frozen=True, eq=False)
class Layout:
    """What a layout says of errors, the same at every look.

    variety: (n,) codes from 0, so many of them. x: (n, p) columns of varieties, then of what is
    taken out. df: plots less the rank of x. rest: (n, n), from how plots stray to their residuals,
    all with equal weights. spread: (number, number) sums of squared residuals of one variety for
    each unit of variance of another's plots.
    """

    variety: npt.NDArray[np.int64]
    number: int
    x: Array
    df: float
    rest: Array
    spread: Array

    def pair_error(
        self, left: int, right: int, squares: Array, squared: Array, *, in_all: bool = True
    ) -> tuple[Array, Array]:
        """Variance of log(left / right) and its degrees of freedom, shape (...,) each.

        squares: (varieties,) squared weights of plots in it, summed. squared: (..., varieties)
        sums of squared residuals, of this or of other trials laid out alike. in_all: as in
        `FittedPlots.ratio`."""
        common = squared.sum(axis=-1) * (squares.sum() / self.spread.sum())
        for_all = common, np.full_like(common, self.df)
        error = for_all
        if in_all and right in self._apart:
            error = self._own(right, squares, squared, common, MODERATED)
            if self._apart[right].alone < FEWEST_ALONE:
                error = _wider(error, for_all, np.ones(common.shape, dtype=bool))
        for variety in (left,) if in_all else (left, right):
            if variety in self._apart:
                uneven = self._apart[variety].p(squared) < (
                    UNEVEN_OTHER if in_all else UNEVEN_PAIR)
                error = _wider(error, self._own(variety, squares, squared, common), uneven)
        return error

    def on_slope(self, place: Array, away: Array) -> npt.NDArray[np.bool_]:
        """Whether plots stray along a slope, by an F test of each direction: shape (...,).

        place: (n, any) where each plot lies, along the bed and across. away: (..., n) residuals,
        of this or of other trials laid out alike.  Never of two varieties."""
        x = self.rest @ place
        there = (x**2).sum(axis=0) > 1e-6 * np.maximum(
            ((place - place.mean(axis=0)) ** 2).sum(axis=0), 1e-12)
        if self.df < 3 or self.number < 3 or not there.any():
            return np.zeros(away.shape[:-1], dtype=bool)
        x = x[:, there] / np.sqrt((x[:, there] ** 2).sum(axis=0))
        by_slope = (away @ x) ** 2
        left = np.maximum((away**2).sum(axis=-1)[..., None] - by_slope, 1e-300) / (self.df - 1)
        p = fdtrc(1.0, self.df - 1, by_slope / left)
        return np.asarray(p.min(axis=-1) < SLOPE / x.shape[1])

    def cut(self, df: Array) -> Array:
        """Degrees of freedom where plots lie on a slope."""
        within = self.df + self.number - 1.0
        return np.asarray(np.maximum(df * (1.0 - 2.0 / within), 1.0))

    def _own(
        self, variety: int, squares: Array, squared: Array, common: Array, moderated: float = 0.0
    ) -> tuple[Array, Array]:
        """The error with one variety apart; `common` where that comes out at nothing."""
        variance, df = self._apart[variety].error(squares, squared, moderated)
        some = variance > 0
        return np.where(some, variance, common), np.where(some, np.clip(df, 1.0, self.df), self.df)

    @cached_property
    def _apart(self) -> dict[int, _Apart]:
        """Each variety against all others, where the layout tells their variances apart."""
        each = {v: self._set_apart(v) for v in range(self.number)}
        return {v: group for v, group in each.items() if group is not None}

    def _set_apart(self, variety: int) -> _Apart | None:
        number = self.number
        group = np.zeros((number, 2))
        group[variety, 0] = 1.0
        group[:, 1] = 1.0 - group[:, 0]
        spread = group.T @ self.spread @ group
        if self.df < 2 or spread[0, 0] * spread[1, 1] - spread[0, 1] * spread[1, 0] < (
                SEPARATE * np.trace(spread) ** 2):
            return None
        of_group = group[self.variety]
        form = np.array([self.rest.T @ (of_group[:, g][:, None] * self.rest) for g in (0, 1)])
        # Of the covariance of two sums of squares g, h (halved), the part of variances k, l.
        joint = np.array([[of_group.T @ (g * h) @ of_group for h in form] for g in form])
        inverse: Array = np.asarray(np.linalg.inv(spread), dtype=np.float64)
        # The product of two estimates is that of the variances and their covariance on top.
        on_top = 2.0 * np.einsum("ag,bh,ghkl->abkl", inverse, inverse, joint)
        products = np.linalg.inv(np.eye(4) + on_top.reshape(4, 4))
        return _Apart(group, inverse, joint, products, number - 1.0)


def layout_of(variety: npt.NDArray[np.int64], taken_out: Array) -> Layout:
    """variety: (n,) codes from 0, all of them there. taken_out: (n, any) columns of blocks."""
    return _layout(np.asarray(variety, np.int64).tobytes(),
                   np.ascontiguousarray(taken_out, np.float64).tobytes())


@lru_cache(maxsize=256)
def _layout(variety: bytes, taken_out: bytes) -> Layout:
    """By what the arrays hold, as a trial is fitted anew at every look."""
    code = np.frombuffer(variety, dtype=np.int64)
    number = int(code.max()) + 1
    by = np.eye(number)[code]
    columns = np.frombuffer(taken_out)
    x = np.hstack([by, columns.reshape(len(code), columns.size // len(code))])
    rest = np.eye(len(code)) - x @ np.linalg.pinv(x)
    return Layout(code, number, x, float(len(code) - np.linalg.matrix_rank(x)), rest,
                  by.T @ rest**2 @ by)


@dataclass(frozen=True)
class FittedPlots:
    """Plot totals at one look, fitted.

    use: (p, n) how coefficients answer to plots that stray, in proportion to their mean. pods:
    (varieties,) totals. squared: (varieties,) sums of squared residuals. sloped: plots stray along
    a slope.
    """

    layout: Layout
    coefficient: Array
    use: Array
    pods: Array
    squared: Array
    sloped: bool = False

    def ratio(self, left: int, right: int, *, in_all: bool = True) -> Ratio:
        """Variety `left` over `right` (codes). in_all: `right` stands in every comparison made
        (the check); False where all pairs are compared."""
        layout = self.layout
        if layout.df < 1 or self.pods[[left, right]].sum() < FEW_PODS:
            return NONE
        step = np.zeros(layout.x.shape[1])
        step[left], step[right] = 1.0, -1.0
        if np.abs(step @ self.use @ layout.x - step).max() > 1e-6:
            return NONE  # no block holds the two together
        squares = self.squares(left, right)
        variance, df = map(
            float, layout.pair_error(left, right, squares, self.squared, in_all=in_all))
        df = float(layout.cut(np.asarray(df))) if self.sloped else df
        chance = 1.0 / (self.pods[[left, right]] + 0.5)
        least = np.where(self.pods[[left, right]] < FEW_PODS, 1.0, LEAST_SHARE)
        floor = float((least * chance).sum())
        return Ratio(float(step @ self.coefficient), float(np.sqrt(max(variance, floor))), df,
                     layout.df)

    def means(self) -> tuple[Array, Array]:
        """log pods a plant planted by variety (v,), at the average block, and their covariance
        (v, v), one error for all varieties."""
        number = self.layout.number
        own = self.use[:number]
        even = self.squared.sum() / self.layout.spread.sum()
        joint = even * own @ own.T
        least = np.where(self.pods < FEW_PODS, 1.0, LEAST_SHARE) / (self.pods + 0.5)
        short = np.maximum(least - np.diagonal(joint), 0.0)
        return self.coefficient[:number], np.asarray(joint + np.diag(short))

    def squares(self, left: int, right: int) -> Array:
        """Squared weights of plots in log(left / right), summed by variety: (varieties,)."""
        weights = self.use[left] - self.use[right]
        return _by_variety(self.layout.variety, weights**2, self.layout.number)


@dataclass(frozen=True)
class _Apart:
    """The variance of one variety's plots and that of all others'.

    group: (varieties, 2). inverse: (2, 2), from sums of squares to variances. joint:
    (2, 2, 2, 2), of the sums' covariance. products: (4, 4), from products of estimated variances
    to estimates of their products. others: how many other varieties.
    """

    group: Array
    inverse: Array
    joint: Array
    products: Array
    others: float

    def error(
        self, squares: Array, squared: Array, moderated: float = 0.0
    ) -> tuple[Array, Array]:
        """Variance of a sum with weights squared (`squares`, by variety), and its df. moderated:
        part of it from the variance common to all plots."""
        part = (1.0 - moderated) * (self.group.T @ squares @ self.inverse)
        part = part + moderated * squares.sum() / np.linalg.inv(self.inverse).sum()
        sums = squared @ self.group
        own = sums @ self.inverse.T
        both = (own[..., :, None] * own[..., None, :]).reshape(*own.shape[:-1], 4)
        form = np.einsum("g,h,ghkl->kl", part, part, self.joint).ravel()
        below = both @ self.products.T @ form
        variance = sums @ part
        with np.errstate(divide="ignore", invalid="ignore"):
            return variance, np.where(below > 0, variance**2 / below - 2.0, np.inf)

    def p(self, squared: Array) -> Array:
        """p of the F test that the variety scatters no more than the others."""
        sums = squared @ self.group
        above, below = sums @ self._differs, sums @ self.inverse[1]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = above / ((1.0 + 1.0 / self.others) * below)
        p = fdtrc(self.alone, self._even_df(self.inverse[1]), np.maximum(ratio, 0.0))
        return np.asarray(np.where(below > 0, p, 1.0))

    @cached_property
    def alone(self) -> float:
        """Degrees of freedom of how the variety differs from the mean of the others."""
        return self._even_df(self._differs)

    @property
    def _differs(self) -> Array:
        return np.asarray(self.inverse[0] + self.inverse[1] / self.others)

    def _even_df(self, part: Array) -> float:
        """Degrees of freedom of part @ sums of squares, were all varieties alike."""
        mean = float((part @ np.linalg.inv(self.inverse)).sum())
        return mean**2 / float(np.einsum("g,h,ghkl->", part, part, self.joint))


def _wider(
    error: tuple[Array, Array], other: tuple[Array, Array], where: npt.NDArray[np.bool_]
) -> tuple[Array, Array]:
    """The first, or where said the other, if it makes the wider range."""
    take = where & (_reach(*other) > _reach(*error))
    return np.where(take, other[0], error[0]), np.where(take, other[1], error[1])


def fit_plots(
    pods: Array, planted: Array, variety: npt.NDArray[np.int64], taken_out: Array,
    place: Array | None = None,
) -> FittedPlots | None:
    """Fit the plots of one look; None where fewer than two varieties or plots are there.

    pods, planted: (n,) totals and plants set out. variety: (n,) codes from 0, all of them there.
    taken_out: (n, any) columns of blocks, each factor's summing to zero. place: (n, any) where
    each plot lies, along the bed and across; None where that is not known.
    """
    number = int(variety.max()) + 1 if len(variety) else 0
    count = np.bincount(variety, minlength=number).astype(float)
    if number < 2 or (count == 0).any():
        return None
    layout = layout_of(variety, taken_out)
    x = layout.x
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
    away = layout.rest @ ((y - mean) / mean)
    return FittedPlots(layout, coefficient, use, _by_variety(variety, pods, number),
                       _by_variety(variety, away**2, number),
                       place is not None and bool(layout.on_slope(place, away)))


def _reach(variance: Array, df: Array) -> Array:
    """Half of a range with this error, to compare two of them."""
    return np.asarray(np.sqrt(variance) * -stdtrit(df, 0.0125))


def _by_variety(variety: npt.NDArray[np.int64], value: Array, number: int) -> Array:
    """Sums by variety."""
    return np.bincount(variety, value, minlength=number).astype(np.float64)
