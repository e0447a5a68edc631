"""Linear mixed models: the fit by profiled REML or ML, with the residual variance estimated or the
covariance of the errors known, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import sparse

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import (
    Dense,
    KnownCovariance,
    RandomPart,
    cross_products,
    known_cross_products,
    not_in_fixed,
    read_covariance,
)
from trialkit.mixed.fit import MixedFit, describe
from trialkit.mixed.fixed import FixedPart, design_rows, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import (
    Floats,
    Grouping,
    Triangles,
    column,
    finite_numbers,
    make_groupings,
    numbers_of,
)
from trialkit.mixed.inference import Comparison, compare_means
from trialkit.mixed.likelihood import (
    ROUNDING,
    Objective,
    Optimum,
    Solved,
    descend,
    few_threads,
    minimise,
)
from trialkit.mixed.smallsample import (
    KenwardRoger,
    Satterthwaite,
    VarianceInformation,
    between_within,
    check_method,
    inner_coordinates,
    kenward_roger,
    quadratic_forms,
    satterthwaite,
    traces,
    variance_information,
)

# ------------------------------------------------------------------------------------------------
# Start values for the variance search.
# ------------------------------------------------------------------------------------------------

def starting_point(objective: Objective) -> Floats:
    """Start values by moments: Henderson's method at zero variances (MINQUE(0), Rao 1971).

    Solves E[y'M Z_f Z_f' M y] = observed for the relative variances, floored at a tenth of the
    scale on which a grouping starts to matter, so that the search starts off the boundary.
    """
    groupings = objective.random.groupings
    if not groupings:
        return np.zeros(0)
    start = [np.diag(scale) for scale in objective.triangles.scales]
    if all(g.k == 1 for g in groupings):
        expected, observed = moments(objective)
        if objective.known_residual:
            target, matrix = observed[:-1] - expected[:-1, -1], expected[:-1, :-1]
        else:
            target, matrix = observed, expected
        variances, *_ = np.linalg.lstsq(matrix, target, rcond=1e-10)
        least = 1e-3 * observed[-1] / objective.n
        unit = 1.0 if objective.known_residual else max(float(variances[-1]), least)
        for at, scale in enumerate(objective.triangles.scales):
            relative = max(float(variances[at]) / unit, 0.1 * float(scale[0]) ** 2)
            start[at] = np.array([[np.sqrt(relative)]])
    return objective.triangles.pack(start)


def moments(objective: Objective) -> tuple[Floats, Floats]:
    """tr(M V_i M V_j) (m, m) and y'M V_i M y (m,), residual last, for random intercepts only:
    P at zero variances is M, the projection off X."""
    random = objective.random
    s = objective.solved([np.zeros((g.k, g.k)) for g in random.groupings])
    expected = traces(s, known_residual=False, n=objective.n)
    observed = [float(np.sum(u**2)) for u in s.scores()]
    return expected, np.array([*observed, s.rss])


# ------------------------------------------------------------------------------------------------
# Predictions and draws from a fitted model.
# ------------------------------------------------------------------------------------------------

def fixed_prediction(part: FixedPart, beta: Floats, newdata: pd.DataFrame) -> Floats:
    """X b for new records; NaN where the old records hold nothing on that combination.

    Raises MixedModelError on unknown columns and on levels the model has not seen.
    """
    for name, levels in part.factors.items():
        values = column(newdata, name, "variable")
        unknown = sorted({str(v) for v in values.unique() if v not in levels})
        if unknown:
            raise MixedModelError(
                f"variable '{name}' has levels the model has not seen: {', '.join(unknown)}. "
                f"Known: {', '.join(str(v) for v in levels)}."
            )
    for name in part.covariates:
        finite_numbers(column(newdata, name, "variable"), name, "variable")
    rows = design_rows(part, newdata)
    if len(rows) != len(newdata):
        rows = np.repeat(rows[:1], len(newdata), axis=0)
    out: Floats = rows[:, part.kept] @ beta
    out[~part.estimable(rows)] = np.nan
    return out


def random_prediction(random: RandomPart, effects: list[Floats], newdata: pd.DataFrame) -> Floats:
    """Z b for new records; a level not seen before, or a factor not in newdata,
    counts as average (zero)."""
    out = np.zeros(len(newdata))
    for g, b in zip(random.groupings, effects, strict=True):
        names = [p.strip() for p in g.name.split(":")]
        if g.name in newdata.columns:
            keys = pd.Index(newdata[g.name])
        elif not set(names) <= set(newdata.columns):
            continue
        else:
            parts = [newdata[p].astype(str) for p in names]
            joined = parts[0]
            for part in parts[1:]:
                joined = joined + ":" + part
            keys = pd.Index(joined)
        at = g.levels.get_indexer(keys)
        seen = at >= 0
        for a, name in enumerate(g.columns):
            add = np.where(seen, b[:, a][at], 0.0)
            if name != "Intercept":
                x = finite_numbers(column(newdata, name, "slope"), name, "slope")
                add = add * (x - g.centres[a] if g.centres else x)
            out += add
    return out


def predict_linear(fit: LMM, newdata: pd.DataFrame | None, *, random: bool) -> Floats:
    if newdata is None:
        if random:
            return fit.fitted
        return fit.fixed_part()
    out = fixed_prediction(fit.part, fit._beta, newdata)
    return out + random_prediction(fit.random, fit._effects, newdata) if random else out


def draw_effects(
    random: RandomPart, factors: list[Floats], rng: np.random.Generator
) -> list[Floats]:
    """New effects of every grouping, covariance factor @ factor.T."""
    return [
        rng.standard_normal((g.n_levels, g.k)) @ f.T
        for g, f in zip(random.groupings, factors, strict=True)
    ]


def simulate_linear(fit: LMM, seed: int | np.random.Generator, times: int) -> Floats:
    rng = np.random.default_rng(seed)
    mean = predict_linear(fit, None, random=False)
    factors = [fit.residual_sd * f for f in fit.solved.factors]
    root = 1.0 if fit.weights is None else 1.0 / np.sqrt(fit.weights)
    out = np.empty((times, fit.n))
    for row in out:
        row[:] = mean + fit.residual_sd * root * rng.standard_normal(fit.n)
        if fit.random.groupings:
            row += fit.random.times(draw_effects(fit.random, factors, rng))
    return out


# ------------------------------------------------------------------------------------------------
# A fitted linear mixed model: what can be asked of it.
# ------------------------------------------------------------------------------------------------

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

        Differences in the response's units.  See `trialkit.mixed.inference`.
        """
        return compare_means(self, factor, against, df=df, level=level, by=by, at=at)


