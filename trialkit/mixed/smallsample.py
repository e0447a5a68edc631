"""Small-sample covariance and degrees of freedom for contrasts of fixed effects.

Kenward & Roger 1997 (Biometrics 53:983-997): adjusted covariance of the estimates and a
scaled F with matched moments.  Satterthwaite's method (Giesbrecht & Burns 1985, Biometrics
41:477-486) is the cheaper route; for tests of several rows it follows Fai & Cornelius 1996
(J. Stat. Comput. Simul. 54:363-378).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import stats

from trialkit.errors import MixedModelError
from trialkit.mixed.crossproducts import RandomPart, batched
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Floats, Grouping
from trialkit.mixed.likelihood import Solved, turned

# ------------------------------------------------------------------------------------------------
# Information about the variance parameters, without any n x n matrix.
#
# The parameters are the entries of each G_f times the residual variance, and (unless it is known)
# the residual variance itself, so that V is linear in them: V = sum_i s_i V_i with
# V_i = Z_f E_i Z_f' or V_e = I.  Everything asked of them is a trace or a p x p product:
#
#   tr(P V_i P V_j),  S_i = X'V^-1 V_i V^-1 X,  R_ij = X'V^-1 V_i P V_j V^-1 X
#
# with R_ij = Q_ij - S_i Phi S_j of Kenward & Roger 1997, Phi = (X'V^-1X)^-1.  They come from the
# blocks Z_f'PZ_g and H_f = Z_f'V^-1X.  The residual's entries follow from P V P = P and V V^-1X = X
# (all in units of the residual variance), so records never reappear.
#
# For two stages f <= g, Z_f'PZ_g is what the pattern of the equations holds, U_fg, less products
# through each later stage and through the rest (symbols of `likelihood.py`):
#
#   Z_f'P Z_g = U_fg - sum_{i > g} W_fi K_i W_gi' - Y_f'Y_g,  U_ff = M_f, U_fg = W_fg (I - G_g M_g)
#
# and sums of products of such blocks are taken without forming them.
# ------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Parameter:
    """One variance parameter: the entries (a, b), a >= b, of a grouping's covariance that it
    fills, or the residual variance (grouping -1, no entries)."""

    grouping: int
    filled: tuple[tuple[int, int], ...] = ()

    @property
    def residual(self) -> bool:
        return self.grouping < 0

    @property
    def entries(self) -> tuple[tuple[int, int], ...]:
        """Where E_i is 1: the entries filled and their mirror images."""
        return self.filled + tuple((b, a) for a, b in self.filled if a != b)


@dataclass(frozen=True)
class VarianceInformation:
    """Traces and products for every pair of parameters, residual last (scale: variance 1).

    expected: (m, m), tr(P V_i P V_j), twice the expected REML information; s: (m, p, p);
    r: (m, m, p, p); phi: (p, p) = (X'V^-1X)^-1;
    values: (m,) the parameters relative to the residual variance.
    """

    parameters: tuple[Parameter, ...]
    values: Floats
    expected: Floats
    s: Floats
    r: Floats
    phi: Floats

    def hessian(self, quadratic: Floats, residual_variance: float) -> Floats:
        """Second derivatives of -2 log restricted likelihood, (m, m), unit-scale parameters.

        quadratic: (m, m), y'P V_i P V_j P y (`quadratic_forms`).
        """
        out: Floats = -self.expected + 2.0 * quadratic / residual_variance
        return 0.5 * (out + out.T)


def parameters_of(s: Solved) -> tuple[list[Parameter], Floats]:
    """The groupings' parameters, and their values relative to the residual variance."""
    parameters = [Parameter(f, e) for f, g in enumerate(s.random.groupings) for e in g.parameters]
    values = [(s.factors[q.grouping] @ s.factors[q.grouping].T)[q.filled[0]] for q in parameters]
    return parameters, np.array(values)


def variance_information(s: Solved, *, known_residual: bool, n: int) -> VarianceInformation:
    """Traces and products at a solution.  ``n`` is the number of records."""
    parameters, g = parameters_of(s)
    expected = traces(s, known_residual=known_residual, n=n)
    h = h_blocks(s)
    through = [_by_entries(q, h[q.grouping]) for q in parameters]  # E_i H_f, (levels, k, p)
    m, p = len(parameters), s.p
    sx, r = np.zeros((m, p, p)), np.zeros((m, m, p, p))
    for i, (q, eh) in enumerate(zip(parameters, through, strict=True)):
        sx[i] = np.einsum("jap,jaq->pq", eh, h[q.grouping], optimize=True)
        projected = _projected(s, q.grouping, eh)
        for j, (o, ej) in enumerate(zip(parameters, through, strict=True)):
            r[j, i] = np.einsum("jap,jaq->pq", ej, projected[o.grouping], optimize=True)
    if not known_residual:
        parameters.append(Parameter(-1))
        sx, r = _with_residual(g, sx, r, s.xvx)
        g = np.append(g, 1.0)
    return VarianceInformation(tuple(parameters), g, expected, sx, r, np.linalg.inv(s.xvx))


def _with_residual(g: Floats, s: Floats, r: Floats, xvx: Floats) -> tuple[Floats, Floats]:
    """Append the residual's entries, from V_e V^-1X = X - sum_j g_j V_j V^-1X and P X = 0."""
    m, p = len(g), len(xvx)
    out = np.zeros((m + 1, m + 1, p, p))
    out[:m, :m] = r
    out[:m, m] = -np.einsum("j,ijab->iab", g, r)
    out[m, :m] = turned(out[:m, m])
    out[m, m] = -np.einsum("i,iab->ab", g, out[:m, m])
    last = xvx - np.einsum("i,iab->ab", g, s)
    return np.concatenate([s, last[None]]), out


def _by_entries(q: Parameter, blocks: Floats) -> Floats:
    """E_i times each level's (k, ...) block."""
    out = np.zeros_like(blocks)
    for a, b in q.entries:
        out[:, a] += blocks[:, b]
    return out


def _projected(s: Solved, g: int, effects: Floats) -> list[Floats]:
    """Z_f'P Z_g b, (levels, k, q) a grouping, for effects b (levels, k, q) of grouping g."""
    zw, xw = s.cross.times(s.random, g, effects)
    return s.project(zw, xw[: s.p])[0]


def h_blocks(s: Solved) -> list[Floats]:
    """H_f = Z_f'V^-1X, (levels, k, p) a grouping."""
    cut = slice(s.r, s.size)
    out = []
    for f, stage in enumerate(s.random.stages):
        e = s.to_rest(f)
        own = e[:, :, cut] - (s.y_stages[f][:, : s.r] @ s.y_x).reshape(*e.shape[:2], s.p)
        out.append(stage.by_level(own))
    rest = s.t[: s.r, cut] - s.y_rest[: s.r].T @ s.y_x
    for g, at in zip(s.random.others, s.random.slices, strict=True):
        out.append(rest[at].reshape(g.n_levels, g.k, s.p))
    return out


def traces(s: Solved, *, known_residual: bool, n: int) -> Floats:
    """tr(P V_i P V_j) for every pair of parameters, (m, m)."""
    parameters, g = parameters_of(s)
    blocks = _Blocks(s)
    m = len(parameters)
    t = np.zeros((m, m))
    for i, q in enumerate(parameters):
        for j, o in enumerate(parameters[: i + 1]):
            left, right = (q, o) if q.grouping <= o.grouping else (o, q)
            # tr(E_i M E_j M') = sum E_i[a, b] E_j[c, d] <M[b, c], M[a, d]>
            t[i, j] = t[j, i] = sum(
                blocks.inner(left.grouping, right.grouping, (b, c), (a, d))
                for a, b in left.entries
                for c, d in right.entries
            )
    if known_residual:
        return t
    own = s.own_blocks(x_out=True)
    single = np.array([sum(own[q.grouping][b, a] for a, b in q.entries) for q in parameters])
    edge = single - t @ g
    corner = (n - s.p - g @ single) - g @ edge
    return np.block([[t, edge[:, None]], [edge[None, :], np.full((1, 1), corner)]])


class _Blocks:
    """Sums of products of blocks Z_f'PZ_g of one solution."""

    def __init__(self, s: Solved) -> None:
        self.s, self.random = s, s.random
        self.c = len(s.stages)

    @cached_property
    def rest(self) -> Floats:
        """Z2'PZ2, (r, r)."""
        s = self.s
        return np.asarray(s.t[: s.r, : s.r] - s.y_rest.T @ s.y_rest)

    def inner(self, f: int, g: int, pair: tuple[int, int], other: tuple[int, int]) -> float:
        """Sum over levels of M_fg[., pair0, ., pair1] * M_fg[., other0, ., other1], f <= g."""
        if g >= self.c:
            block = self._dense(f, g)
            (c, d), (e, h) = pair, other
            return float(np.sum(block[:, c, :, d] * block[:, e, :, h]))
        u, n = self._pattern(f, g), self._near(f, g)
        (c, d), (e, h) = pair, other
        near = np.sum(
            u[:, :, c, :, d] * (u[:, :, e, :, h] - n[:, :, e, :, h])
            - n[:, :, c, :, d] * u[:, :, e, :, h]
        )
        return float(near + sum(self._far(f, g, pair, other)))

    def _dense(self, f: int, g: int) -> Floats:
        """M_fg with a dense grouping g, (levels or slots of f, k_f, levels_g, k_g)."""
        gf, gg = self.random.groupings[f], self.random.groupings[g]
        at = self.random.slices[g - self.c]
        if f >= self.c:
            block = self.rest[self.random.slices[f - self.c], at]
        else:
            e, y = self.s.to_rest(f), self.s.y_stages[f]
            block = e[:, :, at].reshape(-1, gg.size) - y @ self.s.y_rest[:, at]
        return np.asarray(block.reshape(-1, gf.k, gg.n_levels, gg.k))

    def _parted(self, block: Floats, f: int, g: int) -> Floats:
        left, right = self.random.stages[f], self.random.stages[g]
        return block.reshape(-1, left.slots, left.k, right.slots, right.k)

    def _pattern(self, f: int, g: int) -> Floats:
        """U_fg, (units, slots_f, k_f, slots_g, k_g)."""
        s = self.s
        if f == g:
            return self._parted(s.stages[f].m, f, f)
        e, w = s.stages[g], s.between(f, g)
        return self._parted(w - batched(w, self.random.links[f, g].down(e.g @ e.m)), f, g)

    def _near(self, f: int, g: int) -> Floats:
        """What is taken off U_fg on the pattern, shaped as that."""
        s = self.s
        y = [s.y_units(a) for a in (f, g)]
        down = self._down(f, g)
        out = np.matmul(y[0], turned(down(y[1])))
        for i in range(g + 1, self.c):
            w = batched(s.between(f, i), self.random.links[f, i].down(s.stages[i].k))
            out += batched(w, turned(down(s.between(g, i))))
        return self._parted(out, f, g)

    def _down(self, f: int, g: int) -> Callable[[Floats], Floats]:
        return (lambda x: x) if f == g else self.random.links[f, g].down

    def _far(
        self, f: int, g: int, pair: tuple[int, int], other: tuple[int, int]
    ) -> Iterator[float]:
        """Products of what two paths, through later stages i <= j or the rest, take off M_fg."""
        (c, d), (e, h) = pair, other
        for i in range(g + 1, self.c + 1):
            for j in range(i, self.c + 1):
                ends = [((c, d), (e, h))] if i == j else [((c, d), (e, h)), ((e, h), (c, d))]
                for (c1, d1), (c2, d2) in ends:
                    low, high = self._met(f, i, j, c1, c2), self._met(g, i, j, d1, d2)
                    if i < self.c:
                        low = batched(self.s.stages[i].k, low)
                    if j < self.c:
                        k = self.s.stages[j].k
                        high = batched(high, k if i == j else self.random.links[i, j].down(k))
                    yield float(np.sum(low * high))

    def _met(self, f: int, i: int, j: int, a: int, b: int) -> Floats:
        """Sum over the levels of f in each unit of i of column a's way to i times column b's way
        to j, (units_i, width_i, width_j); i or j = the number of stages: the rest, one unit."""
        left, right = self._way(f, i, a), self._way(f, j, b)
        if i == self.c:
            return np.asarray(
                left.reshape(-1, left.shape[2]).T @ right.reshape(-1, right.shape[2])
            )[None]
        return self.random.links[f, i].up(np.matmul(turned(left), right))

    def _way(self, f: int, i: int, a: int) -> Floats:
        """Column a of W_fi, or of Y_f, (units_f, slots_f, width_i or r + p)."""
        s, stage = self.s, self.random.stages[f]
        way = s.y_stages[f] if i == self.c else s.between(f, i)
        return np.asarray(way.reshape(stage.n_units, stage.slots, stage.k, -1)[:, :, a])


def quadratic_forms(s: Solved, info: VarianceInformation) -> Floats:
    """y'P V_i P V_j P y for every pair of the parameters, (m, m)."""
    of_groups = [q for q in info.parameters if not q.residual]
    out = _quadratic(s, of_groups)
    if len(of_groups) < len(info.parameters):
        out = _quadratic_with_residual(s, info.values[:-1], out, of_groups)
    return out


def _quadratic(s: Solved, parameters: list[Parameter]) -> Floats:
    """y'P V_i P V_j P y = u_f'E_i (Z_f'PZ_g) E_j u_g with u = Z'Py."""
    u = s.scores()
    through = [_by_entries(q, u[q.grouping]) for q in parameters]
    m = len(parameters)
    out = np.zeros((m, m))
    for i, q in enumerate(parameters):
        projected = _projected(s, q.grouping, through[i][:, :, None])
        for j, o in enumerate(parameters):
            out[j, i] = float(np.sum(through[j] * projected[o.grouping][:, :, 0]))
    return 0.5 * (out + out.T)


def _quadratic_with_residual(
    s: Solved, g: Floats, quadratic: Floats, parameters: list[Parameter]
) -> Floats:
    m = len(g)
    u = s.scores()
    first = np.array(
        [float(np.sum(u[q.grouping] * _by_entries(q, u[q.grouping]))) for q in parameters]
    )
    out = np.zeros((m + 1, m + 1))
    out[:m, :m] = quadratic
    out[:m, m] = out[m, :m] = first - quadratic @ g
    out[m, m] = (s.rss - g @ first) - g @ out[:m, m]
    return out


def _entries_of(matrix: Floats, grouping: int, parameters: tuple[Parameter, ...]) -> Floats:
    """The parameters' entries of one grouping's matrix (k, k); zero for other groupings."""
    own = [matrix[q.filled[0]] if q.grouping == grouping else 0.0 for q in parameters]
    return np.array(own)


def inner_coordinates(
    s: Solved, info: VarianceInformation, residual_variance: float
) -> tuple[Floats, Floats]:
    """Coordinates in which a fit on the boundary is an ordinary minimum.

    They are the entries of the columns of each L_f that are not zero, and the parameters of
    the residual.  Returns the Jacobian (m, c) of the variance parameters in them, and what their
    curvature adds to the Hessian, (c, c): d2(L L')/dL2 times the gradient in G (unit residual
    variance).
    """
    columns: list[Floats] = []
    where: list[tuple[int, list[tuple[int, int]]]] = []
    for f, (g, factor) in enumerate(zip(s.random.groupings, s.factors, strict=True)):
        for moved in _free_entries(g, factor):
            change = np.zeros((g.k, g.k))
            for i, c in moved:
                change[i] += factor[:, c]
                change[:, i] += factor[:, c]
            columns.append(_entries_of(change, f, info.parameters))
            where.append((f, moved))
    columns += [unit for unit, q in zip(np.eye(len(info.parameters)), info.parameters, strict=True)
                if q.residual]  # fmt: skip
    count = len(columns)
    bend = np.zeros((count, count))
    slopes = [
        own - score.T @ score / residual_variance
        for own, score in zip(s.own_blocks(x_out=True), s.scores(), strict=True)
    ]
    for x, (f, moved) in enumerate(where):
        for y, (h, others) in enumerate(where):
            if f == h:
                bend[x, y] = 2.0 * sum(
                    slopes[f][i, j] for i, c in moved for j, d in others if c == d
                )
    jacobian = np.column_stack(columns) if count else np.zeros((len(info.parameters), 0))
    return jacobian, bend


def _free_entries(g: Grouping, factor: Floats) -> list[list[tuple[int, int]]]:
    """Entries (i, c) of L_f that move together, of its columns that are not zero."""
    if g.shared:
        return [[(a, a) for a in columns] for columns in g.shared if factor[columns[0]].any()]
    return [[(i, c)] for c in range(g.k) if factor[:, c].any() for i in range(c, g.k)]


# ------------------------------------------------------------------------------------------------
# Small-sample covariance and degrees of freedom for contrasts of fixed effects.
# ------------------------------------------------------------------------------------------------

METHODS = ("kenward-roger", "satterthwaite", "between-within", "asymptotic")


def check_method(df: str | float) -> str | float:
    """A method by name, or a number of degrees of freedom that the design supplies."""
    if isinstance(df, int | float) and df > 0:
        return float(df)
    if df not in METHODS:
        raise MixedModelError(
            f"df='{df}' is not one of: {', '.join(METHODS)}, or a number above 0."
        )
    return df


def check_level(level: float) -> None:
    if not 0.0 < level < 1.0:
        raise MixedModelError(f"level={level:g} must lie between 0 and 1, for example 0.95.")


@dataclass(frozen=True)
class KenwardRoger:
    """Adjusted covariance (p, p) and what the df need.

    w: (m, m) asymptotic covariance of the variance parameters (unit residual variance);
    d: (m, p, p) derivatives of phi, phi S_i phi (unit residual variance).
    """

    phi: Floats
    adjusted: Floats
    w: Floats
    d: Floats
    scale: float

    def moments(self, contrast: Floats) -> tuple[float, float]:
        """F scaling lambda and denominator df for L b = 0, L (l, p) of full row rank."""
        count = contrast.shape[0]
        if not len(self.d):
            return 1.0, np.inf  # nothing was estimated but the fixed effects
        middle = np.linalg.inv(contrast @ self.phi @ contrast.T)
        td = contrast.T @ middle @ contrast @ self.d
        traces = np.einsum("iaa->i", td)
        a1 = float(traces @ self.w @ traces)
        flat, turned = td.reshape(len(td), -1), td.transpose(0, 2, 1).reshape(len(td), -1)
        a2 = float(np.sum(self.w * (flat @ turned.T)))
        if a2 <= 1e-14:
            return 1.0, np.inf
        if count == 1:
            # the general formulas reduce to this, and lose digits on the way near df 2
            return 1.0, 2.0 / a2
        b = (a1 + 6.0 * a2) / (2.0 * count)
        g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
        under = 3.0 * count + 2.0 * (1.0 - g)
        c1, c2, c3 = g / under, (count - g) / under, (count + 2 - g) / under
        v0, v1, v2 = 1.0 + c1 * b, 1.0 - c2 * b, 1.0 - c3 * b
        if abs(v0) < 1e-10:
            v0 = 0.0
        # v2 = 0 is no fault: rho is then infinite and the df exactly 4
        with np.errstate(divide="ignore"):
            rho = np.float64((_ratio(1.0 - a2 / count, v1) ** 2) * v0 / count) / np.float64(v2)
            df = float(4.0 + np.float64(count + 2) / (count * rho - 1.0))
        scaling = 1.0 if abs(df - 2.0) < 1e-2 else df * (1.0 - a2 / count) / (df - 2.0)
        return float(scaling), float(df)


def _ratio(x: float, y: float) -> float:
    """x / y, taken as 1 where both vanish (the limit, as both are zero together)."""
    if abs(x) < 1e-14 and abs(y) < 1e-14:
        return 1.0
    return x / y


def kenward_roger(info: VarianceInformation, residual_variance: float) -> KenwardRoger:
    """Kenward & Roger 1997, eqs for Lambda and Phi_A; V is linear, so R_ij = 0."""
    phi, s = info.phi, info.s
    if not len(info.values):
        return KenwardRoger(
            phi, phi, np.zeros((0, 0)), np.zeros((0, *phi.shape)), residual_variance
        )
    w = 2.0 * _inverse(info.expected)
    correction = phi @ np.einsum("ij,ijab->ab", w, info.r) @ phi
    adjusted = phi + correction + correction.T
    return KenwardRoger(phi, adjusted, w, phi @ s @ phi, residual_variance)


def _inverse(matrix: Floats) -> Floats:
    """Inverse after scaling to unit diagonal; the pseudo-inverse where that is singular."""
    size = np.sqrt(np.maximum(np.diagonal(matrix), 1e-300))
    scaled = matrix / size[:, None] / size[None, :]
    values, vectors = np.linalg.eigh(scaled)
    keep = np.abs(values) > 1e-10
    inverse = (vectors[:, keep] / values[keep]) @ vectors[:, keep].T
    out: Floats = inverse / size[:, None] / size[None, :]
    return out


@dataclass(frozen=True)
class Satterthwaite:
    """Covariance of the free variance parameters and derivatives of phi (unit scale)."""

    phi: Floats
    w: Floats
    d: Floats

    def df(self, row: Floats) -> float:
        """2 (l'phi l)^2 / Var(l'phi l), Giesbrecht & Burns 1985."""
        variance = float(row @ self.phi @ row)
        gradient = np.einsum("a,iab,b->i", row, self.d, row)
        under = float(gradient @ self.w @ gradient)
        return np.inf if under <= 0.0 else 2.0 * variance**2 / under

    def f_df(self, contrast: Floats) -> float:
        """Denominator df for several rows, Fai & Cornelius 1996."""
        values, vectors = np.linalg.eigh(contrast @ self.phi @ contrast.T)
        keep = values > 1e-8 * values.max()
        dfs = np.array([self.df(v @ contrast) for v in vectors.T[keep]])
        if len(dfs) == 1:
            return float(dfs[0])
        if np.ptp(dfs) < 1e-8 * abs(dfs.mean()):
            return float(dfs.mean())
        useful = dfs[dfs > 2.0]
        expected = float(np.sum(useful / (useful - 2.0)))
        count = len(dfs)
        return 2.0 * expected / (expected - count) if expected > count else 2.0


def satterthwaite(
    info: VarianceInformation,
    quadratic: Floats,
    residual_variance: float,
    jacobian: Floats,
    bend: Floats,
) -> Satterthwaite:
    """Satterthwaite's method in coordinates that stay inside the bounds.

    quadratic: (m, m), y'P V_i P V_j P y;
    jacobian: (m, c) derivatives of the variance parameters in the coordinates; bend: (c, c) what
    the coordinates' curvature adds to the Hessian where the gradient is not zero (on a boundary).
    """
    hessian = jacobian.T @ info.hessian(quadratic, residual_variance) @ jacobian + bend
    size = np.sqrt(np.maximum(np.abs(np.diagonal(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian / size[:, None] / size[None, :])
    keep = values > 1e-8
    w = 2.0 * (vectors[:, keep] / values[keep]) @ vectors[:, keep].T / size[:, None] / size[None, :]
    d = np.einsum("mc,mab->cab", jacobian, info.phi @ info.s @ info.phi)
    return Satterthwaite(info.phi, w, d)


def t_table(
    estimate: Floats, se: Floats, df: Floats, level: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """t, two-sided p, low and high; df may be infinite."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = estimate / se
    p = np.asarray(2.0 * stats.t.sf(np.abs(t), df))
    half = np.asarray(stats.t.ppf(0.5 + level / 2.0, df)) * se
    return t, p, estimate - half, estimate + half


# ------------------------------------------------------------------------------------------------
# Between-within degrees of freedom: each contrast gets those of the stratum it lives in.
#
# A column of X belongs to the coarsest grouping within whose levels it is constant; the stratum's
# df are its levels less what the columns constant there, and the groupings it is nested in, use
# up (Schluchter & Elashoff 1990, J. Stat. Comput. Simul. 37:69; the df that the classical analysis
# of variance gives in balanced layouts).
# ------------------------------------------------------------------------------------------------

def between_within(part: FixedPart, random: RandomPart, contrast: Floats) -> Floats:
    """Degrees of freedom of each contrast row (m, p): the least among the columns it uses."""
    columns = part.rows[:, part.kept]
    n = len(part.codes)
    groupings = sorted(random.groupings, key=lambda g: g.n_levels)
    constant = [
        [_constant_within(g, columns[:, j][part.codes]) for j in range(part.p)] for g in groupings
    ]
    used = sum(g.n_levels - 1 for g in groupings)
    residual = max(float(n - part.p - used), 1.0)
    df = np.full(part.p, residual)
    for j in range(part.p):
        if np.ptp(columns[:, j]) == 0.0:
            continue
        for g, const in zip(groupings, constant, strict=True):
            if const[j]:
                df[j] = _stratum(g, groupings, const, columns, part)
                break
    out = np.empty(len(contrast))
    varying = np.ptp(columns, axis=0) > 0.0
    for i, row in enumerate(contrast):
        active = (np.abs(row) > 1e-12) & varying
        out[i] = df[active].min() if active.any() else _intercept(groupings, residual, df, varying)
    return out


def _intercept(
    groupings: list[Grouping], residual: float, df: Floats, varying: np.ndarray
) -> float:
    """An overall mean lives among the coarsest grouping's levels."""
    return float(max(groupings[0].n_levels - 1, 1)) if groupings else residual


def _constant_within(g: Grouping, x: Floats) -> bool:
    low = np.full(g.n_levels, np.inf)
    high = np.full(g.n_levels, -np.inf)
    np.minimum.at(low, g.codes, x)
    np.maximum.at(high, g.codes, x)
    return bool(np.all(high - low <= 1e-12 * max(1.0, float(np.abs(x).max()))))


def _stratum(
    g: Grouping, groupings: list[Grouping], const: list[bool], columns: Floats, part: FixedPart
) -> float:
    first = np.full(g.n_levels, -1, dtype=np.intp)
    first[g.codes[::-1]] = np.arange(len(g.codes) - 1, -1, -1)
    pieces = [columns[part.codes[first]][:, np.array(const)], np.ones((g.n_levels, 1))]
    for other in groupings:
        if other is g or other.n_levels >= g.n_levels:
            continue
        if _constant_within(g, other.codes.astype(np.float64)):
            pieces.append(np.eye(other.n_levels)[other.codes[first]])
    used = int(np.linalg.matrix_rank(np.hstack(pieces)))
    return float(max(g.n_levels - used, 1))
