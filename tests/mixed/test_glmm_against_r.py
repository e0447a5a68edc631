"""Generalised linear mixed models (Laplace) against glmmTMB and emmeans.

The values were made by reference/reference.R from public data sets; sources, versions and
the limits of R itself are in reference/README.md. Tolerance 1e-3, of the value or of the
standard error.
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

from trialkit.mixed import fit_glmm

FOLDER = Path(__file__).parent / "reference"
CASES: dict[str, Any] = json.loads((FOLDER / "reference.json").read_text())["glmm"]
ALL = sorted(CASES)
FACTORS = [(name, factor) for name in ALL for factor in CASES[name]["means"]]
ZERO_SD = 1e-3  # glmmTMB's zero is a logarithm running away


@cache
def model(name: str) -> Any:
    case = CASES[name]
    return fit_glmm(
        case["formula"],
        pd.read_csv(FOLDER / "data" / f"{case['data']}.csv"),
        family=case["family"],
        offset=case["offset"],
        groups=case["groups"],
        slopes={group: [column] for group, column in dict(case["slopes"] or {}).items()},
        method=case["method"],
    )


def order(name: str) -> list[int]:
    names = list(model(name).fixed.index)
    assert sorted(names) == sorted(CASES[name]["names"])
    return [CASES[name]["names"].index(c) for c in names]


@pytest.mark.parametrize("name", ALL)
def test_likelihood(name: str) -> None:
    assert_allclose(model(name).objective, -2 * CASES[name]["log_likelihood"], rtol=1e-6)


@pytest.mark.parametrize("name", ALL)
def test_fixed_effects_and_covariance(name: str) -> None:
    m, case, at = model(name), CASES[name], order(name)
    cov = np.array(case["cov_fixed"])[np.ix_(at, at)]
    se = np.sqrt(np.diag(cov))
    gap = np.abs(m.fixed.to_numpy() - np.array(case["fixed"])[at])
    assert np.all(gap <= 1e-3 * se)
    mine = np.asarray(m.cov_fixed, dtype=float)
    assert_allclose(mine / np.outer(se, se), cov / np.outer(se, se), atol=2e-3)


@pytest.mark.parametrize("name", ALL)
def test_group_standard_deviations_and_dispersion(name: str) -> None:
    m, case = model(name), CASES[name]
    for group, expected in case["group_sd"].items():
        if group in case.get("group_cov", {}):
            columns = case["group_cov_columns"][group]
            got = m.group_cov[group].loc[columns, columns].to_numpy()
            want = np.array(case["group_cov"][group])
            sd = np.sqrt(np.diag(want))
            assert_allclose(got / np.outer(sd, sd), want / np.outer(sd, sd), atol=2e-3)
        elif expected < ZERO_SD:
            assert m.group_sd[group] < ZERO_SD
        else:
            assert_allclose(m.group_sd[group], expected, rtol=1e-3)
    if case["family"] == "negative-binomial":
        assert_allclose(m.dispersion, case["size"], rtol=1e-3)


@pytest.mark.parametrize(("name", "factor"), FACTORS)
def test_means(name: str, factor: str) -> None:
    want = CASES[name]["means"][factor]
    table = model(name).means(factor).set_index(factor).loc[want["means"]["level"]]
    se = np.array(want["means"]["se"])
    assert np.all(np.abs(table["estimate"] - want["means"]["estimate"]) <= 1e-3 * se)
    assert_allclose(table["se"], se, rtol=2e-3)


@pytest.mark.parametrize(
    ("name", "factor"), [c for c in FACTORS if CASES[c[0]]["family"] != "binomial"]
)
def test_rates(name: str, factor: str) -> None:
    want = CASES[name]["means"][factor]
    table = model(name).means(factor, ratio=True).set_index(factor).loc[want["means"]["level"]]
    rate, se = np.array(want["response"]["estimate"]), np.array(want["response"]["se"])
    assert_allclose(table["rate"], rate, atol=1e-3 * se.min())
    assert_allclose(table["se"], se, rtol=2e-3)
    assert_allclose(table["low"], np.exp(want["means"]["low"]), rtol=1e-3)
    assert_allclose(table["high"], np.exp(want["means"]["high"]), rtol=1e-3)


@pytest.mark.parametrize("name", ALL)
def test_fitted_values(name: str) -> None:
    assert_allclose(model(name).predict()[:8], CASES[name]["fitted"], rtol=1e-3)


def test_proportions_with_trials_are_the_single_records() -> None:
    data = pd.read_csv(FOLDER / "data" / "cbpp.csv")
    cells = data.groupby(["herd", "period"], as_index=False)["case"].agg(["mean", "size"])
    m = fit_glmm("mean ~ period", cells, "binomial", groups=["herd"], weights="size")
    want = CASES["cbpp"]
    assert_allclose(m.fixed[want["names"]], want["fixed"], rtol=1e-3)
    assert_allclose(m.group_sd["herd"], want["group_sd"]["herd"], rtol=1e-3)


@pytest.mark.parametrize(("name", "factor"), FACTORS)
def test_ratios_of_all_pairs(name: str, factor: str) -> None:
    want = CASES[name]["means"][factor]["pairs"]
    table = model(name).compare(factor, df="asymptotic", ratio=True).table
    found = {(r.left, r.right): r for r in table.itertuples(index=False)}
    assert len(found) == len(want["left"])
    for i, (left, right) in enumerate(zip(want["left"], want["right"], strict=True)):
        sign = 1 if (left, right) in found else -1
        row = found[(left, right) if sign == 1 else (right, left)]
        ends = sorted(sign * np.log([row.low, row.high]))
        se = want["se"][i]
        assert_allclose(sign * np.log(row.ratio), want["estimate"][i], atol=1e-3 * se)
        assert_allclose(ends, [want["low"][i], want["high"][i]], atol=5e-3 * se)
        assert_allclose(row.p, want["p"][i], rtol=1e-2, atol=1e-4)
