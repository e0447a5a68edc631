"""Sharing 5 % among several comparisons, so that the whole table has at most 5 % false winners."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import chi, norm, studentized_range
from scipy.stats import t as student_t

SHARINGS = ("bonferroni", "dunnett", "tukey")


def comparisons(varieties: int, against_check: bool) -> int:
    """How many comparisons the report makes: every variety with the check, or every pair."""
    return varieties - 1 if against_check else varieties * (varieties - 1) // 2


@lru_cache(maxsize=1024)
def alpha_each(
    varieties: int,
    against_check: bool,
    alpha: float = 0.05,
    how: str = SHARINGS[0],
    df: float = 1e6,
) -> float:
    """The two-sided alpha that each comparison may spend so that all together spend `alpha`.

    "bonferroni": alpha over the number of comparisons, valid for any dependence. "dunnett" (with
    the check) and "tukey" (all pairs) use the dependence between comparisons in a balanced layout
    with `df` residual degrees of freedom: exact for one look, checked by simulation for many
    (tests/decide/season_study.py).
    Raises ValueError for fewer than two varieties or a sharing that does not fit.
    """
    if varieties < 2:
        raise ValueError("a comparison needs two varieties")
    if how == "bonferroni":
        return alpha / comparisons(varieties, against_check)
    if how == "dunnett" and against_check:
        return float(2.0 * student_t.sf(dunnett_quantile(varieties - 1, df, alpha), df))
    if how == "tukey" and not against_check:
        reach = studentized_range.isf(alpha, varieties, df) / np.sqrt(2.0)
        return float(2.0 * student_t.sf(reach, df))
    raise ValueError(f"{how!r} does not fit; use one of {SHARINGS}, dunnett only with a check")


def dunnett_quantile(others: int, df: float, alpha: float = 0.05) -> float:
    """Two-sided critical value for `others` varieties against one check, equal replication.

    Dunnett (1955, J. Am. Stat. Assoc. 50:1096-1121): correlation 1/2 between comparisons,
    P(all |T_i| <= c) = E_s E_u [Phi(u + sqrt(2) c s) - Phi(u - sqrt(2) c s)]^m.
    """
    nodes, weights = leggauss(96)
    u = 8.0 * nodes
    u_weight = 8.0 * weights * norm.pdf(u)
    low, high = (chi.ppf(p, df) / np.sqrt(df) for p in (1e-12, 1.0 - 1e-12))
    s = low + (high - low) * (nodes + 1.0) / 2.0
    s_weight = (high - low) / 2.0 * weights * chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)

    def too_small(c: float) -> float:
        reach = np.sqrt(2.0) * c * s[:, None]
        inside = (ndtr(u + reach) - ndtr(u - reach)) ** others
        return float(s_weight @ inside @ u_weight - (1.0 - alpha))

    return float(brentq(too_small, 0.1, 400.0, xtol=1e-9))
