"""The season's yield: a living plant, and a metre of row with its losses and their uncertainty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from seasons import bed, day, picked, records
from statsmodels.stats.proportion import proportion_confint

from trialkit.models import analyse
from trialkit.models.season_yield import combined
from trialkit.models.stand import alive_limits

DAYS = list(range(50, 102, 4))
RATES = {"A": 0.5, "B": 1.0, "C": 0.7}


def _shares(planted, lost, effective=None, taken=1.0):
    return pd.DataFrame({"variety": "A", "planted": [planted], "lost": [lost],
                         "effective": [effective or planted], "taken": [taken],
                         "alive": [1 - lost / planted * taken]})


@pytest.mark.parametrize("lost", [1, 4, 11])
def test_limits_of_the_losses_are_those_of_jeffreys(lost):
    # Jeffreys' interval of a binomial share, by statsmodels.
    low, high = proportion_confint(lost, 24, method="jeffreys")
    least, most = alive_limits(_shares(24, lost))
    assert (1 - most[0], 1 - least[0]) == pytest.approx((low, high))
    half = alive_limits(_shares(24, lost, taken=0.5))
    assert (half[0][0], half[1][0]) == pytest.approx((1 - high / 2, 1 - low / 2))


def test_no_loss_leaves_only_the_lower_limit_open():
    # Brown, Cai & DasGupta 2001, section 4.3: with nothing seen the lower limit is 0; the upper
    # is the quantile of a Beta(1/2, n + 1/2).
    least, most = alive_limits(_shares(12, 0))
    assert most[0] == 1.0
    assert least[0] == pytest.approx(1 - stats.beta.ppf(0.975, 0.5, 12.5))


def test_independent_parts_with_even_limits_add_as_squares():
    low, high = combined(np.array([5.0]), [
        (np.array([2.0]), np.array([-1.0]), np.array([5.0])),
        (np.array([3.0]), np.array([-1.0]), np.array([7.0]))])
    assert (low[0], high[0]) == pytest.approx((0.0, 10.0))


def _season(lose=None, seed=1, blocks=4, plants=6):
    frame = bed("ABC", blocks, plants)
    if lose is not None:
        frame.loc[lose(frame), "lost"] = day(49)
    alive = frame[frame["lost"].isna()]
    return frame, analyse(records(frame, picked(alive, RATES, DAYS, seed=seed))).season


def test_losses_lower_a_metre_of_row_and_not_a_living_plant():
    _, whole = _season()
    frame, found = _season(lambda f: (f["variety"] == "B") & (f["column"] % 6 < 2))
    lived, share = found.of("B"), found.losses.set_index("variety").loc["B", "alive"]
    gone = (frame["variety"] == "B") & frame["lost"].notna()
    # lost three days after the season began, 4 days before the first pick, of 52
    assert share == pytest.approx(1 - gone.mean() * 3 * (1 - 3 / 52))
    assert lived["estimate"] == pytest.approx(whole.of("B")["estimate"], rel=0.2)
    metre = found.metre.set_index("variety")
    assert metre.loc["B", "estimate"] == pytest.approx(4 * share * lived["estimate"])
    alone = np.log(lived["high"] / lived["low"])
    both = np.log(metre.loc["B", "high"] / metre.loc["B", "low"])
    assert both > alone
    ratio = found.against_check.set_index("variety").loc["B"]
    with_losses = found.metre_ratio.set_index("variety").loc["B"]
    assert with_losses["estimate"] == pytest.approx(ratio["estimate"] * share)
    assert with_losses["high"] / with_losses["low"] > ratio["high"] / ratio["low"]


def test_without_losses_only_the_lower_end_of_a_metre_moves():
    _, found = _season()
    plant, metre = found.of("A"), found.metre.set_index("variety").loc["A"]
    assert metre["estimate"] == pytest.approx(4 * plant["estimate"])
    assert metre["high"] == pytest.approx(4 * plant["high"])
    assert metre["low"] < 4 * plant["low"]


def test_plants_of_a_plot_lost_together_count_as_fewer():
    _, bunched = _season(lambda f: (f["variety"] == "B") & (f["block"] == "1"))
    _, spread = _season(lambda f: (f["variety"] == "B") & (f["column"] % 6 == 1) | (
        (f["variety"] == "B") & (f["column"] % 6 == 2) & f["block"].isin(["1", "2"])))
    rows = [one.losses.set_index("variety").loc["B"] for one in (bunched, spread)]
    assert rows[0]["lost"] == rows[1]["lost"] == 6
    assert rows[0]["alive_low"] < rows[1]["alive_low"] - 0.1


def test_one_block_has_no_limits_and_a_lost_variety_does_no_harm():
    frame = bed("AB", blocks=1)
    found = analyse(records(frame, picked(frame, {"A": 0.5, "B": 1.0}, DAYS))).season
    assert found.metre[["low", "high"]].isna().all(axis=None)
    assert found.losses[["alive_low", "alive_high"]].isna().all(axis=None)
    plants = bed("AB")
    picks = picked(plants, {"A": 0.5, "B": 1.0}, DAYS)
    plants.loc[plants["variety"] == "B", "lost"] = day(60)
    early = picks["plant"].isin(plants.loc[plants["variety"] == "A", "plant"])
    gone = analyse(records(plants, picks[early | (picks["date"] < day(60))])).season
    row = gone.metre.set_index("variety").loc["B"]
    assert 0 < row["low"] < row["estimate"] < row["high"]


@pytest.mark.slow
def test_intervals_of_a_metre_of_row_cover_the_truth():
    """Losses bunched by plot (beta-binomial, rho 0.2; 2 % of A, 15 % of B), four blocks of six
    plants, 250 seasons.  Held at 93 to 97 % but for Monte Carlo error (2 standard errors)."""
    rng = np.random.default_rng(12)
    chance = {"A": 0.02, "B": 0.15, "C": 0.15}
    held = []
    base = bed("ABC", 4, 6)
    for seed in rng.integers(0, 10**9, 250):
        own = {p: rng.beta(chance[v] * 4, (1 - chance[v]) * 4)
               for p, v in base[["plot", "variety"]].drop_duplicates().to_numpy()}
        plants = base.copy()
        plants.loc[rng.random(len(plants)) < plants["plot"].map(own), "lost"] = day(46)
        alive = plants[plants["lost"].isna()]
        made = analyse(records(plants, picked(alive, RATES, DAYS, seed=int(seed)))).season
        row = made.metre_ratio.set_index("variety")
        for name in "BC":
            truth = RATES[name] / RATES["A"] * (1 - chance[name]) / (1 - chance["A"])
            held.append(row.loc[name, "low"] <= truth <= row.loc[name, "high"])
    both = np.array(held).reshape(-1, 2).all(axis=1)  # simultaneous over the two ratios
    print(f"both ratios a metre of row held: {both.mean():.3f}")
    error = np.sqrt(0.05 * 0.95 / len(both))
    assert 0.93 - 2 * error < both.mean()
