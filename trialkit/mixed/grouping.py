"""Grouping factors: which records share a random effect, and with which columns.

A grouping is one random-effects term: an intercept a level, and where slopes are
asked for, the named numeric columns beside it.  ``"a:b"`` is the interaction factor
of two columns.  Whether factors are nested or crossed is never declared; it shows
in the cross-products.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.errors import MixedModelError

Floats = NDArray[Any]
Codes = NDArray[np.intp]

# A slope's column whose mean is this many of its standard deviations from zero is centred
FAR = 20.0
# A search among factors with this many levels or more is told how differently they are known
MANY = 500


@dataclass(frozen=True)
class Grouping:
    """One random-effects term.

    ``codes`` (n,) holds the level number of each record, ``columns`` the names of the
    k effects a level has (``"Intercept"`` first), ``values`` their values, one array
    (n,) a column, or None for the constant 1.

    ``shared``: with it the k effects are independent, and each tuple of columns has one
    variance in common; without it their covariance (k, k) is free.

    ``centres``: what ``values`` had taken off, a number a column, where a slope's column lies so
    far from zero that the intercept there is all but a multiple of the slope.
    """

    name: str
    levels: pd.Index
    codes: Codes
    columns: tuple[str, ...]
    values: tuple[Floats | None, ...]
    shared: tuple[tuple[int, ...], ...] = ()
    centres: tuple[float, ...] = ()

    @cached_property
    def outward(self) -> Floats:
        """T (k, k): effects as they are told, T b, from effects b of the centred ``values``."""
        turn = np.eye(self.k)
        if self.centres:
            turn[0, 1:] = -np.array(self.centres[1:])
        return turn

    @cached_property
    def parameters(self) -> tuple[tuple[tuple[int, int], ...], ...]:
        """The entries (a, b), a >= b, of the covariance that each variance parameter fills."""
        if self.shared:
            return tuple(tuple((a, a) for a in columns) for columns in self.shared)
        return tuple(((a, b),) for a in range(self.k) for b in range(a + 1))

    @cached_property
    def n_levels(self) -> int:
        return len(self.levels)

    @cached_property
    def k(self) -> int:
        return len(self.columns)

    @cached_property
    def size(self) -> int:
        return self.n_levels * self.k


def column(data: pd.DataFrame, name: str, role: str) -> pd.Series:
    """A column of the data, or an error that names the nearest column there is."""
    if not isinstance(data, pd.DataFrame):
        raise MixedModelError(f"the data must be a pandas DataFrame, not {type(data).__name__}.")
    if name not in data.columns:
        near = difflib.get_close_matches(name, [str(c) for c in data.columns], n=1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        have = ", ".join(str(c) for c in data.columns)
        raise MixedModelError(
            f"{role} '{name}' is not a column of the data.{hint} Columns: {have}."
        )
    values = data[name]
    if isinstance(values, pd.DataFrame):
        raise MixedModelError(f"{role} '{name}' stands for {values.shape[1]} columns; rename one.")
    return values


def no_blanks(values: pd.Series, name: str, role: str) -> None:
    blank = values.isna().to_numpy()
    if blank.any():
        first = int(np.flatnonzero(blank)[0])
        raise MixedModelError(
            f"{role} '{name}' is blank in {int(blank.sum())} of {len(values)} records "
            f"(first: record {first}). Drop those records or fill them in; "
            "a blank is never taken as zero."
        )


def finite_numbers(values: pd.Series, name: str, role: str) -> Floats:
    """A numeric column as floats; blank, text or infinite values are an error."""
    no_blanks(values, name, role)
    if not pd.api.types.is_numeric_dtype(values) or pd.api.types.is_complex_dtype(values):
        text = [v for v in values if isinstance(v, str)]
        example = f", such as '{text[0]}'" if text else ""
        raise MixedModelError(
            f"{role} '{name}' must hold numbers; it holds {values.dtype}{example}."
        )
    out = values.to_numpy(dtype=np.float64)
    bad = ~np.isfinite(out)
    if bad.any():
        first = int(np.flatnonzero(bad)[0])
        raise MixedModelError(
            f"{role} '{name}' is infinite in {int(bad.sum())} of {len(values)} records "
            f"(first: record {first}). "
            "Correct or drop them."
        )
    return out


def numbers_of(
    source: str | Floats | None, data: pd.DataFrame, role: str
) -> tuple[Floats | None, str]:
    """A column by name, or one number a record, as floats; and what to call it in messages."""
    if source is None:
        return None, role
    if isinstance(source, str):
        return finite_numbers(column(data, source, role), source, role), f"{role} '{source}'"
    values = pd.Series(np.asarray(source).reshape(-1))
    if len(values) != len(data):
        raise MixedModelError(f"{role} has {len(values)} values for {len(data)} records.")
    return finite_numbers(values, role, role), role


def factor_codes(data: pd.DataFrame, name: str) -> tuple[Codes, pd.Index]:
    """Level numbers and sorted levels of a column or of an ``a:b`` interaction."""
    parts = [name] if name in data.columns else name.split(":")
    codes: Codes | None = None
    levels = pd.Index([])
    for part in parts:
        values = column(data, part.strip(), "grouping factor")
        no_blanks(values, part.strip(), "grouping factor")
        part_codes, part_levels = pd.factorize(values, sort=True)
        part_index = pd.Index(part_levels)
        if codes is None:
            codes, levels = part_codes.astype(np.intp), part_index
            continue
        both = codes * len(part_index) + part_codes
        seen, packed = np.unique(both, return_inverse=True)
        left, right = np.divmod(seen, len(part_index))
        outer, inner = levels.tolist(), part_index.tolist()
        levels = pd.Index([f"{outer[i]}:{inner[j]}" for i, j in zip(left, right, strict=True)])
        codes = packed.astype(np.intp).reshape(-1)
    if codes is None:
        raise MixedModelError(f"grouping factor '{name}' names no column.")
    return codes, levels


def nested(groups: Sequence[str], data: pd.DataFrame) -> list[str]:
    """``"a/b/c"`` as ``"a"``, ``"a:b"``, ``"a:b:c"``; a column of that very name is one factor."""
    out: list[str] = []
    for name in groups:
        parts = [name] if name in data.columns else [p.strip() for p in name.split("/")]
        out += [":".join(parts[: i + 1]) for i in range(len(parts))]
    return out


def spelled(terms: Sequence[str]) -> str:
    """The arguments that say what terms with a bar mean, as a call holds them: of ``"0 + days |
    plot"``, ``slopes={'plot': ['0', 'days']}``; two bars leave the covariance out."""
    groups: list[str] = []
    slopes: dict[str, list[str]] = {}
    free: list[str] = []
    whole: set[str] = set()
    for term in terms:
        left, bar, factor = re.sub(r"^\((.*)\)$", r"\1", term.strip()).partition("|")
        if not bar:
            groups.append(term)
            continue
        parts = [x.strip() for x in re.sub(r"-\s*1\b", "+ 0", left).split("+")]
        named = [x for x in parts if x not in {"", "0", "1"}]
        for name in nested([factor.lstrip("|").strip()], pd.DataFrame()):
            if "0" not in parts:
                whole.add(name)
            if not named:
                groups.append(name)
                continue
            slopes[name] = slopes.get(name, []) + named
            if factor.startswith("|"):
                free.append(name)
    bare = {name for name, _ in slopes.items() if name not in whole}
    # an intercept in one term and slopes in another have no covariance
    free += [n for n in slopes if n in groups and n not in free]
    groups = [g for g in dict.fromkeys(groups) if g not in slopes]
    beside = {name: ["0", *named] if name in bare else named for name, named in slopes.items()}
    pieces = {"groups": groups, "slopes": beside, "uncorrelated": free}
    return ", ".join(f"{name}={value}" for name, value in pieces.items() if value)


