"""The Laplace approximation to a generalised mixed model's likelihood, and its exact gradient.

With b = L u, u standard normal, and u^ the mode of  f(u) = -sum l(eta) + u'u / 2  given the
parameters, the objective is (Tierney & Kadane 1986, J. Am. Stat. Assoc. 81:82)

  ML    2 f(u^) + log|H|,       H = L'Z'WZL + I,   W = -l''(eta^)
  REML  the fixed effects join the modes, with a flat prior (Stiratelli, Laird & Ware 1984,
        Biometrics 40:961):  2 f + log|H| + log|X'V^-1X| - p log(2 pi)

The mode is found by penalised iteratively reweighted least squares: each step is the weighted
linear mixed model of `likelihood.py` on the working response.  The gradient follows the mode: with
h_i the leverage of record i and a_i = h_i dw_i/deta, the mode moves by what one more solve with
a / w in place of the response gives.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import Dense, RandomPart, batched, cross_products
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Floats, Grouping, Triangles
from trialkit.mixed.likelihood import (
    LOG_2PI,
    Objective,
    Solved,
    forward,
    near_minimum,
    scale_rows,
    solve,
    turned,
)

# ------------------------------------------------------------------------------------------------
# What the approximation asks of a distribution: per record the log density l and its derivatives in
# the linear predictor eta; of one with a size, those in k = log(size) too.  Weights of the working
# model are the observed ones, -l'', which for canonical links are the expected ones too.
# ------------------------------------------------------------------------------------------------

SIZE_LIMITS = (1e-4, 1e7)


@dataclass(frozen=True)
class Derivatives:
    """Arrays (n,): l, l' and w = -l'' in eta, and dw/deta."""

    log_density: Floats
    score: Floats
    weight: Floats
    weight_slope: Floats


class Family(Protocol):
    """A response distribution.  ``has_size`` says whether k = log(size) is a parameter."""

    name: str
    has_size: bool

    def check(self, y: Floats, trials: Floats | None, name: str) -> None: ...
    def derivatives(self, eta: Floats, k: float) -> Derivatives: ...
    def size_derivatives(self, eta: Floats, k: float) -> tuple[float, Floats, Floats]: ...
    def mean(self, eta: Floats) -> Floats: ...
    def variance(self, eta: Floats, k: float) -> Floats: ...
    def cdf(self, y: Floats, eta: Floats, k: float) -> Floats: ...
    def draw(self, eta: Floats, k: float, rng: np.random.Generator) -> Floats: ...
    def start(self) -> Floats: ...


# ------------------------------------------------------------------------------------------------
# The search for the least of -2 log likelihood in models of counts and scores.
# ------------------------------------------------------------------------------------------------

Value = Callable[[Floats], tuple[float, Floats]]
"""A point (m,) -> -2 log likelihood and its gradient (m,); may raise MixedModelError."""

SMALL = 0.2
"""Entries of a triangle no larger than this are tried at exactly zero."""


def quasi_newton(
    value: Value, start: Floats, free: NDArray[np.bool_], slope: float = 1e-4, restarts: int = 4
) -> Floats:
    """The least over the free entries, until no slope exceeds ``slope``; a point where the value
    cannot be had counts as very high."""
    if not free.any():
        return start
    full = start.copy()

    def over_free(entries: Floats) -> tuple[float, Floats]:
        there = full.copy()
        there[free] = entries
        try:
            height, gradient = value(there)
        except MixedModelError:
            return 1e100, np.zeros(int(free.sum()))
        return (height, gradient[free]) if np.isfinite(height) else (1e100, 0.0 * gradient[free])

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(restarts):
            best = minimize(over_free, full[free], jac=True, method="BFGS",
                            options={"gtol": slope, "maxiter": 500})  # fmt: skip
            full[free] = best.x
            if np.abs(best.jac).max() < 10.0 * slope:
                break
    return full


def settle_zeros(
    value: Value, columns: Sequence[Sequence[int]], at: Floats, slope: float = 1e-4
) -> Floats:
    """Columns of the triangles that are nearly zero are tried at exactly zero."""
    height, _ = value(at)
    for entries in columns:
        if np.abs(at[list(entries)]).max() > SMALL:
            continue
        trial = at.copy()
        trial[list(entries)] = 0.0
        trial = quasi_newton(value, trial, trial != 0.0, slope)
        at_zero, _ = value(trial)
        if at_zero <= height + 1e-6 * (1.0 + abs(height) * 1e-3):
            at, height = trial, at_zero
    return at


