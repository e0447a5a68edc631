"""The Laplace approximation to a generalised mixed model's likelihood, and its exact gradient.

With b = L u, u standard normal, and u^ the mode of  f(u) = -sum l(eta) + u'u / 2  given the
parameters, the objective is (Tierney & Kadane 1986, J. Am. Stat. Assoc. 81:82)

  ML    2 f(u^) + log|H|,       H = L'Z'WZL + I,   W = -l''(eta^)
  REML  the fixed effects join the modes, with a flat prior (Stiratelli, Laird & Ware 1984,
        Biometrics 40:961):  2 f + log|H| + log|X'V^-1X| - p log(2 pi)

The mode is found by penalised iteratively reweighted least squares: each step is the weighted
linear mixed model of `solve.py` on the working response.  The gradient follows the mode: with
h_i the leverage of record i and a_i = h_i dw_i/deta, the mode moves by what one more solve with
a / w in place of the response gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.mixed.crossproducts import Dense, RandomPart, cross_products
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.family import Derivatives, Family
from trialkit.mixed.grouping import Floats
from trialkit.mixed.leverage import leverages
from trialkit.mixed.likelihood import LOG_2PI
from trialkit.mixed.solve import Solved, solve

STEPS = 60


@dataclass(frozen=True)
class Mode:
    """The mode at one set of parameters: effects u (levels, k) a grouping, fixed effects on the
    working basis, eta (n,), and the equations at its weights."""

    u: list[Floats]
    scores: list[Floats]
    beta: Floats
    eta: Floats
    at: Derivatives
    solved: Solved
    f: float


class Laplace:
    """Objective and gradient over (factors L, log size, fixed effects)."""

    def __init__(
        self, random: RandomPart, dense: Dense, family: Family, offset: Floats | None, *, reml: bool
    ) -> None:
        self.random, self.dense, self.family, self.reml = random, dense, family, reml
        self.n, self.p = len(dense.codes), dense.rows.shape[1]
        self.offset = np.zeros(self.n) if offset is None else offset
        self.inner = dense if reml else Dense(np.zeros((len(dense.rows), 0)), dense.codes)
        self.inner_p = self.p if reml else 0
        self.last_u: list[Floats] | None = None
        self.last_beta: Floats | None = None

    def eta(self, effects: list[Floats], beta: Floats) -> Floats:
        out = self.offset + self.dense.times(beta)
        return out + self.random.times(effects) if self.random.groupings else out

    def mode(self, factors: list[Floats], k: float, beta: Floats) -> Mode:
        """Find the mode; starts from the last one.  Raises MixedModelError if it is not found."""
        u = self.last_u
        if u is None or any(
            len(a) != g.n_levels for a, g in zip(u, self.random.groupings, strict=True)
        ):
            u = [np.zeros((g.n_levels, g.k)) for g in self.random.groupings]
        if self.reml and self.last_beta is not None:
            beta = self.last_beta
        eta = self.eta(_effects(u, factors), beta)
        at = self.family.derivatives(eta, k)
        f = _penalised(at, u)
        if not np.isfinite(f):
            u = [np.zeros_like(a) for a in u]
            eta = self.eta(_effects(u, factors), beta)
            at = self.family.derivatives(eta, k)
            f = _penalised(at, u)
        for _ in range(STEPS):
            # working response for everything the inner solve moves
            fixed = self.offset if self.reml else self.offset + self.dense.times(beta)
            weight = np.maximum(at.weight, 1e-12)
            working = eta - fixed + at.score / weight
            cross = cross_products(self.random, self.inner, working, weight)
            solved = solve(self.random, cross, factors, self.inner_p)
            new_u = [s @ lower for s, lower in zip(solved.scores(), factors, strict=True)]
            new_beta = solved.coefficients if self.reml else beta
            step, moved = 1.0, False
            for _ in range(30):
                try_u = [a + step * (b - a) for a, b in zip(u, new_u, strict=True)]
                try_beta = beta + step * (new_beta - beta)
                try_eta = self.eta(_effects(try_u, factors), try_beta)
                try_at = self.family.derivatives(try_eta, k)
                try_f = _penalised(try_at, try_u)
                if np.isfinite(try_f) and try_f <= f + 1e-10 * (1.0 + abs(f)):
                    moved = True
                    break
                step *= 0.5
            if not moved:
                break
            change = float(np.abs(try_eta - eta).max())
            u, beta, eta, at, f = try_u, try_beta, try_eta, try_at, try_f
            if change < 1e-9:
                break
        else:
            raise MixedModelError("the random effects did not settle; the counts may be separated.")
        self.last_u = u
        if self.reml:
            self.last_beta = beta
        fixed = self.offset if self.reml else self.offset + self.dense.times(beta)
        weight = np.maximum(at.weight, 1e-12)
        cross = cross_products(self.random, self.inner, eta - fixed + at.score / weight, weight)
        solved = solve(self.random, cross, factors, self.inner_p)
        return Mode(u, self.random.transpose_times(at.score), beta, eta, at, solved, f)

    def value(self, mode: Mode) -> float:
        out = 2.0 * mode.f + mode.solved.logdet_z
        return out + mode.solved.logdet_x - self.p * LOG_2PI if self.reml else out

    def gradient(
        self, mode: Mode, factors: list[Floats], k: float
    ) -> tuple[list[Floats], Floats, Floats]:
        """Derivatives in each L (k, k), in the law's own parameters, and in the fixed effects
        (p,)."""
        at, solved = mode.at, mode.solved
        h = leverages(solved, self.inner)
        a = h * at.weight_slope
        za = self.random.transpose_times(a)
        xa = self.inner.transpose_times(a) if self.reml else np.zeros(0)
        projected, q_x = solved.project([z[:, :, None] for z in za], xa[:, None])
        t = [z[:, :, 0] for z in projected]
        q = [ti @ (lower @ lower.T) for ti, lower in zip(t, factors, strict=True)]
        move = self.random.times(q) if self.random.groupings else np.zeros(self.n)
        if self.reml:
            move = move + self.inner.times(q_x[:, 0])
        in_factors = []
        own = solved.own_blocks(x_out=self.reml)
        for s, u, ti, lower, block in zip(mode.scores, mode.u, t, factors, own, strict=True):
            r = ti @ lower
            in_factors.append(-2.0 * s.T @ u + 2.0 * block @ lower + ti.T @ u + s.T @ r)
        in_law = self.in_law(mode, k, h, move)
        in_beta = np.zeros(0)
        if not self.reml:
            in_beta = self.dense.transpose_times(-2.0 * at.score + a - at.weight * move)
        return in_factors, in_law, in_beta

    def in_law(self, mode: Mode, k: float, h: Floats, move: Floats) -> Floats:
        """Derivatives in the law's own parameters: log size, or none.  h (n,): leverages;
        move (n,): how the linear predictor follows."""
        if not self.family.has_size:
            return np.zeros(0)
        first, mixed, weight = self.family.size_derivatives(mode.eta, k)
        return np.array([-2.0 * first + float(h @ weight) + float(move @ mixed)])


def _effects(u: list[Floats], factors: list[Floats]) -> list[Floats]:
    return [a @ lower.T for a, lower in zip(u, factors, strict=True)]


def _penalised(at: Derivatives, u: list[Floats]) -> float:
    return -float(at.log_density.sum()) + 0.5 * sum(float((a**2).sum()) for a in u)
