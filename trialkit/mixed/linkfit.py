"""Fits on a link scale (counts, yes/no, scores): their degrees of freedom, and what can be said of
effects that no finite number fits.

A contrast at infinity has no standard error.  What the records say of it is the profile of the
likelihood, that is its greatest value as the contrast is held, over its greatest value at all.
Let D be twice the fall of its logarithm.  The tail taken is the greater of

  exp(-D / 2)          of plain counts (Poisson, binomial) the exact conditional chance of records
                       as extreme (Przyborowski & Wilenski 1940, Biometrika 31:313, for two
                       Poisson counts; Clopper & Pearson 1934, Biometrika 26:404, for shares)
  P(T > sqrt(D))       the signed root of the likelihood ratio on the contrast's degrees of
                       freedom (Barndorff-Nielsen & Cox 1994, section 3.4)

p is twice the tail, a limit lies where the tail is half of what the level leaves.
"""

from __future__ import annotations

import itertools
from abc import abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, sparse, special, stats
from scipy.optimize import linprog

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import RandomPart
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.fixed import FixedPart, independent_columns
from trialkit.mixed.grouping import Codes, Floats
from trialkit.mixed.inference import at_infinity
from trialkit.mixed.smallsample import between_within

# ------------------------------------------------------------------------------------------------
# Separation: effects that no finite number fits, and the model that is left without them.
#
# Where the fixed effects can tell apart records that are all at the lowest (or highest) value, as a
# variety whose every count is zero, the likelihood rises for ever in some direction d of the fixed
# effects: x'd <= 0 for records at the lowest value, >= 0 for those at the highest, 0 for all others
# (Albert & Anderson 1984, Biometrika 71:1; for counts Correia, Guimaraes & Zylkin 2020, Stata J.
# 20:95).  The records with x'd not zero are then fitted perfectly and drop out; all the others say
# is said by the model without them, the limiting conditional model (Geyer 2009, Electron. J. Stat.
# 3:259).  The directions are found by linear programming (Konis 2007, thesis, Oxford).
# ------------------------------------------------------------------------------------------------

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
    beyond = best.x[q:] > 0.5
    if not beyond.any():
        return None
    separated = np.zeros(len(rows), dtype=bool)
    separated[np.flatnonzero(at_end)[beyond]] = True
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
    positions, basis, triangle = independent_columns(rows)
    smaller = replace(part, rows=rows, codes=codes.astype(np.intp).reshape(-1), kept=positions,
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
    factors: Iterable[str], data: pd.DataFrame, records: NDArray[np.bool_]
) -> tuple[str, ...]:
    """The levels of the factors, or else the pairs of levels, of which every record is separated:
    "variety Birch", "variety Birch with site low".  records: (n,), which are."""
    single, double = [], []
    names = list(factors)
    for name in names:
        whole = pd.Series(records).groupby(data[name].to_numpy()).all()
        single += [f"{name} {level}" for level in whole.index[whole.to_numpy()]]
    for left, right in itertools.combinations(names, 2):
        keys = [data[left].to_numpy(), data[right].to_numpy()]
        whole = pd.Series(records).groupby(keys).all()
        for a, b in whole.index[whole.to_numpy()]:
            if f"{left} {a}" not in single and f"{right} {b}" not in single:
                double.append(f"{left} {a} with {right} {b}")
    return (*single, *double)


# ------------------------------------------------------------------------------------------------
# Fits on a link scale (counts, yes/no, scores): their degrees of freedom, and what can be said of
# ------------------------------------------------------------------------------------------------

FARTHEST = 60.0
"""A limit this far out on the link scale is none."""


