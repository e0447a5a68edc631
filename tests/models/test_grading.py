"""Grades by proportional odds, judged between plots.

* cheese: McCullagh (1980), J. R. Stat. Soc. B 42:109; McCullagh & Nelder (1989), Generalized
  Linear Models, 2nd ed., section 5.3.1: four cheeses in nine grades of liking; estimates of
  additives A, B, C against D -1.613, -4.965, -3.323 (from memory, and by R 4.2's MASS::polr);
* two grades: the quasi-binomial of a general library.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
import statsmodels.api as sm
from scipy.special import expit
from seasons import bed, day, records

from trialkit.models import analyse
from trialkit.models.grading import (
    ODDS,
    SINGLE_GRADES,
    OddsError,
    counted_shares,
    fit_odds,
    grade_order,
    parallel_p,
    poor,
)

CHEESE = np.array([
    [0, 0, 0, 1, 3, 7, 14, 16, 11],  # D
    [0, 0, 1, 7, 8, 8, 19, 8, 1],  # A
    [6, 9, 12, 11, 7, 6, 1, 0, 0],  # B
    [1, 1, 6, 8, 23, 7, 5, 1, 0],  # C
], dtype=float)
NAMES = ("small", "medium", "large")
REFERENCE = Path(__file__).parent / "reference"


def test_a_published_example():
    found = fit_odds(CHEESE, np.eye(4), np.zeros((4, 0)), 0.0)
    assert found.log_odds == pytest.approx([0, -1.61280, -4.96466, -3.32268], abs=1e-4)
    # standard errors and cuts by polr(grade ~ additive, weights = n, Hess = TRUE)
    se = np.sqrt(np.diagonal(found.covariance))[1:]
    assert se == pytest.approx([0.380544, 0.476723, 0.421831], rel=2e-4)
    assert found.thresholds == pytest.approx(
        [-7.08019, -6.02501, -4.92545, -3.85683, -2.52057, -1.56856, -0.06690, 1.49294], abs=2e-4)
    assert found.log_likelihood == pytest.approx(-355.673952, abs=1e-5)
    assert found.spread == 1.0
    assert found.shares().sum(axis=1) == pytest.approx(1)


def test_two_grades_are_the_quasi_binomial():
    """Logistic regression of a general library on the plots: estimates, and Pearson's chi-square
    over its df (McCullagh & Nelder 1989, section 4.5) as the spread between plots."""
    rng = np.random.default_rng(3)
    variety = np.tile(np.eye(3), (5, 1))
    block = np.repeat(np.eye(5), 3, axis=0)
    nuisance = block[:, 1:] - block[:, :1]
    n = rng.integers(8, 40, 15)
    good = rng.binomial(n, 1 / (1 + np.exp(-rng.normal(0, 1.0, 15))))
    counts = np.column_stack([n - good, good]).astype(float)
    found = fit_odds(counts, variety, nuisance, 8.0)
    x = np.column_stack([np.ones(15), variety[:, 1:], nuisance])
    glm = sm.GLM(np.column_stack([good, n - good]), x, family=sm.families.Binomial()).fit()
    assert found.log_odds[1:] == pytest.approx(glm.params[1:3], abs=1e-4)
    assert found.spread == pytest.approx(glm.pearson_chi2 / 8, rel=1e-4)
    assert np.diagonal(found.covariance)[1:] == pytest.approx(
        np.diagonal(glm.cov_params())[1:3] * glm.pearson_chi2 / 8, rel=1e-3)


def test_infinite_odds_are_refused():
    counts = np.array([[0.0, 20], [0, 20], [20, 0], [20, 0]])
    with pytest.raises(OddsError):
        fit_odds(counts, np.array([[1.0, 0], [1, 0], [0, 1], [0, 1]]), np.zeros((4, 0)), 2.0)


def season(seed=1, blocks=5, effect=(0.0, 1.5, 0.0), plot_sd=0.4, pieces=20, grades=NAMES,
           cuts=(-0.6, 0.8), names="ABC"):
    """Pieces of each plot in grades by a latent logistic; blocks and plots vary."""
    rng = np.random.default_rng(seed)
    plants = bed(names, blocks=blocks, plants=1)
    level, rows = rng.normal(0, 0.4, blocks + 1), []
    of = dict(zip(names, effect, strict=True))
    for row in plants.itertuples(index=False):
        eta = of[row.variety] + level[int(row.block)] + rng.normal(0, plot_sd)
        found = np.histogram(eta + rng.logistic(size=pieces), [-99, *cuts, 99])[0]
        rows += [(day(100), row.plant, np.nan, float(k), g)
                 for g, k in zip(grades, found, strict=True)]
    return plants, pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])


def graded(*args, **kwargs):
    plants, dug = season(*args, **kwargs)
    return analyse(records(plants, harvest=dug)).harvest.grading


def test_a_better_graded_variety_is_found():
    found = graded()
    assert found.method.formula == ODDS
    assert found.order == ("large", "medium", "small")
    row = found.against_check.set_index("variety").loc["B"]
    assert row["low"] < np.exp(1.5) < row["high"]
    assert row["low"] > 1
    assert row["df"] == 8
    assert found.p < 0.01
    chance = found.chance_better.set_index("variety").loc["B", "chance"]
    assert 0.55 < chance < 0.9
    shares = found.shares.set_index(["variety", "grade"])
    assert (shares["low"] < shares["high"]).all()
    assert shares.loc["B"]["share"].sum() == pytest.approx(1)
    assert shares.loc[("B", "large"), "low"] > shares.loc[("A", "large"), "share"]


def test_plots_not_pieces_are_the_measure():
    """Plots that differ much widen the interval by the root of the spread; more pieces of the
    same plots do not narrow it as they would were they independent."""
    few, many = graded(plot_sd=1.5, pieces=15), graded(plot_sd=1.5, pieces=240)
    assert many.spread > 10
    width = [np.log(g.against_check["high"] / g.against_check["low"]).mean() for g in (few, many)]
    assert width[1] > 0.5 * width[0]  # 16 times the pieces: independent ones would give 0.25


def test_odds_that_are_not_alike_go_to_single_grades():
    """B has many large and many small: no common odds; each grade has its own interval."""
    rng = np.random.default_rng(5)
    plants = bed("ABC", blocks=6, plants=1)
    share = {"A": (0.1, 0.8, 0.1), "B": (0.45, 0.1, 0.45), "C": (0.1, 0.8, 0.1)}
    rows = [(day(90), r.plant, np.nan, float(k), g) for r in plants.itertuples(index=False)
            for g, k in zip(NAMES, rng.multinomial(30, share[r.variety]), strict=True)]
    dug = pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])
    found = analyse(records(plants, harvest=dug)).harvest.grading
    assert found.method.formula == SINGLE_GRADES
    assert "do not differ by the same odds" in found.method.plain
    shares = found.shares.set_index(["variety", "grade"])
    assert shares.loc[("B", "medium"), "high"] < shares.loc[("A", "medium"), "low"]
    assert (shares["low"] < shares["share"]).all()
    assert (shares["p"] < 0.05).sum() >= 3
    assert found.against_check.empty


def test_shares_are_those_of_a_multinomial_logit():
    """MNLogit of a general library, on the single pieces."""
    counts = np.array([[5.0, 3, 2], [4, 4, 4], [1, 6, 8], [2, 5, 5]])
    x = np.array([[1.0, 0], [1, 0], [0, 1], [0, 1]])
    fitted, low, high = counted_shares(counts, x)
    rows = np.repeat(np.repeat([0, 0, 1, 1], 3), counts.astype(int).ravel())
    grade = np.repeat(np.tile([0, 1, 2], 4), counts.astype(int).ravel())
    library = sm.MNLogit(grade, np.eye(2)[rows]).fit(disp=False).predict(np.eye(2))
    assert fitted == pytest.approx(library, abs=1e-6)
    assert (low < fitted).all()
    assert (fitted < high).all()


def wine_counts(parted):
    """Bitterness of wine (Randall 1989, Biom. J. 31:247), from R's ordinal: counts of each score a
    judge and treatment, lowest first, with the treatments' and judges' columns."""
    wine = pd.read_csv(REFERENCE.parent.parent / "mixed/reference/data/wine.csv")
    wine = wine.assign(treatment=wine[parted].astype(str).agg(" ".join, axis=1))
    counts = pd.crosstab([wine["treatment"], wine["judge"]], wine["rating"])
    treatment, judge = (counts.index.get_level_values(i) for i in (0, 1))
    z = pd.get_dummies(judge).to_numpy(float)
    names = list(dict.fromkeys(treatment))
    return (counts.to_numpy(float), np.column_stack([treatment == n for n in names]).astype(float),
            z[:, 1:] - z[:, :1], names, list(judge))


@pytest.mark.parametrize("parted", [["temp"], ["temp", "contact"]])
def test_wine_by_rs_cumulative_link_model(parted):
    """Estimates, their errors and both likelihood ratio tests as R's ordinal gives them."""
    expected = json.loads((REFERENCE / "wine.json").read_text())["_".join(parted)]
    counts, treatment, judges, names, _ = wine_counts(parted)
    found = fit_odds(counts, treatment, judges, 0.0)
    assert found.log_odds[1:] == pytest.approx([expected["effects"][n] for n in names[1:]],
                                               abs=2e-4)
    assert np.sqrt(np.diagonal(found.covariance))[1:] == pytest.approx(
        [expected["se"][n] for n in names[1:]], rel=1e-3)
    none = fit_odds(counts, np.ones((len(counts), 1)), judges, 0.0)
    assert 2 * (found.log_likelihood - none.log_likelihood) == pytest.approx(
        expected["none"], abs=1e-4)
    # on very many degrees of freedom F is the chi-squared
    p = parallel_p(counts, treatment, judges, 1.0, 1e9)
    df = 3 * (len(names) - 1)
    if len(names) == 4:  # R's own search ends short of the maximum here, and says so
        assert p < scipy.stats.chi2.sf(expected["proportional"], df)
        assert p > 0.5
        return
    assert p == pytest.approx(scipy.stats.chi2.sf(expected["proportional"], df), abs=2e-3)


