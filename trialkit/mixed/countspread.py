"""How well a count model knows its own spreads: profiles of its restricted likelihood.

For each standard deviation of a grouping's effects, -2 log likelihood over its least value as the
standard deviation is held and the other spreads are fitted again (Barndorff-Nielsen & Cox 1994,
Inference and Asymptotics, section 3.4).  The fixed effects are integrated out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trialkit.mixed.crossproducts import Dense
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.glmm import GLMM
from trialkit.mixed.grouping import Floats
from trialkit.mixed.laplace import Laplace
from trialkit.mixed.laplacefit import POISSON_LIKE
from trialkit.mixed.threads import few_threads

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
        value = _value_of(fit, sized)
        hessian = _hessian(x, value)
        profiles = {
            g.name: _profile(i, x, hessian, value) for i, g in enumerate(fit.random.groupings)
            if names is None or g.name in names
        }
    known = 2.0 * np.linalg.inv(hessian)
    return CountSpread(profiles, float(known[-1, -1]) if sized else 0.0)


def _value_of(fit: GLMM, sized: bool) -> Value:
    """-2 log likelihood and its gradient over (standard deviations, log size)."""
    dense = Dense(fit.part.basis, fit.part.codes)
    laplace = Laplace(fit.random, dense, fit.family, fit.offset, reml=True)
    beta = fit.part.triangle @ fit.optimum.beta

    def value(x: Floats) -> tuple[float, Floats]:
        factors = [np.array([[one]]) for one in x[: len(fit.factors)]]
        size = float(x[-1]) if sized else fit.log_size
        mode = laplace.mode(factors, size, beta)
        in_factors, in_law, _ = laplace.gradient(mode, factors, size)
        slope = [float(one[0, 0]) for one in in_factors] + ([float(in_law[0])] if sized else [])
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
    found = {float(x[i]): 0.0}

    def follow(sds: Sequence[float]) -> None:
        """The rise at one standard deviation after the other, each from where the last ended."""
        at = x.copy()
        for sd in sds:
            at[i] = sd
            at, low = _settled(at, others, inner, value)
            found[sd] = max(low - least, 0.0)
            if found[sd] > FAR:
                return

    start = max(float(x[i]), SMALLEST * STEP)
    ladder = np.arange(1, 40)
    follow([sd for sd in start * STEP**ladder if sd < LARGEST])
    down = [sd for sd in start / STEP**ladder if SMALLEST < sd < x[i]]
    follow([*down, 0.0] if x[i] > 0 else [])
    points = np.array(sorted(found))
    return Profile(points, np.array([found[one] for one in points]))


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
