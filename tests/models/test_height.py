"""Growth curves and the day a variety passes reach."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, grown, picked, records

from trialkit.models import analyse
from trialkit.models.curves import Spline
from trialkit.models.height import first_passed

WEEKS = list(range(14, 100, 7))
HALF, SPEED = 45.0, 10.0


def _crossing(final, reach):
    """The logistic curve solved by hand."""
    return HALF - SPEED * np.log(final / reach - 1)


def test_day_out_of_reach_is_found():
    plants = bed("ABC", blocks=4, plants=4)
    final = {"A": 250.0, "B": 180.0, "C": 300.0}
    found = analyse(records(plants, heights=grown(plants, final, WEEKS), reach=200.0)).height
    reach = found.reach.set_index("variety")
    assert pd.isna(reach.loc["B", "date"])
    assert reach.loc["B", "never"] > 0.9
    for variety in "AC":
        truth = _crossing(final[variety], 200.0)
        assert reach.loc[variety, "day"] == pytest.approx(truth, abs=2.5)
        assert reach.loc[variety, "day_low"] < truth < reach.loc[variety, "day_high"]
        assert abs((reach.loc[variety, "date"] - day(truth)).days) <= 3
    last = 250 / (1 + np.exp(-(max(WEEKS) - HALF) / SPEED))
    assert found.of("A")["estimate"] == pytest.approx(last, abs=9)


def test_an_end_is_open_where_reach_may_never_be_passed():
    """A variety that tops out about at reach: some curves pass it, some never do."""
    plants = bed("AB", blocks=3, plants=3)
    found = analyse(records(plants, heights=grown(plants, {"A": 202.0, "B": 120.0}, WEEKS, seed=8),
                            reach=200.0)).height
    row = found.reach.set_index("variety").loc["A"]
    assert 0.02 < row["never"] < 1.0
    assert np.isinf(row["day_high"])
    assert pd.isna(row["high"])


def test_heights_after_topping_are_left_out():
    plants = bed("AB")
    heights = grown(plants, {"A": 220.0, "B": 160.0}, WEEKS)
    plot = plants.loc[plants["variety"] == "A", "plot"].iloc[0]
    cut = heights["plant"].isin(plants.loc[plants["plot"] == plot, "plant"]) & (
        heights["date"] >= day(60))
    heights.loc[cut, "height_cm"] = 100.0
    events = pd.DataFrame({"date": [day(60)], "plant": [None], "plot": [plot], "event": ["topped"],
                           "note": [""]})
    found = analyse(records(plants, heights=heights, events=events)).height
    assert len(found.seen) == len(heights) - cut.sum()
    assert found.of("A")["estimate"] > 200
    assert "topped" in found.notes[0]


def test_first_passed_by_hand():
    curves = np.array([[[0.0, 1.0, 3.0, 2.0], [0.0, 0.5, 0.5, 0.5], [5.0, 6.0, 7.0, 8.0]]])
    assert list(first_passed(curves, np.array([10.0, 11, 12, 13]), 2.0)[0]) == [11.5, np.inf, 10.0]


@pytest.mark.parametrize("seed", [1, 2])
def test_no_curve_or_band_goes_where_no_plant_ever_was(seed):
    """206 days, every plot read on seven days of its own: in the gaps a plot's spline through its
    readings may go anywhere, and the band with it (28,556 cm were once given)."""
    rng = np.random.default_rng(seed)
    plants = bed("ABC", blocks=4, plants=3)
    heights = grown(plants, {"A": 240.0, "B": 200.0, "C": 150.0}, range(5, 207), seed=seed)
    plot = heights["plant"].map(plants.set_index("plant")["plot"])
    number = (heights["date"] - day(0)).dt.days
    early = [int(n) for n in rng.integers(5, 10, 12)]
    kept = pd.concat([
        heights[(plot == name) & number.isin(
            [early[k], 206, *rng.choice(np.arange(10, [207, 60][seed - 1]), 5, replace=False)])]
        for k, name in enumerate(plot.unique())])
    found = analyse(records(plants, heights=kept, reach=190.0)).height
    tallest = float(kept["height_cm"].max())
    assert found.curve["estimate"].max() < 1.15 * tallest
    assert found.curve["high"].max() < 1.5 * tallest
    assert found.curve["low"].min() > -0.5 * tallest
    assert found.curve["high"].notna().mean() > 0.5


def test_the_spline_is_natural_and_holds_straight_lines():
    """Zero curvature beyond the outer knots; a straight line is one of its curves."""
    spline = Spline.through(np.arange(0, 50), 5)
    x = np.array([60.0, 70.0, 80.0, 90.0])
    assert np.diff(spline.basis(x), 2, axis=0) == pytest.approx(np.zeros((2, 5)), abs=1e-9)
    inside = np.linspace(0, 49, 30)
    columns = np.column_stack([np.ones(30), spline.basis(inside)])
    fitted = columns @ np.linalg.lstsq(columns, 3 + 2 * inside, rcond=None)[0]
    assert fitted == pytest.approx(3 + 2 * inside)
    scipy_ = pytest.importorskip("scipy.interpolate")
    y = np.sin(spline.knots / 8)
    natural = scipy_.CubicSpline(spline.knots, y, bc_type="natural")
    at_knots = np.column_stack([np.ones(len(y)), spline.basis(spline.knots)])
    beta = np.linalg.solve(at_knots, y)
    assert columns @ beta == pytest.approx(natural(inside))


@pytest.mark.slow
def test_reach_intervals_cover_the_truth():
    truth, hits = _crossing(250.0, 200.0), []
    for seed in range(150):
        plants = bed("AB", blocks=4, plants=4)
        heights = grown(plants, {"A": 250.0, "B": 220.0}, WEEKS, seed=seed)
        row = analyse(records(plants, heights=heights, reach=200.0)).height.reach
        row = row.set_index("variety").loc["A"]
        hits.append(row["day_low"] <= truth <= row["day_high"])
    assert abs(np.mean(hits) - 0.95) < 4 * np.sqrt(0.95 * 0.05 / 150)


def _far_apart(varieties, blocks, dates):
    """Plants that pass 190 cm on day 59 (A, 240 cm in the end) or 73 (B, 200 cm), or never (C,
    150 cm), measured on `dates` only."""
    plants = bed(varieties, blocks=blocks, plants=4)
    heights = grown(plants, {"A": 240.0, "B": 200.0, "C": 150.0}, dates)
    picks = picked(plants, {"A": 0.5, "B": 0.6, "C": 0.4}, [60, 70, 80])
    return analyse(records(plants, picks, heights, reach=190.0)).height


@pytest.mark.parametrize(
    "dates", [[10, 14, 18, 22, 26, 30, 206], [10, 30, 206], [30, 206], [10, 60, 120, 206]])
def test_where_nobody_measured_for_long_the_day_out_of_reach_spans_the_gap(dates):
    height = _far_apart("ABC", 4, dates)
    reach = height.reach.set_index("variety")
    for variety, truth in (("A", 59), ("B", 73)):
        assert reach.loc[variety, "day_low"] <= truth <= reach.loc[variety, "day_high"]
    assert reach.loc["A", "unmeasured"]
    assert not reach.loc["C", "unmeasured"]
    assert np.isinf(reach.loc["C", "day_high"]) or reach.loc["C", "never"] > 0.5
    assert any("nobody measured any plant between" in note for note in height.notes)
    # The window's draws take any day of the gap, not those about a day that nobody saw.
    crossing = height.crossing[:, 0]
    assert np.quantile(crossing, 0.95) - np.quantile(crossing, 0.05) > 20


def test_across_a_gap_the_band_reaches_from_the_reading_before_to_the_one_after():
    curve = _far_apart("ABC", 4, [10, 14, 18, 22, 26, 30, 206]).curve
    a = curve[curve["variety"] == "A"].set_index("date")
    inside = a[(a.index > day(30)) & (a.index < day(206))]
    assert np.allclose(inside["low"], a.loc[day(30), "low"])
    assert np.allclose(inside["high"], a.loc[day(206), "high"])


def test_one_row_a_variety_has_the_two_readings_for_a_range():
    height = _far_apart("AB", 1, [10, 30, 206])
    assert not height.supported
    row = height.reach.set_index("variety").loc["A"]
    assert (row["day_low"], row["day_high"]) == (30.0, 206.0)


def test_readings_every_four_weeks_are_joined_as_ever():
    height = _far_apart("ABC", 4, list(range(10, 150, 28)))
    assert not height.reach["unmeasured"].any()
    assert not height.notes
