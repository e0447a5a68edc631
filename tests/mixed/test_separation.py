"""Levels with nothing at all: their limits, comparisons and letters come from the likelihood.

Plain layouts are held against exact results: the conditional limits of a ratio of Poisson counts
(Przyborowski & Wilenski 1940, Biometrika 31:313) and of a share (Clopper & Pearson 1934,
Biometrika 26:404).  Profiles of mixed models are held against R's glmmTMB and ordinal
(reference/separation.R) on public data in which one level's records are all set to the lowest.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from trialkit.mixed import MixedModelError, fit_glmm, fit_ordered
from trialkit.mixed.linkfit import Ends, find_separation

FOLDER = Path(__file__).parent / "reference"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "separation.json").read_text())


def plain(*totals: int, records: int = 5) -> pd.DataFrame:
    """Each variety's total split over equally many records."""
    rows = []
    for name, total in zip("ABCDEF", totals, strict=False):
        share = np.full(records, total // records)
        share[: total % records] += 1
        rows += [(name, float(y)) for y in share]
    return pd.DataFrame(rows, columns=["variety", "pods"])


@cache
def salamanders() -> pd.DataFrame:
    data = pd.read_csv(FOLDER / "data" / "salamanders.csv")
    data.loc[data["species"] == "GP", "count"] = 0
    return data


def test_plain_counts_have_the_exact_conditional_limits_and_p():
    fit = fit_glmm("pods ~ variety", plain(10, 0, 20), "poisson")
    assert fit.separated == ("variety B",)
    means = fit.means("variety", ratio=True).set_index("variety")
    assert means.loc["B", "rate"] == 0.0
    assert means.loc["B", "low"] == 0.0
    # no event in 5 of exposure: chi-squared on 2 df, 97.5 %, over twice the exposure
    assert_allclose(means.loc["B", "high"], stats.chi2.ppf(0.975, 2) / 10.0, rtol=1e-5)
    row = fit.contrast([[0.0, 1.0, 0.0]]).iloc[0]
    assert row["estimate"] == -np.inf
    assert row["low"] == -np.inf
    # 0 of 10 given both: the share's upper limit as a ratio of rates
    share = 1.0 - 0.025 ** (1 / 10)
    assert_allclose(np.exp(row["high"]), share / (1.0 - share), rtol=1e-5)
    assert_allclose(row["p"], 2.0 * 0.5**10, rtol=1e-6)


def test_plain_shares_have_the_exact_limit():
    data = pd.DataFrame({"plot": list("aabbcc"), "share": [0.5, 0.25, 0.0, 0.0, 0.75, 0.5],
                         "trials": [8.0, 8.0, 7.0, 5.0, 8.0, 8.0]})
    fit = fit_glmm("share ~ plot", data, "binomial", weights="trials")
    high = fit.means("plot").set_index("plot").loc["b", "high"]
    limit = stats.beta.ppf(0.975, 1, 12)  # 0 of 12
    assert_allclose(1.0 / (1.0 + np.exp(-high)), limit, rtol=1e-5)


@pytest.mark.parametrize("family", ["poisson", "negative-binomial"])
def test_profiles_of_counts_agree_with_r(family: str):
    expected = EXPECTED[family.replace("-", "_")]
    fit = fit_glmm("count ~ species + mined", salamanders(), family, groups=["site"])
    assert fit.separated == ("species GP",)
    assert_allclose(fit.objective, expected["least"], rtol=1e-7)
    row = np.array([[0.0] * fit.p])
    row[0, list(fit.fixed.index).index("species[T.GP]")] = 1.0
    held = [fit._held(row, np.array([x])) for x in expected["at"]]
    assert_allclose(held, expected["held"], rtol=1e-6)
    limit = fit.contrast(row).iloc[0]
    assert_allclose(limit["high"], expected["limit"], atol=2e-4)


def test_profiles_of_scores_agree_with_r():
    data = pd.read_csv(FOLDER / "data" / "wine.csv")
    data["cell"] = data["temp"] + " " + data["contact"]
    data.loc[data["cell"] == "cold no", "rating"] = 1
    expected = EXPECTED["ordered"]
    fit = fit_ordered("rating ~ cell", data)
    assert fit.separated == ("cell cold no",)
    assert_allclose(fit.objective, expected["least"], rtol=1e-7)
    row = np.zeros((1, fit.p))
    row[0, list(fit.fixed.index).index("cell[T.cold yes]")] = -1.0
    held = [fit._held(row, np.array([x])) for x in expected["at"]]
    assert_allclose(held, expected["held"], rtol=1e-6)
    assert_allclose(fit.contrast(row)["high"].iloc[0], expected["limit"], atol=2e-4)
    shares = fit.shares("cell").set_index(["cell", "score"])["share"]
    assert shares["cold no", 1] == 1.0
    assert shares["cold no", 2] == 0.0
    whole = fit_ordered("rating ~ cell", data[data["cell"] != "cold no"])
    kept = whole.shares("cell").set_index(["cell", "score"])["share"]
    assert_allclose(shares[kept.index], kept, atol=1e-6)


def test_the_baseline_may_be_the_one_with_nothing():
    """The answer must not hang on which level the coding takes first."""
    first = fit_glmm("pods ~ variety", plain(0, 12, 20), "poisson")
    later = fit_glmm("pods ~ variety", plain(12, 0, 20).replace({"variety": {"A": "B", "B": "A"}}),
                     "poisson")
    columns = ["ratio", "p", "low", "high"]
    assert_allclose(first.compare("variety", ratio=True).table[columns],
                    later.compare("variety", ratio=True).table[columns], rtol=1e-6)
    scores = pd.DataFrame({"v": list("aaaabbbbbcccccc"),
                           "s": [1, 1, 1, 1, 1, 2, 3, 2, 2, 3, 3, 2, 1, 2, 3]})
    one = fit_ordered("s ~ v", scores).means("v").set_index("v")
    other = fit_ordered("s ~ v", scores.replace({"v": {"a": "z"}})).means("v").set_index("v")
    assert np.isinf(one.loc["a", "estimate"])
    assert_allclose(one.loc["a", "high"], other.loc["z", "high"], atol=1e-4)
    assert_allclose(one.loc["b", "estimate"] - one.loc["c", "estimate"],
                    other.loc["b", "estimate"] - other.loc["c", "estimate"], atol=1e-5)


@pytest.mark.parametrize("method", [pytest.param("ml", marks=pytest.mark.slow), "reml"])
def test_letters_tell_apart_what_gave_nothing(method: str):
    """A variety that never bore shares no letter with those that plainly did."""
    data = salamanders()
    fit = fit_glmm("count ~ species + mined", data, "poisson", groups=["site"], method=method)
    compared = fit.compare("species", against="DES_L", ratio=True)
    row = compared.table.set_index("left").loc["GP"]
    assert row["ratio"] == 0.0
    assert row["low"] == 0.0
    assert 0.0 < row["high"] < 0.05
    assert row["p"] < 1e-6
    letters = fit.letters("species")
    assert not set(letters["GP"]) & set(letters["DES_L"])
    others = fit_glmm("count ~ species + mined", data[data["species"] != "GP"], "poisson",
                      groups=["site"], method=method)
    assert_allclose(fit.objective, others.objective, rtol=1e-7)
    kept = fit.means("species").set_index("species").drop("GP")
    assert_allclose(kept["estimate"], others.means("species")["estimate"], atol=1e-4)
    assert_allclose(kept["se"], others.means("species")["se"], rtol=1e-4)


def test_two_levels_with_nothing_share_a_letter():
    fit = fit_glmm("pods ~ variety", plain(15, 0, 0, 20), "poisson")
    table = fit.compare("variety", ratio=True).table.set_index(["left", "right"])
    both = table.loc[("B", "C")]
    assert np.isnan(both["ratio"])
    assert both["p"] == 1.0
    assert both["low"] == 0.0
    assert both["high"] == np.inf
    assert "nothing of this difference" in both["reason"]
    letters = fit.letters("variety")
    assert letters["B"] == letters["C"]
    assert not set(letters["B"]) & set(letters["A"])


def test_a_term_is_tested_by_likelihood_ratio():
    fit = fit_glmm("pods ~ variety", plain(10, 0, 20), "poisson")
    test = fit.f_test("variety")
    # 2 sum of O log(O / E), E = 10 each
    assert_allclose(test["F"] * 2, 2 * 20 * np.log(2.0), rtol=1e-6)
    assert_allclose(test["p"], stats.chi2.sf(2 * 20 * np.log(2.0), 2), rtol=1e-4)
    assert "likelihood ratio" in test["reason"]


def test_fewer_degrees_of_freedom_make_wider_limits():
    fit = fit_glmm("pods ~ variety", plain(10, 0, 20), "poisson")
    wide, narrow = (fit.contrast([[0.0, 1.0, 0.0]], df=df).iloc[0] for df in (3, 1e6))
    assert wide["high"] > narrow["high"]
    assert wide["p"] > narrow["p"]


def test_what_follows_of_a_separated_fit_is_finite():
    data = salamanders()
    fit = fit_glmm("count ~ species + mined", data, "poisson", groups=["site"])
    nothing = (data["species"] == "GP").to_numpy()
    assert (fit.predict()[nothing] < 1e-20).all()
    assert np.isfinite(fit.predict()).all()
    assert np.isfinite(fit.residuals()).all()
    assert np.isfinite(fit.residuals("response")).all()
    again = fit.refit(fit.simulate(1)[0])
    assert again.separation is not None
    assert fit.random_effects["site"].shape == (data["site"].nunique(), 1)


def test_a_refusal_can_be_asked_for():
    with pytest.raises(MixedModelError, match=r"separated \(variety B\)"):
        fit_glmm("pods ~ variety", plain(10, 0, 20), "poisson", separated="error")


def test_an_empty_cell_of_two_factors_is_named():
    data = pd.concat([plain(10, 5).assign(site="p"), plain(7, 0).assign(site="q")])
    fit = fit_glmm("pods ~ variety * site", data, "poisson")
    assert fit.separated == ("variety B with site q",)
    additive = fit_glmm("pods ~ variety + site", data, "poisson")
    assert additive.separation is None


def test_directions_are_found_where_there_are_some_and_nowhere_else():
    rng = np.random.default_rng(8)
    x = np.column_stack([np.ones(30), rng.normal(size=30)])
    codes = np.arange(30)
    split = x[:, 1] > 0.2
    apart = find_separation(x, Ends.of(codes, 30, ~split, split))
    assert apart is not None
    assert apart.rows.all()
    mixed = split.copy()
    mixed[np.argmax(x[:, 1])] = False
    mixed[np.argmin(x[:, 1])] = True
    assert find_separation(x, Ends.of(codes, 30, ~mixed, mixed)) is None
    touching = x[:, 1].copy()
    touching[[0, 1]] = 0.2  # one yes and one no at the same place: quasi-complete
    halves = touching > 0.2
    halves[0] = True
    edge = find_separation(np.column_stack([np.ones(30), touching]),
                           Ends.of(codes, 30, ~halves, halves))
    assert edge is not None
    assert not edge.rows[[0, 1]].any()
    assert edge.rows[2:].all()


def test_many_yes_and_no_records_are_searched_in_no_time():
    """A logistic fit with a least is proof that nothing is separated; linear programming over so
    many records would take minutes and gigabytes."""
    rng = np.random.default_rng(1)
    n = 50_000
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 3))])
    yes = rng.random(n) < 1.0 / (1.0 + np.exp(-2.0 * x[:, 1]))
    assert find_separation(x, Ends.of(np.arange(n), n, ~yes, yes)) is None
    one_out = x[:, 1] > 2.0
    apart = find_separation(x, Ends.of(np.arange(n), n, ~one_out, one_out))
    assert apart is not None
    assert apart.rows.all()


@pytest.mark.parametrize("seed", range(30))
def test_the_logistic_shortcut_agrees_with_linear_programming(seed: int, monkeypatch):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 16))
    x = np.column_stack([np.ones(n), rng.integers(0, 3, size=(n, 2))]).astype(float)
    yes = rng.random(n) < 1.0 / (1.0 + np.exp(-3.0 * (x[:, 1] - 1.0)))
    ends = Ends.of(np.arange(n), n, ~yes, yes)
    quick = find_separation(x, ends)
    monkeypatch.setattr("trialkit.mixed.linkfit._balanced", lambda signed: False)
    slow = find_separation(x, ends)
    assert (quick is None) == (slow is None)
    if quick is not None and slow is not None:
        assert (quick.rows == slow.rows).all()
