"""Slump and recovery after heat, the picking window, pods within reach."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, grown, records

from trialkit.models import Missing, analyse
from trialkit.models.rate import FINISHED, rate_trait
from trialkit.models.totals import Tally
from trialkit.models.window import fell_below, scatter_of

DAYS = list(range(50, 114, 4))


def _season(dip, recovers=True, seed=1):
    """Constant rates but for a dip of A from day 74 to 86, which may never end."""
    rng = np.random.default_rng(seed)
    plants = bed("AB", blocks=4, plants=4)
    rows = []
    for d in DAYS:
        low = 74 <= d <= 86 or (d > 86 and not recovers)
        for row in plants.itertuples(index=False):
            rate = 1.5 * (1 - dip if low and row.variety == "A" else 1.0)
            rows.append((day(d), row.plant, float(rng.poisson(rate * 4)), np.nan))
    return plants, pd.DataFrame(rows, columns=["date", "plant", "count", "weight_g"])


def _rate(plants, picks):
    analysis = analyse(records(plants, picks))
    hot = ((day(68), day(73)),)
    return rate_trait(analysis.pods, analysis.ground, hot, "pods")


def test_depth_and_date_of_a_slump():
    found = _rate(*_season(0.6))
    slump = found.slumps.set_index("variety")
    assert slump.loc["A", "depth_low"] < 0.6 < slump.loc["A", "depth_high"]
    assert day(72) <= slump.loc["A", "lowest_on"] <= day(88)
    # pods of days 86 to 90 are all there again at the pick of day 90
    assert day(84) <= slump.loc["A", "recovered_on"] <= day(96)
    assert slump.loc["A", "recovered_low"] <= slump.loc["A", "recovered_on"]
    assert slump.loc["A", "recovered_on"] <= slump.loc["A", "recovered_high"]
    assert slump.loc["A", "lowest_low"] <= slump.loc["A", "lowest_on"]
    assert slump.loc["A", "lowest_on"] <= slump.loc["A", "lowest_high"]
    assert slump.loc["B", "recovery"] == "no slump"
    assert pd.isna(slump.loc["B", "recovered_low"])


def test_no_recovery_yet_is_an_answer():
    slump = _rate(*_season(0.6, recovers=False)).slumps.set_index("variety")
    assert slump.loc["A", "recovery"] == "no recovery yet"
    assert pd.isna(slump.loc["A", "recovered_on"])
    assert pd.isna(slump.loc["A", "recovered_high"])


@pytest.mark.parametrize("dip", [0.97, pytest.param(0.995, marks=pytest.mark.slow)])
def test_a_variety_that_had_finished_has_no_slump(dip):
    """A gives nothing to speak of from the heat to the end: that is its end."""
    slump = _rate(*_season(dip, recovers=False)).slumps.set_index("variety")
    assert slump.loc["A", "recovery"] == FINISHED
    assert slump.loc["A", ["depth", "depth_low", "depth_high"]].isna().all()
    assert pd.isna(slump.loc["A", "recovered_on"])
    assert _rate(*_season(dip)).slumps.set_index("variety").loc["A", "recovery"] != FINISHED


@pytest.mark.parametrize("seed", [
    1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3))])
def test_a_variety_whose_picks_are_zeros_to_the_end_is_told_like_any_other(seed):
    """A gives nothing at all from the heat on: its curve ends at the first empty pick, and B's
    goes on as if A's empty picks had never been made."""
    plants, picks = _season(1.0, recovers=False, seed=seed)
    found = _rate(plants, picks)
    slump = found.slumps.set_index("variety")
    assert slump.loc["A", "recovery"] == FINISHED
    assert slump.loc["A", ["depth", "recovered_on"]].isna().all()
    last = found.curve.groupby("variety")["date"].max()
    # what a pick tells of lies halfway back to the one before, four days ago
    assert last["A"] == day(74 - 2)
    assert last["B"] == picks["date"].max() - pd.Timedelta(days=2)
    assert found.of("A")["estimate"] == 0
    alone = _rate(plants, picks[(picks["date"] <= day(74)) | picks["plant"].isin(
        plants.loc[plants["variety"] == "B", "plant"])])
    both = found.curve.merge(alone.curve, on=["variety", "date"])
    assert both["estimate_x"].to_numpy() == pytest.approx(both["estimate_y"].to_numpy())


