"""Linear mixed models by profiled REML or ML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.mixed.comparison import Comparison, compare_means
from trialkit.mixed.crossproducts import Dense, RandomPart, cross_products, not_in_fixed
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Floats, make_groupings, numbers_of
from trialkit.mixed.information import (
    VarianceInformation,
    inner_coordinates,
    quadratic_forms,
    variance_information,
)
from trialkit.mixed.likelihood import Objective, Optimum, minimise
from trialkit.mixed.prediction import predict_linear, simulate_linear
from trialkit.mixed.smallsample import (
    KenwardRoger,
    Satterthwaite,
    check_method,
    kenward_roger,
    satterthwaite,
)
from trialkit.mixed.solve import Solved
from trialkit.mixed.start import starting_point
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
    def objective(self) -> float:
        return self.optimum.value

    @property
    def solved(self) -> Solved:
        return self.optimum.solved

    @property
    def residual_sd(self) -> float:
        return float(np.sqrt(self.residual_variance))

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
        return tuple(
            g.name
            for g, f in zip(self.random.groupings, self.solved.factors, strict=True)
            if np.abs(np.diagonal(f)).min() <= 1e-6 * max(1.0, float(np.abs(f).max()))
        )

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
    ) -> Comparison:
        """All pairs of means (Tukey-Kramer), or each against one level (Dunnett).

        Differences in the response's units.  See `trialkit.mixed.comparison`.
        """
        return compare_means(self, factor, against, df=df, level=level, by=by)


def fit_lmm(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str] = (),
    slopes: Mapping[str, Sequence[str]] | None = None,
    weights: str | Floats | None = None,
    method: str = "reml",
    *,
    residual_sd: float | None = None,
) -> LMM:
    """Fit a linear mixed model.

    formula: ``"response ~ fixed terms"`` (Wilkinson & Rogers 1973).
    data: one row a record.
    groups: names of random-intercept factors; ``"a:b"`` is the interaction factor of two
        columns.  Nested or crossed is found from the data.
    slopes: factor name -> columns with random slopes, correlated with its intercept.
    weights: a column name or (n,) positive numbers; the residual variance of a record is the
        residual variance divided by its weight.
    method: ``"reml"`` or ``"ml"``.
    residual_sd: hold the residual standard deviation at this value (with weights 1/variance
        and residual_sd=1: estimates from an earlier stage with known variances).

    Returns an `LMM`.  Raises MixedModelError, naming the column, on blanks, infinite values,
    unknown columns, one-level or aliased factors, n <= p and a constant response.
    """
    if method not in {"reml", "ml"}:
        raise MixedModelError(f"method='{method}' is not one of: reml, ml.")
    if residual_sd is not None and not 0.0 < residual_sd < np.inf:
        raise MixedModelError(f"residual_sd={residual_sd:g} must be a number above zero.")
    left, right = split_formula(formula)
    y = make_response(left, data)
    part = make_fixed(right, data)
    w = _weights(weights, data)
    n, p = len(y), part.p
    if n <= p and residual_sd is None:
        raise MixedModelError(
            f"{n} records cannot estimate {p} fixed effects and a residual; "
            "drop terms from the formula or add records."
        )
    largest = float(np.abs(y).max())
    if largest > 0.0 and not 1e-140 < largest < 1e140:
        raise MixedModelError(f"response '{left}' reaches {largest:g}; give it in other units.")
    if np.ptp(y) <= 1e-14 * largest and residual_sd is None:
        raise MixedModelError(
            f"response '{left}' is constant (every record is {y[0]:g}); there is nothing to model."
        )
    random = RandomPart(make_groupings(data, groups, slopes, saturated=residual_sd is not None))
    with few_threads(random.r + p):
        not_in_fixed(random, part)
        return fit_prepared(formula, method, part, random, y, w, residual_sd)


def fit_prepared(
    formula: str,
    method: str,
    part: FixedPart,
    random: RandomPart,
    y: Floats,
    w: Floats | None,
    residual_sd: float | None = None,
) -> LMM:
    """Fit once the formula and groupings are read; a refit to another response starts here."""
    left, _ = split_formula(formula)
    n, p = len(y), part.p
    spread = float(np.ptp(y))
    dense = Dense(part.basis, part.codes)
    # Working with what ordinary least squares leaves keeps digits when the response is far
    # from zero; the fixed effects are added back at the end.
    scale = 1.0 if residual_sd is None else residual_sd
    start_fit = _least_squares(dense, y, w)
    left_over = y - dense.times(start_fit)
    if residual_sd is None:
        scale = float(np.sqrt(np.mean(left_over**2)))
        if scale <= 1e-12 * max(spread, 1e-300):
            raise MixedModelError(
                f"the fixed effects reproduce '{left}' exactly; no variation is left to model."
            )
    cross = cross_products(random, dense, left_over / scale, w)
    reml = method == "reml"
    d = n - p if reml else n
    constant = 2.0 * d * float(np.log(scale))
    if reml:
        constant += 2.0 * float(np.log(np.abs(np.diagonal(part.triangle))).sum())
    if w is not None:
        constant -= float(np.log(w).sum())
    objective = Objective(random, cross, n, p, reml, residual_sd is not None, constant)
    with few_threads(random.r + p):
        optimum = minimise(objective, starting_point(objective))
    variance = residual_sd**2 if residual_sd is not None else scale**2 * optimum.solved.rss / d
    solved = _rescaled(optimum.solved, scale)
    optimum = Optimum(optimum.value, solved, optimum.evaluations, optimum.gradient)
    offset = np.linalg.solve(part.triangle, start_fit)
    return LMM(
        formula, method, part, random, y, w, offset, residual_sd is not None, optimum, variance
    )


def _weights(weights: str | Floats | None, data: pd.DataFrame) -> Floats | None:
    w, name = numbers_of(weights, data, "weights")
    if w is not None and (w <= 0).any():
        first = int(np.flatnonzero(w <= 0)[0])
        raise MixedModelError(f"{name} must be above zero; record {first} is {w[first]:g}.")
    return w


def _least_squares(dense: Dense, y: Floats, w: Floats | None) -> Floats:
    count = np.bincount(dense.codes, weights=w, minlength=len(dense.rows))
    gram = dense.rows.T @ (dense.rows * count[:, None])
    right = dense.transpose_times(y if w is None else w * y)
    return np.asarray(np.linalg.solve(gram, right))


def _rescaled(s: Solved, scale: float) -> Solved:
    """The same solution with the response back in its own units."""
    f, t = s.f.copy(), s.t.copy()
    f[:, :, -1] *= scale
    t[-1, :] *= scale
    t[:, -1] *= scale
    return Solved(s.random, s.factors, s.m0, f, t, s.chol, s.logdet_lead, s.p, s.has_y)
