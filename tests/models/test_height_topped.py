"""Plants topped: by lot a treatment with its own stratum, otherwise the end of their heights."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, grown, records
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from trialkit.models import analyse
from trialkit.models.curves import PlantSpread, UnitCurves, split_plots, whole_plots

OATS = Path(__file__).parents[2] / "data" / "oats-1935"
WEEKS = list(range(14, 100, 7))
CUT = 60
FINAL = {"A": 250.0, "B": 220.0, "C": 180.0}


def treated_on(height, when):
    """The curves of every variety under every treatment on a day."""
    return height.treated_curve[height.treated_curve["date"] == pd.Timestamp(when)]


def as_curves(units: pd.DataFrame, y: np.ndarray) -> UnitCurves:
    """Units with one 'day' of curve: the layouts' algebra on a printed table."""
    return UnitCurves(units, np.array([1.0]), y[:, None], PlantSpread(np.zeros((2, 2)), 1.0),
                      proportional=False)


def oats() -> tuple[pd.DataFrame, np.ndarray]:
    """Yields of oats, varieties in plots and manure in parts of plots (Yates 1935), in pounds a
    quarter of a sub-plot of 1/80 acre, as in the R package MASS."""
    plants = pd.read_csv(OATS / "plants.csv", dtype=str)
    weights = pd.read_csv(OATS / "harvest.csv", dtype={"plant": str})
    data = plants.merge(weights, on="plant")
    data = data.assign(main=data["block"] + data["variety"], unit=data["plant"])
    return data, data.filter(like="weight").iloc[:, 0].to_numpy(float)


def test_split_plot_against_the_printed_analysis_of_yates_oats():
    # Venables & Ripley 2002, Modern Applied Statistics with S, 4th ed., section 10.2, print of
    # aov(Y ~ N*V + Error(B/V)): variety F 1.485 on 2 and 10; nitrogen 37.69 on 3 and 45; their
    # interaction 0.303 on 6 and 45.  F does not depend on the unit of weight.
    units, y = oats()
    varieties = sorted(units["variety"].unique())
    levels = sorted(units["treatment"].unique())
    found = split_plots(as_curves(units, y), varieties, levels, 10.0, True)
    tests = found.tests.set_index("term")
    assert tests.loc["variety", "F"] == pytest.approx(1.485, abs=5e-4)
    assert tests.loc["treatment", "F"] == pytest.approx(37.69, abs=5e-3)
    assert tests.loc["variety x treatment", "F"] == pytest.approx(0.303, abs=5e-4)
    assert tests[["num_df", "den_df"]].to_numpy().tolist() == [[2, 10], [3, 45], [6, 45]]
    assert list(tests["stratum"]) == ["plots", "parts of plots", "parts of plots"]


def test_split_plot_standard_errors_by_the_textbook():
    # Cochran & Cox 1957, Experimental Designs, 2nd ed., section 7.16: with b blocks, t parts and
    # mean squares E_a, E_b (here from R's aov): variety means sqrt(E_a / tb); differences of
    # treatments sqrt(2 E_b / vb); one variety under one treatment sqrt((E_a + (t-1) E_b) / tb).
    units, y = oats()
    varieties = sorted(units["variety"].unique())
    levels = sorted(units["treatment"].unique())
    found = split_plots(as_curves(units, y), varieties, levels, 10.0, True)
    table = anova_lm(ols("y ~ C(block) * C(variety) + C(treatment) * C(variety)",
                         units.assign(y=y)).fit())
    a = table.loc["C(block):C(variety)", "mean_sq"]
    b = table.loc["Residual", "mean_sq"]
    assert found.varieties.se[:, 0] == pytest.approx(np.full(3, np.sqrt(a / 24)))
    assert found.cells.se[:, 0] == pytest.approx(np.full(12, np.sqrt((a + 3 * b) / 24)))
    joint = found.between.covariance(0)
    assert joint[0, 0] + joint[1, 1] - 2 * joint[0, 1] == pytest.approx(2 * b / 18)
    assert found.cells.df[0, 0] == pytest.approx(
        (a + 3 * b) ** 2 / (a**2 / 10 + (3 * b) ** 2 / 45))
    means = units.assign(y=y).groupby(["variety", "treatment"])["y"].mean()
    assert found.cells.value[:, 0] == pytest.approx(means.to_numpy())


