"""Place in the bed, and whether the answer can be trusted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.models import Missing, analyse
from trialkit.models.support import plot_contrasts, without_each

DAYS = [50, 54, 57, 61, 64, 68, 71, 75, 78, 82]


def _shaded(seed=3):
    """No difference between varieties; the last of nine plots in a row gives half of the first,
    and B stands at that end more often than A does."""
    names = list("ABCDEFGHI")
    plants = bed(names, blocks=4, plants=2)
    middle = [v for v in names if v not in "AB"]
    order = {b: ["A", *np.roll(middle, int(b)), "B"] for b in "1234"}
    # Nobody stands in one column right through, which would be no comparison.
    order["4"][:2], order["4"][-2:] = order["4"][1::-1], order["4"][:-3:-1]
    place = plants.groupby("plot", sort=False).ngroup() % 9
    plants["variety"] = [order[b][p] for b, p in zip(plants["block"], place, strict=True)]
    far = (plants["column"] - 1) / 17
    picks = picked(plants, dict.fromkeys(names, 1.2), DAYS, seed=seed, plot_sd=0.02, plant_sd=0.05)
    rng = np.random.default_rng(seed)
    kept = picks["plant"].map(pd.Series(0.5 ** far.to_numpy(), index=plants["plant"]))
    picks["count"] = rng.binomial(picks["count"].astype(int), kept).astype(float)
    return plants, picks


def test_a_trend_along_the_rows_is_found_and_taken_out():
    plants, picks = _shaded()
    found = analyse(records(plants, picks)).position
    side = found.side_by_side.set_index("variety").loc["B"]
    assert side["unadjusted"] == pytest.approx(0.5, abs=0.08)
    assert side["adjusted"] > side["unadjusted"] * 1.3
    assert side["adjusted_low"] < 1.0 < side["adjusted_high"]
    assert found.differs
    trend = found.trend.set_index("direction").loc["along the rows"]
    assert trend["low"] < 0.5 < trend["high"]
    assert trend["p"] < 0.01


def test_no_trend_leaves_the_ratios_alone():
    plants = bed("ABC", blocks=6, plants=4)
    rates = {"A": 0.8, "B": 1.2, "C": 0.8}
    found = analyse(records(plants, picked(plants, rates, DAYS, plot_sd=0.03, plant_sd=0.05)))
    assert not found.position.differs
    assert found.position.trend["p"].iloc[0] > 0.01


def test_the_bed_in_its_true_shape():
    """Plants 25 cm apart in rows 100 cm apart; a plant that gave four times as much stands out."""
    plants = bed("AB", blocks=3, plants=3)
    plants.loc[0, "lost"] = day(90)
    picks = picked(plants, {"A": 1.0, "B": 1.0}, DAYS, plot_sd=0.02, plant_sd=0.05)
    rich = plants["plant"].iloc[7]
    picks.loc[picks["plant"] == rich, "count"] *= 4
    map_ = analyse(records(plants, picks)).position.bed.set_index("plant")
    assert (map_.loc["1-2", "x"] - map_.loc["1-1", "x"]) == 25
    assert (map_.loc["2-1", "y"] - map_.loc["1-1", "y"]) == 100
    assert map_["ratio"].idxmax() == rich
    assert map_.loc["1-1", "lost"]
    assert not map_.loc["1-2", "lost"]


def test_place_is_not_blamed_where_it_is_not_recorded():
    plants = bed("ABC").assign(row=np.nan, column=np.nan)
    found = analyse(records(plants, picked(plants, dict.fromkeys("ABC", 1.0), DAYS))).position
    assert isinstance(found, Missing)


def test_the_plot_that_matters_is_named():
    plants = bed("AB", blocks=5, plants=3)
    picks = picked(plants, {"A": 1.0, "B": 1.0}, DAYS, plot_sd=0.01, plant_sd=0.02)
    plot = plants.loc[plants["variety"] == "B", "plot"].iloc[2]
    own = picks["plant"].isin(plants.loc[plants["plot"] == plot, "plant"])
    picks.loc[own, "count"] *= 3
    found = analyse(records(plants, picks)).diagnostics
    top = found.influence.iloc[0]
    assert top["unit"].endswith(plot)
    # Least squares on logarithms, complete blocks: one of 5 plots 3 times too high lifts the
    # ratio by 3^(1/5) = 1.25, and leaving it out takes that away (with its block's other plot).
    assert top["change"] == pytest.approx(3 ** (-1 / 5) - 1, abs=0.05)
    assert any(plot in line for line in found.remarks)


def test_quantile_residuals_are_standard_normal_under_the_model():
    """Dunn & Smyth 1996: exactly so at the true parameters, nearly at the fitted."""
    plants = bed("ABC", blocks=4, plants=4)
    picks = picked(plants, {"A": 0.8, "B": 1.2, "C": 0.8}, DAYS)
    found = analyse(records(plants, picks)).diagnostics
    assert found.quantile.std() == pytest.approx(1.0, abs=0.08)
    assert abs(found.quantile.mean()) < 0.1
    table = found.residuals.set_index("check")
    assert table.loc["picks with nothing", "value"] == pytest.approx(
        table.loc["picks with nothing", "expected"], abs=0.03)


def test_doubtful_picks_are_left_out_and_the_change_is_shown():
    plants = bed("AB", blocks=4, plants=2)
    picks = picked(plants, {"A": 1.0, "B": 1.0}, DAYS, plot_sd=0.02, plant_sd=0.05)
    own = picks["plant"].isin(plants.loc[plants["variety"] == "B", "plant"])
    slip = picks.index[own][5]
    picks.loc[slip, "count"] = 300.0
    doubts = pd.DataFrame({"file": ["picks.csv"], "line": [slip + 2],
                           "column": ["count"], "value": ["300"],
                           "doubt": ["very many"]})
    found = analyse(records(plants, picks, doubts=doubts)).diagnostics
    row = found.doubts.set_index("variety").loc["B"]
    dropped = analyse(records(plants, picks.drop(index=slip))).pods.against_check
    assert row["without"] == pytest.approx(dropped["estimate"].iloc[0], rel=1e-6)
    assert 1.2 * row["without"] < row["ratio"] < 1.6 * row["without"]


def test_leaving_one_out_is_the_same_as_fitting_without_it():
    rng = np.random.default_rng(9)
    index = pd.DataFrame({
        "unit": [f"p{i}" for i in range(12)], "variety": list("ABC") * 4,
        "block": np.repeat(list("1234"), 3), "log_index": rng.normal(0, 0.3, 12)})
    quick = without_each(index, "A", "B")
    for i in range(12):
        slow = plot_contrasts(index.drop(index=i))
        assert quick[i] == pytest.approx(slow.estimate[0] - slow.estimate[1])


def test_plot_totals_are_the_anova_of_blocks():
    """Complete blocks: differences of plain means, error from the two-way table by hand."""
    rng = np.random.default_rng(9)
    table = rng.normal(0, 0.3, (4, 3))
    index = pd.DataFrame({"variety": list("ABC") * 4, "block": np.repeat(list("1234"), 3),
                          "log_index": table.ravel()})
    found = plot_contrasts(index)
    left = table - table.mean(0) - table.mean(1)[:, None] + table.mean()
    error = (left**2).sum() / 6
    assert found.df == 6
    assert found.estimate - found.estimate[0] == pytest.approx(table.mean(0) - table.mean(0)[0])
    c = found.covariance
    assert c[0, 0] + c[1, 1] - 2 * c[0, 1] == pytest.approx(2 * error / 4)


@pytest.mark.slow
def test_the_model_without_a_plot_is_the_model_fitted_without_it():
    """Brute force: the whole analysis again without each plot's picks.  The plot named is the one
    that moves the answer most, and it moves it by what is said."""
    plants = bed("ABC", blocks=3, plants=2)
    picks = picked(plants, {"A": 0.8, "B": 1.2, "C": 0.9}, DAYS[:6], plot_sd=0.25)
    whole = analyse(records(plants, picks))
    found = whole.diagnostics.influence
    headline = whole.pods.against_check.set_index("variety")["estimate"]
    name = str(headline.idxmax())
    slow = {}
    for plot in plants["plot"].unique():
        own = plants.loc[plants["plot"] == plot, "plant"]
        kept = records(plants, picks[~picks["plant"].isin(own)])
        slow[plot] = analyse(kept).pods.against_check.set_index("variety").loc[name, "estimate"]
    refitted = found.dropna(subset=["refitted"])
    assert len(refitted) == 6  # three plots of each of the two compared
    by_plot = refitted.assign(plot=refitted["unit"].str.split().str[-1]).set_index("plot")
    for plot, row in by_plot.iterrows():
        assert row["refitted"] == pytest.approx(slow[plot], rel=1e-4)
        assert row["refitted_change"] == pytest.approx(slow[plot] / headline[name] - 1, abs=1e-4)
    most = max(slow, key=lambda plot: abs(slow[plot] / headline[name] - 1))
    assert by_plot.index[0] == most
    said = whole.diagnostics.remarks[-1]
    assert f"{slow[most]:.2g} times" in said
    assert f"{headline[name]:.2g}." in said


def test_doubtful_picks_by_brute_force():
    """The same as the analysis of a picks file without those lines."""
    plants = bed("ABC", blocks=3, plants=2)
    picks = picked(plants, {"A": 1.0, "B": 1.3, "C": 0.7}, DAYS)
    slips = [5, 40, 77]
    picks.loc[slips, "count"] = [90.0, 120.0, 60.0]
    doubts = pd.DataFrame({
        "file": "picks.csv", "line": [i + 2 for i in slips], "column": "count",
        "value": ["90", "120", "60"], "doubt": "very many"})
    found = analyse(records(plants, picks, doubts=doubts))
    slow = analyse(records(plants, picks.drop(index=slips))).pods.against_check
    table = found.diagnostics.doubts.set_index("variety")
    for row in slow.itertuples(index=False):
        assert table.loc[row.variety, "without"] == pytest.approx(row.estimate, rel=1e-6)
    whole = found.pods.against_check.set_index("variety")["estimate"]
    assert table["ratio"].to_dict() == pytest.approx(whole.to_dict())


def test_doubts_that_leave_nothing_are_said():
    plants = bed("AB", blocks=3, plants=1)
    picks = picked(plants, {"A": 1.0, "B": 1.0}, DAYS)
    own = picks.index[picks["plant"].isin(plants.loc[plants["variety"] == "B", "plant"])]
    doubts = pd.DataFrame({
        "file": "picks.csv", "line": own + 2, "column": "count",
        "value": [f"{c:g}" for c in picks.loc[own, "count"]], "doubt": "all of them"})
    found = analyse(records(plants, picks, doubts=doubts)).diagnostics
    assert found.doubts["without"].isna().all()
    assert "too little left" in found.remarks[-1]