def test_wine_entered_by_a_user_keeps_its_proportional_odds():
    counts, _, _, names, judges = wine_counts(["temp", "contact"])
    plants = bed(names, blocks=9, plants=1)
    plants["variety"], plants["block"] = np.repeat(names, 9), [str(j) for j in judges]
    plants["row"] = plants["column"] = np.nan
    plants["plot"] = plants["plant"]
    plants["variety"] = plants["variety"].astype(str)
    rows = [(day(90), p, np.nan, float(k), str(g)) for p, own in
            zip(plants["plant"], counts, strict=True) for g, k in enumerate(own, 1)]
    dug = pd.DataFrame(rows, columns=["date", "plant", "weight_g", "count", "grade"])
    season_ = records(plants, harvest=dug, check="cold no", design="randomised complete blocks")
    season_ = replace(season_, trial=replace(season_.trial, grades=("1", "2", "3", "4", "5")))
    found = analyse(season_).harvest.grading
    assert found.method.formula == ODDS
    p = re.search(r"Odds alike at every grade: p (0\.\d+)", found.method.full)
    assert p is not None
    assert float(p[1]) > 0.5  # R: 0.958
    assert found.p < 1e-4
    odds = found.against_check.set_index("variety")["estimate"]
    expected = json.loads((REFERENCE / "wine.json").read_text())["temp_contact"]["effects"]
    assert -np.log(odds["warm yes"]) == pytest.approx(expected["warm yes"], abs=2e-4)


