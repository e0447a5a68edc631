"""How strict to be at each of a planned number of looks: alpha spending.

Looking after every pick and stopping at the first "significant" result declares false winners
far more often than 5 % (Armitage, McPherson & Rowe 1969). Lan & DeMets (1983, Biometrika
70:659-663) fix in advance how much of the 5 % may be spent by each time. Here the O'Brien-
Fleming type is used: hardly anything early, nearly all of it at the end.

Two clocks (Lan & DeMets 1989, Stat. Med. 8:1191-1198). The spending clock is the number of
looks taken over the number planned, which is known before the season. The correlation between
looks comes from the information (1 / se^2), which is not: picks from the same plots share the
plots' own differences, so information rises fast at first and then levels off.

Few degrees of freedom: a t statistic is put on the normal scale by its tail probability,
z = Phi^-1(T_df(t)), so that every single look has exactly its nominal chance of error. The
joint distribution over looks is then only near the canonical one: with a handful of degrees of
freedom the looks hang together less, and the level would be exceeded. `alpha_for_few_df` takes
that off beforehand; simulation (tests/decide, looks_study.py) shows the level is then held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri
from scipy.stats import norm
from scipy.stats import t as student_t

from trialkit.decide.crossing import Array, Paths, carry_on, crossing, exit_chances, growing, start

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
        return np.asarray(alpha * np.log1p((np.e - 1.0) * when))
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

    @property
    def nominal(self) -> Array:
        """Two-sided p-value that a single look must get below, shape (k,)."""
        return np.asarray(2.0 * norm.sf(self.z))


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
    low, high = (float(-ndtri(one / 2.0)) for one in (allowed, share))
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


def repeated_interval(estimate: float, se: float, df: float, z: float) -> tuple[float, float]:
    """Interval that holds at all looks at once: estimate +- t_df(z) se.

    Jennison & Turnbull (1989, J. R. Stat. Soc. B 51:305-361), with the boundary z moved to the
    t scale by its tail probability. Units of `estimate`. Infinite when z is.
    """
    half = float(on_t_scale(z, df)) * se
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
    found = crossing(
        later, edges, drift=float(trend), begin=start(information, z * float(np.sqrt(information)))
    )
    return float(found.above.sum() if trend >= 0 else found.below.sum())
