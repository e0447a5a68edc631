"""The fixed part: a Wilkinson formula made into a full-rank design matrix, and the rows of that
matrix which means, slopes and tests of terms are made of.

The formula library does the parsing and coding (Wilkinson & Rogers 1973, Appl. Stat.
22:392).  Three things are added here.  Records with the same values of the formula's
variables share a row, so the matrix has as many rows as there are distinct
combinations (``rows``) and each record carries the number of its row (``codes``).
Columns that depend linearly on earlier ones are dropped by name, with the basis of the
row space kept so that every later question can be checked for estimability (Searle
1971, Linear Models, ch. 5: L is estimable if L = L X^- X).  And what a mean, a slope or
a term asks is said as contrasts L over all columns.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from formulaic.errors import FormulaicError
from numpy.typing import NDArray
from scipy.linalg import null_space

from trialkit.errors import MixedModelError
from trialkit.mixed.grouping import Codes, Floats, column, finite_numbers, no_blanks, spelled

# A column is dependent on earlier ones when less than this part of its length is new
# (the tolerance general statistics packages use in their linear models).  The length of a column
# that holds a covariate is what the factors leave of it, so that no shift of the covariate matters.
DEPENDENT = 1e-7
# What is new of it is rounding below this part of its length as it stands
ROUNDED = 1e-14
# What a contrast asks beyond the kept columns' dependence counts from ten times that: the one
# tolerance of every later question.
BEYOND = 10.0 * DEPENDENT


@dataclass(frozen=True)
class FixedPart:
    """The fixed-effects design.

    rows: (u, p_all) distinct rows of the model matrix, all columns.
    codes: (n,) row number of each record.
    names: p_all column names; ``kept`` the p positions of the full-rank columns.
    basis, triangle: rows[:, kept] = basis @ triangle, basis (u, p) well conditioned.
    origin: columns made of factors alone, the constant too.
    """

    rows: Floats
    codes: Codes
    names: tuple[str, ...]
    kept: NDArray[np.intp]
    basis: Floats
    triangle: Floats
    spec: ModelSpec
    terms: dict[str, list[int]]
    factors: dict[str, pd.Index]
    factor_columns: dict[str, str]
    covariates: dict[str, float]
    origin: tuple[int, ...] = ()

    @property
    def p(self) -> int:
        return len(self.kept)

    @property
    def dropped(self) -> tuple[str, ...]:
        gone = sorted(set(range(len(self.names))) - set(self.kept.tolist()))
        return tuple(self.names[i] for i in gone)

    @property
    def categorical(self) -> set[str]:
        """The factors as the formula writes them."""
        return set(self.factor_columns.values())

    def estimable(self, contrast: Floats) -> NDArray[np.bool_]:
        """Which rows of ``contrast`` (m, p_all) lie in the row space of the design.

        L is estimable when L = B R^-1 R_all for the kept columns, that is when the
        coefficients on dropped columns are those their dependence dictates.
        """
        if len(self.kept) == len(self.names):
            return np.ones(len(contrast), dtype=bool)
        gap, size = self._gap(contrast)
        return np.asarray(np.abs(gap).max(axis=1) <= BEYOND * size)

    @cached_property
    def _centred(self) -> tuple[Floats, Floats, Floats]:
        """How the design reads with every covariate's zero where the factors put its mean, so that
        no shift of it matters: ``shift`` (p_all, p_all), L shift being the contrast L of that
        design; the lengths of its columns (p_all,); and each column as a combination of the kept
        ones (p, p_all), both scaled to length one.  What is below the tolerance at which columns
        are dropped is no dependence."""
        rows, shift = self.rows, np.eye(len(self.names))
        length = np.linalg.norm(rows, axis=0)
        positions, ground, triangle = independent_columns(rows[:, list(self.origin)])
        factors = np.array(self.origin, dtype=np.intp)[positions]
        if len(factors) and set(factors) <= set(self.kept):
            others = np.setdiff1d(np.arange(len(self.names)), self.origin)
            mean = ground.T @ rows[:, others]
            rows = rows.copy()
            rows[:, others] -= ground @ mean
            shift[np.ix_(factors, others)] = -np.linalg.solve(triangle, mean)
        own = np.linalg.norm(rows, axis=0)
        rounding = own <= 10.0 * ROUNDED * length
        rows = np.where(rounding, 0.0, rows)
        length = np.where(rounding, np.where(length > 0.0, length, 1.0), own)
        depend = np.linalg.lstsq(rows[:, self.kept] / length[self.kept], rows / length)[0]
        depend[np.abs(depend) <= BEYOND] = 0.0
        return shift, length, depend

    def _gap(self, contrast: Floats) -> tuple[Floats, Floats]:
        """What each row asks of dropped columns beyond what their dependence dictates, (m, p_all),
        and the row's own size, (m,); both for covariates without their mean and columns scaled to
        one length."""
        shift, length, depend = self._centred
        asked = contrast @ shift / length
        size = np.maximum(np.abs(asked).max(axis=1, initial=0.0), 1e-300)
        return asked - asked[:, self.kept] @ depend, size

    def estimable_span(self, contrast: Floats) -> Floats:
        """Rows over the kept columns spanning those combinations of ``contrast`` that can be
        estimated: what the data can still say about a hypothesis."""
        gap, size = self._gap(contrast)
        left, values, _ = np.linalg.svd(gap / size[:, None])
        rank = int((values > BEYOND).sum())
        span = left[:, rank:].T @ (contrast / size[:, None])[:, self.kept]
        length = np.linalg.norm(self.rows[:, self.kept], axis=0)
        _, values, right = np.linalg.svd(span / length, full_matrices=False)
        if not len(values):
            return np.zeros((0, self.p))
        return np.asarray(right[values > BEYOND * max(1.0, float(values[0]))] * length)


def split_formula(formula: str) -> tuple[str, str]:
    if not isinstance(formula, str):
        raise MixedModelError(f"the formula must be text, not {type(formula).__name__}.")
    if "|" in formula:
        bars = re.findall(r"\(([^()]*\|[^()]*)\)", formula)
        rest = re.sub(r"\s*\+\s*\([^()]*\|[^()]*\)", "", formula).strip()
        rest = re.sub(r"~\s*\([^()]*\|[^()]*\)\s*\+?", "~", rest).strip()
        rest = f"{rest} 1" if rest.endswith("~") else rest
        call = f"'{rest}', {spelled(bars)}" if bars and "|" not in rest else "groups=['block']"
        raise MixedModelError(
            f"formula '{formula}' holds '|'; groupings are given beside the formula: {call}."
        )
    if re.search(r"(^|[\s~+*:])\.($|[\s+*:])", formula):
        raise MixedModelError(f"formula '{formula}' holds '.'; name the variables one by one.")
    if formula.count("~") != 1:
        raise MixedModelError(
            f"formula '{formula}' must read 'response ~ terms', with one '~', "
            "for example 'pods ~ variety'."
        )
    left, right = (side.strip() for side in formula.split("~"))
    if not left or not right:
        raise MixedModelError(f"formula '{formula}' lacks a side of the '~'.")
    return left, right


def make_response(expression: str, data: pd.DataFrame) -> Floats:
    """The response as floats; an expression such as ``log(yield_)`` is allowed."""
    if isinstance(data, pd.DataFrame) and len(data) == 0:
        raise MixedModelError("the data hold no records.")
    if expression.isidentifier() or expression in data.columns:
        return finite_numbers(column(data, expression, "response"), expression, "response")
    try:
        parsed = Formula(f"0 + {expression}")
        for name in sorted(parsed.required_variables):
            no_blanks(column(data, str(name), "response"), str(name), "response")
        with np.errstate(all="ignore"):
            matrix = parsed.get_model_matrix(data, na_action="ignore")
    except (FormulaicError, SyntaxError) as err:
        raise MixedModelError(f"response '{expression}' cannot be read: {_plain(err)}") from err
    if matrix.shape[1] != 1:
        raise MixedModelError(f"response '{expression}' must be one column of numbers.")
    values = np.asarray(matrix, dtype=np.float64)[:, 0]
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        raise MixedModelError(
            f"response '{expression}' is infinite or undefined in {len(bad)} of {len(values)} "
            f"records (first: record {bad[0]}). Correct or drop them."
        )
    return values


def make_fixed(expression: str, data: pd.DataFrame) -> FixedPart:
    """Build the fixed part from the right-hand side of a formula.

    Raises MixedModelError on unknown columns, blanks, infinite values, and a categorical
    variable with one level.
    """
    formula, variables = _read_formula(expression, data)
    plain = all(_is_lookup(str(f), variables) for term in formula for f in term.factors)
    source, codes = (
        _distinct(data, variables) if plain else (data, np.arange(len(data), dtype=np.intp))
    )
    source = plain_columns(source, variables)
    rows, spec = _evaluated(expression, formula, source)
    factors, factor_columns = _factor_levels(spec, source, variables)
    plain_terms = _without_covariates(spec, set(factor_columns.values()))
    positions, basis, triangle = independent_columns(rows, plain_terms)
    for name, levels in factors.items():
        if len(levels) < 2:
            raise MixedModelError(
                f"variable '{name}' has one level ('{levels[0]}'): there is nothing to compare. "
                "Leave it out of the formula."
            )
    _no_aliases(factors, source)
    covariates = {
        v: float(data[v].to_numpy(dtype=np.float64).mean()) for v in variables if v not in factors
    }
    return FixedPart(
        rows,
        codes,
        tuple(spec.column_names),
        positions,
        basis,
        triangle,
        spec,
        {str(t): list(i) for t, i in spec.term_indices.items()},
        factors,
        factor_columns,
        covariates,
        tuple(plain_terms),
    )


def _read_formula(expression: str, data: pd.DataFrame) -> tuple[Formula, list[str]]:
    """The formula, and the columns it reads, none of which holds a blank."""
    try:
        formula = Formula(expression)
        variables = _variables(formula, data)
    except (FormulaicError, SyntaxError) as err:
        raise MixedModelError(f"formula '{expression}' cannot be read: {_plain(err)}") from err
    if "offset" in variables and "offset" not in data.columns:
        raise MixedModelError(
            f"formula '{expression}' holds offset(...); give the column by name instead: "
            "offset='column' of fit_glmm."
        )
    for name in variables:
        values = column(data, name, "variable")
        if is_number(values):
            finite_numbers(values, name, "variable")
        else:
            no_blanks(values, name, "variable")
            _one_kind(values, name)
    return formula, variables


def _evaluated(expression: str, formula: Formula, data: pd.DataFrame) -> tuple[Floats, ModelSpec]:
    """The model matrix (rows of data, columns) and what it is made of."""
    try:
        with np.errstate(all="ignore"):
            matrix = formula.get_model_matrix(data, na_action="ignore")
    except (FormulaicError, ArithmeticError, LookupError, TypeError, ValueError) as err:
        hint = ""
        if "contr.custom" in expression or "{" in expression:
            hint = (
                " Contrasts of your own are lists with a number for each level, in the order of "
                "the levels: C(v, {'first against last': [1, 0, -1], ...})."
            )
        raise MixedModelError(
            f"formula '{expression}' cannot be evaluated: {_plain(err)}{hint}"
        ) from err
    rows = np.asarray(matrix, dtype=np.float64)
    if rows.shape[1] == 0:
        raise MixedModelError(f"formula '{expression}' has no fixed effect; write at least '1'.")
    if not np.isfinite(rows).all():
        named = zip(matrix.model_spec.column_names, rows.T, strict=True)
        bad = [n for n, c in named if not np.isfinite(c).all()]
        raise MixedModelError(f"fixed effects {', '.join(bad)} hold infinite or undefined values.")
    return rows, matrix.model_spec


def is_number(values: pd.Series) -> bool:
    """Whether a column is a covariate: numbers, but not yes/no."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def plain_columns(data: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """The columns as the formula library takes them: text and yes/no as objects, so that both are
    factors; pandas' own number types as plain numbers."""
    out = {}
    for name in names:
        values = data[name]
        if isinstance(values.dtype, pd.CategoricalDtype):
            out[name] = values
        elif pd.api.types.is_extension_array_dtype(values.dtype) and is_number(values):
            out[name] = values.astype(np.float64)
        elif pd.api.types.is_bool_dtype(values) or pd.api.types.is_extension_array_dtype(
            values.dtype
        ):
            out[name] = values.astype(object)
        else:
            out[name] = values
    return pd.DataFrame(out, index=data.index)


