"""Generalised linear mixed models for counts and yes/no records, by Laplace: their distributions,
the fit, and whether the fitted model looks like its counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import special, stats

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import RandomPart, not_in_fixed
from trialkit.mixed.fit import describe
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Floats, make_groupings, numbers_of
from trialkit.mixed.inference import Comparison, compare_means
from trialkit.mixed.laplace import (
    POISSON_LIKE,
    CountFit,
    CountOptimum,
    Derivatives,
    Family,
    Mode,
    Nearby,
)
from trialkit.mixed.likelihood import few_threads
from trialkit.mixed.linkfit import (
    Ends,
    LinkFit,
    Remaining,
    Separation,
    find_separation,
    separated_levels,
    without,
)
from trialkit.mixed.lmm import draw_effects, fixed_prediction, random_prediction

# ------------------------------------------------------------------------------------------------
# Distributions of counts and yes/no records.
# ------------------------------------------------------------------------------------------------

# Past this a linear predictor is as good as infinite; keeps exp() finite while a step is tried.
ETA_LIMIT = 60.0


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


# ------------------------------------------------------------------------------------------------
# The fitted model.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True, repr=False)
class GLMM(LinkFit):
    """A fitted generalised mixed model.  Made by `fit_glmm`; see there for the arguments.

    All estimates are on the link scale (logarithms or log-odds) unless ``ratio=True``.
    separated: the levels whose every record stands at the end of the scale, so that no finite
    estimate fits them; what is said of them comes from the likelihood (see `linkfit.py`).
    remaining: the model without those records, which ``optimum`` is of.
    """

    formula: str
    method: str
    part: FixedPart
    random: RandomPart
    family: Family
    y: Floats
    offset: Floats
    optimum: CountOptimum
    separation: Separation | None = None
    separated: tuple[str, ...] = ()
    remaining: Remaining | None = None

    default_df = "asymptotic"

    def __repr__(self) -> str:
        size = f"size {self.dispersion:.6g}" if self.family.has_size else ""
        return describe(self, f"Mixed model for counts ({self.family.name})", size)

    @property
    def objective(self) -> float:  # type: ignore[override]
        """-2 log likelihood (restricted for ``method="reml"``), by Laplace."""
        return self.optimum.objective

    @cached_property
    def factors(self) -> tuple[Floats, ...]:
        return self._of_groupings(self.optimum.factors)

    @property
    def log_size(self) -> float:
        return self.optimum.log_size

    @property
    def mode(self) -> Mode:
        return self.optimum.mode

    @property
    def evaluations(self) -> int:
        return self.optimum.evaluations

    @property
    def dispersion(self) -> float:
        """The negative binomial's size: variance = mean + mean^2 / size.  Infinite where the
        counts vary no more than Poisson; NaN for families without it."""
        if not self.family.has_size:
            return float("nan")
        return float("inf") if self.log_size > POISSON_LIKE else float(np.exp(self.log_size))

    @cached_property
    def _beta(self) -> Floats:
        if self.remaining is None:
            return self.optimum.beta
        out = np.zeros(self.p)
        out[self._known] = self.optimum.beta
        return out

    @cached_property
    def _phi(self) -> Floats:
        if self.remaining is None:
            return self.optimum.covariance
        out = np.zeros((self.p, self.p))
        out[np.ix_(self._known, self._known)] = self.optimum.covariance
        return out

    @property
    def _own(self) -> int:
        return int(self.family.has_size)

    def _error_weights(self) -> Floats:
        weights = np.zeros(self.n)
        records = np.ones(self.n, dtype=bool) if self.remaining is None else self.remaining.records
        weights[records] = self.mode.at.weight
        return weights

    @cached_property
    def eta(self) -> Floats:
        """The linear predictor at the random effects' mode, (n,); infinite where separated."""
        if self.remaining is None:
            return self.mode.eta
        out = self._far_eta
        out[self.remaining.records] = self.mode.eta
        return out

    @property
    def _far_eta(self) -> Floats:
        return np.where(self.y > self.y.min(), np.inf, -np.inf)

    def fixed_part(self) -> Floats:
        """X b of the records, (n,), without offset or random effects; infinite where separated."""
        values = super().fixed_part()
        if self.remaining is None:
            return values
        return np.where(self.remaining.records, values, self._far_eta)

    @cached_property
    def _least(self) -> float:
        if self.method == "ml":
            return self.objective
        whole = Remaining(np.ones(self.n, dtype=bool), self.part, self.random, ())
        return self._least_of(self.remaining or whole, self.offset)

    def _held(self, contrast: Floats, values: Floats) -> float:
        """ML by Laplace; of a REML fit the spreads stay as they are, since ML understates them."""
        part = self.part
        on_basis = np.linalg.solve(part.triangle.T, contrast.T).T
        _, singular, right = np.linalg.svd(on_basis)
        rank = int((singular > 1e-10 * singular[0]).sum())
        rest = part.basis @ right[rank:].T
        offset = self.offset + (part.basis @ np.linalg.pinv(on_basis) @ values)[part.codes]
        held = replace(part, rows=rest, kept=np.arange(rest.shape[1]), basis=rest,
                       triangle=np.eye(rest.shape[1]))  # fmt: skip
        records = np.ones(self.n, dtype=bool)
        separation = _separation(held, self.family, self.y)
        if separation is not None:
            records = ~separation.rows[held.codes]
        return self._least_of(without(held, self.random, records), offset)

    def _least_of(self, model: Remaining, offset: Floats) -> float:
        law = _law(self.family, self.y, model.records)
        search = CountFit("ml", model.part, model.random, law, self.y[model.records],
                          offset[model.records])  # fmt: skip
        with few_threads(model.random.r + self.p):
            if self.method == "ml":
                return search.run(covariance=False).objective
            own = dict(zip((g.name for g in self.random.groupings), self.factors, strict=True))
            factors = [own[g.name] for g in model.random.groupings]
            return search.least(factors, self.log_size)

    def means(
        self,
        factor: str,
        df: str | float | None = None,
        level: float = 0.95,
        *,
        by: str | None = None,
        at: Mapping[str, float] | None = None,
        ratio: bool = False,
    ) -> pd.DataFrame:
        """Marginal means on the link scale; ``ratio=True`` gives them exponentiated as ``rate``,
        per unit of the offset, for an average level of every grouping."""
        table = super().means(factor, df, level, by=by, at=at)
        if not ratio:
            return table
        table = table.rename(columns={"estimate": "rate"})
        rate = np.exp(table["rate"])
        return table.assign(
            rate=rate, se=table["se"] * rate, low=np.exp(table["low"]), high=np.exp(table["high"])
        )

    def compare(
        self,
        factor: str,
        against: str | None = None,
        *,
        df: str | float | None = None,
        level: float = 0.95,
        by: str | None = None,
        at: Mapping[str, float] | None = None,
        ratio: bool = False,
    ) -> Comparison:
        """All pairs (Tukey-Kramer) or each against one level (Dunnett); ``ratio=True`` gives
        left / right with its interval."""
        return compare_means(
            self, factor, against, df=df, level=level, by=by, ratio=ratio, at=at
        )

    @cached_property
    def _effects(self) -> list[Floats]:
        return self._of_levels(self.mode.u, self.optimum.factors)

    @cached_property
    def fitted(self) -> Floats:
        """Fitted means, random effects included, (n,)."""
        return self.family.mean(self.eta)

    def predict(
        self,
        newdata: pd.DataFrame | None = None,
        *,
        random: bool = True,
        scale: str = "response",
        offset: Floats | float = 0.0,
    ) -> Floats:
        """Predicted means (``scale="link"`` for the linear predictor), (rows of newdata,).

        For new records the offset is ``offset``, in the link's units; known levels of the
        groupings bring their effects unless ``random`` is False.
        """
        if scale not in {"response", "link"}:
            raise MixedModelError(f"scale='{scale}' is not one of: response, link.")
        if newdata is None:
            eta = self.eta
            if not random:
                eta = self.offset + self.fixed_part()
        else:
            eta = fixed_prediction(self.part, self._beta, newdata) + offset
            if random:
                eta = eta + random_prediction(self.random, self._effects, newdata)
        return eta if scale == "link" else self.family.mean(eta)

    def residuals(self, kind: str = "quantile", seed: int = 0) -> Floats:
        """Residuals (n,): ``quantile`` randomised quantile residuals, standard normal under the
        model (Dunn & Smyth 1996, J. Comput. Graph. Stat. 5:236), ``pearson``, ``response``."""
        if kind == "response":
            return self.y - self.fitted
        if kind == "pearson":
            return (self.y - self.fitted) / np.sqrt(
                self.family.variance(self.eta, self.log_size)
            )
        if kind != "quantile":
            raise MixedModelError(f"residuals kind '{kind}': use quantile, pearson or response.")
        step = 1.0
        if self.family.name == "binomial":
            step = 1.0 / np.maximum(getattr(self.family, "m", 1.0), 1.0)
        top = self.family.cdf(self.y, self.eta, self.log_size)
        bottom = np.where(
            self.y - step < -1e-9, 0.0, self.family.cdf(self.y - step, self.eta, self.log_size)
        )
        u = np.random.default_rng(seed).uniform(size=self.n)
        return np.asarray(stats.norm.ppf(np.clip(bottom + u * (top - bottom), 1e-12, 1 - 1e-12)))

    def refit(self, y: Floats) -> GLMM:
        """The same model fitted to another response (n,)."""
        law = FAMILIES[self.family.name](y, getattr(self.family, "m", None))
        law.check(y, getattr(self.family, "m", None), "drawn response")
        return _fitted(self.formula, self.method, self.part, self.random, law, y, self.offset)

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw responses from the fitted model, (times, n), with new random effects."""
        rng = np.random.default_rng(seed)
        base = self.offset + self.fixed_part()
        out = np.empty((times, self.n))
        for row in out:
            eta = base
            if self.random.groupings:
                eta = base + self.random.times(draw_effects(self.random, list(self.factors), rng))
            row[:] = self.family.draw(eta, self.log_size, rng)
        return out


def fit_glmm(
    formula: str,
    data: pd.DataFrame,
    family: str,
    offset: str | Floats | None = None,
    groups: Sequence[str] = (),
    slopes: Mapping[str, Sequence[str]] | None = None,
    *,
    weights: str | Floats | None = None,
    method: str = "ml",
    like: GLMM | None = None,
    separated: str = "limits",
    uncorrelated: Sequence[str] = (),
) -> GLMM:
    """Fit a generalised linear mixed model by the Laplace approximation.

    family: ``"negative-binomial"`` (NB2) or ``"poisson"``, log link; ``"binomial"``, logit link,
        for 0/1 records or proportions with ``weights`` the number of trials.
    offset: column name or (n,) numbers added to the linear predictor, such as log(days).
    groups, slopes, uncorrelated: as in `fit_lmm`.
    method: ``"ml"``, or ``"reml"``, which integrates the fixed effects out as well and so does
        not understate the variances of few blocks or plots.
    like: a fit of the same model to nearly the same records; a REML search starts from it.
    separated: what to do where a level's every record stands at the end of the scale, so that no
        finite estimate fits.  ``"limits"`` names it in ``separated`` and answers from the
        likelihood: limits, p, letters; ``"error"`` refuses; ``"keep"`` fits all the same, for
        curves: estimates run far off there, and their standard errors mean nothing.

    Raises MixedModelError, naming the column, on unusable input or a search that fails.
    """
    if family not in FAMILIES:
        raise MixedModelError(f"family '{family}' is not one of: {', '.join(FAMILIES)}.")
    if method not in {"ml", "reml"}:
        raise MixedModelError(f"method='{method}' is not one of: ml, reml.")
    if separated not in {"limits", "error", "keep"}:
        raise MixedModelError(f"separated='{separated}' is not one of: limits, error, keep.")
    left, right = split_formula(formula)
    y = make_response(left, data)
    part = make_fixed(right, data)
    if len(y) <= part.p:
        raise MixedModelError(f"{len(y)} records cannot estimate {part.p} fixed effects.")
    off, _ = numbers_of(offset, data, "offset")
    if off is None:
        off = np.zeros(len(data))
    trials, name = numbers_of(weights, data, "weights")
    if trials is not None:
        if family != "binomial":
            raise MixedModelError("weights are numbers of trials; only family 'binomial' has them.")
        bad = np.flatnonzero((trials < 1) | (trials != np.round(trials)))
        if len(bad):
            raise MixedModelError(
                f"{name} must be whole numbers of trials from 1; record {bad[0]} is "
                f"{trials[bad[0]]:g}. Drop records with no trials."
            )
    law = FAMILIES[family](y, trials)
    law.check(y, trials, left)
    groupings = make_groupings(data, groups, slopes, saturated=True, uncorrelated=uncorrelated)
    random = RandomPart(groupings, keep_pairs=True)
    with few_threads(random.r + part.p):
        not_in_fixed(random, part)
    if separated == "keep":
        with few_threads(random.r + part.p):
            optimum = CountFit(method, part, random, law, y, off).run(_nearby(like, random))
        return GLMM(formula, method, part, random, law, y, off, optimum)
    separation = _separation(part, law, y)
    levels: tuple[str, ...] = ()
    if separation is not None:
        levels = separated_levels(part.factors, data, separation.rows[part.codes])
        if separated == "error":
            what = "; ".join(levels) or "some combination of the terms"
            raise MixedModelError(
                f"separated ({what}): every record there stands at the end of the scale, so that "
                "no finite estimate fits. Leave it out, or fit with separated='limits'."
            )
    return _fitted(formula, method, part, random, law, y, off, like, separation, levels)


def _separation(part: FixedPart, law: Family, y: Floats) -> Separation | None:
    """Separated rows of the design at the records' values."""
    high = y == 1.0 if law.name == "binomial" else np.zeros(len(y), dtype=bool)
    return find_separation(part.basis, Ends.of(part.codes, len(part.basis), y == 0.0, high))


