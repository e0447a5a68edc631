"""Intervals for the standard deviations of a linear mixed model, by the profile of its likelihood.

-2 log (restricted) likelihood as one standard deviation is held and everything else is fitted again
rises from its least value; the interval is where it has not risen past the quantile of chi-squared
on 1 df (Venzon & Moolgavkar 1988, Appl. Stat. 37:87).  A limit of zero means that no variance at
all is as likely as that.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import Dense, cross_products
from trialkit.mixed.glmm import GLMM
from trialkit.mixed.grouping import Floats
from trialkit.mixed.laplace import POISSON_LIKE, Laplace
from trialkit.mixed.likelihood import solve
from trialkit.mixed.lmm import LMM
from trialkit.mixed.smallsample import check_level
from trialkit.mixed.threads import few_threads


def spread_intervals(fit: LMM, level: float = 0.95) -> pd.DataFrame:
    """Rows: each standard deviation as `group_sd` names it, and ``residual``; columns: sd, low,
    high, in units of the response.

    The likelihood is that of the fit, restricted or not.  Raises MixedModelError for slopes that
    correlate with their intercept, for a known residual and for fits of known covariance.
    """
    check_level(level)
    if type(fit) is not LMM or fit.known_residual:
        raise MixedModelError("intervals for spreads are of fits with an estimated residual.")
    if any(g.k > 1 and len(g.shared) != g.k for g in fit.random.groupings):
        raise MixedModelError(
            "intervals for spreads of correlated slopes are not worked out; fit with uncorrelated."
        )
    value = _value_of(fit)
    names = [*fit.group_sd.index, "residual"]
    best = np.array([*fit.group_sd, fit.residual_sd])
    wanted = float(stats.chi2.ppf(level, 1))
    with few_threads(fit.random.r + fit.p):
        least = _least(value, best, None, 0.0)
        rows = {
            name: _limits(value, best, i, least, wanted, zero=name != "residual")
            for i, name in enumerate(names)
        }
    return pd.DataFrame(
        [(sd, *rows[name]) for name, sd in zip(names, best, strict=True)],
        index=pd.Index(names), columns=["sd", "low", "high"],
    )  # fmt: skip


def _value_of(fit: LMM) -> Callable[[Floats], float]:
    """-2 log likelihood, but for a constant, of (standard deviations, residual last)."""
    dense = Dense(fit.part.basis, fit.part.codes)
    start = np.linalg.lstsq(dense.rows[dense.codes], fit.y, rcond=None)[0]
    scale = fit.residual_sd
    left = (fit.y - dense.times(start)) / scale
    cross = cross_products(fit.random, dense, left, fit.weights)
    divisor = fit.n - fit.p if fit.method == "reml" else fit.n

    def value(sds: Floats) -> float:
        residual, at, factors = sds[-1], 0, []
        for g in fit.random.groupings:
            factors.append(np.diag(sds[at : at + g.k] / residual))
            at += g.k
        s = solve(fit.random, cross, factors, fit.p)
        unit = residual / scale
        own = s.logdet_z + (s.logdet_x if fit.method == "reml" else 0.0)
        return float(own + s.rss / unit**2 + 2.0 * divisor * np.log(unit))

    return value


def _least(value: Callable[[Floats], float], best: Floats, held: int | None, at: float) -> float:
    """The least with one standard deviation held at a value (or none held)."""
    free = [i for i in range(len(best)) if i != held]
    if not free:
        return value(np.array([at]))
    size = np.maximum(best, 0.05 * best.max())

    def over_free(x: Floats) -> float:
        sds = best.copy()
        sds[free] = np.abs(x) * size[free]
        if held is not None:
            sds[held] = at
        # the value is even in each sd of effects; a residual of zero is out of reach
        sds[-1] = max(sds[-1], 1e-4 * best[-1])
        return value(sds)

    start = np.maximum(best[free] / size[free], 0.1)
    return float(optimize.minimize(over_free, start, method="BFGS", options={"gtol": 1e-6}).fun)


def _limits(
    value: Callable[[Floats], float], best: Floats, i: int, least: float, wanted: float, *,
    zero: bool,
) -> tuple[float, float]:  # fmt: skip
    def rise(sd: float) -> float:
        return _least(value, best, i, sd) - least - wanted

    step = max(best[i], 0.05 * best.max())
    high = best[i] + 0.5 * step
    while rise(high) < 0.0:
        high += step
        step *= 1.5
    upper = float(optimize.brentq(rise, best[i], high, xtol=1e-6 * best[-1]))
    if zero and (best[i] == 0.0 or rise(0.0) <= 0.0):
        return 0.0, upper
    low = 0.0 if zero else 0.5 * best[i]
    while not zero and rise(low) < 0.0:
        low *= 0.5
    return float(optimize.brentq(rise, low, best[i], xtol=1e-6 * best[-1])), upper


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

Value = Callable[[Floats], tuple[float, Floats]]


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
