"""The verdict: what it says, and that every number in it stands in the table."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from seasons import bed, day, grown, picked, records

from trialkit.decide import conclude, series
from trialkit.decide.verdict import _place
from trialkit.wording import figure, span

TWENTY = [50 + int(3.5 * k) for k in range(20)]
WEEKS = list(range(14, 118, 7))


@pytest.fixture(scope="module")
def settled():
    plants = bed(["Plain", "Rich", "Poor"], blocks=5, plants=4)
    plants.loc[plants.index[3], "lost"] = day(115)
    rates = {"Plain": 0.7, "Rich": 1.4, "Poor": 0.65}
    picks = picked(plants, rates, TWENTY, plot_sd=0.05, seed=4)
    heights = grown(plants, {"Plain": 250.0, "Rich": 160.0, "Poor": 230.0}, WEEKS)
    return conclude(records(plants, picks, heights, check="Plain", reach=210.0, looks=20))


def test_the_answer_is_two_sentences_with_the_tables_own_numbers(settled):
    verdict, table = settled.verdict, settled.table.set_index("variety")
    rich, plain = (figure(table.loc[v, "gave"]) for v in ("Rich", "Plain"))
    assert (verdict.state, verdict.mark) == ("settled", "Firm")
    assert verdict.answer.startswith(
        f"By {settled.as_of.day} {settled.as_of:%B} Rich had given {rich} pods per plant planted "
        f"and Plain, your check, {plain}.")
    assert len(re.findall(r"\.(?:\s|$)", verdict.answer)) == 2
    row = table.loc["Rich"]
    assert verdict.how_sure.startswith(
        f"Rich gave {figure(row['ratio'])} times{span(row['ratio_low'], row['ratio_high'])} what "
        "Plain gave, after all 20 planned picks")


def test_the_table(settled):
    table = settled.table
    assert list(table["variety"])[0] == "Rich"
    assert table["gave"].is_monotonic_decreasing
    check = table[table["check"]].iloc[0]
    assert (check["variety"], check["ratio"]) == ("Plain", 1.0)
    assert np.isnan(check["ratio_low"])
    assert table["lost"].sum() == 1
    assert (table["planted"] == 20).all()
    picks = settled.records.picks.merge(settled.records.plants[["plant", "variety"]], on="plant")
    each = picks.groupby("variety")["count"].sum() / 20
    by = table.set_index("variety")
    against = settled.analysis.season.against_check.set_index("variety")["estimate"]
    for variety in ("Rich", "Poor"):
        # From the plots' totals, which decide; the model of every record says much the same.
        ratio = by.loc[variety, "ratio"]
        assert ratio == np.exp(settled.looks.results[variety, "Plain"].estimate)
        assert ratio == pytest.approx(each[variety] / each["Plain"], rel=1e-3)
        assert ratio == pytest.approx(against[variety], rel=0.04)
        # Every plant looked at every time: what was picked over the plants planted.
        assert by.loc[variety, "gave"] == pytest.approx(each[variety])


def test_since_the_last_pick(settled):
    said = " ".join(settled.since_last)
    picks = settled.records.picks
    last = picks[picks["date"] == picks["date"].max()]
    assert f"{int(last['count'].sum())} pods from {len(last)} plants" in said
    assert "1 plant lost since the pick before" in said
    assert "Rich" in said


def test_a_plant_lost_after_the_last_pick_is_told_of():
    plants = bed("AB", blocks=3, plants=2)
    plants.loc[plants.index[0], "lost"] = day(TWENTY[2] + 1)
    picks = picked(plants, {"A": 0.7, "B": 1.0}, TWENTY[:3], seed=3)
    said = conclude(records(plants, picks)).since_last
    first = plants["variety"].iloc[0]
    assert f"1 plant lost since the pick before: {first} 1." in said


def test_a_look_in_between_needs_more_than_a_single_test_would(settled):
    """The interval good for every look is wider than the plain one of a single look."""
    history = settled.looks.results["Rich", "Plain"].history
    low, high = np.exp(history[["naive_low", "naive_high"]].iloc[-1].astype(float))
    row = settled.table.set_index("variety").loc["Rich"]
    assert row["ratio_low"] < low < high < row["ratio_high"]


def test_too_early_to_say():
    plants = bed("ABC", blocks=4, plants=3)
    picks = picked(plants, {"A": 0.7, "B": 1.0, "C": 0.7}, TWENTY[:3], plot_sd=0.2, seed=2)
    verdict = conclude(records(plants, picks, looks=20)).verdict
    assert verdict.state == "keep picking"
    assert "perhaps by luck" in verdict.answer
    assert "17 planned picks are left" in verdict.next_step


def test_alike_at_the_end_of_the_plan():
    plants = bed("ABC", blocks=4, plants=3)
    picks = picked(plants, dict.fromkeys("ABC", 0.8), TWENTY, plot_sd=0.1, seed=2)
    found = conclude(records(plants, picks, looks=20))
    assert found.verdict.state == "will not be settled this season"
    assert "more plots" in found.verdict.next_step.lower()
    assert found.cannot_tell[0].startswith("Whether")


def test_one_row_each_is_described_not_judged():
    plants = bed("ABC", blocks=1, plants=8)
    picks = picked(plants, {"A": 0.5, "B": 1.5, "C": 0.5}, TWENTY, seed=2)
    found = conclude(records(plants, picks))
    assert found.verdict.state == "description only"
    assert "can't say" in found.verdict.answer
    assert not re.search(r"\bto\b \d", found.verdict.answer)
    assert found.table[["ratio_low", "ratio_high"]].isna().all(axis=None)
    assert found.looks is None


def test_looks_do_not_see_the_future():
    """What is said of the looks until a pick is what was said on that day."""
    plants = bed("AB", blocks=4, plants=3)
    picks = picked(plants, {"A": 0.7, "B": 1.1}, TWENTY[:8], seed=6)
    whole = conclude(records(plants, picks, looks=20)).looks
    part = conclude(records(plants, picks[picks["date"] <= day(TWENTY[5])], looks=20)).looks
    for k in range(6):
        a, b = whole.totals["B", "A"][k], part.totals["B", "A"][k]
        assert a.estimate == pytest.approx(b.estimate, abs=0.02)
        assert a.se == pytest.approx(b.se, rel=0.05)


@pytest.mark.parametrize(("value", "said"), [
    (1.583, "1.6"), (0.624, "0.62"), (23.4, "23"), (140.2, "140"), (0.0, "0"), (9.96, "10"),
    (1.0, "1.0"), (0.05, "0.050"), (float("inf"), "no limit")])
def test_two_figures(value, said):
    assert figure(value) == said


def test_an_interval_clear_of_one_does_not_read_as_if_it_held_it():
    assert span(1.04, 2.5) == " (1.04 to 2.5)"
    assert span(1.001, 2.5) == " (just over 1 to 2.5)"
    assert span(0.5, 0.99) == " (0.50 to 0.99)"
    assert span(0.5, 0.998) == " (0.50 to just under 1)"
    assert span(0.96, 1.3) == " (0.96 to 1.3)"


def test_an_interval_too_wide_to_tell_anything_is_not_shown():
    plants = bed("ABC", blocks=3, plants=2)
    picks = picked(plants, {"A": 0.4, "B": 0.6, "C": 0.4}, TWENTY[:2], plot_sd=0.3, seed=2)
    found = conclude(records(plants, picks, looks=20))
    assert found.table[["ratio_low", "ratio_high"]].isna().all(axis=None)
    assert found.verdict.mark == "Too soon"
    assert "too early to give a likely range" in found.verdict.how_sure


def test_a_variety_with_the_leaders_figure_is_not_hidden_behind_it():
    plants = bed("ABC", blocks=3, plants=2)
    gave = plants["variety"].map({"A": 10, "B": 20, "C": 20}).astype(float)
    picks = pd.DataFrame({"date": day(50), "plant": plants["plant"], "count": gave,
                          "weight_g": np.nan})
    found = conclude(records(plants, picks, check="A", looks=20))
    assert found.verdict.sentence == (
        "By 13 July B and C had each given 20 pods per plant planted and A, your check, 10, "
        "perhaps by luck.")


def test_the_place_in_the_bed_is_answered(settled):
    side = settled.analysis.position.side_by_side.set_index("variety").loc["Rich"]
    assert abs(side["change"]) < 0.1
    ratio = figure(side["adjusted"])
    position = settled.analysis.position
    assert not position.clear
    assert "llowing for" not in settled.verdict.how_sure
    trend = replace(position, clear=True)
    said, turned = _place(SimpleNamespace(position=trend), "Rich", "Plain", 2.0)
    assert f"Allowing for sun and shade along the rows, it is {ratio} times" in said
    assert not turned


def test_looks_beyond_the_plan_are_judged_by_their_own_interval(settled):
    """19 looks planned, 20 taken: the newest look's figures are told, by the interval that holds
    for looks nobody planned."""
    trial = replace(settled.records.trial, looks=19)
    beyond = conclude(replace(settled.records, trial=trial))
    row = beyond.table.set_index("variety").loc["Rich"]
    result = beyond.looks.results["Rich", "Plain"]
    assert row["ratio"] == np.exp(result.estimate)
    assert [result.low, result.high] == list(
        result.history[["anytime_low", "anytime_high"]].iloc[-1])


def test_what_was_settled_and_is_less_clear_again_is_not_claimed():
    plants = bed(["Plain", "Early"], blocks=5, plants=4)
    first = picked(plants, {"Plain": 0.6, "Early": 1.6}, TWENTY[:9], plot_sd=0.05, seed=4)
    then = picked(plants, {"Plain": 1.6, "Early": 0.7}, TWENTY[9:], plot_sd=0.4, seed=5)
    found = conclude(records(plants, pd.concat([first, then]), check="Plain", looks=20))
    result = found.looks.results["Early", "Plain"]
    assert (result.history["z"].abs() >= result.history["z_boundary"]).any()
    assert result.low < 0 < result.high, "at the newest look it would not be settled"
    assert result.state != "settled"
    assert found.verdict.mark != "Firm"
    # Every settled line of every table leaves out no difference.
    settled_rows = found.table[found.table["state"] == "settled"]
    assert ((settled_rows["ratio_low"] > 1) | (settled_rows["ratio_high"] < 1)).all()


def test_how_it_was_looked_at_is_told_with_and_without_a_plan(settled):
    plan = settled.looks_method
    assert plan.plain.startswith("Looked at after every pick, 20 looks of 20 planned")
    assert "Lan & DeMets 1983" in plan.full
    ratio = settled.analysis.pods.against_check.set_index("variety").loc["Rich", "estimate"]
    assert plan.figures["Rich by the model of every record"] == f"{figure(ratio)} times"
    trial = replace(settled.records.trial, looks=None)
    free = conclude(replace(settled.records, trial=trial)).looks_method
    assert "Robbins (1970)" in free.full
    assert "Its power is low" in free.full
    assert "trial.toml" in free.full


def test_the_figures_told_are_those_of_the_study():
    """The tables of README.md that season_study.py prints."""
    text = (Path(__file__).parent / "README.md").read_text()
    cells = [[cell.strip() for cell in line.strip("| ").split("|")] for line in text.splitlines()
             if line.startswith("| ")]
    study = {row[0]: (int(row[1]), *map(float, row[2:])) for row in cells
             if len(row) == 11 and row[1].isdigit()}
    named = {row[0]: float(row[2]) for row in cells if len(row) == 5 and row[1].isdigit()}
    assert len(study) >= 29
    for name, (seasons, false, *_, held, held_end, _one) in study.items():
        # Two standard errors of a study of 1,000 seasons.
        assert seasons >= 1000
        allowed = 5 + 2 * 100 * np.sqrt(0.05 * 0.95 / 1000)
        assert false <= allowed, name
        assert 100 - held_end <= 100 - held <= allowed, name
    false = {name: row[1] for name, row in study.items()}
    assert f"{max(false.values()):.0f}" == series.FALSE
    assert " and ".join(
        f"{named[name]:.0f}" for name in ("plain, 3 blocks", "plain")) == series.NAMED
