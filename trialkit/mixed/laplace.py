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
from trialkit.mixed.likelihood import LOG_2PI
from trialkit.mixed.solve import Solved, backward, forward, scale_rows, solve

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
        h = leverages(solved, self.random, self.inner)
        a = h * at.weight_slope
        za = self.random.transpose_times(a)
        xa = self.inner.transpose_times(a) if self.reml else np.zeros(0)
        t, q_x = apply(solved, za, xa)
        q = [ti @ (lower @ lower.T) for ti, lower in zip(t, factors, strict=True)]
        move = self.random.times(q) if self.random.groupings else np.zeros(self.n)
        if self.reml:
            move = move + self.inner.times(q_x)
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


def apply(solved: Solved, zv: list[Floats], xv: Floats) -> tuple[list[Floats], Floats]:
    """Z'P y and the fixed-effect solution for another response, given Z'Wy and X'Wy."""
    random, r, p = solved.random, solved.r, solved.p
    if random.lead is None:
        c = forward(solved.chol, xv[:, None])[:, 0]
        return [], backward(solved.chol, c)
    g = solved.factors[0] @ solved.factors[0].T
    levels, k, _ = solved.f.shape
    v1 = zv[0]
    # (I + A G)^-1 v = v - M0 G v, as (I + A G)^-1 = I - (I + A G)^-1 A G
    f = v1 - np.einsum("jab,bc,jc->ja", solved.m0, g, v1)
    low = np.concatenate([*(z.reshape(-1) for z in zv[1:]), xv])
    f_rest = solved.f[:, :, : r + p].reshape(levels * k, r + p)
    t = low - f_rest.T @ (v1 @ g).reshape(-1)
    c = forward(solved.chol, scale_rows(random, solved.factors, t[:, None]))[:, 0]
    out = solved.residual_scores(f, t[:r], c)
    beta = backward(solved.chol[r:, r:], c[r:]) if p else np.zeros(0)
    return out, beta


def leverages(solved: Solved, random: RandomPart, dense: Dense) -> Floats:
    """h_i = (z_i, x_i)' C^-1 (z_i, x_i), C the mixed-model equations' matrix, (n,)."""
    n, r, p = len(dense.codes), solved.r, solved.p
    # inverse of the rest's block with the factors put back: D = S C_rest^-1 S'
    half = forward(solved.chol, np.asfortranarray(np.eye(r + p)))
    d = half.T @ half
    d = scale_columns(random, solved.factors, scale_columns(random, solved.factors, d).T)
    h = np.zeros(n)
    xd = dense.rows @ d[r:, :] if p else None
    if xd is not None:
        h += np.einsum("up,up->u", xd[:, r:], dense.rows)[dense.codes]
    if random.lead is None:
        return h
    g = solved.factors[0] @ solved.factors[0].T
    gf = np.einsum("ab,jbm->jam", g, solved.f[:, :, : r + p])
    gfd = gf @ d
    own = g[None] - np.einsum("ab,jbc,cd->jad", g, solved.m0, g)
    own = own + np.einsum("jam,jbm->jab", gfd, gf)
    first = random.groupings[0]
    for a in range(first.k):
        for b in range(first.k):
            h += _times(own[:, a, b][first.codes], first.values[a], first.values[b])
    for i, (gi, si) in enumerate(zip(random.others, random.slices, strict=True)):
        cross = gfd[:, :, si].reshape(first.n_levels, first.k, gi.n_levels, gi.k)
        for a in range(first.k):
            for b in range(gi.k):
                h -= 2.0 * _times(
                    cross[:, a, :, b].reshape(-1)[random.pair_codes(0, i + 1)],
                    first.values[a],
                    gi.values[b],
                )
        for j in range(i + 1):
            gj, sj = random.others[j], random.slices[j]
            block = d[si, sj].reshape(gi.n_levels, gi.k, gj.n_levels, gj.k)
            double = 1.0 if i == j else 2.0
            codes = random.pair_codes(i + 1, j + 1)
            for a in range(gi.k):
                for b in range(gj.k):
                    h += double * _times(
                        block[:, a, :, b].reshape(-1)[codes], gi.values[a], gj.values[b]
                    )
        if xd is not None:
            with_x = xd[:, si].reshape(len(dense.rows), gi.n_levels, gi.k)
            for a in range(gi.k):
                h += 2.0 * _times(with_x[dense.codes, gi.codes, a], gi.values[a], None)
    if xd is not None:
        for a in range(first.k):
            lead_x = gfd[:, a, r:]
            if len(dense.rows) * first.n_levels <= max(4 * n, 100_000):
                value = (lead_x @ dense.rows.T)[first.codes, dense.codes]
            else:
                value = np.einsum("ip,ip->i", lead_x[first.codes], dense.rows[dense.codes])
            h -= 2.0 * _times(value, first.values[a], None)
    return h


def scale_columns(random: RandomPart, factors: tuple[Floats, ...], d: Floats) -> Floats:
    """S d: the factors applied to the rest's rows (not transposed, unlike `scale_rows`)."""
    transposed = [f.T for f in factors]
    return scale_rows(random, transposed, d)


def _times(x: Floats, a: Floats | None, b: Floats | None) -> Floats:
    if a is not None:
        x = x * a
    return x if b is None else x * b
