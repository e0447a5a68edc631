"""Group sequential boundaries against published tables and independent integration."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from looks_study import LOOKS, Garden, first_crossing, grow, planned_edges
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm
from scipy.stats import t as student_t

from trialkit.decide.spending import (
    alpha_each,
    alpha_for_few_df,
    boundaries,
    comparisons,
    conditional_power,
    crossing,
    dunnett_quantile,
    growing,
    on_normal_scale,
    on_t_scale,
    repeated_interval,
    spent,
)

REFERENCE = json.loads((Path(__file__).parent / "reference" / "boundaries.json").read_text())


def equal(looks):
    return np.arange(1, looks + 1) / looks


def test_lan_demets_boundary_as_published():
    # Reboussin, DeMets, Kim & Lan 2000, Controlled Clinical Trials 21:190-207, example of five
    # equal looks, two-sided 5 %, O'Brien-Fleming type (as printed by Casper 2021, ldbounds).
    found = boundaries(equal(5))
    assert found.z == pytest.approx([4.8769, 3.3569, 2.6803, 2.2898, 2.0310], abs=1.5e-4)
    assert found.spent == pytest.approx(
        [1.0777e-06, 7.8830e-04, 7.6161e-03, 2.4424e-02, 5.0000e-02], rel=1e-4
    )
    assert 2 * norm.sf(found.z[-1]) == pytest.approx(4.2255e-02, rel=1e-4)


def test_power_of_unequal_looks_as_published():
    # The same source: six unequal looks, drift 3.242, power 0.8996.
    z = [5.3666, 3.7102, 2.9728, 2.5365, 2.2154, 1.9668]
    found = crossing([0.13, 0.40, 0.69, 0.90, 0.98, 1.00], z, drift=3.242)
    assert found.above == pytest.approx(
        [1.3483e-05, 4.8468e-02, 3.4279e-01, 3.1827e-01, 1.3325e-01, 5.6851e-02], rel=5e-4
    )
    assert found.below[-1] == pytest.approx(6.4894e-08, rel=2e-3)
    assert found.total == pytest.approx(0.89964, abs=5e-5)


@pytest.mark.parametrize(
    ("looks", "error"),
    [(1, 0.050), (2, 0.083), (3, 0.107), (4, 0.126), (5, 0.142), (10, 0.193), (20, 0.248)],
)
def test_repeated_tests_at_five_per_cent(looks, error):
    # Armitage, McPherson & Rowe 1969, J. R. Stat. Soc. A 132:235-244, table 2 (from memory).
    found = crossing(equal(looks), np.full(looks, norm.isf(0.025)))
    assert found.total == pytest.approx(error, abs=5.1e-4)


@pytest.mark.parametrize(
    ("looks", "pocock", "obrien_fleming"),
    [
        (2, 2.178, 1.977),
        (3, 2.289, 2.004),
        (4, 2.361, 2.024),
        (5, 2.413, 2.040),
        (10, 2.555, 2.087),
        (20, 2.672, 2.126),
    ],
)
def test_classical_constants(looks, pocock, obrien_fleming):
    # Jennison & Turnbull 2000, Group Sequential Methods, tables 2.1 and 2.3, alpha 0.05 (from
    # memory; Pocock's up to 10 looks also as printed in open packages).
    information = equal(looks)
    for shape, published in ((np.ones(looks), pocock), (information**-0.5, obrien_fleming)):
        found = brentq(lambda c: crossing(information, c * shape).total - 0.05, 1.5, 4.0)  # noqa: B023
        assert found == pytest.approx(published, abs=5.1e-4)


@pytest.mark.parametrize("case", REFERENCE["cases"])
def test_boundaries_against_ldbounds(case):
    # R's ldbounds, values stored by reference/boundaries.R. Boundaries beyond 4.2 are left to
    # the checks by mvtnorm and by hand below: ldbounds leaves out the first looks of a long
    # series, and is off in the second figure at the first ones it gives.
    found = boundaries(case["information"], case["time"], case["alpha"], case["kind"])
    theirs = np.array([np.inf if z == "Inf" else z for z in case["z"]], dtype=float)
    some = theirs < 4.2
    assert some.sum() >= min(len(theirs) - 1, 3)
    assert found.z[some] == pytest.approx(theirs[some], abs=5e-4)
    assert found.spent[-1] == pytest.approx(spent(case["time"][-1], case["alpha"], case["kind"]))


def test_first_boundaries_by_hand():
    # While hardly anything has been spent, crossing earlier hardly matters and the boundary is
    # the normal quantile of the alpha newly spent.
    found = boundaries(equal(20))
    new = np.diff(spent(equal(20)), prepend=0.0)
    assert found.z[:4] == pytest.approx(norm.isf(new[:4] / 2), rel=2e-3)


@pytest.mark.parametrize("case", REFERENCE["rectangles"])
def test_crossing_against_mvtnorm(case):
    # R's mvtnorm, values stored by reference/boundaries.R (error below 1e-6).
    assert 1 - crossing(case["information"], case["z"]).total == pytest.approx(
        case["inside"], abs=2e-6
    )


def test_crossing_with_drift_against_scipy():
    information, z, drift = np.array([1.0, 1.7, 4.0]), np.array([2.4, 2.6, 2.1]), 0.8
    mean = drift * np.sqrt(information)
    low = np.minimum.outer(information, information)
    covariance = np.sqrt(low / np.maximum.outer(information, information))
    inside = multivariate_normal(mean, covariance, seed=1).cdf(z, lower_limit=-z)
    assert 1 - crossing(information, z, drift).total == pytest.approx(inside, abs=1e-4)


def test_looks_that_add_next_to_nothing():
    found = boundaries(np.ones(20), equal(20))
    assert np.all(np.diff(found.z) < 0)
    assert found.spent[-1] == pytest.approx(0.05)
    # Nearly the same data every time: the last boundary is nearly that of a single test.
    assert norm.isf(0.025) < found.z[-1] + 0.05
    assert np.all(np.diff(growing([3.0, 2.0, 5.0])) > 0)
    with pytest.raises(ValueError, match="positive"):
        growing([1.0, 0.0])


def test_a_boundary_once_used_never_moves():
    information = 1 / (0.02 + 0.05 / np.arange(1, 13))
    whole = boundaries(information, np.arange(1, 13) / 20)
    for k in (1, 4, 9):
        part = boundaries(information[:k] * 7.0, np.arange(1, k + 1) / 20)
        assert part.z == pytest.approx(whole.z[:k], rel=1e-6)


def test_more_looks_than_planned_have_no_alpha_left():
    found = boundaries(np.arange(1, 8), np.minimum(np.arange(1, 8) / 5, 1.0))
    assert found.z[:5] == pytest.approx(boundaries(equal(5)).z, abs=1e-8)
    assert np.all(np.isinf(found.z[5:]))
    assert found.spent[-1] == pytest.approx(0.05)


def test_fewer_looks_than_planned_leave_alpha_unspent_unless_closed():
    short = boundaries(np.arange(1, 4), np.arange(1, 4) / 20)
    assert short.spent[-1] == pytest.approx(spent(3 / 20))
    closed = boundaries(np.arange(1, 4), [1 / 20, 2 / 20, 1.0])
    assert closed.spent[-1] == pytest.approx(0.05)
    assert closed.z[-1] == pytest.approx(norm.isf(0.025), abs=1e-3)


def test_bad_requests():
    with pytest.raises(ValueError, match="kind"):
        spent(0.5, kind="something")
    with pytest.raises(ValueError, match="alpha"):
        spent(0.5, alpha=1.0)
    with pytest.raises(ValueError, match="time"):
        boundaries([1.0, 2.0], [0.5, 0.4])
    with pytest.raises(ValueError, match="grow"):
        crossing([2.0, 1.0], [2.0, 2.0])


def test_conditional_power_at_one_later_look():
    # Lan & Wittes 1988: Phi((B + theta (1 - t) - z) / sqrt(1 - t)), B = Z sqrt(t).
    z, t = 1.5, 0.4
    trend = z * np.sqrt(t) / t
    for theta in (trend, 0.0, 3.0):
        expected = norm.cdf((z * np.sqrt(t) + theta * (1 - t) - 1.96) / np.sqrt(1 - t))
        found = conditional_power(z, t, [1.0], [1.96], drift=theta)
        assert found == pytest.approx(expected, abs=1e-9)
    assert conditional_power(z, t, [1.0], [1.96]) == pytest.approx(
        conditional_power(z, t, [1.0], [1.96], drift=trend)
    )


def test_conditional_power_as_published():
    # Casper 2021 (ldbounds): rates 0.25 and 0.15, 900 in all, 300 seen, z now 0.067, critical
    # value 2.0: 0.7453. Variance of the difference 0.10 at the end from the pooled rate 0.20.
    variance = 2 * 0.20 * 0.80 / 450
    found = conditional_power(0.067, 1 / 3, [1.0], [2.0], drift=0.10 / np.sqrt(variance))
    assert found == pytest.approx(0.7453, abs=2e-4)


def test_conditional_power_over_several_looks_by_simulation():
    rng = np.random.default_rng(4)
    later, edges = np.array([1.5, 2.2, 3.0]), np.array([2.6, 2.4, 2.2])
    z, information, drift = 1.2, 1.0, 0.9
    steps = np.diff(np.concatenate([[information], later]))
    walk = z * np.sqrt(information) + np.cumsum(
        drift * steps + np.sqrt(steps) * rng.normal(size=(400_000, 3)), axis=1
    )
    first_up = np.argmax(np.abs(walk) / np.sqrt(later) >= edges, axis=1)
    crossed = (np.abs(walk) / np.sqrt(later) >= edges).any(axis=1)
    up = crossed & (walk[np.arange(len(walk)), first_up] > 0)
    found = conditional_power(z, information, later, edges, drift)
    assert found == pytest.approx(up.mean(), abs=0.003)


def test_t_and_normal_scale():
    t = np.array([-4.0, 0.0, 2.5, 12.0])
    z = on_normal_scale(t, 5)
    assert norm.sf(z) == pytest.approx(student_t.sf(t, 5))
    assert on_t_scale(z[2], 5) == pytest.approx(2.5)
    assert on_normal_scale(2.0, 1e7) == pytest.approx(2.0, abs=1e-5)
    low, high = repeated_interval(1.0, 0.5, 6, norm.isf(0.025))
    assert (high - 1.0) / 0.5 == pytest.approx(student_t.isf(0.025, 6))
    assert low == pytest.approx(2.0 - high)


def test_sharing_among_comparisons():
    assert comparisons(5, True) == 4
    assert comparisons(5, False) == 10
    assert alpha_each(5, False) == pytest.approx(0.005)
    # Dunnett 1964, Biometrics 20:482, two-sided 5 %: 4 against a check, 20 df, 2.65; 3, 6 df,
    # 3.10 (second figure by R's mvtnorm, qmvt, 3.0992).
    assert dunnett_quantile(4, 20) == pytest.approx(2.65, abs=5e-3)
    assert dunnett_quantile(3, 6) == pytest.approx(3.0992, abs=5e-4)
    assert dunnett_quantile(1, 8) == pytest.approx(student_t.isf(0.025, 8))
    assert alpha_each(4, True) < alpha_each(4, True, how="dunnett", df=6) < 0.05
    # Tukey, two varieties: a single comparison.
    assert alpha_each(2, False, how="tukey", df=9) == pytest.approx(0.05, rel=1e-4)
    with pytest.raises(ValueError, match="fit"):
        alpha_each(4, False, how="dunnett")
    with pytest.raises(ValueError, match="two"):
        alpha_each(1, True)


def false_winner_rates(blocks, varieties, seasons):
    """Share of seasons without a difference that name a winner: by plan, and naively."""
    drawn = grow(Garden(blocks, varieties, 0.1, 0.4), seasons, np.random.default_rng(6))
    each = alpha_each(varieties, True)
    claims = first_crossing(drawn.z, planned_edges(drawn, each))
    naive = first_crossing(drawn.z, np.full((1, LOOKS, 1), norm.isf(0.025)))
    return (claims > 0).any(axis=1).mean(), (naive > 0).any(axis=1).mean()


def test_false_winners_are_few_with_a_plan_and_many_without():
    # A small run for every day; its bound lies three standard errors above 5 %.
    planned, naive = false_winner_rates(4, 3, 150)
    assert planned < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 150)
    assert naive > 0.2


@pytest.mark.slow
@pytest.mark.parametrize(("blocks", "varieties"), [(3, 2), (4, 2), (3, 3), (4, 3)])
def test_level_holds_with_few_degrees_of_freedom(blocks, varieties):
    planned, naive = false_winner_rates(blocks, varieties, 2000)
    print(f"{blocks} blocks, {varieties} varieties: {planned:.1%} planned, {naive:.1%} naive")
    assert planned < 0.05 + 2 * np.sqrt(0.05 * 0.95 / 2000)
    assert naive > 0.2


def test_few_degrees_of_freedom_are_charged_for():
    assert alpha_for_few_df(0.05, 2) < alpha_for_few_df(0.05, 6) < 0.05
    assert alpha_for_few_df(0.05, 1e6) == pytest.approx(0.05, rel=1e-5)
