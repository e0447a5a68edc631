"""Every trait reaches the report: in a sentence, in figures with their limits, and in full."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, grown, picked, records

from trialkit import wording
from trialkit.gardens.carryover import proposals
from trialkit.models import TraitResult
from trialkit.report import cells, method
from trialkit.report.measures import measure, percent, ratio
from trialkit.report.opentrial import OpenTrial

DAYS = [50 + 4 * k for k in range(10)]
OPEN = ("heading", "answer", "compared", "next_step", "how_sure", "pick_by_pick", "varieties",
        "since_last", "other_figures", "yield_so_far", "height_and_reach", "rate_over_season",
        "bed_map", "place_in_bed", "cannot_tell", "take_care", "words_used")  # fmt: skip
FOLDED = ("layout", "methods", "diagnostics", "doubts")
NOTHING = re.compile(r"(?<![\w-])(nan|NaN|None|inf|NaT|<NA>)(?![\w-])")


@cache
def full(height="cm", weight="g") -> OpenTrial:
    """A season with everything in it: losses, heights, half topped by lot, weights, heat."""
    plants = bed("ABC", blocks=4, plants=4)
    plants["treatment"] = np.where(plants["column"] % 2 == 0, "topped", "not topped")
    plants.loc[[3, 20], "lost"] = day(60)
    plants.loc[[3, 20], "lost_reason"] = "foot rot"
    picks = picked(plants, {"A": 0.6, "B": 1.0, "C": 0.5}, DAYS, seed=4)
    gone = dict(zip(plants["plant"], plants["lost"], strict=True))
    picks = picks[[not d > gone[p] for d, p in zip(picks["date"], picks["plant"], strict=True)]]
    picks["weight_g"] = np.where(picks["date"] >= day(70), picks["count"] * 9.0, np.nan)
    heights = grown(plants, {"A": 240.0, "B": 200.0, "C": 150.0}, range(14, 88, 9))
    tall = heights["date"] > day(60)
    topped = heights["plant"].map(dict(zip(plants["plant"], plants["treatment"], strict=True)))
    heights.loc[tall & (topped == "topped"), "height_cm"] *= 0.8
    events = pd.DataFrame({
        "date": day(60), "plant": plants.loc[plants["treatment"] == "topped", "plant"],
        "plot": pd.NA, "event": "topped", "note": pd.NA})
    dates = [day(k) for k in range(90)]
    hot = [34.0 if 66 <= k <= 70 else 22.0 for k in range(90)]
    weather = pd.DataFrame({"date": dates, "low_c": 12.0, "high_c": hot})
    found = records(plants, picks, heights, events=events, weather=weather, looks=10, reach=190.0,
                    threshold=0.5)
    trial = replace(found.trial, height_unit=height, weight_unit=weight)
    return OpenTrial(replace(found, trial=trial), None)


def dug(**trial) -> OpenTrial:
    """Roots pulled on three days, weighed, graded and counted."""
    rng = np.random.default_rng(8)
    plants = bed("ABC", blocks=4, plants=6)
    late = plants["variety"].map({"A": 0, "B": 7, "C": 3})
    better = plants["variety"].map({"A": 0.3, "B": 0.8, "C": 0.3})
    on = [day(60 + 7 * int(k) + int(e)) for k, e in
          zip(rng.integers(0, 2, len(plants)), late, strict=True)]
    grade = np.where(rng.random(len(plants)) < better, "large", "small")
    harvest = pd.DataFrame({
        "date": on, "plant": plants["plant"], "count": 1.0, "grade": grade,
        "weight_g": rng.normal(300, 40, len(plants)) + 100 * better})
    found = records(plants, harvest=harvest)
    return OpenTrial(replace(found, trial=replace(found.trial, **trial)), None)


def said(trial: OpenTrial, *names: str) -> str:
    return "\n".join(getattr(cells, name)(trial).plain for name in names)


def test_every_trait_has_a_sentence_figures_with_limits_and_its_method_in_full():
    trial = full()
    block = method.methods(trial)
    analysis = trial.conclusion.analysis
    found = [t for t in analysis.traits.values() if isinstance(t, TraitResult)]
    assert len(found) == 9, "all but the harvest"
    for one in found:
        label = wording.with_unit(one.label, one.unit)
        assert wording.capital(label) in block.plain
        assert f"In full: {label}" in block.html
        assert one.method.full[:40] in block.plain
        assert one.method.plain.rstrip(".")[1:] in block.plain
        if one.trait == "position":
            continue
        for row in one.means.itertuples(index=False):
            shown = measure(one.unit, trial.records.trial)
            assert shown.estimate(row.estimate, row.low, row.high) in block.plain
        for row in one.against_check.itertuples(index=False):
            told = (ratio if one.scale == "ratio" else shown.estimate)(
                row.estimate, row.low, row.high)
            assert told in block.plain
    for row in analysis.position.side_by_side.itertuples(index=False):
        assert ratio(row.unadjusted, row.unadjusted_low, row.unadjusted_high) in block.plain
        assert ratio(row.adjusted, row.adjusted_low, row.adjusted_high) in block.plain


def test_what_a_grower_acts_on_stands_in_the_open():
    trial = full()
    season = trial.conclusion.analysis.season
    text = said(trial, "other_figures", "height_and_reach", "rate_over_season", "bed_map")
    for frame in (season.means, season.metre):
        for row in frame.itertuples(index=False):
            assert f"{wording.number(row.estimate)} {wording.interval(row.low, row.high)}" in text
    assert "Pods a living plant, so far" in text
    assert "Pods a metre of row, gaps included" in text
    assert "2 plants of 48 lost (foot rot)" in text
    assert "By treatment, over all varieties, on" in text
    assert "topped" in text
    assert "Hot 29 Jul to 2 Aug: " in text
    assert "Plots at the edge of the bed against plots inside it" in text


def test_warmth_is_the_sum_by_hand():
    # (12 + 22) / 2 - 10 = 7 on 85 days; on 5 days the high counts as 30: (12 + 30) / 2 - 10 = 11.
    assert "650 degree days from planting to 21 Aug." in said(full(), "methods")
    assert "1,170 in degrees Fahrenheit" in said(full("ft", "lb"), "methods")


def test_a_grower_who_writes_feet_and_pounds_reads_nothing_else():
    metric, own = full(), full("ft", "lb")
    text = said(own, *OPEN, *FOLDED)
    inside = r"; lengths and weights here in (cm|g)\b"
    assert len(re.findall(inside, text)) == 2, "the models' own figures say what they are in"
    text = re.sub(inside, "", text).replace("height_cm", "")
    for word in (r"cm", r"metre", r"\d g", r"grams? (?!a plant-day)"):
        assert not re.search(rf"(?<![a-z]){word}(?![a-z])", text), word
    analysis = metric.conclusion.analysis
    for row in analysis.weights.means.itertuples(index=False):
        # A pound is 16 ounces; less than half of one is told in ounces.
        assert f"{wording.number(row.estimate / (453.59237 / 16))} (" in text
    assert "Weight, oz a plant a week" in text
    for row in analysis.season.metre.itertuples(index=False):
        assert f"{wording.number(row.estimate * 0.3048)} (" in text
    for row in analysis.height.means.itertuples(index=False):
        inches = round(row.estimate / 2.54)
        assert f"{inches // 12}'{inches % 12}\" (" in text
    assert "Height, feet" in cells.height_and_reach(own).html


def test_a_harvest_answers_in_the_unit_it_was_weighed_in():
    """Strawberries as published, in pounds: the best mean by hand from the file."""
    folder = Path(__file__).parents[2] / "data" / "strawberries"
    trial = cells.open_trial(str(folder))
    table = pd.read_csv(folder / "harvest.csv").merge(pd.read_csv(folder / "plants.csv"))
    means = table.groupby("variety")["weight"].mean()
    best = means.max()
    text = said(trial, "answer", "how_sure", "varieties", "compared", "bed_map", "place_in_bed",
                "methods")
    told = trial.conclusion.analysis.harvest.means["estimate"].max()
    assert told / 453.59237 == pytest.approx(best, abs=1e-9)
    assert f" {wording.number(told / 453.59237)} lb" in text
    reasons = " ".join(sum((one.reasons for one in proposals([("", trial.conclusion)])), ()))
    behind = re.search(r"clearly worse: -([0-9.]+) lb against [EG]", reasons)  # E and G tie
    assert behind is not None, "why a variety may go is told in pounds, too"
    assert float(behind[1]) == pytest.approx(best - means["R1"], abs=0.051)
    assert not re.search(r"\d g\b|, g\b", text)
    # The hedge: with the shade allowed for the answers move, and stand beside those as weighed.
    shade = trial.conclusion.analysis.harvest.places.by_place
    shade = shade[(shade["place"] == "the shade") & (shade["variety"] == "R1")].iloc[0]
    shown = measure("g", trial.records.trial)
    open_ = said(trial, "place_in_bed")
    assert shown.estimate(*shade[["unadjusted", "unadjusted_low", "unadjusted_high"]]) in open_
    assert shown.estimate(*shade[["adjusted", "adjusted_low", "adjusted_high"]]) in open_


def test_grades_and_readiness_are_told_with_their_limits():
    trial = dug(weight_unit="oz")
    harvest = trial.conclusion.analysis.harvest
    open_ = said(trial, "other_figures")
    folded = said(trial, "methods")
    for row in harvest.grading.shares.itertuples(index=False):
        assert percent(row.share, row.low, row.high) in folded
    assert "Graded large" in open_
    best = harvest.grading.chance_better.iloc[0]
    assert f"Take a piece of {best['variety']} and one of A: " in open_
    assert f"in {100 * best['chance']:.0f} of 100 pairs" in open_
    assert "odds" not in open_.lower()  # a word of the method's
    assert "Odds of a better grade" in folded
    for sentence in harvest.ready.table["words"]:
        assert sentence in open_
    later = harvest.ready.against_check.iloc[0]
    assert f"was ready {wording.number(later['estimate'])} days later than A (" in open_
    row = harvest.metre.iloc[0]
    assert wording.number(row["estimate"] / 28.349523125) in open_
    assert "oz a metre of row" in folded.lower()


@pytest.mark.parametrize("which", [
    "full", "dug", "one block", pytest.param("first pick", marks=pytest.mark.slow), "nothing"])
def test_nothing_is_shown_that_is_not_a_number(which):
    plants = bed("ABC", blocks=1 if which == "one block" else 4)
    days = {"one block": DAYS, "first pick": DAYS[:1], "nothing": None}.get(which)
    made = {"full": full, "dug": dug}.get(which)
    picks = picked(plants, dict.fromkeys("ABC", 0.8), days) if days else None
    trial = made() if made else OpenTrial(records(plants, picks), None)
    text = said(trial, *OPEN, *FOLDED)
    assert NOTHING.findall(text) == []
    if which == "one block":
        assert "No intervals." in text
        assert "95 % interval" not in said(trial, "varieties", "other_figures", "methods")


def test_limits_that_say_nothing_are_not_shown():
    assert ratio(1.5, 0.01, 90.0) == "1.5 times"
    assert ratio(1.5, 1.2, float("inf")) == "1.5 times"
    assert ratio(1.5, 1.2, 1.9) == "1.5 times (1.2 to 1.9)"
    assert percent(0.37, -0.04, 0.6) == "37 % (\N{MINUS SIGN}4 to 60 %)"
    assert percent(float("nan")) == wording.NONE


def test_small_weights_take_the_smaller_unit():
    about = replace(full().records.trial, weight_unit="lb")
    assert measure("g a plant", about, 100.0) == measure("g a plant", replace(
        about, weight_unit="oz"))
    assert measure("g a plant", about, 400.0).unit == "lb a plant"
    assert measure("g", replace(about, weight_unit="kg"), 9.0).unit == "g"
    assert measure("g", about).unit == "lb"
