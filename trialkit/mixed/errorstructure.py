"""Linear mixed models whose residuals follow one another in time, or spread by group.

  y = X b + Z u + e,  e ~ N(0, s2 R),  R_ij = sd_i sd_j rho^|t_i - t_j| within a plant, else 0

with t in steps of equal length (Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS,
sections 5.2 and 5.3: autoregressive of order 1, and one variance a group).  The correlation rho
and the variances' ratios are the *outer* parameters: given them R is known, and the least of the
profiled objective is found as for known errors, with log |R| added.  The slope of that least is
the slope of the objective with all else held.

Kenward & Roger 1997 for these parameters: their terms are derivatives of log|V| + log|X'V^-1X|
and of X'V^-1X as R moves in straight lines, where V is linear; what R's own bend adds,
-1/4 X'V^-1 V_ij V^-1 X, is exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import optimize, sparse

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import (
    Cross,
    Dense,
    KnownCovariance,
    RandomPart,
    known_cross_products,
    not_in_fixed,
    read_covariance,
)
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Codes, Floats, column, factor_codes, finite_numbers, no_blanks
from trialkit.mixed.likelihood import Objective, Optimum, Solved, few_threads, minimise, solve
from trialkit.mixed.lmm import LMM, draw_effects, read_linear, starting_point
from trialkit.mixed.smallsample import (
    Parameter,
    Satterthwaite,
    VarianceInformation,
    h_blocks,
    inner_coordinates,
    satterthwaite,
    variance_information,
)

# A correlation or a ratio of variances past these has run to its limit
FARTHEST = 3.8  # of atanh rho
FAR_APART = 1e8
# Correlations from which the best is chosen to start a search
START = (-0.2, 0.2, 0.5, 0.8, 0.95)
# Step of the outer slopes, and of the lines along which R moves (in parts of R)
STEP = 1e-4
ALONG = 5e-3


@dataclass(frozen=True, eq=False)
class ErrorStructure:
    """What R is made of.

    left, right: (pairs,) records whose errors covary, left >= right, each record with itself too;
    lag: (pairs,) steps between them; before: (n,) the record before each one in its plant, -1 for
    the first; gap: (n,) steps since then; series: (n,) number of each record's plant (of the
    record itself without serial correlation); group: (n,) which variance; weights: (n,).
    """

    serial: str
    spread_by: str
    left: Codes
    right: Codes
    lag: Floats
    before: Codes
    gap: Floats
    series: Codes
    group: Codes
    levels: pd.Index
    weights: Floats

    @property
    def n(self) -> int:
        return len(self.group)

    @cached_property
    def names(self) -> list[str]:
        """The outer parameters."""
        own = [f"variance {x}" for x in self.levels[1:]]
        return (["correlation"] if self.serial else []) + own

    def read(self, outer: Floats) -> tuple[float, Floats]:
        """rho, and the variance of each group relative to the first, of outer parameters
        (atanh rho, log ratios)."""
        rho = float(np.tanh(outer[0])) if self.serial else 0.0
        return rho, np.exp(np.append(0.0, outer[1 if self.serial else 0 :]))

    @cached_property
    def parts(self) -> tuple[Floats, list[sparse.csr_matrix]]:
        """R^-1 = sum of c_k M_k, where only the numbers c_k depend on the parameters.

        Per part its group, the group of the record before, steps since then and steps to the
        next (0: none); on the diagonal the second is -1, off it the last.  From
        e'R^-1 e = sum (e_t - rho^q e_before)^2 / (1 - rho^2q), e in units of its own sd.
        """
        n = self.n
        later = np.flatnonzero(self.before >= 0)
        until = np.zeros(n)
        until[self.before[later]] = self.gap[later]
        none = np.full(n, -1.0)
        diagonal = np.column_stack([self.group, none, self.gap, until])
        previous = self.group[self.before[later]]
        beside = np.column_stack([self.group[later], previous, self.gap[later],
                                  np.full(len(later), -1.0)])  # fmt: skip
        keys, member = np.unique(np.concatenate([diagonal, beside]), axis=0, return_inverse=True)
        rows = np.concatenate([np.arange(n), later])
        columns = np.concatenate([np.arange(n), self.before[later]])
        values = np.sqrt(self.weights[rows] * self.weights[columns])
        matrices = []
        for k in range(len(keys)):
            at = np.flatnonzero(member.reshape(-1) == k)
            half = sparse.csr_matrix((values[at], (rows[at], columns[at])), shape=(n, n))
            matrices.append(half if keys[k, 1] < 0 else (half + half.T).tocsr())
        return keys, matrices

    def coefficients(self, rho: float, variance: Floats) -> Floats:
        """c_k of `parts`."""
        keys, _ = self.parts
        group, other, since, until = keys.T
        own = variance[group.astype(np.intp)]
        with np.errstate(divide="ignore"):
            new = np.where(since > 0, 1.0 / (1.0 - rho ** (2.0 * since)), 1.0)
            left = np.where(until > 0, 1.0 / (rho ** (-2.0 * np.maximum(until, 1.0)) - 1.0), 0.0)
        shared = np.sqrt(own * variance[np.maximum(other, 0).astype(np.intp)])
        return np.asarray(np.where(other < 0, (new + left) / own, -(rho**since) * new / shared))

    def logdet(self, rho: float, variance: Floats) -> float:
        """log |R|."""
        gaps = self.gap[self.before >= 0]
        scale = float(np.log(variance[self.group] / self.weights).sum())
        return scale + float(np.log(1.0 - rho ** (2.0 * gaps)).sum())

    def known(self, rho: float, variance: Floats) -> KnownCovariance:
        """R with its inverse and its Cholesky triangle, records of a plant in order of time."""
        each = zip(self.coefficients(rho, variance), self.parts[1], strict=True)
        inverse = sum(c * m for c, m in each)
        step = np.where(self.before >= 0, rho**self.gap, 0.0)
        new = np.sqrt((1.0 - step**2)[self.right])
        sd = np.sqrt(variance[self.group] / self.weights)[self.left]
        triangle = sparse.csr_matrix(
            (rho**self.lag * new * sd, (self.left, self.right)), shape=(self.n, self.n)
        )
        return KnownCovariance(inverse, triangle, self.logdet(rho, variance), self.series)

    def matrix(self, entries: Floats) -> sparse.csr_matrix:
        """Entries of the pairs as a symmetric matrix (n, n)."""
        off = self.left != self.right
        rows = np.concatenate([self.left, self.right[off]])
        columns = np.concatenate([self.right, self.left[off]])
        data = np.concatenate([entries, entries[off]])
        return sparse.csr_matrix((data, (rows, columns)), shape=(self.n, self.n))

    def moved(self, rho: float, variance: Floats) -> tuple[Floats, list[Floats], dict[
        tuple[int, int], Floats]]:  # fmt: skip
        """Entries of R, of its first derivatives in each group's variance and in rho (last), and
        of its second ones (i <= j, those that are not zero)."""
        left, right = self.group[self.left], self.group[self.right]
        sd = np.sqrt(variance[left] * variance[right] / self.weights[self.left]
                     / self.weights[self.right])  # fmt: skip
        r = sd * rho**self.lag
        part = [((left == g) * 0.5 + (right == g) * 0.5) / v for g, v in enumerate(variance)]
        first = [r * x for x in part]
        second: dict[tuple[int, int], Floats] = {}
        for g, v in enumerate(variance):
            for h in range(g, len(variance)):
                bend = part[g] * part[h] - (part[g] / v if g == h else 0.0)
                if bend.any():
                    second[g, h] = r * bend
        if self.serial:
            with np.errstate(divide="ignore", invalid="ignore"):
                d1 = np.where(self.lag >= 1, self.lag * rho ** (self.lag - 1.0), 0.0) * sd
                d2 = np.where(self.lag >= 2, self.lag * (self.lag - 1.0)
                              * rho ** (self.lag - 2.0), 0.0) * sd  # fmt: skip
            last = len(variance)
            second.update({(g, last): d1 * x for g, x in enumerate(part)})
            second[last, last] = d2
            first.append(d1)
        return r, first, second


def read_structure(
    data: pd.DataFrame,
    serial: Mapping[str, str] | None,
    residual_by: str | None,
    weights: Floats | None,
) -> ErrorStructure:
    """Read who follows whom, and whose variance is whose.

    Raises MixedModelError on blanks, two records of a plant at one time, times that are not
    equally spaced, and a group with one record.
    """
    n = len(data)
    each = np.arange(n)
    left = right = series = each
    lag = gap = np.zeros(n)
    before = np.full(n, -1, dtype=np.intp)
    label = ""
    if serial is not None:
        if not isinstance(serial, Mapping) or len(serial) != 1:
            raise MixedModelError(
                "serial takes one factor and one column of times or pick numbers, for example "
                "serial={'plant': 'pick'}."
            )
        ((factor, time),) = serial.items()
        label = f"{factor}, by {time}"
        series, levels = factor_codes(data, factor)
        steps = _steps(data, factor, time, series, levels)
        order = np.lexsort((steps, series))
        follows = series[order][1:] == series[order][:-1]
        before[order[1:][follows]] = order[:-1][follows]
        gap = np.where(before >= 0, steps - steps[before], 0.0)
        sizes = np.bincount(series)
        starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        lefts, rights = [], []
        for size in np.unique(sizes):
            i, j = np.tril_indices(size)
            at = order[starts[sizes == size][:, None] + np.arange(size)]
            lefts.append(at[:, i].ravel())
            rights.append(at[:, j].ravel())
        left, right = np.concatenate(lefts), np.concatenate(rights)
        lag = np.abs(steps[left] - steps[right])
    group, names = np.zeros(n, dtype=np.intp), pd.Index([""])
    if residual_by is not None:
        group, names = factor_codes(data, residual_by)
        few = names[np.bincount(group) < 2]
        if len(names) < 2 or len(few):
            which = f"'{few[0]}' has one record" if len(few) else f"only '{names[0]}' is there"
            raise MixedModelError(
                f"residual_by='{residual_by}': {which}; a variance a group needs two groups or "
                "more, each with two records or more."
            )
    return ErrorStructure(
        label, residual_by or "", left, right, lag, before, gap, series, group, names,
        np.ones(n) if weights is None else weights,
    )  # fmt: skip


def _steps(
    data: pd.DataFrame, factor: str, time: str, series: Codes, levels: pd.Index
) -> Floats:
    """Times as whole numbers of steps, the shortest gap within a plant being one."""
    times = column(data, time, "serial time")
    if pd.api.types.is_datetime64_any_dtype(times):
        no_blanks(times, time, "serial time")
        at = ((times - times.min()) / pd.Timedelta(days=1)).to_numpy(dtype=np.float64)
    else:
        at = finite_numbers(times, time, "serial time")
    order = np.lexsort((at, series))
    within = series[order][1:] == series[order][:-1]
    gaps = np.diff(at[order])[within]
    owner = series[order][1:][within]
    if not len(gaps):
        raise MixedModelError(f"serial: no level of '{factor}' has two records to follow on.")
    double = np.flatnonzero(gaps == 0.0)
    if len(double):
        who = owner[double[0]]
        where = at[order][1:][within][double[0]]
        where = times.iloc[order[1:][within][double[0]]] if times.dtype.kind == "M" else where
        raise MixedModelError(
            f"serial: {len(double)} records share their '{factor}' and '{time}' with another, the "
            f"first at {factor} '{levels[who]}', {time} {where}. Keep one record a time, or add "
            "them up."
        )
    unit = float(gaps.min())
    steps = gaps / unit
    uneven = np.abs(steps - np.round(steps)) > 1e-6 * np.maximum(steps, 1.0)
    if uneven.any():
        first = int(np.flatnonzero(uneven)[0])
        raise MixedModelError(
            f"serial: '{time}' is not equally spaced: the shortest gap is {unit:g}, and "
            f"{int(uneven.sum())} of {len(gaps)} gaps are no whole number of those (first: "
            f"{gaps[first]:g}, {factor} '{levels[owner[first]]}'). Number the picks 1, 2, 3 ... "
            "in a column of their own if one pick to the next counts as one step."
        )
    return np.asarray(np.round((at - at.min()) / unit * 1e6) / 1e6)


@dataclass(frozen=True, repr=False)
class StructuredLMM(LMM):
    """A fit with ``serial`` or ``residual_by``.  As `LMM`; the residual variance is that of the
    first group.

    correlation: rho of two records one step apart in a plant, None without serial.
    """

    structure: ErrorStructure
    outer: Floats

    compared_as = "LMM"

    def __repr__(self) -> str:
        lines = []
        if self.structure.spread_by:
            lines.append(f"Residual standard deviations by {self.structure.spread_by}")
            lines.append(self.residual_sds.to_string())
        if self.correlation is not None:
            lines.append(
                f"serial correlation ({self.structure.serial}): {self.correlation:.6g} a step"
            )
        return "\n".join([super().__repr__(), "", *lines])

    @property
    def correlation(self) -> float | None:
        return self._state[0] if self.structure.serial else None

    @property
    def residual_sds(self) -> pd.Series:
        """Residual standard deviation of each group of ``residual_by``, units of the response."""
        sds = self.residual_sd * np.sqrt(self._state[1])
        return pd.Series(sds, index=self.structure.levels, name="sd")

    @property
    def _state(self) -> tuple[float, Floats]:
        return self.structure.read(self.outer)

    @property
    def _own(self) -> int:
        return 1 + len(self.outer)

    @cached_property
    def _known(self) -> KnownCovariance:
        return self.structure.known(*self._state)

    @cached_property
    def information(self) -> VarianceInformation:
        """Information about the groupings' variances, each group's and the correlation."""
        with few_threads(self.random.r + self.p):
            return structured_information(self)

    @cached_property
    def _satterthwaite(self) -> Satterthwaite:
        """By the expected information, as Giesbrecht & Burns 1985 have it: of two groups with a
        variance each, Welch's degrees of freedom."""
        if self.method != "reml":
            raise MixedModelError("Satterthwaite df need method='reml'; refit so.")
        information, unit = self.information, self.residual_variance
        jacobian, bend = inner_coordinates(self.solved, information, unit)
        expected = unit * information.expected  # of y'P V_i P V_j P y
        return satterthwaite(information, expected, unit, jacobian, bend)

    def _error_weights(self) -> sparse.csr_matrix:  # type: ignore[override]
        return (self._known.inverse / self.residual_variance).tocsr()

    def residuals(self, kind: str = "response") -> Floats:
        """Residuals (n,): ``response`` y - fitted; ``marginal`` y - fixed part; ``pearson``
        divided by the record's own standard deviation; ``quantile`` with the correlation taken
        out as well, C^-1 (y - fitted) with R = CC', so that they should look independent."""
        raw = self.y - self.fitted
        if kind == "pearson":
            variance = self._state[1][self.structure.group] / self.structure.weights
            return np.asarray(raw / np.sqrt(variance) / self.residual_sd)
        if kind == "quantile":
            order = np.lexsort((_places(self.structure), self.structure.series))
            root = self._known.root[order][:, order].tocsr()
            out = np.empty(self.n)
            solve = sparse.linalg.spsolve_triangular
            out[order] = solve(root, raw[order], lower=True) / self.residual_sd
            return out
        return super().residuals(kind)

    def simulate(self, seed: int | np.random.Generator, times: int = 1) -> Floats:
        """Draw responses from the fitted model, (times, n), with new effects and errors."""
        rng = np.random.default_rng(seed)
        mean, sd = self.fixed_part(), self.residual_sd
        out = np.empty((times, self.n))
        for row in out:
            row[:] = mean + sd * (self._known.root @ rng.standard_normal(self.n))
            if self.random.groupings:
                factors = [sd * f for f in self.factors]
                row += self.random.times(draw_effects(self.random, factors, rng))
        return out

    def refit(self, y: Floats) -> StructuredLMM:
        """The same model fitted to another response (n,)."""
        return _fitted(self.formula, self.method, self.part, self.random, y, self.structure)


