"""Information about the variance parameters, without any n x n matrix.

The parameters are the free entries of each G_f times the residual variance, and (unless it
is known) the residual variance itself, so that V is linear in them: V = sum_i s_i V_i with
V_i = Z_f E_i Z_f' or V_e = I.  Everything asked of them is a trace or a p x p product:

  t_ij = tr(V^-1 V_i V^-1 V_j),  S_i = X'V^-1 V_i V^-1 X,  Q_ij = X'V^-1 V_i V^-1 V_j V^-1 X

and comes from the blocks M_fg = Z_f'V^-1 Z_g and H_f = Z_f'V^-1 X.  The residual's entries
follow from V^-1 V_e = I - sum_i g_i V^-1 V_i (all in units of the residual variance), so
records never reappear.  For the lead grouping M_11 is block diagonal less Y'Y with Y of few
rows, and is never formed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.mixed.grouping import Floats, Grouping
from trialkit.mixed.solve import Solved


@dataclass(frozen=True)
class Parameter:
    """One variance parameter: the entries (a, b) of a grouping's covariance that it fills, or
    the residual variance (grouping -1, no entries)."""

    grouping: int
    entries: tuple[tuple[int, int], ...] = ()

    @property
    def residual(self) -> bool:
        return self.grouping < 0


@dataclass(frozen=True)
class VarianceInformation:
    """Traces and products for every pair of parameters, residual last (scale: variance 1).

    t: (m, m); s: (m, p, p); q: (m, m, p, p); phi: (p, p) = (X'V^-1X)^-1;
    values: (m,) the parameters relative to the residual variance.
    """

    parameters: tuple[Parameter, ...]
    values: Floats
    t: Floats
    s: Floats
    q: Floats
    phi: Floats

    def expected(self) -> Floats:
        """Twice the expected REML information: tr(P V_i P V_j), (m, m).

        Kenward & Roger 1997, section 3: t_ij - 2 tr(phi Q_ij) + tr(phi S_i phi S_j).
        """
        ps = self.phi @ self.s
        out: Floats = (
            self.t
            - 2.0 * np.einsum("ab,ijba->ij", self.phi, self.q)
            + np.einsum("iab,jba->ij", ps, ps)
        )
        return 0.5 * (out + out.T)

    def hessian(self, quadratic: Floats, residual_variance: float) -> Floats:
        """Second derivatives of -2 log restricted likelihood, (m, m), unit-scale parameters.

        quadratic: (m, m), y'P V_i P V_j P y (`quadratic_forms`).
        """
        out: Floats = -self.expected() + 2.0 * quadratic / residual_variance
        return 0.5 * (out + out.T)


class _Blocks:
    """M_fg and H_f of one solution, the lead kept as block diagonal less Y'Y."""

    def __init__(self, s: Solved, *, x_out: bool) -> None:
        self.s = s
        rows = s.r + s.p if x_out else s.r
        self.levels, self.k, _ = s.f.shape
        self.y1 = s.y_lead[:rows].reshape(rows, self.levels, self.k)
        self.y2 = s.y_rest[:rows]
        t22 = s.t[: s.r, : s.r]
        self.m22 = t22 - self.y2.T @ self.y2
        flat = s.y_lead[:rows].T @ self.y2
        self.m12 = s.f[:, :, : s.r] - flat.reshape(self.levels, self.k, s.r)
        self.m0 = s.m0

    def rest(self, f: int, g: int) -> Floats:
        """M_fg for two of the other groupings, (levels_f, k_f, levels_g, k_g)."""
        gf, gg = self.s.random.groupings[f], self.s.random.groupings[g]
        sf, sg = self.s.random.slices[f - 1], self.s.random.slices[g - 1]
        return np.asarray(self.m22[sf, sg].reshape(gf.n_levels, gf.k, gg.n_levels, gg.k))

    def lead_to(self, g: int) -> Floats:
        gg = self.s.random.groupings[g]
        part = self.m12[:, :, self.s.random.slices[g - 1]]
        return np.asarray(part.reshape(self.levels, self.k, gg.n_levels, gg.k))

    def times(self, f: int, g: int, c: int, d: int, b: Floats) -> Floats:
        """Column pair (c, d) of M_fg times b (levels_g, q)."""
        if f == 0 and g == 0:
            own = self.m0[:, c, d][:, None] * b
            out: Floats = own - self.y1[:, :, c].T @ (self.y1[:, :, d] @ b)
            return out
        if f == 0:
            return np.asarray(self.lead_to(g)[:, c, :, d] @ b)
        if g == 0:
            return np.asarray(self.lead_to(f)[:, d, :, c].T @ b)
        return np.asarray(self.rest(f, g)[:, c, :, d] @ b)

    def inner(self, f: int, g: int, pair: tuple[int, int], other: tuple[int, int]) -> float:
        """sum over levels of M_fg[., pair0, ., pair1] * M_fg[., other0, ., other1]."""
        (c, d), (e, h) = pair, other
        if f == 0 and g == 0:
            m, y = self.m0, self.y1
            diagonal = np.einsum("rj,rj->j", y[:, :, c], y[:, :, d])
            diagonal2 = np.einsum("rj,rj->j", y[:, :, e], y[:, :, h])
            low = float(np.sum((y[:, :, c] @ y[:, :, e].T) * (y[:, :, d] @ y[:, :, h].T)))
            return (
                float(m[:, c, d] @ m[:, e, h] - m[:, c, d] @ diagonal2 - m[:, e, h] @ diagonal)
                + low
            )
        block = self.lead_to(g) if f == 0 else self.rest(f, g)
        return float(np.sum(block[:, c, :, d] * block[:, e, :, h]))


def variance_information(s: Solved, *, known_residual: bool, n: int) -> VarianceInformation:
    """Traces and products at a solution.  ``n`` is the number of records."""
    groupings = s.random.groupings
    parameters = [
        Parameter(f, entries) for f, g in enumerate(groupings) for entries in g.parameters
    ]
    values = np.array(
        [(s.factors[q.grouping] @ s.factors[q.grouping].T)[q.entries[0]] for q in parameters]
    )
    phi = np.linalg.inv(s.xvx)
    blocks = _Blocks(s, x_out=False) if groupings else None
    h = _h_blocks(s)
    m = len(parameters)
    t, q = np.zeros((m, m)), np.zeros((m, m, s.p, s.p))
    sx = np.zeros((m, s.p, s.p))
    own = s.own_blocks(x_out=False)
    trace = np.zeros(m)
    for i, pi in enumerate(parameters):
        hf = h[pi.grouping]
        for a, b in _entries(pi):
            sx[i] += hf[:, a].T @ hf[:, b]
            trace[i] += own[pi.grouping][b, a]
    assert blocks is not None or m == 0
    for i, pi in enumerate(parameters):
        for j, pj in enumerate(parameters):
            if blocks is None:
                continue
            f, g = pi.grouping, pj.grouping
            if f <= g:
                # tr(E_i M_fg E_j M_gf) = sum E_i[a,b] E_j[c,d] <M_fg[b,c], M_fg[a,d]>
                t[i, j] = t[j, i] = sum(
                    blocks.inner(f, g, (b, c), (a, d))
                    for a, b in _entries(pi)
                    for c, d in _entries(pj)
                )
            for a, b in _entries(pi):
                for c, d in _entries(pj):
                    q[i, j] += h[f][:, a].T @ blocks.times(f, g, b, c, h[g][:, d])
    if not known_residual:
        parameters.append(Parameter(-1))
        t, sx, q = _with_residual(values, trace, t, sx, q, s.xvx, n)
        values = np.append(values, 1.0)
    return VarianceInformation(tuple(parameters), values, t, sx, q, phi)


def _entries(parameter: Parameter) -> tuple[tuple[int, int], ...]:
    off = tuple((b, a) for a, b in parameter.entries if a != b)
    return parameter.entries + off


def _h_blocks(s: Solved) -> list[Floats]:
    """H_f = Z_f'V^-1X, (levels, k, p) a grouping."""
    if s.random.lead is None:
        return []
    levels, k, _ = s.f.shape
    cut = slice(s.r, s.r + s.p)
    lead = s.f[:, :, cut] - (s.y_lead[: s.r].T @ s.y_x).reshape(levels, k, s.p)
    rest = s.t[: s.r, cut] - s.y_rest[: s.r].T @ s.y_x
    out = [lead]
    for g, at in zip(s.random.others, s.random.slices, strict=True):
        out.append(rest[at].reshape(g.n_levels, g.k, s.p))
    return out


def _with_residual(
    g: Floats, trace: Floats, t: Floats, s: Floats, q: Floats, xvx: Floats, n: int
) -> tuple[Floats, Floats, Floats]:
    """Append the residual's row and column by V^-1 V_e = I - sum_i g_i V^-1 V_i."""
    m, p = len(g), xvx.shape[0]
    t_out, s_out, q_out = np.zeros((m + 1, m + 1)), np.zeros((m + 1, p, p)), None
    t_out[:m, :m] = t
    t_out[:m, m] = t_out[m, :m] = trace - t @ g
    t_out[m, m] = (n - g @ trace) - g @ t_out[:m, m]
    s_out[:m] = s
    s_out[m] = xvx - np.einsum("i,iab->ab", g, s)
    q_out = np.zeros((m + 1, m + 1, p, p))
    q_out[:m, :m] = q
    q_out[:m, m] = s - np.einsum("j,ijab->iab", g, q)
    q_out[m, :m] = q_out[:m, m].transpose(0, 2, 1)
    q_out[m, m] = s_out[m] - np.einsum("i,iab->ab", g, q_out[:m, m])
    return t_out, s_out, q_out


def quadratic_forms(s: Solved, info: VarianceInformation) -> Floats:
    """y'P V_i P V_j P y for every pair of the parameters, (m, m)."""
    of_groups = [q for q in info.parameters if not q.residual]
    out = _quadratic(s, of_groups)
    if len(of_groups) < len(info.parameters):
        out = _quadratic_with_residual(s, info.values[:-1], out, of_groups)
    return out


def _quadratic(s: Solved, parameters: list[Parameter]) -> Floats:
    """y'P V_i P V_j P y = u_f'E_i (Z_f'PZ_g) E_j u_g with u = Z'Py."""
    if not parameters:
        return np.zeros((0, 0))
    u = s.scores()
    blocks = _Blocks(s, x_out=True)
    m = len(parameters)
    out = np.zeros((m, m))
    for i, pi in enumerate(parameters):
        for j, pj in enumerate(parameters):
            if pi.grouping > pj.grouping:
                continue
            f, g = pi.grouping, pj.grouping
            total = 0.0
            for a, b in _entries(pi):
                for c, d in _entries(pj):
                    total += float(u[f][:, a] @ blocks.times(f, g, b, c, u[g][:, d][:, None])[:, 0])
            out[i, j] = out[j, i] = total
    return out


def _quadratic_with_residual(
    s: Solved, g: Floats, quadratic: Floats, parameters: list[Parameter]
) -> Floats:
    m = len(g)
    u = s.scores()
    first = np.array(
        [
            sum(float(u[p.grouping][:, a] @ u[p.grouping][:, b]) for a, b in _entries(p))
            for p in parameters[:m]
        ]
    )
    out = np.zeros((m + 1, m + 1))
    out[:m, :m] = quadratic
    out[:m, m] = out[m, :m] = first - quadratic @ g
    out[m, m] = (s.rss - g @ first) - g @ out[:m, m]
    return out


def _entries_of(matrix: Floats, grouping: int, parameters: tuple[Parameter, ...]) -> Floats:
    """The parameters' entries of one grouping's matrix (k, k); zero for other groupings."""
    own = [matrix[q.entries[0]] if q.grouping == grouping else 0.0 for q in parameters]
    return np.array(own)


def inner_coordinates(
    s: Solved, info: VarianceInformation, residual_variance: float
) -> tuple[Floats, Floats]:
    """Coordinates in which a fit on the boundary is an ordinary minimum.

    They are the entries of the columns of each L_f that are not zero, and the residual variance.
    Returns the Jacobian (m, c) of the variance parameters in them, and what their curvature adds
    to the Hessian, (c, c): d2(L L')/dL2 times the gradient in G (unit residual variance).
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
    if info.parameters and info.parameters[-1].residual:
        columns.append(np.array([float(q.residual) for q in info.parameters]))
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