def test_treatments_of_whole_plots_against_statsmodels():
    rng = np.random.default_rng(2)
    units = pd.DataFrame([(f"{v}{t}{b}", v, t, str(b)) for v in "ABC" for t in ("no", "topped")
                          for b in range(4)], columns=["unit", "variety", "treatment", "block"])
    units["main"] = units["unit"]
    y = rng.normal(100, 10, len(units)) + 20 * (units["variety"] == "B").to_numpy()
    found = whole_plots(as_curves(units, y), list("ABC"), ["no", "topped"], 15.0, True)
    theirs = anova_lm(ols("y ~ C(block) + C(variety) * C(treatment)", units.assign(y=y)).fit())
    ours = found.tests.set_index("term")
    for term, name in (("variety", "C(variety)"), ("treatment", "C(treatment)"),
                       ("variety x treatment", "C(variety):C(treatment)")):
        assert ours.loc[term, "F"] == pytest.approx(theirs.loc[name, "F"])
        assert ours.loc[term, "p"] == pytest.approx(theirs.loc[name, "PR(>F)"])
    assert ours["den_df"].tolist() == [15.0] * 3


def topped_bed(blocks=4, plants=4, split=True) -> pd.DataFrame:
    """Half of every plot, or whole plots by turns within blocks (each variety twice a block)."""
    if split:
        frame = bed("ABC", blocks, plants)
        half = frame.groupby("plot").cumcount() % 2 == 0
    else:
        frame = pd.concat([bed("ABC", blocks, plants),
                           bed("ABC", blocks, plants).assign(column=lambda f: f["column"] + 40)])
        frame = frame.reset_index(drop=True)
        half = frame["column"] > 40
        frame["plant"] += np.where(half, "t", "")
        frame["plot"] += np.where(half, "t", "")
    return frame.assign(treatment=np.where(half, "topped", "not topped"))


def topped_season(plants, seed=1, drop=0.25, **how):
    """Heights of which the topped lose a quarter on day CUT and grow on 0.5 cm a day."""
    heights = grown(plants, FINAL, WEEKS, seed=seed, **how)
    which = plants.loc[plants["treatment"] == "topped", "plant"]
    last = heights[heights["date"] <= day(CUT)].groupby("plant")["height_cm"].last()
    after = heights["plant"].isin(which) & (heights["date"] >= day(CUT))
    grown_on = (heights["date"] - day(CUT)).dt.days * 0.5
    heights.loc[after, "height_cm"] = (heights["plant"].map(last) * (1 - drop) + grown_on)[after]
    events = pd.DataFrame({"date": day(CUT), "plant": which, "plot": None, "event": "topped",
                           "note": ""})
    return heights, events


@pytest.mark.parametrize("split", [True, False])
def test_topping_by_lot_is_a_treatment(split):
    plants = topped_bed(split=split)
    heights, events = topped_season(plants)
    found = analyse(records(plants, heights=heights, events=events, reach=220.0)).height
    assert len(found.seen) == len(heights)  # nothing is left out
    assert not any("left out" in note for note in found.notes)
    assert any("means over not topped and topped" in note for note in found.notes)
    stratum = "parts of plots" if split else "plots"
    tests = found.tests.set_index("term")
    assert tests.loc["treatment", "stratum"] == stratum
    assert tests.loc["treatment", "p"] < 0.001
    # 3 varieties, 4 blocks: 3 x 3 between parts; 24 plots less 6 combinations and 3 for blocks
    assert tests.loc["variety x treatment", "den_df"] == (9 if split else 15)
    last = treated_on(found, day(WEEKS[-1])).set_index(["variety", "treatment"])
    full = FINAL["A"] / (1 + np.exp(-(WEEKS[-1] - 45) / 10))
    assert last.loc[("A", "not topped"), "low"] < full < last.loc[("A", "not topped"), "high"]
    at_cut = FINAL["A"] / (1 + np.exp(-(56 - 45) / 10))
    assert last.loc[("A", "topped"), "estimate"] == pytest.approx(0.75 * at_cut + 19, abs=12)
    # the drop itself: a smooth curve alone would blur it over weeks
    drop = treated_on(found, day(63)).set_index(["variety", "treatment"])
    assert drop.loc[("A", "topped"), "estimate"] == pytest.approx(0.75 * at_cut + 1.5, abs=12)
    reach = found.treated_reach.set_index(["variety", "treatment"])
    assert reach.loc[("A", "topped"), "never"] > 0.95
    passed = 45 - 10 * np.log(FINAL["A"] / 220 - 1)
    row = reach.loc[("A", "not topped")]
    assert row["day_low"] < passed < row["day_high"]
    pair = found.treatment_pairs.iloc[0]
    assert pair["low"] > 0  # not topped is taller
    assert pair["df"] == (9 if split else 15)


