"""Fitting a linear mixed model by profiled REML or ML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from trialkit.mixed.crossproducts import Dense, RandomPart, cross_products, not_in_fixed
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Floats, make_groupings, numbers_of
from trialkit.mixed.knownfit import fit_known
from trialkit.mixed.likelihood import Objective, Optimum, minimise
from trialkit.mixed.lmm import LMM
from trialkit.mixed.start import starting_point
from trialkit.mixed.threads import few_threads
from trialkit.mixed.triangles import Triangles

# A residual standard deviation below this part of what the fixed effects leave is rounding
NO_ERROR = 1e-6
# Relative standard deviations past this, in units of where a grouping starts to matter, are
# searched for again in units of themselves
LARGE = 30.0


def fit_lmm(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str] = (),
    slopes: Mapping[str, Sequence[str]] | None = None,
    weights: str | Floats | None = None,
    method: str = "reml",
    *,
    residual_sd: float | None = None,
    residual_covariance: object = None,
    uncorrelated: Sequence[str] = (),
) -> LMM:
    """Fit a linear mixed model.

    formula: ``"response ~ fixed terms"`` (Wilkinson & Rogers 1973).
    data: one row a record.
    groups: names of random-intercept factors; ``"a:b"`` is the interaction factor of two
        columns, ``"a/b"`` short for ``"a"`` and ``"a:b"``.  Nested or crossed is found from the
        data.
    slopes: factor name -> columns with random slopes, correlated with its intercept.
    uncorrelated: factors with slopes whose intercepts and slopes have a variance each and no
        covariance: ``slopes={"plant": ["days"]}, uncorrelated=["plant"]``.
    weights: a column name or (n,) positive numbers; the residual variance of a record is the
        residual variance divided by its weight.
    method: ``"reml"`` or ``"ml"``.
    residual_sd: hold the residual standard deviation at this value (with weights 1/variance
        and residual_sd=1: estimates from an earlier stage with known variances).
    residual_covariance: (n, n), dense or sparse: the known covariance of the records' errors, in
        their order; then nothing but the groupings' variances is estimated (see `fit_known`).

    Returns an `LMM`.  Raises MixedModelError, naming the column, on blanks, infinite values,
    unknown columns, one-level or aliased factors, n <= p and a constant response.
    """
    if method not in {"reml", "ml"}:
        raise MixedModelError(f"method='{method}' is not one of: reml, ml.")
    if residual_covariance is not None:
        if slopes or weights is not None or residual_sd is not None:
            raise MixedModelError(
                "residual_covariance takes the place of weights and residual_sd, and allows no "
                "slopes; give it alone, with groups."
            )
        return fit_known(formula, data, residual_covariance, groups, method=method)
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
    saturated = residual_sd is not None
    random = RandomPart(
        make_groupings(data, groups, slopes, saturated=saturated, uncorrelated=uncorrelated)
    )
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
        try:
            optimum = _sharpened(objective, minimise(objective, starting_point(objective)))
        except (MixedModelError, np.linalg.LinAlgError):
            if residual_sd is not None or not _reproduced(random, dense, left_over):
                raise
            raise MixedModelError(_no_error(left)) from None
    if residual_sd is None and optimum.solved.rss <= (NO_ERROR**2) * d:
        raise MixedModelError(_no_error(left))
    variance = residual_sd**2 if residual_sd is not None else scale**2 * optimum.solved.rss / d
    solved = optimum.solved.in_units(scale)
    optimum = Optimum(optimum.value, solved, optimum.evaluations, optimum.gradient)
    offset = np.linalg.solve(part.triangle, start_fit)
    return LMM(
        formula, method, part, random, y, w, offset, residual_sd is not None, optimum, variance
    )


def _sharpened(objective: Objective, optimum: Optimum) -> Optimum:
    """A search whose parameters grew large (a residual far below the groupings' spread) goes on in
    units of what it found: slopes are small there long before the least is reached."""
    found = objective.triangles.pack(optimum.solved.factors)
    if not len(found) or np.abs(found).max() < LARGE:
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
    try:
        nearer = minimise(objective, objective.triangles.pack(optimum.solved.factors))
    except MixedModelError:
        return optimum
    return nearer if nearer.value <= optimum.value else optimum


def _reproduced(random: RandomPart, dense: Dense, y: Floats) -> bool:
    """Whether fixed effects and groupings together leave nothing of a response but rounding."""
    from scipy.sparse import csr_matrix, hstack
    from scipy.sparse.linalg import lsqr

    n = len(y)
    blocks = [csr_matrix(dense.rows[dense.codes])]
    for g in random.groupings:
        for x in g.values:
            blocks.append(csr_matrix((np.ones(n) if x is None else x, (np.arange(n), g.codes)),
                                     shape=(n, g.n_levels)))  # fmt: skip
    left = lsqr(hstack(blocks).tocsr(), y, atol=1e-14, btol=1e-14)[3]
    return bool(left <= 10.0 * NO_ERROR * np.linalg.norm(y))


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

