"""Simultaneous comparisons against published tables and general-purpose routines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialkit.models.results import compare, dunnett, tukey


@pytest.mark.parametrize(
    ("others", "df", "critical"),
    # Dunnett, C. W. (1964) New tables for multiple comparisons with a control, Biometrics
    # 20:482-491, two-sided 5 % (values from memory of the table, two decimals).
    [(1, 10, 2.23), (2, 10, 2.57), (4, 12, 2.81), (3, 20, 2.54), (5, 20, 2.73)],
)
def test_dunnett_critical_values(others, df, critical):
    joint = 0.5 * np.eye(others) + 0.5
    _, half = dunnett(np.ones(others), np.ones(others), joint, float(df))
    assert half == pytest.approx(critical, abs=0.011)


@pytest.mark.parametrize(
    ("members", "df", "range_"),
    # Harter (1960) Tables of range and studentized range, Ann. Math. Stat. 31:1122-1147, 5 %
    # points (values from memory of the table).
    [(3, 10, 3.88), (4, 20, 3.96), (5, 12, 4.51), (10, 30, 4.82)],
)
def test_studentised_range(members, df, range_):
    _, factor = tukey(np.ones(3), np.ones(3), members, float(df))
    assert factor * np.sqrt(2) == pytest.approx(range_, abs=0.006)


@pytest.mark.parametrize("df", [2.0, 6.0, 21.0, 200.0])
def test_tukey_p_agrees_with_the_general_routine(df):
    t = np.array([0.3, 1.0, 2.2, 3.7, 6.0])
    p, _ = tukey(t, np.ones(5), 6, df)
    assert p == pytest.approx(stats.studentized_range.sf(t * np.sqrt(2), 6, df), abs=1e-8)


def test_dunnett_p_agrees_with_the_general_routine():
    """scipy.stats.dunnett on raw samples of unequal size (a randomised integral, hence abs)."""
    rng = np.random.default_rng(4)
    samples = [rng.normal(m, 1, n) for m, n in ((0.0, 8), (0.5, 5), (1.2, 6), (1.5, 9))]
    df = float(sum(len(s) - 1 for s in samples))
    pooled = sum(((s - s.mean()) ** 2).sum() for s in samples) / df
    covariance = np.diag([pooled / len(s) for s in samples])
    ours = compare(list("abcd"), np.array([s.mean() for s in samples]), covariance, df, "a", False)
    theirs = stats.dunnett(*samples[1:], control=samples[0], random_state=1).pvalue
    assert ours.against_check["p"].to_numpy() == pytest.approx(theirs, abs=2e-3)


def test_letters_say_what_p_says():
    level = np.array([0.0, 0.1, 1.0, 1.05])
    found = compare(list("abcd"), level, np.eye(4) * 0.01, 12.0, "a", True)
    for row in found.pairs.itertuples():
        shares = set(found.letters[row.left]) & set(found.letters[row.right])
        assert bool(shares) == (row.p >= 0.05)
    assert found.against_check.loc[1, "estimate"] == pytest.approx(np.exp(1.0))


def test_no_error_no_interval():
    found = compare(list("ab"), np.zeros(2), np.full((2, 2), np.nan), np.nan, "a", True)
    assert found.pairs[["low", "high", "p"]].isna().all(axis=None)
    assert found.letters == {}
