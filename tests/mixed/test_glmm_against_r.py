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
EVERY: dict[str, Any] = json.loads((FOLDER / "reference.json").read_text())["glmm"]
CASES = {name: case for name, case in EVERY.items() if case["method"] == "ml"}
ALL = sorted(CASES)
FACTORS = [(name, factor) for name in ALL for factor in CASES[name]["means"]]
ZERO_SD = 1e-3  # glmmTMB's zero is a logarithm running away


@cache
def model(name: str) -> Any:
    case = EVERY[name]
    return fit_glmm(
        case["formula"],
        pd.read_csv(FOLDER / "data" / f"{case['data']}.csv"),
        family=case["family"],
        offset=case["offset"],
        groups=case["groups"],
        slopes={group: [column] for group, column in dict(case["slopes"] or {}).items()},
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
