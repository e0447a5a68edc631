"""Complete blocks are fixed; unequal spreads are noticed and taken into account.

* two varieties in complete blocks: the paired t test of a general library, whatever the blocks do;
* without blocks: Welch (1938), Biometrika 29:350, the general library's.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from seasons import bed, day, records

from trialkit.models import analyse
from trialkit.models.harvest import own_spreads


def harvested(values, plants):
    rows = [(day(100), p, float(w), np.nan, None) for p, w in zip(plants["plant"], values,
                                                                  strict=True)]
    dug = pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])
    return analyse(records(plants, harvest=dug, design="randomised complete blocks")).harvest


def test_blocks_that_vary_less_than_chance_do_not_narrow_the_interval():
    """Plots of a block differ in opposite ways: the variance between blocks is zero or below."""
    plants = bed("AB", blocks=4, plants=1)
    gap = np.array([40.0, 10.0, 70.0, 25.0])
    value = np.empty(len(plants))
    for b, g in enumerate(gap, 1):
        own = plants["block"] == str(b)
        value[own & (plants["variety"] == "A")] = 400.0 - g / 2
        value[own & (plants["variety"] == "B")] = 400.0 + g / 2
    row = harvested(value, plants).against_check.iloc[0]
    paired = scipy.stats.ttest_1samp(gap, 0.0)
    assert row["estimate"] == pytest.approx(gap.mean())
    assert row["p"] == pytest.approx(paired.pvalue, rel=1e-6)
    limits = paired.confidence_interval()
    assert [row["low"], row["high"]] == pytest.approx([limits.low, limits.high], rel=1e-6)


def test_unequal_spreads_are_noticed_and_each_pair_has_its_own():
    rng = np.random.default_rng(4)
    plants = bed("ABC", blocks=8, plants=1)
    sd = plants["variety"].map({"A": 8.0, "B": 10.0, "C": 250.0}).to_numpy()
    block = plants["block"].astype(float).to_numpy() * 20.0
    value = 700.0 + block + sd * rng.standard_normal(len(plants))
    found = harvested(value, plants)
    assert any("differ far more among themselves" in note for note in found.notes)
    wide = plants.assign(w=value).pivot_table(index="block", columns="variety", values="w")
    assert (found.pairs["df"] == 7).all()
    half = found.pairs["high"] - found.pairs["estimate"]
    own = [(wide[a] - wide[b]).std() for a, b in zip(found.pairs["left"], found.pairs["right"],
                                                     strict=True)]
    assert (half / own).to_numpy() == pytest.approx(np.full(3, (half / own).iloc[0]))
    close = half[[{a, b} == {"A", "B"} for a, b in zip(found.pairs["left"], found.pairs["right"],
                                                       strict=True)]].iloc[0]
    assert close < half.max() / 5


@pytest.mark.slow
def test_equal_spreads_are_left_alone():
    """At 5 %, of 200 fields with equal spreads; binomial: beyond 9 % has a chance of 0.01."""
    rng = np.random.default_rng(5)
    plants = bed("ABCD", blocks=5, plants=1)
    noticed = [
        own_spreads(pd.DataFrame({"variety": plants["variety"], "block": plants["block"],
                                  "weight": rng.normal(500, 60, len(plants))}), list("ABCD"),
                    ("block",)) is not None
        for _ in range(200)]
    assert np.mean(noticed) <= 0.09


def test_plots_that_are_alike_on_average_are_described():
    """Plants differ, plots' means do not: there is no error between plots to go by."""
    plants = bed("AB", blocks=3, plants=2)
    found = harvested(np.tile([90.0, 500.0], 6), plants)
    assert not found.supported
    assert "every plot, on average, weighs the same" in found.why_not
    assert (found.means["estimate"] == 295).all()


def test_no_weight_below_nothing():
    plants = bed("AB", blocks=4, plants=1)
    value = np.where(plants["variety"] == "A", [0.0, 1, 0, 90, 2, 0, 60, 1][: len(plants)], 400.0)
    assert (harvested(value, plants).means["low"] >= 0).all()
