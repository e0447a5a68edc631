"""Stage 2 on trials drawn from known truth: what it says, and what it refuses to say."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats
from season_trials import drawn, first

from trialkit.gardens.differences import Differences, chance_best
from trialkit.gardens.interaction import REVERSED, additive, own_variances
from trialkit.gardens.season import combine
from trialkit.gardens.stage_two import (
    fit_stage_two,
    gather,
    single_plot_variance,
    stage_one_covariance,
)

ENDS = ["low", "high", "new_low", "new_high"]


def test_one_garden_gives_its_own_interval_and_says_what_it_cannot():
    one = drawn(1)[0]
    answer = combine([one])
    assert answer.supported
    assert not answer.new_supported
    assert answer.overall[["new_low", "new_high", "best"]].isna().all(axis=None)
    row = answer.overall.set_index("variety").loc["V3"]
    se = np.sqrt(2 * (one.covariance[0, 0] - one.covariance[0, 1]))
    # Dunnett's factor for 3 comparisons on 6 df, 5 % two-sided: 3.10 (Dunnett 1964, Biometrics
    # 20:482, table; as in any textbook of designs, to its two decimals).
    assert np.log(row["high"] / row["estimate"]) == pytest.approx(3.10 * se, rel=5e-3)
    assert "one garden" in answer.answer
    assert "another may differ by any amount" in answer.answer
    assert any("2025" in line for line in answer.cannot_tell)


def test_one_garden_with_one_row_of_each_has_no_interval_at_all():
    answer = combine(drawn(1, single=[0]))
    assert answer.state == "description only"
    assert not answer.supported
    assert answer.overall.loc[~answer.overall["check"], ENDS].isna().all(axis=None)
    assert answer.overall[["best", "best_here"]].isna().all(axis=None)
    assert "No likely range can be given" in answer.answer


def test_two_gardens_give_an_interval_but_none_for_a_third():
    answer = combine(drawn(2))
    assert answer.supported
    assert not answer.new_supported
    assert answer.overall[["new_low", "new_high", "best"]].isna().all(axis=None)
    assert "2 gardens are too few" in answer.answer


def test_gardens_with_one_row_each_are_the_blocks_of_one_trial():
    """The two-way analysis of variance by hand: blocks are the gardens (Fisher 1935, The Design
    of Experiments, ch. 4)."""
    trials = drawn(6, single=range(6), seed=4)
    answer = combine(trials)
    y = np.array([one.estimates for one in trials])
    left = y - y.mean(axis=0) - y.mean(axis=1, keepdims=True) + y.mean()
    square = (left**2).sum() / 15
    row = answer.overall.set_index("variety").loc["V3"]
    assert answer.variances["variety x garden"] ** 2 == pytest.approx(square)
    assert np.log(row["estimate"]) == pytest.approx(y[:, 3].mean() - y[:, 0].mean())
    t = np.log(row["estimate"]) / np.sqrt(2 * square / 6)
    assert row["df"] == pytest.approx(15)
    plain = 2 * stats.t.sf(t, 15)
    assert plain < row["p"] < 3 * plain  # Dunnett's lies between one comparison's and Bonferroni's
    assert "one block" in answer.how_sure
    assert "one row of each" in answer.answer.lower()


def test_single_rows_carry_the_plot_error_the_other_gardens_measured():
    trials = drawn(6, single=[4, 5], seed=2)
    rows = gather(trials)
    plots = [3 * (t.covariance[0, 0] - t.covariance[0, 1]) for t in trials[:4]]
    assert single_plot_variance(rows) == pytest.approx(np.median(plots))
    v = stage_one_covariance(rows).toarray()
    assert v[-1, -1] == pytest.approx(np.median(plots))
    assert v[-1, -2] == 0
    assert v[:4, :4] == pytest.approx(trials[0].covariance)
    assert set(fit_stage_two(rows).terms) == {"variety x garden"}
    answer = combine(trials)
    assert answer.supported
    assert "2 of the 6 trials can't tell variety from place" in answer.how_sure


def test_single_rows_that_share_too_little_are_set_aside_and_named():
    trials = [*drawn(1), first([1.0, 2.0], None, name="other", garden="B",
                               varieties=["V0", "New"])]
    answer = combine(trials)
    assert [one.folder for one in answer.aside] == ["other"]
    assert answer.supported
    assert len(answer.trials) == 1


def test_varieties_no_garden_links_are_not_compared():
    near = drawn(3, seed=1)
    far = [first([0.1, 0.4], 0.01 * np.eye(2), name=f"far{i}", garden=f"Far {i}",
                 varieties=["A", "B"], check=None) for i in range(3)]
    answer = combine([*near, *far])
    assert answer.groups == (("V0", "V1", "V2", "V3"), ("A", "B"))
    apart = answer.overall[answer.overall["group"] == 1]
    assert set(apart["variety"]) == {"A", "B"}
    assert apart[["estimate", *ENDS, "p", "best"]].isna().all(axis=None)
    said = next(line for line in answer.cannot_tell if "A and B" in line)
    assert "no garden links them" in said
    # A third variety in common links them.
    linked = [*near, *far, first([0.0, 0.5], 0.01 * np.eye(2), name="link", garden="Link",
                                 varieties=["V1", "A"], check=None)]
    assert len(combine(linked).groups) == 1


def test_a_turned_order_is_named_only_where_intervals_bear_it_out():
    error = 0.003 * np.eye(2)
    trials = [first([0.0, 0.8], error, name=f"t{i}", garden=f"G{i}") for i in range(4)]
    turned = first([0.0, -0.8], error, name="south", garden="South")
    by_chance = first([0.0, -0.05], error, name="east", garden="East")
    answer = combine([*trials, turned, by_chance])
    flips = answer.flips.set_index("trial")
    assert flips.loc["south", "supported"]
    assert flips.loc["south", "words"] == REVERSED
    assert not flips.loc["east", "supported"]
    assert flips.loc["east", "words"] != REVERSED
    assert flips.loc["east", "chance"] < 0.9 < flips.loc["south", "chance"]
    assert set(flips.index) == {"south", "east"}
    single = combine([*trials, first([0.0, -0.8], None, name="south", garden="South")])
    assert not single.flips["supported"].any()


@pytest.mark.slow
def test_noise_alone_hardly_ever_names_a_turned_order():
    named = sum(
        combine(drawn(5, effects=[0, 0, 0], interaction=0.0, seed=s)).flips["supported"].any()
        for s in range(24)
    )
    assert named <= 2


def test_chances_are_those_of_true_effects_with_an_unknown_spread():
    """Two varieties, errors known: the posterior written out for one difference d of variance s^2,
    its prior normal with variance t^2, integrated over t. Three alike: a third each."""
    variance, lead = 0.04, 0.2
    nan = np.full(3, np.nan)
    two = Differences(("a", "b"), np.array([lead, -lead]) / 2, variance * (np.eye(2) - 0.5), None,
                      nan, np.inf)
    error, seen = variance, lead / 2**0.5  # along the one axis of two deviations

    def weight(spread: float) -> float:
        return float(stats.norm.pdf(seen, 0, (error + spread**2) ** 0.5)
                     / (1 + spread / error**0.5))

    def ahead(spread: float, more: float = 0.0) -> float:
        share = spread**2 / (spread**2 + error)
        return weight(spread) * float(stats.norm.cdf(
            share * seen / max(share * error + more, 1e-300) ** 0.5))

    whole = integrate.quad(weight, 0, 4, limit=200)[0]
    want = integrate.quad(ahead, 0, 4, limit=200)[0] / whole
    assert chance_best(two, 0.0, np.inf, 1)[0] == pytest.approx(want, abs=0.012)
    there = integrate.quad(lambda t: ahead(t, 0.1), 0, 4, limit=200)[0] / whole
    assert chance_best(two, 0.1, np.inf, 1)[0] == pytest.approx(there, abs=0.012)
    alike = Differences(
        ("a", "b", "c"), np.zeros(3), variance * (np.eye(3) - 1 / 3), None, nan, 5.0
    )
    assert chance_best(alike, 0.0, 5.0, 1) == pytest.approx([1 / 3] * 3, abs=0.012)


def test_a_new_garden_is_less_certain_than_the_average_of_gardens():
    answer = combine(drawn(8, seed=5))
    rows = answer.overall[~answer.overall["check"]]
    assert (rows["new_low"] < rows["low"]).all()
    assert (rows["new_high"] > rows["high"]).all()
    assert answer.overall["best"].max() < answer.overall["best_here"].max()
    assert answer.overall["best"].sum() == pytest.approx(1)


def test_own_variances_in_an_incomplete_table_are_minque_written_out():
    rows = gather(drawn(7, drop=0.3, seed=6))
    fit = additive(rows.table, rows.main)
    y = rows.table["y"].to_numpy()
    x = np.hstack([pd.get_dummies(rows.table[c]).to_numpy(float) for c in ("variety", "at")])
    m = np.eye(len(y)) - x @ np.linalg.pinv(x)
    e, v = m @ y, len(rows.main)
    expected = np.array([[(m[np.ix_(fit.code == i, fit.code == k)] ** 2).sum()
                          for k in range(v)] for i in range(v)])
    want = np.linalg.solve(expected, np.bincount(fit.code, e**2))
    assert own_variances(fit) == pytest.approx(want, abs=1e-9)


def test_other_crops_units_and_traits_are_set_aside_with_the_reason():
    trials = drawn(2)
    roots = first([100.0, 120.0], np.eye(2), name="roots", scale="linear", crop="carrot")
    dug = first([100.0, 120.0], np.eye(2), name="dug", scale="linear")
    answer = combine([*trials, roots, dug])
    reasons = {one.folder: one.reason for one in answer.aside}
    assert "its crop is carrot" in reasons["roots"]
    assert "weight harvested" in reasons["dug"]


def test_one_variety_in_two_spellings_is_one_and_the_report_says_so():
    a = first([0.0, 0.3], 0.01 * np.eye(2), name="a", garden="A", varieties=["V0", "Long Pod"])
    b = first([0.0, 0.4], 0.01 * np.eye(2), name="b", garden="B", varieties=["V0", "long  pod"])
    answer = combine([a, b])
    assert len(answer.overall) == 2
    assert any("one variety" in note for note in answer.notes)


def test_the_same_records_twice_are_pointed_out():
    one = drawn(1)[0]
    answer = combine([one, one, drawn(2)[1]])
    assert any("same records" in note for note in answer.notes)
    assert len(answer.levels["trial"].unique()) == 3


def test_nothing_at_all_and_one_variety_are_answers_too():
    assert combine([]).state == "nothing"
    alone = combine([first([1.0], None, varieties=["V0"])])
    assert not alone.supported
    assert "nothing to compare" in alone.answer


@pytest.mark.parametrize("seed", range(12))
def test_whatever_trials_are_thrown_together_nothing_is_claimed_without_an_error(seed):
    """Varieties missing at random, gardens and years as they come, some with repeats."""
    rng = np.random.default_rng(seed)
    trials = []
    for t in range(rng.integers(1, 7)):
        grown = [i for i in range(4) if rng.random() < 0.7] or [0]
        m = len(grown)
        root = rng.normal(0, 0.1, (m, m))
        known = root @ root.T + 0.01 * np.eye(m) if rng.random() < 0.5 and m > 1 else None
        trials.append(first(
            rng.normal(0, 0.3, m), known, name=f"t{t}", garden=f"G{rng.integers(3)}",
            year=int(2020 + rng.integers(3)), varieties=[f"V{i}" for i in grown],
            df=float(rng.integers(1, 9)), check="V0" if rng.random() < 0.6 else None,
            scale="log" if seed % 2 else "linear"))
    answer = combine(trials)
    rows = answer.overall
    others = rows[(rows["group"] == 0) & ~rows["check"]]
    judged = np.isfinite(others["df"])
    assert judged.any() == answer.supported
    assert (others["df"].dropna() >= 1).all()
    assert (np.isfinite(others["low"]) == judged).all()
    assert (np.isfinite(others["new_low"]) == (judged & answer.new_supported)).all()
    assert others["best_here"].notna().all() == (answer.state == "settled")
    assert rows.loc[rows["group"] > 0, ["estimate", *ENDS, "best", "best_here"]].isna().all(
        axis=None)
    said = " ".join([answer.answer, answer.how_sure, answer.next_step, *answer.cannot_tell])
    assert "nan" not in said.split()


def test_a_garden_seen_twice_and_a_second_year_are_told_apart_only_with_enough_to_go_by():
    """Two gardens and years in a jumble: what rests on one degree of freedom is left
    out and named; a balanced set keeps all three variances."""
    balanced = drawn(8, places=[0, 1, 2, 3] * 2, years=[2024] * 4 + [2025] * 4, seed=1)
    assert set(combine(balanced).variances) == {
        "variety x trial", "variety x garden", "variety x year"}
    few = drawn(3, effects=[0, 0.3], places=[0, 0, 1], years=[2024, 2025, 2024], seed=2)
    answer = combine(few)
    assert set(answer.variances) == {"variety x trial"}
    assert any("year to year" in line for line in answer.cannot_tell)
    assert "too little to tell it from the other terms" in answer.method.full


def test_the_same_trials_give_the_same_answer_and_it_pickles():
    a, b = (combine(drawn(5, drop=0.3)) for _ in range(2))
    assert a.overall.equals(b.overall)
    assert a.answer == b.answer
    assert pickle.loads(pickle.dumps(a)).overall.equals(a.overall)


def test_two_hundred_and_fifty_gardens_take_a_random_level_and_agree_with_fixed_ones(monkeypatch):
    from trialkit.gardens import stage_two

    trials = drawn(250, drop=0.2, seed=8)
    many = combine(trials)
    monkeypatch.setattr(stage_two, "MANY", 1000)
    fixed = combine(trials)
    assert "level of a trial" in many.variances
    assert "level of a trial" not in fixed.variances
    assert many.overall["estimate"].to_numpy() == pytest.approx(
        fixed.overall["estimate"].to_numpy(), rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gardens", "single"), [(6, ()), (6, (2, 4)), (6, tuple(range(6))), (3, ())]
)
def test_intervals_hold_the_truth_as_often_as_they_say(gardens, single):
    """600 seasons, 4 varieties: the intervals of the three differences hold all at once, and those
    of what one more garden shows hold each, in 95 % less three standard errors of 600 or more."""
    hits, seen, runs = 0, 0.0, 600
    for s in range(runs):
        rng = np.random.default_rng(10_000 + s)
        answer = combine(drawn(gardens, single=list(single), seed=s))
        rows = answer.overall[~answer.overall["check"]].set_index("variety")
        truth = np.array([float(name[1:]) * 0.2 for name in rows.index])
        hits += bool(((np.log(rows["low"]) < truth) & (truth < np.log(rows["high"]))).all())
        row = 0.25 if len(single) == gardens else 0.0  # a single row's own error
        own = truth + rng.normal(0, np.hypot(0.2, row), 3) - rng.normal(0, np.hypot(0.2, row))
        seen += ((np.log(rows["new_low"]) < own) & (own < np.log(rows["new_high"]))).mean()
    print(f"{gardens} gardens, single {list(single)}: jointly {hits / runs:.3f}, "
          f"one more garden {seen / runs:.3f}")
    assert hits / runs >= 0.95 - 3 * (0.95 * 0.05 / runs) ** 0.5
    assert seen / runs >= 0.95 - 3 * (0.95 * 0.05 / runs) ** 0.5


def test_a_trial_that_asked_another_question_is_told_so():
    """Yields alone are set side by side: a trial of earliness among them is named."""
    trials = drawn(3, seed=4)
    plain = combine(trials)
    assert not any("earliest" in line for line in plain.cannot_tell)
    mixed = combine([replace(trials[0], question="early"), *trials[1:]])
    line = next(line for line in mixed.cannot_tell if "earliest" in line)
    assert trials[0].garden in line
    assert trials[1].garden not in line
