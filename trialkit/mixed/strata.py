"""Between-within degrees of freedom: each contrast gets those of the stratum it lives in.

A column of X belongs to the coarsest grouping within whose levels it is constant; the stratum's
df are its levels less what the columns constant there, and the groupings it is nested in, use
up (Schluchter & Elashoff 1990, J. Stat. Comput. Simul. 37:69; the df that the classical analysis
of variance gives in balanced layouts).
"""

from __future__ import annotations

import numpy as np

from trialkit.mixed.crossproducts import RandomPart
from trialkit.mixed.fixed import FixedPart
from trialkit.mixed.grouping import Floats, Grouping


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
