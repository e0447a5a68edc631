"""Start values for the variance search."""

from __future__ import annotations

import numpy as np

from trialkit.mixed.grouping import Floats
from trialkit.mixed.information import variance_information
from trialkit.mixed.likelihood import Objective


def starting_point(objective: Objective) -> Floats:
    """Start values by moments: Henderson's method at zero variances (MINQUE(0), Rao 1971).

    Solves E[y'M Z_f Z_f' M y] = observed for the relative variances, floored at a tenth of the
    scale on which a grouping starts to matter, so that the search starts off the boundary.
    """
    groupings = objective.random.groupings
    zero = [np.zeros((g.k, g.k)) for g in groupings]
    if not groupings:
        return np.zeros(0)
    start = [np.diag(scale) for scale in objective.scales]
    if all(g.k == 1 for g in groupings):
        info = variance_information(
            objective.solved(zero), known_residual=objective.known_residual, n=objective.n
        )
        u = objective.solved(zero).scores()
        observed = [float((s**2).sum()) for s in u]
        expected = info.expected()
        if objective.known_residual:
            target = np.array(observed) - np.array(
                [b[0, 0] for b in objective.solved(zero).own_blocks(x_out=True)]
            )
        else:
            target = np.array([*observed, objective.solved(zero).rss])
        found, *_ = np.linalg.lstsq(expected, target, rcond=1e-10)
        unit = (
            1.0
            if objective.known_residual
            else max(float(found[-1]), 1e-3 * target[-1] / objective.n)
        )
        for at, scale in enumerate(objective.scales):
            relative = max(float(found[at]) / unit, 0.1 * float(scale[0]) ** 2)
            start[at] = np.array([[np.sqrt(relative)]])
    return objective.pack(start)
