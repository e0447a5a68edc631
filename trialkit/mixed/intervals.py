"""Intervals for what a fit estimates: by the profile of its likelihood, and by drawing again.

-2 log (restricted) likelihood as one standard deviation is held and everything else is fitted again
rises from its least value; the interval is where it has not risen past the quantile of chi-squared
on 1 df (Venzon & Moolgavkar 1988, Appl. Stat. 37:87).  A limit of zero means that no variance at
all is as likely as that.

Where there is no profile, the parametric bootstrap says what the estimates would do over seasons
like the fitted one: responses are drawn from the fit with new random effects and the model is
fitted again to each (Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6.5; percentile
intervals ch. 13).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import Dense, cross_products, known_cross_products
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.glmm import GLMM
from trialkit.mixed.grouping import Floats
from trialkit.mixed.laplace import POISSON_LIKE, CountFit, Laplace, quasi_newton
from trialkit.mixed.likelihood import few_threads, solve
from trialkit.mixed.lmm import LMM, KnownLMM
from trialkit.mixed.ordered import OrderedFit
from trialkit.mixed.smallsample import check_level

Value = Callable[[Floats], tuple[float, Floats]]


def spread_intervals(fit: MixedFit, level: float = 0.95) -> pd.DataFrame:
    """Rows: each standard deviation as `group_sd` names it, and ``residual`` where one is
    estimated; columns: sd, low, high, in units of the response, or of the link scale.

    The likelihood is that of the fit, restricted or not, by Laplace for counts and scores.  Raises
    MixedModelError for correlated slopes of counts and scores, where a level is separated, and for
    serial correlation or residual variances by group.
    """
    check_level(level)
    for g in fit.random.groupings:
        if g.shared and len(g.shared) != g.k:
            raise MixedModelError(f"the columns of '{g.name}' share variances: no intervals.")
        if g.centres:
            raise MixedModelError(
                f"zero lies far from the records' '{g.columns[-1]}', so the spread of '{g.name}' "
                "there is hardly known; subtract a number first."
            )
    wanted = float(stats.chi2.ppf(level, 1))
    with few_threads(fit.random.r + fit.p):
        if type(fit) in (LMM, KnownLMM):
            assert isinstance(fit, LMM)
            table = _linear_intervals(fit, wanted)
        elif isinstance(fit, GLMM | OrderedFit):
            table = _laplace_intervals(fit, wanted)
        else:
            raise MixedModelError(
                "intervals for spreads are not worked out with serial correlation or residual "
                "variances by group; use bootstrap."
            )
    return pd.DataFrame(table, index=["sd", "low", "high"]).T


def _linear_intervals(fit: LMM, wanted: float) -> dict[str, tuple[float, float, float]]:
    value = _value_of(fit)
    names = [*_effect_names(fit), *["residual"] * (not fit.known_residual)]
    spreads = {**fit.group_sd, "residual": fit.residual_sd}
    sds = np.array([spreads[name] for name in names])
    ties = np.concatenate(
        [np.zeros(0), *(_ties(f) for g, f in zip(fit.random.groupings, fit.factors, strict=True)
                        if not g.shared and g.k > 1)]
    )  # fmt: skip
    least, _ = _least(value, sds, _start(sds, ties, None), None, 0.0)
    out = {}
    for i, name in enumerate(names):
        at = _start(sds, ties, i)

        def rise(sd: float, i: int = i, at: Floats = at) -> float:
            height, at[:] = _least(value, sds, at, i, sd)
            return height - least - wanted

        sd = float(sds[i])
        out[name] = (sd, *_limits(rise, sd, float(sds.max()), zero=name != "residual"))
    return out


def _effect_names(fit: MixedFit) -> list[str]:
    """As `group_sd` names them, in the order of the fit's groupings."""
    return [
        g.name if column == "Intercept" else f"{g.name}.{column}"
        for g in fit.random.groupings
        for column in g.columns
    ]


def _ties(factor: Floats) -> Floats:
    """Below the diagonal of L, each row in units of its last entry, (k (k - 1) / 2,)."""
    rows = np.abs(np.diagonal(factor))
    scaled = factor / np.where(rows > 0.0, rows, 1.0)[:, None]
    return np.clip(scaled[np.tril_indices(len(factor), -1)], -20.0, 20.0)