# ------------------------------------------------------------------------------------------------
# Fitting a linear mixed model by profiled REML or ML.
# ------------------------------------------------------------------------------------------------

# A residual standard deviation below this part of what the fixed effects leave is rounding
NO_ERROR = 1e-6
# A residual variance up to this part of it: is any left over by fixed effects and groupings at all?
LITTLE = 1e-4
# Relative standard deviations past this, in units of where a grouping starts to matter, are
# searched for again in units of themselves
LARGE = 30.0
# A slope in the logarithm of such a parameter past this has not settled: its standard deviation
# may be wrong by some percent
UNSETTLED = 0.05


def fit_lmm(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str] = (),
    slopes: Mapping[str, Sequence[str]] | None = None,
    weights: str | Floats | None = None,
    method: str = "reml",
    *,
    residual_sd: float | None = None,
    uncorrelated: Sequence[str] = (),
) -> LMM:
    """Fit a linear mixed model.

    formula: ``"response ~ fixed terms"`` (Wilkinson & Rogers 1973).
    data: one row a record.
    groups: names of random-intercept factors; ``"a:b"`` is the interaction factor of two
        columns, ``"a/b"`` short for ``"a"`` and ``"a:b"``.  Nested or crossed is found from the
        data.
    slopes: factor name -> columns with random slopes, correlated with its intercept;
        ``{"plot": ["0", "days"]}`` has slopes of plots and no intercept of theirs.
    uncorrelated: factors with slopes whose intercepts and slopes have a variance each and no
        covariance: ``slopes={"plant": ["days"]}, uncorrelated=["plant"]``.
    weights: a column name or (n,) positive numbers; the residual variance of a record is the
        residual variance divided by its weight.
    method: ``"reml"`` or ``"ml"``.
    residual_sd: hold the residual standard deviation at this value (with weights 1/variance
        and residual_sd=1: estimates from an earlier stage with known variances).

    Where the records' errors have a known covariance, see `trialkit.mixed.fit_known`; where they
    follow one another in time or spread by group, `trialkit.mixed.fit_structured`.

    Returns an `LMM`.  Raises MixedModelError, naming the column, on blanks, infinite values,
    unknown columns, one-level or aliased factors, n <= p and a constant response.
    """
    if residual_sd is not None and not 0.0 < residual_sd < np.inf:
        raise MixedModelError(f"residual_sd={residual_sd:g} must be a number above zero.")
    part, random, y, w = read_linear(
        formula, data, groups, slopes, weights, method, uncorrelated, known=residual_sd is not None
    )
    with few_threads(random.r + part.p):
        not_in_fixed(random, part)
        return fit_prepared(formula, method, part, random, y, w, residual_sd)


