"""Start values for the variance search."""

from __future__ import annotations

import numpy as np

from trialkit.mixed.grouping import Floats
from trialkit.mixed.information import traces
from trialkit.mixed.likelihood import Objective


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
    """tr(M V_i M V_j) (m, m) and y'M V_i M y (m,), residual last, for random intercepts only:
    P at zero variances is M, the projection off X."""
    random = objective.random
    s = objective.solved([np.zeros((g.k, g.k)) for g in random.groupings])
    expected = traces(s, known_residual=False, n=objective.n)
    observed = [float(np.sum(u**2)) for u in s.scores()]
    return expected, np.array([*observed, s.rss])
