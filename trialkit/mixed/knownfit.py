"""Linear mixed models whose residual covariance is known: the second of two stages.

y = X b + Z u + e with e ~ N(0, R), R known from an earlier stage (Piepho, Moehring,
Schulz-Streeck & Ogutu 2012, Biometrical Journal 54:844-860, section 2; fully efficient when R is
the whole covariance of the first stage's means).  Only the variances of u are estimated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.mixed.crossproducts import Dense, RandomPart, not_in_fixed
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Floats, Grouping, column, finite_numbers, make_groupings
from trialkit.mixed.knowncov import KnownCovariance, known_cross_products, read_covariance
from trialkit.mixed.likelihood import Objective, minimise
from trialkit.mixed.lmm import LMM
from trialkit.mixed.prediction import draw_effects
from trialkit.mixed.start import starting_point
from trialkit.mixed.threads import few_threads


@dataclass(frozen=True, repr=False)
class KnownLMM(LMM):
    """A fit by `fit_known`.  As `LMM`, with residual variance 1 standing for R itself."""

    known: KnownCovariance
    names: tuple[str, ...]

    @cached_property
    def group_cov(self) -> dict[str, pd.DataFrame]:
        """Variance of the effects of each grouping, (1, 1): squared units of the response."""
        found = super().group_cov
        return {name: found[name] for name in self.names}

    def _error_weights(self) -> Floats:
        raise MixedModelError("errors of random effects are not worked out with a known residual "
                              "covariance.")

    @cached_property
    def boundary(self) -> tuple[str, ...]:
        """Groupings whose variance is estimated as zero: a result, not a failure."""
        pairs = zip(self.random.groupings, self.factors, strict=True)
        return tuple(g.name for g, f in pairs if not f.any())

    def residuals(self, kind: str = "response") -> Floats:
        """Residuals (n,): ``response`` y - fitted, ``marginal`` y - fixed part, ``pearson`` and
        ``quantile`` the response ones times C^-1, R = CC', C lower triangular."""
        if kind not in {"pearson", "quantile"}:
            return super().residuals(kind)
        from scipy.sparse.linalg import spsolve_triangular

        return np.asarray(spsolve_triangular(self.known.root.tocsr(), self.y - self.fitted))

    def _row_df(self, contrast: Floats, df: str | float) -> Floats:
        if df == "between-within":
            raise MixedModelError(
                "between-within df are those of a layout; with a known residual covariance use "
                "kenward-roger, satterthwaite or asymptotic."
            )
        return super()._row_df(contrast, df)

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw responses from the fitted model, (times, n), with new effects and errors."""
        rng = np.random.default_rng(seed)
        mean = self.fixed_part()
        out = np.empty((times, self.n))
        for row in out:
            row[:] = mean + self.known.root @ rng.standard_normal(self.n)
            if self.random.groupings:
                row += self.random.times(draw_effects(self.random, list(self.factors), rng))
        return out

    def refit(self, y: Floats) -> KnownLMM:
        """The same model fitted to another response (n,)."""
        return _fit(self.formula, self.method, self.part, self.random, y, self.known, self.names)


def fit_known(
    formula: str,
    data: pd.DataFrame,
    residual_covariance: object,
    groups: Sequence[str] = (),
    *,
    multiplied: Mapping[str, str] | None = None,
    method: str = "reml",
) -> KnownLMM:
    """Fit a linear mixed model to records whose errors have a known covariance.

    formula, data, groups, method: as in `fit_lmm`.
    residual_covariance: (n, n), dense or sparse, in squared units of the response, in the order
        of the records; block diagonal in practice, and cheap when it is.
    multiplied: grouping -> numeric column its effects are multiplied by; with a column of 0 and 1
        the effects belong to the records with 1 only.

    Cost grows with the number of blocks, not its square, as long as each grouping with many
    levels stays within a few blocks.  Raises MixedModelError as `fit_lmm` does, and for a
    covariance that is not symmetric and positive definite.
    """
    if method not in {"reml", "ml"}:
        raise MixedModelError(f"method='{method}' is not one of: reml, ml.")
    left, right = split_formula(formula)
    y = make_response(left, data)
    part = make_fixed(right, data)
    known = read_covariance(residual_covariance, len(y))
    groupings = make_groupings(data, groups, None, saturated=True)
    not_in_fixed(RandomPart(groupings), part)
    groupings = _multiplied(groupings, dict(multiplied or {}), data)
    random = RandomPart(groupings, tied=known.blocks)
    return _fit(formula, method, part, random, y, known, tuple(g.name for g in groupings))


def _multiplied(
    groupings: tuple[Grouping, ...], by: dict[str, str], data: pd.DataFrame
) -> tuple[Grouping, ...]:
    unknown = sorted(set(by) - {g.name for g in groupings})
    if unknown:
        raise MixedModelError(f"multiplied names {', '.join(unknown)}, not among groups.")
    out = []
    for g in groupings:
        if g.name in by:
            name = by[g.name]
            values = finite_numbers(column(data, name, "multiplier"), name, "multiplier")
            if not values.any():
                raise MixedModelError(
                    f"multiplier '{name}' is 0 in every record; leave '{g.name}' out of groups."
                )
            g = replace(g, values=(values,))
        out.append(g)
    return tuple(out)


def _fit(
    formula: str,
    method: str,
    part: FixedPart,
    random: RandomPart,
    y: Floats,
    known: KnownCovariance,
    names: tuple[str, ...],
) -> KnownLMM:
    n, p = len(y), part.p
    dense = Dense(part.basis, part.codes)
    columns = part.basis[part.codes]
    weighted = known.inverse @ columns
    start = np.asarray(np.linalg.solve(columns.T @ weighted, weighted.T @ y))
    cross = known_cross_products(random, dense, y - columns @ start, known)
    reml = method == "reml"
    constant = known.logdet
    if reml:
        constant += 2.0 * float(np.log(np.abs(np.diagonal(part.triangle))).sum())
    objective = Objective(random, cross, n, p, reml, True, constant)
    with few_threads(random.r + p):
        optimum = minimise(objective, starting_point(objective))
    offset = np.linalg.solve(part.triangle, start)
    return KnownLMM(
        formula, method, part, random, y, None, offset, True, optimum, 1.0, known, names
    )
