"""Edge, shade and slope, tested on the plots and taken out one at a time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from seasons import bed, day, picked, records

from trialkit.design.bed import at_edge, plant_positions, shade
from trialkit.models import Missing, analyse
from trialkit.models.position import EDGE, SHADE, holm, place_effects
from trialkit.records import read_records

STRAWBERRIES = Path(__file__).parents[2] / "data" / "strawberries"
DAYS = [50, 54, 57, 61, 64, 68]


def with_layout(season, **changes):
    return replace(season, trial=replace(season.trial, layout=replace(season.trial.layout,
                                                                      **changes)))


def test_strawberries_beside_the_hedge():
    """Mead (1990), The Design of Experiments; figures by R 4.2, with hedge = (column == 8):
    anova(lm(weight ~ block + hedge + variety)): hedge F 45.9926 on 1 and 20 df, varieties 3.5904
    on 7 and 20, p 0.01149; drop1: hedge 20.8903, p 0.0001856.  Without it varieties 3.6856."""
    harvest = analyse(read_records(STRAWBERRIES)).harvest
    found = harvest.places
    row = found.effects.set_index("place").loc[SHADE]
    assert row["F_first"] == pytest.approx(45.9926, abs=5e-4)
    assert row["F"] == pytest.approx(20.8903, abs=5e-4)
    assert row["p_single"] == pytest.approx(0.0001856, abs=5e-7)
    assert row["F_varieties"] == pytest.approx(3.5904, abs=5e-5)
    assert row["p_varieties"] == pytest.approx(0.0114949, abs=5e-6)
    assert row["df"] == 20
    plain = harvest.tests.set_index("term").loc["variety", "F"]
    assert plain == pytest.approx(3.6856, abs=5e-5)
    assert row["p"] == pytest.approx(4 * row["p_single"])  # Holm: the smallest of four
    assert "column 8" in row["words"]
    side = found.by_place.set_index(["place", "variety"])
    hedged = side.loc[(SHADE, "R1")]  # two of its four plots stood under the hedge
    assert hedged["differs"]
    assert hedged["unadjusted"] < hedged["adjusted"] < 0
    assert found.differs
    slope = found.effects.set_index("place")
    # drop1(lm(weight ~ block + column + variety)): 4.4806, p 0.04701; varieties 2.4659
    assert slope.loc["along the rows", "F"] == pytest.approx(4.4806, abs=5e-5)
    assert slope.loc["along the rows", "F_varieties"] == pytest.approx(2.4659, abs=5e-5)


def _weighed(plants, weight, check="A", **layout):
    dug = pd.DataFrame({"date": day(90), "plant": plants["plant"], "weight_g": weight})
    season = records(plants, harvest=dug, check=check)
    return analyse(with_layout(season, **layout)).harvest


def test_an_edge_that_gives_more():
    """Complete blocks of seven; edge plots 100 g heavier: the known step is found, and the
    varieties that stood at the edge oftener come back."""
    rng = np.random.default_rng(4)
    plants = bed("ABCDEFG", blocks=6, plants=2)
    own = plants["plot"].map({p: rng.normal(0, 15) for p in plants["plot"].unique()})
    ends = at_edge(plants).groupby(plants["plot"]).any()
    weight = 500 + own + 100.0 * plants["plot"].map(ends).astype(float)
    found = _weighed(plants, weight)
    assert found.supported  # plants of a plot weigh the same: the plots still vary
    row = found.places.effects.set_index("place").loc[EDGE]
    assert row["low"] < 100 < row["high"]
    assert row["p"] < 0.001
    assert row["df"] == found.places.effects["df"].max() == 6 * 7 - 6 - 7 + 1 - 1
    side = found.places.by_place.query("place == @EDGE")
    assert (side["adjusted_low"] < 0).all()
    assert (side["adjusted_high"] > 0).all()


@pytest.mark.slow
def test_without_a_place_effect_nothing_is_claimed():
    """Holm over four places, no effect: any claim in at most 5 % of 400 beds."""
    rng = np.random.default_rng(1)
    plots = pd.DataFrame({"unit": [str(i) for i in range(24)], "variety": list("ABCDEF") * 4,
                          "block": np.repeat(list("1234"), 6)})
    words = dict.fromkeys(["a", "b", "c", "d"], "")
    told = []
    for _ in range(400):
        places = pd.DataFrame(rng.uniform(size=(24, 4)), columns=list("abcd"), index=plots["unit"])
        units = plots.assign(value=rng.normal(size=24))
        found = place_effects(units, places, words, list("ABCDEF"), None, ratio=False, unit="g")
        told.append((found.effects["p"] < 0.05).any())
    assert np.mean(told) < 0.05 + 2.6 * np.sqrt(0.05 * 0.95 / 400)


def test_interval_of_a_place_covers_by_the_textbook():
    """Balanced, place orthogonal to everything: estimate and standard error by hand."""
    units = pd.DataFrame({"unit": list("abcdefgh"), "variety": list("ABAB") * 2,
                          "block": list("11112222"),
                          "value": [1.0, 3.0, 2.0, 5.0, 2.0, 4.5, 1.0, 6.0]})
    place = pd.DataFrame({"slope": [0.0, 0.0, 1.0, 1.0] * 2}, index=units["unit"])
    found = place_effects(units, place, {"slope": ""}, ["A", "B"], "A", ratio=False, unit="g")
    row = found.effects.iloc[0]
    far, near = units["value"][[2, 3, 6, 7]].mean(), units["value"][[0, 1, 4, 5]].mean()
    mean = {k: units["value"].groupby(units[k]).transform("mean") for k in ("variety", "block")}
    by_place = units["value"].groupby(place["slope"].to_numpy()).transform("mean")
    left = units["value"] - mean["variety"] - mean["block"] - by_place + 2 * units["value"].mean()
    se = np.sqrt(2 * (left**2).sum() / 4 / 4)
    assert row["estimate"] == pytest.approx(far - near)
    assert row["df"] == 4
    assert row["high"] - row["estimate"] == pytest.approx(stats.t.isf(0.025, 4) * se)


def testholm_by_the_general_library():
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = np.array([0.2, 0.01, 0.9, 0.04, 0.03])
    assert holm(p) == pytest.approx(multitest.multipletests(p, method="holm")[1])
    assert np.isnan(holm(np.array([np.nan, 0.02]))[0])
    assert holm(np.array([np.nan, 0.02]))[1] == 0.02


def test_pods_have_edge_and_shade_too():
    """Plants of column 1 to 3 are one plot a row; they give two thirds."""
    plants = bed("ABCDE", blocks=6, plants=3)
    picks = picked(plants, dict.fromkeys("ABCDE", 1.5), DAYS, plot_sd=0.05, plant_sd=0.05)
    dark = picks["plant"].isin(plants.loc[plants["column"] <= 3, "plant"])
    rng = np.random.default_rng(2)
    picks.loc[dark, "count"] = rng.binomial(picks.loc[dark, "count"].astype(int), 0.6)
    season = with_layout(records(plants, picks), shade="a wall before column 2")
    found = analyse(season).position.places
    row = found.effects.set_index("place").loc[SHADE]
    assert row["low"] < 0.6 < row["high"] < 1
    assert set(found.effects["place"]) == {EDGE, SHADE}
    assert found.scale == "ratio"
    assert set(found.by_place["against"]) == {"A"}


def test_place_that_goes_with_a_variety_is_not_judged():
    """A always at the ends, of every row: edge and variety cannot be told apart."""
    plants = bed("ABCDEFG", blocks=2, plants=1)
    orders = {"1": ["A", *"BCDEF", "A"], "2": ["A", *"EFBCD", "A"]}
    plants["variety"] = [orders[str(b)][int(c) - 1]
                         for b, c in zip(plants["block"], plants["column"], strict=True)]
    rng = np.random.default_rng(3)
    found = _weighed(plants, 500 + rng.normal(0, 20, len(plants)))
    row = found.places.effects.set_index("place").loc[EDGE]
    assert np.isnan(row["p"])
    assert "can't show it" in row["note"]
    assert EDGE not in set(found.places.by_place["place"])


def test_too_few_plots_to_judge_a_place():
    plants = bed("AB", blocks=3, plants=1)
    weight = [500.0, 510, 490, 530, 505, 520]
    found = _weighed(plants, weight)
    assert found.places.effects["p"].isna().all()
    assert found.places.effects["note"].str.contains("too few plots|can't show it").all()
    picks = picked(bed("AB", blocks=3), {"A": 1.0, "B": 1.0}, DAYS)
    trial = analyse(records(bed("AB", blocks=3), picks)).position
    assert not trial.supported
    assert "too few plots" in trial.why_not
    assert len(trial.bed) == 18


def test_places_not_recorded_or_no_comparison():
    plants = bed("ABC").assign(row=np.nan, column=np.nan)
    assert isinstance(_weighed(plants, np.arange(36.0)).places, Missing)
    found = _weighed(bed("ABC", blocks=1), np.arange(9.0))
    assert isinstance(found.places, Missing)
    assert len(found.bed) == 9


def test_shade_in_the_trials_words():
    season = records(bed("AB", blocks=3, plants=2))  # 3 rows of 4 plants
    assert shade(season) is None
    line = shade(with_layout(season, shade="tall maize beyond row 9"))
    assert line.share[["3-1", "3-4"]].eq(1).all()
    assert line.share.sum() == 4
    west = shade(with_layout(season, shade="hedge on the west side"))
    assert west.share["1-1"] == west.share["3-1"] == 1
    assert west.share["2-4"] == 0
    assert west.share["1-2"] == pytest.approx(2 / 3)
    north = shade(with_layout(season, sun="shade from the north in the morning"))
    assert north.share["1-3"] == 1
    assert north.share["3-3"] == 0
    assert shade(with_layout(season, sun="south")) is None
    assert shade(with_layout(season, shade="in the afternoon")) is None


def test_the_map_keeps_the_aisles(tmp_path):
    """An aisle of 60 cm after row 1 and after column 2, from plan.toml; its top is west."""
    (tmp_path / "plan.toml").write_text(
        'row_spacing_cm = 100.0\nplant_spacing_cm = 25.0\naisle_cm = 60.0\nguards = "none"\n'
        'top = "west"\n[drawn]\naisles_after_rows = [1]\naisles_after_columns = [2]\n')
    season = replace(records(bed("AB", blocks=3, plants=2)), folder=tmp_path)
    place = plant_positions(season)
    assert place.loc["1-2", "x"] - place.loc["1-1", "x"] == 25
    assert place.loc["1-3", "x"] - place.loc["1-2", "x"] == 85
    assert place.loc["2-1", "y"] - place.loc["1-1", "y"] == 160
    assert place.loc["3-1", "y"] - place.loc["2-1", "y"] == 100
    west = shade(with_layout(season, shade="west"))
    assert west.share["1-1"] == west.share["1-4"] == 1  # row 1 is at the top
    (tmp_path / "plan.toml").write_text("not [toml")
    assert plant_positions(season).loc["2-1", "y"] - plant_positions(season).loc["1-1", "y"] == 100


def test_rows_that_start_again_in_each_block_do_not_lie_on_one_another():
    plants = bed("AB", blocks=2, plants=2)
    plants["row"] = 1.0
    place = plant_positions(records(plants, check=None))
    assert not place.duplicated().any()


