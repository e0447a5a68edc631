"""Generalised linear mixed models for counts and yes/no records, by Laplace."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import minimize

from trialkit.mixed.comparison import Comparison, compare_means
from trialkit.mixed.crossproducts import Dense, RandomPart, cross_products
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.family import FAMILIES, SIZE_LIMITS, Family
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Floats, column, finite_numbers, make_groupings
from trialkit.mixed.inference import FixedEffects
from trialkit.mixed.laplace import Laplace, Mode
from trialkit.mixed.likelihood import Objective, minimise
from trialkit.mixed.prediction import draw_effects, fixed_prediction, random_prediction
from trialkit.mixed.strata import between_within
from trialkit.mixed.threads import few_threads

# log(size) past this is Poisson to all the digits that counts can show
POISSON_LIKE = float(np.log(1e5))


@dataclass(frozen=True)
class GLMM(FixedEffects):
    """A fitted generalised mixed model.  Made by `fit_glmm`; see there for the arguments.

    All estimates are on the link scale (logarithms or log-odds) unless ``ratio=True``.
    """

    formula: str
    method: str
    part: FixedPart
    random: RandomPart
    family: Family
    y: Floats
    offset: Floats
    objective: float
    factors: tuple[Floats, ...]
    log_size: float
    mode: Mode
    beta: Floats
    covariance: Floats
    evaluations: int

    default_df = "asymptotic"

    @property
    def n(self) -> int:
        return len(self.y)

    @property
    def p(self) -> int:
        return self.part.p

    @property
    def dispersion(self) -> float:
        """The negative binomial's size: variance = mean + mean^2 / size.  Infinite where the
        counts vary no more than Poisson; NaN for families without it."""
        if not self.family.has_size:
            return float("nan")
        return float("inf") if self.log_size > POISSON_LIKE else float(np.exp(self.log_size))

    @cached_property
    def group_cov(self) -> dict[str, pd.DataFrame]:
        """Covariance of the effects of each grouping (k, k), link scale."""
        return {
            g.name: pd.DataFrame(f @ f.T, list(g.columns), list(g.columns))
            for g, f in zip(self.random.groupings, self.factors, strict=True)
        }

    @cached_property
    def group_sd(self) -> pd.Series:
        """Standard deviation of each grouping's effects, link scale."""
        sds: dict[str, float] = {}
        for name, cov in self.group_cov.items():
            for effect, variance in zip(cov.index, np.diagonal(cov.to_numpy()), strict=True):
                sds[name if effect == "Intercept" else f"{name}.{effect}"] = float(
                    np.sqrt(max(variance, 0.0))
                )
        return pd.Series(sds, dtype=float, name="sd")

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose variance (or a direction of it) is estimated as zero."""
        return tuple(
            g.name for g, f in zip(self.random.groupings, self.factors, strict=True)
            if np.abs(np.diagonal(f)).min() < 1e-6
        )

    @property
    def _beta(self) -> Floats:
        return self.beta

    @property
    def _phi(self) -> Floats:
        return self.covariance

    def _rows_covariance(self, contrast: Floats, df: str | float) -> Floats:
        return contrast @ self.covariance @ contrast.T

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        if isinstance(df, int | float):
            return np.full(len(contrast), float(df))
        if df == "between-within":
            return between_within(self.part, self.random, contrast)
        if df == "asymptotic":
            return np.full(len(contrast), np.inf)
        raise MixedModelError(
            f"df='{df}' is not one of: asymptotic, between-within, or a number of degrees of freedom."
        )

    def _f_moments(self, contrast: Floats, df: str | float) -> tuple[float, float]:
        return 1.0, float(np.min(self._row_df(contrast, df)))

    def means(
        self, factor: str, df: str | float | None = None, level: float = 0.95, *,
        by: str | None = None, ratio: bool = False,
    ) -> pd.DataFrame:
        """Marginal means on the link scale; ``ratio=True`` gives them exponentiated as ``rate``,
        per unit of the offset, for an average level of every grouping."""
        table = super().means(factor, df, level, by=by)
        if not ratio:
            return table
        table = table.rename(columns={"estimate": "rate"})
        rate = np.exp(table["rate"])
        return table.assign(
            rate=rate, se=table["se"] * rate, low=np.exp(table["low"]), high=np.exp(table["high"])
        )

    def compare(
        self, factor: str, against: str | None = None, *, df: str | float | None = None,
        level: float = 0.95, by: str | None = None, ratio: bool = False,
    ) -> Comparison:
        """All pairs (Tukey-Kramer) or each against one level (Dunnett); ``ratio=True`` gives
        left / right with its interval."""
        return compare_means(self, factor, against, df=df, level=level, by=by, ratio=ratio)

    @cached_property
    def _effects(self) -> list[Floats]:
        return [u @ f.T for u, f in zip(self.mode.u, self.factors, strict=True)]

    @cached_property
    def random_effects(self) -> dict[str, pd.DataFrame]:
        """Modes of the random effects, link scale: a row a level, a column an effect."""
        return {
            g.name: pd.DataFrame(b, index=g.levels, columns=list(g.columns))
            for g, b in zip(self.random.groupings, self._effects, strict=True)
        }

    @cached_property
    def fitted(self) -> Floats:
        """Fitted means, random effects included, (n,)."""
        return self.family.mean(self.mode.eta)

    def predict(
        self, newdata: pd.DataFrame | None = None, *, random: bool = True, scale: str = "response",
        offset: Floats | float = 0.0,
    ) -> Floats:
        """Predicted means (``scale="link"`` for the linear predictor), (rows of newdata,).

        For new records the offset is ``offset``, in the link's units; known levels of the
        groupings bring their effects unless ``random`` is False.
        """
        if newdata is None:
            eta = self.mode.eta
            if not random:
                dense = Dense(self.part.rows[:, self.part.kept], self.part.codes)
                eta = self.offset + dense.times(self.beta)
        else:
            eta = fixed_prediction(self.part, self.beta, newdata) + offset
            if random:
                eta = eta + random_prediction(self.random, self._effects, newdata)
        return eta if scale == "link" else self.family.mean(eta)

    def residuals(self, kind: str = "quantile", seed: int = 0) -> Floats:
        """Residuals (n,): ``quantile`` randomised quantile residuals, standard normal under the
        model (Dunn & Smyth 1996, J. Comput. Graph. Stat. 5:236), ``pearson``, ``response``."""
        if kind == "response":
            return self.y - self.fitted
        if kind == "pearson":
            return (self.y - self.fitted) / np.sqrt(self.family.variance(self.mode.eta, self.log_size))
        if kind != "quantile":
            raise MixedModelError(f"residuals kind '{kind}': use quantile, pearson or response.")
        step = 1.0
        if self.family.name == "binomial":
            step = 1.0 / np.maximum(getattr(self.family, "m", 1.0), 1.0)
        top = self.family.cdf(self.y, self.mode.eta, self.log_size)
        bottom = np.where(
            self.y - step < -1e-9, 0.0, self.family.cdf(self.y - step, self.mode.eta, self.log_size)
        )
        u = np.random.default_rng(seed).uniform(size=self.n)
        return np.asarray(stats.norm.ppf(np.clip(bottom + u * (top - bottom), 1e-12, 1 - 1e-12)))

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw responses from the fitted model, (times, n), with new random effects."""
        rng = np.random.default_rng(seed)
        base = self.offset + Dense(self.part.rows[:, self.part.kept], self.part.codes).times(self.beta)
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
) -> GLMM:
    """Fit a generalised linear mixed model by the Laplace approximation.

    family: ``"negative-binomial"`` (NB2) or ``"poisson"``, log link; ``"binomial"``, logit link,
        for 0/1 records or proportions with ``weights`` the number of trials.
    offset: column name or (n,) numbers added to the linear predictor, such as log(days).
    groups, slopes: as in `fit_lmm`.
    method: ``"ml"``, or ``"reml"``, which integrates the fixed effects out as well and so does
        not understate the variances of few blocks or plots.

    Raises MixedModelError, naming the column, on unusable input or a search that fails.
    """
    if family not in FAMILIES:
        raise MixedModelError(f"family '{family}' is not one of: {', '.join(FAMILIES)}.")
    if method not in {"ml", "reml"}:
        raise MixedModelError(f"method='{method}' is not one of: ml, reml.")
    left, right = split_formula(formula)
    if len(data) == 0:
        raise MixedModelError("the data hold no records.")
    y = make_response(left, data)
    part = make_fixed(right, data)
    if len(y) <= part.p:
        raise MixedModelError(f"{len(y)} records cannot estimate {part.p} fixed effects.")
    off = _offset(offset, data)
    trials = None
    if weights is not None:
        if family != "binomial":
            raise MixedModelError("weights are the number of trials; only family 'binomial' has them.")
        trials = (
            finite_numbers(column(data, weights, "weights"), weights, "weights")
            if isinstance(weights, str) else np.asarray(weights, dtype=np.float64)
        )
    law = FAMILIES[family](y, trials)
    law.check(y, trials, left)
    random = RandomPart(make_groupings(data, groups, slopes, saturated=True))
    with few_threads(random.r + part.p):
        return _Fit(formula, method, part, random, law, y, off).run()


