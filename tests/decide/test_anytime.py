"""Anytime-valid intervals, and the judgement after every look."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from looks_study import LOOKS, Garden, Seasons, anytime_edges, first_crossing, gave_up, grow
from scipy.optimize import minimize_scalar

from trialkit.decide.looks import (
    ALIKE,
    HOPELESS,
    KEEP,
    SETTLED,
    UNSETTLED,
    Look,
    evaluate_family,
    evaluate_looks,
    levelling_off,
)
from trialkit.decide.spending import alpha_each, anytime_z, mixture_rho, repeated_interval

START = date(2025, 6, 1)


def look(k, estimate, se=0.2, df=9.0):
    return Look(START + timedelta(days=3 * k), estimate, se, df)


def season(estimate, looks=20, a=0.01, b=0.06, df=9.0):
    """Looks with a steady estimate and se^2 = a + b / k."""
    return [look(k, estimate, np.sqrt(a + b / k), df) for k in range(1, looks + 1)]


def test_mixture_boundary_is_the_mixture():
    # Robbins 1970: the normal mixture of likelihood ratios exp(l s - l^2 v / 2) over
    # l ~ N(0, 1 / rho) equals 1 / alpha exactly on the boundary; integrated numerically here.
    rho, alpha, v = 2.0, 0.05, 7.0
    s = float(anytime_z(v, rho, alpha)) * np.sqrt(v)
    grid = np.linspace(-8, 8, 40_001)
    prior = np.exp(-0.5 * grid**2 * rho) * np.sqrt(rho / (2 * np.pi))
    mixture = np.trapezoid(np.exp(grid * s - 0.5 * grid**2 * v) * prior, grid)
    assert mixture == pytest.approx(1 / alpha, rel=1e-6)


def test_rho_makes_the_boundary_tightest_where_asked():
    for alpha in (0.05, 0.005):
        best = minimize_scalar(
            lambda r: float(anytime_z(3.0, np.exp(r), alpha)),  # noqa: B023
            bounds=(-6, 4),
            method="bounded",
        )
        assert mixture_rho(3.0, alpha) == pytest.approx(np.exp(best.x), rel=1e-3)
    with pytest.raises(ValueError, match="information"):
        mixture_rho(0.0)


def test_anytime_level_over_a_thousand_looks():
    # Brownian motion seen at 1000 looks, information over four decades: at most alpha.
    rng = np.random.default_rng(9)
    information = np.geomspace(1, 1e4, 1000)
    steps = np.sqrt(np.diff(np.concatenate([[0.0], information])))
    z = np.cumsum(steps * rng.normal(size=(4000, 1000)), axis=1) / np.sqrt(information)
    edge = anytime_z(information, mixture_rho(20.0))
    crossed = (np.abs(z) >= edge).any(axis=1).mean()
    assert crossed <= 0.05
    assert crossed > 0.015  # not so careful as to be useless
    assert (np.abs(z) >= 1.96).any(axis=1).mean() > 0.5


def test_plots_shared_by_all_looks_keep_independent_increments():
    # The claim of the module: estimates from the same plots have Cov(S_j, S_k) = I_j.
    rng = np.random.default_rng(10)
    plots, picks, runs = 8, 6, 40_000
    plot = rng.normal(0, 0.5, (runs, 1, plots))
    seen = np.cumsum(rng.normal(0, 1.0, (runs, picks, plots)), axis=1)
    mean = (plot + seen / np.arange(1, picks + 1)[:, None]).mean(axis=2)
    information = 1 / ((0.25 + 1.0 / np.arange(1, picks + 1)) / plots)
    found = np.cov((mean * information).T)
    expected = np.minimum.outer(information, information)
    assert found == pytest.approx(expected, rel=0.04)


def test_interval_stops_shrinking_with_the_plots():
    rho = mixture_rho(5.0 / 0.07)
    def interval(estimate, se):
        return repeated_interval(estimate, se, 9, float(anytime_z(1.0 / se**2, rho)))

    widths = [np.diff(interval(0.0, np.sqrt(0.01 + 0.06 / k)))[0] for k in (1, 10, 100, 10_000)]
    assert widths[0] > widths[1] > widths[2] > widths[3] > 2 * 2.26 * 0.1
    low, high = interval(0.3, 0.1)
    assert (low + high) / 2 == pytest.approx(0.3)


def test_anytime_level_with_few_degrees_of_freedom():
    for garden in (Garden(3, 2, 0.0, 0.4), Garden(4, 4, 0.1, 0.4)):
        drawn = grow(garden, 2000, np.random.default_rng(12))
        claims = first_crossing(drawn.z, anytime_edges(drawn, 0.05 / (garden.varieties - 1)))
        assert (claims > 0).any(axis=1).mean() <= 0.05


def test_levelling_off_is_recovered():
    k = np.arange(1, 21.0)
    a, b = levelling_off(k, np.sqrt(0.01 + 0.06 / k))
    assert (a, b) == pytest.approx((0.01, 0.06))
    a, b = levelling_off(k, np.sqrt(0.06 / k))
    assert a == pytest.approx(0.0, abs=1e-9)


def test_settled_with_a_plan_and_without():
    looks = season(0.6)
    planned = evaluate_looks(looks, 20, names=("Red", "Blue"))
    assert planned.state == SETTLED
    assert planned.direction == 1
    assert planned.basis == "planned looks"
    assert planned.low > 0
    assert planned.one_line.startswith("Settled: Red is ahead of Blue, 1.8 times (")
    free = evaluate_looks(looks, None, names=("Red", "Blue"))
    assert free.state == SETTLED
    assert free.basis == "unplanned looks"
    last = free.history.iloc[-1]
    assert (free.low, free.high) == (last["anytime_low"], last["anytime_high"])
    naive = last["naive_high"] - last["naive_low"]
    assert naive < planned.high - planned.low < free.high - free.low
    behind = evaluate_looks(season(-0.6), 20, names=("Red", "Blue"))
    assert behind.direction == -1
    assert behind.one_line.startswith("Settled: Blue is ahead of Red, 1.8 times")


def test_the_newest_look_alone_decides():
    """Settled at a look, open again where later looks bring the two together."""
    looks = season(0.6)
    first = next(k for k in range(1, 21) if evaluate_looks(looks[:k], 20).state == SETTLED)
    assert 3 < first < 15
    found = evaluate_looks(looks[: first + 1], 20)
    assert (found.state, found.settled_on) == (SETTLED, looks[first - 1].date)
    assert not found.low < 0 < found.high
    later = [*looks[: first + 1], *season(0.1)[first + 1 :]]
    closer = evaluate_looks(later, 20, names=("Red", "Blue"))
    assert closer.state == UNSETTLED
    assert closer.settled_on is None
    assert closer.low < 0 < closer.high


def test_early_looks_are_not_believed():
    found = evaluate_looks([look(1, 1.0, 0.3)], 20)
    assert abs(found.statistic) > 3
    assert found.state == KEEP
    assert found.chance_at_trend is None
    assert "too early" in found.full


def test_hopeless_season_is_called_so_and_alike_varieties_too():
    wide = evaluate_looks(season(0.05, 16, a=0.09), 20, names=("Red", "Blue"))
    assert wide.state == UNSETTLED
    assert not wide.alike
    assert max(wide.chance_at_trend, wide.chance_if_worthwhile) < HOPELESS
    assert "More plots next year" in wide.full
    close = evaluate_looks(season(0.02, 20, a=0.001, b=0.02, df=30), 20, names=("Red", "Blue"))
    assert close.state == ALIKE
    assert close.alike
    assert "alike" in close.one_line
    early = evaluate_looks(season(0.05, 11, a=0.09), 20)
    assert (early.state, early.chance_at_trend) == (KEEP, None)
    going = evaluate_looks(season(0.25, 13), 20)
    assert going.state == KEEP
    assert 0.10 < going.chance_at_trend < 1


def test_one_hopeless_look_is_not_enough():
    """The chance is known from the twelfth of twenty looks on; it takes three of them."""
    states = {k: evaluate_looks(season(0.05, k, a=0.09), 20) for k in range(11, 15)}
    assert states[11].chance_at_trend is None
    assert max(states[12].chance_at_trend, states[12].chance_if_worthwhile) < HOPELESS
    assert [one.state for one in states.values()] == [KEEP, KEEP, KEEP, UNSETTLED]


@pytest.mark.slow
def test_the_study_gives_up_where_the_judgement_does():
    drawn = grow(Garden(3, 2, 0.1, 0.4), 3, np.random.default_rng(4))
    for estimate, se in zip(drawn.estimate, drawn.se, strict=True):
        looks = [look(k + 1, estimate[k, 0], se[k], 2.0) for k in range(LOOKS)]
        said = [evaluate_looks(looks[:k], 20).state for k in range(10, LOOKS)]
        first = said.index(UNSETTLED) + 10 if UNSETTLED in said else 0
        assert gave_up(Seasons(estimate, se, 2), 20, 0.05) == (first, False)


def test_over_running_and_stopping_short():
    looks = season(0.25, 24)
    assert evaluate_looks(looks[:20], 20).state == UNSETTLED
    beyond = evaluate_looks([*looks[:20], look(21, 0.3, 0.2)], 20)
    assert beyond.state == UNSETTLED
    assert beyond.over
    # Its own interval is the one that holds for looks nobody planned.
    assert [beyond.low, beyond.high] == list(
        beyond.history[["anytime_low", "anytime_high"]].iloc[-1])
    assert np.isfinite([beyond.low, beyond.high]).all()
    short = season(0.5, 6)
    assert evaluate_looks(short, 20).state == KEEP
    closed = evaluate_looks(short, 20, last=True)
    assert closed.state == SETTLED
    assert evaluate_looks(season(0.1, 6), 20, last=True).state == UNSETTLED


def test_looks_without_an_estimate_are_kept_but_not_used():
    nothing = Look(START, np.nan, np.nan, np.nan)
    found = evaluate_looks([nothing, *season(0.6)], 21)
    assert found.state == SETTLED
    assert found.looks == 21
    only = evaluate_looks([nothing], 20)
    assert only.state == KEEP
    assert only.one_line == "No comparison can be made yet: keep picking."
    flat = evaluate_looks([Look(START, 0.0, 0.0, 6.0)], None)
    assert flat.state == KEEP


def test_differences_with_a_unit():
    looks = [look(k, 12.0, 20.0 / np.sqrt(k)) for k in range(1, 21)]
    found = evaluate_looks(looks, 20, scale="difference", unit="cm", names=("Red", "Blue"))
    assert "12 cm" in found.one_line
    assert found.chance_if_worthwhile is None
    some = evaluate_looks(looks[:12], 20, scale="difference", unit="cm", worthwhile=25.0)
    assert some.chance_if_worthwhile is not None


def test_family_shares_alpha_by_all_comparisons_of_the_report():
    series = {("B", "A"): season(0.45), ("C", "A"): season(0.0)}
    found = evaluate_family(series, 20, varieties=6, against_check=True)
    assert found["B", "A"].alpha == pytest.approx(0.05 / 5)
    few = evaluate_family(series, 20, varieties=3, against_check=True)
    df = few["B", "A"].history["df"].max()
    assert few["B", "A"].alpha == pytest.approx(alpha_each(3, True, 0.05, "dunnett", df))
    assert "1 % of the time (5 % for all 5 comparisons together)" in found["B", "A"].full
    alone = evaluate_looks(season(0.45), 20)
    assert "at most 5 % of the time;" in alone.full
    assert found["B", "A"].high - found["B", "A"].low > alone.high - alone.low
    assert found["C", "A"].names == ("C", "A")


def test_bad_requests():
    with pytest.raises(ValueError, match="no look"):
        evaluate_looks([], 20)
    with pytest.raises(ValueError, match="order"):
        evaluate_looks([look(2, 0.1), look(1, 0.1)], 20)
    with pytest.raises(ValueError, match="planned"):
        evaluate_looks([look(1, 0.1)], 0)