def _places(structure: ErrorStructure) -> Floats:
    """Steps since the first record of each record's plant, (n,)."""
    out = np.zeros(structure.n)
    np.maximum.at(out, structure.left, structure.lag)
    return out


@dataclass
class _Profile:
    """The least objective as a function of the outer parameters, and its slope."""

    structure: ErrorStructure
    random: RandomPart
    dense: Dense
    y: Floats
    reml: bool
    constant: float

    @cached_property
    def _cross_parts(self) -> list[Cross]:
        """The cross-products under each of R^-1's parts: formed once, so that a step of the
        search does not see the records."""
        series = self.structure.series
        return [
            known_cross_products(
                self.random, self.dense, self.y, KnownCovariance(m, m, 0.0, series)
            )
            for m in self.structure.parts[1]
        ]

    def objective(self, outer: Floats) -> Objective:
        state = self.structure.read(outer)
        parts, weights = self._cross_parts, self.structure.coefficients(*state)

        def total(arrays: list[Floats]) -> Floats:
            out = np.asarray(weights[0] * arrays[0])
            for weight, array in zip(weights[1:], arrays[1:], strict=True):
                out += weight * array
            return out

        rows = tuple(total([c.rows[i] for c in parts]) for i in range(len(parts[0].rows)))
        cross = Cross(rows, total([c.rest for c in parts]))
        constant = self.constant + self.structure.logdet(*state)
        n, p = len(self.y), self.dense.rows.shape[1]
        return Objective(self.random, cross, n, p, self.reml, False, constant)

    def least(self, outer: Floats, near: tuple[Floats, ...] | None = None) -> Optimum:
        at = self.objective(outer)
        start = at.triangles.pack(near) if near is not None else starting_point(at)
        return minimise(at, start)

    def __call__(self, outer: Floats, near: tuple[Floats, ...] | None) -> tuple[Optimum, Floats]:
        optimum = self.least(outer, near)
        slope = np.empty(len(outer))
        for i, step in enumerate(STEP * np.eye(len(outer))):
            ends = [self.objective(outer + side) for side in (step, -step)]
            up, down = (end.value(end.solved(optimum.solved.factors)) for end in ends)
            slope[i] = (up - down) / (2.0 * STEP)
        return optimum, slope


