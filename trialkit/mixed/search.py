"""The search for the least of -2 log likelihood in models of counts and scores."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats

Value = Callable[[Floats], tuple[float, Floats]]
"""A point (m,) -> -2 log likelihood and its gradient (m,); may raise MixedModelError."""

SMALL = 0.2
"""Entries of a triangle no larger than this are tried at exactly zero."""


def quasi_newton(
    value: Value, start: Floats, free: NDArray[np.bool_], slope: float = 1e-4, restarts: int = 4
) -> Floats:
    """The least over the free entries, until no slope exceeds ``slope``; a point where the value
    cannot be had counts as very high."""
    if not free.any():
        return start
    full = start.copy()

    def over_free(entries: Floats) -> tuple[float, Floats]:
        there = full.copy()
        there[free] = entries
        try:
            height, gradient = value(there)
        except MixedModelError:
            return 1e100, np.zeros(int(free.sum()))
        return (height, gradient[free]) if np.isfinite(height) else (1e100, 0.0 * gradient[free])

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(restarts):
            best = minimize(over_free, full[free], jac=True, method="BFGS",
                            options={"gtol": slope, "maxiter": 500})  # fmt: skip
            full[free] = best.x
            if np.abs(best.jac).max() < 10.0 * slope:
                break
    return full


def settle_zeros(
    value: Value, columns: Sequence[Sequence[int]], at: Floats, slope: float = 1e-4
) -> Floats:
    """Columns of the triangles that are nearly zero are tried at exactly zero."""
    height, _ = value(at)
    for entries in columns:
        if np.abs(at[list(entries)]).max() > SMALL:
            continue
        trial = at.copy()
        trial[list(entries)] = 0.0
        trial = quasi_newton(value, trial, trial != 0.0, slope)
        at_zero, _ = value(trial)
        if at_zero <= height + 1e-6 * (1.0 + abs(height) * 1e-3):
            at, height = trial, at_zero
    return at


def curvature(value: Value, at: Floats, entries: Sequence[int]) -> Floats:
    """Hessian over some entries, by central differences of the gradient."""
    chosen = list(entries)
    out = np.empty((len(chosen), len(chosen)))
    for row, i in enumerate(chosen):
        step = np.zeros(len(at))
        step[i] = 1e-4 * max(1.0, abs(at[i]))
        ahead, behind = value(at + step)[1], value(at - step)[1]
        out[row] = (ahead - behind)[chosen] / (2.0 * step[i])
    return np.asarray(0.5 * (out + out.T))
