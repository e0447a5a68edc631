"""The search for a count model's parameters, and their covariance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from trialkit.mixed.crossproducts import Dense, RandomPart, cross_products
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.family import SIZE_LIMITS, Family
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Floats
from trialkit.mixed.laplace import Laplace, Mode
from trialkit.mixed.likelihood import Objective, near_minimum
from trialkit.mixed.search import quasi_newton, settle_zeros
from trialkit.mixed.solve import solve
from trialkit.mixed.triangles import Triangles

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
        value, gradient = self(x)
        if float(np.abs(gradient).max()) > 1e-2:
            raise MixedModelError(
                "the count model did not settle; the records may hold too little information for "
                "so many groupings (try fewer), or one combination has only zeros."
            )
        factors, k, beta = self._unpack(x)
        mode = self.laplace.mode(factors, k, beta)
        kept = np.linalg.solve(self.part.triangle, mode.beta)
        optimum = CountOptimum(
            self._constant(value), tuple(factors), k, mode, kept, self.count,
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
            given = np.linalg.inv(mode.solved.xvx)
            return np.asarray(given + moves.T @ inverse @ moves if len(at) else given)
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
