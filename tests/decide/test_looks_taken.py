"""What counts as a look, and what each look may spend, asked of `conclude` itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.decide import conclude
from trialkit.decide.spending import alpha_for_few_df, crossing, growing, spent

PLANTS = bed("AB", blocks=4, plants=3)
DAYS = [50 + int(3.5 * k) for k in range(20)]
PAIR = ("B", "A")


def season(picks, looks=20, ended=None, until=None, plants=PLANTS):
    """The comparison as the report has it."""
    found = records(plants, picks, looks=looks)
    trial = replace(found.trial, ended=ended)
    return conclude(replace(found, trial=trial, until=until)).looks.results[PAIR]


@pytest.fixture(scope="module")
def even():
    """Twenty picks of two varieties that are alike."""
    return picked(PLANTS, {"A": 0.8, "B": 0.8}, DAYS, seed=6)


@pytest.fixture(scope="module")
def apart():
    """Twenty picks with B well ahead, though not at once."""
    return picked(PLANTS, {"A": 0.8, "B": 1.3}, DAYS, seed=3, plot_sd=0.05)


def until_look(picks, k):
    return picks[picks["date"] <= day(DAYS[k - 1])]


def spends(found, planned):
    """Chance of crossing the boundaries used, and the alpha allowed by the last of them."""
    history = found.history
    edges = history["z_boundary"].to_numpy(float)
    total = crossing(growing(1.0 / history["se"].to_numpy(float) ** 2), edges).total
    alpha = alpha_for_few_df(found.alpha, history["df"].iloc[0])
    return total, float(spent(len(history) / planned, alpha))


def test_looks_missed_leave_their_share_unspent(even):
    missed = even[~even["date"].isin([day(DAYS[k]) for k in (4, 9, 15)])]
    found = season(missed)
    assert found.looks == 17
    assert not found.over
    total, allowed = spends(found, 20)
    assert total == pytest.approx(allowed, rel=1e-4)
    assert total < 0.9 * alpha_for_few_df(0.05, 3)


def test_a_date_of_blanks_is_no_look(even):
    blank = even.copy()
    blank.loc[blank["date"] == day(DAYS[7]), "count"] = np.nan
    assert season(blank).looks == 19


def test_more_looks_than_planned_have_nothing_left_to_spend(even):
    soaring = even.copy()
    later = (soaring["date"] > day(DAYS[7])) & soaring["plant"].isin(
        PLANTS.loc[PLANTS["variety"] == "B", "plant"])
    soaring.loc[later, "count"] = 40.0
    within, beyond = season(until_look(soaring, 8), looks=8), season(soaring, looks=8)
    assert within.state == "will not be settled this season"
    # Beyond the plan the interval is the one that holds for looks nobody planned.
    assert [beyond.low, beyond.high] == list(
        beyond.history[["anytime_low", "anytime_high"]].iloc[-1])
    assert beyond.history["z_boundary"].iloc[:8].tolist() == pytest.approx(
        within.history["z_boundary"].tolist())
    assert spends(within, 8)[0] <= alpha_for_few_df(0.05, 3) * (1 + 1e-4)


def test_looks_of_unequal_information_spend_what_is_allowed(even):
    """Half the plants missed at some picks, double gaps at others: boundaries follow the data."""
    rng = np.random.default_rng(3)
    uneven = even[~even["date"].isin([day(DAYS[k]) for k in (2, 3, 4, 11, 12)])]
    odd = uneven["date"].isin([day(DAYS[k]) for k in (6, 7, 14)])
    uneven = uneven[~odd | (rng.random(len(uneven)) < 0.5)]
    found = season(uneven, looks=15)
    gains = np.diff(1.0 / found.history["se"].to_numpy(float) ** 2)
    assert gains.std() > 0.5 * np.abs(gains.mean())
    total, allowed = spends(found, 15)
    assert total == pytest.approx(allowed, rel=1e-4)


def test_asking_again_after_the_same_pick_spends_nothing(apart):
    once, again = season(until_look(apart, 9)), season(until_look(apart, 9))
    pd.testing.assert_frame_equal(once.history, again.history)
    part = until_look(apart, 9)
    halves = pd.concat([part.assign(count=np.floor(part["count"] / 2)),
                        part.assign(count=np.ceil(part["count"] / 2))])
    twice = season(halves)  # two records of a plant on one day are one look
    assert twice.looks == once.looks == 9
    pd.testing.assert_frame_equal(once.history, twice.history)


def test_what_was_said_of_a_look_is_said_ever_after(apart):
    """Also where a plant starts late, gaps differ and a variety first bears at the third pick."""
    plants = bed("ABC", blocks=4, plants=3)
    days = [50, 52, 57, 58, 65, 67, 72, 80, 81, 90]
    picks = picked(plants, {"A": 0.8, "B": 1.1, "C": 0.7}, days, seed=3, plot_sd=0.05)
    young = plants.loc[plants["variety"] == "C", "plant"]
    picks.loc[picks["plant"].isin(young) & (picks["date"] < day(57)), "count"] = 0.0
    late = plants["plant"].iloc[[1, 14]]
    picks = picks[~(picks["plant"].isin(late) & (picks["date"] < day(65)))]
    whole = season(picks, looks=10, plants=plants)
    assert whole.shared_by == 2
    for k in range(1, 10):
        then = season(picks[picks["date"] <= day(days[k - 1])], looks=10, plants=plants)
        assert then.shared_by == 2
        pd.testing.assert_frame_equal(then.history, whole.history.iloc[:k], rtol=1e-9)


def test_settled_stays_settled_and_names_the_look(apart):
    states = [season(until_look(apart, k)) for k in range(1, 21)]
    first = next(k for k, one in enumerate(states) if one.state == "settled")
    assert 4 < first < 19
    for one in states[first:]:
        assert one.state == "settled"
        assert one.settled_on == day(DAYS[first]).date()


def test_the_end_of_the_season_spends_what_is_left():
    picks = picked(PLANTS, {"A": 0.8, "B": 1.3}, DAYS[:9], seed=7, plot_sd=0.1)
    last = day(DAYS[8]).date()
    open_ = season(picks)
    assert (open_.state, open_.over) == ("keep picking", False)
    closed = season(picks, ended=last + timedelta(days=10))
    assert (closed.state, closed.over) == ("settled", True)
    assert closed.history["z_boundary"].iloc[-1] < open_.history["z_boundary"].iloc[-1]
    assert closed.history["z_boundary"].iloc[:-1].tolist() == pytest.approx(
        open_.history["z_boundary"].iloc[:-1].tolist())
    alpha = alpha_for_few_df(0.05, 3)
    assert spends(closed, 20)[0] == pytest.approx(alpha, rel=1e-4)


def test_a_season_is_not_over_while_it_is_picked_or_seen_from_before_its_end(even):
    early = until_look(even, 9)
    ended = day(DAYS[8]).date() + timedelta(days=10)
    assert season(early, ended=ended).state == "will not be settled this season"
    assert not season(early, ended=ended, until=ended - timedelta(days=1)).over
    assert season(early, ended=ended, until=ended).over
    assert not season(early, ended=date(2025, 7, 1)).over


def test_a_season_is_over_when_no_plant_is_left(even):
    gone = PLANTS.assign(lost=day(DAYS[9]))
    assert season(until_look(even, 9), plants=gone).over
    gone.loc[gone.index[0], "lost"] = pd.NaT
    assert not season(until_look(even, 9), plants=gone).over


def test_plots_that_agree_to_the_pod_settle_nothing():
    """Three blocks in which B gives the same number of pods more: no spread, but few pods."""
    plants = bed("AB", blocks=3, plants=2)
    at = day(50)
    counts = plants["variety"].map({"A": 4.0, "B": 7.0})
    picks = pd.DataFrame(
        {"date": at, "plant": plants["plant"], "count": counts, "weight_g": np.nan})
    found = season(picks, plants=plants)
    assert found.state == "keep picking"
    # Poisson: 1 / n for the logarithm of each total, 24 and 42 pods, half a pod added.
    by_chance = np.sqrt(1 / 24.5 + 1 / 42.5)
    assert found.history["se"].iloc[0] == pytest.approx(0.1 * by_chance)
