"""The same models fitted by statsmodels: mixed models by MixedLM, counts without groups by GLM.

MixedLM's own search stops at about five digits, so estimates are compared to 1e-3 of their
standard errors or 1e-4 relative, and our objective must be at least as good as its own.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from trialkit.mixed import fit_glmm, fit_lmm

DATA = Path(__file__).parent / "reference" / "data"


def frame(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / f"{name}.csv")


def mixedlm(formula: str, data: pd.DataFrame, reml: bool, **more: Any) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = smf.mixedlm(formula, data, **more)
        return model.fit(reml=reml, method=["lbfgs", "powell"], gtol=1e-10, maxiter=2000)


def same(ours: Any, theirs: Any) -> None:
    """Fixed effects, their covariance, the residual and the objective."""
    names = list(ours.fixed.index)
    se = np.sqrt(np.diagonal(ours.cov_fixed))
    # the two formula libraries name columns alike but order them differently
    assert sorted(theirs.fe_params.index) == sorted(names)
    assert np.abs(ours.fixed.to_numpy() - theirs.fe_params[names]).max() < 1e-3 * se.max()
    assert theirs.bse[names].to_numpy() == pytest.approx(se, rel=2e-3)
    assert ours.residual_sd**2 == pytest.approx(theirs.scale, rel=1e-3)
    assert ours.objective <= -2.0 * theirs.llf + 1e-6
    assert ours.objective == pytest.approx(-2.0 * theirs.llf, abs=1e-3)


INTERCEPTS = [
    ("ergostool", "effort ~ type_", "subject"),
    ("orthodont", "distance ~ age * sex", "subject"),
    ("sleepstudy", "reaction ~ days", "subject"),
    ("ratpup", "weight_g ~ treatment * sex", "litter"),
]


@pytest.mark.parametrize("method", ["reml", "ml"])
@pytest.mark.parametrize(("name", "formula", "group"), INTERCEPTS)
def test_random_intercepts(name: str, formula: str, group: str, method: str) -> None:
    data = frame(name).rename(columns=str.lower)
    ours = fit_lmm(formula, data, groups=[group], method=method)
    theirs = mixedlm(formula, data, method == "reml", groups=data[group])
    same(ours, theirs)
    assert ours.group_sd[group] ** 2 == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=2e-3)
    effects = pd.Series({k: v.iloc[0] for k, v in theirs.random_effects.items()})
    mine = ours.random_effects[group]["Intercept"].loc[effects.index]
    assert mine.to_numpy() == pytest.approx(effects.to_numpy(), abs=2e-3 * ours.group_sd[group])


@pytest.mark.parametrize("method", ["reml", "ml"])
def test_random_slopes(method: str) -> None:
    data = frame("sleepstudy")
    ours = fit_lmm("reaction ~ days", data, slopes={"subject": ["days"]}, method=method)
    theirs = mixedlm("reaction ~ days", data, method == "reml", groups=data["subject"],
                     re_formula="~ days")  # fmt: skip
    same(ours, theirs)
    assert ours.group_cov["subject"].to_numpy() == pytest.approx(
        theirs.cov_re.to_numpy(), rel=5e-3, abs=0.05
    )


def test_nested_groups_as_variance_components() -> None:
    data = frame("pastes")
    ours = fit_lmm("strength ~ 1", data, groups=["batch", "batch:cask"])
    theirs = mixedlm("strength ~ 1", data, True, groups=data["batch"], re_formula="1",
                     vc_formula={"cask": "0 + C(cask)"})  # fmt: skip
    same(ours, theirs)
    assert ours.group_sd["batch:cask"] ** 2 == pytest.approx(float(theirs.vcomp[0]), rel=5e-3)


def test_crossed_groups_as_variance_components() -> None:
    data = frame("penicillin")
    ours = fit_lmm("diameter ~ 1", data, groups=["plate", "sample"])
    parts = {"plate": "0 + C(plate)", "sample": "0 + C(sample)"}
    theirs = mixedlm("diameter ~ 1", data, True, groups=np.ones(len(data)), vc_formula=parts)
    assert ours.objective == pytest.approx(-2.0 * theirs.llf, abs=1e-3)
    found = np.array([ours.group_sd["plate"], ours.group_sd["sample"]]) ** 2
    assert found == pytest.approx(theirs.vcomp, rel=5e-3)


def test_no_groups_is_least_squares() -> None:
    data = frame("npk")
    ours = fit_lmm("yield_ ~ block + n * p * k", data)
    theirs = smf.ols("yield_ ~ block + n + p + k + n:p + n:k + p:k", data).fit()
    assert ours.dropped  # n:p:k is one with blocks in this layout
    assert ours.residual_sd**2 == pytest.approx(theirs.mse_resid, rel=1e-9)
    test = ours.f_test("n")
    classical = sm.stats.anova_lm(
        smf.ols("yield_ ~ block + C(n, Sum) + C(p, Sum) + C(k, Sum) + C(n, Sum):C(p, Sum)"
                " + C(n, Sum):C(k, Sum) + C(p, Sum):C(k, Sum)", data).fit(), typ=3)  # fmt: skip
    assert test["F"] == pytest.approx(classical.loc["C(n, Sum)", "F"], rel=1e-8)
    assert test["den_df"] == pytest.approx(theirs.df_resid)


def counts() -> pd.DataFrame:
    data = frame("salamanders").rename(columns=str.lower)
    return data.assign(weeks=np.linspace(-0.5, 0.5, len(data)))


@pytest.mark.parametrize("family", ["poisson", "negative-binomial"])
def test_counts_without_groups(family: str) -> None:
    data = counts()
    ours = fit_glmm("count ~ mined + species", data, family, offset="weeks")
    law = sm.families.Poisson() if family == "poisson" else sm.families.NegativeBinomial(
        alpha=1.0 / ours.dispersion)  # fmt: skip
    model = smf.glm("count ~ mined + species", data, family=law, offset=data["weeks"])
    theirs = model.fit(tol=1e-12)
    names = list(ours.fixed.index)
    se = np.sqrt(np.diagonal(ours.cov_fixed))
    assert np.abs(ours.fixed.to_numpy() - theirs.params[names].to_numpy()).max() < 1e-4 * se.max()
    assert ours.objective == pytest.approx(-2.0 * theirs.llf, abs=1e-5)
    if family == "poisson":
        assert se == pytest.approx(theirs.bse[names].to_numpy(), rel=1e-5)


def test_negative_binomial_dispersion_without_groups() -> None:
    data = counts()
    ours = fit_glmm("count ~ mined + species", data, "negative-binomial", offset="weeks")
    model = smf.negativebinomial("count ~ mined + species", data, offset=data["weeks"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = model.fit(disp=0, method="bfgs", maxiter=2000, gtol=1e-8)
    assert 1.0 / ours.dispersion == pytest.approx(theirs.params["alpha"], rel=1e-4)
    assert ours.objective == pytest.approx(-2.0 * theirs.llf, abs=1e-5)
    se = np.sqrt(np.diagonal(ours.cov_fixed))
    assert se == pytest.approx(theirs.bse.to_numpy()[:-1], rel=1e-3)


def test_yes_or_no_without_groups() -> None:
    data = frame("bacteria").rename(columns=str.lower)
    ours = fit_glmm("present ~ late + treatment", data, "binomial")
    model = smf.glm("present ~ late + treatment", data, family=sm.families.Binomial())
    theirs = model.fit(tol=1e-12)
    assert ours.fixed.to_numpy() == pytest.approx(theirs.params[ours.fixed.index], rel=1e-5)
    assert ours.objective == pytest.approx(-2.0 * theirs.llf, abs=1e-6)
