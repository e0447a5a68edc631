"""A trait of one's own as the trial's question: the answer, its direction, and what is compared."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.decide import conclude
from trialkit.gardens.stage_one import trial_means
from trialkit.report.answer import day_of, leader, other_figures, varieties
from trialkit.report.figures import compared_rows
from trialkit.report.opentrial import OpenTrial
from trialkit.trial import OwnTrait, TrialProblems, parse_trial
from trialkit.wording import figure, times

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))

from seasons import bed, day, picked, records  # noqa: E402

SCORE = OwnTrait("mildew", "score", words=("none", "some", "much"), low=1, high=3, better="less")


def asking(trait, value, days=(60,), *, plants=None, check="A", **changes):
    """A trial that asks for `trait`; value(variety, lots): what a plant has on a day."""
    plants = bed("ABC", blocks=6, plants=4) if plants is None else plants
    lots = np.random.default_rng(4)
    rows = [(day(d), plant, None, trait.name, str(value(variety, lots))) for d in days
            for plant, variety in zip(plants["plant"], plants["variety"], strict=True)]
    found = records(plants, check=check, **changes)
    return replace(
        found, traits=pd.DataFrame(rows, columns=["date", "plant", "plot", "trait", "value"]),
        trial=replace(found.trial, traits=(trait,), question=trait.name))


def scored(variety, lots):
    share = {"A": 0.7, "B": 0.1, "C": 0.65}[variety]
    return ("none", "some", "much")[int(lots.binomial(2, share))]


def front(found):
    trial = OpenTrial(found, None)
    return leader(trial)[0], trial.conclusion.verdict, trial


def test_a_score_of_which_less_is_better():
    leads, verdict, trial = front(asking(SCORE, scored, days=(50, 60, 70)))
    table = trial.conclusion.table
    assert (leads, verdict.mark, verdict.pair) == ("B beat the check", "Firm", ("B", "A"))
    means = trial.conclusion.analysis.own["mildew"].means.set_index("variety")["estimate"]
    assert list(table["variety"]) == list(means.sort_values().index)
    assert list(compared_rows(trial)[0]["variety"]) == list(table["variety"])
    assert verdict.sentence == (
        f"Mildew, mean score up to 2 August, less is better: B at {means['B']:.1f} and A, your "
        f"check, at {means['A']:.1f}.")
    assert verdict.how_sure.startswith("Mildew was scored lower for B than for A, on ")
    assert ". That is more than luck would give. It allows for every" in verdict.how_sure
    assert "odds" not in verdict.how_sure
    assert "range" not in verdict.how_sure
    assert "recorded on 3 days. Each variety's average over all of them is compared" in (
        verdict.how_sure)
    assert "one look" in verdict.how_sure
    assert "Scores go from 1 (none) to 3 (much)." in verdict.how_sure


def test_the_odds_of_a_score_are_in_the_table_and_in_no_sentence():
    found = conclude(asking(SCORE, scored))
    odds = found.analysis.own["mildew"].against_check.set_index("variety")["estimate"]["B"]
    assert found.ratio_is == "odds"
    assert found.table.set_index("variety").loc["B", "ratio"] == pytest.approx(odds)
    assert odds < 1
    said = f"{found.verdict.answer} {found.verdict.how_sure}"
    assert times(odds) not in said
    assert times(1 / odds) not in said
    assert "one look" not in found.verdict.how_sure  # recorded on one day


@pytest.mark.parametrize(("better", "first"), [("more", "B"), ("less", "C")])
def test_a_measure_either_way(better, first):
    trait = OwnTrait("stem", "measure", unit="cm", better=better)
    mean = {"A": 40.0, "B": 55.0, "C": 30.0}
    found = asking(trait, lambda v, lots: round(mean[v] + lots.normal(0, 2), 1))
    leads, verdict, trial = front(found)
    assert leads == f"{first} beat the check"
    assert verdict.answer.startswith(f"Stem, {better} is better: {first} at ")
    assert f" cm {better} (likely range " in verdict.how_sure
    assert list(trial.conclusion.table["variety"]) == sorted(
        mean, key=mean.__getitem__, reverse=better == "more")
    own = trial.conclusion.analysis.own["stem"]
    shown = trial.conclusion.table.set_index("variety")["gave"]
    assert shown.to_dict() == pytest.approx(own.means.set_index("variety")["estimate"].to_dict())
    # The gardener's own unit, whatever heights are in.
    inches = OpenTrial(replace(found, trial=replace(found.trial, height_unit="in")), None)
    assert compared_rows(inches)[0]["estimate"].max() == pytest.approx(shown.max())


def test_a_count():
    trait = OwnTrait("insects", "count", better="less")
    rate = {"A": 9.0, "B": 2.5, "C": 9.0}
    leads, verdict, trial = front(asking(trait, lambda v, lots: lots.poisson(rate[v])))
    assert leads == "B beat the check"
    ratio = trial.conclusion.table.set_index("variety").loc["B", "ratio"]
    assert ratio < 0.5
    assert f"B had {ratio:.2f} times" in verdict.how_sure
    assert "what A had" in verdict.how_sure


@pytest.mark.parametrize("kind", ["yes or no", "share"])
def test_yes_or_no_and_shares_are_compared_as_odds(kind):
    trait = OwnTrait("split", kind, better="less")
    share = {"A": 0.75, "B": 0.1, "C": 0.75}

    def value(variety, lots):
        if kind == "share":
            return f"{lots.binomial(20, share[variety])}/20"
        return "yes" if lots.random() < share[variety] else "no"

    leads, verdict, trial = front(asking(trait, value))
    assert leads == "B beat the check"
    means = trial.conclusion.analysis.own["split"].means.set_index("variety")["estimate"]
    assert f"B at {figure(means['B'])} %" in verdict.sentence
    assert verdict.how_sure.startswith(
        "Split was seen less often in B than in A, on " if kind == "yes or no" else
        "The share of split was lower for B than for A, on ")
    assert "odds" not in verdict.how_sure


@pytest.mark.parametrize(("better", "first", "word"), [("less", "B", "earlier"),
                                                       ("more", "C", "later")])
def test_a_day_is_told_as_a_date(better, first, word):
    trait = OwnTrait("first bloom", "day", better=better)
    plants = bed("ABC", blocks=5, plants=2)
    lots = np.random.default_rng(2)
    bloom = {p: {"A": 50, "B": 42, "C": 58}[v] + int(lots.integers(0, 3))
             for p, v in zip(plants["plant"], plants["variety"], strict=True)}
    found = asking(trait, lambda v, lots: "yes", plants=plants)
    found = replace(found, traits=found.traits.assign(date=[day(bloom[p]) for p in bloom]))
    leads, verdict, _ = front(found)
    assert leads == f"{first} beat the check"
    assert verdict.answer.startswith(f"First bloom, {word} is better: {first} on ")
    assert f"days {word} (likely range " in verdict.how_sure
    assert "The day it was first seen on each plant is compared." in verdict.how_sure


def test_what_could_be_luck_is_too_close_to_call():
    trait = OwnTrait("stem", "measure", unit="mm", better="more")
    leads, verdict, _ = front(asking(trait, lambda v, lots: round(lots.normal(40, 15), 1)))
    assert (leads, verdict.mark) == ("Too close to call", "Too close")
    assert verdict.sentence.endswith(": too close to call.")


def test_a_gap_too_small_to_matter():
    trait = OwnTrait("stem", "measure", unit="mm", better="more")
    leads, verdict, _ = front(asking(trait, lambda v, lots: round(lots.normal(100, 3), 1)))
    assert (leads, verdict.mark) == ("Too close to matter", "Level")
    assert "mm counts as too small to matter" in verdict.how_sure


def test_odds_are_never_called_too_small_to_matter():
    trait = OwnTrait("split", "share", better="less")
    _, verdict, _ = front(asking(trait, lambda v, lots: f"{lots.binomial(4000, 0.5)}/4000"))
    assert verdict.mark == "Too close"


def test_of_a_trait_seen_once_the_last_value_is_compared():
    trait = OwnTrait("stem", "measure", unit="mm", better="more", when="once")
    _, verdict, _ = front(asking(trait, lambda v, lots: round(lots.normal(40, 15), 1), (50, 60)))
    assert "recorded more than once the last value is compared" in verdict.how_sure
    assert verdict.answer.startswith("Stem, more is better: ")


def test_a_layout_without_comparisons_is_described():
    plants = bed("ABC", blocks=1, plants=6)
    _, verdict, _ = front(asking(SCORE, scored, plants=plants))
    assert (verdict.state, verdict.mark) == ("description only", "No comparison")
    assert "soil or light may explain that" in verdict.sentence
    assert "times" not in verdict.answer + verdict.how_sure


def test_records_that_carry_no_comparison_are_described_without_blaming_the_soil():
    trait = OwnTrait("insects", "count", better="less")
    leads, verdict, _ = front(asking(
        trait, lambda v, lots: 0 if v == "B" else 1 + lots.poisson(3)))
    assert (leads, verdict.mark) == ("Not comparable yet", "No comparison")
    assert verdict.answer.startswith("Insects, less is better: B at 0 and ")
    assert "B had no insects: no ratio can be worked out" in verdict.answer
    assert "soil" not in verdict.answer


def test_nothing_recorded_yet_says_what_to_write_down():
    found = asking(SCORE, scored)
    leads, verdict, _ = front(replace(found, traits=found.traits.iloc[:0]))
    assert (leads, verdict.mark, verdict.state) == (
        "Nothing to compare yet", "Too soon", "nothing yet")
    assert verdict.sentence == "No mildew is recorded yet."
    assert "traits.csv" in verdict.next_step
    assert compared_rows(OpenTrial(replace(found, traits=found.traits.iloc[:0]), None)) is None


def test_days_not_seen_yet_are_compared_by_the_middle_plant_of_each_plot():
    trait = OwnTrait("first bloom", "day", better="less")
    plants = bed("ABC", blocks=5, plants=3)
    found = asking(trait, lambda v, lots: "yes", plants=plants)
    lots = np.random.default_rng(2)
    late = {"A": 50, "B": 42, "C": 58}
    bloom = [day(late[v] + int(lots.integers(0, 3))) for v in plants["variety"]]
    traits = found.traits.assign(date=bloom)
    traits.loc[0, ["date", "value"]] = day(65), "no"
    _, verdict, _ = front(replace(found, traits=traits))
    assert verdict.pair == ("B", "A")
    assert "The day by which half of each plot's plants had it is compared" in verdict.how_sure


def test_without_a_check_the_two_that_come_first():
    _, verdict, _ = front(asking(SCORE, scored, check=None))
    assert verdict.pair[0] == "B"
    assert "beside the check" not in verdict.next_step


@pytest.mark.slow
def test_picks_stay_beside_it_and_claim_nothing_of_it():
    plants = bed("ABC", blocks=6, plants=4)
    picks = picked(plants, {"A": 1.0, "B": 0.4, "C": 1.0}, [40, 44, 48, 52], plot_sd=0.05)
    found = asking(SCORE, scored, plants=plants, picks=picks, looks=4)
    leads, verdict, trial = front(found)
    assert leads == "B beat the check"
    assert trial.conclusion.looks is None
    yields = trial.conclusion.of_yield
    assert yields.verdict.answer == conclude(
        replace(found, trial=replace(found.trial, question="yield"))).verdict.answer
    assert not any("gave" in line or "firm" in line for line in trial.conclusion.since_last)
    heads, first, *_ = varieties(trial).plain.splitlines()
    asked = heads.index("Mildew (less is better), mean score")
    assert asked < heads.index("Against the check") < heads.index(
        "Pods per plant planted") < heads.index("That, times the check")
    assert first.startswith("B  ")
    assert "scored lower" in first
    assert "Mildew" not in other_figures(trial).plain  # in the table above already
    assert day_of(trial) == "23 July 2025"


def test_a_season_of_yields_tells_the_yield_of_a_trial_that_asked_otherwise(tmp_path):
    (tmp_path / "trial.toml").write_text(TOML.replace("[[varieties]]", QUESTION, 1))
    rows = [f"{v}{b},{v},{b},{v}{b}" for b in range(1, 5) for v in "AB"]
    (tmp_path / "plants.csv").write_text("plant,variety,block,plot\n" + "\n".join(rows))
    lines = [f"2026-07-0{d},{v}{b},{4 + b % 2 + 3 * (v == 'B')}" for d in (1, 4, 8)
             for b in range(1, 5) for v in "AB"]
    (tmp_path / "picks.csv").write_text("date,plant,count\n" + "\n".join(lines))
    told = trial_means(tmp_path, trait="yield")
    assert told.question == "mildew"
    assert "pods per plant planted" in told.own.answer


# -- trial.toml -----------------------------------------------------------------------------

TOML = """title = "T"
crop = "bean"
planted = 2026-05-24
[[varieties]]
name = "A"
check = true
[[varieties]]
name = "B"
[[traits]]
name = "mildew"
kind = "count"
better = "less"
[[traits]]
name = "colour"
kind = "count"
"""
QUESTION = 'question = "Mildew"\n[[varieties]]'


def with_question(said):
    return TOML.replace("planted", f'question = "{said}"\nplanted')


def test_a_declared_trait_is_a_question_however_it_is_spelled():
    trial = parse_trial(with_question("Mildew"))
    assert (trial.question, trial.asked_trait.name) == ("mildew", "mildew")
    assert parse_trial(TOML).asked_trait is None
    assert trial.planted == date(2026, 5, 24)


def test_an_unknown_question_names_the_traits_there_are():
    with pytest.raises(TrialProblems) as error:
        parse_trial(with_question("taste"))
    problem = error.value.problems.iloc[0]
    assert (problem["line"], problem["column"], problem["value"]) == (3, "question", "taste")
    assert problem["accepted"] == '"yield", "within reach", "early", "mildew", "colour"'


def test_a_trait_that_says_no_better_end_is_no_question_yet():
    with pytest.raises(TrialProblems) as error:
        parse_trial(with_question("colour"))
    problem = error.value.problems.iloc[0]
    assert "does not say which end is better" in problem["problem"]
    assert 'better = "more"' in problem["accepted"]
