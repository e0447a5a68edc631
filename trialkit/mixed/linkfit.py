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

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import optimize, stats

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fit import MixedFit
from trialkit.mixed.grouping import Codes, Floats
from trialkit.mixed.inference import at_infinity
from trialkit.mixed.separation import Remaining, Separation
from trialkit.mixed.strata import between_within

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
