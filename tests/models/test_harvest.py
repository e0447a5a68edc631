"""Crops cut once: the oats of Yates."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, records

from trialkit.decide import conclude
from trialkit.models import analyse
from trialkit.records import read_records

OATS = Path(__file__).parents[2] / "data" / "oats-1935"


@pytest.fixture(scope="module")
def oats():
    return conclude(read_records(OATS))


def test_published_tests(oats):
    """Split-plot analysis of variance: Yates (1935), J. R. Stat. Soc. Suppl. 2:181-247; the F
    values as in Venables & Ripley (2002), Modern Applied Statistics with S, section 10.2, and
    R's aov (varieties 1.485 on 2 and 10 df; nitrogen 37.69 on 3 and 45; interaction 0.303)."""
    tests = oats.analysis.harvest.tests.set_index("term")
    assert tests.loc["variety", "F"] == pytest.approx(1.4853, abs=5e-5)
    assert (tests.loc["variety", "num_df"], tests.loc["variety", "den_df"]) == (
        2, pytest.approx(10))
    assert tests.loc["treatment", "F"] == pytest.approx(37.6856, abs=5e-4)
    assert tests.loc["variety:treatment", "F"] == pytest.approx(0.3028, abs=5e-5)
    assert tests.loc["treatment", "den_df"] == pytest.approx(45)


def test_published_means(oats):
    """Means of 24 sub-plots: Golden Rain 104.5, Marvellous 109.79, Victory 97.63 quarter pounds
    (Yates 1935); standard error of a difference 7.08 on 10 df (R's aov: sqrt(2 x 601.3 / 24))."""
    harvest = oats.analysis.harvest
    assert dict(zip(harvest.means["variety"], harvest.means["estimate"], strict=True)) == {
        "Golden Rain": pytest.approx(104.5), "Marvellous": pytest.approx(109.7917, abs=1e-4),
        "Victory": pytest.approx(97.625)}
    pairs = harvest.pairs.set_index(["left", "right"])
    assert pairs.loc[("Golden Rain", "Marvellous"), "estimate"] == pytest.approx(-5.2917, abs=1e-4)
    assert pairs.loc[("Golden Rain", "Victory"), "estimate"] == pytest.approx(6.875)
    assert pairs.loc[("Marvellous", "Victory"), "estimate"] == pytest.approx(12.1667, abs=1e-4)
    # Tukey's 5 % range for 3 means and 10 df is 3.877 (Harter 1960), so half the interval is
    # 7.08 x 3.877 / sqrt(2) = 19.41.
    half = (pairs["high"] - pairs["low"]) / 2
    assert half.to_numpy() == pytest.approx([19.41] * 3, abs=0.02)


def test_treatment_means(oats):
    """Nitrogen 0.0 to 0.6: 79.4, 98.9, 114.2, 123.4 (Yates 1935)."""
    treatments = oats.analysis.harvest.treatments
    published = [79.39, 98.89, 114.22, 123.39]
    assert treatments["estimate"].to_numpy() == pytest.approx(published, abs=0.01)


def test_verdict_claims_nothing(oats):
    # The range of the leader's lead lies within what a ratio of 1.25 would be.
    assert oats.verdict.state == "alike"
    assert "too close to matter" in oats.verdict.answer
    assert "Other pairs are too close to call" in oats.verdict.answer
    assert "quarter lb a sub-plot" in oats.verdict.answer


def _graded(shares, blocks=5, roots=40, seed=1):
    """Roots graded large or small, one line a plot and grade."""
    rng = np.random.default_rng(seed)
    plants = bed("ABC", blocks=blocks, plants=1)
    rows = []
    for row in plants.itertuples(index=False):
        large = rng.binomial(roots, shares[row.variety])
        rows += [(day(100), row.plant, np.nan, float(large), "large"),
                 (day(100), row.plant, np.nan, float(roots - large), "small")]
    dug = pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])
    return analyse(records(plants.assign(plot=plants["plot"]), harvest=dug)).harvest


def test_shares_of_grades_by_hand():
    found = _graded({"A": 0.3, "B": 0.7, "C": 0.3}).grades.set_index(["variety", "grade"])
    for variety in "ABC":
        large, small = found.loc[(variety, "large")], found.loc[(variety, "small")]
        assert large["count"] + small["count"] == 200
        # the model's share, at the average of the blocks
        assert large["share"] == pytest.approx(large["count"] / 200, abs=0.01)
        assert large["share"] + small["share"] == pytest.approx(1)
        assert large["low"] < large["share"] < large["high"]
        # the two grades are one another's rest
        assert large["low"] == pytest.approx(1 - small["high"], abs=2e-3)
    assert found.loc[("B", "large"), "low"] > found.loc[("A", "large"), "high"]
    assert (found["p"] < 0.001).all()


def test_a_grade_that_never_occurs_has_no_interval():
    found = _graded({"A": 0.0, "B": 0.5, "C": 0.5}).grades.set_index(["variety", "grade"])
    assert found.loc[("A", "large"), "share"] == 0
    assert np.isnan(found.loc[("A", "large"), "high"])
    assert found.loc[("B", "large"), "low"] > 0.3
    assert found["p"].isna().all()


def test_days_from_planting():
    assert (_graded({"A": 0.3, "B": 0.7, "C": 0.3}).dates["days"] == 100).all()
