"""Separation: effects that no finite number fits, and the model that is left without them.

Where the fixed effects can tell apart records that are all at the lowest (or highest) value, as a
variety whose every count is zero, the likelihood rises for ever in some direction d of the fixed
effects: x'd <= 0 for records at the lowest value, >= 0 for those at the highest, 0 for all others
(Albert & Anderson 1984, Biometrika 71:1; for counts Correia, Guimaraes & Zylkin 2020, Stata J.
20:95).  The records with x'd not zero are then fitted perfectly and drop out; all the others say
is said by the model without them, the limiting conditional model (Geyer 2009, Electron. J. Stat.
3:259).  The directions are found by linear programming (Konis 2007, thesis, Oxford).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse, special
from scipy.optimize import linprog

from trialkit.mixed.crossproducts import RandomPart
from trialkit.mixed.fixed import FixedPart, independent_columns
from trialkit.mixed.grouping import Codes, Floats

ZERO = 1e-8
STEPS = 30
FAR = 25.0
"""Steps, and how far a logistic fit of the ends may go, before linear programming is asked."""


@dataclass(frozen=True)
class Ends:
    """What each distinct row of the model matrix holds: only records at the lowest value,
    only records at the highest, or neither; (u,) each."""

    lowest: NDArray[np.bool_]
    highest: NDArray[np.bool_]

    @classmethod
    def of(cls, codes: Codes, rows: int, lowest: NDArray[np.bool_], highest: NDArray[np.bool_]
           ) -> Ends:  # fmt: skip
        """From the records' own ends (n,) and the row each belongs to."""
        size = np.bincount(codes, minlength=rows)
        low = np.bincount(codes[lowest], minlength=rows)
        high = np.bincount(codes[highest], minlength=rows)
        return cls((low == size) & (size > 0), (high == size) & (size > 0))


@dataclass(frozen=True)
class Separation:
    """The separated rows of a design, and the directions they run off in.

    rows (u,): the distinct rows fitted perfectly.  null (p, q): an orthonormal basis of the
    directions of the fixed effects, on the design's working basis, that the other rows say nothing
    of.  inequalities (m, q): the separated rows in it, signed so that a direction c which the
    likelihood rises in has inequalities @ c <= 0.
    """

    rows: NDArray[np.bool_]
    null: Floats
    inequalities: Floats

    def sign(self, contrast: Floats) -> Floats:
        """Where each contrast (m, p), on the working basis, ends up: 0 finite, -1 and 1 at minus
        and plus infinity, NaN anywhere, as the records say nothing of it."""
        out = np.zeros(len(contrast))
        for i, row in enumerate(contrast @ self.null):
            if np.abs(row).max(initial=0.0) <= ZERO * max(1.0, float(np.abs(contrast[i]).max())):
                continue
            up, down = self._reach(row), self._reach(-row)
            out[i] = np.nan if up and down else 1.0 if up else -1.0
        return out

    def _reach(self, row: Floats) -> bool:
        """Whether some direction the likelihood rises in raises the contrast."""
        bounds = np.concatenate([np.zeros(len(self.inequalities)), np.ones(len(self.inequalities))])
        both = np.vstack([self.inequalities, -self.inequalities])
        best = linprog(-row, A_ub=both, b_ub=bounds, bounds=(None, None), method="highs")
        return bool(best.status != 0 or float(best.fun or 0.0) < -ZERO)


def _balanced(signed: Floats) -> bool:
    """Whether positive weights bring the rows (m, q) to nothing, so that no direction c has
    signed @ c <= 0 with one below zero (Farkas).  The slopes of sum log(1 + exp(signed @ c)) at
    its least are such weights; where it has no least, Newton's steps do not shrink."""
    c = np.zeros(signed.shape[1])
    for _ in range(STEPS):
        share = special.expit(signed @ c)
        slope = signed.T @ share
        bend = (signed * (share * (1.0 - share))[:, None]).T @ signed
        try:
            step = np.linalg.solve(bend, slope)
        except np.linalg.LinAlgError:
            return False
        moved = float(np.abs(signed @ step).max())
        c = c - step
        if not np.isfinite(moved) or np.abs(signed @ c).max() > FAR:
            return False
        if moved < 1e-7:
            return True
    return False