def fit_structured(
    formula: str,
    data: pd.DataFrame,
    groups: Sequence[str] = (),
    slopes: Mapping[str, Sequence[str]] | None = None,
    weights: str | Floats | None = None,
    method: str = "reml",
    *,
    serial: Mapping[str, str] | None = None,
    residual_by: str | None = None,
    uncorrelated: Sequence[str] = (),
) -> StructuredLMM:
    """Fit a linear mixed model whose residuals follow one another, or spread by group.

    formula, data, groups, slopes, weights, method, uncorrelated: as in `fit_lmm`.
    serial: ``{"plant": "pick"}``: errors of one plant's records k steps of ``pick`` apart are
        correlated by rho^k, rho estimated; other plants' are not.  Numbers or dates; the gaps
        within plants are whole numbers of the shortest, so a pick may be missing.
    residual_by: a factor, or ``"a:b"``, each of whose levels has a residual variance of its own.

    Returns a `StructuredLMM`.  Raises MixedModelError as `fit_lmm` does, on two records of a plant
    at one time, on times that are not equally spaced, on a group with one record, and where a
    correlation runs to one or a variance to zero.
    """
    part, random, y, w = read_linear(
        formula, data, groups, slopes, weights, method, uncorrelated, known=False
    )
    with few_threads(random.r + part.p):
        not_in_fixed(random, part)
    structure = read_structure(data, serial, residual_by, w)
    random = RandomPart(random.groupings, tied=structure.series)
    return _fitted(formula, method, part, random, y, structure)


