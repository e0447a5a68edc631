"""Varieties compared from their estimates and covariance: with the check, and all pairs.

One routine for every trait, so that the same figures come out whichever model gave the estimates.
With the check: Dunnett (1955, J. Am. Stat. Assoc. 50:1096), the correlations brought to product
form by the nearest single factor (Hsu 1992, J. Comput. Graph. Stat. 1:151), which is exact for
equal replication.  All pairs: Tukey-Kramer (Kramer 1956, Biometrics 12:307).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.optimize import brentq
from scipy.special import ndtr

from trialkit.mixed.letters import minimal_letters

Floats = npt.NDArray[np.float64]
ALPHA = 0.05


@dataclass(frozen=True)
class Compared:
    """Frames as `TraitResult` wants them."""

    against_check: pd.DataFrame
    pairs: pd.DataFrame
    letters: dict[str, str]


def compare(
    varieties: list[str], estimate: Floats, covariance: Floats, df: float, check: str | None,
    ratio: bool,
) -> Compared:
    """Compare varieties.

    estimate (v,), covariance (v, v): on the scale where differences are taken (logarithms if
    `ratio`, and the frames then hold ratios).  df: degrees of freedom of the covariance.
    check: name of the variety to compare with, or None for all pairs only.
    """
    against = _against(varieties, estimate, covariance, df, check)
    pairs = _pairs(varieties, estimate, covariance, df)
    letters: dict[str, str] = {}
    if len(varieties) > 1 and pairs["p"].notna().all():
        order = [varieties[i] for i in np.argsort(-estimate, kind="stable")]
        told = pairs[pairs["p"] < ALPHA]
        different = {frozenset((str(a), str(b))) for a, b in zip(told["left"], told["right"],
                                                                 strict=True)}
        letters = minimal_letters(order, different)
    if ratio:
        columns = ["estimate", "low", "high"]
        against[columns] = np.exp(against[columns])
        pairs[columns] = np.exp(pairs[columns])
    return Compared(against, pairs, letters)


def _against(
    varieties: list[str], estimate: Floats, covariance: Floats, df: float, check: str | None
) -> pd.DataFrame:
    at = varieties.index(check) if check in varieties else -1
    others = [i for i in range(len(varieties)) if i != at] if at >= 0 else []
    rows = np.zeros((len(others), len(varieties)))
    for k, i in enumerate(others):
        rows[k, i], rows[k, at] = 1.0, -1.0
    value = rows @ estimate
    joint = rows @ covariance @ rows.T
    se = np.sqrt(np.maximum(np.diagonal(joint), 0.0))
    p, half = dunnett(value, se, joint, df) if others else (np.zeros(0), np.zeros(0))
    return pd.DataFrame({
        "variety": [varieties[i] for i in others], "check": [check] * len(others),
        "estimate": value, "low": value - half, "high": value + half, "p": p,
        "df": np.full(len(others), df),
    })


def _pairs(varieties: list[str], estimate: Floats, covariance: Floats, df: float) -> pd.DataFrame:
    both = list(combinations(range(len(varieties)), 2))
    left = np.array([i for i, _ in both], dtype=int)
    right = np.array([j for _, j in both], dtype=int)
    value = estimate[left] - estimate[right]
    var = np.diagonal(covariance)
    se = np.sqrt(np.maximum(var[left] + var[right] - 2 * covariance[left, right], 0.0))
    p, factor = tukey(value, se, len(varieties), df)
    return pd.DataFrame({
        "left": [varieties[i] for i in left], "right": [varieties[j] for j in right],
        "estimate": value, "low": value - factor * se, "high": value + factor * se, "p": p,
        "df": np.full(len(both), df),
    })


def tukey(value: Floats, se: Floats, members: int, df: float) -> tuple[Floats, float]:
    """p of each pair and the factor on its standard error, from the studentised range."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(value / se)
    if not df > 0 or not np.isfinite(se).all():
        return np.full(len(value), np.nan), float("nan")
    if members == 2:
        return np.asarray(2.0 * stats.t.sf(t, df)), float(stats.t.isf(ALPHA / 2, df))
    if not len(value):
        return np.zeros(0), float("nan")
    inside = _Range(members, df)
    bounds = stats.t.isf([ALPHA / 2, ALPHA / 2 / (members * members)], df)
    factor = float(brentq(lambda c: inside(c) - (1.0 - ALPHA), *bounds, xtol=1e-7))
    p = np.array([np.nan if np.isnan(one) else 1.0 - inside(min(float(one), 1e3)) for one in t])
    return np.clip(p, 0.0, 1.0), factor


