"""Linear mixed models against lme4, lmerTest, pbkrtest and emmeans.

The values were made by reference/reference.R from public data sets; sources, versions and
the limits of R itself are in reference/README.md. Tolerances: estimates 1e-5 relative (to
the value or to its standard error, whichever is larger), Kenward-Roger df and se 1e-4.
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

from trialkit.mixed import MixedModelError, fit_lmm

FOLDER = Path(__file__).parent / "reference"
CASES: dict[str, Any] = json.loads((FOLDER / "reference.json").read_text())["lmm"]
ALL = sorted(CASES)
REML = [name for name in ALL if CASES[name]["method"] == "reml"]
WITH_F = [name for name in REML if CASES[name].get("f_tests")]
FACTORS = [(name, factor) for name in REML for factor in CASES[name]["means"]]
AGAINST = [(n, f) for n, f in FACTORS if CASES[n]["means"][f].get("against")]


def records(name: str) -> pd.DataFrame:
    data = pd.read_csv(FOLDER / "data" / f"{CASES[name]['data']}.csv")
    if name == "oats_empty_cell":
        data = data[~((data["variety"] == "Victory") & (data["nitro"] == 0.6))]
    return data.reset_index(drop=True)


@cache
def model(name: str) -> Any:
    case = CASES[name]
    return fit_lmm(
        case["formula"],
        records(name),
        groups=case["groups"],
        slopes={group: [column] for group, column in dict(case["slopes"] or {}).items()},
        weights=case["weights"],
        method=case["method"],
    )


def order(name: str) -> list[int]:
    """R's coefficients in the order of the fit; dropped columns left out of both."""
    kept = [c for c in model(name).fixed.index if not np.isnan(model(name).fixed[c])]
    assert sorted(kept) == sorted(CASES[name]["names"])
    return [CASES[name]["names"].index(c) for c in kept]


def level(value: object) -> str:
    return f"{value:g}" if isinstance(value, float | int | np.number) else str(value)


def aligned(table: pd.DataFrame, expected: dict[str, Any]) -> pd.DataFrame:
    """Rows of a comparison in R's order and direction (left minus right)."""
    found = {(level(r.left), level(r.right)): r._asdict() for r in table.itertuples(index=False)}
    right = expected.get("right") or [expected["control"]] * len(expected["left"])
    rows = []
    for pair in zip(expected["left"], right, strict=True):
        if pair in found:
            rows.append(found[pair])
            continue
        r = found[pair[::-1]]
        rows.append(
            r | {"estimate": -r["estimate"], "statistic": -r["statistic"],
                 "low": -r["high"], "high": -r["low"]}
        )  # fmt: skip
    assert len(found) == len(rows)
    return pd.DataFrame(rows)


def at_zero(name: str) -> dict[str, float]:
    """R's Type III hypotheses take a covariate at zero, not at its mean."""
    return dict.fromkeys(model(name).part.covariates, 0.0)


@pytest.mark.parametrize("name", ALL)
def test_objective_and_estimates(name: str) -> None:
    m, case, at = model(name), CASES[name], order(name)
    assert_allclose(m.objective, case["objective"], rtol=1e-7)
    assert_allclose(m.residual_sd, case["sigma"], rtol=1e-5)
    cov = np.atleast_2d(case["cov_fixed"])[np.ix_(at, at)]
    se = np.sqrt(np.diag(cov))
    fixed = m.fixed.dropna()
    assert np.all(np.abs(fixed.to_numpy() - np.array(case["fixed"])[at])
                  <= 1e-5 * np.maximum(se, np.abs(fixed)))  # fmt: skip
    mine = pd.DataFrame(m.cov_fixed).to_numpy()
    mine = mine[~np.isnan(np.diag(mine))][:, ~np.isnan(np.diag(mine))]
    assert_allclose(mine / np.outer(se, se), cov / np.outer(se, se), atol=1e-5)


@pytest.mark.parametrize("name", ALL)
def test_group_standard_deviations(name: str) -> None:
    m, case = model(name), CASES[name]
    for group, expected in case["group_sd"].items():
        if group in case.get("group_cov", {}):
            columns = case["group_cov_columns"][group]
            got = m.group_cov[group].loc[columns, columns].to_numpy()
            want = np.array(case["group_cov"][group])
            sd = np.sqrt(np.diag(want))
            assert_allclose(got / np.outer(sd, sd), want / np.outer(sd, sd), atol=2e-5)
        elif expected == 0:
            assert m.group_sd[group] == 0
            assert group in list(m.boundary)
        else:
            assert_allclose(m.group_sd[group], expected, rtol=1e-5)
            assert group not in list(m.boundary)


@pytest.mark.parametrize("name", [n for n in ALL if CASES[n].get("random_effects")])
def test_predicted_random_effects(name: str) -> None:
    for group, expected in CASES[name]["random_effects"].items():
        table = model(name).random_effects[group]
        got = table.loc[expected["level"], expected["columns"]].to_numpy()
        want = np.array(expected["values"], dtype=float).reshape(got.shape)
        assert_allclose(got, want, atol=1e-5 * np.abs(want).max())