def _fitted(
    formula: str,
    method: str,
    part: FixedPart,
    random: RandomPart,
    y: Floats,
    structure: ErrorStructure,
) -> StructuredLMM:
    n, p = len(y), part.p
    dense = Dense(part.basis, part.codes)
    columns = part.basis[part.codes]
    start = np.linalg.lstsq(columns, y, rcond=None)[0]
    left_over = y - columns @ start
    scale = float(np.sqrt(np.mean(left_over**2)))
    if scale <= 1e-12 * max(float(np.ptp(y)), 1e-300):
        raise MixedModelError("the fixed effects reproduce the response exactly.")
    reml = method == "reml"
    d = n - p if reml else n
    constant = 2.0 * d * float(np.log(scale))
    if reml:
        constant += 2.0 * float(np.log(np.abs(np.diagonal(part.triangle))).sum())
    profile = _Profile(structure, random, dense, left_over / scale, reml, constant)
    with few_threads(random.r + p):
        outer, optimum = _search(profile)
    _not_at_a_limit(structure, outer)
    variance = scale**2 * optimum.solved.rss / d
    optimum = replace(optimum, solved=optimum.solved.in_units(scale))
    offset = np.linalg.solve(part.triangle, start)
    return StructuredLMM(
        formula, method, part, random, y, None, offset, False, optimum, variance, structure, outer
    )


