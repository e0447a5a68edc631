"""What is asked of a fit after it is made, against lme4, lmerTest, pbkrtest and emmeans
(reference/inference.R) on public data; sources in reference/README.md."""

from __future__ import annotations

import json
import pickle
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from trialkit.mixed import (
    LMM,
    MixedModelError,
    compare_fits,
    fit_glmm,
    fit_lmm,
    fit_ordered,
    spread_intervals,
)

FOLDER = Path(__file__).parent / "reference"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "inference.json").read_text())


@cache
def data(name: str) -> pd.DataFrame:
    return pd.read_csv(FOLDER / "data" / f"{name}.csv")


@cache
def sleep(kind: str, method: str = "ml") -> LMM:
    options: dict[str, Any] = {
        "plain": {"groups": ["subject"]},
        "apart": {"slopes": {"subject": ["days"]}, "uncorrelated": ["subject"]},
        "whole": {"slopes": {"subject": ["days"]}},
    }[kind]
    return fit_lmm("reaction ~ days", data("sleepstudy"), method=method, **options)


def test_the_table_of_fits_agrees_with_r():
    expected = EXPECTED["sleepstudy"]
    kinds = ["plain", "apart", "whole"]
    table = compare_fits(*(sleep(k) for k in kinds[::-1]), names=kinds[::-1])
    assert list(table.index) == kinds
    for kind in kinds:
        for column in ("log_likelihood", "aic", "bic"):
            assert_allclose(table.loc[kind, column], expected[kind][column], rtol=1e-7)
            assert_allclose(getattr(sleep(kind), column), expected[kind][column], rtol=1e-7)
    assert_allclose(table["statistic"].iloc[1:].astype(float), expected["statistic"], atol=1e-5)
    assert_allclose(table["p"].iloc[1:].astype(float), expected["p"], rtol=1e-4)
    # a variance at zero is an edge, a covariance at zero is none
    assert "tested at zero" in table.loc["apart", "remark"]
    assert table.loc["whole", "remark"] == ""


def test_fits_that_cannot_be_compared_are_refused():
    d = data("sleepstudy")
    one = fit_lmm("reaction ~ 1", d, ["subject"])
    with pytest.raises(MixedModelError, match=r"Refit both with method='ml'"):
        compare_fits(one, fit_lmm("reaction ~ days", d, ["subject"]))
    shifted = d.assign(later=d["days"] - 4.5)
    same = compare_fits(fit_lmm("reaction ~ days", d, ["subject"]),
                        fit_lmm("reaction ~ later", shifted, slopes={"subject": ["later"]}))
    assert len(same) == 2  # the same span in other columns
    with pytest.raises(MixedModelError, match="different records"):
        compare_fits(sleep("plain"), fit_lmm("reaction ~ days", d[:-1], ["subject"], method="ml"))
    with pytest.raises(MixedModelError, match="one fit is by"):
        compare_fits(sleep("plain"), sleep("whole", "reml"))
    counts = data("salamanders")
    pair = [fit_glmm("count ~ mined", counts, f, groups=["site"])
            for f in ("poisson", "negative-binomial")]
    with pytest.raises(MixedModelError, match="different kinds"):
        compare_fits(*pair)
    others = compare_fits(fit_lmm("reaction ~ 1", d, ["subject"], method="ml"),
                          fit_lmm("reaction ~ 0 + days", d, slopes={"subject": ["days"]},
                                  method="ml"))
    assert np.isnan(others["p"].iloc[1])
    assert "not one within the other" in others["remark"].iloc[1]


def test_slopes_without_covariance_agree_with_r():
    expected, fit = EXPECTED["uncorrelated"], sleep("apart", "reml")
    assert_allclose(fit.objective, expected["objective"], rtol=1e-8)
    assert_allclose([*fit.group_sd, fit.residual_sd], expected["sd"], rtol=1e-5)
    summary = fit.summary()
    assert_allclose(summary["estimate"], expected["fixed"], rtol=1e-8)
    assert_allclose(summary["se"], expected["se_kr"], rtol=1e-5)
    assert_allclose(summary["df"], expected["df_kr"], rtol=1e-4)
    assert_allclose(fit.summary(df="satterthwaite")["df"], expected["df_satterthwaite"], rtol=1e-4)
    assert fit.group_cov["subject"].iloc[0, 1] == 0.0
    with pytest.raises(MixedModelError, match="'plot', which has no slopes"):
        fit_lmm("reaction ~ days", data("sleepstudy"), ["subject"], uncorrelated=["plot"])


