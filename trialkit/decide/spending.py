"""Sharing 5 % among comparisons, and each share among looks, so that no look makes false winners.

The sharing of comparisons comes first; then the chance of crossing a boundary at one of several
looks, the boundaries of a planned number of looks, and an interval for looks nobody planned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import lambertw, ndtr, ndtri
from scipy.stats import norm
from scipy.stats import t as student_t

from trialkit.mixed.manymeans import LargestT, range_ppf

# ------------------------------------------------------------------------------------------------
# Sharing 5 % among several comparisons, so that the whole table has at most 5 % false winners.
# ------------------------------------------------------------------------------------------------

SHARINGS = ("bonferroni", "dunnett", "tukey")


def comparisons(varieties: int, against_check: bool) -> int:
    """How many comparisons the report makes: every variety with the check, or every pair."""
    return varieties - 1 if against_check else varieties * (varieties - 1) // 2


@lru_cache(maxsize=1024)
def alpha_each(
    varieties: int,
    against_check: bool,
    alpha: float = 0.05,
    how: str = SHARINGS[0],
    df: float = 1e6,
) -> float:
    """The two-sided alpha that each comparison may spend so that all together spend `alpha`.

    "bonferroni": alpha over the number of comparisons, valid for any dependence. "dunnett" (with
    the check) and "tukey" (all pairs) use the dependence between comparisons in a balanced layout
    with `df` residual degrees of freedom: exact for one look, checked by simulation for many
    (tests/decide/season_study.py).
    Raises ValueError for fewer than two varieties or a sharing that does not fit.
    """
    if varieties < 2:
        raise ValueError("a comparison needs two varieties")
    if how == "bonferroni":
        return alpha / comparisons(varieties, against_check)
    if how == "dunnett" and against_check:
        return float(2.0 * student_t.sf(dunnett_quantile(varieties - 1, df, alpha), df))
    if how == "tukey" and not against_check:
        reach = range_ppf(1.0 - alpha, varieties, df) / np.sqrt(2.0)
        return float(2.0 * student_t.sf(reach, df))
    raise ValueError(f"{how!r} does not fit; use one of {SHARINGS}, dunnett only with a check")


MOST_BY_DUNNETT = 2
"""Up to so many comparisons with a check share 5 % by Dunnett's joint law, more in equal parts.
That law has one error for all varieties, while a comparison here has, most of it, the error of the
check's own plots (`ratio`). One look, 20,000 made-up trials each, all alike: a winner was named in
5.5 % by Dunnett and 4.4 in equal parts with 5 varieties in 4 blocks, in 6.5 and 4.9 with 8 in 3;
with twice the spread of the check's plots in 6.6 and 5.7, 9.0 and 7.6; with 3 varieties in 3 and 4
blocks in 4.3 and 4.5 by Dunnett. A true ratio of 1.5, named in 54 % by Dunnett with 5 varieties, is
so in 50. Own choice."""


def sharing(varieties: int, against_check: bool) -> str:
    """By which of `SHARINGS` the comparisons of a report share their error."""
    if not against_check:
        return "tukey"
    many = comparisons(varieties, against_check) > MOST_BY_DUNNETT
    return "bonferroni" if many else "dunnett"


def dunnett_quantile(others: int, df: float, alpha: float = 0.05) -> float:
    """Two-sided critical value for `others` varieties against one check, equal replication: the
    correlation between any two comparisons is 1/2 (Dunnett 1955, J. Am. Stat. Assoc. 50:1096-1121).
    """
    return LargestT(0.5 * (np.eye(others) + 1.0)).isf(alpha, df)


# ------------------------------------------------------------------------------------------------
# Chance of crossing a boundary at one of several looks at the same growing data.
#
# The standardised statistics Z_1, Z_2, ... have the canonical joint distribution (Jennison &
# Turnbull 2000, Group Sequential Methods, eq. 3.1): jointly normal, E Z_k = drift sqrt(I_k),
# Cov(Z_j, Z_k) = sqrt(I_j / I_k) for I_j <= I_k. Then S_k = Z_k sqrt(I_k) has independent
# increments, and the density of S_k among the paths that have not crossed yet follows from that
# of S_{k-1} by one integral (Armitage, McPherson & Rowe 1969, J. R. Stat. Soc. A 132:235-244).
# The integrals are done here by Gauss-Legendre quadrature.
# ------------------------------------------------------------------------------------------------

Array = NDArray[np.float64]

SMALLEST_GAIN = 1e-3
"""A look must add this share of information; less is counted as this much. (Two looks at
nearly the same data are nearly one look. Counting the gain as a little more than it is makes
the statistics a little less correlated than they are, which errs on the careful side.)"""

_REACH = 9.0  # standard deviations kept either side; beyond lies less than 1e-18
_NODES_PER_WIDTH = 3.0  # quadrature nodes per standard deviation of one increment
_PANEL, _MOST_NODES = 32, 1600
_NODES, _WEIGHTS = leggauss(_PANEL)


@dataclass(frozen=True)
class Paths:
    """Paths that have not crossed yet after one look.

    at: quadrature nodes on the scale of S, shape (n,); mass: density times quadrature weight,
    shape (n,), summing to the chance of not having crossed; information: I at this look.
    """

    at: Array
    mass: Array
    information: float


def start(information: float = 0.0, score: float = 0.0) -> Paths:
    """All paths together at one point: S = score after `information` (nothing seen: 0, 0)."""
    return Paths(np.array([score]), np.array([1.0]), information)


def exit_chances(before: Paths, information: float, z: float, drift: float) -> tuple[float, float]:
    """(below, above): chance of first crossing -z or +z at a look with this information."""
    spread, centre = _step(before, information, drift)
    edge = z * np.sqrt(information)
    if not np.isfinite(edge):
        return 0.0, 0.0
    below = float(before.mass @ ndtr((-edge - centre) / spread))
    above = float(before.mass @ ndtr((centre - edge) / spread))
    return below, above


def carry_on(
    before: Paths, information: float, z: float, drift: float, next_gain: float | None = None
) -> Paths:
    """The paths still inside (-z, z) at a look with this information.

    next_gain: information the following look will add, if known; sets how fine the grid is.
    """
    spread, centre = _step(before, information, drift)
    low = float(centre.min() - _REACH * spread)
    high = float(centre.max() + _REACH * spread)
    edge = z * float(np.sqrt(information))
    low, high = max(low, -edge), min(high, edge)
    if high <= low:
        return Paths(np.array([0.0]), np.array([0.0]), information)
    finest = spread if next_gain is None else min(spread, float(np.sqrt(next_gain)))
    wanted = min(_NODES_PER_WIDTH * (high - low) / finest, _MOST_NODES)
    at, weights = _quadrature(low, high, wanted)
    return Paths(at, _density(at, centre, before.mass, spread) * weights, information)


def growing(information: Sequence[float] | Array) -> Array:
    """Information made strictly increasing: each look at least SMALLEST_GAIN above the last.

    information: one value a look (1 / se^2 on any common scale), shape (k,), all positive.
    Raises ValueError for values that are not positive and finite.
    """
    values = np.array(information, dtype=float)
    if values.ndim != 1 or values.size == 0 or not np.all(np.isfinite(values) & (values > 0)):
        raise ValueError("information must be positive and finite, one value a look")
    for k in range(1, values.size):
        values[k] = max(values[k], values[k - 1] * (1.0 + SMALLEST_GAIN))
    return values


@dataclass(frozen=True)
class Crossing:
    """Chance of first crossing at each look: below and above, shape (k,) each."""

    below: Array
    above: Array

    @property
    def total(self) -> float:
        """Chance of crossing either boundary at any look."""
        return float(self.below.sum() + self.above.sum())


def crossing(
    information: Sequence[float] | Array,
    z: Sequence[float] | Array,
    drift: float = 0.0,
    begin: Paths | None = None,
) -> Crossing:
    """Chance of first crossing -z_k or +z_k at each look.

    information: I_k, shape (k,), increasing. z: boundary at each look, shape (k,), np.inf for
    no boundary. drift: E Z_k = drift sqrt(I_k). begin: paths to start from (default: nothing
    seen yet); its information must be smaller than the first I_k.
    Raises ValueError if shapes differ or information does not grow.
    """
    steps = np.asarray(information, dtype=float)
    edges = np.asarray(z, dtype=float)
    if steps.shape != edges.shape or steps.ndim != 1 or steps.size == 0:
        raise ValueError("information and z need one value a look each")
    paths = start() if begin is None else begin
    if np.any(np.diff(np.concatenate([[paths.information], steps])) <= 0):
        raise ValueError("information must grow from look to look")
    below, above = np.zeros(steps.size), np.zeros(steps.size)
    gains = np.diff(steps)
    for k in range(steps.size):
        below[k], above[k] = exit_chances(paths, steps[k], edges[k], drift)
        if k + 1 < steps.size:
            paths = carry_on(paths, steps[k], edges[k], drift, float(gains[k]))
    return Crossing(below, above)


def _quadrature(low: float, high: float, wanted: float) -> tuple[Array, Array]:
    """Nodes and weights of a composite Gauss-Legendre rule with at least `wanted` nodes."""
    panels = max(int(np.ceil(wanted / _PANEL)), 2)
    width = (high - low) / panels
    at = low + width * (np.arange(panels)[:, None] + (_NODES[None, :] + 1.0) / 2.0)
    return at.ravel(), np.tile(_WEIGHTS * width / 2.0, panels)


def _density(at: Array, centre: Array, mass: Array, spread: float) -> Array:
    """Density of S at the new nodes: normal steps from every old node, mixed by its mass.

    Works panel by panel, with the old nodes that are near enough to matter; both are sorted.
    """
    density = np.empty(at.size)
    reach = _REACH * spread
    for first in range(0, at.size, _PANEL):
        here = at[first : first + _PANEL]
        near = slice(*np.searchsorted(centre, [here[0] - reach, here[-1] + reach]))
        away = (here[:, None] - centre[None, near]) / spread
        density[first : first + _PANEL] = np.exp(-0.5 * away**2) @ mass[near]
    return np.asarray(density / (spread * np.sqrt(2.0 * np.pi)))


def _step(before: Paths, information: float, drift: float) -> tuple[float, Array]:
    """Standard deviation of the next increment, and where it centres for every node."""
    gain = information - before.information
    return float(np.sqrt(gain)), before.at + drift * gain


# ------------------------------------------------------------------------------------------------
# How strict to be at each of a planned number of looks: alpha spending.
#
# Looking after every pick and stopping at the first "significant" result declares false winners
# far more often than 5 % (Armitage, McPherson & Rowe 1969). Lan & DeMets (1983, Biometrika
# 70:659-663) fix in advance how much of the 5 % may be spent by each time. Here the O'Brien-
# Fleming type is used: hardly anything early, nearly all of it at the end.
#
# Two clocks (Lan & DeMets 1989, Stat. Med. 8:1191-1198). The spending clock is the number of
# looks taken over the number planned, which is known before the season. The correlation between
# looks comes from the information (1 / se^2), which is not: picks from the same plots share the
# plots' own differences, so information rises fast at first and then levels off.
#
# Few degrees of freedom: a t statistic is put on the normal scale by its tail probability,
# z = Phi^-1(T_df(t)), so that every single look has exactly its nominal chance of error. The
# joint distribution over looks is then only near the canonical one: with a handful of degrees of
# freedom the looks hang together less, and the level would be exceeded. `alpha_for_few_df` takes
# that off beforehand; simulation (tests/decide, looks_study.py) shows the level is then held.
# ------------------------------------------------------------------------------------------------

KINDS = ("obrien-fleming", "pocock")


def spent(
    time: float | Sequence[float] | Array, alpha: float = 0.05, kind: str = KINDS[0]
) -> Array:
    """Two-sided alpha that may have been spent by `time` (0 at the start, 1 at the planned end).

    "obrien-fleming": 4 - 4 Phi(z_{alpha/4} / sqrt(time)), that is alpha / 2 for each direction
    by Lan & DeMets (1983) alpha_1*; "pocock": alpha ln(1 + (e - 1) time), their alpha_2*.
    Shape as `time`. Raises ValueError for an unknown kind or an alpha outside 0 to 1.
    """
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {KINDS}, not {kind!r}")
    if not 0.0 < alpha < 1.0:
        raise ValueError("alpha must lie between 0 and 1")
    when = np.clip(np.asarray(time, dtype=float), 0.0, 1.0)
    if kind == "pocock":
        return np.asarray(alpha * np.log1p((math.e - 1.0) * when))
    with np.errstate(divide="ignore"):
        return np.asarray(4.0 * norm.sf(norm.isf(alpha / 4.0) / np.sqrt(when)))


FEW_DF = 0.6


def alpha_for_few_df(alpha: float, df: float) -> float:
    """The alpha to spend so that looks with `df` degrees of freedom err at most `alpha`.

    alpha df / (df + 0.6). Own formula, fitted to simulation: spending the whole alpha over 20
    looks, the error measured was 1.62, 1.31, 1.17 and 1.04 times alpha with 1, 2, 3 and 5
    degrees of freedom (4000 to 9000 seasons each, no plot differences, which is the worst case).
    """
    return alpha * df / (df + FEW_DF)


@dataclass(frozen=True)
class Boundaries:
    """The boundary at each look taken; all arrays have shape (k,).

    information: 1 / se^2, made increasing; time: share of planned looks; z: a result at look k
    counts as settled when |Z_k| >= z[k]; spent: alpha used up to and including look k.
    """

    alpha: float
    information: Array
    time: Array
    z: Array
    spent: Array


def boundaries(
    information: Sequence[float] | Array,
    time: Sequence[float] | Array | None = None,
    alpha: float = 0.05,
    kind: str = KINDS[0],
) -> Boundaries:
    """Two-sided symmetric boundaries for the looks taken so far.

    information: I_k = 1 / se_k^2 (any common scale), shape (k,). time: share of the planned
    looks (or of planned information) at each look, shape (k,), not decreasing; default: the
    information over its last value, right for a trial that ends here. At time >= 1 all alpha
    is spent; a look after that has none left and gets an infinite boundary.
    Each boundary depends on the looks up to it alone, so a boundary once used never moves.
    Raises ValueError for information that is not positive, or time that goes back.
    """
    steps = growing(information)
    when = steps / steps[-1] if time is None else np.asarray(time, dtype=float)
    if when.shape != steps.shape or np.any(when <= 0) or np.any(np.diff(when) < 0):
        raise ValueError("time needs one value above 0 a look and may not go back")
    allowed = spent(when, alpha, kind)
    z, used, total = np.full(steps.size, np.inf), np.zeros(steps.size), 0.0
    paths = start()
    gains = np.append(np.diff(steps), np.nan)
    for k, here in enumerate(steps):
        share = float(allowed[k]) - total
        if share > 1e-9 * total:  # below this the share is only what rounding left over
            z[k] = _edge(paths, here, share, float(allowed[k]))
            total += sum(exit_chances(paths, here, z[k], 0.0))
        used[k] = total
        if k + 1 < steps.size:
            paths = carry_on(paths, here, z[k], 0.0, float(gains[k]))
    return Boundaries(alpha, steps, when, z, used)


def _edge(paths: Paths, information: float, share: float, allowed: float) -> float:
    """The boundary that the given paths cross with chance `share` at a look.

    allowed: chance of having crossed by then. It holds the boundary between the normal quantiles
    of the two: |Z| is past it in `share` of all paths at least and in `allowed` at most.
    """

    def excess(z: float) -> float:
        chance = sum(exit_chances(paths, information, z, 0.0))
        return float(np.log(max(chance, 1e-300)) - np.log(share))

    if share < 1e-290 or excess(0.0) <= 0:
        return float(np.inf)
    low, high = (float(-ndtri(probability / 2.0)) for probability in (allowed, share))
    low, high = low - 1e-3, high + 1e-3
    if not excess(low) > 0 > excess(high):  # what rounding left of a very small share
        low, high = 0.0, 37.0
    return float(brentq(excess, low, high, xtol=1e-10))


def on_normal_scale(statistic: float | Array, df: float | Array) -> Array:
    """A t statistic as the normal deviate with the same tail probability: Phi^-1(T_df(t))."""
    size = np.abs(np.asarray(statistic, dtype=float))
    return np.asarray(np.sign(statistic) * norm.isf(student_t.sf(size, df)))


def on_t_scale(z: float | Array, df: float | Array) -> Array:
    """The value of t_df with the same tail probability as a normal deviate z >= 0."""
    return np.asarray(student_t.isf(norm.sf(np.asarray(z, dtype=float)), df))


def repeated_interval(
    estimate: float | Array, se: float | Array, df: float | Array, z: float | Array
) -> tuple[Array, Array]:
    """Interval that holds at all looks at once: estimate +- t_df(z) se; shapes as given.

    Jennison & Turnbull (1989, J. R. Stat. Soc. B 51:305-361), with the boundary z moved to the
    t scale by its tail probability. Units of `estimate`. Infinite when z is.
    """
    half = on_t_scale(z, df) * se
    return estimate - half, estimate + half


def conditional_power(
    z: float,
    information: float,
    later: Sequence[float] | Array,
    edges: Sequence[float] | Array,
    drift: float | None = None,
) -> float:
    """Chance of crossing at one of the later looks in the direction of the drift, given now.

    z: the statistic now, on the normal scale. information: I now. later: I at the looks to
    come, shape (m,). edges: their boundaries, shape (m,). drift: true difference per unit of
    information, E Z = drift sqrt(I); default the current trend z / sqrt(information).
    With a single later look this is B-value conditional power (Lan, Simon & Halperin 1982,
    Sequential Analysis 1:207-219; Lan & Wittes 1988, Biometrics 44:579-585).
    """
    trend = z / np.sqrt(information) if drift is None else drift
    exits = crossing(
        later, edges, drift=float(trend), begin=start(information, z * float(np.sqrt(information)))
    )
    return float(exits.above.sum() if trend >= 0 else exits.below.sum())


# ------------------------------------------------------------------------------------------------
# An interval that stays valid however often, and whenever, the grower looks.
#
# For looks nobody planned. The normal-mixture confidence sequence of Robbins (1970, Ann. Math.
# Stat. 41:1397-1409; Howard, Ramdas, McAuliffe & Sekhon 2021, Ann. Stat. 49:1055-1080, eq. 14):
# with S_k = estimate_k I_k, a process with independent normal increments of variance I_k - I_j,
#
#   P(for some k: |S_k - theta I_k| >= sqrt((I_k + rho) log((I_k + rho) / (rho alpha^2)))) <= alpha
#
# for any rho > 0 fixed beforehand, and any number of looks.
#
# Do looks at one trial behave like that? Take balanced plots, the variety difference after k
# picks being a mean over the same plots: its error is (plot part) + (mean of k pick parts), so
# var_k = a + b / k and, for j < k, Cov(estimate_j, estimate_k) = a + b / k = var_k: the later
# estimate holds all that the earlier one held. Hence with I_k = 1 / var_k
#
#     Cov(S_j, S_k) = I_j I_k var_k = I_j,
#
# exactly the independent increments asked for (Scharfstein, Tsiatis & Robins 1997, J. Am. Stat.
# Assoc. 92:1342-1350: every efficient estimator has them, asymptotically). The plots' own
# differences do not break the method; they bound it. I_k levels off at 1 / a however many picks
# follow, so the interval stops shrinking, and only more plots would shrink it. What must NOT be
# done is to count picks as the sample size: then information would grow as k for ever and the
# interval would close on the difference of those plots rather than of the varieties.
#
# Two approximations remain. First, se_k is itself estimated from few plots and more picks do
# not add plots, so the large-sample argument of asymptotic confidence sequences (Waudby-Smith,
# Arbour, Sinha, Kennedy & Ramdas 2024, Ann. Stat. 52) does not come to the rescue. Each
# boundary is therefore moved from the normal to the t scale with the same tail probability.
# Second, pick parts that carry over from pick to pick make increments positively correlated.
# The simulations in tests/decide (looks_study.py) measure both.
# ------------------------------------------------------------------------------------------------

TUNED_AT = 5.0
"""The sequence is tightest where the information is this many times that of the first look.
With plot differences of a third to a quarter of one pick's noise, information over a season
rises about 5 to 10 times. The choice shifts the width by a few per cent only."""


def mixture_rho(information: float, alpha: float = 0.05) -> float:
    """The rho that makes the boundary tightest where I = information.

    rho = I / (-W_{-1}(-alpha^2 / e) - 1), W the Lambert function (Howard et al. 2021,
    Proposition 3). Same unit as `information`.
    Raises ValueError unless information > 0 and 0 < alpha < 1.
    """
    if not information > 0 or not 0 < alpha < 1:
        raise ValueError("needs information > 0 and alpha between 0 and 1")
    return float(information / (-lambertw(-(alpha**2) / math.e, k=-1).real - 1.0))


def anytime_z(information: float | Array, rho: float, alpha: float = 0.05) -> Array:
    """How large |Z_k| must be, at information I_k, to count at any look. Shape as given.

    sqrt((1 + rho / I) (log(1 + I / rho) + 2 log(1 / alpha))), equation above over sqrt(I).
    """
    ratio = np.asarray(information, dtype=float) / rho
    return np.asarray(np.sqrt((1.0 + 1.0 / ratio) * (np.log1p(ratio) - 2.0 * np.log(alpha))))
