"""The profiled REML and ML objectives, their exact gradients, and the search for the minimum.

Profiled over the fixed effects and the residual variance (Bates et al. 2015, eqs 34, 41):

  REML  log|V| + log|X'V^-1X| + (n - p) (1 + log(2 pi y'Py / (n - p)))
  ML    log|V|                + n (1 + log(2 pi y'Py / n))

With a known residual variance the last term is y'Py + d log(2 pi).  The derivative with
respect to G_f is  sum_j (Z'PZ)_jj - (d / y'Py) sum_j s_j s_j',  s = Z'Py  (Z'V^-1Z in place
of Z'PZ for ML), with d = n - p or n; through G = L L' it becomes 2 (dG) L on the triangle.

The search runs over the triangles' entries without bounds: the objective is even in each
column of L, so a zero variance is an interior stationary point and the search can pass
through it freely.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from trialkit.mixed.crossproducts import Cross, RandomPart, mean_diagonals
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats
from trialkit.mixed.solve import Solved, solve
from trialkit.mixed.triangles import Triangles

LOG_2PI = float(np.log(2.0 * np.pi))
# A relative standard deviation this small, against the scale on which the grouping
# starts to matter, is tried at exactly zero.
NEAR_ZERO = 3e-2


@dataclass
class Objective:
    """The objective as a function of the packed triangles (scaled by ``mean_diagonals``)."""

    random: RandomPart
    cross: Cross
    n: int
    p: int
    reml: bool
    known_residual: bool
    constant: float

    def __post_init__(self) -> None:
        scales = [1.0 / np.sqrt(d) for d in mean_diagonals(self.random, self.cross)]
        self.triangles = Triangles(self.random.groupings, scales)
        self.last: tuple[bytes, float, Floats, Solved] | None = None

    @property
    def divisor(self) -> int:
        return self.n - self.p if self.reml else self.n

    def solved(self, factors: Sequence[Floats]) -> Solved:
        return solve(self.random, self.cross, factors, self.p)

    def value(self, s: Solved) -> float:
        d = self.divisor
        rss = max(s.rss, 1e-300)
        fit = rss + d * LOG_2PI if self.known_residual else d * (1.0 + LOG_2PI + np.log(rss / d))
        return s.logdet_z + (s.logdet_x if self.reml else 0.0) + float(fit) + self.constant

    def slopes(self, s: Solved) -> list[Floats]:
        """Derivative with respect to each G_f, (k, k) symmetric."""
        ratio = 1.0 if self.known_residual else self.divisor / max(s.rss, 1e-300)
        return [
            own - ratio * (score.T @ score)
            for own, score in zip(s.own_blocks(x_out=self.reml), s.scores(), strict=True)
        ]

    def __call__(self, x: Floats) -> tuple[float, Floats]:
        """Value and gradient; asked again at the same point, it remembers."""
        if self.last is not None and self.last[0] == x.tobytes():
            return self.last[1], self.last[2]
        factors = self.triangles.unpack(x)
        s = self.solved(factors)
        value = self.value(s)
        in_factors = [2.0 * d @ f for d, f in zip(self.slopes(s), factors, strict=True)]
        gradient = self.triangles.gradient(in_factors)
        self.last = (x.tobytes(), value, gradient, s)
        return value, gradient

    def solved_at(self, x: Floats) -> Solved:
        self(x)
        assert self.last is not None
        return self.last[3]


@dataclass(frozen=True)
class Optimum:
    value: float
    solved: Solved
    evaluations: int
    gradient: float


def minimise(objective: Objective, start: Floats) -> Optimum:
    """Find the minimum from ``start``, then settle which variances are exactly zero.

    Raises MixedModelError when the search does not reach a stationary point.
    """
    if not objective.random.groupings:
        s = objective.solved([])
        return Optimum(objective.value(s), s, 1, 0.0)
    x, count = _search(objective, start, np.ones(len(start), dtype=bool))
    x, more = _settle_zeros(objective, x)
    value, gradient = objective(x)
    size = float(np.abs(gradient).max())
    if not np.isfinite(value) or size > 1e-3 * (1.0 + abs(value) * 1e-3):
        raise MixedModelError(
            f"the variance components did not settle (largest slope {size:.2g}); "
            "the data may not hold enough information for so many groupings."
        )
    return Optimum(value, objective.solved_at(x), count + more, size)


def near_minimum(objective: Objective, start: Floats) -> Solved:
    """Close to the minimum: where a search that goes on elsewhere can start."""
    if not objective.random.groupings:
        return objective.solved([])
    x, _ = _search(objective, start, np.ones(len(start), dtype=bool), 0.01)
    return objective.solved_at(x)


def _search(
    objective: Objective, x: Floats, free: NDArray[np.bool_], slope: float = 1e-6
) -> tuple[Floats, int]:
    """Quasi-Newton over the free entries until no slope exceeds ``slope``, restarted while it
    still gains."""
    if not free.any():
        return x, 0
    full = x.copy()

    def over_free(part: Floats) -> tuple[float, Floats]:
        at = full.copy()
        at[free] = part
        value, gradient = objective(at)
        return value, gradient[free]

    count = 0
    last = np.inf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(4):
            found = minimize(
                over_free,
                full[free],
                jac=True,
                method="BFGS",
                options={"gtol": slope, "maxiter": 200},
            )
            count += int(found.nfev)
            full[free] = found.x
            if np.abs(found.jac).max() < 10.0 * slope or last - found.fun < 1e-9:
                break
            last = float(found.fun)
    return full, count


def _settle_zeros(objective: Objective, x: Floats) -> tuple[Floats, int]:
    """Try exact zeros for columns of L that are nearly zero; leave saddles at zero."""
    count = 0
    value, _ = objective(x)
    for cols in objective.triangles.columns():
        small = np.abs(x[cols]).max() < NEAR_ZERO
        if not small:
            continue
        trial = x.copy()
        trial[cols] = 0.0
        free = trial != 0.0
        trial, more = _search(objective, trial, free)
        count += more
        at_zero, _ = objective(trial)
        if at_zero > value + 1e-8 * (1.0 + abs(value)):
            continue
        # a saddle: at zero, but the variance wants to grow
        lift = trial.copy()
        lift[cols[0]] = 0.3
        lift, more = _search(objective, lift, np.ones(len(x), dtype=bool))
        count += more
        above, _ = objective(lift)
        if above < at_zero - 1e-8 * (1.0 + abs(at_zero)):
            x, value = lift, above
        else:
            x, value = trial, at_zero
    return x, count
