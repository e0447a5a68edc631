"""The verdict: what it says, and that every number in it stands in the table."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))

from seasons import bed, day, grown, picked, records  # noqa: E402

from trialkit.decide import conclude, looks_method  # noqa: E402
from trialkit.wording import figure, span  # noqa: E402

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
    row = table.loc["Rich"]
    assert verdict.state == "settled"
    assert verdict.answer.startswith(
        f"Rich gave {figure(row['ratio'])} times ({figure(row['ratio_low'])} to "
        f"{figure(row['ratio_high'])}) the pods of Plain, the check.")
    assert len(re.findall(r"\.(?:\s|$)", verdict.answer)) == 2
    assert figure(row["within_reach"]) in verdict.answer
    assert figure(table.loc["Plain", "within_reach"]) in verdict.answer
    assert "Plain was out of reach from" in verdict.answer


def test_the_table(settled):
    table = settled.table
    assert list(table["variety"])[0] == "Rich"
    assert table["within_reach"].is_monotonic_decreasing
    check = table[table["check"]].iloc[0]
    assert (check["variety"], check["ratio"]) == ("Plain", 1.0)
    assert np.isnan(check["ratio_low"])
    assert table["lost"].sum() == 1
    assert (table["planted"] == 20).all()
    against = settled.analysis.season.against_check.set_index("variety")["estimate"]
    for variety in ("Rich", "Poor"):
        # From the plots' totals, which decide; the model of every record says much the same.
        ratio = table.set_index("variety").loc[variety, "ratio"]
        assert ratio == np.exp(settled.looks.results[variety, "Plain"].estimate)
        assert ratio == pytest.approx(against[variety], rel=0.03)


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
    low, high = np.exp(settled.looks.results["Rich", "Plain"].naive_interval)
    row = settled.table.set_index("variety").loc["Rich"]
    assert row["ratio_low"] < low < high < row["ratio_high"]


def test_too_early_to_say():
    plants = bed("ABC", blocks=4, plants=3)
    picks = picked(plants, {"A": 0.7, "B": 1.0, "C": 0.7}, TWENTY[:3], plot_sd=0.2, seed=2)
    verdict = conclude(records(plants, picks, looks=20)).verdict
    assert verdict.state == "keep picking"
    assert "may still be chance" in verdict.answer
    assert "17 planned looks are left" in verdict.next_step


def test_alike_at_the_end_of_the_plan():
    plants = bed("ABC", blocks=4, plants=3)
    picks = picked(plants, dict.fromkeys("ABC", 0.8), TWENTY, plot_sd=0.1, seed=2)
    found = conclude(records(plants, picks, looks=20))
    assert found.verdict.state == "will not be settled this season"
    assert "more plots" in found.verdict.next_step.lower()
    assert found.verdict.cannot_tell[0].startswith("Whether")


def test_one_row_each_is_described_not_judged():
    plants = bed("ABC", blocks=1, plants=8)
    picks = picked(plants, {"A": 0.5, "B": 1.5, "C": 0.5}, TWENTY, seed=2)
    found = conclude(records(plants, picks))
    assert found.verdict.state == "description only"
    assert "cannot say" in found.verdict.answer
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
    assert "too early" in found.verdict.answer


def test_the_place_in_the_bed_is_answered(settled):
    side = settled.analysis.position.side_by_side.set_index("variety").loc["Rich"]
    assert abs(side["change"]) < 0.1
    ratio = figure(side["adjusted"])
    said = settled.verdict.how_sure
    assert f"along the rows (sun, shade) allowed for, it is {ratio} times" in said


def test_looks_beyond_the_plan_leave_the_claim_with_its_own_interval(settled):
    """19 looks planned, 20 taken: the same season cut off at look 19 gives the figures told."""
    trial = replace(settled.records.trial, looks=19)
    beyond = conclude(replace(settled.records, trial=trial))
    picks = settled.records.picks
    last = picks["date"].max()
    within = conclude(replace(settled.records, trial=trial, picks=picks[picks["date"] < last]))
    row = beyond.table.set_index("variety").loc["Rich"]
    old = within.table.set_index("variety").loc["Rich"]
    told = ["ratio", "ratio_low", "ratio_high"]
    assert row[told].tolist() == pytest.approx(old[told].tolist())
    assert row["ratio_low"] > 1
    assert row["as_of"] == np.sort(picks["date"].unique())[-2]
    assert old["as_of"] is pd.NaT
    verdict = beyond.verdict
    assert verdict.state == "settled"
    size = f"{figure(old['ratio'])} times{span(old['ratio_low'], old['ratio_high'])}"
    up_to = f"{row['as_of'].day} {row['as_of']:%B}"
    assert verdict.answer.startswith(
        f"Rich gave {size} the pods of Plain, the check, up to {up_to}.")
    assert f"is that of look 19 of 19 planned, on {up_to}" in verdict.how_sure
    now = figure(np.exp(beyond.looks.results["Rich", "Plain"].estimate))
    assert f"1 look beyond the plan only describes: it stands at {now} times now." in (
        verdict.how_sure)
    assert "anytime" not in verdict.answer


def test_what_was_settled_and_is_less_clear_again_is_told_with_the_look_that_bears_it_out():
    plants = bed(["Plain", "Early"], blocks=5, plants=4)
    first = picked(plants, {"Plain": 0.6, "Early": 1.6}, TWENTY[:9], plot_sd=0.05, seed=4)
    then = picked(plants, {"Plain": 1.6, "Early": 0.7}, TWENTY[9:], plot_sd=0.4, seed=5)
    found = conclude(records(plants, pd.concat([first, then]), check="Plain", looks=20))
    result = found.looks.results["Early", "Plain"]
    assert result.state == "settled"
    assert result.low < 0 < result.high, "at the newest look it would not be settled"
    row = found.table.set_index("variety").loc["Early"]
    assert row["ratio_low"] > 1
    assert day(TWENTY[8]) <= row["as_of"] < day(TWENTY[-1])
    assert f"{figure(row['ratio'])} times{span(row['ratio_low'], row['ratio_high'])}" in (
        found.verdict.answer)
    now = figure(np.exp(result.estimate)) + " times" + span(*np.exp([result.low, result.high]))
    assert f"Later picks have brought the two closer: {now} now." in found.verdict.how_sure
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
    """The lines of two varieties in the first two tables of README.md."""
    text = (Path(__file__).parent / "README.md").read_text()
    rows = [[cell.strip() for cell in line.strip("| ").split("|")]
            for line in text.splitlines() if re.match(r"\| [34] \| 2 \| 0\.\d \|  \|", line)]
    null = [[float(cell.split()[0]) for cell in row[5:7]] for row in rows if len(row) == 8]
    real = [[float(row[6]), float(row[9])] for row in rows if len(row) == 12]
    assert (len(null), len(real)) == (6, 6)
    told = [looks_method.NAIVE, looks_method.FALSE, looks_method.PLANNED_SETTLES,
            looks_method.ANYTIME_SETTLES]
    for said, found in zip(told, [*zip(*null, strict=True), *zip(*real, strict=True)], strict=True):
        assert said == f"{min(found):.0f} to {max(found):.0f}"