@pytest.mark.slow
def test_true_proportional_odds_with_large_effects_are_seldom_rejected():
    """Each variety five times the odds of the one before, 30 pieces a plot, plots alike."""
    rng = np.random.default_rng(8)
    variety = np.tile(np.eye(4), (4, 1))
    block = np.repeat(np.eye(4), 4, axis=0)
    nuisance = block[:, 1:] - block[:, :1]
    below = expit(np.array([-1.0, 1.0, 3.0]) - (variety @ [0.0, 1.6, 3.2, 4.8])[:, None])
    share = np.diff(np.column_stack([np.zeros(16), below, np.ones(16)]))
    p = []
    for _ in range(30):
        counts = np.array([rng.multinomial(30, s) for s in share], dtype=float)
        p.append(parallel_p(counts, variety, nuisance, fit_odds(counts, variety, nuisance,
                                                                9.0).spread, 9.0))
    assert np.mean(np.array(p) < 0.05) <= 0.17  # binomial: more has a chance below 0.004 at 5 %


@pytest.mark.parametrize(("names", "order"), [
    (("small", "large", "medium"), ("large", "medium", "small")),
    (("Class II", "Extra", "Class I"), ("Extra", "Class I", "Class II")),
    (("2", "waste", "1"), ("1", "2", "waste")),
    (("crooked", "straight", "fair"), ()),
    (("split", "waste", "1"), ()),
    (("large", "1"), ()),
])
def test_order_of_grades(names, order):
    assert grade_order(names) == order