def _law(family: Family, y: Floats, records: Floats) -> Family:
    """The distribution of some of the records."""
    trials = getattr(family, "m", None)
    return FAMILIES[family.name](y[records], None if trials is None else trials[records])


def _fitted(
    formula: str,
    method: str,
    part: FixedPart,
    random: RandomPart,
    law: Family,
    y: Floats,
    offset: Floats,
    like: GLMM | None = None,
    separation: Separation | None = None,
    levels: tuple[str, ...] = (),
) -> GLMM:
    """Fit what is read; separated records are left out of the search."""
    if separation is None:
        separation = _separation(part, law, y)
    if separation is None:
        with few_threads(random.r + part.p):
            optimum = CountFit(method, part, random, law, y, offset).run(_nearby(like, random))
        return GLMM(formula, method, part, random, law, y, offset, optimum)
    left = without(part, random, ~separation.rows[part.codes])
    known = left.records
    with few_threads(random.r + part.p):
        search = CountFit(method, left.part, left.random, _law(law, y, known), y[known],
                          offset[known])  # fmt: skip
        optimum = search.run(_nearby(like, left.random))
    return GLMM(formula, method, part, random, law, y, offset, optimum, separation, levels, left)


def _nearby(like: GLMM | None, random: RandomPart) -> Nearby | None:
    """Where the search may start, if the groupings are the same."""
    if like is None:
        return None
    known = dict(zip((g.name for g in like.random.groupings), like.factors, strict=True))
    factors = [known.get(g.name) for g in random.groupings]
    same = [f for f, g in zip(factors, random.groupings, strict=True)
            if f is not None and len(f) == g.k]
    return Nearby(same, like.log_size, like.optimum.beta) if len(same) == len(factors) else None


