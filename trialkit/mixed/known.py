"""Records whose errors have a known covariance: estimates that an earlier stage hands on.

The covariance R of the n records is block diagonal, one block for those that came out of one
earlier fit; the records of a block are tied from the start, and the rest of the core works as it
stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, cast

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.mixed.crossproducts import Cross, Dense, RandomPart, not_in_fixed, room_for
from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.fixed import FixedPart, make_fixed, make_response, split_formula
from trialkit.mixed.grouping import Codes, Floats, Grouping, column, finite_numbers, make_groupings
from trialkit.mixed.likelihood import Objective, minimise
from trialkit.mixed.lmm import LMM, draw_effects, starting_point
from trialkit.mixed.threads import few_threads


@dataclass(frozen=True)
class KnownCovariance:
    """R (n, n), its inverse, the lower triangle of its Cholesky, and log |R|.

    blocks: (n,) the number of the diagonal block each record lies in.
    """

    inverse: sparse.csr_matrix
    root: sparse.csr_matrix
    logdet: float
    blocks: Codes


def read_covariance(covariance: object, n: int) -> KnownCovariance:
    """Check and factor a covariance matrix (n, n), dense or sparse.

    Raises MixedModelError if it is not n x n, not finite, not symmetric or not positive
    definite, naming the records.
    """
    matrix: Any = sparse.csr_matrix(cast(Any, covariance), dtype=np.float64)
    if matrix.shape != (n, n):
        rows, columns = matrix.shape
        raise MixedModelError(
            f"residual_covariance is {rows} x {columns} for {n} records; it must be {n} x {n}."
        )
    if not np.isfinite(matrix.data).all():
        raise MixedModelError("residual_covariance holds blank or infinite values.")
    gap = abs(matrix - matrix.T)
    if gap.nnz and gap.max() > 1e-8 * abs(matrix).max():
        i, j = (int(at[0]) for at in np.nonzero(gap == gap.max()))
        raise MixedModelError(f"residual_covariance is not symmetric: see records {i} and {j}.")
    matrix.eliminate_zeros()
    count, labels = connected_components(matrix, directed=False)
    blocks: Codes = labels.astype(np.intp)
    order = np.argsort(blocks, kind="stable")
    sizes = np.bincount(blocks, minlength=count)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    place = np.empty(n, dtype=np.intp)
    place[order] = np.arange(n) - np.repeat(starts, sizes)
    entries = matrix.tocoo()
    inverses, roots, logdet = [], [], 0.0
    for size in np.unique(sizes):
        mine = np.flatnonzero(sizes == size)
        members = order[starts[mine][:, None] + np.arange(size)]
        number = np.full(count, -1, dtype=np.intp)
        number[mine] = np.arange(len(mine))
        at = number[blocks[entries.row]]
        here = at >= 0
        dense = np.zeros((len(mine), size, size))
        dense[at[here], place[entries.row[here]], place[entries.col[here]]] = entries.data[here]
        root = _cholesky(dense, members)
        logdet += 2.0 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum())
        inverses.append(_spread(np.linalg.inv(dense), members))
        roots.append(_spread(root, members))
    return KnownCovariance(_joined(inverses, n), _joined(roots, n), logdet, blocks)


def _cholesky(dense: Floats, members: Codes) -> Floats:
    try:
        return np.asarray(np.linalg.cholesky(dense))
    except np.linalg.LinAlgError:
        worst = int(np.linalg.eigvalsh(dense)[:, 0].argmin())
        raise MixedModelError(
            "residual_covariance is not positive definite in the block of records "
            f"{', '.join(str(i) for i in members[worst][:10])}."
        ) from None


def _spread(dense: Floats, members: Codes) -> tuple[Floats, Codes, Codes]:
    rows = np.broadcast_to(members[:, :, None], dense.shape)
    columns = np.broadcast_to(members[:, None, :], dense.shape)
    return dense.ravel(), rows.ravel(), columns.ravel()


def _joined(parts: list[tuple[Floats, Codes, Codes]], n: int) -> sparse.csr_matrix:
    data, rows, columns = (np.concatenate(piece) for piece in zip(*parts, strict=True))
    return sparse.csr_matrix((data, (rows, columns)), shape=(n, n))


def known_cross_products(
    random: RandomPart, dense: Dense, y: Floats, known: KnownCovariance
) -> Cross:
    """[Z | X y]'R^-1[Z | X y], as `crossproducts.cross_products` gives it for weights."""
    p, r, c = dense.rows.shape[1], random.r, len(random.stages)
    room_for(random, p)
    columns = np.empty((len(y), r + p + 1))
    for g, s in zip(random.others, random.slices, strict=True):
        columns[:, s] = _indicator(g, g.codes, g.n_levels).toarray()
    columns[:, r : r + p] = dense.rows[dense.codes]
    columns[:, -1] = y
    weighted = known.inverse @ columns
    rest = columns.T @ weighted
    z = [_indicator(s.grouping, s.places, s.n_places) for s in random.stages]
    rows = []
    for i, stage in enumerate(random.stages):
        shape = (stage.n_units, stage.width)
        out = np.zeros((*shape, stage.width + random.tail(i) + r + p + 1))
        half = z[i].T @ known.inverse
        for j in range(i, c):
            width = random.stages[j].width
            start = 0 if j == i else stage.width + random.columns(i, j).start
            table = (half @ z[j]).tocoo()
            unit, row = np.divmod(table.row, stage.width)
            out[unit, row, start + table.col % width] = table.data
        out[:, :, stage.width + random.tail(i) :] = (z[i].T @ weighted).reshape(*shape, -1)
        rows.append(out)
    return Cross(tuple(rows), 0.5 * (rest + rest.T))


def _indicator(g: Grouping, places: Codes, count: int) -> sparse.csr_matrix:
    """Z of a grouping, (n, count * k), levels at the place that ``places`` gives them."""
    n = len(g.codes)
    parts = []
    for a, values in enumerate(g.values):
        data = np.ones(n) if values is None else values
        keep = np.flatnonzero(data)
        parts.append((data[keep], keep, places[keep] * g.k + a))
    data, rows, columns = (np.concatenate(piece) for piece in zip(*parts, strict=True))
    return sparse.csr_matrix((data, (rows, columns)), shape=(n, count * g.k))


# ------------------------------------------------------------------------------------------------
# Linear mixed models whose residual covariance is known: the second of two stages.
#
# y = X b + Z u + e with e ~ N(0, R), R known from an earlier stage (Piepho, Moehring,
# Schulz-Streeck & Ogutu 2012, Biometrical Journal 54:844-860, section 2; fully efficient when R is
# the whole covariance of the first stage's means).  Only the variances of u are estimated.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True, repr=False)
class KnownLMM(LMM):
    """A fit by `fit_known`.  As `LMM`, with residual variance 1 standing for R itself."""

    known: KnownCovariance
    names: tuple[str, ...]

    @cached_property
    def group_cov(self) -> dict[str, pd.DataFrame]:
        """Variance of the effects of each grouping, (1, 1): squared units of the response."""
        covariances = super().group_cov
        return {name: covariances[name] for name in self.names}

    def _error_weights(self) -> sparse.csr_matrix:  # type: ignore[override]
        return self.known.inverse

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