def make_groupings(
    data: pd.DataFrame,
    groups: Sequence[str],
    slopes: Mapping[str, Sequence[str]] | None,
    *,
    saturated: bool,
    uncorrelated: Sequence[str] = (),
) -> tuple[Grouping, ...]:
    """Read the grouping factors of ``groups`` and ``slopes`` from the data.

    ``"a/b"`` stands for ``"a"`` and ``"a:b"``, b within a.  The effects of a level of the factors
    in ``uncorrelated`` have a variance each and no covariance; slopes that begin with ``"0"`` come
    without an intercept.

    ``saturated`` allows a factor with as many effects as records (a count model or a
    known residual scale can tell the two apart; an unknown residual cannot).

    Raises MixedModelError on unknown columns, blanks, a factor with one level, a factor
    that the residual already stands for, and two factors that group records alike.
    """
    slopes = dict(slopes or {})
    _check_named(data, groups, slopes, uncorrelated)
    whole = nested(groups, data)
    n = len(data)
    made: list[Grouping] = []
    for name in dict.fromkeys([*whole, *slopes]):
        grouping = _grouping(data, name, tuple(slopes.get(name, ())), name in whole,
                             name in uncorrelated)  # fmt: skip
        if grouping.n_levels < 2:
            raise MixedModelError(
                f"grouping factor '{name}' has one level ('{grouping.levels[0]}'): no variance "
                "between levels can be seen. Leave it out of groups."
            )
        if not saturated and grouping.size >= n:
            raise MixedModelError(
                f"grouping factor '{name}' has {grouping.size} effects for {n} records, so it "
                "cannot be told from the residual. Leave it out of groups."
            )
        for other in made:
            if _same_partition(grouping, other):
                raise MixedModelError(
                    f"grouping factors '{other.name}' and '{name}' are aliased: they group the "
                    "records in exactly the same way. Keep one of them."
                )
        made.append(grouping)
    return tuple(made)