def test_the_trial_gives_the_order():
    plants, dug = season(grades=("c", "b", "a"))
    plain = records(plants, harvest=dug)
    told = replace(plain, trial=replace(plain.trial, grades=("a", "b", "c", "d")))
    assert analyse(plain).harvest.grading.method.formula == SINGLE_GRADES
    found = analyse(told).harvest.grading
    assert (found.method.formula, found.order) == (ODDS, ("a", "b", "c"))
    assert found.ordered_by == "as the trial gives it"


def test_waste_by_name():
    assert poor("Waste")
    assert poor("forked roots")
    assert not poor("small")


class TestDegenerate:
    def test_one_block(self):
        found = graded(blocks=1)
        assert not found.supported
        assert found.shares[["low", "high", "p"]].isna().all(axis=None)
        assert found.why_not

    def test_two_blocks_of_two_are_too_few(self):
        found = graded(blocks=2, names="AB", effect=(0.0, 3.0))
        assert not found.supported
        assert "too few plots" in found.why_not

    def test_one_grade(self):
        plants, dug = season()
        found = analyse(records(plants, harvest=dug.assign(grade="large"))).harvest.grading
        assert found.why_not == "every piece was graded large"

    def test_one_piece_a_plant(self):
        plants, dug = season(pieces=1, blocks=8)
        dug = dug[dug["count"] > 0].assign(count=np.nan)
        found = analyse(records(plants, harvest=dug)).harvest
        assert found.grading.shares["count"].sum() == 24
        assert found.grading.method.formula in (ODDS, SINGLE_GRADES)

    def test_all_varieties_at_one_end(self):
        plants, dug = season()
        best = plants.set_index("plant")["variety"].map({"A": "large", "B": "small", "C": "large"})
        dug = dug.drop_duplicates("plant")
        dug = dug.assign(count=9.0, grade=dug["plant"].map(best))
        found = analyse(records(plants, harvest=dug)).harvest.grading
        assert not found.supported
        assert len(found.notes) == 3

    def test_weighed_by_grade_but_not_counted(self):
        plants, dug = season()
        dug = dug.assign(weight_g=dug["count"] * 100, count=np.nan)
        found = analyse(records(plants, harvest=dug)).harvest.grading
        assert "without counting" in found.why_not
        assert found.shares["share"].isna().all()


@pytest.mark.slow
@pytest.mark.parametrize(("plot_sd", "pieces"), [(0.0, 15), (0.6, 15), (1.0, 40)])
def test_false_claims_and_coverage(plot_sd, pieces):
    """No difference: claims at most 5 %; the intervals (Dunnett, two) cover in 95 % or more."""
    told, held = [], []
    for seed in range(120):
        found = graded(seed, blocks=4, effect=(0.0, 0.0, 0.0), plot_sd=plot_sd, pieces=pieces)
        told.append(found.p < 0.05)
        if found.method.formula == ODDS:
            rows = found.against_check
            held.append(((rows["low"] < 1) & (rows["high"] > 1)).all())
    assert np.mean(told) < 0.05 + 2.6 * np.sqrt(0.05 * 0.95 / 120)
    assert np.mean(held) > 0.95 - 2.6 * np.sqrt(0.05 * 0.95 / 120)
