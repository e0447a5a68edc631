"""Cumulative models of ordered scores against R's ordinal (reference/ordered.R) on the bitterness
of wine (Randall 1989, Biom. J. 31:247-262), and against what must hold of them."""

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
from scipy.special import expit

from trialkit.mixed import MixedModelError, OrderedFit, bootstrap, fit_ordered, odds_test

FOLDER = Path(__file__).parent / "reference"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "ordered.json").read_text())
FORMULA = "rating ~ temp + contact"
MODELS: dict[str, dict[str, Any]] = {
    "fixed_logit": {},
    "fixed_probit": {"link": "probit"},
    "judge_logit": {"groups": ["judge"]},
    "judge_logit_10": {"groups": ["judge"], "quadrature": 10},
    "judge_probit": {"groups": ["judge"], "link": "probit"},
    "judge_bottle_probit": {"groups": ["judge", "bottle"], "link": "probit"},
}


@cache
def wine() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "data" / "wine.csv")


@cache
def fitted(name: str) -> OrderedFit:
    return fit_ordered(FORMULA, wine(), **MODELS[name])


@pytest.mark.parametrize("name", sorted(MODELS))
def test_estimates_agree_with_r(name):
    fit, expected = fitted(name), EXPECTED[name]
    assert_allclose(fit.log_likelihood, expected["log_likelihood"], atol=1e-4)
    values = np.array(list(expected["coefficients"].values()))
    found = np.concatenate([fit.thresholds, fit.effects])
    assert_allclose(found, values, rtol=1e-3, atol=1e-3)
    assert_allclose(np.sqrt(np.diagonal(fit.joint)), expected["se"], rtol=3e-3)
    for group, sd in expected.get("sd", {}).items():
        assert_allclose(fit.group_sd[group], sd, atol=1e-3)


@pytest.mark.parametrize("name", ["fixed_logit", "fixed_probit"])
def test_proportional_odds_by_likelihood_agree_with_r(name):
    found = fitted(name).proportional()
    for term, statistic in EXPECTED[name]["proportional"].items():
        assert found.loc[term, "df"] == 3
        assert_allclose(found.loc[term, "statistic"], statistic, atol=1e-3)


def test_the_same_test_from_counts():
    counts = pd.crosstab([wine()["temp"], wine()["contact"]], wine()["rating"]).to_numpy()
    x = np.array([[0, 0], [0, 1], [1, 0], [1, 1]], dtype=float)
    found = odds_test(counts, x, [0])
    assert_allclose(found.statistic, EXPECTED["fixed_logit"]["proportional"]["temp"], atol=1e-3)
    assert_allclose(found.p, stats.chi2.sf(found.statistic, 3))


@pytest.mark.slow
def test_true_proportional_odds_with_large_effects_are_seldom_rejected():
    tables, most = 200, 0.10
    rng = np.random.default_rng(5)
    x = np.repeat(np.eye(4)[:, 1:], 5, axis=0)
    eta = x @ np.array([1.5, 3.0, 4.5])
    ends = np.array([-1.0, 1.0, 3.0])
    below = expit(ends[None, :] - eta[:, None])
    share = np.diff(np.column_stack([np.zeros(20), below, np.ones(20)]))
    p = [
        odds_test(np.array([rng.multinomial(30, s) for s in share]), x, [0, 1, 2]).p
        for _ in range(tables)
    ]
    # binomial: more, in so many draws of a test of 5 %, has a chance of 0.001 to 0.004
    assert np.mean(np.array(p) < 0.05) <= most


def test_an_effect_at_one_threshold_only_is_noticed():
    rng = np.random.default_rng(6)
    share = np.array([[0.4, 0.4, 0.2]] * 4 + [[0.4, 0.1, 0.5]] * 4)
    counts = np.array([rng.multinomial(60, s) for s in share])
    x = np.repeat([[0.0], [1.0]], 4, axis=0)
    assert odds_test(counts, x, [0]).p < 1e-4


def test_two_scores_are_the_logit_of_a_yes():
    import statsmodels.api as sm

    data = wine().assign(high=(wine()["rating"] > 3).astype(int))
    fit = fit_ordered("high ~ temp + contact", data)
    x = pd.get_dummies(data[["temp", "contact"]], drop_first=True).astype(float)
    peer = sm.Logit(data["high"], sm.add_constant(x)).fit(disp=False)
    assert_allclose(fit.effects, peer.params.iloc[1:], rtol=1e-4)
    assert_allclose(fit.thresholds.iloc[0], -peer.params.iloc[0], rtol=1e-4)


def test_the_gradient_is_that_of_the_value():
    from trialkit.mixed.crossproducts import RandomPart
    from trialkit.mixed.grouping import make_groupings
    from trialkit.mixed.ordered import ScoreSearch

    data = wine()
    random = RandomPart(make_groupings(data, ["judge", "bottle"], None, saturated=True))
    x = np.column_stack([data["temp"] == "warm", data["contact"] == "yes"]).astype(float) - 0.5
    codes = np.arange(len(data))
    for link in ("logit", "probit"):
        search = ScoreSearch(codes, data["rating"].to_numpy() - 1, np.ones(len(data)), 5, link,
                         x[:, 1:], x[:, :1], random)  # fmt: skip
        at = search.start() + 0.1 * np.sin(np.arange(len(search.start())))
        _, gradient = search(at)
        for i in range(len(at)):
            step = np.zeros(len(at))
            step[i] = 1e-5
            slope = (search(at + step)[0] - search(at - step)[0]) / 2e-5
            assert_allclose(gradient[i], slope, rtol=1e-5, atol=1e-5)


