"""Sharing 5 % among several comparisons, so that the whole table has at most 5 % false winners."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.stats import t as student_t

from trialkit.mixed.manymeans import LargestT, range_ppf

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
        reach = range_ppf(1.0 - alpha, varieties, df) / np.sqrt(2.0)
        return float(2.0 * student_t.sf(reach, df))
    raise ValueError(f"{how!r} does not fit; use one of {SHARINGS}, dunnett only with a check")


def dunnett_quantile(others: int, df: float, alpha: float = 0.05) -> float:
    """Two-sided critical value for `others` varieties against one check, equal replication: the
    correlation between any two comparisons is 1/2 (Dunnett 1955, J. Am. Stat. Assoc. 50:1096-1121).
    """
    return LargestT(0.5 * (np.eye(others) + 1.0)).isf(alpha, df)
