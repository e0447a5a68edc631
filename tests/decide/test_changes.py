"""What changed since the last pick, against truths planted in the records and sums done here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.decide import conclude

PLANTS = bed("AB", blocks=3, plants=2)
TWENTY = [50 + int(3.5 * k) for k in range(20)]


def said(picks, plants=PLANTS, looks=20, ended=None):
    found = records(plants, picks, looks=looks)
    return conclude(replace(found, trial=replace(found.trial, ended=ended))).since_last


def fixed(*counts):
    """Picks on days 50, 54, 58, ...: of each pick the pods of every plant of A and of B."""
    rows = [
        (day(50 + 4 * k), row.plant, float(pick[row.variety == "B"]), np.nan)
        for k, pick in enumerate(counts) for row in PLANTS.itertuples(index=False)
    ]
    return pd.DataFrame(rows, columns=["date", "plant", "count", "weight_g"])


def test_pods_plants_and_rates_of_the_two_picks():
    # Six plants each; the last gap is 4 days. 6 x 3 + 6 x 5 = 48 pods, 4 a plant, 7 a week;
    # the pick before 6 x 4 + 6 x 2 = 36, 3 a plant in 4 days, 5.25 a week.
    first, *_ = said(fixed((2, 2), (4, 2), (3, 5)))
    assert first == ("On 21 July: 48 pods from 12 plants, 7.0 a plant a week (5.2 at the pick "
                     "before). B was best on the day.")


def test_a_plant_not_looked_at_is_left_out():
    picks = fixed((2, 2), (4, 2), (3, 5))
    last = picks["date"] == picks["date"].max()
    picks.loc[last & (picks["plant"] == "1-1"), "count"] = np.nan
    assert "from 11 plants" in said(picks)[0]


def test_how_the_ratio_moved():
    # The ratio of the varieties' totals, half a pod added to each: 3 plots of 2 plants gave
    # 3 x 12 = 36 and 3 x 8 = 24; then 54 and 54.
    picks = fixed((2, 2), (4, 2), (3, 5))
    found = conclude(records(PLANTS, picks, looks=20))
    before, now = (look.estimate for look in found.looks.totals["B", "A"][-2:])
    assert np.exp([before, now]) == pytest.approx([24.5 / 36.5, 1.0])
    assert found.since_last[1] == (
        "B went from 0.67 times to 1.0 times what A gave.")
    # Twice 2.0 times is no news.
    assert len(said(fixed((2, 4), (2, 4), (0, 0), (0, 0)))) == 1


def test_the_pick_that_settles_is_named_once():
    plants = bed("AB", blocks=4, plants=3)
    picks = picked(plants, {"A": 0.8, "B": 1.3}, TWENTY, seed=3, plot_sd=0.05)
    result = conclude(records(plants, picks, looks=20)).looks.results["B", "A"]
    on = pd.Timestamp(result.settled_on)
    assert result.state == "settled"
    lines = said(picks[picks["date"] <= on], plants)
    assert "This pick made the answer firm: B and A." in lines
    after = sorted(picks.loc[picks["date"] > on, "date"].unique())[0]
    later = said(picks[picks["date"] <= after], plants)
    assert not any(line.startswith("This pick made") for line in later)


def test_after_the_last_planned_pick_nothing_is_foretold():
    plants = bed("AB", blocks=3, plants=2)
    picks = picked(plants, {"A": 0.8, "B": 0.9}, TWENTY[:6], seed=2, plot_sd=0.4)
    lines = said(picks, plants, looks=6)
    assert "Too close to call: B and A." in lines
    assert not any("Unlikely" in line for line in lines)


@pytest.mark.slow
def test_the_pick_at_which_it_is_given_up_is_named_once():
    plants = bed("AB", blocks=3, plants=2)
    picks = picked(plants, {"A": 0.8, "B": 0.8}, TWENTY, seed=2, plot_sd=0.4)
    dates = sorted(picks["date"].unique())
    states = [
        conclude(records(plants, picks[picks["date"] <= d], looks=20)).looks.results["B", "A"].state
        for d in dates
    ]
    first = states.index("will not be settled this season")
    assert 11 < first < 19
    line = "Unlikely to firm up this season: B and A."
    assert line in said(picks[picks["date"] <= dates[first]], plants)
    assert line not in said(picks[picks["date"] <= dates[first - 1]], plants)
    assert line not in said(picks[picks["date"] <= dates[first + 1]], plants)


def test_losses_between_the_two_picks_and_after():
    plants = PLANTS.copy()
    picks = fixed((2, 2), (4, 2), (3, 5))
    assert not any("lost" in line for line in said(picks))
    plants.loc[plants["plant"] == "1-1", "lost"] = day(53)  # before the pick before
    plants.loc[plants["plant"].isin(["2-1", "2-2"]), "lost"] = day(56)
    gone = plants.set_index("plant")["variety"]
    assert gone["2-1"] == gone["2-2"]
    assert said(picks, plants)[-1] == (
        f"2 plants lost since the pick before: {gone['2-1']} 2.")


def test_the_first_pick_has_nothing_before_it():
    assert said(fixed((2, 3))) == ("The pick of 13 July is the first.",)
    assert said(fixed((2, 3)).iloc[:0]) == ()