def _variables(formula: Formula, data: pd.DataFrame) -> list[str]:
    """The columns a formula reads, those inside transformations too."""
    names = {str(v) for v in formula.required_variables}
    for term in formula:
        for factor in term.factors:
            try:
                tree = ast.parse(str(factor), mode="eval")
            except SyntaxError:
                continue
            called = {id(n.func) for n in ast.walk(tree) if isinstance(n, ast.Call)}
            names |= {
                n.id
                for n in ast.walk(tree)
                if isinstance(n, ast.Name) and id(n) not in called and n.id in data.columns
            }
    return sorted(names)


def independent_columns(
    rows: Floats, origin: Sequence[int] = ()
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Gram-Schmidt, left to right, twice for accuracy; dependent columns are left out.

    origin: columns that say where the others' zero lies; how long another column is, is judged by
    what is left beside them.

    Returns the kept positions, an orthonormal basis (u, p) and the triangle (p, p) with
    rows[:, kept] = basis @ triangle.
    """
    u, p = rows.shape
    ground = independent_columns(rows[:, list(origin)])[1] if len(origin) else np.zeros((u, 0))
    lengths = np.linalg.norm(rows, axis=0)
    others = np.setdiff1d(np.arange(p), np.asarray(origin, dtype=np.intp))
    centred = lengths.copy()
    beside = rows[:, others] - ground @ (ground.T @ rows[:, others])
    centred[others] = np.linalg.norm(beside, axis=0)
    basis = np.empty((u, min(u, p)), order="F")
    triangle = np.zeros((p, p))
    positions: list[int] = []
    for j in range(p):
        x = rows[:, j].copy()
        r = len(positions)
        done = basis[:, :r]
        along = np.zeros(r)
        for _ in range(2):
            step = done.T @ x
            x -= done @ step
            along += step
        rest = float(np.linalg.norm(x))
        least = max(DEPENDENT * centred[j], ROUNDED * lengths[j])
        if lengths[j] == 0.0 or rest <= least or r == basis.shape[1]:
            continue
        basis[:, r] = x / rest
        triangle[:r, r] = along
        triangle[r, r] = rest
        positions.append(j)
    r = len(positions)
    return np.array(positions, dtype=np.intp), np.ascontiguousarray(basis[:, :r]), triangle[:r, :r]


def _without_covariates(spec: ModelSpec, categorical: set[str]) -> list[int]:
    """Columns of the terms that are made of factors alone, the constant too."""
    return [
        spec.column_names.index(name)
        for structure in spec.structure
        if {str(f) for f in structure.term.factors} <= categorical | {"1"}
        for name in structure.columns
    ]


def _plain(error: Exception) -> str:
    """A library's message on one line, without the marks of coloured text."""
    return " ".join(re.sub(r"[⧛⧚]|\x1b?\[[0-9;]*m", "", str(error)).split())


def _one_kind(values: pd.Series, name: str) -> None:
    """A column that is neither all numbers nor all labels is a slip of the keyboard."""
    if pd.api.types.is_datetime64_any_dtype(values) or pd.api.types.is_timedelta64_dtype(values):
        raise MixedModelError(
            f"variable '{name}' holds dates; turn it into a number (days since planting) "
            "or into text, if each date is a level of its own."
        )
    text = np.array([isinstance(v, str) for v in values]) if values.dtype == object else None
    if text is not None and text.any() and not text.all():
        first = int(np.flatnonzero(text)[0]) if text.sum() * 2 <= len(text) else int(text.argmin())
        raise MixedModelError(
            f"variable '{name}' mixes numbers and text (record {first} holds "
            f"'{values.iloc[first]}'). Make it all numbers, or all text."
        )


def _no_aliases(factors: dict[str, pd.Index], data: pd.DataFrame) -> None:
    """Two factors that split the records alike cannot be told apart."""
    names = list(factors)
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            if len(factors[a]) == len(factors[b]) == len(data[[a, b]].drop_duplicates()):
                raise MixedModelError(
                    f"variables '{a}' and '{b}' are aliased: they split the records in "
                    "exactly the same way. Keep one of them in the formula."
                )


def _is_lookup(factor: str, variables: list[str]) -> bool:
    """Whether a factor depends on its own record alone: a column, or C(column ...)."""
    text = factor.strip()
    if text in {"1", "0"} or text.strip("`") in variables:
        return True
    return text.startswith("C(") and text.count("(") == text.count(")")


def _distinct(data: pd.DataFrame, variables: list[str]) -> tuple[pd.DataFrame, Codes]:
    """The distinct combinations of the variables and each record's combination number; every
    record its own where most are distinct."""
    n = len(data)
    if not variables:
        return data.iloc[:1], np.zeros(n, dtype=np.intp)
    codes = np.zeros(n, dtype=np.intp)
    for name in variables:
        part, levels = pd.factorize(data[name], sort=False)
        if len(levels) * 2 > n:
            return data, np.arange(n, dtype=np.intp)
        if name == variables[0]:
            codes = part.astype(np.intp)
            continue
        merged_codes, merged_levels = pd.factorize(codes * len(levels) + part, sort=False)
        codes = merged_codes.astype(np.intp)
        if len(merged_levels) * 2 > n:
            return data, np.arange(n, dtype=np.intp)
    first = np.full(int(codes.max()) + 1, -1, dtype=np.intp)
    first[codes[::-1]] = np.arange(n - 1, -1, -1)
    return data[variables].iloc[first].reset_index(drop=True), codes


def _factor_levels(
    spec: ModelSpec, data: pd.DataFrame, variables: list[str]
) -> tuple[dict[str, pd.Index], dict[str, str]]:
    """Which variables the formula treats as categorical, and their levels."""
    factors: dict[str, pd.Index] = {}
    written: dict[str, str] = {}
    for expression, (kind, _) in spec.encoder_state.items():
        if "CATEGORICAL" not in str(kind).upper():
            continue
        inner = expression.strip()
        if inner.startswith("C("):
            inner = inner[2:-1].split(",")[0].strip()
        name = inner.strip("`")
        if name in variables:
            factors[name] = pd.Index(pd.factorize(data[name], sort=True)[1])
            written[name] = expression
    return factors, written


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
#
# Factors of the term enter by differences, factors outside it by equal weights over their levels
# (Searle 1987, Linear Models for Unbalanced Data); columns of the term's covariates by their own
# coefficients, one by one; covariates outside it at their mean, so that no shift or scale of a
# covariate changes a test.  It is worked out from the terms' structure, never from the values of
# a covariate, which may be zero where it is looked at.
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
        for j, own_column in enumerate(columns):
            numbers = own_column.covariates
            if all(numbers.get(e) == i for e, i in wanted.items()):
                others = [elsewhere[e][i] for e, i in numbers.items() if e not in wanted]
                table[:, j] = own_column.codes * np.prod(others)
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