def curvature(value: Value, at: Floats, entries: Sequence[int]) -> Floats:
    """Hessian over some entries, by central differences of the gradient."""
    chosen = list(entries)
    out = np.empty((len(chosen), len(chosen)))
    for row, i in enumerate(chosen):
        step = np.zeros(len(at))
        step[i] = 1e-4 * max(1.0, abs(at[i]))
        ahead, behind = value(at + step)[1], value(at - step)[1]
        out[row] = (ahead - behind)[chosen] / (2.0 * step[i])
    return np.asarray(0.5 * (out + out.T))


# ------------------------------------------------------------------------------------------------
# How much each record bears on its own fitted value, for the Laplace gradient.
#
# With D the inverse of the mixed-model equations' matrix, the factors put back (the covariance of
# the effects' errors, in units of the residual variance), the leverage of a record is
#
#   h_i = (z_i, x_i)' D (z_i, x_i)
#
# Only the entries of D that some record meets are formed, by the identities D = G - G Z'PZ G among
# the effects and D_fR = -G_f E_f D_R (symbols of `likelihood.py`).
# ------------------------------------------------------------------------------------------------

def leverages(s: Solved, dense: Dense) -> Floats:
    """h, (n,)."""
    random, r, p, c = s.random, s.r, s.p, len(s.stages)
    d = _rest(s)
    h = np.zeros(len(dense.codes))
    xd = dense.rows @ d[r:, :] if p else None
    if xd is not None:
        h += np.einsum("up,up->u", xd[:, r:], dense.rows)[dense.codes]
    for f, stage in enumerate(random.stages):
        g, places = stage.grouping, stage.places
        shape = (stage.n_units, stage.slots, stage.k)
        for i in range(f, c):
            later = random.stages[i]
            block = _between(s, f, i).reshape(*shape, later.slots, later.k)
            if i == f:
                block = np.einsum("usasb->usab", block).reshape(-1, g.k, 1, g.k)
                h += _summed(block, places, g, g)
            else:
                block = block.reshape(-1, g.k, later.slots, later.k)
                h += 2.0 * _summed(block, random.pair_codes(f, i), g, later.grouping)
        to_rest = -(s.stages[f].g @ s.to_rest(f)[:, :, : r + p]) @ d
        for i, (gi, si) in enumerate(zip(random.others, random.slices, strict=True), start=c):
            block = to_rest[:, :, si].reshape(-1, g.k, gi.n_levels, gi.k)
            h += 2.0 * _summed(block, random.pair_codes(f, i), g, gi)
        if xd is not None:
            h += 2.0 * _with_fixed(to_rest[:, :, r:].reshape(-1, g.k, p), places, g, dense)
    for i, (gi, si) in enumerate(zip(random.others, random.slices, strict=True), start=c):
        for j, (gj, sj) in enumerate(zip(random.others, random.slices, strict=True), start=c):
            if j < i:
                continue
            block = d[si, sj].reshape(gi.n_levels, gi.k, gj.n_levels, gj.k)
            if i == j:
                block = np.einsum("jajb->jab", block).reshape(-1, gi.k, 1, gi.k)
                h += _summed(block, gi.codes, gi, gi)
            else:
                h += 2.0 * _summed(block, random.pair_codes(i, j), gi, gj)
        if xd is not None:
            with_x = xd[:, si].reshape(len(dense.rows), gi.n_levels, gi.k)
            for a in range(gi.k):
                h += 2.0 * _times(with_x[dense.codes, gi.codes, a], gi.values[a], None)
    return h


def _rest(s: Solved) -> Floats:
    """D of the dense groupings and the fixed effects: S C^-1 S', (r + p, r + p)."""
    half = forward(s.chol, np.asfortranarray(np.eye(s.size)))
    back = [f.T for f in s.factors]
    d = scale_rows(s.random, back, half.T @ half)
    return scale_rows(s.random, back, d.T)


