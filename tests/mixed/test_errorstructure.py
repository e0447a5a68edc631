"""Serial correlation and residual variances by group: nlme's values on public data
(reference/structured.R), Kenward & Roger 1997 with whole matrices, refusals."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from trialkit.mixed import MixedModelError, compare_fits, fit_lmm, fit_structured

FOLDER = Path(__file__).parent / "reference"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "structured.json").read_text())
SERIAL = {"subject": "age"}
MODELS: dict[str, tuple[str, str, dict[str, Any]]] = {
    "growth_gls": ("orthodont", "distance ~ age * sex", {"serial": SERIAL, "residual_by": "sex"}),
    "growth_lme": ("orthodont", "distance ~ age * sex",
                   {"groups": ["subject"], "serial": SERIAL, "residual_by": "sex"}),
    "growth_by_sex": ("orthodont", "distance ~ age * sex",
                      {"groups": ["subject"], "residual_by": "sex"}),
    "growth_missing": ("missing", "distance ~ age * sex",
                       {"serial": SERIAL, "residual_by": "sex"}),
    "ovary": ("ovary", "follicles ~ s + c", {"groups": ["mare"], "serial": {"mare": "scan"}}),
    "ovary_ml": ("ovary", "follicles ~ s + c",
                 {"groups": ["mare"], "serial": {"mare": "scan"}, "method": "ml"}),
    "ovary_slope": ("ovary", "follicles ~ s + c",
                    {"slopes": {"mare": ["s"]}, "uncorrelated": ["mare"],
                     "serial": {"mare": "scan"}}),
    "bodyweight": ("bodyweight", "weight ~ day * diet",
                   {"groups": ["rat"], "serial": {"rat": "day"}, "residual_by": "diet"}),
}


def records(name: str) -> pd.DataFrame:
    if name != "missing":
        return pd.read_csv(FOLDER / "data" / f"{name}.csv")
    growth = records("orthodont")
    return growth.drop(index=[1, 6, 29, 50, 69, 98]).reset_index(drop=True)


def fitted(name: str, change: Callable[[pd.DataFrame], pd.DataFrame] = lambda d: d) -> Any:
    source, formula, options = MODELS[name]
    return fit_structured(formula, change(records(source)), **options)


@pytest.mark.parametrize("name", sorted(MODELS))
def test_fits_agree_with_nlme(name: str) -> None:
    """nlme stops a little short: the likelihood here is never below its own."""
    fit, expected = fitted(name), EXPECTED[name]
    assert -1e-9 < fit.log_likelihood - expected["log_likelihood"] < 1e-6
    assert_allclose(fit.aic, expected["aic"], rtol=1e-8)
    if expected["correlation"] is not None:
        assert_allclose(fit.correlation, expected["correlation"], rtol=1e-5)
    residual = expected["residual"]
    if isinstance(residual, dict):
        assert_allclose(fit.residual_sds, [residual[x] for x in fit.residual_sds.index], rtol=1e-6)
    else:
        assert_allclose(fit.residual_sd, residual, rtol=1e-6)
    if name == "bodyweight":
        assert fit.boundary == ("rat",)  # nlme's variance goes towards zero and never arrives
    else:
        assert_allclose(fit.group_sd, np.atleast_1d(expected["sd"]), rtol=1e-5)
    assert_allclose(fit.fitted[:8], expected["fitted"], rtol=1e-6)
    if name != "growth_missing":  # nlme's root of R is another one there
        assert_allclose(fit.residuals("quantile")[:8], expected["normalized"], atol=1e-5)
    if name.startswith("ovary"):
        assert_allclose(fit.fixed, list(expected["fixed"].values()), rtol=1e-6)
        assert_allclose(np.sqrt(np.diagonal(fit.cov_fixed)), expected["se"], rtol=1e-5)


def test_kenward_roger_agrees_with_whole_matrices() -> None:
    """Kenward & Roger 1997, eqs for Phi_A and the df, from V and its numerical derivatives."""
    data = records("missing")
    formula = "distance ~ age * sex"
    fit = fit_structured(formula, data, ["subject"], serial=SERIAL, residual_by="sex")
    x = fit.part.rows[:, fit.part.kept][fit.part.codes]
    same = data["subject"].to_numpy()[:, None] == data["subject"].to_numpy()
    lag = np.abs(np.subtract.outer(data["age"].to_numpy(), data["age"].to_numpy())) / 2.0
    male = (data["sex"] == "Male").to_numpy()

    def covariance(at: np.ndarray) -> np.ndarray:
        sd = np.sqrt(np.where(male, at[2], at[1]))
        return same * (at[0] + np.outer(sd, sd) * at[3] ** lag)

    s = fit.residual_sds**2
    at = np.array([fit.group_sd["subject"] ** 2, s["Female"], s["Male"], fit.correlation])
    steps = 1e-3 * np.array([at[0], at[1], at[2], 0.3])

    def slope(i: int, where: np.ndarray) -> np.ndarray:
        e = np.eye(4)[i] * steps[i]
        ends = [covariance(where + t * e) for t in (-2, -1, 1, 2)]
        return np.asarray((ends[0] - 8 * ends[1] + 8 * ends[2] - ends[3]) / (12 * steps[i]))

    v = covariance(at)
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    p = inverse - inverse @ x @ phi @ x.T @ inverse
    d = [slope(i, at) for i in range(4)]
    expected = np.array([[np.trace(p @ a @ p @ b) for a in d] for b in d])
    w = 2.0 * np.linalg.inv(expected)
    u = inverse @ x
    total = np.zeros_like(phi)
    for i in range(4):
        for j in range(4):
            e = np.eye(4)[j] * steps[j]
            ends = [slope(i, at + t * e) for t in (-2, -1, 1, 2)]
            bent = (ends[0] - 8 * ends[1] + 8 * ends[2] - ends[3]) / (12 * steps[j])
            q = u.T @ d[i] @ inverse @ d[j] @ u
            side = u.T @ d[i] @ u @ phi @ u.T @ d[j] @ u
            total += w[i, j] * (q - side - 0.25 * u.T @ bent @ u)
    adjusted = phi + 2.0 * phi @ total @ phi
    table = fit.summary(df="kenward-roger")
    assert_allclose(table["se"], np.sqrt(np.diagonal(adjusted)), rtol=2e-7)
    for row, df in zip(np.eye(4), table["df"], strict=True):
        side = np.array([row @ phi @ u.T @ a @ u @ phi @ row for a in d])
        assert_allclose(df, 2.0 * (row @ phi @ row) ** 2 / (side @ w @ side), rtol=2e-6)
    assert_allclose(fit.cov_fixed, phi, rtol=1e-8)


def test_without_structure_it_is_the_plain_model() -> None:
    data = records("orthodont").assign(w=lambda d: 1.0 + d["age"] / 10)
    options: dict[str, Any] = {"groups": ["subject"], "weights": "w"}
    own = fit_structured("distance ~ age * sex", data, **options)
    plain = fit_lmm("distance ~ age * sex", data, **options)
    assert_allclose(own.objective, plain.objective, rtol=1e-12)
    table = plain.summary()[["estimate", "se", "df"]]
    assert_allclose(own.summary()[["estimate", "se", "df"]], table, rtol=1e-7)
    assert_allclose(own.f_test("age:sex")["den_df"], plain.f_test("age:sex")["den_df"], rtol=1e-7)


def test_two_samples_with_variances_of_their_own_are_welchs() -> None:
    """Welch 1947, Biometrika 34:28: his t and df, from scipy."""
    rng = np.random.default_rng(5)
    data = pd.DataFrame({"v": ["a"] * 9 + ["b"] * 14})
    data["y"] = np.where(data["v"] == "a", rng.normal(3, 1, 23), rng.normal(4, 3, 23))
    fit = fit_structured("y ~ v", data, residual_by="v")
    a, b = data["y"][data["v"] == "a"], data["y"][data["v"] == "b"]
    assert_allclose(fit.residual_sds, [a.std(), b.std()], rtol=1e-6)
    row = fit.compare("v").table.iloc[0]
    welch = stats.ttest_ind(a, b, equal_var=False)
    assert_allclose(abs(row["estimate"] / row["se"]), abs(welch.statistic), rtol=1e-6)
    assert_allclose(row["df"], welch.df, rtol=1e-6)
    plain = fit.compare("v", df="satterthwaite").table.iloc[0]
    assert_allclose([plain["df"], abs(plain["statistic"])], [welch.df, abs(welch.statistic)],
                    rtol=1e-6)  # fmt: skip


def test_order_of_records_and_unit_of_time_do_not_matter() -> None:
    whole = fitted("ovary")
    mixed = fitted("ovary", lambda d: d.sample(frac=1.0, random_state=3).assign(
        scan=lambda d: pd.Timestamp("2021-06-01") + pd.to_timedelta(3 * d["scan"], "D")))
    assert_allclose(mixed.objective, whole.objective, rtol=1e-12)
    assert_allclose(mixed.correlation, whole.correlation, rtol=1e-6)
    assert_allclose(mixed.summary()["df"], whole.summary()["df"], rtol=1e-5)


def test_the_ratio_of_likelihoods_tests_the_correlation() -> None:
    data = records("ovary")
    plain = fit_lmm("follicles ~ s + c", data, ["mare"])
    table = compare_fits(plain, fitted("ovary"), names=["plain", "serial"])
    assert table.loc["serial", "df"] == 1.0
    assert table.loc["serial", "p"] < 1e-12
    alike = compare_fits(fitted("growth_gls"), fitted("growth_by_sex"))
    assert "not one within the other" in alike.iloc[1]["remark"]


def test_draws_look_like_the_fit() -> None:
    fit = fitted("growth_gls")
    draws = fit.simulate(1, 4000) - fit.predict(random=False)
    covered = np.cov(draws[:, :4].T)
    sd = fit.residual_sds["Male"]
    lag = np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
    assert_allclose(covered, sd**2 * fit.correlation**lag, rtol=0.12)
    again = fit.refit(fit.simulate(2)[0])
    assert again.correlation != fit.correlation


@pytest.mark.parametrize(("options", "change", "words"), [
    ({"serial": {"subject": "age"}}, lambda d: d.replace({"age": {14: 15}}),
     "not equally spaced: the shortest gap is 2, and 27 of 81"),
    ({"serial": {"subject": "age"}}, lambda d: pd.concat([d, d.head(1)]),
     "1 records share their 'subject' and 'age' with another, the first at subject 'M01', age 8"),
    ({"serial": {"subject": "year"}}, lambda d: d, "'year' is not a column"),
    ({"serial": {"subject": "age", "sex": "age"}}, lambda d: d, "one factor and one column"),
    ({"serial": {"distance": "age"}}, lambda d: d.assign(distance=np.arange(108.0)),
     "no level of 'distance' has two records"),
    ({"residual_by": "sex"}, lambda d: d[d["sex"] == "Male"].assign(age2=1.0), "only 'Male'"),
    ({"residual_by": "one"}, lambda d: d.assign(one=["a"] + ["b"] * 107), "'a' has one record"),
])  # fmt: skip
def test_wrong_use_is_said(options: dict[str, Any], change: Any, words: str) -> None:
    with pytest.raises(MixedModelError, match=words):
        fit_structured("distance ~ age", change(records("orthodont")), **options)


def test_errors_of_random_effects_agree_with_whole_matrices() -> None:
    """Henderson 1975: var(b^ - b) = G - G Z'PZ G."""
    data = records("missing")
    fit = fit_structured("distance ~ age * sex", data, ["subject"], serial=SERIAL,
                         residual_by="sex")  # fmt: skip
    z = np.equal.outer(data["subject"].to_numpy(), fit.random_effects["subject"].index) * 1.0
    x = fit.part.rows[:, fit.part.kept][fit.part.codes]
    lag = np.abs(np.subtract.outer(data["age"].to_numpy(), data["age"].to_numpy())) / 2.0
    sd = data["sex"].map(fit.residual_sds).to_numpy()
    g = fit.group_sd["subject"] ** 2
    inverse = np.linalg.inv(z @ z.T * (g + np.outer(sd, sd) * fit.correlation**lag))
    p = inverse - inverse @ x @ np.linalg.inv(x.T @ inverse @ x) @ x.T @ inverse
    errors = np.sqrt(g - g**2 * np.diagonal(z.T @ p @ z))
    assert_allclose(fit.random_effect_se()["subject"]["Intercept"], errors, rtol=1e-8)


