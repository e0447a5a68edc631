"""Gardens that agree, single rows beside replicated ones, chances, and a variety that gave
nothing: what is judged, by what, and what is said.

Reference values: reference/two_gardens.json, made by reference/make_two_gardens.R with lme4 (the
variance of variety x garden is zero) and emmeans (the plots of both gardens in one model).
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from season_trials import drawn, first

from trialkit.gardens.differences import (
    Differences,
    agreeing,
    at_least,
    chance_best,
    comparisons,
    fitted_differences,
    new_df,
)
from trialkit.gardens.season import combine, season
from trialkit.gardens.stage_two import OWN, PLACE, fit_stage_two, gather
from trialkit.report import season as cells
from trialkit.shipped import demo

R = json.loads((Path(__file__).parent / "reference" / "two_gardens.json").read_text())


def two_gardens():
    return [
        first(one["mean"], one["s2"] / 3 * np.eye(3), name=name, garden=name, df=one["df"],
              scale="linear")
        for name, one in R["gardens"].items()
    ]


def test_two_gardens_that_agree_are_judged_by_their_plots_as_r_judges_them():
    """R pools both gardens' plots into one error; here each keeps its own, which costs a little:
    no interval is narrower than nine tenths of R's or wider than half as much again."""
    assert R["variance"] == 0
    rows = gather(two_gardens())
    second, differences = fitted_differences(rows)
    assert second.terms[PLACE] == pytest.approx(0, abs=1e-6)
    told = comparisons(differences).set_index("variety")
    for contrast, estimate, low, high in zip(
            R["contrast"], R["estimate"], R["low"], R["high"], strict=True):
        row = told.loc[contrast.split(" - ")[0]]
        assert row["estimate"] == pytest.approx(estimate, abs=0.15)
        wider = (row["high"] - row["low"]) / (high - low)
        assert 0.9 < wider < 1.5
    assert 6 <= differences.df <= R["df"][0]


def test_the_weighted_mean_of_two_trials_is_meiers():
    """Meier (1953, Biometrics 9:59): var = (1 + 4 sum of w(1-w)/df) / W, df = 1 / sum of w^2/df,
    w the weights as shares of their sum W; here for the one difference of two varieties, its
    degrees of freedom in the trials 8 and 12."""
    known = [(0.02, 8.0), (0.05, 12.0)]
    trials = [first([0.0, 0.3 + 0.01 * i], v * np.eye(2), name=f"t{i}", garden=f"G{i}", df=df)
              for i, (v, df) in enumerate(known)]
    weight = np.array([1 / (2 * v) for v, _ in known])
    share, df = weight / weight.sum(), np.array([df for _, df in known])
    variance = (1 + 4 * (share * (1 - share) / df).sum()) / weight.sum()
    ours = agreeing(gather(trials), 5.0)
    both = np.array([-1.0, 1.0])
    assert both @ ours.covariance @ both == pytest.approx(variance)
    assert ours.df == pytest.approx(1 / (share**2 / df).sum())
    assert both @ ours.mean == pytest.approx(share @ [0.3, 0.31])
    assert agreeing(gather(trials), 1.0).df == 2, "one spare degree of freedom tells little"


def test_gardens_that_share_all_varieties_are_never_said_to_share_too_few():
    for seed in range(20):
        answer = combine(drawn(4, interaction=0.0, single=[2, 3], seed=seed))
        assert answer.supported, answer.why_not
        assert "too few" not in answer.answer


def test_single_rows_leave_interaction_to_interaction_unless_they_clearly_differ():
    """Drawn with interaction and rows no worse than plots: a variance of the rows' own may come
    up in about one of twenty.  Rows ten times as rough as plots are told apart."""
    own = sum(OWN in fit_stage_two(gather(drawn(6, single=[3, 4, 5], seed=s))).terms
              for s in range(40))
    assert own <= 6
    rough = drawn(8, interaction=0.0, plot=0.05, single=[4, 5, 6, 7], seed=1)
    rng = np.random.default_rng(1)
    rough = [one if one.replicated else
             first(one.estimates + rng.normal(0, 0.5, 4), None, name=one.folder,
                   garden=one.garden) for one in rough]
    assert OWN in fit_stage_two(gather(rough)).terms


def test_another_garden_is_never_reckoned_to_differ_by_nothing():
    assert at_least(0.0, 0.04, 8.0) == pytest.approx(0.04 * 0.5)
    assert at_least(0.3, 0.04, 8.0) == 0.3
    rows = gather(drawn(4, interaction=0.0, seed=2))
    second, differences = fitted_differences(rows)
    df = new_df(differences, 0.0, second.error, 4, second.df)
    assert np.nanmax(df) <= second.df