def _value_of(fit: LMM) -> Callable[[Floats, Floats], float]:
    """-2 log likelihood, but for a constant, of the standard deviations, the residual's last where
    it is estimated, and of what ties the slopes to their intercepts (`_ties`)."""
    dense = Dense(fit.part.basis, fit.part.codes)
    start = np.linalg.lstsq(dense.rows[dense.codes], fit.y, rcond=None)[0]
    scale = fit.residual_sd
    left = (fit.y - dense.times(start)) / scale
    if isinstance(fit, KnownLMM):
        cross = known_cross_products(fit.random, dense, left, fit.known)
    else:
        cross = cross_products(fit.random, dense, left, fit.weights)
    divisor = fit.n - fit.p if fit.method == "reml" else fit.n

    def value(sds: Floats, ties: Floats) -> float:
        residual = scale if fit.known_residual else sds[-1]
        at, tied, factors = 0, 0, []
        for g in fit.random.groupings:
            rows = np.eye(g.k)
            if not g.shared:
                count = g.k * (g.k - 1) // 2
                rows[np.tril_indices(g.k, -1)] = ties[tied : tied + count]
                rows /= np.linalg.norm(rows, axis=1)[:, None]
                tied += count
            factors.append(sds[at : at + g.k, None] / residual * rows)
            at += g.k
        s = solve(fit.random, cross, factors, fit.p)
        unit = residual / scale
        own = s.logdet_z + (s.logdet_x if fit.method == "reml" else 0.0)
        return float(own + s.rss / unit**2 + 2.0 * divisor * np.log(unit))

    return value


def _least(
    value: Callable[[Floats, Floats], float], best: Floats, start: Floats, held: int | None,
    at: float,
) -> tuple[float, Floats]:  # fmt: skip
    """The least with one standard deviation held at a value (or none held), and where it is."""
    free = [i for i in range(len(best)) if i != held]
    size = _sizes(best)

    def over_free(x: Floats) -> float:
        sds = best.copy()
        # the value is even in each sd of effects; a residual of zero is out of reach
        sds[free] = np.maximum(np.abs(x[: len(free)]) * size[free], 1e-4 * (size * (
            np.arange(len(best)) == len(best) - 1))[free])  # fmt: skip
        if held is not None:
            sds[held] = at
        return value(sds, x[len(free) :])

    if not len(start):
        return over_free(start), start
    least = optimize.minimize(over_free, start, method="BFGS", options={"gtol": 1e-5})
    return float(least.fun), np.asarray(least.x)


def _sizes(best: Floats) -> Floats:
    """Units for the standard deviations."""
    return np.asarray(np.maximum(best, 0.05 * best.max()))


def _start(best: Floats, ties: Floats, held: int | None) -> Floats:
    free = [i for i in range(len(best)) if i != held]
    return np.concatenate([np.maximum(best[free] / _sizes(best)[free], 0.1), ties])


def _laplace_intervals(
    fit: GLMM | OrderedFit, wanted: float
) -> dict[str, tuple[float, float, float]]:
    """The search's own objective, one entry of a triangle held at a time."""
    if fit.separation is not None:
        raise MixedModelError("spreads are not profiled where a level is separated; leave it out.")
    if any(g.k > 1 and not g.shared for g in fit.random.groupings):
        raise MixedModelError(
            "intervals for spreads of correlated slopes are worked out for linear models only; "
            "fit with uncorrelated."
        )
    value: Value
    if isinstance(fit, GLMM):
        search = CountFit(fit.method, fit.part, fit.random, fit.family, fit.y, fit.offset)
        search.run(covariance=False)
        value, best, triangles = search, search.best, search.triangles
    else:
        scores = fit.search()
        value, best = scores.value_of(fit.nodes), scores.least(fit.nodes)[0]
        triangles = scores.triangles
    least, _ = value(best)
    scales = np.concatenate([np.zeros(0), *triangles.scales])
    out = {}
    for i, (name, scale) in enumerate(zip(_effect_names(fit), scales, strict=True)):
        free = np.arange(len(best)) != i
        start = best.copy()
        start[: len(scales)][start[: len(scales)] == 0.0] = 0.05  # a zero would never be left

        def rise(sd: float, i: int = i, scale: float = scale, free: npt.NDArray[np.bool_] = free,
                 start: Floats = start) -> float:  # fmt: skip
            start[i] = sd / scale
            start[:] = quasi_newton(value, start, free)
            return value(start)[0] - least - wanted

        sd = abs(float(best[i])) * scale
        out[name] = (sd, *_limits(rise, sd, max(sd, 0.2), zero=True))
    return out


