"""A fitted linear mixed model: what can be asked of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.mixed.comparison import Comparison, compare_means
from trialkit.mixed.crossproducts import RandomPart
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Floats
from trialkit.mixed.information import (
    VarianceInformation,
    inner_coordinates,
    quadratic_forms,
    variance_information,
)
from trialkit.mixed.likelihood import Optimum
from trialkit.mixed.prediction import predict_linear, simulate_linear
from trialkit.mixed.smallsample import (
    KenwardRoger,
    Satterthwaite,
    check_method,
    kenward_roger,
    satterthwaite,
)
from trialkit.mixed.solve import Solved
from trialkit.mixed.strata import between_within
from trialkit.mixed.summary import describe
from trialkit.mixed.threads import few_threads


@dataclass(frozen=True, repr=False)
class LMM(MixedFit):
    """A fitted linear mixed model.  Made by `fit_lmm`; see there for the arguments.

    n: records; p: estimable fixed effects; objective: -2 log (restricted) likelihood;
    residual_variance in squared units of the response; solved: the equations at the optimum.
    """

    formula: str
    method: str
    part: FixedPart
    random: RandomPart
    y: Floats
    weights: Floats | None
    offset: Floats
    known_residual: bool
    optimum: Optimum
    residual_variance: float

    default_df = "kenward-roger"

    def __repr__(self) -> str:
        return describe(self, "Linear mixed model", f"residual sd {self.residual_sd:.6g}")

    @property
    def objective(self) -> float:  # type: ignore[override]
        return self.optimum.value

    @property
    def solved(self) -> Solved:
        return self.optimum.solved

    @property
    def residual_sd(self) -> float:
        return float(np.sqrt(self.residual_variance))

    @property
    def _own(self) -> int:
        return 0 if self.known_residual else 1

    def _error_weights(self) -> Floats:
        weights = np.ones(self.n) if self.weights is None else self.weights
        return weights / self.residual_variance

    @property
    def factors(self) -> tuple[Floats, ...]:
        return self.solved.factors

    @property
    def _unit_variance(self) -> float:
        return self.residual_variance

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose covariance is estimated on its boundary (a zero variance, or with
        slopes a direction in which the effects do not vary).  A result, not a failure."""
        out = []
        for g, f in zip(self.random.groupings, self.solved.factors, strict=True):
            # each row in units of its own column, so that a slope's units do not matter
            unit = np.array([1.0 if x is None else np.sqrt(np.mean(x**2)) for x in g.values])
            scaled = np.abs(f * unit[:, None])
            if np.diagonal(scaled).min() <= 1e-6 * max(1.0, float(scaled.max())):
                out.append(g.name)
        return tuple(out)

    @cached_property
    def _beta(self) -> Floats:
        own = np.linalg.solve(self.part.triangle, self.solved.coefficients)
        return np.asarray(self.offset + own)

    @cached_property
    def _phi(self) -> Floats:
        """(X'V^-1X)^-1 for the kept columns in the response's units, unadjusted."""
        inverse = np.linalg.inv(self.solved.chol[self.random.r :, self.random.r :]).T
        half = np.linalg.solve(self.part.triangle, inverse)
        out: Floats = self.residual_variance * half @ half.T
        return out

    @cached_property
    def information(self) -> VarianceInformation:
        """Information about the variance parameters (on the orthonormal basis of X)."""
        with few_threads(self.random.r + self.p):
            return variance_information(self.solved, known_residual=self.known_residual, n=self.n)

    @cached_property
    def _kenward_roger(self) -> KenwardRoger:
        if self.method != "reml":
            raise MixedModelError(
                "Kenward-Roger needs method='reml' (the expansion is that of REML); "
                "refit so, or ask for df='asymptotic'."
            )
        return kenward_roger(self.information, self.residual_variance)

    @cached_property
    def _satterthwaite(self) -> Satterthwaite:
        if self.method != "reml":
            raise MixedModelError("Satterthwaite df need method='reml'; refit so.")
        jacobian, bend = inner_coordinates(self.solved, self.information, self.residual_variance)
        quadratic = quadratic_forms(self.solved, self.information)
        return satterthwaite(self.information, quadratic, self.residual_variance, jacobian, bend)

    def _to_basis(self, contrast: Floats) -> Floats:
        """Rewrite L for the kept columns as L for the orthonormal basis: L R^-1."""
        return np.asarray(np.linalg.solve(self.part.triangle.T, contrast.T).T)

    def _rows_covariance(self, contrast: Floats, df: str | float) -> Floats:
        if check_method(df) != "kenward-roger":
            return contrast @ self._phi @ contrast.T
        basis = self._to_basis(contrast)
        return self.residual_variance * basis @ self._kenward_roger.adjusted @ basis.T

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        basis = self._to_basis(contrast)
        if df == "kenward-roger":
            return np.array([self._kenward_roger.moments(row[None, :])[1] for row in basis])
        if df == "satterthwaite":
            return np.array([self._satterthwaite.df(row) for row in basis])
        if df == "between-within":
            return between_within(self.part, self.random, contrast)
        return np.full(len(contrast), float(df) if isinstance(df, int | float) else np.inf)

    def _f_moments(self, contrast: Floats, df: str | float) -> tuple[float, float]:
        basis = self._to_basis(contrast)
        if df == "kenward-roger":
            return self._kenward_roger.moments(basis)
        if df == "satterthwaite":
            return 1.0, self._satterthwaite.f_df(basis)
        return 1.0, float(self._row_df(contrast, df).min())

    @cached_property
    def _effects(self) -> list[Floats]:
        scores = self.solved.scores()
        return [s @ (f @ f.T) for s, f in zip(scores, self.solved.factors, strict=True)]

    @cached_property
    def fitted(self) -> Floats:
        """Fixed part plus predicted random effects, (n,)."""
        fixed = self.fixed_part()
        return fixed + self.random.times(self._effects) if self.random.groupings else fixed

    def residuals(self, kind: str = "response") -> Floats:
        """Residuals (n,): ``response`` y - fitted, ``pearson`` standardised by sd / sqrt(weight),
        ``marginal`` y - fixed part, ``quantile`` the same as pearson (a normal model)."""
        if kind == "marginal":
            return self.y - self.fixed_part()
        raw = self.y - self.fitted
        if kind == "response":
            return raw
        if kind in {"pearson", "quantile"}:
            root = 1.0 if self.weights is None else np.sqrt(self.weights)
            return np.asarray(raw * root / self.residual_sd)
        raise MixedModelError(
            f"residuals kind '{kind}': use response, pearson, quantile, marginal."
        )

    def predict(self, newdata: pd.DataFrame | None = None, *, random: bool = True) -> Floats:
        """Predicted response, (rows of newdata,); without newdata, of the records.

        ``random`` adds the predicted effects of known levels; an unseen level, or a grouping
        factor whose columns newdata lacks, counts as average."""
        return predict_linear(self, newdata, random=random)

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw responses from the fitted model, (times, n), with new random effects."""
        return simulate_linear(self, seed, times)

    def refit(self, y: Floats) -> LMM:
        """The same model fitted to another response (n,)."""
        from trialkit.mixed.fitlmm import fit_prepared

        sd = self.residual_sd if self.known_residual else None
        return fit_prepared(self.formula, self.method, self.part, self.random, y, self.weights, sd)

    def compare(
        self,
        factor: str,
        against: str | None = None,
        *,
        df: str | float | None = None,
        level: float = 0.95,
        by: str | None = None,
        at: Mapping[str, float] | None = None,
    ) -> Comparison:
        """All pairs of means (Tukey-Kramer), or each against one level (Dunnett).

        Differences in the response's units.  See `trialkit.mixed.comparison`.
        """
        return compare_means(self, factor, against, df=df, level=level, by=by, at=at)