def read_linear(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str],
    slopes: Mapping[str, Sequence[str]] | None,
    weights: str | Floats | None,
    method: str,
    uncorrelated: Sequence[str],
    *,
    known: bool,
) -> tuple[FixedPart, RandomPart, Floats, Floats | None]:
    """The fixed part, the groupings, the response and the weights of a linear model, checked;
    ``known``: the residual variance is.  Arguments and errors as of `fit_lmm`."""
    if method not in {"reml", "ml"}:
        raise MixedModelError(f"method='{method}' is not one of: reml, ml.")
    left, right = split_formula(formula)
    y = make_response(left, data)
    part = make_fixed(right, data)
    w = _weights(weights, data)
    n, p = len(y), part.p
    if n <= p and not known:
        raise MixedModelError(
            f"{n} records cannot estimate {p} fixed effects and a residual; "
            "drop terms from the formula or add records."
        )
    largest = float(np.abs(y).max())
    if largest > 0.0 and not 1e-140 < largest < 1e140:
        raise MixedModelError(f"response '{left}' reaches {largest:g}; give it in other units.")
    if np.ptp(y) <= 1e-14 * largest and not known:
        raise MixedModelError(
            f"response '{left}' is constant (every record is {y[0]:g}); there is nothing to model."
        )
    random = RandomPart(
        make_groupings(data, groups, slopes, saturated=known, uncorrelated=uncorrelated)
    )
    return part, random, y, w


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
        try:
            optimum = _sharpened(objective, minimise(objective, starting_point(objective)))
        except (MixedModelError, np.linalg.LinAlgError):
            if residual_sd is not None or not _reproduced(random, dense, left_over):
                raise
            raise MixedModelError(_no_error(left)) from None
    if residual_sd is None:
        left_of = optimum.solved.rss / d
        # nearly none, and less could be left: the likelihood is flat down to nothing
        nearer = 1e-3 * float(np.sqrt(left_of))
        if left_of <= NO_ERROR**2 or (
            left_of <= LITTLE and _reproduced(random, dense, left_over, nearer)
        ):
            raise MixedModelError(_no_error(left))
    variance = residual_sd**2 if residual_sd is not None else scale**2 * optimum.solved.rss / d
    solved = optimum.solved.in_units(scale)
    optimum = replace(optimum, solved=solved)
    offset = np.linalg.solve(part.triangle, start_fit)
    return LMM(
        formula, method, part, random, y, w, offset, residual_sd is not None, optimum, variance
    )


