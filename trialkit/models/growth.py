"""One growth curve a plot from the plants measured in it: the first stage of the height model.

Each plot gets a natural cubic spline of its own, so that whatever makes plots differ (a taller
plot, a later one, a wet corner from July on) shows in the plots' curves as it is, and not only as
far as a random intercept and slope could follow it.  Varieties are then compared day by day from
the plots' curves (`plot_curves`).  Plants that were missed on a date, or died, are allowed for by
each plant's own level and slope, as far as plants differ in these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.mixed import MixedModelError, fit_lmm
from trialkit.models.smooth import Floats, Spline


@dataclass(frozen=True)
class PlantSpread:
    """How plants of a plot differ: covariance (2, 2) of level and slope over the knots' range,
    and the variance of one reading about its plant's curve (cm squared)."""

    plant: Floats
    reading: float


@dataclass(frozen=True)
class UnitCurves:
    """units: one row a unit with a curve, columns as in the data.  days (d,): grid.  value
    (u, d): the curves, in cm.  spread: between plants of a unit.  proportional: whether units
    vary in proportion to their height (see `plot_curves`).  at: the day of the grid on which units
    are compared, the last that every cell was measured on or after."""

    units: pd.DataFrame
    days: Floats
    value: Floats
    spread: PlantSpread
    proportional: bool = True
    at: int = -1


def unit_curves(data: pd.DataFrame, spline: Spline, days: Floats) -> UnitCurves:
    """A curve for each level of `unit`.

    data: one row a reading: unit, cell (units with one curve in common), plant, day, height_cm,
    cut (day the unit was topped, NaN if it was not: its curve may drop and bend there).  A unit
    read on fewer dates than the spline has columns takes the rest of its shape from its cell;
    outside its own first and last reading it keeps its distance from the cell's curve, and outside
    the cell's own the height of its end: no curve goes where nothing was measured.
    """
    shape = _columns(spline, data["day"].to_numpy(), data["cut"].to_numpy())
    height = data["height_cm"].to_numpy(float)
    common: dict[object, Floats] = {}
    left = np.zeros(len(data))
    cells = data.groupby("cell", sort=False).indices
    for cell, at in cells.items():
        common[cell] = np.linalg.lstsq(shape[at], height[at], rcond=None)[0]
        left[at] = height[at] - shape[at] @ common[cell]
    of_unit = data.groupby("unit", sort=True).indices
    sizes = {unit: min(shape.shape[1], data["day"].iloc[at].nunique())
             for unit, at in of_unit.items()}
    rest = left.copy()
    for unit, at in of_unit.items():
        own = shape[at][:, : sizes[unit]]
        rest[at] -= own @ np.linalg.lstsq(own, left[at], rcond=None)[0]
    spread = _spread(data, spline, rest)
    spans = {cell: (data["day"].iloc[at].min(), data["day"].iloc[at].max())
             for cell, at in cells.items()}
    rows = []
    for unit, at in of_unit.items():
        part = data.iloc[at]
        cut = float(part["cut"].iloc[0])
        own = shape[at][:, : sizes[unit]]
        beta = _weighted(own, left[at], part, spline, spread)
        seen = np.clip(days, part["day"].min(), part["day"].max())
        cell = part["cell"].iloc[0]
        within = np.clip(days, *spans[cell])
        rows.append(_columns(spline, within, np.full(len(days), cut)) @ common[cell]
                    + _columns(spline, seen, np.full(len(days), cut))[:, : sizes[unit]] @ beta)
    units = data.groupby("unit", sort=True).first().reset_index()
    ends = [last for _, last in spans.values()]
    at_all = int(np.searchsorted(days, min(ends)))
    return UnitCurves(units, days, np.array(rows), spread, at=min(at_all, len(days) - 1))


def _columns(spline: Spline, day: Floats, cut: Floats) -> Floats:
    """1, the spline, and where units were cut back a drop and a change of growth, (n, p)."""
    columns = [np.ones((len(day), 1)), spline.basis(day)]
    since = np.maximum(day - cut, 0.0) / max(float(np.ptp(spline.knots)), 1e-9)
    columns.append(np.nan_to_num(np.column_stack([day >= cut, since])))
    return np.hstack(columns)


def _spread(data: pd.DataFrame, spline: Spline, rest: Floats) -> PlantSpread:
    """Plants' own level and slope from what the units' curves leave; none where it cannot tell."""
    frame = pd.DataFrame({"plant": data["plant"].to_numpy(), "rest": rest,
                          "slope": spline.basis(data["day"])[:, 0]})
    plain = PlantSpread(np.zeros((2, 2)), max(float(rest.var()), 1e-12))
    within = data.groupby("unit")["plant"].nunique()
    if within.max() < 2 or rest.var() < 1e-9 or len(frame) <= 2 * frame["plant"].nunique():
        return plain
    try:
        fit = fit_lmm("rest ~ 1", frame, groups=["plant"], slopes={"plant": ["slope"]})
    except (MixedModelError, np.linalg.LinAlgError):
        return plain
    return PlantSpread(fit.group_cov["plant"].to_numpy(float), max(fit.residual_sd**2, 1e-12))


def _weighted(
    own: Floats, left: Floats, part: pd.DataFrame, spline: Spline, spread: PlantSpread
) -> Floats:
    """Generalised least squares of a unit's readings, plants varying in level and slope.

    Whitened plant by plant, since plants are independent given their unit.
    """
    if not spread.plant.any() or part["plant"].nunique() < 2:
        return np.asarray(np.linalg.lstsq(own, left, rcond=None)[0])
    x, y = np.empty_like(own), np.empty_like(left)
    random = np.column_stack([np.ones(len(part)), spline.basis(part["day"])[:, 0]])
    for at in part.groupby("plant", sort=False).indices.values():
        v = random[at] @ spread.plant @ random[at].T + spread.reading * np.eye(len(at))
        half = np.linalg.cholesky(v)
        x[at], y[at] = np.linalg.solve(half, own[at]), np.linalg.solve(half, left[at])
    return np.asarray(np.linalg.lstsq(x, y, rcond=None)[0])
