"""Start values for the variance search."""

from __future__ import annotations

import numpy as np

from trialkit.mixed.grouping import Floats
from trialkit.mixed.likelihood import Objective
from trialkit.mixed.solve import forward


def starting_point(objective: Objective) -> Floats:
    """Start values by moments: Henderson's method at zero variances (MINQUE(0), Rao 1971).

    Solves E[y'M Z_f Z_f' M y] = observed for the relative variances, floored at a tenth of the
    scale on which a grouping starts to matter, so that the search starts off the boundary.
    """
    groupings = objective.random.groupings
    if not groupings:
        return np.zeros(0)
    start = [np.diag(scale) for scale in objective.triangles.scales]
    if all(g.k == 1 for g in groupings):
        expected, observed = moments(objective)
        if objective.known_residual:
            target, matrix = observed[:-1] - expected[:-1, -1], expected[:-1, :-1]
        else:
            target, matrix = observed, expected
        found, *_ = np.linalg.lstsq(matrix, target, rcond=1e-10)
        least = 1e-3 * observed[-1] / objective.n
        unit = 1.0 if objective.known_residual else max(float(found[-1]), least)
        for at, scale in enumerate(objective.triangles.scales):
            relative = max(float(found[at]) / unit, 0.1 * float(scale[0]) ** 2)
            start[at] = np.array([[np.sqrt(relative)]])
    return objective.triangles.pack(start)


def moments(objective: Objective) -> tuple[Floats, Floats]:
    """tr(M V_i M V_j) (m, m) and y'M V_i M y (m,), residual last, for random intercepts only.

    M is the projection off X; Z_f'M Z_g = Z_f'Z_g - U_f U_g' with U of p columns, so no product
    of two large matrices is needed.
    """
    random, cross, p = objective.random, objective.cross, objective.p
    r, m = random.r, len(random.groupings)
    x, y = slice(r, r + p), r + p
    chol = np.linalg.cholesky(cross.rest[x, x])
    xy = forward(chol, cross.rest[x, y : y + 1])[:, 0]
    lead, own = cross.lead_rest[:, 0, :], cross.lead[:, 0, 0]
    slices = random.slices
    u = [forward(chol, lead[:, x].T).T, *(forward(chol, cross.rest[x, s]).T for s in slices)]
    uu = [a.T @ a for a in u]
    lead_u = lead[:, :r].T @ u[0]
    expected = np.zeros((m + 1, m + 1))
    expected[0, 0] = own @ own - 2.0 * own @ (u[0] ** 2).sum(axis=1) + np.sum(uu[0] ** 2)
    for i, si in enumerate(slices, start=1):
        block = lead[:, si]
        expected[0, i] = np.sum(block**2) - 2.0 * np.sum(lead_u[si] * u[i])
        expected[0, i] += np.sum(uu[0] * uu[i])
        for j, sj in enumerate(slices[:i], start=1):
            expected[j, i] = np.sum((cross.rest[si, sj] - u[i] @ u[j].T) ** 2)
    diagonals = [own.sum(), *(np.trace(cross.rest[s, s]) for s in slices)]
    expected[:m, m] = [d - np.trace(a) for d, a in zip(diagonals, uu, strict=True)]
    expected[m, m] = objective.n - p
    expected = np.triu(expected) + np.triu(expected, 1).T
    zy = [lead[:, y], *(cross.rest[s, y] for s in slices)]
    left = [z - a @ xy for z, a in zip(zy, u, strict=True)]
    observed = [float(z @ z) for z in left]
    return expected, np.array([*observed, float(cross.rest[y, y] - xy @ xy)])
