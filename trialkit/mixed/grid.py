"""Rows of the model matrix that means and tests of terms are made of.

The reference grid holds every combination of the factors' levels, covariates at their mean.
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Floats


def reference_grid(part: FixedPart, *, only: tuple[str, ...] | None = None) -> pd.DataFrame:
    """All combinations of the factors' levels, with the covariates at their mean."""
    names = list(part.factors) if only is None else list(only)
    combos = list(itertools.product(*(list(part.factors[n]) for n in names)))
    grid = pd.DataFrame(
        {
            n: pd.Series([c[i] for c in combos], dtype=part.factors[n].dtype)
            for i, n in enumerate(names)
        },
        index=range(len(combos)),
    )
    for name, mean in part.covariates.items():
        grid[name] = mean
    return grid


def design_rows(part: FixedPart, grid: pd.DataFrame) -> Floats:
    """Model-matrix rows (all columns) for the rows of a data frame."""
    matrix = part.spec.get_model_matrix(grid, na_action="ignore")
    return np.asarray(matrix, dtype=np.float64)


def factor_name(part: FixedPart, name: str) -> str:
    """The variable a factor is asked for by: ``"nitro"`` or as written, ``"C(nitro)"``."""
    if name in part.factors:
        return name
    for variable, written in part.factor_columns.items():
        if written == name:
            return variable
    have = ", ".join(part.factors) or "none"
    raise MixedModelError(f"'{name}' is not a factor of the formula; its factors: {have}.")


def marginal_cells(
    part: FixedPart, factor: str, by: str | None = None
) -> tuple[pd.DataFrame, Floats]:
    """The levels of a factor (within each of ``by``) and the model rows of the grid's cells that
    each one's mean is taken over, (levels, cells, p_all)."""
    wanted = [factor_name(part, factor)]
    if by is not None and factor_name(part, by) == wanted[0]:
        raise MixedModelError(f"by='{by}' is the factor itself; name another one.")
    if by is not None:
        wanted.insert(0, factor_name(part, by))
    rows = design_rows(part, reference_grid(part))
    names = list(part.factors)
    cells = rows.reshape(*(len(part.factors[name]) for name in names), rows.shape[1])
    ahead = [names.index(name) for name in wanted]
    cells = np.moveaxis(cells, ahead, range(len(ahead)))
    levels = [part.factors[name] for name in wanted]
    count = int(np.prod([len(v) for v in levels]))
    cells = cells.reshape(count, -1, rows.shape[1])
    if by is None:
        return pd.DataFrame({wanted[0]: levels[0]}), cells
    outer, inner = levels
    labels = pd.DataFrame(
        {wanted[0]: outer.repeat(len(inner)), wanted[1]: list(inner) * len(outer)}
    )
    return labels, cells


def marginal_rows(
    part: FixedPart, factor: str, by: str | None = None
) -> tuple[pd.DataFrame, Floats]:
    """The same, each level's cells averaged with equal weights: (levels, p_all)."""
    labels, cells = marginal_cells(part, factor, by)
    return labels, cells.mean(axis=1)


def term_rows(part: FixedPart, term: str) -> Floats:
    """Contrasts that are all zero when the term has no effect.

    Factors of the term enter by differences from their first level, factors outside it by
    equal weights, covariates of the term by their slope, covariates outside it at zero: the
    hypothesis known as Type III (Searle 1987), whatever the coding.
    """
    found = _find_term(part, term)
    inside = [piece.strip() for piece in found.split(":")]
    factors = {written: name for name, written in part.factor_columns.items()}
    own = [factors[piece] for piece in inside if piece in factors]
    covariate_pieces = [piece for piece in inside if piece not in factors]
    if covariate_pieces:
        return _slope_rows(part, found, own, covariate_pieces)
    grid = reference_grid(part)
    rows = design_rows(part, grid)
    for name, at in part.terms.items():
        if any(piece.strip() not in factors for piece in name.split(":")) and name != "1":
            rows[:, at] = 0.0
    if not own:
        out = np.zeros((len(part.terms[found]), len(part.names)))
        out[np.arange(len(out)), part.terms[found]] = 1.0
        return out
    return _difference(part, list(part.factors), own, grid) @ rows


def successive_rows(part: FixedPart, term: str) -> Floats | None:
    """Rows spanning the term's hypothesis by successive elimination (Doolittle) of X'X.

    The Fai-Cornelius df depends on which rows span a hypothesis.  In a model of one term the
    rows of the sequential decomposition are the usual choice: each is free of those before.
    None where the model has more terms or dropped columns.
    """
    at = part.terms[_find_term(part, term)]
    if len([t for t in part.terms if t != "1"]) != 1 or len(part.kept) < len(part.names):
        return None
    count = np.bincount(part.codes, minlength=len(part.rows))
    upper = np.linalg.cholesky(part.rows.T @ (part.rows * count[:, None])).T
    return np.asarray((upper / np.diagonal(upper)[:, None])[at])


def _find_term(part: FixedPart, term: str) -> str:
    if term in part.terms:
        return term
    wanted = {p.strip() for p in term.split(":")}
    written = part.factor_columns
    for name in part.terms:
        pieces = {p.strip() for p in name.split(":")}
        plain = {next((v for v, w in written.items() if w == p), p) for p in pieces}
        if wanted in (pieces, plain):
            return name
    raise MixedModelError(
        f"'{term}' is not a term of the formula; its terms: {', '.join(part.terms)}."
    )


def _difference(part: FixedPart, names: list[str], own: list[str], grid: pd.DataFrame) -> Floats:
    """Kronecker product over the grid: differences for the term's own factors, averages else."""
    weights: Floats = np.ones((1, 1))
    for name in names:
        size = len(part.factors[name])
        if name in own:
            step: Floats = np.hstack([-np.ones((size - 1, 1)), np.eye(size - 1)])
        else:
            step = np.full((1, size), 1.0 / size)
        weights = np.kron(weights, step)
    return weights


def _slope_rows(part: FixedPart, term: str, own: list[str], covariates: list[str]) -> Floats:
    """Change of the fit per unit of a covariate expression, differenced over own factors.

    The coefficient columns of terms that hold exactly these covariates are read off the grid:
    every other column is set to zero, and the covariate itself to one.
    """
    grid = reference_grid(part)
    rows = design_rows(part, grid)
    unit = np.zeros_like(rows)
    wanted = set(covariates)
    known = set(part.factor_columns.values())
    base = _covariate_value(part, grid, covariates, rows)
    for name, at in part.terms.items():
        pieces = {p.strip() for p in name.split(":")}
        if pieces - known == wanted and name != "1":
            unit[:, at] = rows[:, at] / base[:, None]
    if len(part.terms[term]) > 1 and not own:
        # a spline or polynomial: several columns of one expression, tested one by one
        out = np.zeros((len(part.terms[term]), len(part.names)))
        out[np.arange(len(out)), part.terms[term]] = 1.0
        return out
    return _difference(part, list(part.factors), own, grid) @ unit


def _covariate_value(
    part: FixedPart, grid: pd.DataFrame, covariates: list[str], rows: Floats
) -> Floats:
    wanted = set(covariates)
    for name, at in part.terms.items():
        if {p.strip() for p in name.split(":")} == wanted and len(at) == 1:
            value = rows[:, at[0]]
            return np.where(value == 0.0, 1.0, value)
    return np.ones(len(grid))
