"""The mixed-model equations at one value of the relative covariances.

Write G_f (k x k) for the covariance of a grouping's effects relative to the residual
variance, G_f = L_f L_f'.  Eliminating the lead grouping (block diagonal) and then taking
one dense Cholesky of the rest gives everything a fit needs.  With V = I + Z G Z' (in units
of the residual variance, after weights):

  F  = (I + A1 G1)^-1 A1R                  lead by rest, = Z1'V1^-1 [Z2 X y]
  T  = ARR - A1R' G1 F                     rest by rest, = [Z2 X y]'V1^-1 [Z2 X y]
  C  = S'TS + diag(I, 0),  S = diag(L2, I) = chol chol'
  Ya = chol^-1 S' T_Ra                     so that  Z_a'V^-1 Z_b  = T_ab - Ya[:r]' Yb[:r]
                                                    Z_a'P Z_b     = T_ab - Ya' Yb

where V1 holds the lead grouping only, T_11 stands for M0 = (I + A1 G1)^-1 A1 and T_R1 for
F'.  Nothing is divided by a variance, so zero variances need no special case.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg.lapack import dpotrf, dtrtrs

from trialkit.mixed.crossproducts import Cross, RandomPart
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats


def scale_rows(random: RandomPart, factors: Sequence[Floats], t: Floats) -> Floats:
    """S' t for a matrix with the rest's rows (r of other groupings, then X, untouched)."""
    out = np.array(t, order="F", copy=True)
    for g, s, factor in zip(random.others, random.slices, factors[1:], strict=True):
        if g.k == 1:
            out[s] *= factor[0, 0]
        else:
            block = t[s].reshape(g.n_levels, g.k, -1)
            out[s] = np.matmul(factor.T, block).reshape(g.size, -1)
    return out


def forward(chol: Floats, b: Floats) -> Floats:
    """chol^-1 b by substitution."""
    if b.size == 0 or chol.shape[0] == 0:
        return b
    out, info = dtrtrs(chol, b, lower=1)
    if info != 0:
        raise MixedModelError("the mixed-model equations are singular; check for aliased columns.")
    return np.asarray(out)


def backward(chol: Floats, b: Floats) -> Floats:
    """chol'^-1 b by substitution."""
    if b.size == 0 or chol.shape[0] == 0:
        return b
    out, info = dtrtrs(chol, b, lower=1, trans=1)
    if info != 0:
        raise MixedModelError("the mixed-model equations are singular; check for aliased columns.")
    return np.asarray(out)