def _between(s: Solved, f: int, i: int) -> Floats:
    """D of each unit of stage f with the unit of stage i that it lies in, i = f its own,
    (units, width of f, width of i)."""
    links, low, high = s.random.links, s.stages[f], s.stages[i]
    y = [s.y_units(a) for a in (f, i)]
    last = len(s.stages)
    if f == i:
        common = np.matmul(y[0], turned(y[0]))
        for j in range(f + 1, last):
            w = s.between(f, j)
            common += batched(batched(w, links[f, j].down(s.stages[j].k)), turned(w))
        return np.asarray(low.k + low.g @ common @ low.g)
    above = links[f, i]
    common = np.matmul(y[0], turned(above.down(y[1])))
    for j in range(i + 1, last):
        w = batched(s.between(f, j), links[f, j].down(s.stages[j].k))
        common += batched(w, turned(above.down(s.between(i, j))))
    cross = batched(s.between(f, i), above.down(high.k))
    return np.asarray(low.g @ (common @ high.g - cross))


def _summed(block: Floats, cells: np.ndarray, left: Grouping, right: Grouping) -> Floats:
    """Sum over a and b of block[., a, ., b] times the values of the two columns, (n,)."""
    out = np.zeros(len(cells))
    for a in range(left.k):
        for b in range(right.k):
            value = np.ascontiguousarray(block[:, a, :, b]).reshape(-1)[cells]
            out += _times(value, left.values[a], right.values[b])
    return out


def _with_fixed(effects: Floats, places: np.ndarray, g: Grouping, dense: Dense) -> Floats:
    """Sum over a of effects[., a, :] x times the column's values, (n,)."""
    n = len(dense.codes)
    out = np.zeros(n)
    for a in range(g.k):
        own = effects[:, a, :]
        if len(dense.rows) * len(own) <= max(4 * n, 100_000):
            value = (own @ dense.rows.T)[places, dense.codes]
        else:
            value = np.einsum("ip,ip->i", own[places], dense.rows[dense.codes])
        out += _times(value, g.values[a], None)
    return out


def _times(x: Floats, a: Floats | None, b: Floats | None) -> Floats:
    if a is not None:
        x = x * a
    return x if b is None else x * b


# ------------------------------------------------------------------------------------------------
# The Laplace approximation to a generalised mixed model's likelihood, and its exact gradient.
# ------------------------------------------------------------------------------------------------

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


# ------------------------------------------------------------------------------------------------
# The search for a count model's parameters, and their covariance.
# ------------------------------------------------------------------------------------------------

# log(size) past this is Poisson to all the digits that counts can show
POISSON_LIKE = float(np.log(1e5))


@dataclass(frozen=True)
class CountOptimum:
    """The optimum: objective, factors L, log size, mode, fixed effects and their covariance."""

    objective: float
    factors: tuple[Floats, ...]
    log_size: float
    mode: Mode
    beta: Floats
    evaluations: int
    _covariance: Callable[[], Floats] | None = field(repr=False)

    @cached_property
    def covariance(self) -> Floats:
        """Of ``beta``, (p, p).  It takes as long as the search, so not before it is asked for."""
        assert self._covariance is not None
        return self._covariance()

    def __getstate__(self) -> dict[str, object]:
        """What a copy keeps: the covariance itself in place of how to get it."""
        _ = self.covariance
        return {**self.__dict__, "_covariance": None}


@dataclass(frozen=True)
class Nearby:
    """Where a search may start: the factors of each grouping, log size and fixed effects of a fit
    to nearly the same records."""

    factors: list[Floats]
    log_size: float
    beta: Floats


