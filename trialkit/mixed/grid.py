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
    if by is None and ":" in factor and factor not in part.factors:
        return _joint_cells(part, factor, at)
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


def _joint_cells(
    part: FixedPart, factor: str, at: Mapping[str, float] | None
) -> tuple[pd.DataFrame, Floats]:
    """The cells of two factors, ``"a:b"``, as the levels of one."""
    names = [p.strip() for p in factor.split(":")]
    if len(names) != 2:
        raise MixedModelError(f"'{factor}' must name two factors, such as 'variety:site'.")
    labels, cells = marginal_cells(part, names[1], names[0], at)
    joined = labels.iloc[:, 0].astype(str) + ":" + labels.iloc[:, 1].astype(str)
    return pd.DataFrame({factor: joined}), cells


def slope_rows(
    part: FixedPart,
    covariate: str,
    factor: str | None = None,
    by: str | None = None,
    at: Mapping[str, float] | None = None,
) -> tuple[pd.DataFrame, Floats]:
    """Rows of the change of the mean with a covariate at its mean, or where ``at`` puts it, for
    each level of a factor (of ``by``); without a factor over all cells with equal weights."""
    if covariate not in part.covariates:
        have = ", ".join(part.covariates) or "none"
        raise MixedModelError(
            f"'{covariate}' is not a covariate of the formula; its covariates: {have}."
        )
    middle = float(dict(at or {}).get(covariate, part.covariates[covariate]))
    step = 1e-4 * max(abs(middle), 1.0)
    sides = []
    for value in (middle + step, middle - step):
        there = {**dict(at or {}), covariate: value}
        if factor is None:
            labels = pd.DataFrame({"covariate": [covariate]})
            sides.append(design_rows(part, reference_grid(part, there)).mean(axis=0)[None, :])
        else:
            labels, rows = marginal_rows(part, factor, by, there)
            sides.append(rows)
    rows = (sides[0] - sides[1]) / (2.0 * step)
    rows[np.abs(rows) < 1e-9 * np.abs(rows).max(initial=0.0)] = 0.0
    return labels, rows


def marginal_rows(
    part: FixedPart,
    factor: str,
    by: str | None = None,
    at: Mapping[str, float] | None = None,
) -> tuple[pd.DataFrame, Floats]:
    """The same, each level's cells averaged with equal weights: (levels, p_all)."""
    labels, cells = marginal_cells(part, factor, by, at)
    return labels, cells.mean(axis=1)