@dataclass(frozen=True)
class Solved:
    """The equations solved at one set of factors L_f (see the module text for symbols).

    ``has_y`` says whether the last column of the rest is the response.
    """

    random: RandomPart
    factors: tuple[Floats, ...]
    m0: Floats
    f: Floats
    t: Floats
    chol: Floats
    logdet_lead: float
    p: int
    has_y: bool

    @property
    def r(self) -> int:
        return self.random.r

    @cached_property
    def logdet_z(self) -> float:
        """log |I + L'Z'ZL|, = log |V|."""
        return self.logdet_lead + 2.0 * float(np.log(np.diagonal(self.chol)[: self.r]).sum())

    @cached_property
    def logdet_x(self) -> float:
        """log |X'V^-1X|."""
        return 2.0 * float(np.log(np.diagonal(self.chol)[self.r :]).sum())

    @cached_property
    def c(self) -> Floats:
        """chol^-1 S'T_Ry, (r + p,)."""
        top = self.t[: self.r + self.p, -1:]
        return forward(self.chol, scale_rows(self.random, self.factors, top))[:, 0]

    @cached_property
    def rss(self) -> float:
        """y'Py, the penalised residual sum of squares at the solution."""
        return float(self.t[-1, -1] - self.c @ self.c)

    @cached_property
    def y_rest(self) -> Floats:
        """Ya for the other groupings' columns, (r + p, r)."""
        block = self.t[: self.r + self.p, : self.r]
        return forward(self.chol, scale_rows(self.random, self.factors, block))

    @cached_property
    def y_lead(self) -> Floats:
        """Ya for the lead's columns, (r + p, levels * k)."""
        levels, k, _ = self.f.shape
        block = self.f[:, :, : self.r + self.p].reshape(levels * k, -1).T
        return forward(self.chol, scale_rows(self.random, self.factors, block))

    @cached_property
    def y_x(self) -> Floats:
        """Ya for X, other groupings' rows only, (r, p)."""
        block = self.t[: self.r, self.r : self.r + self.p]
        scaled = scale_rows(self.random, self.factors, block)
        return forward(self.chol[: self.r, : self.r], scaled)

    @cached_property
    def xvx(self) -> Floats:
        """X'V^-1X, (p, p)."""
        low = self.chol[self.r :, self.r :]
        out: Floats = low @ low.T
        return out

    @cached_property
    def coefficients(self) -> Floats:
        """The generalised least squares estimate, (p,)."""
        return backward(self.chol[self.r :, self.r :], self.c[self.r :])

    def scores(self) -> list[Floats]:
        """Z_f'Py, one (levels, k) array a grouping."""
        if self.random.lead is None:
            return []
        return self.residual_scores(self.f[:, :, -1], self.t[: self.r, -1], self.c)

    def residual_scores(self, lead: Floats, rest: Floats, c: Floats) -> list[Floats]:
        """Z'Py from F_y (levels, k), T_2y (r,) and c = chol^-1 S'T_Ry: T_ay - T_aR S chol'^-1 c."""
        levels, k, _ = self.f.shape
        size = self.r + self.p
        x = backward(self.chol, c[:, None])
        x = scale_rows(self.random, [f.T for f in self.factors], x)[:, 0]
        out = [lead - (self.f[:, :, :size].reshape(levels * k, size) @ x).reshape(levels, k)]
        low = rest - self.t[: self.r, :size] @ x
        for g, s in zip(self.random.others, self.random.slices, strict=True):
            out.append(low[s].reshape(g.n_levels, g.k))
        return out

    def own_blocks(self, *, x_out: bool) -> list[Floats]:
        """Sum over levels of the level's own k x k block of Z'PZ (x_out) or Z'V^-1Z."""
        if self.random.lead is None:
            return []
        rows = self.r + self.p if x_out else self.r
        levels, k, _ = self.f.shape
        y1 = self.y_lead[:rows].reshape(rows, levels, k)
        flat = y1.reshape(-1, k)
        out = [self.m0.sum(axis=0) - flat.T @ flat]
        y2 = self.y_rest[:rows]
        for g, s in zip(self.random.others, self.random.slices, strict=True):
            ys = y2[:, s].reshape(-1, g.k)
            own = self.t[s, s].reshape(g.n_levels, g.k, g.n_levels, g.k)
            out.append(np.einsum("jajb->ab", own) - ys.T @ ys)
        return out


def solve(
    random: RandomPart, cross: Cross, factors: Sequence[Floats], p: int, *, has_y: bool = True
) -> Solved:
    """Eliminate the lead, factor the rest.  ``factors`` one lower triangle (k, k) a grouping.

    Raises MixedModelError if X'V^-1X is singular.
    """
    if random.lead is None:
        m0, f, t, logdet = cross.lead, cross.lead_rest, cross.rest, 0.0
    else:
        m0, f, t, logdet = _eliminate_lead(cross, factors[0] @ factors[0].T)
    r, size = random.r, random.r + p
    scaled = scale_rows(random, factors, t[:size, :size])
    both = scale_rows(random, factors, scaled.T)
    both[np.arange(r), np.arange(r)] += 1.0
    if size == 0:
        chol = both
    else:
        chol, info = dpotrf(both, lower=1, clean=1, overwrite_a=1)
        if info != 0:
            raise MixedModelError(
                "the fixed effects are not of full rank given the random effects; "
                "check for columns that say the same thing."
            )
    return Solved(random, tuple(factors), m0, f, t, chol, logdet, p, has_y)


def _eliminate_lead(cross: Cross, g: Floats) -> tuple[Floats, Floats, Floats, float]:
    a, a_rest = cross.lead, cross.lead_rest
    levels, k, m = a_rest.shape
    if k == 1:
        shrink = 1.0 / (1.0 + g[0, 0] * a[:, 0, 0])
        f = a_rest * shrink[:, None, None]
        m0 = a * shrink[:, None, None]
        # the same matrix twice: half the work for BLAS
        half = a_rest[:, 0, :] * np.sqrt(g[0, 0] * shrink)[:, None]
        t = cross.rest - half.T @ half
        return m0, f, t, float(-np.log(shrink).sum())
    system = np.eye(k) + a @ g
    both = np.linalg.solve(system, np.concatenate([a, a_rest], axis=2))
    m0, f = both[:, :, :k], both[:, :, k:]
    gf = np.einsum("ab,jbm->jam", g, f).reshape(levels * k, m)
    t = cross.rest - a_rest.reshape(levels * k, m).T @ gf
    _, logs = np.linalg.slogdet(system)
    return m0, f, 0.5 * (t + t.T), float(logs.sum())
