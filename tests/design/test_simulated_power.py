"""Power by simulation through the mixed-model core against the exact noncentral F."""

from dataclasses import replace

import pytest

from trialkit.design.layouts import lay_out
from trialkit.design.request import COMPLETELY_RANDOMISED, INCOMPLETE_BLOCKS, LATIN_SQUARE
from trialkit.power import Setup, Spread, power_of_pairs, power_to_see
from trialkit.power.simulated import plan_for, progress_bar, simulated_power

PLOTS = Spread(plot=0.3, plant=0.01, pick=0.01)


def test_a_season_can_be_repeated_and_progress_is_told():
    told = []
    setup = Setup(3, 4, plants=1, picks=1)
    first = simulated_power(
        2.0, setup, PLOTS, seasons=12, progress=lambda done, total: told.append((done, total))
    )
    assert told == [(n, 12) for n in range(1, 13)]
    assert simulated_power(2.0, setup, PLOTS, seasons=12) == first
    assert first.low <= first.power <= first.high


@pytest.mark.slow
def test_a_large_ratio_is_always_seen_and_losses_never_help():
    setup = Setup(3, 4, plants=2, picks=3)
    sure = simulated_power(20.0, setup, Spread(), seasons=15)
    assert sure.power == 1.0
    assert sure.unusable == 0
    whole = simulated_power(1.6, setup, Spread(), seasons=60, seed=3)
    torn = simulated_power(1.6, setup, Spread(), seasons=60, seed=3, lost=0.6, missed=0.5)
    assert torn.power < whole.power


def test_shares_outside_zero_to_one_are_refused():
    with pytest.raises(ValueError, match="less than 1"):
        simulated_power(1.5, Setup(3, 3), Spread(), lost=1.0)


def test_progress_is_told_season_by_season_and_a_bar_takes_it():
    told = []
    trial = Setup(2, 3, plants=1, picks=1)
    simulated_power(2.0, trial, PLOTS, seasons=3, progress=lambda *at: told.append(at))
    assert told[-1] == (3, 3)
    with progress_bar() as moved:
        moved(1, 3)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("setup", "spread", "ratio", "seasons"),
    [
        (Setup(4, 4, plants=1, picks=1), PLOTS, 1.6, 3000),
        (Setup(4, 4, plants=3, picks=4), Spread(plot=0.4), 2.0, 2500),
        (Setup(3, 5, plants=1, picks=1, design=COMPLETELY_RANDOMISED), PLOTS, 1.7, 3000),
        (Setup(5, 5, plants=1, picks=1, design=LATIN_SQUARE), PLOTS, 1.7, 3000),
        (Setup(4, 4, plants=1, picks=1), PLOTS, 1.0, 3000),
    ],
    ids=["blocks", "blocks with plants and picks", "completely randomised", "Latin", "no ratio"],
)
def test_simulation_is_within_two_points_of_exact(setup, spread, ratio, seasons):
    # Sampling error of 3000 seasons is 0.9 points at most; seeds are fixed.
    exact = power_to_see(ratio, setup, spread)
    found = simulated_power(ratio, setup, spread, seasons=seasons, seed=11)
    assert abs(found.power - exact) < 0.02
    assert found.unusable == 0


@pytest.mark.slow
def test_incomplete_blocks_are_within_two_points_of_exact():
    """Every pair has an exact power of its own, by its own efficiency factor; the made-up seasons
    take the pairs in turn, so what they find is the mean of those.  Sampling error 0.8 points."""
    setup = Setup(9, 4, 1, 1, design=INCOMPLETE_BLOCKS, block_size=3)
    planting = lay_out(plan_for(setup, 11))
    setup = replace(setup, efficiency=planting.efficiency.average)
    exact = power_of_pairs(1.9, planting, PLOTS, picks=1)["power"]
    found = simulated_power(1.9, setup, PLOTS, seasons=3600, seed=11, planting=planting)
    assert found.error < 0.008
    assert abs(found.power - exact.mean()) < 0.02
    assert abs(found.power - power_to_see(1.9, setup, PLOTS)) < 0.02


def test_the_average_efficiency_factor_answers_for_the_average_pair():
    setup = Setup(9, 4, 1, 1, design=INCOMPLETE_BLOCKS, block_size=3)
    planting = lay_out(plan_for(setup, 11))
    pairs = power_of_pairs(1.9, planting, PLOTS, picks=1)
    average = replace(setup, efficiency=planting.efficiency.average)
    assert len(pairs) == 36
    assert 1 / (1 / pairs["efficiency"]).mean() == pytest.approx(planting.efficiency.average)
    assert abs(pairs["power"].mean() - power_to_see(1.9, average, PLOTS)) < 0.005
    # One pair is not the average: this is why a study of a single pair looked 8 points off.
    assert pairs["power"].max() - pairs["power"].min() > 0.08


def test_every_pair_takes_its_turn():
    setup = Setup(3, 4, plants=1, picks=1)
    found = simulated_power(30.0, setup, PLOTS, seasons=3)
    assert (found.power, found.error) == (1.0, 0.0)
    half = simulated_power(1.6, setup, PLOTS, seasons=40)
    assert half.error == pytest.approx((half.power * (1 - half.power) / 40) ** 0.5)
