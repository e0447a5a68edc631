"""How evenly a variety does from garden to garden.

Variance: each variety has a variance of its own about what variety and trial lead one to expect;
estimated by setting the residual sums of squares equal to their expectations (MINQUE with equal
prior weights, Rao 1970, J. Am. Stat. Assoc. 65:161), which in a complete table is the stability
variance of Shukla (1972, Heredity 29:237).  It holds the error of a mean too.

Slope: regression of the variety on the mean of the trial (Finlay & Wilkinson 1963, Aust. J.
Agric. Res. 14:742): 1 rises as the average variety does, more gains most in good gardens, less
holds up in poor ones.  In an incomplete table the mean is that of all varieties, by the two-way
fit.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.additive import Additive
from trialkit.models.comparing import ALPHA

Floats = npt.NDArray[np.float64]
FEWEST = 3
"""Trials from which on a line can be drawn and its error told."""

RISES, HOLDS = "gains most where gardens do well", "holds up where gardens do poorly"

COLUMNS = ["variety", "trials", "slope", "slope_se", "slope_low", "slope_high", "deviation",
           "variance", "words"]


def stability(fit: Additive, y: Floats) -> pd.DataFrame:
    """One row a variety: slope with its standard error and interval (simultaneous over the
    varieties, Bonferroni), deviation (sd about the line), variance (squared units of y; NaN with
    fewer than three varieties or trials; may be below zero), words.  y (n,): the rows of `fit`.
    """
    variance = own_variances(fit)
    v = len(fit.varieties)
    rows = []
    for i, name in enumerate(fit.varieties):
        own = fit.code == i
        x, values = fit.level[fit.place[own]], y[own]
        n = len(x)
        slope = se = low = high = deviation = float("nan")
        spread = float(((x - x.mean()) ** 2).sum()) if n else 0.0
        if n >= FEWEST and v > 1 and spread > 1e-12 * max(1.0, float(np.abs(x).max()) ** 2):
            slope = float(((x - x.mean()) * values).sum() / spread)
            left = values - values.mean() - slope * (x - x.mean())
            deviation = float(np.sqrt((left**2).sum() / (n - 2)))
            se = deviation / spread**0.5
            half = float(stats.t.isf(0.5 * ALPHA / v, n - 2)) * se
            low, high = slope - half, slope + half
        rows.append((name, n, slope, se, low, high, deviation, variance[i], _words(n, low, high)))
    return pd.DataFrame(rows, columns=COLUMNS)


def own_variances(fit: Additive) -> Floats:
    """Variance of each variety's departures, (v,); see the module's head.  NaN where the table
    is too small for one each."""
    v = len(fit.varieties)
    q = np.bincount(fit.code, fit.residual**2, minlength=v)
    size = np.bincount(fit.place).astype(np.float64)
    # The residual maker is M = S - W C W': S sweeps trials out, W is swept varieties, C inverse.
    # Expected q_i is the sum over k of variance_k x sum of M_rs^2, r of variety i and s of k.
    cross = np.array([fit.swept[fit.code == i].T @ fit.swept[fit.code == i] for i in range(v)])
    inner = fit.inverse @ cross
    expected = np.einsum("iab,kba->ik", inner, inner)
    at = np.full((len(size), v), -1, dtype=np.intp)
    at[fit.place, fit.code] = np.arange(len(fit.code))
    for i in range(v):
        for k in range(v):
            both = (at[:, i] >= 0) & (at[:, k] >= 0)
            left, right = fit.swept[at[both, i]], fit.swept[at[both, k]]
            projected = np.einsum("ra,ab,rb->r", left, fit.inverse, right)
            swept = float(i == k) - 1.0 / size[both]
            expected[i, k] += float((swept**2 - 2.0 * swept * projected).sum())
    if v < 3 or len(size) < 2 or np.linalg.cond(expected) > 1e10:
        return np.full(v, np.nan)
    return np.asarray(np.linalg.solve(expected, q))


def _words(n: int, low: float, high: float) -> str:
    if n < FEWEST:
        return "too few gardens to say"
    if not np.isfinite(low):
        return "cannot be said"
    if low > 1.0:
        return RISES
    if high < 1.0:
        return HOLDS
    return "no sign of being choosy"
