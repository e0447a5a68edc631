"""The hypothesis of a term: contrasts that are all zero when the term has no effect.

Factors of the term enter by differences, factors outside it by equal weights over their levels
(Searle 1987, Linear Models for Unbalanced Data); columns of the term's covariates by their own
coefficients, one by one; covariates outside it at their mean, so that no shift or scale of a
covariate changes a test.  It is worked out from the terms' structure, never from the values of
a covariate, which may be zero where it is looked at.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from scipy.linalg import null_space

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart, plain_columns
from trialkit.mixed.grouping import Floats

# ------------------------------------------------------------------------------------------------
# Rows of the model matrix that means are made of.
#
# The reference grid holds every combination of the factors' levels, covariates at their mean.
# ------------------------------------------------------------------------------------------------

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


# ------------------------------------------------------------------------------------------------
# The hypothesis of a term: contrasts that are all zero when the term has no effect.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Column:
    """A column of the model matrix: codes (cells,) over the factors' grid, and the covariate
    columns that multiply it, expression -> number of its column."""

    codes: Floats
    covariates: dict[str, int]


def term_rows(part: FixedPart, term: str, at: Mapping[str, float] | None = None) -> Floats:
    """Contrasts (rows, p_all) that are all zero when the term has no effect.

    ``at`` sets covariates outside the term elsewhere than at their mean."""
    name = find_term(part, term)
    own = part.terms[name]
    pieces = _pieces(name, part)
    factors = [e for e in pieces if e in part.categorical]
    covariates = tuple(e for e in pieces if e not in part.categorical)
    if name == "1":
        out = np.zeros((len(own), len(part.names)))
        out[np.arange(len(own)), own] = 1.0
        return out
    columns = _columns(part)
    elsewhere = _reference(part, at)
    wide = [max(columns[j].covariates[e] for j in own) + 1 for e in covariates]
    weights = _weights(part, factors, covariates)
    rows = []
    for chosen in itertools.product(*(range(w) for w in wide)):
        wanted = dict(zip(covariates, chosen, strict=True))
        table = np.zeros((weights.shape[1], len(columns)))
        for j, column in enumerate(columns):
            if all(column.covariates.get(e) == i for e, i in wanted.items()):
                others = [elsewhere[e][i] for e, i in column.covariates.items() if e not in wanted]
                table[:, j] = column.codes * np.prod(others)
        rows.append(weights @ table)
    return np.concatenate(rows)


def find_term(part: FixedPart, term: str) -> str:
    if term in part.terms:
        return term
    wanted = {p.strip() for p in term.split(":")}
    written = part.factor_columns
    for name in part.terms:
        pieces = set(_pieces(name, part))
        plain = {next((v for v, w in written.items() if w == p), p) for p in pieces}
        if wanted in (pieces, plain):
            return name
    raise MixedModelError(
        f"'{term}' is not a term of the formula; its terms: {', '.join(part.terms)}."
    )


def successive_rows(part: FixedPart, term: str) -> Floats | None:
    """Rows spanning the term's hypothesis by successive elimination (Doolittle) of X'X.

    The Fai-Cornelius df depends on which rows span a hypothesis.  In a model of one term the
    rows of the sequential decomposition are the usual choice: each is free of those before.
    None where the model has more terms or dropped columns.
    """
    at = part.terms[find_term(part, term)]
    if len([t for t in part.terms if t != "1"]) != 1 or len(part.kept) < len(part.names):
        return None
    count = np.bincount(part.codes, minlength=len(part.rows))
    upper = np.linalg.cholesky(part.rows.T @ (part.rows * count[:, None])).T
    return np.asarray((upper / np.diagonal(upper)[:, None])[at])


def _pieces(name: str, part: FixedPart) -> list[str]:
    """The expressions that a term is the product of."""
    for structure in part.spec.structure:
        if str(structure.term) == name:
            return [str(f) for f in structure.term.factors if str(f) != "1"]
    return [p.strip() for p in name.split(":")]


def _columns(part: FixedPart) -> list[Column]:
    """Every column of the model matrix as a product of codes and covariate columns."""
    cells = reference_grid(part)
    variables = {written: v for v, written in part.factor_columns.items()}
    coding: dict[tuple[str, bool], Floats] = {}
    for expression, contrasts in part.spec.factor_contrasts.items():
        if str(expression) not in variables:
            continue
        levels = list(contrasts.levels)
        at = [levels.index(v) for v in cells[variables[str(expression)]]]
        for reduced in (True, False):
            matrix = np.asarray(contrasts.get_coding_matrix(reduced_rank=reduced), dtype=float)
            coding[str(expression), reduced] = matrix[at]
    place = {name: j for j, name in enumerate(part.names)}
    out: list[Column | None] = [None] * len(part.names)
    for structure in part.spec.structure:
        for scoped in structure.scoped_terms:
            factors = [(str(f.factor.expr), bool(f.reduced)) for f in scoped.factors]
            pattern = re.compile(":".join(rf"({re.escape(e)}(?:\[.*\])?)" for e, _ in factors))
            if not factors:
                for name in structure.columns:
                    out[place[str(name)]] = Column(np.full(len(cells), float(scoped.scale)), {})
                continue
            candidates = [(c, pattern.fullmatch(str(c))) for c in structure.columns]
            matches = [(c, m.groups()) for c, m in candidates if m is not None]
            # a piece's column number is the order in which its names turn up
            orders = [
                list(dict.fromkeys(groups[i] for _, groups in matches)) for i in range(len(factors))
            ]
            for name, groups in matches:
                if out[place[str(name)]] is not None:
                    continue
                codes = np.full(len(cells), float(scoped.scale))
                numbers = {}
                for i, (expression, reduced) in enumerate(factors):
                    k = orders[i].index(groups[i])
                    if expression in part.categorical:
                        codes = codes * coding[expression, reduced][:, k]
                    else:
                        numbers[expression] = k
                out[place[str(name)]] = Column(codes, numbers)
    assert all(c is not None for c in out)
    return [c for c in out if c is not None]


def _reference(part: FixedPart, at: Mapping[str, float] | None) -> dict[str, Floats]:
    """The columns of each covariate expression at the covariates' reference values."""
    grid = reference_grid(part, at).iloc[:1]
    out = {}
    for structure in part.spec.structure:
        for factor in structure.term.factors:
            expression = str(factor)
            if expression in out or expression in part.categorical or expression == "1":
                continue
            spec = ModelSpec(
                formula=Formula(f"0 + {expression}"), transform_state=part.spec.transform_state
            )
            out[expression] = np.asarray(spec.get_model_matrix(grid), dtype=float)[0]
    return out


