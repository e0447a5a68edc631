"""Rows of the model matrix that means are made of.

The reference grid holds every combination of the factors' levels, covariates at their mean.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart, plain_columns
from trialkit.mixed.grouping import Floats


def reference_grid(part: FixedPart, at: Mapping[str, float] | None = None) -> pd.DataFrame:
    """All combinations of the factors' levels, with the covariates at their mean or where ``at``
    puts them.  Raises MixedModelError where ``at`` names no covariate."""
    where = {**part.covariates, **dict(at or {})}
    unknown = sorted(set(where) - set(part.covariates))
    if unknown:
        have = ", ".join(part.covariates) or "none"
        raise MixedModelError(
            f"at: '{unknown[0]}' is not a covariate of the formula; its covariates: {have}."
        )
    for name, value in where.items():
        if not (isinstance(value, int | float | np.number) and np.isfinite(value)):
            raise MixedModelError(f"at: '{name}' must be a number, not {value!r}.")
    names = list(part.factors)
    combos = list(itertools.product(*(list(part.factors[n]) for n in names)))
    grid = pd.DataFrame(
        {
            n: pd.Series([c[i] for c in combos], dtype=part.factors[n].dtype)
            for i, n in enumerate(names)
        },
        index=range(len(combos)),
    )
    for name, value in where.items():
        grid[name] = float(value)
    return grid


def design_rows(part: FixedPart, grid: pd.DataFrame) -> Floats:
    """Model-matrix rows (all columns) for the rows of a data frame."""
    plain = plain_columns(grid, [str(c) for c in grid.columns])
    matrix = part.spec.get_model_matrix(plain, na_action="ignore")
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
    part: FixedPart,
    factor: str,
    by: str | None = None,
    at: Mapping[str, float] | None = None,
) -> tuple[pd.DataFrame, Floats]:
    """The levels of a factor (within each of ``by``) and the model rows of the grid's cells that
    each one's mean is taken over, (levels, cells, p_all)."""
    wanted = [factor_name(part, factor)]
    if by is not None and factor_name(part, by) == wanted[0]:
        raise MixedModelError(f"by='{by}' is the factor itself; name another one.")
    if by is not None:
        wanted.insert(0, factor_name(part, by))
    rows = design_rows(part, reference_grid(part, at))
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
    part: FixedPart,
    factor: str,
    by: str | None = None,
    at: Mapping[str, float] | None = None,
) -> tuple[pd.DataFrame, Floats]:
    """The same, each level's cells averaged with equal weights: (levels, p_all)."""
    labels, cells = marginal_cells(part, factor, by, at)
    return labels, cells.mean(axis=1)