def _sharpened(objective: Objective, optimum: Optimum) -> Optimum:
    """A search whose parameters grew large (a residual far below the groupings' spread) goes on in
    units of what it found: slopes are small there long before the least is reached.

    Raises MixedModelError where the numbers have not the digits to find it: the residual is too
    near to rounding."""
    parameters = objective.triangles.pack(optimum.solved.factors)
    if not len(parameters) or np.abs(parameters).max() < LARGE:
        return optimum
    if optimum.relative <= max(1e-6, ROUNDING * abs(optimum.value)):
        return optimum
    scales = []
    for g, f, scale in zip(objective.random.groupings, optimum.solved.factors,
                           objective.triangles.scales, strict=True):  # fmt: skip
        size = np.sqrt((f**2).sum(axis=1))
        for columns in g.shared:
            size[list(columns)] = size[list(columns)].max()
        scales.append(np.where(size > 0.0, size, scale))
    objective.triangles = Triangles(objective.random.groupings, scales)
    objective.last = None
    nearer = descend(objective, objective.triangles.pack(optimum.solved.factors))
    best = nearer if nearer.value <= optimum.value else optimum
    if best.relative > UNSETTLED:
        raise MixedModelError(
            f"the variance components did not settle (largest slope {best.relative:.2g}): the "
            "residual is too small beside the groupings for the digits that numbers have."
        )
    return best


def _reproduced(
    random: RandomPart, dense: Dense, y: Floats, within: float = 10.0 * NO_ERROR
) -> bool:
    """Whether fixed effects and groupings together leave nothing of a response but rounding: no
    more than this part of it."""
    from scipy.sparse import csr_matrix, hstack
    from scipy.sparse.linalg import lsqr

    n = len(y)
    blocks = [csr_matrix(dense.rows[dense.codes])]
    for g in random.groupings:
        for x in g.values:
            blocks.append(csr_matrix((np.ones(n) if x is None else x, (np.arange(n), g.codes)),
                                     shape=(n, g.n_levels)))  # fmt: skip
    left = lsqr(hstack(blocks).tocsr(), y, atol=1e-14, btol=1e-14)[3]
    return bool(left <= within * np.linalg.norm(y))