def _search(profile: _Profile) -> tuple[Floats, Optimum]:
    """Quasi-Newton over the outer parameters from the best of a few correlations: errors that
    follow on and plants that differ can stand in for each other, so there may be two minima."""
    structure = profile.structure
    if not structure.names:
        return np.zeros(0), profile.least(np.zeros(0))
    squares = np.bincount(structure.group, structure.weights * profile.y**2)
    spread = squares / np.bincount(structure.group)
    ratios = np.log(np.maximum(spread[1:], 1e-6) / max(spread[0], 1e-6))
    starts = [ratios]
    if structure.serial:
        starts = [np.append(np.arctanh(rho), ratios) for rho in START]
    near: tuple[Floats, ...] | None = None
    best: tuple[Floats, Optimum] | None = None

    def at(x: Floats) -> tuple[float, Floats]:
        nonlocal near, best
        try:
            optimum, slope = profile(x, near)
        except MixedModelError:
            if best is None:
                raise
            return best[1].value + 1e6, np.zeros(len(x))
        if best is None or optimum.value < best[1].value:
            best = x.copy(), optimum
            # a variance at zero is not held on to, so that it may grow again
            alive = all(np.diagonal(f).all() for f in optimum.solved.factors)
            near = optimum.solved.factors if alive else None
        return optimum.value, slope

    values = [profile.least(start).value for start in starts] if len(starts) > 1 else [0.0]
    start = starts[int(np.argmin(values))]
    limit = np.full(len(start), np.log(FAR_APART))
    limit[: len(start) - len(ratios)] = FARTHEST
    for _ in range(2):
        optimize.minimize(at, start, jac=True, method="L-BFGS-B",
                          bounds=optimize.Bounds(-limit, limit),
                          options={"gtol": 1e-6, "ftol": 1e-15, "maxcor": 30})  # fmt: skip
        assert best is not None
        start = best[0]
    assert best is not None
    return best


