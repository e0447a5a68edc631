"""Ordered scores: their probabilities, and the search for a cumulative model's parameters.

P(Y <= j) = F(theta_j - x'b - z'u), theta increasing (McCullagh 1980, J. R. Stat. Soc. B 42:109,
eq. 2.1); u is integrated out by Laplace, or for one grouping by adaptive Gauss-Hermite quadrature
(Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trialkit.mixed.crossproducts import Dense, RandomPart
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.family import Derivatives
from trialkit.mixed.grouping import Codes, Floats
from trialkit.mixed.laplace import Laplace, Mode
from trialkit.mixed.search import Value, quasi_newton, settle_zeros
from trialkit.mixed.triangles import Triangles

SLOPE = 1e-6
"""The search for the least of -2 log likelihood ends where no slope is greater."""


@dataclass
class ScoreLaw:
    """The probability of each record's score, with what Laplace needs of it.

    codes (n,) the score's number from 0; times (n,) how often the record stands for; upper, lower
    (n,): the record's thresholds, infinite at the ends.
    """

    codes: Codes
    times: Floats
    link: str
    upper: Floats
    lower: Floats

    name = "ordered"
    has_size = False

    def density(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """f and its first two derivatives; zero at the infinite ends."""
        at = np.clip(x, -700.0, 700.0)
        if self.link == "logit":
            low = special.expit(at)
            f = low * special.expit(-at)
            bend = 1.0 - 2.0 * low
            return f, f * bend, f * (bend**2 - 2.0 * f)
        f = np.exp(-0.5 * at**2) / np.sqrt(2.0 * np.pi)
        return f, -at * f, (at**2 - 1.0) * f

    def _share(self, a: Floats, b: Floats) -> Floats:
        """F(a) - F(b), from the nearer tail so that small shares keep their digits."""
        law = special.expit if self.link == "logit" else special.ndtr
        right = b > 0
        out = np.where(right, law(-b) - law(-a), law(a) - law(b))
        return np.asarray(np.maximum(out, 1e-300))

    def _parts(self, eta: Floats) -> tuple[Any, Any, Floats]:
        a, b = self.upper - eta, self.lower - eta
        return self.density(a), self.density(b), self._share(a, b)

    def derivatives(self, eta: Floats, k: float) -> Derivatives:
        (fa, fa1, fa2), (fb, fb1, fb2), share = self._parts(eta)
        first = -(fa - fb) / share
        second = (fa1 - fb1) / share
        third = -(fa2 - fb2) / share
        bad = self.upper <= self.lower
        log_density = np.where(bad, -np.inf, np.log(share))
        slope = third - 3.0 * first * second + 2.0 * first**3
        m = self.times
        return Derivatives(
            m * log_density, m * first, m * (first**2 - second), -m * slope
        )

    def in_thresholds(self, eta: Floats) -> tuple[tuple[Floats, Floats, Floats], ...]:
        """For the upper and the lower threshold of each record: dl, d2l/deta, dw (n,)."""
        (fa, fa1, fa2), (fb, fb1, fb2), share = self._parts(eta)
        first = -(fa - fb) / share
        second = (fa1 - fb1) / share - first**2
        out = []
        for sign, f, f1, f2 in ((1.0, fa, fa1, fa2), (-1.0, fb, fb1, fb2)):
            g, g1, g2 = sign * f / share, sign * f1 / share, sign * f2 / share
            mixed = -g1 - first * g
            weight = -(g2 + 2.0 * first * g1 - second * g + first**2 * g)
            out.append((self.times * g, self.times * mixed, self.times * weight))
        return tuple(out)


class ScoreLaplace(Laplace):
    """`Laplace` whose law has two thresholds a record: derivatives in both, (2, n) in a row."""

    def in_law(self, mode: Mode, k: float, h: Floats, move: Floats) -> Floats:
        law: Any = self.family
        return np.concatenate(
            [-2.0 * g + h * w + move * mixed for g, mixed, w in law.in_thresholds(mode.eta)]
        )


class ScoreSearch:
    """-2 log likelihood over (factors, thresholds, effects, effects by threshold).

    x (u, q): centred columns with one effect; own (u, s): columns with an effect at each
    threshold; codes: the row of each record.  shift, tied (u,): the linear predictor also holds
    shift + tied mean(theta).
    """

    def __init__(self, codes: Codes, scores: Codes, times: Floats, count: int, link: str,
                 x: Floats, own: Floats, random: RandomPart, shift: Floats | None = None,
                 tied: Floats | None = None) -> None:  # fmt: skip
        n = len(scores)
        self.link, self.count, self.random, self.own = link, count, random, own
        self.scores, self.codes = scores, codes
        self.law = ScoreLaw(scores, times, link, np.full(n, np.inf), np.full(n, -np.inf))
        self.laplace = ScoreLaplace(random, Dense(x, codes), self.law, None, reml=False)  # type: ignore[arg-type]
        self.triangles = Triangles(random.groupings, [np.ones(g.k) for g in random.groupings])
        self.q, self.s = x.shape[1], own.shape[1]
        self.shift = np.zeros(len(x)) if shift is None else shift
        self.tied = np.zeros(len(x)) if tied is None else tied

    def start(self) -> Floats:
        share = np.bincount(self.scores, weights=self.law.times, minlength=self.count)
        below = np.cumsum(share)[:-1] / share.sum()
        inverse = special.logit if self.link == "logit" else special.ndtri
        theta = inverse(below)
        steps = np.concatenate([theta[:1], np.log(np.diff(theta))])
        factors = self.triangles.pack([0.5 * np.eye(g.k) for g in self.random.groupings])
        return np.concatenate([factors, steps, np.zeros(self.q + self.s * (self.count - 1))])

    def parts(self, at: Floats) -> tuple[list[Floats], Floats, Floats, Floats]:
        """Factors, thresholds (J - 1,), effects (q,) and effects by threshold (s, J - 1)."""
        a, c = self.triangles.size, self.count - 1
        steps = at[a : a + c]
        theta = np.cumsum(np.concatenate([steps[:1], np.exp(steps[1:])]))
        own = at[a + c + self.q :].reshape(self.s, c)
        return self.triangles.unpack(at), theta, at[a + c : a + c + self.q], own

    def place(self, theta: Floats, own: Floats) -> None:
        """Set each record's two thresholds."""
        table = theta + self.own @ own
        table = table - (self.shift + self.tied * theta.mean())[:, None]
        ends = np.column_stack([
            np.full(len(table), -np.inf), table, np.full(len(table), np.inf)
        ])  # fmt: skip
        self.law.lower = ends[self.codes, self.scores]
        self.law.upper = ends[self.codes, self.scores + 1]

    def mode(self, at: Floats) -> Mode:
        factors, theta, beta, own = self.parts(at)
        self.place(theta, own)
        return self.laplace.mode(factors, 0.0, beta)

    def __call__(self, at: Floats) -> tuple[float, Floats]:
        factors, theta, beta, own = self.parts(at)
        self.place(theta, own)
        if (self.law.upper <= self.law.lower).any():
            raise MixedModelError("thresholds out of order")
        mode = self.laplace.mode(factors, 0.0, beta)
        in_factors, in_ends, in_beta = self.laplace.gradient(mode, factors, 0.0)
        up, low = in_ends[: len(self.scores)], in_ends[len(self.scores) :]
        c = self.count - 1
        cells = self.codes * (c + 2) + self.scores
        size = len(self.own) * (c + 2)
        table = np.bincount(cells, low, size) + np.bincount(cells + 1, up, size)
        table = table.reshape(len(self.own), c + 2)[:, 1:-1]
        in_theta = table.sum(axis=0) - float(self.tied @ table.sum(axis=1)) / c
        later = np.cumsum(in_theta[::-1])[::-1]
        steps = at[self.triangles.size : self.triangles.size + c]
        in_steps = later * np.concatenate([[1.0], np.exp(steps[1:])])
        in_own = (self.own.T @ table).ravel()
        parts = [self.triangles.gradient(in_factors), in_steps, in_beta, in_own]
        return self.laplace.value(mode), np.concatenate(parts)

    def quadrature(self, at: Floats, nodes: int) -> float:
        """-2 log likelihood by adaptive Gauss-Hermite nodes around each level's mode."""
        mode = self.mode(at)
        g = self.random.groupings[0]
        sd = self.parts(at)[0][0][0, 0]
        fixed = mode.eta - sd * mode.u[0][g.codes, 0]
        spread = 1.0 / np.sqrt(1.0 + sd**2 * np.bincount(g.codes, mode.at.weight, g.n_levels))
        z, w = np.polynomial.hermite.hermgauss(nodes)
        logs = []
        for node, weight in zip(z, w, strict=True):
            u = mode.u[0][:, 0] + np.sqrt(2.0) * spread * node
            density = self.law.derivatives(fixed + sd * u[g.codes], 0.0).log_density
            total = np.bincount(g.codes, density, g.n_levels) - 0.5 * u**2
            logs.append(total + node**2 + np.log(weight) + np.log(spread) - 0.5 * np.log(np.pi))
        return -2.0 * float(special.logsumexp(np.array(logs), axis=0).sum())

    def value_of(self, nodes: int) -> Value:
        """-2 log likelihood and its gradient: Laplace, or quadrature where nodes > 1."""
        if nodes <= 1:
            return self

        def value(x: Floats) -> tuple[float, Floats]:
            gradient = np.empty(len(x))
            for i in range(len(x)):
                step = np.zeros(len(x))
                step[i] = 1e-4
                ahead, behind = (self.quadrature(x + s, nodes) for s in (step, -step))
                gradient[i] = (ahead - behind) / 2e-4
            return self.quadrature(x, nodes), gradient

        return value

    def least(self, nodes: int = 1) -> tuple[Floats, float]:
        """The optimum and -2 log likelihood there."""
        start = self.start()
        at = quasi_newton(self, start, np.ones(len(start), dtype=bool), SLOPE)
        at = settle_zeros(self, self.triangles.columns(), at, SLOPE)
        if nodes > 1:
            # these slopes are differences themselves, good to about 1e-5
            at = quasi_newton(self.value_of(nodes), at, self.free(at), 10.0 * SLOPE, restarts=2)
        return at, self.value_of(nodes)(at)[0]

    def free(self, at: Floats) -> NDArray[np.bool_]:
        """All entries but variances at zero."""
        out = np.ones(len(at), dtype=bool)
        out[: self.triangles.size] = at[: self.triangles.size] != 0.0
        return out