def test_no_chance_of_being_best_where_nothing_is_settled():
    seen = set()
    for seed in range(12):
        answer = combine(drawn(5, effects=[0, 0.15, 0.2], seed=seed))
        settled = answer.state == "settled"
        assert answer.overall["best"].notna().all() == settled
        assert answer.overall["best_here"].notna().all() == settled
        assert ("chance" in answer.answer.split(".")[-2]) == settled
        seen.add(settled)
    assert seen == {True, False}


def test_a_chance_is_drawn_in_where_varieties_hardly_differ():
    """Eight varieties that differ no more than their errors do: the luckiest is not said to be
    best as often as its lead alone would have it. A lead far beyond the errors stays."""
    mean = np.array([0.30, 0.1, 0.05, 0.0, -0.05, -0.1, -0.1, -0.2])
    error = 0.02 * (np.eye(8) - 1 / 8)
    names = tuple("ABCDEFGH")
    close = Differences(names, mean, error, None, np.full(8, 20.0), 20.0)
    own = np.random.default_rng(1).multivariate_normal(mean, error, 20_000)
    by_lead = float((own.argmax(axis=1) == 0).mean())
    said = chance_best(close, 0.0, 20.0, 20)
    assert said.sum() == pytest.approx(1.0)
    assert by_lead > 0.7
    assert said[0] < by_lead - 0.1
    assert chance_best(close, 0.0, 20.0, 20, less=True).argmax() == 7
    far = replace(close, mean=mean * 20)
    assert chance_best(far, 0.0, 20.0, 20)[0] > 0.99
    assert chance_best(far, 4.0, 20.0, 20)[0] < 0.97, "another garden may differ"


def test_a_garden_where_a_variety_gave_nothing_stands_in_the_answer():
    good = [first([0.0, 0.2, 0.9], 0.002 * np.eye(3), name=f"t{i}", garden=f"G{i}")
            for i in range(3)]
    bare = first([0.0, 0.25], 0.002 * np.eye(2), name="bare", garden="Dry", barren=("V2",))
    assert combine(good).state == "settled"
    answer = combine([*good, bare])
    assert "V2 gave nothing at all in Dry, 2025" in answer.answer
    assert not any("nothing at all" in line for line in answer.cannot_tell)
    assert answer.state == "open", "what failed in one garden has not won"
    row = answer.overall.set_index("variety").loc["V2"]
    assert row[["new_low", "new_high"]].isna().all()
    assert answer.overall["best"].isna().all()


def test_one_trial_has_one_answer_and_it_is_its_reports():
    from trialkit.decide import conclude
    from trialkit.records import read_records

    folder = demo()
    own = conclude(read_records(folder))
    answer = season([folder])
    assert answer.answer == own.verdict.answer
    assert answer.how_sure == own.verdict.how_sure
    assert answer.next_step == own.verdict.next_step
    assert answer.state == own.verdict.state
    assert set(own.cannot_tell) <= set(answer.cannot_tell)
    table = answer.overall.set_index("variety")
    for row in own.table.itertuples():
        if not row.check:
            ours = table.loc[row.variety]
            assert (ours["estimate"], ours["low"], ours["high"]) == pytest.approx(
                (row.ratio, row.ratio_low, row.ratio_high), nan_ok=True)
    assert answer.overall[["best", "best_here"]].isna().all(axis=None)
    # ... and where every other folder gave nothing.
    assert season([folder, folder / "nowhere"]).answer == own.verdict.answer


@pytest.mark.slow
@pytest.mark.parametrize(("gardens", "single", "interaction"), [
    (2, (), 0.0), (2, (), 0.2), (6, (3, 4, 5), 0.0), (6, (3, 4, 5), 0.2)])
def test_intervals_hold_all_differences_at_once(gardens, single, interaction):
    """300 seasons: in 95 % less three standard errors of 300, or more."""
    effects, hits, runs = [0, 0.2, 0.4], 0, 300
    for s in range(runs):
        rows = gather(drawn(gardens, effects=effects, interaction=interaction,
                            single=list(single), seed=70_000 + s))
        told = comparisons(fitted_differences(rows)[1])
        told = told[told["variety"] != "V0"]
        truth = np.array([effects[int(name[1:])] for name in told["variety"]])
        hits += bool(((told["low"] < truth) & (truth < told["high"])).all())
    print(f"{gardens} gardens, single {list(single)}, sd {interaction}: {hits / runs:.3f}")
    assert hits / runs >= 0.95 - 3 * float(stats.binom.std(runs, 0.95)) / runs


