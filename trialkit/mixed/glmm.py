"""Generalised linear mixed models for counts and yes/no records, by Laplace."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed.comparison import Comparison, compare_means
from trialkit.mixed.crossproducts import RandomPart, not_in_fixed
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.family import FAMILIES, Family
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Floats, make_groupings, numbers_of
from trialkit.mixed.laplace import Mode
from trialkit.mixed.laplacefit import POISSON_LIKE, CountFit, Found, Nearby
from trialkit.mixed.prediction import draw_effects, fixed_prediction, random_prediction
from trialkit.mixed.strata import between_within
from trialkit.mixed.summary import describe
from trialkit.mixed.threads import few_threads


@dataclass(frozen=True, repr=False)
class GLMM(MixedFit):
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
    found: Found

    default_df = "asymptotic"

    def __repr__(self) -> str:
        size = f"size {self.dispersion:.6g}" if self.family.has_size else ""
        return describe(self, f"Mixed model for counts ({self.family.name})", size)

    @property
    def objective(self) -> float:
        """-2 log likelihood (restricted for ``method="reml"``), by Laplace."""
        return self.found.objective

    @property
    def factors(self) -> tuple[Floats, ...]:
        return self.found.factors

    @property
    def log_size(self) -> float:
        return self.found.log_size

    @property
    def mode(self) -> Mode:
        return self.found.mode

    @property
    def evaluations(self) -> int:
        return self.found.evaluations

    @property
    def dispersion(self) -> float:
        """The negative binomial's size: variance = mean + mean^2 / size.  Infinite where the
        counts vary no more than Poisson; NaN for families without it."""
        if not self.family.has_size:
            return float("nan")
        return float("inf") if self.log_size > POISSON_LIKE else float(np.exp(self.log_size))

    @property
    def _unit_variance(self) -> float:
        return 1.0

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose variance (or a direction of it) is estimated as zero."""
        return tuple(
            g.name
            for g, f in zip(self.random.groupings, self.factors, strict=True)
            if np.abs(np.diagonal(f)).min() < 1e-6
        )

    @property
    def _beta(self) -> Floats:
        return self.found.beta

    @property
    def _phi(self) -> Floats:
        return self.found.covariance

    def _rows_covariance(self, contrast: Floats, df: str | float) -> Floats:
        return contrast @ self.found.covariance @ contrast.T

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        if isinstance(df, int | float) and df > 0:
            return np.full(len(contrast), float(df))
        if df == "between-within":
            return between_within(self.part, self.random, contrast)
        if df == "asymptotic":
            return np.full(len(contrast), np.inf)
        raise MixedModelError(
            f"df='{df}' is not one of: asymptotic, between-within, or a number above 0."
        )

    def _f_moments(self, contrast: Floats, df: str | float) -> tuple[float, float]:
        return 1.0, float(np.min(self._row_df(contrast, df)))

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
        return [u @ f.T for u, f in zip(self.mode.u, self.factors, strict=True)]

    @cached_property
    def fitted(self) -> Floats:
        """Fitted means, random effects included, (n,)."""
        return self.family.mean(self.mode.eta)

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
            eta = self.mode.eta
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
                self.family.variance(self.mode.eta, self.log_size)
            )
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

    def refit(self, y: Floats) -> GLMM:
        """The same model fitted to another response (n,)."""
        law = FAMILIES[self.family.name](y, getattr(self.family, "m", None))
        law.check(y, getattr(self.family, "m", None), "drawn response")
        with few_threads(self.random.r + self.p):
            found = CountFit(self.method, self.part, self.random, law, y, self.offset).run()
        return GLMM(self.formula, self.method, self.part, self.random, law, y, self.offset, found)

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
) -> GLMM:
    """Fit a generalised linear mixed model by the Laplace approximation.

    family: ``"negative-binomial"`` (NB2) or ``"poisson"``, log link; ``"binomial"``, logit link,
        for 0/1 records or proportions with ``weights`` the number of trials.
    offset: column name or (n,) numbers added to the linear predictor, such as log(days).
    groups, slopes: as in `fit_lmm`.
    method: ``"ml"``, or ``"reml"``, which integrates the fixed effects out as well and so does
        not understate the variances of few blocks or plots.
    like: a fit of the same model to nearly the same records; a REML search starts from it.

    Raises MixedModelError, naming the column, on unusable input or a search that fails.
    """
    if family not in FAMILIES:
        raise MixedModelError(f"family '{family}' is not one of: {', '.join(FAMILIES)}.")
    if method not in {"ml", "reml"}:
        raise MixedModelError(f"method='{method}' is not one of: ml, reml.")
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
    random = RandomPart(make_groupings(data, groups, slopes, saturated=True), keep_pairs=True)
    try:
        with few_threads(random.r + part.p):
            not_in_fixed(random, part)
            found = CountFit(method, part, random, law, y, off).run(_nearby(like, random))
    except MixedModelError as err:
        raise MixedModelError(f"{err}{_one_sided(part, data, y)}") from err
    return GLMM(formula, method, part, random, law, y, off, found)


def _nearby(like: GLMM | None, random: RandomPart) -> Nearby | None:
    """Where the search may start, if the groupings are the same."""
    if like is None:
        return None
    known = dict(zip((g.name for g in like.random.groupings), like.factors, strict=True))
    factors = [known.get(g.name) for g in random.groupings]
    same = [f for f, g in zip(factors, random.groupings, strict=True)
            if f is not None and len(f) == g.k]
    return Nearby(same, like.log_size, like.found.beta) if len(same) == len(factors) else None


def _one_sided(part: FixedPart, data: pd.DataFrame, y: Floats) -> str:
    """Name the levels whose records are all zero (or, of proportions, all one)."""
    found = []
    for name in part.factors:
        ends = pd.Series(y).groupby(data[name].to_numpy()).agg(["min", "max"])
        found += [
            f" Level '{level}' of '{name}' holds {low:g} in every record, so it has no estimate "
            "of its own on this scale: leave it out, and report it as it stands."
            for level, low, high in ends.itertuples()
            if low == high and (low == 0.0 or y.max() == low == 1.0)
        ]
    return "".join(found)