class CountFit:
    """The search: a start from the working linear model, then quasi-Newton on the Laplace value."""

    def __init__(
        self,
        method: str,
        part: FixedPart,
        random: RandomPart,
        family: Family,
        y: Floats,
        offset: Floats,
    ) -> None:
        self.method, self.part, self.random = method, part, random
        self.family, self.y, self.offset = family, y, offset
        self.dense = Dense(part.basis, part.codes)
        self.laplace = Laplace(random, self.dense, family, offset, reml=method == "reml")
        self.count = 0

    def run(self, nearby: Nearby | None = None, *, covariance: bool = True) -> CountOptimum:
        if nearby is None or self.method != "reml" or len(nearby.beta) != self.part.p:
            factors, k, beta, spread = self._start()
        else:
            factors, k = _off_zero(nearby.factors), nearby.log_size
            beta, spread = self.part.triangle @ nearby.beta, np.eye(self.part.p)
        # fixed effects enter as beta = centre + spread d: about unit curvature in d
        self.centre, self.spread = beta, spread
        scales = [np.maximum(np.diagonal(f), 0.1) for f in factors]
        self.triangles = Triangles(self.random.groupings, scales)
        size = [k] if self.family.has_size else []
        moves = np.zeros(self.part.p if self.method == "ml" else 0)
        x = np.concatenate([self.triangles.pack(factors), size, moves])
        x = quasi_newton(self, x, np.ones(len(x), dtype=bool), restarts=3)
        x = settle_zeros(self, self.triangles.columns(), x)
        self.best = x
        value, gradient = self(x)
        if float(np.abs(gradient).max()) > 1e-2:
            raise MixedModelError(
                "the count model did not settle; the records may hold too little information for "
                "so many groupings (try fewer), or one combination has only zeros."
            )
        factors, k, beta = self._unpack(x)
        mode = self.laplace.mode(factors, k, beta)
        coefficients = np.linalg.solve(self.part.triangle, mode.beta)
        optimum = CountOptimum(
            self._constant(value), tuple(factors), k, mode, coefficients, self.count,
            lambda: self._of_columns(self._covariance(x, mode)),
        )
        if self.method == "ml" and covariance:
            _ = optimum.covariance  # says so now if the records do not determine it
        return optimum

    def least(self, factors: Sequence[Floats], k: float) -> float:
        """The least of -2 log likelihood (ML) over the fixed effects, the spreads held."""
        held = [np.asarray(f) for f in factors]
        eta = np.asarray(self.family.start())
        beta = np.zeros(self.part.p)
        spread = np.eye(self.part.p)
        for _ in range(4):
            at = self.family.derivatives(eta, k)
            weight = np.maximum(at.weight, 1e-6)
            working = eta - self.offset + at.score / weight
            cross = cross_products(self.random, self.dense, working, weight)
            solved = solve(self.random, cross, held, self.part.p)
            beta, r = solved.coefficients, solved.r
            effects = [s @ (f @ f.T) for s, f in zip(solved.scores(), held, strict=True)]
            eta = np.clip(self.laplace.eta(effects, beta), -20.0, 20.0)
            spread = np.linalg.inv(solved.chol[r:, r:]).T
        self.centre, self.spread = beta, spread

        def over_moves(moves: Floats) -> tuple[float, Floats]:
            mode = self.laplace.mode(held, k, self.centre + self.spread @ moves)
            _, _, in_beta = self.laplace.gradient(mode, held, k)
            return self.laplace.value(mode), self.spread.T @ in_beta

        moves = np.zeros(self.part.p)
        moves = quasi_newton(over_moves, moves, np.ones(len(moves), dtype=bool))
        return over_moves(moves)[0]

    def _of_columns(self, covariance: Floats) -> Floats:
        """From the working basis to the formula's own columns."""
        half = np.linalg.solve(self.part.triangle, covariance)
        return np.asarray(np.linalg.solve(self.part.triangle, half.T).T)

    def _constant(self, value: float) -> float:
        """Put log|X'V^-1X| back on the formula's own columns (REML only)."""
        if self.method != "reml":
            return value
        return value + 2.0 * float(np.log(np.abs(np.diagonal(self.part.triangle))).sum())

    def _start(self) -> tuple[list[Floats], float, Floats, Floats]:
        """Variances and fixed effects from the working linear mixed model, reweighted thrice
        (penalised quasi-likelihood; Breslow & Clayton 1993, J. Am. Stat. Assoc. 88:9)."""
        eta = np.asarray(self.family.start())
        k = 1.0
        start: Floats | None = None
        for _ in range(3):
            if self.family.has_size:
                k = self._moment_size(eta)
            at = self.family.derivatives(eta, k)
            weight = np.maximum(at.weight, 1e-6)
            working = eta - self.offset + at.score / weight
            cross = cross_products(self.random, self.dense, working, weight)
            objective = Objective(self.random, cross, len(self.y), self.part.p, True, True, 0.0)
            if start is None:
                start = objective.triangles.pack([0.3 * np.eye(g.k) for g in self.random.groupings])
            best = near_minimum(objective, start)
            start = objective.triangles.pack(best.factors)
            effects = [s @ (f @ f.T) for s, f in zip(best.scores(), best.factors, strict=True)]
            eta = np.clip(self.laplace.eta(effects, best.coefficients), -20.0, 20.0)
        r = best.r
        spread = np.linalg.inv(best.chol[r:, r:]).T
        return _off_zero(best.factors), k, best.coefficients, spread

    def _moment_size(self, eta: Floats) -> float:
        mu = self.family.mean(eta)
        extra = float(np.sum((self.y - mu) ** 2 - mu))
        size = float(np.sum(mu**2)) / extra if extra > 0 else 100.0
        return float(np.log(np.clip(size, 0.05, 100.0)))

    def _unpack(self, x: Floats) -> tuple[list[Floats], float, Floats]:
        at, k = self.triangles.size, 0.0
        if self.family.has_size:
            low, high = np.log(SIZE_LIMITS)
            k = float(np.clip(x[at], low, high))
            at += 1
        beta = self.centre
        if self.method == "ml":
            beta = self.centre + self.spread @ x[at:]
        return self.triangles.unpack(x), k, beta

    def __call__(self, x: Floats) -> tuple[float, Floats]:
        self.count += 1
        factors, k, beta = self._unpack(x)
        mode = self.laplace.mode(factors, k, beta)
        in_factors, in_law, in_beta = self.laplace.gradient(mode, factors, k)
        parts = [self.triangles.gradient(in_factors), in_law]
        if self.method == "ml":
            parts.append(self.spread.T @ in_beta)
        return self.laplace.value(mode), np.concatenate(parts)

    def _covariance(self, x: Floats, mode: Mode) -> Floats:
        """Covariance of the fixed effects on the working basis, (p, p).

        From the Hessian of -2 log likelihood over all parameters inside their bounds, by central
        differences of the exact gradient.  ML: the fixed effects' block of the inverse of half of
        it.  REML: (X'V^-1X)^-1 at the mode, plus what the variance parameters' own covariance
        adds through the estimates' dependence on them (Kass & Steffey 1989, J. Am. Stat. Assoc.
        84:717, eq. 2.10).
        """
        free = np.ones(len(x), dtype=bool)
        q = self.triangles.size
        free[:q] = x[:q] != 0.0
        if self.family.has_size and x[q] > POISSON_LIKE:
            free[q] = False
        at = np.flatnonzero(free)
        hessian = np.empty((len(at), len(at)))
        moves = np.empty((len(at), self.part.p))
        for row, i in enumerate(at):
            step = 1e-4 * max(1.0, abs(x[i]))
            sides = []
            for sign in (1.0, -1.0):
                there = x.copy()
                there[i] += sign * step
                sides.append((self(there)[1][at], self.laplace.last_beta))
            hessian[row] = (sides[0][0] - sides[1][0]) / (2.0 * step)
            if sides[0][1] is not None and sides[1][1] is not None:
                moves[row] = (sides[0][1] - sides[1][1]) / (2.0 * step)
        inverse = 2.0 * np.linalg.inv(0.5 * (hessian + hessian.T)) if len(at) else hessian
        if self.method == "reml":
            at_mode = np.linalg.inv(mode.solved.xvx)
            return np.asarray(at_mode + moves.T @ inverse @ moves if len(at) else at_mode)
        block = inverse[-self.part.p :, -self.part.p :]
        if (np.diagonal(block) <= 0).any():
            raise MixedModelError(
                "the count model's curvature is not positive: the records do not determine it. "
                "Use fewer groupings or terms."
            )
        return self.spread @ block @ self.spread.T


def _off_zero(factors: Sequence[Floats]) -> list[Floats]:
    """The factors with no diagonal so near zero that the search could not leave it."""
    return [np.where(np.eye(len(f)) > 0, np.maximum(np.abs(f), 0.05), f) for f in factors]
