"""How far varieties are apart over all trials, jointly: the one place comparisons come from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.gardens.fitting import SecondFit
from trialkit.mixed.grid import marginal_rows
from trialkit.models.comparing import ALPHA, compare

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Apart:
    """mean (v,): about their own mean, model scale.  covariance (v, v): of these deviations,
    small-sample adjusted.  df: the smallest of any two varieties' difference; NaN where the
    layout gives no measure of error, and then `covariance` is NaN too."""

    varieties: tuple[str, ...]
    mean: Floats
    covariance: Floats
    df: float


def apart(second: SecondFit, varieties: Sequence[str]) -> Apart:
    """Differences of `varieties` (all linked) in the fitted model.

    The Kenward-Roger variances of all pairs, D (v, v), are turned into the covariance of the
    deviations from the mean, -JDJ/2 with J the centring matrix (Gower 1966, Biometrika 53:325),
    which gives each pair its own variance back.  Degrees of freedom are Kenward and Roger's, but
    never more than varieties and trials leave: a variance that REML puts at zero frees none.
    """
    names = tuple(varieties)
    labels, rows = marginal_rows(second.fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in names]
    rows = rows[at]
    v = len(names)
    if v < 2:
        return Apart(names, np.zeros(v), np.full((v, v), np.nan), float("nan"))
    pairs = list(combinations(range(v), 2))
    table = second.fit.contrast(np.array([rows[i] - rows[j] for i, j in pairs]))
    difference, distance = np.zeros((v, v)), np.zeros((v, v))
    for (i, j), estimate, se in zip(pairs, table["estimate"], table["se"], strict=True):
        difference[i, j], difference[j, i] = estimate, -estimate
        distance[i, j] = distance[j, i] = se**2
    centre = np.eye(v) - 1.0 / v
    df = float(np.nanmin([*table["df"], second.df]))
    return Apart(names, difference.mean(axis=1), -0.5 * centre @ distance @ centre, df)


def against(found: Apart, check: str | None, ratio: bool) -> pd.DataFrame:
    """Each variety against the check, or against the mean of all: variety, estimate, low, high,
    p, df; one row a variety, in order.

    Simultaneous: Dunnett's with a check; without one Bonferroni's over the varieties.
    """
    names = list(found.varieties)
    if check in names:
        table = compare(names, found.mean, found.covariance, found.df, check, ratio)
        known = table.against_check.set_index("variety").reindex(names)
        known.loc[check, ["estimate", "low", "high"]] = 1.0 if ratio else 0.0
        known.loc[check, ["p", "df"]] = np.nan
        return known[["estimate", "low", "high", "p", "df"]].reset_index()
    v = len(names)
    se = np.sqrt(np.maximum(np.diagonal(found.covariance), 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = np.minimum(1.0, v * 2.0 * stats.t.sf(np.abs(found.mean / se), found.df))
        half = stats.t.isf(0.5 * ALPHA / max(v, 1), found.df) * se
    out = pd.DataFrame({"variety": names, "estimate": found.mean, "low": found.mean - half,
                        "high": found.mean + half, "p": p, "df": found.df})
    if ratio:
        out[["estimate", "low", "high"]] = np.exp(out[["estimate", "low", "high"]])
    return out


def lead(found: Apart) -> tuple[str, str, float, float, float, float] | None:
    """The leading variety and the next: names, difference, low, high, p (Tukey-Kramer, model
    scale); None for one variety alone."""
    if len(found.varieties) < 2:
        return None
    first, second = (found.varieties[i] for i in np.argsort(-found.mean, kind="stable")[:2])
    pairs = compare(list(found.varieties), found.mean, found.covariance, found.df, None,
                    False).pairs
    row: Any
    for row in pairs.itertuples(index=False):
        if {row.left, row.right} == {first, second}:
            turn = 1.0 if row.left == first else -1.0
            ends = sorted((turn * float(row.low), turn * float(row.high)))
            return first, second, turn * float(row.estimate), ends[0], ends[1], float(row.p)
    raise AssertionError("every two varieties are a pair")