@pytest.mark.parametrize("name", ["ovary", "growth_lme"])
def test_satterthwaites_df_of_one_contrast_are_kenward_and_rogers(name: str) -> None:
    """With the expected information both are 2 (l'Cl)^2 / Var(l'Cl) (Giesbrecht & Burns 1985;
    Kenward & Roger 1997); the standard error is the unadjusted one."""
    fit = fitted(name)
    ours, other = fit.summary("satterthwaite"), fit.summary("kenward-roger")
    assert_allclose(ours["df"], other["df"], rtol=1e-6)
    assert_allclose(ours["se"] ** 2, np.diagonal(fit.cov_fixed), rtol=1e-9)


def test_satterthwaite_needs_reml() -> None:
    data = pd.DataFrame({"v": list("ab") * 6, "y": np.arange(12.0) ** 1.5})
    with pytest.raises(MixedModelError, match="method='reml'"):
        fit_structured("y ~ v", data, residual_by="v", method="ml").summary("satterthwaite")


def test_a_correlation_that_runs_to_one_is_said() -> None:
    data = pd.DataFrame({"plant": np.repeat(list("abcdef"), 4), "pick": [1, 2, 3, 4] * 6})
    wander = np.random.default_rng(2).normal(0.0, 1.0, (6, 4)).cumsum(axis=1)
    data["y"] = np.repeat(np.arange(6.0) * 50.0, 4) + wander.ravel()
    with pytest.raises(MixedModelError, match="runs to 1"):
        fit_structured("y ~ pick", data, serial={"plant": "pick"})
