"""The demo trial is what it says: made again the same, its truth known, its traps in place."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path

import make_invented_trial as made
import numpy as np
import pandas as pd
import pytest
from invented_season import Season, Variety, daily_rates

from trialkit.records import read_records

FILES = {"plants.csv", "picks.csv", "heights.csv", "weather.csv", "events.csv"}


@pytest.fixture(scope="module")
def beans(data: Path) -> dict[str, pd.DataFrame]:
    return {name: pd.read_csv(data / "beans" / name) for name in FILES}


@pytest.fixture(scope="module")
def truth(data: Path) -> dict:
    return json.loads((data / "beans" / "truth.json").read_text(encoding="utf-8"))


def test_made_again_byte_for_byte(data: Path, tmp_path: Path) -> None:
    made.write_trial(tmp_path, made.demo_trial())
    again = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert set(again) == FILES | {"trial.toml", "truth.json"}
    for name, content in again.items():
        assert content == (data / "beans" / name).read_bytes(), name


def test_another_seed_gives_other_records() -> None:
    one, two = (made.simulate_trial(seed)["picks"] for seed in (1, 2))
    assert not one.equals(two)
    assert one.equals(made.simulate_trial(1)["picks"])


def test_unknown_setting_is_refused() -> None:
    with pytest.raises(TypeError, match="plotsd"):
        made.simulate_trial(1, plotsd=0.3)


def test_pods_of_one_plant_by_hand(data: Path) -> None:
    """R4-30, the last plant of the last row, from its twenty lines of picks.csv in order:

        0 4 1 2 3 9 3 (blank) 13 1 5 2 3 0 5 1 3 1 5 0

    by hand: 0+4+1+2+3+9+3 = 22, then 13+1+5+2+3+0+5+1+3+1+5+0 = 39; 22 + 39 = 61 pods in 19
    looks.  The blank of 6 August is rain, not nothing: the 13 after it are seven days' pods.
    """
    with (data / "beans" / "picks.csv").open(newline="", encoding="utf-8") as file:
        cells = [row["count"] for row in csv.DictReader(file) if row["plant"] == "R4-30"]
    assert cells == "0 4 1 2 3 9 3 _ 13 1 5 2 3 0 5 1 3 1 5 0".replace("_", "").split(" ")
    assert sum(int(cell) for cell in cells if cell) == 61
    assert len([cell for cell in cells if cell]) == 19
    counted = read_records(data / "beans").picks.query("plant == 'R4-30'")["count"]
    assert counted.sum() == 61
    assert counted.notna().sum() == 19


def test_layout_is_randomised_complete_blocks_of_six_plants(beans) -> None:
    plants = beans["plants.csv"]
    assert len(plants) == 120
    assert plants["plant"].is_unique
    assert not plants.duplicated(["row", "column"]).any()
    table = plants.groupby(["block", "variety"])["plot"].agg(["nunique", "size"])
    assert len(table) == 20
    assert (table["nunique"] == 1).all()
    assert (table["size"] == 6).all()
    assert plants.groupby("plot")["variety"].nunique().eq(1).all()
    order = plants.drop_duplicates("plot").groupby("block")["variety"].agg(tuple)
    assert order.nunique() == 4  # drawn anew in each block


def test_plant_names_survive_a_spreadsheet(beans) -> None:
    """A name such as 1-07 would be turned into a date, one such as 2E5 into a number."""
    for name in {*beans["plants.csv"]["plant"], *beans["plants.csv"]["plot"]}:
        assert not name.replace("-", "").replace("/", "").isdigit(), name
        with pytest.raises(ValueError, match="could not convert"):
            float(name)


def test_blanks_and_zeros_are_both_there_and_apart(beans, truth) -> None:
    count = beans["picks.csv"]["count"]
    assert count.isna().sum() == truth["blank_cells"] > 10
    assert (count == 0).sum() > 100
    raw = beans["picks.csv"]
    assert raw.loc[raw["count"].isna(), "weight"].isna().all()


def test_after_a_blank_the_next_pick_holds_more_days() -> None:
    """Pick 5 missed: pick 6 holds what seven days gave, not four; by the true daily rates."""
    frames = made.simulate_trial(3, blocks=150, blank_share=0.3, rained_off=(), shade=0.0)
    season = frames["season"]
    picks = frames["picks"].merge(frames["plants"][["plant", "variety"]], on="plant")
    count = picks.astype({"count": float}).pivot(
        index=["variety", "plant"], columns="date", values="count"
    )
    count.columns = range(season.picks)
    fourth, fifth, sixth = season.pick_days[3:6]
    for name, rate in daily_rates(season).items():
        own = count.loc[name]
        own = own[own[3].notna() & own[5].notna()]
        seven, four = own.loc[own[4].isna(), 5], own.loc[own[4].notna(), 5]
        assert min(len(seven), len(four)) > 100
        expected = rate[fourth + 1 : sixth + 1].sum() / rate[fifth + 1 : sixth + 1].sum()
        assert 1.6 < expected < 1.9  # 7 days against 4
        assert seven.mean() / four.mean() == pytest.approx(expected, rel=0.2)


def test_rain_stopped_one_pick_part_way(beans) -> None:
    """The wet day of events.csv: the end of the last row is blank, nearly all else not."""
    date = beans["events.csv"].set_index("event").loc["rain", "date"]
    picks = beans["picks.csv"]
    wet = picks[picks["date"] == date].set_index("plant")
    blank = wet["count"].isna()
    assert blank[[plant for plant in wet.index if "R4-17" <= plant <= "R4-30"]].all()
    assert blank.sum() <= 16


def test_truth_tells_the_story(truth) -> None:
    """One clearly better, one a bit, one equal, one worse; the tallest is not best within reach."""
    kinds = truth["varieties"]
    ratios = {name: kind["ratio_to_check"] for name, kind in kinds.items()}
    assert sorted(ratios.values()) == [0.7, 1.0, 1.0, 1.2, 1.6]
    assert ratios[truth["check"]] == 1.0
    tallest = max(kinds, key=lambda name: kinds[name]["final_height_cm"])
    within = {name: kind["pods_a_plant_within_reach"] for name, kind in kinds.items()}
    assert within[tallest] == min(within.values())
    out = [kind["out_of_reach_day"] for kind in kinds.values()]
    assert None in out
    assert len({day for day in out if day is not None}) >= 3
    assert sum(kind["plants_lost"] for kind in kinds.values()) == 5


def test_lost_plants_have_dates_and_reasons_and_no_later_records(beans, truth) -> None:
    lost = beans["plants.csv"].dropna(subset="lost").set_index("plant")
    assert len(lost) == 5
    assert lost["lost_reason"].notna().all()
    heights = beans["heights.csv"].merge(lost[["lost"]], left_on="plant", right_index=True)
    assert (heights["date"] < heights["lost"]).all()
    picks = beans["picks.csv"].merge(lost[["lost"]], left_on="plant", right_index=True)
    late = picks[picks["date"] >= picks["lost"]]
    (slip,) = [s for s in truth["slips"] if s["what"] == "picked after it was lost"]
    assert late[["date", "plant", "count"]].values.tolist() == [[slip["date"], slip["plant"], 1]]


def test_the_slips_are_where_the_truth_says(beans, truth) -> None:
    digit, twice, _ = truth["slips"]
    heights = beans["heights.csv"].set_index(["plant", "date"])["height"]
    assert heights[digit["plant"], digit["date"]] == digit["written"]
    own = heights[digit["plant"]]
    assert own.diff().min() == own.shift(-1).diff().shift(1).min()  # the only fall of its kind
    picks = beans["picks.csv"]
    doubled = picks[picks.duplicated(["date", "plant"], keep=False)]
    assert doubled["plant"].unique().tolist() == [twice["plant"]]
    assert doubled["date"].unique().tolist() == [twice["date"]]
    assert len(doubled) == 2


def test_the_slump_shows_for_about_ten_days_after_the_heat(beans, truth) -> None:
    picks = beans["picks.csv"].groupby("date")["count"].mean()
    slump = truth["slump"]
    before = picks[slump["hot_from"] : slump["falls_from"]].mean()
    during = picks[slump["lowest_from"] : slump["lowest_to"]]
    after = picks[slump["recovered"] :].iloc[:3].mean()
    assert during.iloc[1:].mean() < 0.65 * before
    assert after > 1.3 * during.iloc[1:].mean()
    weather = beans["weather.csv"].set_index("date")
    hot = weather.index[weather["high"] >= 27]
    assert hot.min() >= slump["hot_from"]
    assert len(hot) <= truth["slump"]["hot_days"] + 1
    assert weather["high"].median() < 20
    assert (weather["low"] < weather["high"]).all()
    assert pd.to_datetime(weather.index).to_series().diff().dropna().eq(pd.Timedelta("1D")).all()


def test_trial_toml_says_it_is_invented(data: Path, truth) -> None:
    trial = tomllib.loads((data / "beans" / "trial.toml").read_text(encoding="utf-8"))
    assert trial["invented"] is True
    assert "invented" in trial["garden"]
    assert "invented" in (data / "README.md").read_text(encoding="utf-8")
    names = [variety["name"] for variety in trial["varieties"]]
    assert names == list(truth["varieties"])
    assert [v["name"] for v in trial["varieties"] if v.get("check")] == [truth["check"]]


def test_reads_without_an_error_and_lists_just_the_slips(data: Path, truth) -> None:
    records = read_records(data / "beans")
    assert records.trial.invented
    assert records.trial.check == truth["check"]
    assert records.trial.reach_cm == truth["reach_cm"]
    assert records.picks["count"].isna().sum() == truth["blank_cells"]
    doubts = records.doubts
    assert len(doubts) == 3
    for slip in truth["slips"]:
        row, about = {
            "a digit lost": ("heights.csv", "shorter"),
            "picked twice": ("picks.csv", "twice"),
            "picked after it was lost": ("picks.csv", "after the plant was lost"),
        }[slip["what"]]
        own = doubts[doubts["doubt"].str.contains(about)]
        assert own["file"].tolist() == [row]
        line = (data / "beans" / row).read_text().splitlines()[int(own["line"].iloc[0]) - 1]
        assert line.startswith(f"{slip['date']},{slip['plant']},")


WELL_KNOWN = """
Algarve, Anellino, Blauhilde, Blue Coco, Blue Lake, Borlotto, Celebration, Cherokee Trail of Tears,
Cobra, Contender, Cosse Violette, Czar, Desiree, Emerite, Enorma, Eva, Fasold, Firestorm, Fortex,
Goldfield, Goldmarie, Helda, Hestia, Hunter, Isabel, Kentucky Wonder, Kew Blue, Kingston Gold,
Lady Di, Lazy Housewife, Limka, Lingua di Fuoco, Monte Cristo, Moonlight, Musica, Neckargold,
Neckarkonigin, Northeaster, Painted Lady, Polestar, Provider, Purple Podded, Purple Queen,
Rattlesnake, Red Rum, Romano, Scarlet Emperor, Scarlet Runner, Selma Zebra, St George, Sultana,
Sunset, Tenderstar, Trionfo Violetto, Viola Cornetti, White Lady, Wisley Magic
"""
"""Climbing and runner beans in common trade; from memory."""


def test_no_name_is_a_well_known_bean(truth) -> None:
    known = {name.strip().casefold() for name in WELL_KNOWN.replace("\n", " ").split(",")}
    assert len(known) > 50
    for name in truth["varieties"]:
        assert name.casefold() not in known
        assert not any(name.casefold() in other or other in name.casefold() for other in known)


# Large simulated samples: the records have the values that the truth says.


@pytest.fixture(scope="module")
def many() -> dict:
    """150 blocks, so that the means are close to their expectations."""
    return made.simulate_trial(
        11, blocks=150, shade=0.0, blank_share=0.0, rained_off=(), topped=None
    )


def test_season_totals_stand_in_the_true_ratios(many) -> None:
    plants, truth = many["plants"], many["truth"]["varieties"]
    there = plants[plants["lost"].isna()]
    picks = many["picks"].astype({"count": float}).groupby("plant")["count"].sum()
    mean = there.assign(pods=there["plant"].map(picks)).groupby("variety")["pods"].mean()
    for name, kind in truth.items():
        # 900 plants a variety, one with another about 35 % apart: standard error 1.5 %
        assert mean[name] == pytest.approx(kind["pods_a_plant_season"], rel=0.05)
        assert mean[name] / mean["Tallow Lane"] == pytest.approx(kind["ratio_to_check"], rel=0.06)


def test_heights_follow_the_true_curves(many) -> None:
    season, truth = many["season"], many["truth"]
    heights = many["heights"].merge(many["plants"][["plant", "variety"]], on="plant")
    mean = heights.groupby(["variety", "date"])["height"].mean().unstack()
    days = (mean.columns - pd.Timestamp(season.planted)).days.to_numpy()
    for name, kind in truth["varieties"].items():
        own = mean.loc[name].to_numpy()
        assert own == pytest.approx(season.varieties[name].height_on(days), abs=2.0)
        assert own[-1] == pytest.approx(kind["height_last_measured_cm"], abs=2.0)
        if kind["out_of_reach_day"] is None:
            assert own.max() < season.reach
        else:
            passed = np.interp(season.reach, own, days)
            assert passed == pytest.approx(kind["out_of_reach_day"], abs=1.5)


def test_spread_of_plots_plants_and_counts(many) -> None:
    """Moments of the counts: dispersion, plant and plot variation, each within sampling error.

    For a plant's season total, log-normal plants and plots give a relative variance of
    exp(sd^2) - 1 each, besides the counts' own, 1/mean + 1/dispersion summed over the picks.
    """
    truth = many["truth"]
    picks = (
        many["picks"]
        .astype({"count": float})
        .merge(
            many["plants"].loc[many["plants"]["lost"].isna(), ["plant", "variety", "plot"]],
            on="plant",
        )
    )
    picks = picks[picks["variety"] == "Quarterbell"]
    mean = picks.groupby("date")["count"].transform("mean")
    total = picks.groupby(["plot", "plant"])["count"].sum()
    own = picks.groupby("date")["count"].mean()
    expected_plant = np.expm1(truth["log_sd"]["plant"] ** 2)
    by_chance = (own + own**2 / truth["dispersion"]).sum() / own.sum() ** 2
    within = total.groupby("plot").var().mean() / total.mean() ** 2
    assert within == pytest.approx(expected_plant + by_chance, rel=0.25)
    plot_means = total.groupby("plot").mean()
    between = plot_means.var() / total.mean() ** 2 - within / 6
    blocks = np.expm1(truth["log_sd"]["block"] ** 2)
    assert between == pytest.approx(np.expm1(truth["log_sd"]["plot"] ** 2) + blocks, rel=0.5)
    assert (picks["count"] - mean).abs().max() > 0


def test_shade_takes_its_share() -> None:
    frames = made.simulate_trial(5, blocks=150, topped=None, rained_off=())
    season, truth = frames["season"], frames["truth"]
    picks = frames["picks"].astype({"count": float}).groupby("plant")["count"].sum()
    plants = frames["plants"][frames["plants"]["lost"].isna()]
    plants = plants.assign(pods=plants["plant"].map(picks))
    # the variety's true total taken out, so that only the place is left
    plants["pods"] /= plants["variety"].map(
        {n: k["pods_a_plant_season"] for n, k in truth["varieties"].items()}
    )
    deep = plants.loc[plants["column"] <= season.shaded_columns - 2, "pods"].mean()
    clear = plants.loc[plants["column"] > season.shaded_columns + 4, "pods"].mean()
    assert 1 - deep / clear == pytest.approx(truth["shade"]["share_lost"], abs=0.05)


def test_rates_sum_exactly_to_the_ratios_and_dip_in_the_slump() -> None:
    season = Season()
    rates = daily_rates(season)
    total = {name: rate.sum() for name, rate in rates.items()}
    assert total["Tallow Lane"] == pytest.approx(season.pods_per_pick * season.picks)
    for name, variety in season.varieties.items():
        assert total[name] / total["Tallow Lane"] == pytest.approx(variety.ratio)
    _, lowest, _, recovered = season.slump
    calm = daily_rates(Season(varieties={n: _undipped(v) for n, v in season.varieties.items()}))
    for name, variety in season.varieties.items():
        share = rates[name] / np.where(calm[name] > 0, calm[name], np.nan)
        assert share[lowest] / share[recovered] == pytest.approx(1 - variety.dip)


def _undipped(variety: Variety) -> Variety:
    return Variety(**{**{k: getattr(variety, k) for k in variety.__dataclass_fields__}, "dip": 0.0})