def _not_at_a_limit(structure: ErrorStructure, outer: Floats) -> None:
    rho, variance = structure.read(outer)
    if abs(outer[0] if structure.serial else 0.0) > FARTHEST - 0.01:
        raise MixedModelError(
            f"the serial correlation runs to {np.sign(rho):.0f}: the records of a level of "
            f"'{structure.serial.split(',')[0]}' hold too little to tell it from a lasting "
            "difference between levels. Leave serial out, or the grouping of the same name."
        )
    if variance.max() > 0.99 * FAR_APART * variance.min():
        level = structure.levels[int(variance.argmin())]
        raise MixedModelError(
            f"the residual variance of '{level}' runs to zero beside the others': the model "
            f"reproduces its records. Merge that level of '{structure.spread_by}' with another."
        )


def structured_information(fit: StructuredLMM) -> VarianceInformation:
    """Traces and products for the groupings' variances, each group's residual variance and the
    correlation (unit residual variance), as `information.variance_information` gives them.

    With D_i the derivative of R in a parameter, and V moved along R + t D_i:
    tr(P D_i P D_j) = -d2(log|V| + log|X'V^-1X|),  tr(P D_i P V_f) = -d tr(P V_f),
    X'V^-1 D_i V^-1 D_j X, symmetrised, = d2(X'V^-1X) / 2.
    """
    s, structure = fit.solved, fit.structure
    rho, variance = fit._state
    base = variance_information(s, known_residual=True, n=fit.n)
    m, p, phi = len(base.parameters), s.p, base.phi
    r0, first, second = structure.moved(rho, variance)
    count = len(first)
    lengths = np.array([ALONG * v for v in variance] + [ALONG * (1.0 - abs(rho))] * count)[:count]
    line = _Line(fit, r0)
    bends = np.zeros((count, count))
    products = np.zeros((count, count, p, p))
    expected, r = np.zeros((m + count,) * 2), np.zeros((m + count, m + count, p, p))
    for i in range(count):
        for j in [i, *range(i)]:
            ends = line.ends(lengths[i] * first[i] + (lengths[j] * first[j] if j < i else 0.0))
            bend, product = line.bend(ends)
            if j == i:
                own, sides = line.slope(ends)
                expected[:m, m + i] = expected[m + i, :m] = -own / lengths[i]
                r[:m, m + i] = r[m + i, :m] = -0.5 * sides / lengths[i]
            if j < i:  # the line between the two holds twice what they have with each other
                bend = 0.5 * (bend - bends[i, i] - bends[j, j])
                product = 0.5 * (product - products[i, i] - products[j, j])
            bends[i, j] = bends[j, i] = bend
            products[i, j] = products[j, i] = product
    lengths_of = lengths[:, None] * lengths[None, :]
    x = fit.part.basis[fit.part.codes]
    u = fit._known.inverse @ (x - _through_groups(s, h_blocks(s)))  # V^-1 X
    sx = np.concatenate([base.s, [u.T @ (structure.matrix(d) @ u) for d in first]])
    expected[:m, :m], r[:m, :m] = base.expected, base.r
    expected[m:, m:] = -bends / lengths_of
    r[m:, m:] = 0.5 * products / lengths_of[:, :, None, None]
    done = sx @ phi
    for i in range(m + count):
        for j in range(m + count):
            if i >= m or j >= m:
                taken = done[i] @ sx[j]
                r[i, j] -= 0.5 * (taken + taken.T)
    for (i, j), entries in second.items():
        bent = 0.25 * u.T @ (structure.matrix(entries) @ u)
        r[m + i, m + j] -= bent
        if i != j:
            r[m + j, m + i] -= bent
    values = np.concatenate([base.values, variance, [rho] * (count - len(variance))])
    parameters = (*base.parameters, *[Parameter(-1)] * count)
    return VarianceInformation(parameters, values, expected, sx, r, phi)