@pytest.mark.slow
def test_chances_of_being_best_come_true_as_often_as_said():
    """500 seasons of varieties drawn with any of four spreads: of the chances said of varieties in
    settled seasons, by bins, as many come true, within three standard errors of each bin."""
    rng = np.random.default_rng(5)
    said: dict[str, list[tuple[float, bool]]] = {"best_here": [], "best": []}
    for _ in range(500):
        spread, own = rng.choice([0.05, 0.1, 0.2, 0.4]), rng.choice([0.0, 0.1, 0.2, 0.3])
        effects = rng.normal(0, spread, int(rng.integers(3, 8)))
        answer = combine(drawn(int(rng.integers(3, 9)), effects=effects, interaction=own,
                               seed=int(rng.integers(1e9))))
        there = effects + rng.normal(0, own, len(effects))
        for row in answer.overall.itertuples():
            at = int(row.variety[1:])
            if np.isfinite(row.best):
                said["best_here"].append((row.best_here, at == effects.argmax()))
                said["best"].append((row.best, at == there.argmax()))
    for name, pairs in said.items():
        chance, came = np.array(pairs).T
        for low, high in ((0, 0.1), (0.1, 0.4), (0.4, 0.7), (0.7, 0.9), (0.9, 1.01)):
            some = (chance >= low) & (chance < high)
            expected, error = chance[some].mean(), np.sqrt(0.25 / some.sum())
            print(f"{name}, {low:g} to {high:g}: {expected:.2f} said, "
                  f"{came[some].mean():.2f} came, {some.sum()}")
            assert abs(came[some].mean() - expected) < 3 * error


def test_a_variety_that_gave_nothing_anywhere_has_no_figure_from_elsewhere():
    pairs = [first([0.0, 0.4], 0.002 * np.eye(2), name=f"t{i}", garden=f"G{i}", barren=("V2",))
             for i in range(3)]
    said = combine(pairs)
    assert "V2 gave nothing at all in any garden" in said.answer
    assert "comes from the other gardens" not in said.answer
    assert said.next_step.startswith("Grow V1 beside V0 again") or said.check is None


def test_a_garden_still_picking_is_said_to_be_so():
    pairs = [first([0.0, 0.4], 0.002 * np.eye(2), name=f"t{i}", garden=f"G{i}") for i in range(3)]
    assert "Not final" not in combine(pairs).how_sure
    pairs[1] = replace(pairs[1], going_on=True)
    assert "Not final: in G1 the season is not over" in combine(pairs).how_sure
    # A note in the same words is none of the trial's own saying: it is a fact of the trial.
    noted = replace(pairs[0], notes=("its season is not over",))
    assert "Not final" not in combine([noted, pairs[2]]).how_sure
    home = [replace(pairs[1], garden="G1", place="g1", year=year) for year in (2025, 2026)]
    assert "Not final: in G1 2025 and G1 2026" in combine([*home, pairs[0]]).how_sure


def test_two_trials_of_one_garden_and_year_are_told_apart_by_title():
    """By their folders where the titles are the same; the garden stays one garden."""
    def two(*titles):
        return [first([0.0, 0.4], 0.002 * np.eye(2), name=f"t{i}", garden="Home", title=title)
                for i, title in enumerate(titles)]

    said = combine(two("Upper bed", "Lower bed"))
    assert list(said.shared["garden"]) == ["Home (Upper bed)", "Home (Lower bed)"]
    assert set(said.by_garden["garden"]) == {"Home (Upper bed)", "Home (Lower bed)"}
    assert said.overall["gardens"].eq(1).all()
    assert list(combine(two("Beans", "Beans")).shared["garden"]) == ["Home (t0)", "Home (t1)"]
    assert set(combine(two("Beans")).by_garden["garden"]) <= {"Home"}


@pytest.mark.parametrize(("bare", "told"), [
    ("V2", "Both trials grew the same 3 varieties. V2 gave nothing; the other two are compared "
           "directly in every trial."),
    ("", "Both trials grew the same 2 varieties, so that every two are compared directly in every "
         "trial."),
    ("V3", "In both trials the same 2 varieties gave something, so that every two of them are "
           "compared directly in every trial.")])  # fmt: skip
def test_a_variety_that_gave_nothing_was_grown_all_the_same(bare, told):
    grown = {"V2": ("V2", "V2"), "": ("", ""), "V3": ("V2", "V3")}[bare]
    pairs = [first([0.0, 0.4], 0.002 * np.eye(2), name=f"t{i}", garden=f"G{i}",
                   barren=tuple(filter(None, [grown[i]]))) for i in range(2)]
    assert cells.shared(cells.OpenSeason(combine(pairs), None)).plain.strip() == told


@pytest.mark.parametrize(("scale", "lead", "told"), [
    ("log", 0.02, "gave 1.0 times"), ("log", -0.03, "gave 0.97 times"), ("log", 0.3, "leads with"),
    ("log", -0.3, "no variety gave more"), ("linear", 0.01, "gave 0.0"),
    ("linear", 0.3, "leads with")])  # fmt: skip
def test_next_to_no_lead_over_several_gardens_is_no_lead(scale, lead, told):
    pairs = [first([2.0, 2.0 + lead], 0.09 * np.eye(2), name=f"t{i}", garden=f"G{i}", scale=scale)
             for i in range(3)]
    said = combine(pairs)
    assert told in said.answer
    assert ("too close to call" in said.answer) == ("gave" in told and "no variety" not in told)
    assert "degrees of freedom" not in said.answer + said.how_sure
