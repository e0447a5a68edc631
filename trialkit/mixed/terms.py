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
from formulaic import Formula, ModelSpec
from scipy.linalg import null_space

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grid import reference_grid
from trialkit.mixed.grouping import Floats


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
            found = [(c, pattern.fullmatch(str(c))) for c in structure.columns]
            matches = [(c, m.groups()) for c, m in found if m is not None]
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