def _through_groups(s: Solved, h: list[Floats]) -> Floats:
    """Z G H, (n, p), of H one (levels, k, p) array a grouping."""
    n = len(s.random.groupings[0].codes) if s.random.groupings else 1
    out = np.zeros((n, s.p))
    for j in range(s.p):
        if s.random.groupings:
            parts = [a[:, :, j] @ (f @ f.T) for a, f in zip(h, s.factors, strict=True)]
            out[:, j] = s.random.times(parts)
    return out


@dataclass
class _Line:
    """What changes as R moves along R + t E, by differences of the fourth order over t in whole
    steps (E is made small enough); the groupings' variances stay."""

    fit: StructuredLMM
    r: Floats

    def at(self, entries: Floats) -> tuple[Solved, float]:
        """The equations at R of these entries, and log|V| + log|X'V^-1X|."""
        fit = self.fit
        known = read_covariance(fit.structure.matrix(entries), fit.n)
        dense = Dense(fit.part.basis, fit.part.codes)
        cross = known_cross_products(fit.random, dense, np.zeros(fit.n), known)
        s = solve(fit.random, cross, fit.factors, fit.p)
        return s, known.logdet + s.logdet_z + s.logdet_x

    def __post_init__(self) -> None:
        self.middle = self.at(self.r)

    def ends(self, towards: Floats) -> list[tuple[Solved, float]]:
        return [self.at(self.r + t * towards) for t in (-2, -1, 1, 2)]

    def bend(self, ends: list[tuple[Solved, float]]) -> tuple[float, Floats]:
        """Second derivatives of the logarithms and of X'V^-1X."""
        points = [*ends, self.middle]
        weights = np.array([-1.0, 16.0, 16.0, -1.0, -30.0]) / 12.0
        forms = [w * s.xvx for w, (s, _) in zip(weights, points, strict=True)]
        return float(weights @ [value for _, value in points]), np.sum(forms, axis=0)

    def slope(self, ends: list[tuple[Solved, float]]) -> tuple[Floats, Floats]:
        """Derivatives of tr(P V_f), (m,), and of X'V^-1 V_f V^-1 X, (m, p, p)."""
        traces, forms = [], []
        for (s, _), weight in zip(ends, (1 / 12, -8 / 12, 8 / 12, -1 / 12), strict=True):
            info = variance_information(s, known_residual=True, n=self.fit.n)
            own = s.own_blocks(x_out=True)
            traces.append([weight * sum(own[q.grouping][b, a] for a, b in q.entries)
                           for q in info.parameters])  # fmt: skip
            forms.append(weight * info.s)
        return np.sum(traces, axis=0), np.sum(forms, axis=0)
