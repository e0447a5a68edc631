"""Pictures of a fit: its residuals, and its predicted effects with their errors.

Plain matplotlib, loaded when a picture is asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.mixed.errors import MixedModelError
from trialkit.mixed.grouping import Floats

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KINDS = ("residuals", "effects")
BAND = 0.95


class Drawn(Protocol):
    """What a picture asks of a fit."""

    @property
    def random_effects(self) -> dict[str, pd.DataFrame]: ...

    def random_effect_se(self) -> dict[str, pd.DataFrame]: ...


def plot_fit(fit: Drawn, kind: str, group: str | None) -> Figure:
    """A figure of one kind; see `MixedFit.plot`."""
    if kind not in KINDS:
        raise MixedModelError(f"plot kind '{kind}' is not one of: {', '.join(KINDS)}.")
    from matplotlib import pyplot

    figure = _residuals(fit) if kind == "residuals" else _effects(fit, group)
    pyplot.close(figure)  # a notebook shows what a cell returns, and would show it twice
    return figure


def _canvas(width: float, height: float) -> Figure:
    from matplotlib import pyplot

    return pyplot.figure(figsize=(width, height), layout="constrained")


def _residuals(fit: Drawn) -> Figure:
    """Left, residuals over fitted values; right, against the normal law they should follow."""
    figure = _canvas(8.0, 3.6)
    left, right = figure.subplots(1, 2)
    residuals = getattr(fit, "residuals", None)
    if residuals is None:
        raise MixedModelError("residuals of ordered scores are not drawn; plot('effects') is.")
    values: Floats = residuals("quantile")
    fitted: Floats = fit.fitted  # type: ignore[attr-defined]
    left.scatter(fitted, values, s=12, alpha=0.5, color="C0", edgecolor="none")
    left.axhline(0.0, color="0.4", linewidth=1)
    left.set(xlabel="fitted", ylabel="standardised residual")
    n = len(values)
    order = np.arange(1, n + 1)
    expected = stats.norm.ppf((order - 0.5) / n)
    # each point's own limits: the law of the i-th of n in order (uniform: beta(i, n + 1 - i))
    tail = 0.5 * (1.0 - BAND)
    low, high = (stats.norm.ppf(stats.beta.ppf(q, order, n + 1 - order))
                 for q in (tail, 1.0 - tail))  # fmt: skip
    right.fill_between(expected, low, high, color="0.85", linewidth=0)
    right.plot(expected, expected, color="0.4", linewidth=1)
    right.scatter(expected, np.sort(values), s=12, alpha=0.6, color="C0", edgecolor="none")
    right.set(xlabel=f"normal quantile (band: {100 * BAND:.0f}% for each point)",
              ylabel="residual, in order")  # fmt: skip
    return figure


def _effects(fit: Drawn, group: str | None) -> Figure:
    """Each level's effects in order of size, with 95% limits, a panel an effect."""
    names = list(fit.random_effects)
    if not names:
        raise MixedModelError("this fit has no groupings, so there are no effects to draw.")
    name = min(names, key=lambda x: len(fit.random_effects[x])) if group is None else group
    if name not in names:
        raise MixedModelError(f"'{name}' is not a grouping of this fit: {', '.join(names)}.")
    effects = fit.random_effects[name]
    errors = fit.random_effect_se()[name]
    count, panels = effects.shape
    height = min(12.0, 1.2 + 0.2 * count)
    figure = _canvas(4.0 * panels, height)
    axes = figure.subplots(1, panels, squeeze=False)[0]
    for axis, column in zip(axes, effects.columns, strict=True):
        order = np.argsort(effects[column].to_numpy())
        value = effects[column].to_numpy()[order]
        half = stats.norm.ppf(0.5 + 0.5 * BAND) * errors[column].to_numpy()[order]
        axis.errorbar(value, np.arange(count), xerr=half, fmt="o", markersize=4, color="C0")
        axis.axvline(0.0, color="0.4", linewidth=1)
        labels = [str(x) for x in effects.index[order]]
        axis.set_yticks(np.arange(count), labels if count <= 60 else [""] * count)
        title = name if column == "Intercept" else f"{name}, slope in {column}"
        axis.set(xlabel=f"{title} ({100 * BAND:.0f}% limits)")
    return figure