def _limits(
    rise: Callable[[float], float], best: float, unit: float, *, zero: bool
) -> tuple[float, float]:
    """Where the rise passes nothing, below and above the best; unit: a size to step by."""
    step = max(best, 0.05 * unit)
    high = best + 0.5 * step
    while rise(high) < 0.0:
        high += step
        step *= 1.5
    upper = float(optimize.brentq(rise, best, high, xtol=1e-5 * unit))
    if zero and (best == 0.0 or rise(0.0) <= 0.0):
        return 0.0, upper
    low = 0.0 if zero else 0.5 * best
    while not zero and rise(low) < 0.0:
        low *= 0.5
    return float(optimize.brentq(rise, low, best, xtol=1e-5 * unit)), upper


# ------------------------------------------------------------------------------------------------
# How well a count model knows its own spreads: profiles of its restricted likelihood.
#
# For each standard deviation of a grouping's effects, -2 log likelihood over its least value as the
# standard deviation is held and the other spreads are fitted again (Barndorff-Nielsen & Cox 1994,
# Inference and Asymptotics, section 3.4).  The fixed effects are integrated out.
# ------------------------------------------------------------------------------------------------

FAR = 12.0
"""Rise at which a profile is followed no further; a 95 % interval ends at 3.84."""
STEP = 1.3
SMALLEST, LARGEST = 0.01, 5.0
STEPS, HALVINGS = 12, 6
NEAR = 0.02
"""What -2 log likelihood may still be from its least value at a point of a profile."""



@dataclass(frozen=True)
class Profile:
    """points: standard deviations (m,) on the link scale, ascending, as far as the rise of
    -2 log likelihood over its least value, (m,), is not past 12."""

    points: Floats
    rise: Floats


@dataclass(frozen=True)
class CountSpread:
    """profiles: by grouping.  log_size_variance: of the log of the negative binomial's size; 0
    where the counts vary no more than Poisson, or the family has none."""

    profiles: dict[str, Profile]
    log_size_variance: float


def count_spread(fit: GLMM, names: Sequence[str] | None = None) -> CountSpread:
    """The spreads of a fit made with ``method="reml"`` and random intercepts only.

    names: the groupings to profile; all of them unless said.

    Raises MixedModelError for other fits, and where the curvature is not positive.
    """
    if fit.method != "reml" or any(g.k != 1 for g in fit.random.groupings):
        raise MixedModelError("spreads are known of REML fits with random intercepts only.")
    if fit.separation is not None:
        raise MixedModelError("spreads are not profiled where a level is separated; leave it out.")
    sd = np.array([float(np.abs(f[0, 0])) for f in fit.factors])
    sized = bool(fit.family.has_size and fit.log_size <= POISSON_LIKE)
    x = np.array([*sd, fit.log_size] if sized else sd)
    with few_threads(fit.random.r + fit.p):
        value = _count_value_of(fit, sized)
        hessian = _hessian(x, value)
        profiles = {
            g.name: _profile(i, x, hessian, value) for i, g in enumerate(fit.random.groupings)
            if names is None or g.name in names
        }
    known = 2.0 * np.linalg.inv(hessian)
    return CountSpread(profiles, float(known[-1, -1]) if sized else 0.0)


def _count_value_of(fit: GLMM, sized: bool) -> Value:
    """-2 log likelihood and its gradient over (standard deviations, log size)."""
    dense = Dense(fit.part.basis, fit.part.codes)
    laplace = Laplace(fit.random, dense, fit.family, fit.offset, reml=True)
    beta = fit.part.triangle @ fit.optimum.beta

    def value(x: Floats) -> tuple[float, Floats]:
        factors = [np.array([[entry]]) for entry in x[: len(fit.factors)]]
        size = float(x[-1]) if sized else fit.log_size
        mode = laplace.mode(factors, size, beta)
        in_factors, in_law, _ = laplace.gradient(mode, factors, size)
        slope = [float(entry[0, 0]) for entry in in_factors] + ([float(in_law[0])] if sized else [])
        return laplace.value(mode), np.array(slope)

    return value


