"""What a trait model hands back: frozen frames that figures, tables and sentences all read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from trialkit.mixed.fixed import marginal_rows
from trialkit.mixed.inference import FixedEffects, minimal_letters
from trialkit.mixed.manymeans import LargestT, range_ppf, range_sf

MEANS = ["variety", "estimate", "se", "df", "low", "high", "plots", "plants", "records"]
AGAINST = ["variety", "check", "estimate", "low", "high", "p", "df"]
PAIRS = ["left", "right", "estimate", "low", "high", "p", "df"]


@dataclass(frozen=True)
class MethodNote:
    """How a trait was worked out: one plain sentence, a full account, and its parts."""

    plain: str
    full: str
    formula: str = ""
    groups: tuple[str, ...] = ()
    df_method: str = ""
    figures: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Missing:
    """A trait the records cannot give, and why."""

    trait: str
    reason: str
    fault: str = ""
    """Where it is a fault of the program: the exception and where it arose, for its makers."""

    supported = False

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class TraitResult:
    """One trait of every variety.

    unit: of `means`.  scale: "ratio" or "difference", of `against_check` and `pairs`.
    means: variety, estimate, se, df, low, high, plots, plants, records (counts behind it).
    against_check: variety, check, estimate, low, high, p, df; simultaneous over the varieties.
    pairs: left, right, estimate, low, high, p, df; simultaneous over all pairs.
    letters: varieties sharing a letter are not told apart; empty when unsupported.
    supported: whether the design supports a comparison; if not, low, high and p are NaN and
    `why_not` says why in plain words.
    """

    trait: str
    label: str
    unit: str
    scale: str
    means: pd.DataFrame
    against_check: pd.DataFrame
    pairs: pd.DataFrame
    letters: dict[str, str]
    supported: bool
    why_not: str
    method: MethodNote
    notes: tuple[str, ...] = ()

    def of(self, variety: str) -> pd.Series:
        """The row of `means` of one variety.  Raises KeyError for a variety without one."""
        rows = self.means[self.means["variety"] == variety]
        if rows.empty:
            raise KeyError(variety)
        return rows.iloc[0]


def empty(columns: list[str]) -> pd.DataFrame:
    """A frame with these columns and no row."""
    return pd.DataFrame({name: pd.Series(dtype=float) for name in columns})


# ------------------------------------------------------------------------------------------------
# Varieties compared from their estimates and covariance: with the check, and all pairs.
#
# One routine for every trait, so that the same figures come out whichever model gave the estimates.
# With the check: Dunnett (1955, J. Am. Stat. Assoc. 50:1096), the correlations brought to product
# form by the nearest single factor (Hsu 1992, J. Comput. Graph. Stat. 1:151), which is exact for
# equal replication.  All pairs: Tukey-Kramer (Kramer 1956, Biometrics 12:307).
# ------------------------------------------------------------------------------------------------

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
    against = with_check(varieties, estimate, covariance, df, check, ratio)
    pairs = _pairs(varieties, estimate, covariance, df)
    letters: dict[str, str] = {}
    if len(varieties) > 1 and pairs["p"].notna().all():
        order = [varieties[i] for i in np.argsort(-estimate, kind="stable")]
        clear = pairs[pairs["p"] < ALPHA]
        different = {frozenset((str(a), str(b))) for a, b in zip(clear["left"], clear["right"],
                                                                 strict=True)}
        letters = minimal_letters(order, different)
    if ratio:
        columns = ["estimate", "low", "high"]
        pairs[columns] = np.exp(pairs[columns])
    return Compared(against, pairs, letters)


def with_check(
    varieties: list[str], estimate: Floats, covariance: Floats, df: float, check: str | None,
    ratio: bool,
) -> pd.DataFrame:
    """The comparisons with the check alone, as `compare` gives them."""
    at = varieties.index(check) if check in varieties else -1
    others = [i for i in range(len(varieties)) if i != at] if at >= 0 else []
    rows = np.zeros((len(others), len(varieties)))
    for k, i in enumerate(others):
        rows[k, i], rows[k, at] = 1.0, -1.0
    value = rows @ estimate
    joint = rows @ covariance @ rows.T
    se = np.sqrt(np.maximum(np.diagonal(joint), 0.0))
    p, half = dunnett(value, se, joint, df) if others else (np.zeros(0), np.zeros(0))
    shown = np.exp if ratio else np.asarray
    return pd.DataFrame({
        "variety": [varieties[i] for i in others], "check": [check] * len(others),
        "estimate": shown(value), "low": shown(value - half), "high": shown(value + half), "p": p,
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
    root = float(np.sqrt(2.0))
    p = [np.nan if np.isnan(statistic) else range_sf(min(float(statistic), 1e3) * root, members, df)
         for statistic in t]
    return np.array(p), range_ppf(1.0 - ALPHA, members, df) / root


def dunnett(value: Floats, se: Floats, joint: Floats, df: float) -> tuple[Floats, Floats]:
    """p of each comparison with the check, and the half-width of each interval."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(value / se)
    if not df > 0 or not np.isfinite(se).all():
        return np.full(len(value), np.nan), np.full(len(value), np.nan)
    if len(value) == 1 or not np.all(se > 0):
        return np.asarray(2.0 * stats.t.sf(t, df)), np.asarray(stats.t.isf(ALPHA / 2, df) * se)
    correlation = joint / se[:, None] / se[None, :]
    law = LargestT(correlation, nearest=True)
    p = np.array([law.sf(min(float(statistic), 1e3), df) for statistic in t])
    return p, law.isf(ALPHA, df) * se


# ------------------------------------------------------------------------------------------------
# What a fit says of each variety: its level, the covariance of the levels, and means to show.
# ------------------------------------------------------------------------------------------------

def variety_rows(fit: FixedEffects, varieties: list[str]) -> Floats:
    """What of the fixed effects makes each variety's level, (v, p)."""
    labels, rows = marginal_rows(fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in varieties]
    return np.asarray(rows[:, fit.part.kept][at])


def variety_levels(fit: FixedEffects, varieties: list[str]) -> tuple[Floats, Floats]:
    """Each variety's level on the model's scale, (v,), and their covariance (v, v)."""
    rows = variety_rows(fit, varieties)
    return (np.asarray(rows @ fit.fixed.to_numpy()),
            np.asarray(rows @ fit.cov_fixed.to_numpy() @ rows.T))


def _half(covariance: Floats, df: float) -> tuple[Floats, Floats]:
    """Standard errors, and half-widths of 95 % t intervals; each (v,)."""
    se = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    return se, np.asarray(stats.t.isf(ALPHA / 2, df) * se)


def difference_means(
    varieties: list[str], estimate: Floats, covariance: Floats, df: float
) -> pd.DataFrame:
    """Means with t intervals."""
    se, half = _half(covariance, df)
    return pd.DataFrame({"variety": varieties, "estimate": estimate, "se": se, "df": df,
                         "low": estimate - half, "high": estimate + half})


def rate_means(
    varieties: list[str], log_rate: Floats, covariance: Floats, df: float, times: float
) -> pd.DataFrame:
    """Means of a log scale brought back and multiplied by `times` (days of a rate, 100 for per
    cent), with their intervals; se on the scale shown."""
    se, half = _half(covariance, df)
    rate = np.exp(log_rate) * times
    return pd.DataFrame({
        "variety": varieties, "estimate": rate, "se": se * rate, "df": df,
        "low": rate * np.exp(-half), "high": rate * np.exp(half),
    })