def _no_error(name: str) -> str:
    return (
        f"the fixed effects and groupings together reproduce '{name}' but for the rounding of "
        "numbers: no error is left to judge differences by. Leave out a grouping or a slope, or "
        "look whether records were copied or worked out from each other."
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


# ------------------------------------------------------------------------------------------------
# Linear mixed models whose residual covariance is known: the second of two stages.
#
# y = X b + Z u + e with e ~ N(0, R), R known from an earlier stage (Piepho, Moehring,
# Schulz-Streeck & Ogutu 2012, Biometrical Journal 54:844-860, section 2; fully efficient when R is
# the whole covariance of the first stage's means).  Only the variances of u are estimated.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True, repr=False)
class KnownLMM(LMM):
    """A fit by `fit_known`.  As `LMM`, with residual variance 1 standing for R itself."""

    known: KnownCovariance
    names: tuple[str, ...]

    @cached_property
    def group_cov(self) -> dict[str, pd.DataFrame]:
        """Variance of the effects of each grouping, (1, 1): squared units of the response."""
        covariances = super().group_cov
        return {name: covariances[name] for name in self.names}

    def _error_weights(self) -> sparse.csr_matrix:  # type: ignore[override]
        return self.known.inverse

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose variance is estimated as zero: a result, not a failure."""
        pairs = zip(self.random.groupings, self.factors, strict=True)
        return tuple(g.name for g, f in pairs if not f.any())

    def residuals(self, kind: str = "response") -> Floats:
        """Residuals (n,): ``response`` y - fitted, ``marginal`` y - fixed part, ``pearson`` and
        ``quantile`` the response ones times C^-1, R = CC', C lower triangular."""
        if kind not in {"pearson", "quantile"}:
            return super().residuals(kind)
        from scipy.sparse.linalg import spsolve_triangular

        return np.asarray(spsolve_triangular(self.known.root.tocsr(), self.y - self.fitted))

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        if df == "between-within":
            raise MixedModelError(
                "between-within df are those of a layout; with a known residual covariance use "
                "kenward-roger, satterthwaite or asymptotic."
            )
        return super()._row_df(contrast, df)

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw responses from the fitted model, (times, n), with new effects and errors."""
        rng = np.random.default_rng(seed)
        mean = self.fixed_part()
        out = np.empty((times, self.n))
        for row in out:
            row[:] = mean + self.known.root @ rng.standard_normal(self.n)
            if self.random.groupings:
                row += self.random.times(draw_effects(self.random, list(self.factors), rng))
        return out

    def refit(self, y: Floats) -> KnownLMM:
        """The same model fitted to another response (n,)."""
        return _fit_known(
            self.formula, self.method, self.part, self.random, y, self.known, self.names
        )


def fit_known(
    formula: str,
    data: pd.DataFrame,
    residual_covariance: object,
    groups: Sequence[str] = (),
    *,
    multiplied: Mapping[str, str] | None = None,
    method: str = "reml",
) -> KnownLMM:
    """Fit a linear mixed model to records whose errors have a known covariance.

    formula, data, groups, method: as in `fit_lmm`.
    residual_covariance: (n, n), dense or sparse, in squared units of the response, in the order
        of the records; block diagonal in practice, and cheap when it is.
    multiplied: grouping -> numeric column its effects are multiplied by; with a column of 0 and 1
        the effects belong to the records with 1 only.

    Cost grows with the number of blocks, not its square, as long as each grouping with many
    levels stays within a few blocks.  Raises MixedModelError as `fit_lmm` does, and for a
    covariance that is not symmetric and positive definite.
    """
    if method not in {"reml", "ml"}:
        raise MixedModelError(f"method='{method}' is not one of: reml, ml.")
    left, right = split_formula(formula)
    y = make_response(left, data)
    part = make_fixed(right, data)
    known = read_covariance(residual_covariance, len(y))
    groupings = make_groupings(data, groups, None, saturated=True)
    not_in_fixed(RandomPart(groupings), part)
    groupings = _multiplied(groupings, dict(multiplied or {}), data)
    random = RandomPart(groupings, tied=known.blocks)
    return _fit_known(formula, method, part, random, y, known, tuple(g.name for g in groupings))


def _multiplied(
    groupings: tuple[Grouping, ...], by: dict[str, str], data: pd.DataFrame
) -> tuple[Grouping, ...]:
    unknown = sorted(set(by) - {g.name for g in groupings})
    if unknown:
        raise MixedModelError(f"multiplied names {', '.join(unknown)}, not among groups.")
    out = []
    for g in groupings:
        if g.name in by:
            name = by[g.name]
            values = finite_numbers(column(data, name, "multiplier"), name, "multiplier")
            if not values.any():
                raise MixedModelError(
                    f"multiplier '{name}' is 0 in every record; leave '{g.name}' out of groups."
                )
            g = replace(g, values=(values,))
        out.append(g)
    return tuple(out)


def _fit_known(
    formula: str,
    method: str,
    part: FixedPart,
    random: RandomPart,
    y: Floats,
    known: KnownCovariance,
    names: tuple[str, ...],
) -> KnownLMM:
    n, p = len(y), part.p
    dense = Dense(part.basis, part.codes)
    columns = part.basis[part.codes]
    weighted = known.inverse @ columns
    start = np.asarray(np.linalg.solve(columns.T @ weighted, weighted.T @ y))
    cross = known_cross_products(random, dense, y - columns @ start, known)
    reml = method == "reml"
    constant = known.logdet
    if reml:
        constant += 2.0 * float(np.log(np.abs(np.diagonal(part.triangle))).sum())
    objective = Objective(random, cross, n, p, reml, True, constant)
    with few_threads(random.r + p):
        optimum = minimise(objective, starting_point(objective))
    offset = np.linalg.solve(part.triangle, start)
    return KnownLMM(
        formula, method, part, random, y, None, offset, True, optimum, 1.0, known, names
    )