def _weights(part: FixedPart, factors: list[str], covariates: tuple[str, ...]) -> Floats:
    """Weights over the factors' grid: what of the term's cells its margins do not say already."""
    variables = {written: v for v, written in part.factor_columns.items()}
    own = [variables[e] for e in factors]
    margins = []
    for name in part.terms:
        pieces = [] if name == "1" else _pieces(name, part)
        inside = {variables[e] for e in pieces if e in part.categorical}
        same = {e for e in pieces if e not in part.categorical} == set(covariates)
        if same and inside < set(own):
            margins.append(inside)
    whole = all(any(m == set(own) - {f} for m in margins) for f in own)
    sizes = {name: len(levels) for name, levels in part.factors.items()}
    if whole:
        inner = None
    else:
        spans = [np.zeros((int(np.prod([sizes[f] for f in own])), 0))]
        for margin in margins:
            blocks: Floats = np.ones((1, 1))
            for f in own:
                own_block = np.eye(sizes[f]) if f in margin else np.ones((sizes[f], 1))
                blocks = np.kron(blocks, own_block)
            spans.append(blocks)
        span = np.hstack(spans)
        inner = null_space(span.T).T if span.shape[1] else np.eye(len(span))
    weights: Floats = np.ones((1, 1))
    if inner is None:
        for f, size in sizes.items():
            step: Floats = np.full((1, size), 1.0 / size)
            if f in own:
                step = np.hstack([-np.ones((size - 1, 1)), np.eye(size - 1)])
            weights = np.kron(weights, step)
        return weights
    # own factors first, in the order of the grid, then averaged over the others
    order = [f for f in sizes if f in own]
    shape = [sizes[f] for f in own]
    inner = inner.reshape(-1, *shape).transpose(0, *(1 + own.index(f) for f in order))
    full = inner.reshape(len(inner), *(sizes[f] if f in own else 1 for f in sizes))
    share = np.prod([size for f, size in sizes.items() if f not in own], initial=1.0)
    return np.asarray(
        np.broadcast_to(full / share, (len(full), *sizes.values())).reshape(len(full), -1)
    )
