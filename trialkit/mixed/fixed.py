"""The fixed part: a Wilkinson formula made into a full-rank design matrix.

The formula library does the parsing and coding (Wilkinson & Rogers 1973, Appl. Stat.
22:392).  Two things are added here.  Records with the same values of the formula's
variables share a row, so the matrix has as many rows as there are distinct
combinations (``rows``) and each record carries the number of its row (``codes``).  And
columns that depend linearly on earlier ones are dropped by name, with the basis of the
row space kept so that every later question can be checked for estimability (Searle
1971, Linear Models, ch. 5: L is estimable if L = L X^- X).
"""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula
from formulaic.errors import FormulaicError
from numpy.typing import NDArray

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Codes, Floats, column, finite_numbers, no_blanks

# A column is dependent on earlier ones when less than this part of its length is new
# (the tolerance general statistics packages use in their linear models).
DEPENDENT = 1e-7
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
    """

    rows: Floats
    codes: Codes
    names: tuple[str, ...]
    kept: NDArray[np.intp]
    basis: Floats
    triangle: Floats
    spec: Any
    terms: dict[str, list[int]]
    factors: dict[str, pd.Index]
    factor_columns: dict[str, str]
    covariates: dict[str, float]

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

    def _gap(self, contrast: Floats) -> tuple[Floats, Floats]:
        """What each row asks of dropped columns beyond what their dependence dictates, (m, p_all),
        and the row's own size, (m,); both for columns scaled to one length."""
        length = np.linalg.norm(self.rows, axis=0)
        length[length == 0.0] = 1.0
        # every column as a combination of the kept ones: rows = rows[:, kept] @ depend; what is
        # below the tolerance at which columns are dropped is no dependence
        depend = np.linalg.solve(self.triangle, self.basis.T @ self.rows)
        scaled = depend * length[self.kept][:, None] / length
        scaled[np.abs(scaled) <= BEYOND] = 0.0
        asked = contrast / length
        size = np.maximum(np.abs(asked).max(axis=1, initial=0.0), 1e-300)
        return asked - asked[:, self.kept] @ scaled, size

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
        raise MixedModelError(
            f"formula '{formula}' holds '|'; random effects are given by groups and slopes, "
            "for example groups=['block']."
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
    try:
        formula = Formula(expression)
        variables = _variables(formula, data)
    except (FormulaicError, SyntaxError) as err:
        raise MixedModelError(f"formula '{expression}' cannot be read: {_plain(err)}") from err
    for name in variables:
        values = column(data, name, "variable")
        if is_number(values):
            finite_numbers(values, name, "variable")
        else:
            no_blanks(values, name, "variable")
            _one_kind(values, name)
    plain = all(_is_lookup(str(f), variables) for term in formula for f in term.factors)
    source, codes = _distinct(data, variables) if plain else (data, None)
    source = plain_columns(source, variables)
    try:
        with np.errstate(all="ignore"):
            matrix = formula.get_model_matrix(source, na_action="ignore")
    except FormulaicError as err:
        raise MixedModelError(f"formula '{expression}' cannot be evaluated: {_plain(err)}") from err
    spec = matrix.model_spec
    rows = np.asarray(matrix, dtype=np.float64)
    if rows.shape[1] == 0:
        raise MixedModelError(f"formula '{expression}' has no fixed effect; write at least '1'.")
    if not np.isfinite(rows).all():
        bad = [
            n for n, c in zip(spec.column_names, rows.T, strict=True) if not np.isfinite(c).all()
        ]
        raise MixedModelError(f"fixed effects {', '.join(bad)} hold infinite or undefined values.")
    if codes is None:
        codes = np.arange(len(data), dtype=np.intp)
    positions, basis, triangle = independent_columns(rows)
    factors, factor_columns = _factor_levels(spec, source, variables)
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
    )


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
        elif pd.api.types.is_bool_dtype(values) or isinstance(values.dtype, pd.StringDtype):
            out[name] = values.astype(object)
        elif pd.api.types.is_extension_array_dtype(values.dtype) and is_number(values):
            out[name] = values.astype(np.float64)
        else:
            out[name] = values
    return pd.DataFrame(out, index=data.index)


def _variables(formula: Any, data: pd.DataFrame) -> list[str]:
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


def independent_columns(rows: Floats) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Gram-Schmidt, left to right, twice for accuracy; dependent columns are left out.

    Returns the kept positions, an orthonormal basis (u, p) and the triangle (p, p) with
    rows[:, kept] = basis @ triangle.
    """
    u, p = rows.shape
    basis = np.empty((u, min(u, p)), order="F")
    triangle = np.zeros((p, p))
    positions: list[int] = []
    for j in range(p):
        x = rows[:, j].copy()
        length = float(np.linalg.norm(x))
        r = len(positions)
        done = basis[:, :r]
        along = np.zeros(r)
        for _ in range(2):
            step = done.T @ x
            x -= done @ step
            along += step
        rest = float(np.linalg.norm(x))
        if length == 0.0 or rest <= DEPENDENT * length or r == basis.shape[1]:
            continue
        basis[:, r] = x / rest
        triangle[:r, r] = along
        triangle[r, r] = rest
        positions.append(j)
    r = len(positions)
    return np.array(positions, dtype=np.intp), np.ascontiguousarray(basis[:, :r]), triangle[:r, :r]


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


def _distinct(data: pd.DataFrame, variables: list[str]) -> tuple[pd.DataFrame, Codes | None]:
    """The distinct combinations of the variables and each record's combination number."""
    n = len(data)
    if not variables:
        return data.iloc[:1], np.zeros(n, dtype=np.intp)
    codes = np.zeros(n, dtype=np.intp)
    for name in variables:
        part, levels = pd.factorize(data[name], sort=False)
        if len(levels) * 2 > n:
            return data, None
        merged = codes * len(levels) + part
        merged_codes, merged_levels = pd.factorize(merged, sort=False)
        codes = merged_codes.astype(np.intp)
        if len(merged_levels) * 2 > n:
            return data, None
    first = np.full(int(codes.max()) + 1, -1, dtype=np.intp)
    first[codes[::-1]] = np.arange(n - 1, -1, -1)
    return data[variables].iloc[first].reset_index(drop=True), codes


def _factor_levels(
    spec: Any, data: pd.DataFrame, variables: list[str]
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
