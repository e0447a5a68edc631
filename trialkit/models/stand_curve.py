"""The share of plants still standing by Kaplan-Meier, and how far losses bunch in plots."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

Floats = NDArray[np.float64]
CURVE = ["time", "at_risk", "events", "survival", "se", "low", "high"]


def kaplan_meier(time: Floats, lost: NDArray[np.bool_], alpha: float = 0.05,
                 design_effect: float = 1.0) -> pd.DataFrame:  # fmt: skip
    """Product-limit curve (Kaplan & Meier 1958, J. Am. Stat. Assoc. 53:457-481).

    time: days to loss or to the last day seen, shape (n,). lost: whether it ended in loss.
    Returns DataFrame[time, at_risk, events, survival, se, low, high], one row a distinct time.
    se by Greenwood (1926), interval on the log(-log) scale (Kalbfleisch & Prentice 1980, eq.
    1.13), both with the variance times `design_effect`. While nothing is lost (or once all are)
    that interval does not exist: then the exact binomial limit (alpha / 2)^(1 / n) is used, n
    the plants at risk over the design effect (Clopper & Pearson 1934).
    Raises ValueError for no plants, or times that are negative or not finite.
    """
    if time.size == 0 or not np.all(np.isfinite(time) & (time >= 0)):
        raise ValueError("needs plants with times of 0 or more")
    at = np.unique(time)
    at_risk = np.array([np.sum(time >= t) for t in at], dtype=float)
    events = np.array([np.sum((time == t) & lost) for t in at], dtype=float)
    survival = np.cumprod(1.0 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(events / (at_risk * (at_risk - events)))
        se = np.where(survival > 0, survival * np.sqrt(greenwood * design_effect), 0.0)
        reach = norm.isf(alpha / 2) * np.sqrt(greenwood * design_effect) / np.abs(np.log(survival))
        low, high = survival ** np.exp(reach), survival ** np.exp(-reach)
    limit = (alpha / 2) ** (design_effect / at_risk)
    low = np.where(survival == 1.0, limit, np.where(survival == 0.0, 0.0, low))
    high = np.where(survival == 1.0, 1.0, np.where(survival == 0.0, 1.0 - limit, high))
    columns = (at, at_risk, events, survival, se, low, high)
    return pd.DataFrame(dict(zip(CURVE, columns, strict=True)))


def expected_losses(time: Floats, lost: NDArray[np.bool_]) -> Floats:
    """Losses expected of each plant if all plants were alike, shape (n,): log-rank E.

    Sum, over the days with losses up to the plant's own last day, of losses over plants at risk
    (Mantel 1966; Peto & Peto 1972, J. R. Stat. Soc. A 135:185-207).
    """
    at = np.unique(time[lost])
    if at.size == 0:
        return np.zeros(time.size)
    hazard = np.array([np.sum((time == t) & lost) / np.sum(time >= t) for t in at])
    total = np.concatenate([[0.0], np.cumsum(hazard)])
    return np.asarray(total[np.searchsorted(at, time, side="right")])


def design_effect(lost: NDArray[np.bool_], unit: pd.Series, variety: pd.Series) -> float:
    """How much plants of a plot falling together widens an interval: 1 + (m - 1) rho, at least 1.

    rho: intraclass correlation of loss between plants of a plot, within varieties, by the
    analysis of variance (Donner & Klar 2000, Design and Analysis of Cluster Randomization Trials,
    ch. 1); m: the plants of a plot, averaged by size. 1 where it cannot be estimated.
    """
    frame = pd.DataFrame({"y": lost.astype(float), "unit": unit.to_numpy()})
    frame["variety"] = variety.to_numpy()
    plots = frame.groupby("unit").agg(n=("y", "size"), mean=("y", "mean"), v=("variety", "first"))
    units, varieties, n = len(plots), plots["v"].nunique(), len(frame)
    if units <= varieties or n <= units:
        return 1.0
    centre = frame.groupby("variety")["y"].mean().reindex(plots["v"]).to_numpy()
    between = float((plots["n"] * (plots["mean"] - centre) ** 2).sum()) / (units - varieties)
    own = plots["mean"].reindex(frame["unit"]).to_numpy()
    within = float(((frame["y"].to_numpy() - own) ** 2).sum()) / (n - units)
    by_variety = plots.groupby("v")["n"]
    usual = (n - float((by_variety.agg(lambda m: (m**2).sum() / m.sum())).sum())) / (
        units - varieties
    )
    if between + (usual - 1.0) * within <= 0:
        return 1.0
    rho = (between - within) / (between + (usual - 1.0) * within)
    size = float((plots["n"] ** 2).sum()) / n
    return max(1.0, 1.0 + (size - 1.0) * rho)