class LinkFit(MixedFit):
    """A fit by likelihood on a link scale, with its separated records left out."""

    separation: Separation | None
    separated: tuple[str, ...]
    remaining: Remaining | None

    @property
    @abstractmethod
    def _least(self) -> float:
        """The least of -2 log likelihood that `_held` is set against."""

    @abstractmethod
    def _held(self, contrast: Floats, values: Floats) -> float:
        """The least of -2 log likelihood with contrasts (m, p) of the kept columns held at values
        (m,), everything else fitted again."""

    @property
    def _unit_variance(self) -> float:
        return 1.0

    @property
    def fixed(self) -> pd.Series:
        """Estimates of the fixed effects; infinite where no finite number fits (see
        ``separated``), NaN where the records say nothing of them."""
        estimates = super().fixed
        if self.separation is None:
            return estimates
        far = self._far(np.eye(self.p))
        return estimates.where(far == 0.0, at_infinity(far))

    @property
    def cov_fixed(self) -> pd.DataFrame:
        """Covariance matrix of the estimates; NaN where an estimate is not finite."""
        covariance = super().cov_fixed
        if self.separation is None:
            return covariance
        finite = self._far(np.eye(self.p)) == 0.0
        return covariance.where(np.outer(finite, finite))

    @property
    def _known(self) -> Codes:
        """Which kept columns the remaining records estimate."""
        assert self.remaining is not None
        return np.asarray(np.searchsorted(self.part.kept, self.remaining.part.kept), dtype=np.intp)

    def _of_groupings(self, factors: Sequence[Floats]) -> tuple[Floats, ...]:
        """The factors L of the remaining model in the order of the whole one's groupings."""
        if self.remaining is None:
            return tuple(factors)
        left = (g.name for g in self.remaining.random.groupings)
        own = dict(zip(left, factors, strict=True))
        return tuple(own[g.name] for g in self.random.groupings)

    def _of_levels(self, u: Sequence[Floats], factors: Sequence[Floats]) -> list[Floats]:
        """Effects L u of every level, (levels, k) a grouping; zero where no record remains."""
        effects = [scores @ f.T for scores, f in zip(u, factors, strict=True)]
        if self.remaining is None:
            return effects
        left = self.remaining.random.groupings
        own = {g.name: (at, b)
               for g, at, b in zip(left, self.remaining.levels, effects, strict=True)}
        out = []
        for g in self.random.groupings:
            whole = np.zeros((g.n_levels, g.k))
            at, b = own[g.name]
            whole[at] = b
            out.append(whole)
        return out

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose variance (or a direction of it) is estimated as zero."""
        pairs = zip(self.random.groupings, self.factors, strict=True)
        return tuple(g.name for g, f in pairs if np.abs(np.diagonal(f)).min() < 1e-6)

    def _rows_covariance(self, contrast: Floats, df: str | float) -> Floats:
        return np.asarray(contrast @ self._phi @ contrast.T)

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        if isinstance(df, int | float) and df > 0:
            return np.full(len(contrast), float(df))
        if df == "between-within":
            return between_within(self.part, self.random, contrast)
        if df == "asymptotic":
            return np.full(len(contrast), np.inf)
        raise MixedModelError(
            f"df='{df}' is not one of: asymptotic, between-within, or a number above 0."
        )

    def _f_moments(self, contrast: Floats, df: str | float) -> tuple[float, float]:
        return 1.0, float(np.min(self._row_df(contrast, df)))

    def _far(self, contrast: Floats) -> Floats:
        if self.separation is None:
            return np.zeros(len(contrast))
        on_basis = np.linalg.solve(self.part.triangle.T, contrast.T).T
        return self.separation.sign(on_basis)

    def _far_reason(self, sign: float) -> str:
        what = "; ".join(self.separated) or "some combination of the terms"
        if np.isnan(sign):
            return f"separated ({what}): the records say nothing of this difference"
        return (
            f"separated ({what}): no finite estimate fits; p and limit are those of the "
            "likelihood"
        )

    def _fall(self, contrast: Floats, value: float) -> float:
        """Twice the fall of the log likelihood as a contrast (p,) is held at a value."""
        return max(self._held(contrast[None, :], np.array([value])) - self._least, 0.0)

    def _far_statistic(self, contrast: Floats, sign: float, df: float) -> float:
        if np.isnan(sign):
            return 0.0
        fall = self._fall(contrast, 0.0)
        tail = max(float(np.exp(-0.5 * fall)), float(stats.t.sf(np.sqrt(fall), df)))
        return float(sign * stats.t.isf(min(tail, 0.5), df))

    def _far_limits(self, contrast: Floats, sign: float, half: float, df: float
                    ) -> tuple[float, float]:  # fmt: skip
        if np.isnan(sign):
            return -np.inf, np.inf
        # the deviance at which the greater of the two tails is that of `half`
        wanted = max(-2.0 * float(stats.t.logsf(half, df)), half**2)
        scale = float(np.abs(contrast).max())

        def height(value: float) -> float:
            """log of the fall over the wanted one, rising as the value leaves infinity"""
            return float(np.log(max(self._fall(contrast, -sign * value * scale), 1e-12) / wanted))

        near, far = -0.5, 0.5
        below, above = height(near), height(far)
        while below > 0.0 and near > -FARTHEST:
            near, far, above = near - min(max(1.2 * below, 0.5), 6.0), near, below
            below = height(near)
        while above < 0.0 and far < FARTHEST:
            near, below, far = far, above, far + min(max(-1.2 * above, 0.5), 6.0)
            above = height(far)
        if below > 0.0 or above < 0.0:
            limit = -sign * np.inf
        else:
            limit = -sign * scale * float(optimize.brentq(height, near, far, xtol=1e-6))
        return (limit, np.inf) if sign > 0 else (-np.inf, limit)

    def f_test(
        self,
        term: str,
        df: str | float | None = None,
        *,
        at: Mapping[str, float] | None = None,
    ) -> pd.Series:
        """As for every fit; where a contrast of the term has no finite estimate, F is the
        likelihood ratio over its degrees of freedom."""
        rows, reason = self._hypothesis(term, df, at)
        if not np.any(self._far(rows) != 0.0):
            return super().f_test(term, df, at=at)
        ratio = max(self._held(rows, np.zeros(len(rows))) - self._least, 0.0)
        count = len(rows)
        den = float(np.min(self._row_df(rows, self.default_df if df is None else df)))
        p = stats.f.sf(ratio / count, count, den) if np.isfinite(den) else stats.chi2.sf(
            ratio, count)  # fmt: skip
        words = "; ".join(w for w in (reason, "by likelihood ratio: " + "; ".join(self.separated))
                          if w)  # fmt: skip
        return pd.Series({"F": ratio / count, "num_df": float(count), "den_df": den,
                          "p": float(p), "reason": words}, name=term)  # fmt: skip
