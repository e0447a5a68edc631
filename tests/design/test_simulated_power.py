"""Power by simulation through the mixed-model core against the exact noncentral F."""

import numpy as np
import pytest

from trialkit.design.request import COMPLETELY_RANDOMISED, INCOMPLETE_BLOCKS, LATIN_SQUARE
from trialkit.power import Setup, Spread, power_to_see
from trialkit.simulated import progress_bar, simulated_power

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


def test_progress_bar_moves(capsys):
    with progress_bar() as moved:
        simulated_power(2.0, Setup(2, 3, plants=1, picks=1), PLOTS, seasons=3, progress=moved)


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
def test_incomplete_blocks_lose_what_their_efficiency_factor_says():
    # The average efficiency factor is that of the average pair; one pair may do better or
    # worse, so this asks for 8 points only.
    from trialkit.design.incomplete import alpha_design

    average = alpha_design(9, 4, 3, np.random.default_rng(11)).efficiency.average
    setup = Setup(9, 4, 1, 1, design=INCOMPLETE_BLOCKS, block_size=3, efficiency=average)
    exact = power_to_see(1.9, setup, PLOTS)
    found = simulated_power(1.9, setup, PLOTS, seasons=1500, seed=11)
    assert abs(found.power - exact) < 0.08