@pytest.mark.parametrize("name", ALL)
def test_fitted_values(name: str) -> None:
    data = records(name)
    got = np.asarray(model(name).predict(data.head(8)), dtype=float)
    assert_allclose(got, CASES[name]["fitted"], rtol=1e-5)


@pytest.mark.parametrize("name", [n for n in REML if n != "oats_empty_cell"])
def test_kenward_roger_coefficients(name: str) -> None:
    case, at = CASES[name], order(name)
    table = model(name).contrast(np.eye(len(at)), df="kenward-roger")
    se = np.sqrt(np.diag(np.atleast_2d(case["cov_kr"])))[at]
    assert_allclose(table["se"], se, rtol=1e-4)
    assert_allclose(table["df"], np.atleast_1d(case["df_kr"])[at], rtol=1e-4)


@pytest.mark.parametrize("name", [n for n in REML if n != "oats_empty_cell"])
def test_satterthwaite_coefficients(name: str) -> None:
    case, at = CASES[name], order(name)
    table = model(name).contrast(np.eye(len(at)), df="satterthwaite")
    assert_allclose(table["se"], np.sqrt(np.diag(np.atleast_2d(case["cov_fixed"])))[at], rtol=1e-4)
    assert_allclose(table["df"], np.atleast_1d(case["df_satterthwaite"])[at], rtol=1e-4)


@pytest.mark.parametrize("name", WITH_F)
def test_kenward_roger_f(name: str) -> None:
    for expected in CASES[name]["f_tests"]:
        got = model(name).f_test(expected["term"], df="kenward-roger", at=at_zero(name))
        assert got.num_df == expected["num_df"]
        assert_allclose(got.den_df, expected["den_df"], rtol=1e-4)
        assert_allclose(got.F, expected["F"], rtol=1e-4)
        assert_allclose(got.p, expected["p"], rtol=1e-3, atol=1e-12)


@pytest.mark.parametrize("name", WITH_F)
def test_satterthwaite_f(name: str) -> None:
    for expected in CASES[name]["f_tests"]:
        got = model(name).f_test(expected["term"], df="satterthwaite", at=at_zero(name))
        assert got.num_df == expected["num_df"]
        assert_allclose(got.den_df, expected["satterthwaite"]["den_df"], rtol=1e-4)
        assert_allclose(got.F, expected["satterthwaite"]["F"], rtol=1e-4)


@pytest.mark.parametrize(("name", "factor"), FACTORS)
def test_marginal_means(name: str, factor: str) -> None:
    expected = CASES[name]["means"][factor]
    try:
        table = model(name).means(factor)
    except MixedModelError:
        assert expected["inestimable"]  # a clear error is right only where R has no mean either
        return
    table = table.assign(**{factor: table[factor].map(level)}).set_index(factor)
    assert table.loc[expected["inestimable"], "estimate"].isna().all()
    table, want = table.loc[expected["means"]["level"]], expected["means"]
    assert_allclose(table["estimate"], want["estimate"], rtol=1e-5)
    assert_allclose(table["se"], want["se"], rtol=1e-4)
    assert_allclose(table["df"], want["df"], rtol=1e-4)
    assert_allclose(table["low"], want["low"], atol=1e-3 * min(want["se"]))
    assert_allclose(table["high"], want["high"], atol=1e-3 * min(want["se"]))


@pytest.mark.parametrize(
    ("name", "factor"), [c for c in FACTORS if not CASES[c[0]]["means"][c[1]]["inestimable"]]
)
def test_all_pairs_tukey_kramer(name: str, factor: str) -> None:
    want = CASES[name]["means"][factor]["pairs"]
    table = aligned(model(name).compare(factor, df="kenward-roger").table, want)
    assert np.all(np.abs(table["estimate"] - want["estimate"]) <= 1e-5 * np.array(want["se"]))
    assert_allclose(table["se"], want["se"], rtol=1e-4)
    assert_allclose(table["df"], want["df"], rtol=1e-4)
    assert_allclose(table["p"], want["p"], rtol=1e-3, atol=1e-5)
    assert_allclose(table["low"], want["low"], atol=2e-3 * max(want["se"]))
    assert_allclose(table["high"], want["high"], atol=2e-3 * max(want["se"]))


@pytest.mark.parametrize(("name", "factor"), AGAINST)
def test_against_one_level_dunnett(name: str, factor: str) -> None:
    want = CASES[name]["means"][factor]["against"]
    control: Any = want["control"]
    if pd.api.types.is_numeric_dtype(records(name)[factor]):
        control = float(control)
    table = aligned(model(name).compare(factor, against=control, df="kenward-roger").table, want)
    assert_allclose(table["se"], want["se"], rtol=1e-4)
    assert_allclose(table["df"], want["df"], rtol=1e-4)
    assert_allclose(table["p"], want["p"], atol=2e-4)
    assert_allclose(table["low"], want["low"], atol=2e-3 * max(want["se"]))
    assert_allclose(table["high"], want["high"], atol=2e-3 * max(want["se"]))
