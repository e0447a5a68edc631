"""One row a variety: how different rows would have to be to explain what was seen.

With one row each, the difference between two varieties and the difference between their two
rows of ground cannot be told apart, so there is no test. What can be said is how large ordinary
row-to-row differences would have to be to produce a difference like this one by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2, studentized_range

from trialkit.design.units import indicators, rank


@dataclass(frozen=True)
class RowsExplain:
    """sd: the row-to-row standard deviation that would explain the difference away, in its units.

    seen, seen_high: row-to-row sd in the user's own other trials and the upper end of what it
    may be (95 %), None without such trials. one_line, full: in words.
    """

    sd: float
    seen: float | None
    seen_high: float | None
    one_line: str
    full: str


def row_sd_to_explain(
    difference: float,
    within_se: float = 0.0,
    rows: int = 2,
    seen_sd: float | None = None,
    seen_df: float | None = None,
    seen_high: float | None = None,
    scale: str = "ratio",
    unit: str = "",
) -> RowsExplain:
    """How large the row-to-row sd must be for a difference like this to come from rows alone.

    difference: between two row means (log ratio for scale "ratio"). within_se: standard error of
    the difference from plants within rows. rows: how many rows, one a variety, the difference was
    picked from as the largest. Without a variety difference the largest of the differences has
    its 95 % point at k sqrt(2 sd^2 + within_se^2), k = q(0.95; rows, infinity) / sqrt(2), q the
    studentised range (1.96 for two rows); set equal to |difference| and solved for sd:

        sd = sqrt(((difference / k)^2 - within_se^2) / 2), 0 if negative.

    seen_sd, seen_df: row-to-row (or plot-to-plot) sd and its degrees of freedom from the user's
    own replicated trials, same scale (see `plot_sd`). Upper end by the chi-squared interval, or
    seen_high where it is known otherwise.
    Raises ValueError for fewer than two rows or negative standard errors.
    """
    if rows < 2 or within_se < 0:
        raise ValueError("needs at least two rows and a standard error of 0 or more")
    reach = float(studentized_range.ppf(0.95, rows, 1e5)) / np.sqrt(2.0)
    square = ((abs(difference) / reach) ** 2 - within_se**2) / 2.0
    sd = float(np.sqrt(max(square, 0.0)))
    high = seen_high
    if high is None and seen_sd is not None and seen_df is not None and seen_df > 0:
        high = float(seen_sd * np.sqrt(seen_df / chi2.ppf(0.05, seen_df)))
    one_line, why = _words(sd, seen_sd, high, scale, unit)
    return RowsExplain(sd, seen_sd, high, one_line, f"{one_line} {why}")


def plot_sd(units: pd.DataFrame, value: str = "value") -> tuple[float, float]:
    """Plot-to-plot standard deviation in a replicated trial, and its degrees of freedom.

    units: one row a plot with variety, block and the plot's mean (log scale for ratios).
    Root of the residual mean square after varieties and blocks; (nan, 0) if nothing is left.
    """
    kept = units.dropna(subset=[value])
    design = np.hstack([indicators(kept["variety"]), indicators(kept["block"].astype(str))])
    df = len(kept) - rank(design)
    if df < 1:
        return float("nan"), 0.0
    y = kept[value].to_numpy(float)
    residual = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return float(np.sqrt(residual @ residual / df)), float(df)


def _words(
    sd: float, seen: float | None, high: float | None, scale: str, unit: str
) -> tuple[str, str]:
    def shown(value: float) -> str:
        if scale == "ratio":
            return f"{100 * np.expm1(value):.0f} %" if np.isfinite(value) else "any amount"
        return f"{value:.2g}{' ' + unit if unit else ''}"

    if sd == 0.0:
        return (
            "Rows need not differ at all to explain this.",
            "The scatter from plant to plant within the rows is enough.",
        )
    first = f"Rows differing by about {shown(sd)} would explain this without any help from variety."
    if seen is None or high is None:
        return first, (
            "That is the standard deviation from row to row at which a difference like this turns "
            "up one time in twenty between rows of one and the same variety. There is no "
            "replicated trial of yours yet to say how much your rows do differ."
        )
    own = f"In your own replicated trials rows differed by about {shown(seen)}"
    if sd <= seen:
        return first, f"{own}: ordinary rows explain it."
    if sd <= high:
        return first, (
            f"{own}, and by up to {shown(high)} for all those trials can tell: rows may explain it."
        )
    return first, (
        f"{own}, at most some {shown(high)}: it would take rows less alike than yours have been. "
        "That is a reason to plant it again in several plots, not a proof."
    )
