"""Days from planting to readiness, and weight a metre of row, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from seasons import bed, day, records

from trialkit.models import analyse
from trialkit.models.harvest import ReadyRule
from trialkit.trial import TrialProblems, parse_trial

COLUMNS = ["date", "plant", "weight_g", "count", "grade"]


def cut(plants, on, weight=500.0, grade=None) -> pd.DataFrame:
    """on: plant -> days from planting, plants left out not cut."""
    return pd.DataFrame([(day(d), p, weight, np.nan, grade) for p, d in on.items()],
                        columns=COLUMNS)


def ready(plants, harvest, **trial):
    season = records(plants, harvest=harvest)
    return analyse(replace(season, trial=replace(season.trial, **trial))).harvest.ready


def test_half_of_the_plants_by_hand():
    """Four plants a plot, cut on days 60, 64, 70, 80: the second is half, day 64."""
    plants = bed("AB", blocks=3, plants=4)
    days = dict(zip(plants["plant"], [60, 64, 70, 80] * 6, strict=True))
    late = plants["variety"] == "B"
    days |= {p: days[p] + 7 for p in plants.loc[late, "plant"]}
    one = next(iter(plants.loc[late, "plant"]))
    days[one] = 75  # one plot of B: 71, 75, 77, 87: ready on day 75, the others on 71
    found = ready(plants, cut(plants, days))
    table = found.table.set_index("variety")
    assert table.loc["A", "day"] == 64
    assert table.loc["A", "date"] == day(64)
    assert table.loc["B", "mean"] == pytest.approx((71 + 71 + 75) / 3)
    row = found.against_check.iloc[0]
    gap = np.array([7.0, 7.0, 11.0])
    half = stats.t.isf(0.025, 2) * gap.std(ddof=1) / np.sqrt(3)
    assert row["estimate"] == pytest.approx(gap.mean())
    assert row["high"] - row["estimate"] == pytest.approx(half)
    assert row["df"] == 2
    assert "ready 64 days after planting" in table.loc["A", "words"]


def test_the_grower_sets_the_share():
    plants = bed("AB", blocks=2, plants=4)
    days = dict(zip(plants["plant"], [60, 64, 70, 80] * 4, strict=True))
    found = ready(plants, cut(plants, days), ready_share=0.75)
    assert (found.table["day"] == 70).all()
    assert "75 %" in found.rule
    with pytest.raises(ValueError, match="at most 1"):
        ReadyRule(share=1.2)


def test_plants_not_cut_and_plants_lost():
    """Two of four cut by the end is half; a plant lost that gave nothing does not stand."""
    plants = bed("AB", blocks=2, plants=4)
    some = [p for i, p in enumerate(plants["plant"]) if i % 4 < 2]
    found = ready(plants, cut(plants, {p: 60 + 5 * (i % 2) for i, p in enumerate(some)}))
    assert (found.table["day"] == 65).all()
    assert (found.table["share"] == 0.5).all()
    one = [p for i, p in enumerate(plants["plant"]) if i % 4 == 0]
    still = cut(plants, dict.fromkeys(one, 60) | {one[0]: 62})
    assert ready(plants, still).table["day"].isna().all()
    assert "not ready" in ready(plants, still).table["words"].iloc[0]
    gone = plants.assign(lost=[day(30) if i % 4 > 1 else pd.NaT for i in range(16)])
    assert ready(gone, still).table["day"].notna().all()


def test_small_or_waste_is_not_ready():
    plants = bed("AB", blocks=2, plants=2)
    days = dict(zip(plants["plant"], [60, 70] * 4, strict=True))
    small = cut(plants, days)
    small.loc[small["date"] == day(60), "weight_g"] = 90.0
    assert (ready(plants, small).table["day"] == 60).all()
    assert (ready(plants, small, marketable_from_g=100.0).table["day"] == 70).all()
    waste = cut(plants, days, grade="large")
    waste.loc[waste["date"] == day(60), "grade"] = "split"
    assert (ready(plants, waste).table["day"] == 70).all()
    named = ready(plants, waste, marketable=("split",))
    assert (named.table["day"] == 60).all()


def test_dug_on_one_day_is_ready_by():
    plants = bed("AB", blocks=3, plants=2)
    found = ready(plants, cut(plants, dict.fromkeys(plants["plant"], 95)))
    assert found.table[["low", "high"]].isna().all(axis=None)
    assert found.against_check.empty
    assert "dug on one day" in found.why_not
    assert found.table["words"].str.contains("ready 95 days after planting").all()
    assert found.table["words"].str.contains("sooner").all()


def test_no_comparison_no_interval():
    plants = bed("AB", blocks=1, plants=4)
    days = dict(zip(plants["plant"], [60, 64, 70, 80] * 2, strict=True))
    found = ready(plants, cut(plants, days))
    assert (found.table["day"] == 64).all()
    assert found.table[["low", "high"]].isna().all(axis=None)
    assert found.why_not
    undated = cut(plants, days).assign(date=pd.NaT)
    assert ready(plants, undated) is None


def test_a_metre_of_row_counts_the_plants_that_gave_nothing():
    """25 cm apart: four plants a metre; 500 g a plant harvested, three in four of them."""
    plants = bed("AB", blocks=3, plants=4)
    some = [p for i, p in enumerate(plants["plant"]) if i % 4 < 3]
    harvest = cut(plants, dict.fromkeys(some, 60))
    harvest["weight_g"] = np.random.default_rng(1).normal(500, 5, len(harvest))
    found = analyse(records(plants, harvest=harvest)).harvest
    metre = found.metre.set_index("variety")
    assert metre.loc["A", "estimate"] == pytest.approx(found.of("A")["estimate"] * 4 * 0.75)
    assert metre.loc["A", "share"] == 0.75
    assert metre.loc["A", "low"] < metre.loc["A", "estimate"] < metre.loc["A", "high"]


HEAD = 'title = "Roots"\ncrop = "carrot"\nplanted = 2026-04-01\n'
TAIL = '[[varieties]]\nname = "A"\n[[varieties]]\nname = "B"\n'


def test_trial_says_what_is_fit_to_sell():
    trial = parse_trial(HEAD + 'grades = ["large", "small", "waste"]\nmarketable = ["large"]\n'
                        'marketable_from = "4 oz"\nready_share = 0.6\n' + TAIL)
    assert trial.grades == ("large", "small", "waste")
    assert trial.marketable == ("large",)
    assert trial.marketable_from_g == pytest.approx(113.398, abs=1e-3)
    assert trial.ready_share == 0.6


def test_what_cannot_be_read_is_told():
    with pytest.raises(TrialProblems) as told:
        parse_trial(HEAD + 'grades = ["large", "Large"]\nmarketable = "large"\n'
                    'marketable_from = "heavy"\nready_share = 60\n' + TAIL)
    assert set(told.value.problems["column"]) == {"grades", "marketable", "marketable_from",
                                                  "ready_share"}
    assert told.value.problems["line"].tolist() == [4, 5, 6, 7]
