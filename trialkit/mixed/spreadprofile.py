"""Intervals for the standard deviations of a linear mixed model, by the profile of its likelihood.

-2 log (restricted) likelihood as one standard deviation is held and everything else is fitted again
rises from its least value; the interval is where it has not risen past the quantile of chi-squared
on 1 df (Venzon & Moolgavkar 1988, Appl. Stat. 37:87).  A limit of zero means that no variance at
all is as likely as that.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.mixed.crossproducts import Dense, cross_products
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats
from trialkit.mixed.lmm import LMM
from trialkit.mixed.smallsample import check_level
from trialkit.mixed.solve import solve
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