@pytest.mark.parametrize("kind", ["whole", "apart"])
def test_errors_of_random_effects_agree_with_r(kind: str):
    fit = sleep(kind, "reml")
    own = fit.random_effect_se(fixed_known=True)["subject"]
    expected = np.array(EXPECTED["sleepstudy"][f"condsd_{kind}"])
    assert_allclose(own, expected.reshape(own.shape), rtol=1e-4)
    assert (fit.random_effect_se()["subject"].to_numpy() > own.to_numpy()).all()


def test_errors_of_random_effects_are_those_of_the_full_equations():
    """With the fixed effects estimated: G - G Z'P Z G by dense matrices (Searle, Casella &
    McCulloch 1992, Variance Components, section 7.4)."""
    d = data("sleepstudy")
    fit = sleep("whole", "reml")
    z = np.zeros((len(d), 36))
    subject = pd.factorize(d["subject"], sort=True)[0]
    z[np.arange(len(d)), 2 * subject] = 1.0
    z[np.arange(len(d)), 2 * subject + 1] = d["days"]
    g = np.kron(np.eye(18), fit.group_cov["subject"])
    v = z @ g @ z.T + fit.residual_variance * np.eye(len(d))
    x = np.column_stack([np.ones(len(d)), d["days"]])
    inverse = np.linalg.inv(v)
    p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    errors = np.sqrt(np.diagonal(g - g @ z.T @ p @ z @ g))
    assert_allclose(fit.random_effect_se()["subject"].to_numpy().ravel(), errors, rtol=1e-8)


def test_errors_of_random_effects_of_yes_and_no_agree_with_r():
    expected = EXPECTED["cbpp"]
    fit = fit_glmm("case ~ period", data("cbpp"), "binomial", groups=["herd"])
    order = [f"h{i + 1}" for i in range(len(expected["effects"]))]
    own = fit.random_effects["herd"].sort_index(key=lambda k: [order.index(v) for v in k])
    values = sorted(own["Intercept"])
    assert_allclose(fit.group_sd["herd"], expected["sd"], rtol=1e-3)
    assert_allclose(values, sorted(expected["effects"]), atol=2e-3)
    errors = fit.random_effect_se(fixed_known=True)["herd"]["Intercept"]
    assert_allclose(sorted(errors), sorted(np.ravel(expected["condsd"])), rtol=2e-3)


def test_slopes_of_a_covariate_agree_with_r():
    d = data("orthodont")
    fit = fit_lmm("distance ~ age * sex", d, ["subject"])
    own = fit.slopes("age", "sex").set_index("sex")
    for row in EXPECTED["trends"]:
        at = own.loc[row["sex"]]
        assert_allclose([at["estimate"], at["se"], at["df"], at["low"], at["high"]],
                        [row["age.trend"], row["SE"], row["df"], row["lower.CL"], row["upper.CL"]],
                        rtol=1e-5)
    curve = fit_lmm("distance ~ poly(age, 2) * sex", d, ["subject"])
    own = curve.slopes("age", "sex", at={"age": 10}).set_index("sex")
    for row in EXPECTED["at_ten"]:
        at = own.loc[row["sex"]]
        assert_allclose([at["estimate"], at["se"], at["df"]],
                        [row["age.trend"], row["SE"], row["df"]], rtol=1e-4)
    assert_allclose(fit.slopes("age")["estimate"].iloc[0],
                    np.mean([r["age.trend"] for r in EXPECTED["trends"]]), rtol=1e-8)