# ------------------------------------------------------------------------------------------------
# Does a count model look like its counts?  Dispersion and zeros against simulated responses.
#
# The observed figure is set among those of responses drawn from the fit (Gelman, Meng & Stern 1996,
# Stat. Sinica 6:733).  The p-value is two-sided and counts the observed draw, so it is never zero.
# ------------------------------------------------------------------------------------------------

def model_check(fit: GLMM, *, times: int = 250, seed: int = 0) -> pd.DataFrame:
    """Rows ``dispersion`` and ``zeros``: observed, expected, ratio, p.

    dispersion: sum of squared Pearson residuals about the fixed part, over the same in the
        draws; above 1 the counts vary more than the model allows.
    zeros: records with a count of zero; above 1 there are more than the model makes.
    Both hold the random effects' spread as fitted; p is two-sided, at least 2 / (times + 1).
    """
    mean = fit.predict(random=False)
    scale = fit.family.variance(fit.predict(random=False, scale="link"), fit.log_size)
    draws = fit.simulate(seed, times)

    def spread(y: Floats) -> Floats:
        return np.asarray(((y - mean) ** 2 / scale).sum(axis=-1))

    def zeros(y: Floats) -> Floats:
        return np.asarray((y == 0).sum(axis=-1), dtype=np.float64)

    rows = {}
    for name, figure in (("dispersion", spread), ("zeros", zeros)):
        observed, simulated = float(figure(fit.y)), figure(draws)
        expected = float(simulated.mean())
        above = (1 + int((simulated >= observed).sum())) / (times + 1)
        below = (1 + int((simulated <= observed).sum())) / (times + 1)
        rows[name] = {
            "observed": observed,
            "expected": expected,
            "ratio": observed / expected if expected > 0 else np.nan,
            "p": min(1.0, 2.0 * min(above, below)),
        }
    return pd.DataFrame(rows).T
