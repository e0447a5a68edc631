"""Distributions of many comparisons: against scipy and against printed tables.

Printed: upper 5 and 1 per cent points of the studentised range, Pearson & Hartley 1970, Biometrika
Tables for Statisticians I, table 29 (also Montgomery, Design and Analysis of Experiments);
two-sided 5 and 1 per cent points of Dunnett 1964, Biometrics 20:482, table II, equal numbers in
control and treatments.  Table values are from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from trialkit.mixed.manymeans import LargestT, range_ppf, range_ppfs, range_sf

# level, means, df, printed point
TUKEY = [
    (0.95, 3, 10.0, 3.88), (0.95, 4, 20.0, 3.96), (0.95, 5, 15.0, 4.37), (0.95, 6, 10.0, 4.91),
    (0.95, 10, 30.0, 4.82), (0.95, 3, 2.0, 8.33), (0.95, 2, 5.0, 3.64), (0.95, 3, np.inf, 3.31),
    (0.99, 3, 10.0, 5.27), (0.99, 5, 20.0, 5.29),
]  # fmt: skip
# level, treatments beside the control, df, printed point
DUNNETT = [
    (0.95, 2, 10.0, 2.57), (0.95, 3, 10.0, 2.76), (0.95, 4, 15.0, 2.73), (0.95, 5, 20.0, 2.73),
    (0.95, 2, 6.0, 2.86), (0.95, 2, np.inf, 2.21), (0.95, 4, np.inf, 2.44), (0.99, 2, 10.0, 3.53),
]  # fmt: skip


def equal(m: int) -> np.ndarray:
    """Correlation of m differences from one control, equal numbers: a half throughout."""
    return np.full((m, m), 0.5) + 0.5 * np.eye(m)


@pytest.mark.parametrize(("level", "means", "df", "printed"), TUKEY)
def test_studentised_range_tables(level: float, means: int, df: float, printed: float) -> None:
    assert range_ppf(level, means, df) == pytest.approx(printed, abs=0.0051)


@pytest.mark.parametrize(("level", "m", "df", "printed"), DUNNETT)
def test_dunnett_tables(level: float, m: int, df: float, printed: float) -> None:
    assert LargestT(equal(m)).isf(1.0 - level, df) == pytest.approx(printed, abs=0.0051)


@pytest.mark.parametrize("means", [2, 3, 6, 12])
@pytest.mark.parametrize("df", [2.0, 3.7, 10.0, 45.0])
def test_studentised_range_against_scipy(means: int, df: float) -> None:
    for q in (0.7, 2.5, 4.0, 9.0):
        assert range_sf(q, means, df) == pytest.approx(
            stats.studentized_range.sf(q, means, df), abs=2e-8
        )


def test_two_means_are_a_t_test() -> None:
    for df in (1.5, 4.0, 30.0, np.inf):
        t = stats.t.isf(0.025, df) if np.isfinite(df) else stats.norm.isf(0.025)
        assert range_ppf(0.95, 2, df) == pytest.approx(np.sqrt(2.0) * t, rel=1e-7)


def test_points_read_off_the_curve_are_those_found_one_by_one() -> None:
    df = np.linspace(8.0, 15.5, 30)
    alone = [range_ppf(0.95, 7, float(d)) for d in df]
    assert range_ppfs(0.95, 7, df) == pytest.approx(alone, abs=2e-7)
    spread = np.array([3.0, 60.0, 3.0, np.inf])
    alone = [range_ppf(0.95, 4, float(d)) for d in spread]
    assert range_ppfs(0.95, 4, spread) == pytest.approx(alone, abs=1e-8)


def test_dunnett_with_unequal_numbers_against_scipy() -> None:
    """scipy's multivariate t is sampled: its own error is about 1e-4."""
    weight = np.array([0.4, 0.5, 0.7, 0.6])
    correlation = np.outer(weight, weight)
    np.fill_diagonal(correlation, 1.0)
    ours, edge = LargestT(correlation), np.full(4, 2.6)
    theirs = stats.multivariate_t(np.zeros(4), correlation, 9).cdf(
        edge, lower_limit=-edge, maxpts=100_000, random_state=3
    )
    assert ours.sf(2.6, 9.0) == pytest.approx(1.0 - theirs, abs=2e-4)
    independent = LargestT(np.diag(np.ones(3)) + 1e-11).sf(2.0, np.inf)
    assert independent == pytest.approx(1.0 - (1.0 - 2.0 * stats.norm.sf(2.0)) ** 3, abs=1e-4)


def test_dunnett_without_product_form_against_scipy() -> None:
    correlation = np.array([[1.0, 0.6, 0.1], [0.6, 1.0, 0.5], [0.1, 0.5, 1.0]])
    ours = LargestT(correlation)
    rng = np.random.default_rng(5)
    z = rng.multivariate_normal(np.zeros(3), correlation, 200_000)
    t = np.abs(z / np.sqrt(rng.chisquare(8.0, 200_000) / 8.0)[:, None]).max(axis=1)
    assert ours.sf(2.4, 8.0) == pytest.approx((t > 2.4).mean(), abs=0.002)


