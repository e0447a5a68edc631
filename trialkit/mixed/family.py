"""Response distributions for counts and yes/no records, with the derivatives Laplace needs.

Each gives, per record, the log density l and its derivatives in the linear predictor eta; the
negative binomial also those in k = log(size).  Weights of the working model are the observed
ones, -l'', which for canonical links are the expected ones too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special, stats

from trialkit.errors import MixedModelError
from trialkit.mixed.grouping import Floats

# Past this a linear predictor is as good as infinite; keeps exp() finite while a step is tried.
ETA_LIMIT = 60.0
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


def _counts(y: Floats, name: str, family: str) -> None:
    bad = (y < 0) | (y != np.round(y))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise MixedModelError(
            f"response '{name}' holds {y[at]:g} (record {at}); family '{family}' takes whole "
            "numbers from 0."
        )
    if not y.any():
        raise MixedModelError(
            f"response '{name}' is zero in every record; a rate of zero has no logarithm, "
            "so there is no model to fit."
        )


def _clip(eta: Floats) -> Floats:
    return np.clip(eta, -ETA_LIMIT, ETA_LIMIT)


class Poisson:
    name = "poisson"
    has_size = False

    def __init__(self, y: Floats, trials: Floats | None = None) -> None:
        self.y = y
        self.constant = special.gammaln(y + 1.0)

    def check(self, y: Floats, trials: Floats | None, name: str) -> None:
        _counts(y, name, self.name)

    def derivatives(self, eta: Floats, k: float) -> Derivatives:
        mu = np.exp(_clip(eta))
        return Derivatives(self.y * eta - mu - self.constant, self.y - mu, mu, mu)

    def size_derivatives(self, eta: Floats, k: float) -> tuple[float, Floats, Floats]:
        raise NotImplementedError("the Poisson distribution has no size")

    def mean(self, eta: Floats) -> Floats:
        return np.asarray(np.exp(_clip(eta)))

    def variance(self, eta: Floats, k: float) -> Floats:
        return self.mean(eta)

    def cdf(self, y: Floats, eta: Floats, k: float) -> Floats:
        return np.asarray(stats.poisson.cdf(y, self.mean(eta)))

    def draw(self, eta: Floats, k: float, rng: np.random.Generator) -> Floats:
        return rng.poisson(self.mean(eta)).astype(np.float64)

    def start(self) -> Floats:
        return np.asarray(np.log(0.5 * (self.y + self.y.mean()) + 1e-3))


class NegativeBinomial:
    """NB2: variance mu + mu^2 / size, log link (Lawless 1987, Can. J. Stat. 15:209)."""

    name = "negative-binomial"
    has_size = True

    def __init__(self, y: Floats, trials: Floats | None = None) -> None:
        self.y = y
        # counts repeat: gamma functions are taken once a distinct count
        self.values, self.codes = np.unique(y, return_inverse=True)
        self.times = np.bincount(self.codes)
        self.constant = special.gammaln(self.values + 1.0)

    def check(self, y: Floats, trials: Floats | None, name: str) -> None:
        _counts(y, name, self.name)

    def derivatives(self, eta: Floats, k: float) -> Derivatives:
        size = np.exp(k)
        mu = np.exp(_clip(eta))
        both = mu + size
        share = mu / both
        distinct = special.gammaln(self.values + size) - special.gammaln(size) - self.constant
        # size log size - (y + size) log(mu + size) written so that it holds for huge sizes
        log_density = (
            distinct[self.codes] + self.y * (eta - np.log(both)) - size * np.log1p(mu / size)
        )
        score = size * (self.y - mu) / both
        weight = (self.y + size) * (size / both) * share
        return Derivatives(log_density, score, weight, weight * (size - mu) / both)

    def size_derivatives(self, eta: Floats, k: float) -> tuple[float, Floats, Floats]:
        """Sum of dl/dk, and per record d2l/deta dk and dw/dk, k = log(size)."""
        size = np.exp(k)
        mu = np.exp(_clip(eta))
        both = mu + size
        distinct = special.digamma(self.values + size) - special.digamma(size)
        first = size * (
            float(self.times @ distinct)
            + float(np.sum(-np.log1p(mu / size) + (mu - self.y) / both))
        )
        mixed = size * (self.y - mu) * mu / both**2
        weight = size * mu * ((self.y + 2 * size) / both**2 - 2 * (self.y + size) * size / both**3)
        return first, mixed, weight

    def mean(self, eta: Floats) -> Floats:
        return np.asarray(np.exp(_clip(eta)))

    def variance(self, eta: Floats, k: float) -> Floats:
        mu = self.mean(eta)
        return np.asarray(mu + mu**2 / np.exp(k))

    def cdf(self, y: Floats, eta: Floats, k: float) -> Floats:
        size = np.exp(k)
        return np.asarray(stats.nbinom.cdf(y, size, size / (size + self.mean(eta))))

    def draw(self, eta: Floats, k: float, rng: np.random.Generator) -> Floats:
        size = float(np.exp(k))
        rate = rng.gamma(size, self.mean(eta) / size)
        return rng.poisson(rate).astype(np.float64)

    def start(self) -> Floats:
        return np.asarray(np.log(0.5 * (self.y + self.y.mean()) + 1e-3))


class Binomial:
    """Yes/no records, or proportions with ``trials``; logit link."""

    name = "binomial"
    has_size = False

    def __init__(self, y: Floats, trials: Floats | None = None) -> None:
        self.y = y
        self.m = np.ones(len(y)) if trials is None else trials
        yes = y * self.m
        self.constant = (
            special.gammaln(self.m + 1)
            - special.gammaln(yes + 1)
            - special.gammaln(self.m - yes + 1)
        )

    def check(self, y: Floats, trials: Floats | None, name: str) -> None:
        bad = (y < 0) | (y > 1)
        if trials is None:
            bad |= (y != 0) & (y != 1)
        if bad.any():
            at = int(np.flatnonzero(bad)[0])
            raise MixedModelError(
                f"response '{name}' holds {y[at]:g} (record {at}); family 'binomial' takes 0 or 1, "
                "or proportions with weights giving the number of trials."
            )
        if np.ptp(y) == 0.0:
            raise MixedModelError(
                f"response '{name}' is {y[0]:g} in every record; its odds cannot be estimated."
            )

    def derivatives(self, eta: Floats, k: float) -> Derivatives:
        p = special.expit(eta)
        log_density = self.m * (self.y * eta - np.logaddexp(0.0, eta)) + self.constant
        w = self.m * p * (1.0 - p)
        return Derivatives(log_density, self.m * (self.y - p), w, w * (1.0 - 2.0 * p))

    def size_derivatives(self, eta: Floats, k: float) -> tuple[float, Floats, Floats]:
        raise NotImplementedError("the binomial distribution has no size")

    def mean(self, eta: Floats) -> Floats:
        return np.asarray(special.expit(eta))

    def variance(self, eta: Floats, k: float) -> Floats:
        p = self.mean(eta)
        return p * (1.0 - p) / self.m

    def cdf(self, y: Floats, eta: Floats, k: float) -> Floats:
        return np.asarray(stats.binom.cdf(np.round(y * self.m), self.m, self.mean(eta)))

    def draw(self, eta: Floats, k: float, rng: np.random.Generator) -> Floats:
        return np.asarray(rng.binomial(self.m.astype(np.int64), self.mean(eta)) / self.m)

    def start(self) -> Floats:
        return np.asarray(special.logit((self.y * self.m + 0.5) / (self.m + 1.0)))


FAMILIES: dict[str, type[Poisson] | type[NegativeBinomial] | type[Binomial]] = {
    "poisson": Poisson,
    "negative-binomial": NegativeBinomial,
    "binomial": Binomial,
}