def test_shares_add_up_and_agree_with_the_thresholds():
    fit = fitted("fixed_logit")
    table = fit.shares("temp")
    assert_allclose(table.groupby("temp")["share"].sum(), 1.0)
    assert (table["low"] < table["share"]).all()
    assert (table["share"] < table["high"]).all()
    ends, (warm, contact) = fit.thresholds.to_numpy(), fit.effects
    lowest = np.mean([expit(ends[0] - warm), expit(ends[0] - warm - contact)])
    row = table[(table["temp"] == "warm") & (table["score"] == 1)]
    assert_allclose(row["share"], lowest)


def test_standard_errors_of_shares_are_those_of_draws():
    fit = fitted("fixed_logit")
    rng = np.random.default_rng(1)
    mean = np.concatenate([fit.thresholds, fit.effects])
    drawn = rng.multivariate_normal(mean, fit.joint / 100.0, 40_000)
    top = 1 - expit(drawn[:, 3] - drawn[:, 4])
    top = (top + 1 - expit(drawn[:, 3] - drawn[:, 4] - drawn[:, 5])) / 2
    table = fit.shares("temp")
    se = table[(table["temp"] == "warm") & (table["score"] == 5)]["se"].iloc[0]
    assert_allclose(10.0 * top.std(), se, rtol=0.02)


def test_turning_the_scores_round_turns_the_signs():
    fit = fitted("judge_logit")
    turned = fit_ordered(FORMULA, wine().assign(rating=6 - wine()["rating"]), groups=["judge"])
    assert_allclose(turned.effects, -fit.effects, rtol=1e-4)
    assert_allclose(turned.thresholds, -fit.thresholds.to_numpy()[::-1], rtol=1e-4)
    assert_allclose(turned.objective, fit.objective, atol=1e-6)


def test_ordered_categories_keep_their_order():
    words = pd.Categorical(wine()["rating"].map(dict(zip(range(1, 6), "edcba", strict=True))),
                           categories=list("edcba"), ordered=True)
    fit = fit_ordered(FORMULA, wine().assign(rating=words))
    assert_allclose(fit.effects, fitted("fixed_logit").effects, rtol=1e-5)
    assert list(fit.scores) == list("edcba")


@pytest.mark.parametrize(
    ("formula", "change", "options", "words"),
    [
        (FORMULA, {"rating": "good"}, {}, "scores="),
        ("rating ~ 0 + temp", {}, {}, "thresholds are the intercept"),
        (FORMULA, {"rating": 3}, {}, "in every record"),
        (FORMULA, {}, {"groups": ["judge", "bottle"], "quadrature": 5}, "one grouping"),
        (FORMULA, {}, {"link": "cauchit"}, "is not one of"),
    ],
)
def test_bad_input_is_named(formula, change, options, words):
    with pytest.raises(MixedModelError, match=words):
        fit_ordered(formula, wine().assign(**change), **options)


def test_a_level_with_only_the_highest_score_is_named():
    data = wine().copy()
    data.loc[data["temp"] == "warm", "rating"] = 5
    with pytest.raises(MixedModelError, match=r"separated \(temp warm\)"):
        fit_ordered(FORMULA, data)  # no other record has a 5
    data.loc[0, "rating"] = 5
    assert fit_ordered(FORMULA, data).separated == ("temp warm",)
    with pytest.raises(MixedModelError, match=r"separated \(temp warm\)"):
        fit_ordered(FORMULA, data, separated="error")


def test_predicted_shares_are_those_of_the_thresholds():
    """F(theta_j - x'b - u) by hand (McCullagh 1980, eq. 2.1), for a judge of the wine and for one
    not seen before."""
    data = pd.read_csv(FOLDER / "data" / "wine.csv")
    fit = fit_ordered("rating ~ temp + contact", data, ["judge"])
    row = pd.DataFrame({"temp": ["warm", "warm"], "contact": ["no", "no"], "judge": [1, 99]})
    found = fit.predict(row)
    for i, effect in enumerate((fit.random_effects["judge"].loc[1, "Intercept"], 0.0)):
        at = fit.thresholds.to_numpy() - fit.effects["temp[T.warm]"] - effect
        below = np.concatenate([[0.0], 1.0 / (1.0 + np.exp(-at)), [1.0]])
        assert_allclose(found.iloc[i], np.diff(below), rtol=1e-12)
    assert_allclose(fit.predict(data), fit.predict(), rtol=1e-12)
    assert_allclose(fit.predict(data, random=False).iloc[0], fit.predict(random=False).iloc[0])


def test_scores_drawn_from_a_fit_have_its_shares_and_its_estimates():
    data = pd.read_csv(FOLDER / "data" / "wine.csv")
    fit = fit_ordered("rating ~ temp + contact", data)
    drawn = fit.simulate(1, times=400).astype(int)
    shares = np.bincount(drawn.ravel(), minlength=5) / drawn.size
    assert_allclose(shares, fit.predict().mean(), atol=0.01)
    again = fit.refit(fit.y)
    assert_allclose(again.effects, fit.effects, rtol=1e-8)
    spread = bootstrap(fit, times=40).to_frame()
    assert_allclose(spread["se"].iloc[1:], np.sqrt(np.diagonal(fit.cov_fixed))[1:], rtol=0.5)