def test_dunnett_against_scipy_on_raw_samples() -> None:
    rng = np.random.default_rng(2)
    control, *others = (rng.normal(m, 1.0, k) for m, k in ((0.0, 8), (0.5, 6), (1.2, 7), (0.2, 5)))
    theirs = stats.dunnett(*others, control=control, rng=np.random.default_rng(1))
    sizes = np.array([len(o) for o in others])
    weight = np.sqrt(sizes / (sizes + len(control)))
    correlation = np.outer(weight, weight)
    np.fill_diagonal(correlation, 1.0)
    df = float(sizes.sum() + len(control) - 4)
    ours = [LargestT(correlation).sf(abs(float(t)), df) for t in theirs.statistic]
    assert ours == pytest.approx(theirs.pvalue, abs=2e-3)


def test_points_without_product_form_are_where_the_tail_is_alpha() -> None:
    """Newton's point against the sampled integral itself; the parabola against points solved
    one by one, for correlations such as unequal records in gardens give, and for wild ones."""
    mild = np.array([[1.0, 0.52, 0.47], [0.52, 1.0, 0.5], [0.47, 0.5, 1.0]])
    wild = np.array([[1.0, 0.8, 0.1], [0.8, 1.0, 0.45], [0.1, 0.45, 1.0]])
    for correlation, close in ((mild, 1e-5), (wild, 1e-3)):
        law = LargestT(correlation)
        assert law.loadings is None or correlation is mild
        dfs = np.array([6.0, 7.0, 9.0, 12.0, 20.0])
        found = law.isfs(0.05, dfs)
        assert [law.sf(float(c), float(d)) for c, d in zip(found, dfs, strict=True)] == (
            pytest.approx([0.05] * 5, abs=close)
        )


# The plainest and the hardest with every change, the way between them with the slow ones.
@pytest.mark.parametrize(("r", "df"), [
    pytest.param(r, df, marks=() if (r, df) in ((0.9, 4.0), (-0.999_999, 20.0)) or r > 0.999_999
                 else pytest.mark.slow)
    for r in (0.9, 0.99, 0.999, 0.999_999, -0.999_999, 1.0 - 1e-9) for df in (4.0, 20.0, np.inf)])
def test_two_comparisons_all_but_one_against_scipy(r: float, df: float) -> None:
    """Towards a correlation of one P(max > c) goes to that of a single t."""
    law, c = LargestT(np.array([[1.0, r], [r, 1.0]])), 2.6
    one = stats.t if np.isfinite(df) else stats.norm
    args = (df,) if np.isfinite(df) else ()

    def rest(t: float) -> float:
        """P(|T2| < c | T1 = t) f(t): given one t the other is one with a degree more."""
        wide = np.sqrt(1.0 - r**2) * (np.sqrt((df + t**2) / (df + 1.0)) if args else 1.0)
        given = stats.t(df + 1.0) if args else stats.norm()
        return float(one.pdf(t, *args) * (given.cdf((c - r * t) / wide)
                                          - given.cdf((-c - r * t) / wide)))

    near = [s * (c - k * np.sqrt(1.0 - r**2)) for s in (-1, 1) for k in (0.5, 1, 2, 4, 8, 16)]
    inside, _ = integrate.quad(rest, -c, c, points=[p for p in near if abs(p) < c], limit=400,
                               epsabs=1e-12)
    assert law.sf(c, df) == pytest.approx(1.0 - inside, abs=2e-7)
    assert law.sf(law.isf(0.05, df), df) == pytest.approx(0.05, abs=1e-7)


@pytest.mark.parametrize("df", [4.0, 20.0, np.inf])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_comparisons_that_are_one_are_one_t(sign: float, df: float) -> None:
    """Perfectly correlated contrasts count once: scipy's t; and beside a third, as two."""
    single = stats.t.isf(0.025, df) if np.isfinite(df) else stats.norm.isf(0.025)
    law = LargestT(np.array([[1.0, sign], [sign, 1.0]]))
    assert law.isf(0.05, df) == pytest.approx(single, rel=1e-9)
    assert law.sf(2.0, df) == pytest.approx(2.0 * stats.t.sf(2.0, df), rel=1e-9)
    assert law.isfs(0.05, np.array([df, df])) == pytest.approx([single, single], rel=1e-9)
    three = np.array([[1.0, sign, 0.5], [sign, 1.0, sign * 0.5], [0.5, sign * 0.5, 1.0]])
    two = LargestT(np.array([[1.0, 0.5], [0.5, 1.0]]))
    assert LargestT(three).isf(0.05, df) == pytest.approx(two.isf(0.05, df), rel=1e-9)
    assert LargestT(np.full((4, 4), 1.0)).isf(0.05, df) == pytest.approx(single, rel=1e-9)


def test_loadings_near_one_in_product_form_against_scipy() -> None:
    """A check measured a hundred times as roughly as the rest, which themselves differ."""
    load = np.array([0.998, 0.9, -0.9995])
    correlation = np.outer(load, load)
    np.fill_diagonal(correlation, 1.0)
    edge = np.full(3, 2.4)
    for df in (5.0, 30.0):
        law = stats.multivariate_t(np.zeros(3), correlation, df)
        inside = law.cdf(edge, lower_limit=-edge, maxpts=1_000_000, random_state=1)
        assert LargestT(correlation).sf(2.4, df) == pytest.approx(1.0 - inside, abs=2e-5)
