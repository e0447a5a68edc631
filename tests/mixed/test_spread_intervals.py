"""Profile intervals of standard deviations against those of lme4 and ordinal
(reference/spreads.R)."""

from __future__ import annotations

import json
from math import log
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from trialkit.mixed import (
    LMM,
    MixedModelError,
    fit_glmm,
    fit_known,
    fit_lmm,
    fit_ordered,
    fit_structured,
    spread_intervals,
)

FOLDER = Path(__file__).parent / "reference"
EXPECTED: dict[str, Any] = json.loads((FOLDER / "spreads.json").read_text())
MODELS: dict[str, tuple[str, dict[str, Any]]] = {
    "dyestuff": ("yield_ ~ 1", {"groups": ["batch"]}),
    "sleepstudy": ("reaction ~ days",
                   {"slopes": {"subject": ["days"]}, "uncorrelated": ["subject"]}),
    "correlated": ("reaction ~ days", {"slopes": {"subject": ["days"]}}),
    "penicillin": ("diameter ~ 1", {"groups": ["plate", "sample"]}),
}


def read(name: str) -> pd.DataFrame:
    return pd.read_csv(FOLDER / "data" / f"{name}.csv")


def fitted(name: str, method: str = "ml") -> LMM:
    formula, options = MODELS[name]
    data = read("sleepstudy" if name == "correlated" else name)
    return fit_lmm(formula, data, method=method, **options)


@pytest.mark.parametrize("name", [
    pytest.param(name, marks=pytest.mark.slow if name == "penicillin" else ())
    for name in sorted(MODELS)])
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


@pytest.mark.parametrize(("name", "fit"), [
    ("cbpp", lambda data: fit_glmm("case ~ period", data, "binomial", groups=["herd"])),
    ("wine", lambda data: fit_ordered("rating ~ temp + contact", data, ["judge"])),
])  # fmt: skip
def test_intervals_of_counts_and_scores_agree_with_r(name: str, fit):
    own = spread_intervals(fit(read(name))).iloc[0]
    assert_allclose(own["low"], EXPECTED[name]["low"], rtol=5e-4)
    assert_allclose(own["high"], EXPECTED[name]["high"], rtol=5e-4)


def test_a_known_residual_is_the_same_said_as_number_or_as_covariance():
    data = read("dyestuff")
    one = spread_intervals(fit_lmm("yield_ ~ 1", data, ["batch"], residual_sd=50.0))
    two = spread_intervals(fit_known("yield_ ~ 1", data, 2500.0 * np.eye(30), ["batch"]))
    assert list(one.index) == ["batch"]
    assert_allclose(one, two, rtol=1e-5)


def test_what_has_no_profile_is_refused_in_words():
    data = read("sleepstudy").assign(count=lambda d: (d["reaction"] / 20).round())
    slopes = fit_glmm("count ~ days", data, "poisson", slopes={"subject": ["days"]})
    with pytest.raises(MixedModelError, match="correlated slopes.*linear models only"):
        spread_intervals(slopes)
    serial = fit_structured("reaction ~ days", data, ["subject"], serial={"subject": "days"})
    with pytest.raises(MixedModelError, match="not worked out with serial correlation"):
        spread_intervals(serial)