def test_a_late_variety_and_one_with_a_gap_have_their_curves():
    """A is empty for the first half of the season, or for five picks in the middle of it."""
    plants, picks = _season(0.0)
    own = picks["plant"].isin(plants.loc[plants["variety"] == "A", "plant"])
    days = sorted(picks["date"].unique())
    late = _rate(plants, picks.assign(count=picks["count"].where(
        ~own | (picks["date"] >= days[8]), 0.0)))
    begins = late.curve.groupby("variety")["date"].min()
    assert begins["A"] == days[7] - pd.Timedelta(days=2)
    gap = _rate(plants, picks.assign(count=picks["count"].where(
        ~own | ~picks["date"].isin(days[5:10]), 0.0)))
    low = gap.curve[(gap.curve["variety"] == "A") & gap.curve["date"].between(days[6], days[8])]
    assert low["estimate"].max() < 5


def test_a_curve_ends_at_its_own_last_pick():
    """Nobody looked at A any more after day 82: nothing is drawn or told of it from then on."""
    plants, picks = _season(0.0)
    own = picks["plant"].isin(plants.loc[plants["variety"] == "A", "plant"])
    found = _rate(plants, picks[~own | (picks["date"] <= day(82))])
    last = found.curve.groupby("variety")["date"].max()
    assert (last["A"], last["B"]) == (day(82 - 2), picks["date"].max() - pd.Timedelta(days=2))


def test_the_curve_runs_at_the_rate_picked():
    found = _rate(*_season(0.0))
    # 1.5 a day, 10.5 a week
    assert found.curve["estimate"].median() == pytest.approx(10.5, rel=0.08)
    inside = (found.curve["low"] < 10.5) & (found.curve["high"] > 10.5)
    assert inside.mean() > 0.9


def test_a_curve_takes_five_picks():
    plants, picks = _season(0.0)
    few = picks[picks["date"] < day(DAYS[4])]
    assert isinstance(analyse(records(plants, few)).rate, Missing)


def test_pods_within_reach_by_hand():
    """Same rate, 1.5 a day; A passes reach on a known day and keeps what came before it."""
    plants, picks = _season(0.0)
    heights = grown(plants, {"A": 260.0, "B": 150.0}, range(14, 113, 7), plot_sd=1.0, plant_sd=2.0)
    found = analyse(records(plants, picks, heights, reach=220.0)).window
    passed = 45 - 10 * np.log(260 / 220 - 1)  # day 62.0 of the logistic curve
    whole = DAYS[-1] - 46  # days of the season: from four before the first pick to the last
    within = found.means.set_index("variety")
    assert within.loc["B", "estimate"] == pytest.approx(10.5, rel=0.05)
    assert within.loc["A", "estimate"] == pytest.approx(10.5 * (passed - 46) / whole, rel=0.15)
    assert within.loc["A", "low"] < 10.5 * (passed - 46) / whole < within.loc["A", "high"]
    window = found.window.set_index("variety")
    assert window.loc["A", "ended_by"] == "out of reach"
    assert abs((window.loc["A", "end"] - day(passed)).days) <= 2
    assert window.loc["B", "ended_by"] == "last record"
    assert window.loc["B", "end"] == day(DAYS[-1])
    length = passed - DAYS[0]
    assert window.loc["A", "days_low"] < length < window.loc["A", "days_high"]
    assert window.loc["B", ["days_low", "days_high"]].tolist() == [DAYS[-1] - DAYS[0]] * 2


def test_a_rate_below_the_threshold_ends_the_window():
    plants, picks = _season(0.9, recovers=False)
    found = analyse(records(plants, picks, threshold=5.0)).window.window.set_index("variety")
    assert found.loc["A", "ended_by"] == "rate below what is worth picking"
    assert day(66) <= found.loc["A", "end"] <= day(80)
    # the day the rate fell too low is an estimate too
    assert found.loc["A", "end_low"] <= found.loc["A", "end"] <= found.loc["A", "end_high"]
    assert found.loc["A", "days_low"] < found.loc["A", "days_high"]
    assert found.loc["B", "ended_by"] == "last record"


def test_the_last_day_worth_picking_by_hand():
    curves = np.array([[3.0, 1.0, 3.0, 1.0, 1.0], [3.0, 1.0, 1.0, 1.0, 3.0], [1.0] * 5])
    assert list(fell_below(curves, 2.0)) == [2.5, np.inf, np.inf]


def test_scatter_is_pearson_s_chi_squared_over_its_df():
    """One variety, two plots, two dates: the 2 x 2 table 10, 20 / 20, 10 has X2 = 6.667 on 1 df
    (each expected 15, four times 25 / 15)."""
    looks = pd.DataFrame({"variety": "A", "unit": list("aabb"), "date": [1, 2, 1, 2],
                          "pods": [10.0, 20.0, 20.0, 10.0], "days": 4.0, "gap": 4.0})
    assert scatter_of(Tally(looks, ())) == pytest.approx(4 * 25 / 15)
    assert scatter_of(Tally(looks.assign(pods=5.0), ())) == 1.0
    assert scatter_of(Tally(looks.iloc[:1], ())) == 1.0