def _check_named(
    data: pd.DataFrame, groups: Sequence[str], slopes: Mapping[str, Sequence[str]],
    uncorrelated: Sequence[str],
) -> None:  # fmt: skip
    """Raise MixedModelError unless the arguments are lists of names."""
    if not isinstance(groups, str | list | tuple) or any(not isinstance(g, str) for g in groups):
        raise MixedModelError(
            "groups names columns of the data: write ['plot'] for the column 'plot', not its "
            "values."
        )
    barred = [g for g in groups if "|" in g and g not in data.columns] if groups else []
    if barred and not isinstance(groups, str):
        raise MixedModelError(
            f"groups holds '{barred[0]}'; slopes are given beside it: {spelled(groups)}."
        )
    for terms, what in [(groups, "groups"), *((s, f"slopes of '{g}'") for g, s in slopes.items())]:
        if isinstance(terms, str):
            raise MixedModelError(f"{what} must be a list of names: write ['{terms}'].")
    if isinstance(uncorrelated, str):
        raise MixedModelError(f"uncorrelated must be a list of names: write ['{uncorrelated}'].")
    alone = sorted(set(uncorrelated) - set(slopes))
    if alone:
        raise MixedModelError(f"uncorrelated names '{alone[0]}', which has no slopes.")


def _grouping(
    data: pd.DataFrame, name: str, slopes: tuple[str, ...], whole: bool, uncorrelated: bool
) -> Grouping:
    """One factor with its columns; whole: groups names it too."""
    codes, levels = factor_codes(data, name)
    bare = slopes[:1] == ("0",)
    slopes = slopes[1:] if bare else slopes
    if bare and (whole or not slopes):
        raise MixedModelError(
            f"slopes of '{name}' leave its intercept out, and groups puts it in: take "
            f"'{name}' out of groups, or '0' out of slopes (with uncorrelated=['{name}'] the "
            "two have no covariance)."
            if slopes
            else f"slopes of '{name}' name no column beside '0'."
        )
    values: list[Floats | None] = [] if bare else [None]
    for slope in slopes:
        x = finite_numbers(column(data, slope, "slope"), slope, "slope")
        if np.ptp(x) == 0.0:
            raise MixedModelError(
                f"slope '{slope}' is {x[0]:g} in every record, so '{name}' can have no slope "
                "in it. Leave it out of slopes."
            )
        values.append(x)
    if len(set(slopes)) < len(slopes):
        raise MixedModelError(f"slopes of '{name}' name a column twice: {', '.join(slopes)}.")
    shared = tuple((a,) for a in range(len(values))) if uncorrelated else ()
    centres = () if bare or shared else _centres(values)
    if centres:
        values = [x if x is None else x - c for x, c in zip(values, centres, strict=True)]
    columns = slopes if bare else ("Intercept", *slopes)
    return Grouping(name, levels, codes, columns, tuple(values), shared, centres)


