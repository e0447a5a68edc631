"""Profile intervals of standard deviations against lme4's (reference/spreads.R)."""

from __future__ import annotations

import json
from math import log
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from trialkit.mixed import LMM, MixedModelError, fit_lmm, spread_intervals

FOLDER = Path(__file__).parent / "reference"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "spreads.json").read_text())
MODELS: dict[str, tuple[str, dict[str, Any]]] = {
    "dyestuff": ("yield_ ~ 1", {"groups": ["batch"]}),
    "sleepstudy": ("reaction ~ days",
                   {"slopes": {"subject": ["days"]}, "uncorrelated": ["subject"]}),
    "penicillin": ("diameter ~ 1", {"groups": ["plate", "sample"]}),
}


def fitted(name: str, method: str = "ml") -> LMM:
    formula, options = MODELS[name]
    data = pd.read_csv(FOLDER / "data" / f"{name}.csv")
    return fit_lmm(formula, data, method=method, **options)


@pytest.mark.parametrize("name", sorted(MODELS))
def test_intervals_agree_with_r(name: str):
    """lme4 reads its limits off a spline through the profile, good to about 2e-4."""
    own = spread_intervals(fitted(name))
    assert_allclose(own["low"], EXPECTED[name]["low"], rtol=5e-4)
    assert_allclose(own["high"], EXPECTED[name]["high"], rtol=5e-4)


def test_the_limit_is_where_the_likelihood_has_risen_by_the_quantile():
    """Without groupings: n log(s^2) + rss / s^2 of a normal sample, by hand."""
    data = pd.read_csv(FOLDER / "data" / "dyestuff.csv")
    own = spread_intervals(fit_lmm("yield_ ~ 1", data, method="ml")).loc["residual"]
    n, s2 = len(data), float(data["yield_"].var(ddof=0))
    for limit in (own["low"], own["high"]):
        ratio = s2 / limit**2
        assert_allclose(n * (ratio - 1.0 - log(ratio)), stats.chi2.ppf(0.95, 1), rtol=1e-4)


def test_a_variance_at_zero_has_an_upper_limit():
    data = pd.read_csv(FOLDER / "data" / "dyestuff2.csv")
    own = spread_intervals(fit_lmm("yield_ ~ 1", data, ["batch"]))
    assert own.loc["batch", "low"] == 0.0
    assert 0.0 < own.loc["batch", "high"] < own.loc["residual", "high"]


@pytest.mark.slow
def test_restricted_intervals_are_wider_above():
    own, plain = spread_intervals(fitted("penicillin", "reml")), spread_intervals(
        fitted("penicillin"))  # fmt: skip
    assert own.loc["sample", "high"] > plain.loc["sample", "high"]


def test_correlated_slopes_are_refused():
    data = pd.read_csv(FOLDER / "data" / "sleepstudy.csv")
    with pytest.raises(MixedModelError, match="correlated slopes"):
        spread_intervals(fit_lmm("reaction ~ days", data, slopes={"subject": ["days"]}))