def find_separation(rows: Floats, ends: Ends) -> Separation | None:
    """The separated rows of a design (u, p) of orthonormal or well-conditioned columns."""
    at_end = ends.lowest | ends.highest
    if not at_end.any() or not rows.shape[1]:
        return None
    inside = rows[~at_end]
    values, vectors = np.linalg.eigh(inside.T @ inside)
    whole, _ = np.linalg.eigh(rows.T @ rows)
    free = vectors[:, values <= ZERO * max(float(whole[-1]), 1e-300)]
    if not free.shape[1]:
        return None
    signed = np.where(ends.lowest, 1.0, -1.0)[at_end][:, None] * (rows[at_end] @ free)
    signed[np.abs(signed) <= ZERO] = 0.0
    if _balanced(signed):
        return None
    m, q = signed.shape
    # z <= -signed c, 0 <= z <= 1: the largest sum of z has z = 1 wherever a row can be separated
    wide: list[Any] = [sparse.csr_matrix(signed), sparse.eye(m)]
    table: Any = sparse.csc_matrix(sparse.hstack(wide))
    cost = np.concatenate([np.zeros(q), -np.ones(m)])
    limits: list[tuple[float | None, float | None]] = [(None, None)] * q + [(0.0, 1.0)] * m
    best = linprog(cost, A_ub=table, b_ub=np.zeros(m), bounds=limits, method="highs")
    if best.status != 0 or best.x is None:
        return None
    apart = best.x[q:] > 0.5
    if not apart.any():
        return None
    separated = np.zeros(len(rows), dtype=bool)
    separated[np.flatnonzero(at_end)[apart]] = True
    rest = rows[~separated]
    values, vectors = np.linalg.eigh(rest.T @ rest)
    null = vectors[:, values <= ZERO * max(float(whole[-1]), 1e-300)]
    return Separation(
        separated, null,
        np.where(ends.lowest, 1.0, -1.0)[separated][:, None] * (rows[separated] @ null),
    )


@dataclass(frozen=True)
class Remaining:
    """A model without some of its records.

    records (n,): those it keeps.  part, random: its fixed part and groupings.  levels: for each
    grouping of ``random``, the whole model's numbers of its levels.
    """

    records: NDArray[np.bool_]
    part: FixedPart
    random: RandomPart
    levels: tuple[Codes, ...]


def without(part: FixedPart, random: RandomPart, records: NDArray[np.bool_]) -> Remaining:
    """The model of the records (n,) that are not left out; levels without a record go."""
    used, codes = np.unique(part.codes[records], return_inverse=True)
    rows = part.rows[used]
    kept, basis, triangle = independent_columns(rows)
    smaller = replace(part, rows=rows, codes=codes.astype(np.intp).reshape(-1), kept=kept,
                      basis=basis, triangle=triangle)  # fmt: skip
    groupings, levels = {}, {}
    for g in random.groupings:
        seen, own = np.unique(g.codes[records], return_inverse=True)
        values = tuple(None if v is None else v[records] for v in g.values)
        groupings[g.name] = replace(g, levels=g.levels[seen], codes=own.reshape(-1), values=values)
        levels[g.name] = seen
    left = RandomPart(tuple(groupings.values()), keep_pairs=random.keep_pairs)
    return Remaining(records, smaller, left, tuple(levels[g.name] for g in left.groupings))


def separated_levels(
    factors: Iterable[str], data: pd.DataFrame, apart: NDArray[np.bool_]
) -> tuple[str, ...]:
    """The levels of the factors, or else the pairs of levels, of which every record is separated:
    "variety Birch", "variety Birch with site low".  apart: (n,)."""
    single, double = [], []
    names = list(factors)
    for name in names:
        whole = pd.Series(apart).groupby(data[name].to_numpy()).all()
        single += [f"{name} {level}" for level in whole.index[whole.to_numpy()]]
    for left, right in itertools.combinations(names, 2):
        keys = [data[left].to_numpy(), data[right].to_numpy()]
        whole = pd.Series(apart).groupby(keys).all()
        for a, b in whole.index[whole.to_numpy()]:
            if f"{left} {a}" not in single and f"{right} {b}" not in single:
                double.append(f"{left} {a} with {right} {b}")
    return (*single, *double)