def test_contrasts_by_name_and_comparisons_of_cells_agree_with_r():
    d = data("oats").assign(nitro=lambda x: x["nitro"].astype(str))
    fit = fit_lmm("yield_ ~ nitro * variety", d, ["block/variety"])
    assert [g.name for g in fit.random.groupings] == ["block:variety", "block"]
    levels = sorted(d["nitro"].unique())
    weights = {"linear": dict(zip(levels, [-3, -1, 1, 3], strict=True)),
               "rest": {levels[0]: -1, **dict.fromkeys(levels[1:], 1 / 3)}}
    own = fit.contrasts("nitro", weights)
    for row in EXPECTED["custom"]:
        at = own.loc[row["contrast"]]
        assert_allclose([at["estimate"], at["se"], at["df"], at["p"]],
                        [row["estimate"], row["SE"], row["df"], row["p.value"]], rtol=1e-4)
    cells = fit.compare("nitro:variety").table
    expected = EXPECTED["pairs"]
    assert len(cells) == len(expected["estimate"]) == 66
    assert_allclose(np.sort(np.abs(cells["estimate"])), np.sort(np.abs(expected["estimate"])),
                    atol=1e-6)
    assert_allclose(np.sort(cells["se"]), np.sort(expected["se"]), rtol=1e-5)
    assert_allclose(np.sort(cells["p"]), np.sort(expected["p"]), atol=1e-4)
    with pytest.raises(MixedModelError, match="'9' is not a level of nitro"):
        fit.contrasts("nitro", {"wrong": {"9": 1.0}})


def test_fits_are_pickled_and_shown():
    wine = data("wine")
    counts = fit_glmm("count ~ mined", data("salamanders"), "negative-binomial", groups=["site"])
    scores = fit_ordered("rating ~ temp + contact", wine, groups=["judge"])
    for fit in (sleep("whole", "reml"), counts, scores):
        again = pickle.loads(pickle.dumps(fit))
        pd.testing.assert_frame_equal(again.to_frame(), fit.to_frame())
        assert_allclose(again.objective, fit.objective, rtol=0)
        shown = fit._repr_html_()
        assert shown.startswith("<pre>")
        assert shown.count("<table") >= 2
        assert "estimate" in shown
    compared = scores.compare("temp")
    pd.testing.assert_frame_equal(pickle.loads(pickle.dumps(compared)).to_frame(),
                                  compared.to_frame())
    assert "<table" in compared._repr_html_()


def test_slopes_without_an_intercept_agree_with_r():
    """lme4 1.1-31: reaction ~ days + (0 + days | subject), REML."""
    sleep = data("sleepstudy")
    fit = fit_lmm("reaction ~ days", sleep, slopes={"subject": ["0", "days"]})
    assert list(fit.random_effects["subject"].columns) == ["days"]
    assert_allclose(fit.objective, 1766.52502748557, rtol=1e-10)
    assert_allclose([fit.group_sd["subject.days"], fit.residual_sd], [7.260029, 29.017747],
                    rtol=1e-6)  # fmt: skip
    assert_allclose(fit.summary("asymptotic")["se"], [4.01997076, 1.86955786], rtol=1e-6)
    assert_allclose(fit.predict(sleep), fit.predict(), rtol=1e-12)
    with pytest.raises(MixedModelError, match="take 'subject' out of groups, or '0' out of slopes"):
        fit_lmm("reaction ~ days", sleep, ["subject"], {"subject": ["0", "days"]})


@pytest.mark.parametrize("shift", [300.0, 2e4, 739_000.0])
def test_slopes_in_days_counted_from_long_ago(shift: float):
    """Dates as numbers: what is told of day zero moves with it, and nothing else."""
    sleep = data("sleepstudy")
    sleep["count"] = (sleep["reaction"] / 10).round()
    far = sleep.assign(days=sleep["days"] + shift)
    for fit in (
        lambda d: fit_lmm("reaction ~ days", d, slopes={"subject": ["days"]}),
        lambda d: fit_glmm("count ~ days", d, "poisson", slopes={"subject": ["days"]}),
    ):
        near, moved = fit(sleep), fit(far)
        assert_allclose(moved.objective, near.objective, rtol=1e-9)
        assert_allclose(moved.predict(far), near.predict(), rtol=1e-5)
        turn = np.array([[1.0, -shift], [0.0, 1.0]])
        covariance = turn @ near.group_cov["subject"] @ turn.T
        assert_allclose(moved.group_cov["subject"], covariance, rtol=1e-3)
        for of in ("random_effects", "random_effect_se"):
            one, two = (getattr(f, of) for f in (near, moved))
            one, two = (x() if callable(x) else x for x in (one, two))
            assert_allclose(two["subject"]["days"], one["subject"]["days"], rtol=1e-3, atol=1e-6)
    with pytest.raises(MixedModelError, match="zero lies far from the records' 'days'"):
        spread_intervals(fit_lmm("reaction ~ days", far, slopes={"subject": ["days"]}))
