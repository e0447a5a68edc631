"""Plants summed into baskets tell of their plots what the plants told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, records

from trialkit.decide.conclude import conclude
from trialkit.models.analysis import analyse
from trialkit.models.totals import counted_looks

RATE = {"A": 6.0, "B": 10.0, "C": 7.0}


def _season(seed: int = 5, picks: int = 10, losses: bool = True):
    """Counts of every plant of 12 plots at every pick; two plants are lost half way."""
    rng = np.random.default_rng(seed)
    plants = bed(["A", "B", "C"])
    if losses:
        plants.loc[[4, 20], "lost"] = day(52)
    rows = []
    for k in range(picks):
        when = day(40 + 4 * k)
        for plant, variety, lost in zip(plants["plant"], plants["variety"], plants["lost"],
                                        strict=True):
            if not when > lost:
                rows.append((when, plant, float(rng.poisson(RATE[variety] * rng.gamma(9, 1 / 9)))))
    picked = pd.DataFrame(rows, columns=["date", "plant", "count"]).assign(weight_g=np.nan)
    return records(plants, picked)


def _in_baskets(trial, plots=None):
    """The same season with the plants of (some) plots summed up by date."""
    plot = trial.picks["plant"].map(trial.plants.set_index("plant")["plot"])
    some = plot.isin(plots if plots is not None else list(plot.unique()))
    whole = trial.picks[some].assign(plot=plot[some]).groupby(["date", "plot"], as_index=False)[
        ["count", "weight_g"]].sum(min_count=1)
    whole = whole.assign(plant="plot " + whole["plot"])
    both = pd.concat([trial.picks[~some].assign(plot=None), whole], ignore_index=True)
    return replace(trial, picks=both.sort_values("date", kind="stable").reset_index(drop=True))


@pytest.mark.parametrize("plots", [
    None, pytest.param(["10", "21", "32"], marks=pytest.mark.slow)])
def test_baskets_give_the_same_answer_so_far_as_their_plants(plots) -> None:
    one, other = _season(), _in_baskets(_season(), plots)
    plain, summed = conclude(one), conclude(other)
    assert plain.totals is not None
    assert summed.totals is not None
    pd.testing.assert_frame_equal(plain.totals.per_plant, summed.totals.per_plant, rtol=1e-12)
    assert plain.totals.plots["planted"].tolist() == summed.totals.plots["planted"].tolist()
    columns = ["ratio", "ratio_low", "ratio_high", "gave"]
    pd.testing.assert_frame_equal(
        plain.table.set_index("variety")[columns].sort_index(),
        summed.table.set_index("variety")[columns].sort_index(), rtol=1e-9)
    assert plain.verdict.answer == summed.verdict.answer
    # What was looked at, and is to be written down, is a plot where all is picked into baskets.
    assert ("from 12 plots," if plots is None else " plants,") in summed.since_last[0]
    assert f"every {'plot' if plots is None else 'plant'}, zeros too" in summed.verdict.next_step


def test_a_basket_counts_the_plant_days_of_the_plants_alive_then() -> None:
    trial = _season()
    single, whole = counted_looks(trial), counted_looks(_in_baskets(trial))
    for frame in (single, whole):
        frame["plot"] = frame["plot"].astype(str)
    sums = [f.groupby(["plot", "date"])[["pods", "days", "plants"]].sum() for f in (single, whole)]
    pd.testing.assert_frame_equal(*sums, check_dtype=False)
    assert (whole.groupby(["plot", "date"]).size() == 1).all()
    assert whole["gap"].eq(4.0).all()


def test_every_trait_is_worked_out_from_baskets() -> None:
    trial = _season()
    summed = analyse(_in_baskets(trial)).traits
    for name, result in analyse(trial).traits.items():
        other = summed[name]
        assert bool(result) == bool(other), (name, getattr(other, "reason", ""))
        if not result or not len(result.means):
            continue
        ours = result.means.set_index("variety")["estimate"]
        theirs = other.means.set_index("variety")["estimate"]
        assert np.allclose(ours, theirs, rtol=0.05), (name, ours, theirs)
    assert summed["pods"].means["plants"].tolist() == [12, 12, 12]


def test_heights_and_a_harvest_of_plots() -> None:
    trial = _season(losses=False)
    plots = trial.plants.drop_duplicates("plot")
    height = {"A": 1.0, "B": 1.2, "C": 1.1}
    rows = [(day(20 + 10 * k), f"plot {p}", 30.0 * (k + 1) * height[v] + 3.0 * (i % 4))
            for i, (p, v) in enumerate(zip(plots["plot"], plots["variety"], strict=True))
            for k in range(3)]
    heights = pd.DataFrame(rows, columns=["date", "plant", "height_cm"])
    dug = [(day(90), f"plot {p}", 3.0 * (100 + 20 * (v == "B") + i % 4))
           for i, (p, v) in enumerate(zip(plots["plot"], plots["variety"], strict=True))]
    harvest = pd.DataFrame(dug, columns=["date", "plant", "weight_g"]).assign(
        count=np.nan, grade=None)
    both = analyse(replace(trial, heights=heights, harvest=harvest))
    assert both.height
    assert both.height.of("B")["estimate"] > both.height.of("A")["estimate"]
    # Three plants a plot: a third of the plot's total is its mean a plant.
    means = both.harvest.means.set_index("variety")["estimate"]
    assert means["B"] - means["A"] == pytest.approx(20.0, abs=3.0)
    assert means["A"] == pytest.approx(101.5, abs=2.0)


def test_heights_of_whole_plots_tell_when_their_plants_were_above_reach():
    # Picked plant by plant, measured plot by plot: A's plots pass reach at day 60, B's never.
    trial = _season(losses=False)
    plots = trial.plants.drop_duplicates("plot")
    heights = pd.DataFrame([
        (day(when), f"plot {plot}", height + 40.0 * (variety == "A") * (when == 80))
        for plot, variety in zip(plots["plot"], plots["variety"], strict=True)
        for when, height in ((40, 160.0), (80, 170.0))
    ], columns=["date", "plant", "height_cm"])
    seen = analyse(replace(trial, heights=heights, trial=replace(trial.trial, reach_cm=185.0)))
    within, every = seen.totals_within_reach, seen.totals
    assert within is not None
    assert every is not None
    a = (every.plots["variety"] == "A").to_numpy()
    early = every.day <= day(60)
    np.testing.assert_allclose(within.pods[:, early], every.pods[:, early])
    np.testing.assert_allclose(within.pods[~a], every.pods[~a])
    assert (within.pods[a, -1] < every.pods[a, -1]).all()
    np.testing.assert_allclose(within.pods[a, -1], within.pods[a][:, early][:, -1])
