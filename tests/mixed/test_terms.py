"""Tests of terms: no shift or scale of a covariate changes them, their df are the term's rank, and
a covariate may be zero where it is looked at.

The p-values of the plain part are those of ordinary least squares, checked against statsmodels.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from trialkit.mixed import MixedModelError, fit_lmm


@pytest.fixture(scope="module")
def data() -> pd.DataFrame:
    rng = np.random.default_rng(1)
    n = 96
    made = pd.DataFrame({"v": np.tile(list("abcd"), n // 4), "w": np.tile(list("xxyyzz"), n // 6),
                         "block": np.repeat([f"b{i}" for i in range(8)], n // 8)})  # fmt: skip
    made["x"] = rng.normal(10.0, 3.0, n)
    made["z"] = np.tile([-1.0, 0.0, 1.0], n // 3)
    made["y"] = made["v"].map({"a": 0.0, "b": 0.5, "c": 1.0, "d": 1.2}) + 0.3 * made["x"]
    made["y"] += rng.normal(size=n) + made["block"].str[1:].astype(float) * 0.3
    return made


def test_a_covariate_of_mean_zero_is_tested(data):
    assert data["z"].mean() == 0.0
    fit = fit_lmm("y ~ v * z", data, groups=["block"])
    shifted = fit_lmm("y ~ v * z", data.assign(z=data["z"] + 5.0), groups=["block"])
    for term, df in (("z", 1), ("v", 3), ("v:z", 3)):
        found = fit.f_test(term)
        assert found["num_df"] == df
        assert_allclose(found["F"], shifted.f_test(term)["F"], rtol=1e-6)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e4])
@pytest.mark.parametrize("shift", [-10.0, 0.0, 1e3])
@pytest.mark.parametrize("formula", ["y ~ v * x", "y ~ v * w + v:x", "y ~ v * poly(x, 2)"])
def test_neither_shift_nor_scale_matters(data, formula, shift, scale):
    one = fit_lmm(formula, data, groups=["block"])
    two = fit_lmm(formula, data.assign(x=scale * (data["x"] + shift)), groups=["block"])
    for term in one.part.terms:
        if term == "1":
            continue
        first, second = one.f_test(term), two.f_test(term)
        assert first["num_df"] == second["num_df"] == len(one.part.terms[term])
        assert_allclose(first["F"], second["F"], rtol=1e-5)


def test_a_column_nearly_the_same_as_another_costs_no_df(data):
    near = data.assign(x2=2.0 * data["x"] + 2e-7 * np.random.default_rng(2).normal(size=len(data)))
    fit = fit_lmm("y ~ v + x + x2", near, groups=["block"])
    assert fit.dropped == ("x2",)
    expected = fit_lmm("y ~ v + x", data, groups=["block"]).f_test("v")
    found = fit.f_test("v")
    assert found["num_df"] == 3
    assert found["reason"] == ""
    assert_allclose(found["p"], expected["p"], rtol=1e-4)


@pytest.mark.parametrize("apart", [1e-3, 1e-6, 2e-7, 5e-8])
@pytest.mark.parametrize("formula", ["y ~ v + x + x2", "y ~ v * x + x2"])
def test_what_is_left_out_does_not_hang_on_where_a_covariate_has_its_zero(data, formula, apart):
    noise = np.random.default_rng(2).normal(size=len(data))
    x = (data["x"] - data["x"].mean()) / data["x"].std()
    one = fit_lmm(formula, data.assign(x=x, x2=x + apart * noise), groups=["block"])
    for shift, scale in ((50.0, 1.0), (1e3, 1e-3)):
        moved = data.assign(x=shift + scale * x, x2=shift + scale * (x + apart * noise))
        two = fit_lmm(formula, moved, groups=["block"])
        assert two.dropped == one.dropped == (() if apart > 1e-7 else ("x2",))
        assert_allclose(two.f_test("v")["F"], one.f_test("v")["F"], rtol=1e-3)


def test_fewer_df_than_the_term_has_are_explained(data):
    part = data[~((data["v"] == "a") & (data["w"] == "x"))]
    found = fit_lmm("y ~ v * w", part, groups=["block"]).f_test("v:w")
    assert found["num_df"] < 6
    assert "cannot be estimated" in found["reason"]


@pytest.mark.parametrize(
    ("term", "df"),
    [("poly(x, 2)", 2), ("bs(x, df=4)", 4), ("scale(x)", 1), ("center(x)", 1), ("np.log(x)", 1)],
)
def test_terms_that_keep_a_state_can_be_asked_about(data, term, df):
    fit = fit_lmm(f"y ~ v + {term}", data, groups=["block"])
    assert fit.f_test(term)["num_df"] == df
    assert fit.means("v")["estimate"].notna().all()
    crossed = fit_lmm(f"y ~ v * {term}", data, groups=["block"])
    assert crossed.f_test(f"v:{term}")["num_df"] == 3 * df


def test_blanks_inside_a_transformation_are_noticed(data):
    blank = data.assign(x=data["x"].where(data["x"].index != 7))
    with pytest.raises(MixedModelError, match="'x' is blank in 1 of 96"):
        fit_lmm("y ~ v + poly(x, 2)", blank, groups=["block"])


def test_the_test_of_an_interaction_is_that_of_least_squares(data):
    import statsmodels.formula.api as smf

    ours = fit_lmm("y ~ v * x", data).f_test("v:x")
    plain = smf.ols("y ~ v * x", data).fit()
    peer = plain.compare_f_test(smf.ols("y ~ v + x", data).fit())
    assert_allclose([ours["F"], ours["p"]], peer[:2], rtol=1e-6)


@pytest.mark.parametrize("dtype", ["string", "category", "object", pd.ArrowDtype(pa.string())])
def test_every_kind_of_text_is_a_factor(data, dtype):
    fit = fit_lmm("y ~ v", data.astype({"v": dtype, "block": dtype}), groups=["block"])
    plain = fit_lmm("y ~ v", data, groups=["block"])
    assert_allclose(fit.means("v")["estimate"], plain.means("v")["estimate"])


@pytest.mark.parametrize("dtype", ["bool", "boolean", pd.ArrowDtype(pa.bool_())])
def test_yes_and_no_are_a_factor_of_two_levels(data, dtype):
    tall = (data["x"] > 10.0).astype(dtype)
    fit = fit_lmm("y ~ tall", data.assign(tall=tall), groups=["block"])
    words = tall.map({True: "yes", False: "no"}).astype(object)
    other = fit_lmm("y ~ tall", data.assign(tall=words), groups=["block"])
    assert_allclose(fit.means("tall")["estimate"], other.means("tall")["estimate"])
    assert_allclose(fit.predict(), other.predict())


def test_means_where_a_covariate_is_put(data):
    fit = fit_lmm("y ~ v * x", data, groups=["block"])
    low, high = (fit.means("v", at={"x": value})["estimate"] for value in (5.0, 6.0))
    slope = np.concatenate([[0.0], fit.fixed.filter(like=":x")]) + fit.fixed["x"]
    assert_allclose(high - low, slope)
    with pytest.raises(MixedModelError, match="not a covariate"):
        fit.means("v", at={"colour": 1.0})


def test_whether_a_fit_is_on_the_boundary_does_not_hang_on_units(data):
    days = pd.read_csv(Path(__file__).parent / "reference" / "data" / "sleepstudy.csv")
    for scale in (1e-6, 1.0, 1e6):
        fit = fit_lmm("reaction ~ days", days.assign(days=scale * days["days"]),
                      groups=["subject"], slopes={"subject": ["days"]})  # fmt: skip
        assert fit.boundary == ()


@settings(max_examples=12, deadline=None, derandomize=True)
@given(shift=st.sampled_from([0.0, -1e4, 1e7, 3e8]), scale=st.sampled_from([1e-8, 1.0, 1e8]),
       gap=st.sampled_from([0.5, -2.0]))  # fmt: skip
def test_what_can_be_estimated_does_not_hang_on_a_covariates_zero_or_unit(shift, scale, gap):
    """x2 says what x says, so a mean with the one moved and not the other cannot be told."""
    rng = np.random.default_rng(4)
    made = pd.DataFrame({"v": np.tile(list("abcd"), 8), "y": rng.normal(size=32)})
    at = np.round(rng.normal(size=32), 2)
    made["x"], made["x2"] = scale * (shift + at), scale * (shift + 2.0 * at)
    fit = fit_lmm("y ~ v + x + x2", made)
    assert fit.dropped == ("x2",)
    assert fit.means("v")["reason"].eq("").all()
    centre = made[["x", "x2"]].mean()
    step = {"x": gap * scale, "x2": 2.0 * gap * scale}
    apart = fit.means("v", at={"x": centre["x"] + step["x"]})
    assert apart["estimate"].isna().all()
    assert apart["reason"].str.contains("not estimable").all()
    along = fit.means("v", at={name: centre[name] + step[name] for name in step})
    assert along["reason"].eq("").all()
    alone = fit_lmm("y ~ v + x", made).means("v", at={"x": centre["x"] + step["x"]})
    assert_allclose(along["estimate"], alone["estimate"], rtol=1e-4, atol=1e-6)
    assert fit.f_test("v")["num_df"] == 3
