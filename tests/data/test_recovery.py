"""The analysis finds what is true of the invented seasons, within its own intervals.

The truth is known because the seasons are drawn from it (data/invented_season.py); the seeds were
fixed before the answers were looked at, and are not the demo's.
"""

from __future__ import annotations

from pathlib import Path

import make_invented_trial as made
import pandas as pd
import pytest
from invented_season import Variety

from trialkit.models import Analysis, analyse
from trialkit.records import read_records

SEEDS = (101, 102, 103, 104, 105)


def season(folder: Path, seed: int, **settings: object) -> tuple[Analysis, dict]:
    """An invented season, written to files and read back as a grower's own would be."""
    frames = made.simulate_trial(seed, **settings)
    made.write_trial(folder, frames)
    return analyse(read_records(folder)), frames["truth"]


@pytest.fixture(scope="module")
def seasons(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Analysis, dict]]:
    root = tmp_path_factory.mktemp("seasons")
    return [season(root / str(seed), seed, topped=None) for seed in SEEDS]


def covered(rows: pd.DataFrame, truth: pd.Series) -> pd.Series:
    return (rows["low"] <= truth) & (truth <= rows["high"])


@pytest.mark.slow
def test_intervals_of_the_ratios_hold_the_true_ratios(seasons) -> None:
    """Twenty intervals; at 95 % for the four of a season together, two misses would be a lot."""
    hits, far = [], []
    for analysis, truth in seasons:
        assert analysis.pods.supported
        rows = analysis.pods.against_check.set_index("variety")
        true = pd.Series({v: k["ratio_to_check"] for v, k in truth["varieties"].items()})
        true = true.loc[rows.index]
        assert list(true.index) == ["Quarterbell", "Ostlerine", "Dunmirren", "Thimblerow"]
        hits += covered(rows, true).tolist()
        far += (rows["estimate"] / true).tolist()
        assert (rows["high"] / rows["low"] < 4).all()  # an interval that says everything is no use
    assert len(hits) == 20
    assert sum(hits) >= 18
    assert pd.Series(far).median() == pytest.approx(1.0, abs=0.12)


@pytest.mark.slow
def test_intervals_of_the_heights_hold_the_true_heights(seasons) -> None:
    hits = []
    for analysis, truth in seasons:
        rows = analysis.height.means.set_index("variety")
        true = pd.Series({v: k["height_last_measured_cm"] for v, k in truth["varieties"].items()})
        hits += covered(rows, true.loc[rows.index]).tolist()
        assert (rows["estimate"] - true.loc[rows.index]).abs().max() < 20
    assert len(hits) == 25
    assert sum(hits) >= 22


@pytest.mark.slow
def test_intervals_of_the_day_out_of_reach_hold_the_true_day(seasons) -> None:
    """Three varieties outgrow 210 cm on days 61, 70 and 77; two never do."""
    hits = []
    for analysis, truth in seasons:
        rows = analysis.height.reach.set_index("variety")
        for variety, kind in truth["varieties"].items():
            day = kind["out_of_reach_day"]
            if day is None:
                assert pd.isna(rows.loc[variety, "date"]), variety
            else:
                assert rows.loc[variety, "day"] == pytest.approx(day, abs=6), variety
                low, high = rows.loc[variety, ["day_low", "day_high"]]
                hits.append(low <= day <= high)
    assert len(hits) == 15
    assert sum(hits) >= 13


@pytest.mark.slow
def test_the_best_within_reach_is_not_the_tallest(seasons) -> None:
    for analysis, truth in seasons:
        within = analysis.window.means.set_index("variety")["estimate"]
        tallest = max(truth["varieties"], key=lambda v: truth["varieties"][v]["final_height_cm"])
        assert within.idxmax() == "Quarterbell"
        assert within.idxmin() == tallest


def test_the_demo_trial_tells_its_own_truth(data: Path) -> None:
    analysis = analyse(read_records(data / "beans"))
    rows = analysis.pods.against_check.set_index("variety")
    assert rows.loc["Quarterbell", "low"] > 1.0
    assert rows.loc["Quarterbell", "low"] <= 1.6 <= rows.loc["Quarterbell", "high"]
    for name in ("Ostlerine", "Dunmirren"):  # 1.2 and 1.0: not settled by four blocks
        assert rows.loc[name, "low"] < 1.0 < rows.loc[name, "high"], name


TALL, SHORT = "Steeplecrop", "Milkstool"  # invented names


@pytest.mark.parametrize("seed", [
    201, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (202, 203))])
def test_tall_and_short_types_as_the_trade_knows_them(tmp_path: Path, seed: int) -> None:
    """Tall climbing types reach 8 to 9 ft and short ones 4.5 to 5 ft; where the tall give 2 pods
    a plant a pick the short may give 3 to 4 (common practice, no source).  With 8.5 ft and 4.75 ft,
    2 and 3.5 pods, twelve blocks of six plants: the interval of the ratio holds 1.75 and lies
    within 1.3 to 2.2; the heights come out as they are; the tall type outgrows 7 ft, the short
    one never does.
    """
    foot = 30.48
    analysis, truth = season(
        tmp_path,
        seed,
        blocks=12,
        pods_per_pick=2.0,
        shade=0.0,
        topped=None,
        reach=7 * foot,
        varieties={TALL: Variety(1.0, 8.5 * foot, lost=1), SHORT: Variety(1.75, 4.75 * foot, 44)},
    )
    assert truth["varieties"][SHORT]["ratio_to_check"] == 1.75
    (row,) = analysis.pods.against_check.itertuples()
    assert (row.variety, row.check) == (SHORT, TALL)
    assert row.low <= 1.75 <= row.high
    assert row.low > 1.3
    assert row.high < 2.2
    picks = analysis.records.picks.merge(analysis.records.plants, on="plant")
    mean = picks.groupby("variety")["count"].mean()
    assert mean[TALL] == pytest.approx(2.0, abs=0.5)
    assert 3.0 <= mean[SHORT] <= 4.0
    height = analysis.height.means.set_index("variety")["estimate"] / foot
    assert 8 <= height[TALL] <= 9
    assert 4.5 <= height[SHORT] <= 5
    reach = analysis.height.reach.set_index("variety")
    assert pd.notna(reach.loc[TALL, "date"])
    assert pd.isna(reach.loc[SHORT, "date"])