def _hessian(x: Floats, value: Value) -> Floats:
    """By central differences of the exact gradient; -2 log likelihood is even in each sd."""
    out = np.empty((len(x), len(x)))
    for i in range(len(x)):
        step = 1e-3 * max(0.1, abs(x[i]))
        ahead, behind = x.copy(), x.copy()
        ahead[i] += step
        behind[i] -= step
        out[i] = (value(ahead)[1] - value(behind)[1]) / (2.0 * step)
    out = 0.5 * (out + out.T)
    if (np.linalg.eigvalsh(out) <= 0).any():
        raise MixedModelError("the records do not determine the spreads: the likelihood is flat.")
    return out


def _profile(i: int, x: Floats, hessian: Floats, value: Value) -> Profile:
    others = np.flatnonzero(np.arange(len(x)) != i)
    inner = np.linalg.inv(hessian[np.ix_(others, others)])
    least, _ = value(x)
    rises = {float(x[i]): 0.0}

    def follow(sds: Sequence[float]) -> None:
        """The rise at one standard deviation after the other, each from where the last ended."""
        at = x.copy()
        for sd in sds:
            at[i] = sd
            at, low = _settled(at, others, inner, value)
            rises[sd] = max(low - least, 0.0)
            if rises[sd] > FAR:
                return

    start = max(float(x[i]), SMALLEST * STEP)
    ladder = np.arange(1, 40)
    follow([sd for sd in start * STEP**ladder if sd < LARGEST])
    down = [sd for sd in start / STEP**ladder if SMALLEST < sd < x[i]]
    follow([*down, 0.0] if x[i] > 0 else [])
    points = np.array(sorted(rises))
    return Profile(points, np.array([rises[point] for point in points]))


def _settled(at: Floats, others: npt.NDArray[np.intp], inverse: Floats, value: Value) -> tuple[
    Floats, float
]:
    """The others fitted again: quasi-Newton steps with the optimum's Hessian, halved where they
    do not lead down.  Returns where that ends and what is left to reach there taken off."""
    now, gradient = value(at)
    left = 0.0
    for _ in range(STEPS):
        move = -inverse @ gradient[others]
        left = -0.5 * float(gradient[others] @ move)
        if left < NEAR:
            break
        for _ in range(HALVINGS):
            there = at.copy()
            there[others] += move
            low, slope = value(there)
            if low < now:
                at, now, gradient = there, low, slope
                break
            move = 0.5 * move
        else:
            break
    return at, now - min(left, NEAR)


# ------------------------------------------------------------------------------------------------
# The parametric bootstrap.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Bootstrap:
    """draws: (times, m) statistics of the refits; failed: refits that did not settle."""

    observed: Floats
    draws: Floats
    failed: int

    def to_frame(self) -> pd.DataFrame:
        """`interval` at 95 %."""
        return self.interval()

    def interval(self, level: float = 0.95) -> pd.DataFrame:
        """estimate, se, low, high of each statistic; percentile limits."""
        tails = [0.5 - level / 2.0, 0.5 + level / 2.0]
        low, high = np.quantile(self.draws, tails, axis=0)
        return pd.DataFrame(
            {
                "estimate": self.observed,
                "se": self.draws.std(axis=0, ddof=1),
                "low": low,
                "high": high,
            }
        )


def bootstrap(
    fit: LMM | GLMM | OrderedFit,
    statistic: Callable[[LMM | GLMM | OrderedFit], Floats] | None = None,
    *,
    times: int = 199,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> Bootstrap:
    """Refit to ``times`` drawn responses.

    statistic: what to keep of each refit, (m,); the fixed effects by default.
    progress: called with (done, times) after each refit.

    Raises MixedModelError when more than one refit in ten fails.
    """
    keep = statistic or _fixed
    rng = np.random.default_rng(seed)
    draws, failed = [], 0
    for done in range(times):
        try:
            draws.append(keep(fit.refit(fit.simulate(rng)[0])))
        except MixedModelError:
            failed += 1
        if progress is not None:
            progress(done + 1, times)
    if failed > 0.1 * times:
        raise MixedModelError(
            f"{failed} of {times} bootstrap refits did not settle, so their spread says little; "
            "use fewer groupings."
        )
    return Bootstrap(keep(fit), np.array(draws), failed)


def _fixed(fit: LMM | GLMM | OrderedFit) -> Floats:
    return fit.fixed.to_numpy()