class _Range:
    """P(studentised range < c sqrt(2)): the range of k normals over an independent chi.

    k times the integral of phi(z) [Phi(z) - Phi(z - q s)]^(k-1) (Harter 1960, Ann. Math. Stat.
    31:1122), averaged over s; by the rules of `_Inside`, much faster than a general routine.
    """

    def __init__(self, members: int, df: float) -> None:
        x, w = np.polynomial.legendre.leggauss(96)
        self.z, self.zw = 8.0 * x, 8.0 * w * stats.norm.pdf(8.0 * x)
        self.upper = ndtr(self.z)
        self.members = members
        self.scale, self.weight = _chi_rule(df)

    def __call__(self, c: float) -> float:
        q = np.sqrt(2.0) * c * self.scale
        gap = self.upper[None, :] - ndtr(self.z[None, :] - q[:, None])
        return float(self.weight @ (self.members * gap ** (self.members - 1) @ self.zw))


def _chi_rule(df: float) -> tuple[Floats, Floats]:
    """Nodes and weights for an average over s = chi_df / sqrt(df)."""
    if not np.isfinite(df):
        return np.ones(1), np.ones(1)
    low, high = np.sqrt(stats.chi2.ppf([1e-13, 1 - 1e-13], df) / df)
    y, v = np.polynomial.legendre.leggauss(48)
    s = low + (high - low) * (y + 1.0) / 2.0
    weight = (high - low) / 2.0 * v * stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)
    return s, weight / weight.sum()


def dunnett(value: Floats, se: Floats, joint: Floats, df: float) -> tuple[Floats, Floats]:
    """p of each comparison with the check, and the half-width of each interval."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(value / se)
    if not df > 0 or not np.isfinite(se).all():
        return np.full(len(value), np.nan), np.full(len(value), np.nan)
    if len(value) == 1 or not np.all(se > 0):
        return np.asarray(2.0 * stats.t.sf(t, df)), np.asarray(stats.t.isf(ALPHA / 2, df) * se)
    loadings = _single_factor(joint / se[:, None] / se[None, :])
    inside = _Inside(loadings, df)
    bounds = stats.t.isf([ALPHA / 2 * 1.001, ALPHA / 2 / (len(t) + 1)], df)
    critical = float(brentq(lambda c: inside(c) - (1.0 - ALPHA), *bounds, xtol=1e-7))
    p = np.array([1.0 - inside(min(float(one), 1e3)) for one in t])
    return np.clip(p, 0.0, 1.0), critical * se


class _Inside:
    """P(|T_1| < c, ..., |T_m| < c), correlations l_i l_j, by two nested Gauss-Legendre rules."""

    def __init__(self, loadings: Floats, df: float) -> None:
        x, w = np.polynomial.legendre.leggauss(64)
        self.z, self.zw = 8.0 * x, 8.0 * w * stats.norm.pdf(8.0 * x)
        self.load = loadings
        self.spread = np.sqrt(1.0 - loadings**2)
        self.scale, self.weight = _chi_rule(df)

    def __call__(self, c: float) -> float:
        edge = (c * self.scale)[:, None, None]
        centre = self.load[None, None, :] * self.z[None, :, None]
        inside = ndtr((edge - centre) / self.spread) - ndtr((-edge - centre) / self.spread)
        return float(self.weight @ (inside.prod(axis=2) @ self.zw))


def _single_factor(correlation: Floats) -> Floats:
    """Loadings l whose products l_i l_j come nearest to the correlations, by least squares."""
    m = len(correlation)
    off = correlation - np.diag(np.diagonal(correlation))
    load = np.full(m, np.sqrt(max(float(off.sum()) / (m * (m - 1)), 1e-4)))
    for _ in range(200):
        new = load.copy()
        for i in range(m):
            rest = np.delete(new, i)
            new[i] = float(np.delete(off[i], i) @ rest) / max(float(rest @ rest), 1e-12)
        new = np.clip(new, -0.999, 0.999)
        if np.abs(new - load).max() < 1e-10:
            break
        load = new
    return load

