"""Chance of crossing a boundary at one of several looks at the same growing data.

The standardised statistics Z_1, Z_2, ... have the canonical joint distribution (Jennison &
Turnbull 2000, Group Sequential Methods, eq. 3.1): jointly normal, E Z_k = drift sqrt(I_k),
Cov(Z_j, Z_k) = sqrt(I_j / I_k) for I_j <= I_k. Then S_k = Z_k sqrt(I_k) has independent
increments, and the density of S_k among the paths that have not crossed yet follows from that
of S_{k-1} by one integral (Armitage, McPherson & Rowe 1969, J. R. Stat. Soc. A 132:235-244).
The integrals are done here by Gauss-Legendre quadrature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

SMALLEST_GAIN = 1e-3
"""A look must add this share of information; less is counted as this much. (Two looks at
nearly the same data are nearly one look. Counting the gain as a little more than it is makes
the statistics a little less correlated than they are, which errs on the careful side.)"""

_REACH = 9.0  # standard deviations kept either side; beyond lies less than 1e-18
_NODES_PER_WIDTH = 3.0  # quadrature nodes per standard deviation of one increment
_PANEL, _MOST_NODES = 32, 1600
_NODES, _WEIGHTS = leggauss(_PANEL)


@dataclass(frozen=True)
class Paths:
    """Paths that have not crossed yet after one look.

    at: quadrature nodes on the scale of S, shape (n,); mass: density times quadrature weight,
    shape (n,), summing to the chance of not having crossed; information: I at this look.
    """

    at: Array
    mass: Array
    information: float


def start(information: float = 0.0, score: float = 0.0) -> Paths:
    """All paths together at one point: S = score after `information` (nothing seen: 0, 0)."""
    return Paths(np.array([score]), np.array([1.0]), information)


def exit_chances(before: Paths, information: float, z: float, drift: float) -> tuple[float, float]:
    """(below, above): chance of first crossing -z or +z at a look with this information."""
    spread, centre = _step(before, information, drift)
    edge = z * np.sqrt(information)
    if not np.isfinite(edge):
        return 0.0, 0.0
    below = float(before.mass @ ndtr((-edge - centre) / spread))
    above = float(before.mass @ ndtr((centre - edge) / spread))
    return below, above


def carry_on(
    before: Paths, information: float, z: float, drift: float, next_gain: float | None = None
) -> Paths:
    """The paths still inside (-z, z) at a look with this information.

    next_gain: information the following look will add, if known; sets how fine the grid is.
    """
    spread, centre = _step(before, information, drift)
    low = float(centre.min() - _REACH * spread)
    high = float(centre.max() + _REACH * spread)
    edge = z * float(np.sqrt(information))
    low, high = max(low, -edge), min(high, edge)
    if high <= low:
        return Paths(np.array([0.0]), np.array([0.0]), information)
    finest = spread if next_gain is None else min(spread, float(np.sqrt(next_gain)))
    wanted = min(_NODES_PER_WIDTH * (high - low) / finest, _MOST_NODES)
    at, weights = _quadrature(low, high, wanted)
    return Paths(at, _density(at, centre, before.mass, spread) * weights, information)


def growing(information: Sequence[float] | Array) -> Array:
    """Information made strictly increasing: each look at least SMALLEST_GAIN above the last.

    information: one value a look (1 / se^2 on any common scale), shape (k,), all positive.
    Raises ValueError for values that are not positive and finite.
    """
    values = np.array(information, dtype=float)
    if values.ndim != 1 or values.size == 0 or not np.all(np.isfinite(values) & (values > 0)):
        raise ValueError("information must be positive and finite, one value a look")
    for k in range(1, values.size):
        values[k] = max(values[k], values[k - 1] * (1.0 + SMALLEST_GAIN))
    return values


@dataclass(frozen=True)
class Crossing:
    """Chance of first crossing at each look: below and above, shape (k,) each."""

    below: Array
    above: Array

    @property
    def total(self) -> float:
        """Chance of crossing either boundary at any look."""
        return float(self.below.sum() + self.above.sum())


def crossing(
    information: Sequence[float] | Array,
    z: Sequence[float] | Array,
    drift: float = 0.0,
    begin: Paths | None = None,
) -> Crossing:
    """Chance of first crossing -z_k or +z_k at each look.

    information: I_k, shape (k,), increasing. z: boundary at each look, shape (k,), np.inf for
    no boundary. drift: E Z_k = drift sqrt(I_k). begin: paths to start from (default: nothing
    seen yet); its information must be smaller than the first I_k.
    Raises ValueError if shapes differ or information does not grow.
    """
    steps = np.asarray(information, dtype=float)
    edges = np.asarray(z, dtype=float)
    if steps.shape != edges.shape or steps.ndim != 1 or steps.size == 0:
        raise ValueError("information and z need one value a look each")
    paths = start() if begin is None else begin
    if np.any(np.diff(np.concatenate([[paths.information], steps])) <= 0):
        raise ValueError("information must grow from look to look")
    below, above = np.zeros(steps.size), np.zeros(steps.size)
    gains = np.diff(steps)
    for k in range(steps.size):
        below[k], above[k] = exit_chances(paths, steps[k], edges[k], drift)
        if k + 1 < steps.size:
            paths = carry_on(paths, steps[k], edges[k], drift, float(gains[k]))
    return Crossing(below, above)


def _quadrature(low: float, high: float, wanted: float) -> tuple[Array, Array]:
    """Nodes and weights of a composite Gauss-Legendre rule with at least `wanted` nodes."""
    panels = max(int(np.ceil(wanted / _PANEL)), 2)
    width = (high - low) / panels
    at = low + width * (np.arange(panels)[:, None] + (_NODES[None, :] + 1.0) / 2.0)
    return at.ravel(), np.tile(_WEIGHTS * width / 2.0, panels)


def _density(at: Array, centre: Array, mass: Array, spread: float) -> Array:
    """Density of S at the new nodes: normal steps from every old node, mixed by its mass.

    Works panel by panel, with the old nodes that are near enough to matter; both are sorted.
    """
    density = np.empty(at.size)
    reach = _REACH * spread
    for first in range(0, at.size, _PANEL):
        here = at[first : first + _PANEL]
        near = slice(*np.searchsorted(centre, [here[0] - reach, here[-1] + reach]))
        away = (here[:, None] - centre[None, near]) / spread
        density[first : first + _PANEL] = np.exp(-0.5 * away**2) @ mass[near]
    return np.asarray(density / (spread * np.sqrt(2.0 * np.pi)))


def _step(before: Paths, information: float, drift: float) -> tuple[float, Array]:
    """Standard deviation of the next increment, and where it centres for every node."""
    gain = information - before.information
    return float(np.sqrt(gain)), before.at + drift * gain