def _offset(offset: str | Floats | None, data: pd.DataFrame) -> Floats:
    if offset is None:
        return np.zeros(len(data))
    if isinstance(offset, str):
        return finite_numbers(column(data, offset, "offset"), offset, "offset")
    return finite_numbers(pd.Series(np.asarray(offset)), "offset", "offset")


class _Fit:
    """The search: a start from the working linear model, then quasi-Newton on the Laplace value."""

    def __init__(
        self, formula: str, method: str, part: FixedPart, random: RandomPart, family: Family,
        y: Floats, offset: Floats,
    ) -> None:
        self.formula, self.method, self.part, self.random = formula, method, part, random
        self.family, self.y, self.offset = family, y, offset
        self.dense = Dense(part.basis, part.codes)
        self.laplace = Laplace(random, self.dense, family, offset, reml=method == "reml")
        self.shapes = [np.tril_indices(g.k) for g in random.groupings]
        self.sizes = [len(i) for i, _ in self.shapes]
        self.q = sum(self.sizes)
        self.count = 0

    def run(self) -> GLMM:
        factors, k, beta, spread = self._start()
        # fixed effects enter as beta = centre + spread d: about unit curvature in d
        self.centre, self.spread = beta, spread
        self.scales = [np.maximum(np.diagonal(f), 0.1) for f in factors]
        x = self._pack(factors, k, np.zeros(self.part.p))
        x = self._search(x, np.ones(len(x), dtype=bool))
        x = self._settle_zeros(x)
        value, gradient = self(x)
        if float(np.abs(gradient).max()) > 1e-2:
            raise MixedModelError(
                "the count model did not settle; the records may hold too little information for "
                "so many groupings (try fewer), or one combination has only zeros."
            )
        factors, k, beta = self._unpack(x)
        mode = self.laplace.mode(factors, k, beta)
        covariance = self._covariance(x, mode)
        triangle = self.part.triangle
        kept = np.linalg.solve(triangle, mode.beta)
        half = np.linalg.solve(triangle, covariance)
        return GLMM(
            self.formula, self.method, self.part, self.random, self.family, self.y, self.offset,
            self._constant(value), tuple(factors), k, mode, kept,
            np.linalg.solve(triangle, half.T).T, self.count,
        )

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
        objective = None
        start: Floats | None = None
        for _ in range(3):
            if self.family.has_size:
                k = self._moment_size(eta)
            at = self.family.derivatives(eta, k)
            weight = np.maximum(at.weight, 1e-6)
            working = eta - self.offset + at.score / weight
            cross = cross_products(self.random, self.dense, working, weight)
            objective = Objective(
                self.random, cross, len(self.y), self.part.p, True, True, 0.0
            )
            if start is None:
                start = objective.pack([0.3 * np.eye(g.k) for g in self.random.groupings])
            try:
                best = minimise(objective, start).solved
            except MixedModelError:
                best = objective.solved(objective.unpack(start))
            start = objective.pack(best.factors)
            effects = [s @ (f @ f.T) for s, f in zip(best.scores(), best.factors, strict=True)]
            eta = np.clip(self.laplace.eta(effects, best.coefficients), -20.0, 20.0)
        r = best.r
        spread = np.linalg.inv(best.chol[r:, r:]).T
        factors = [np.where(np.eye(len(f)) > 0, np.maximum(np.abs(f), 0.05), f) for f in best.factors]
        return factors, k, best.coefficients, spread

    def _moment_size(self, eta: Floats) -> float:
        mu = self.family.mean(eta)
        extra = float(np.sum((self.y - mu) ** 2 - mu))
        size = float(np.sum(mu**2)) / extra if extra > 0 else 100.0
        return float(np.log(np.clip(size, 0.05, 100.0)))

    def _pack(self, factors: list[Floats], k: float, d: Floats) -> Floats:
        parts = [f[i, j] / s[i] for f, s, (i, j) in zip(factors, self.scales, self.shapes, strict=True)]
        if self.family.has_size:
            parts.append(np.array([k]))
        if self.method == "ml":
            parts.append(d)
        return np.concatenate(parts) if parts else np.zeros(0)

    def _unpack(self, x: Floats) -> tuple[list[Floats], float, Floats]:
        factors, at = [], 0
        for g, s, (i, j) in zip(self.random.groupings, self.scales, self.shapes, strict=True):
            lower = np.zeros((g.k, g.k))
            lower[i, j] = x[at : at + len(i)] * s[i]
            at += len(i)
            factors.append(lower)
        k = 0.0
        if self.family.has_size:
            low, high = np.log(SIZE_LIMITS)
            k = float(np.clip(x[at], low, high))
            at += 1
        beta = self.centre
        if self.method == "ml":
            beta = self.centre + self.spread @ x[at:]
        return factors, k, beta

    def __call__(self, x: Floats) -> tuple[float, Floats]:
        self.count += 1
        factors, k, beta = self._unpack(x)
        mode = self.laplace.mode(factors, k, beta)
        in_factors, in_size, in_beta = self.laplace.gradient(mode, factors, k)
        parts = [
            d[i, j] * s[i] for d, s, (i, j) in zip(in_factors, self.scales, self.shapes, strict=True)
        ]
        if self.family.has_size:
            parts.append(np.array([in_size]))
        if self.method == "ml":
            parts.append(self.spread.T @ in_beta)
        return self.laplace.value(mode), np.concatenate(parts) if parts else np.zeros(0)

    def _search(self, x: Floats, free: Floats) -> Floats:
        if not free.any():
            return x
        full = x.copy()

        def over_free(part: Floats) -> tuple[float, Floats]:
            at = full.copy()
            at[free] = part
            try:
                value, gradient = self(at)
            except MixedModelError:
                return 1e100, np.zeros(int(free.sum()))
            return value, gradient[free]

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for _ in range(3):
                found = minimize(
                    over_free, full[free], jac=True, method="BFGS",
                    options={"gtol": 1e-4, "maxiter": 300},
                )
                full[free] = found.x
                if np.abs(found.jac).max() < 1e-3:
                    break
        return full

    def _columns(self) -> list[list[int]]:
        out, at = [], 0
        for g, (_, j) in zip(self.random.groupings, self.shapes, strict=True):
            for c in reversed(range(g.k)):
                out.append([at + int(i) for i in np.flatnonzero(j == c)])
            at += len(j)
        return out

    def _settle_zeros(self, x: Floats) -> Floats:
        """Variances that are nearly zero are tried at zero, and at a start above it."""
        value, _ = self(x)
        for cols in self._columns():
            scaled = np.abs(x[cols] * 1.0).max()
            if scaled > 0.2:
                continue
            trial = x.copy()
            trial[cols] = 0.0
            trial = self._search(trial, trial != 0.0)
            at_zero, _ = self(trial)
            if at_zero <= value + 1e-6 * (1.0 + abs(value) * 1e-3):
                x, value = trial, at_zero
        return x

    def _covariance(self, x: Floats, mode: Mode) -> Floats:
        """Covariance of the fixed effects on the working basis, (p, p).

        From the Hessian of -2 log likelihood over all parameters inside their bounds, by central
        differences of the exact gradient.  ML: the fixed effects' block of the inverse of half of
        it.  REML: (X'V^-1X)^-1 at the mode, plus what the variance parameters' own covariance
        adds through the estimates' dependence on them (Kass & Steffey 1989, J. Am. Stat. Assoc.
        84:717, eq. 2.10).
        """
        free = np.ones(len(x), dtype=bool)
        free[: self.q] = x[: self.q] != 0.0
        if self.family.has_size and x[self.q] > POISSON_LIKE:
            free[self.q] = False
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
            block = np.linalg.inv(mode.solved.xvx)
            return np.asarray(block + moves.T @ inverse @ moves if len(at) else block)
        block = inverse[-self.part.p :, -self.part.p :]
        if (np.diagonal(block) <= 0).any():
            raise MixedModelError(
                "the count model's curvature is not positive: the records do not determine it. "
                "Use fewer groupings or terms."
            )
        return self.spread @ block @ self.spread.T
