"""The plain analysis of plot totals: logarithms, varieties and blocks by least squares.

Fast and exact for its design (the textbook analysis of variance of a block layout on log totals),
so it serves wherever the comparison has to be made many times: a look after every pick, one plot
left out at a time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd


@dataclass(frozen=True)
class PlotContrasts:
    """Variety means on the log scale, their covariance (v, v) and residual df.

    With too few plots for an error, covariance is NaN and df 0.
    """

    varieties: list[str]
    estimate: npt.NDArray[np.float64]
    covariance: npt.NDArray[np.float64]
    df: float


def plot_contrasts(index: pd.DataFrame) -> PlotContrasts:
    """Least squares of log_index on variety and block (row and column of a square).

    index: from `counting.unit_index`.  Blocks enter as fixed; a variety's mean is at the average
    block.  Differences are estimable wherever the blocks connect the varieties; otherwise the
    minimum-norm solution is returned and df tells no error was available.
    """
    varieties, full = _design(index)
    y = index["log_index"].to_numpy(float)
    beta, _, rank, _ = np.linalg.lstsq(full, y, rcond=None)
    v = len(varieties)
    df = float(len(y) - rank)
    if df < 1:
        return PlotContrasts(varieties, beta[:v], np.full((v, v), np.nan), 0.0)
    rss = float(((y - full @ beta) ** 2).sum())
    covariance = np.asarray(np.linalg.pinv(full.T @ full)[:v, :v] * rss / df, dtype=np.float64)
    return PlotContrasts(varieties, beta[:v], covariance, df)


def without_each(index: pd.DataFrame, left: str, right: str) -> npt.NDArray[np.float64]:
    """log(left / right) with each plot in turn left out, (n,); NaN where none is then left.

    b(i) = b - (X'X)^-1 x_i e_i / (1 - h_i) (Cook & Weisberg 1982, Residuals and Influence in
    Regression, eq. 3.4.6).
    """
    varieties, full = _design(index)
    y = index["log_index"].to_numpy(float)
    inverse = np.linalg.pinv(full.T @ full)
    beta = inverse @ full.T @ y
    step = np.zeros(full.shape[1])
    step[varieties.index(left)], step[varieties.index(right)] = 1.0, -1.0
    influence = full @ inverse
    spare = 1.0 - (influence * full).sum(axis=1)
    move = (influence @ step) * (y - full @ beta)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(spare > 1e-9, step @ beta - move / spare, np.nan)


def _design(index: pd.DataFrame) -> tuple[list[str], npt.NDArray[np.float64]]:
    """Varieties in order, and their columns followed by the layout's."""
    varieties = sorted(index["variety"].astype(str).unique())
    x = pd.get_dummies(index["variety"].astype(str))[varieties].to_numpy(float)
    return varieties, np.hstack([x, layout_columns(index)])


def layout_columns(units: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Columns of what the layout takes out, each factor's summing to zero, (n, any number).

    units: one row a unit, with block, and bed_row and bed_column where it is a square.
    """
    parts = [np.zeros((len(units), 0))]
    for name in ("block", "bed_row", "bed_column"):
        if name in units:
            z = pd.get_dummies(units[name].astype("object").fillna("one").astype(str)).to_numpy(
                float)
            parts.append(z[:, 1:] - z[:, :1])
    return np.hstack(parts)