def test_one_plant_topped_outside_its_treatment_is_left_out():
    plants = topped_bed()
    heights, events = topped_season(plants)
    stray = plants.loc[plants["treatment"] == "not topped", "plant"].iloc[0]
    events = pd.concat([events, pd.DataFrame({"date": [day(70)], "plant": [stray], "plot": [None],
                                              "event": ["Topped "], "note": [""]})])
    found = analyse(records(plants, heights=heights, events=events, reach=200.0)).height
    gone = (heights["plant"] == stray) & (heights["date"] >= day(70))
    assert len(found.seen) == len(heights) - gone.sum()
    assert any(stray in note and "not by lot" in note for note in found.notes)


def test_treatments_that_are_one_with_varieties_are_not_compared():
    plants = bed("ABC").assign(treatment="not topped")
    plants.loc[plants["variety"] == "A", "treatment"] = "topped"
    heights, events = topped_season(plants)
    found = analyse(records(plants, heights=heights, events=events, reach=200.0)).height
    assert found.tests.empty
    assert found.treated_curve.empty
    assert any("cannot be told apart" in note for note in found.notes)
    assert found.seen.loc[found.seen["variety"] == "A", "date"].max() < day(CUT)


def test_everything_topped_on_one_day_ends_the_heights():
    plants = bed("AB")
    heights = grown(plants, {"A": 220.0, "B": 160.0}, WEEKS)
    events = pd.DataFrame({"date": [day(60)], "plant": [None], "plot": [None],
                           "event": ["topped"], "note": [""]})
    found = analyse(records(plants, heights=heights, events=events)).height
    assert found.seen["date"].max() < day(60)
    assert found.notes[0].startswith("every plant topped on")
    early = analyse(records(plants, heights=heights, events=events.assign(date=day(10)))).height
    assert "after the plants were topped" in early.reason


@pytest.mark.parametrize("case", ["one block measured", "one plot read twice", "flat"])
def test_heights_of_odd_seasons(case):
    plants = bed("ABC", 3, 2)
    heights = grown(plants, FINAL, [20, 30, 40, 50, 60, 70])
    if case == "one block measured":
        heights = heights[heights["plant"].isin(plants.loc[plants["block"] == "1", "plant"])]
    if case == "one plot read twice":
        own = plants.loc[plants["plot"] == plants["plot"].iloc[0], "plant"]
        heights = heights[~heights["plant"].isin(own) | (heights["date"] <= day(30))]
    if case == "flat":
        heights = heights.assign(height_cm=100.0)
    found = analyse(records(plants, heights=heights, reach=200.0)).height
    assert found.supported == (case != "one block measured")
    if not found.supported:
        assert "too few plots" in found.why_not
        assert found.reach["day_low"].isna().all()
    if case == "one plot read twice":
        last = FINAL["A"] / (1 + np.exp(-(70 - 45) / 10))
        row = found.of("A")
        assert row["low"] < last < row["high"]
        assert found.curve["estimate"].between(0, 300).all()  # no curve runs away


@pytest.mark.parametrize("blocks", [1, 2])
def test_topping_in_beds_too_small_for_tests(blocks):
    plants = topped_bed(blocks=blocks, plants=2)
    heights, events = topped_season(plants)
    found = analyse(records(plants, heights=heights, events=events, reach=200.0)).height
    assert len(found.treated_curve)
    if blocks == 1:
        assert not found.supported
        assert found.tests.empty
        assert found.treated_curve["low"].isna().all()
        assert found.treatment_pairs[["low", "high", "p"]].isna().all(axis=None)


@pytest.mark.slow
def test_intervals_of_each_treatment_cover_the_truth():
    """300 seasons in split plots; height of each variety under each treatment on day 98, and the
    difference of treatments: 95 % within 3 Monte Carlo errors of seasons."""
    rng = np.random.default_rng(31)
    share = 1 / (1 + np.exp(-(np.array([56.0, 98.0]) - 45) / 10))
    held, differences = [], []
    for seed in rng.integers(0, 10**9, 300):
        plants = topped_bed()
        heights, events = topped_season(plants, seed=int(seed))
        found = analyse(records(plants, heights=heights, events=events)).height
        last = treated_on(found, day(98)).set_index(["variety", "treatment"])
        truth = pd.Series({
            (v, t): 0.75 * FINAL[v] * share[0] + 19.0 if t == "topped" else FINAL[v] * share[1]
            for v in FINAL for t in ("topped", "not topped")}).loc[last.index]
        held.append(((last["low"] <= truth) & (truth <= last["high"])).mean())
        pair = found.treatment_pairs.iloc[0]
        gap = (truth.unstack()["not topped"] - truth.unstack()["topped"]).mean()
        differences.append(pair["low"] <= gap <= pair["high"])
    for shares in (np.array(held), np.array(differences, float)):
        error = max(shares.std() / np.sqrt(len(shares)), 0.01)
        print(f"covered {shares.mean():.3f} ({error:.3f})")
        assert abs(shares.mean() - 0.95) < 3 * error