def _centres(values: Sequence[Floats | None]) -> tuple[float, ...]:
    """The slopes' means where one lies `FAR` of its own spreads from zero or more; else none."""
    means = [0.0 if x is None else float(x.mean()) for x in values]
    far = [x is not None and abs(m) > FAR * float(x.std())
           for x, m in zip(values, means, strict=True)]  # fmt: skip
    return tuple(means) if any(far) else ()


def _same_partition(left: Grouping, right: Grouping) -> bool:
    if left.n_levels != right.n_levels:
        return False
    pairs = np.unique(left.codes * right.n_levels + right.codes)
    return len(pairs) == left.n_levels


# ------------------------------------------------------------------------------------------------
# The lower triangles L_f of all groupings as one vector, scaled for a search.
# ------------------------------------------------------------------------------------------------

class Triangles:
    """Packs one (k, k) triangle a grouping into a vector, a number a variance parameter.

    Row i of L_f is divided by scale_f[i]; columns with a variance in common have one scale.
    """

    def __init__(self, groupings: Sequence[Grouping], scales: Sequence[Floats]) -> None:
        self.groupings, self.scales = tuple(groupings), list(scales)
        self.shapes = [
            [tuple(np.array(entries).T) for entries in g.parameters] for g in self.groupings
        ]
        self.size = sum(len(shape) for shape in self.shapes)

    def pack(self, factors: Sequence[Floats]) -> Floats:
        parts = [
            f[i[0], j[0]] / scale[i[0]]
            for f, scale, shape in zip(factors, self.scales, self.shapes, strict=True)
            for i, j in shape
        ]
        return np.array(parts, dtype=np.float64)

    def unpack(self, x: Floats) -> list[Floats]:
        """The triangles from the head of a vector; what follows them is left alone."""
        out, at = [], 0
        for g, scale, shape in zip(self.groupings, self.scales, self.shapes, strict=True):
            factor = np.zeros((g.k, g.k))
            for i, j in shape:
                factor[i, j] = x[at] * scale[i]
                at += 1
            out.append(factor)
        return out

    def gradient(self, in_factors: Sequence[Floats]) -> Floats:
        """Derivatives in the vector from those in each L_f."""
        parts = [
            float(d[i, j] @ scale[i])
            for d, scale, shape in zip(in_factors, self.scales, self.shapes, strict=True)
            for i, j in shape
        ]
        return np.array(parts, dtype=np.float64)

    def first_steps(self, x: Floats) -> Floats:
        """The inverse curvature of -2 log likelihood to be expected at x before any is seen.

        q levels seen without error, of sum of squares S, give 2 q log s + S / s^2 of their standard
        deviation s, with the second derivative 4 q / s^2 at the least: a factor of few levels bends
        it no more however many records there are.  Half of that is taken, as levels are not seen
        without error, and s no smaller than twice where a grouping starts to matter; with fewer
        than MANY levels the steps are few anyhow, and 1 serves (own choices)."""
        q = np.array([g.n_levels for g, i in zip(self.groupings, self.shapes, strict=True)
                      for _ in i], dtype=np.float64)  # fmt: skip
        if q.max(initial=0.0) < MANY:
            return np.ones(len(x))
        return np.asarray(np.maximum(np.abs(x), 2.0) ** 2 / (2.0 * q))

    def columns(self) -> list[list[int]]:
        """Positions in the vector of each column of each triangle, last column first; a variance
        that several columns share is one of its own."""
        out, start = [], 0
        for shape in self.shapes:
            firsts = [int(j[0]) for _, j in shape]
            for column in sorted(set(firsts), reverse=True):
                out.append([start + at for at, j in enumerate(firsts) if j == column])
            start += len(shape)
        return out
