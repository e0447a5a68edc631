"""Known residual covariance: against textbook matrices, the weighted fit, and one-stage fits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import linalg, optimize, sparse

from trialkit.mixed import MixedModelError, fit_known, fit_lmm

CASES = {
    "one year, trial and trial x variety": ["trial", "trial:variety"],
    "places over years": ["place", "year", "place:variety", "year:variety", "trial:variety"],
    "crossed only": ["year:variety", "place"],
}


def second_stage(seed: int, places: int = 7, years: int = 3, varieties: int = 4):
    """Variety means of trials, some varieties missing, with full covariance blocks."""
    rng = np.random.default_rng(seed)
    rows, blocks = [], []
    effect = {v: rng.normal(0, 1) for v in range(varieties)}
    by_place = rng.normal(0, 0.7, (places, varieties))
    by_year = rng.normal(0, 0.5, (years, varieties))
    for place in range(places):
        for year in range(years):
            if rng.random() < 0.2:
                continue
            here = np.flatnonzero(rng.random(varieties) < 0.85)
            if len(here) < 2:
                continue
            level = rng.normal(0, 1)
            half = rng.normal(0, 0.4, (len(here), len(here) + 2))
            block = half @ half.T + 0.05
            error = rng.multivariate_normal(np.zeros(len(here)), block)
            blocks.append(block)
            for v, e in zip(here, error, strict=True):
                y = 5 + effect[v] + level + by_place[place, v] + by_year[year, v]
                y += rng.normal(0, 0.4) + e
                rows.append((f"t{place}-{year}", f"p{place}", f"y{year}", f"v{v}", y))
    data = pd.DataFrame(rows, columns=["trial", "place", "year", "variety", "y"])
    return data, linalg.block_diag(*blocks)


def _indicator(data: pd.DataFrame, name: str) -> np.ndarray:
    key = data[name.split(":")].astype(str).agg(":".join, axis=1)
    return pd.get_dummies(key).to_numpy(float)


def textbook(data, covariance, groups):
    """REML by general matrices, n x n: Searle, Casella & McCulloch 1992, eqs 6.67 to 6.69."""
    x = pd.get_dummies(data["variety"]).to_numpy(float).copy()
    x[:, 0] = 1.0
    y = data["y"].to_numpy()
    zz = [_indicator(data, g) @ _indicator(data, g).T for g in groups]

    def parts(sd):
        v = covariance + sum(s * s * z for s, z in zip(sd, zz, strict=True))
        vi = np.linalg.inv(v)
        phi = np.linalg.inv(x.T @ vi @ x)
        p = vi - vi @ x @ phi @ x.T @ vi
        value = np.linalg.slogdet(v)[1] - np.linalg.slogdet(phi)[1] + y @ p @ y
        return value + (len(y) - x.shape[1]) * np.log(2 * np.pi), vi, phi, p

    def slope(sd):
        p = parts(sd)[3]
        py = p @ y
        return np.array(
            [2 * s * (np.sum(p * z) - py @ z @ py) for s, z in zip(sd, zz, strict=True)]
        )

    found = optimize.minimize(
        lambda sd: parts(sd)[0], np.full(len(groups), 0.5), jac=slope, method="BFGS",
        options={"gtol": 1e-8},
    )
    return found, parts, zz, x, y


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_matches_textbook_matrices(case: str, seed: int) -> None:
    data, covariance = second_stage(seed)
    groups = CASES[case]
    found, parts, zz, x, y = textbook(data, covariance, groups)
    m = fit_known("y ~ variety", data, sparse.csr_matrix(covariance), groups)
    assert m.objective == pytest.approx(found.fun, abs=1e-7)
    np.testing.assert_allclose(m.group_sd.to_numpy(), np.abs(found.x), atol=2e-4)
    # everything else at the fit's own variances, to many digits
    value, vi, phi, p = parts(m.group_sd.to_numpy())
    assert m.objective == pytest.approx(value, abs=1e-9)
    np.testing.assert_allclose(m.fixed.to_numpy(), phi @ x.T @ vi @ y, rtol=1e-9)
    np.testing.assert_allclose(m.cov_fixed.to_numpy(), phi, rtol=1e-8, atol=1e-12)
    py = p @ y
    for g in groups:
        want = m.group_sd[g] ** 2 * _indicator(data, g).T @ py
        np.testing.assert_allclose(m.random_effects[g]["Intercept"], want, atol=1e-9)
    fitted = y - covariance @ py
    np.testing.assert_allclose(m.fitted, fitted, atol=1e-8)
    np.testing.assert_allclose(m.predict(data), fitted, atol=1e-8)


@pytest.mark.parametrize("case", CASES)
def test_kenward_roger_matches_textbook_matrices(case: str) -> None:
    """Kenward & Roger 1997, with n x n matrices; V linear in the variances, R known."""
    data, covariance = second_stage(4)
    groups = CASES[case]
    m = fit_known("y ~ variety", data, covariance, groups)
    _, parts, zz, x, _ = textbook(data, covariance, groups)
    _, vi, phi, p = parts(m.group_sd.to_numpy())
    count = len(groups)
    s = [x.T @ vi @ z @ vi @ x for z in zz]
    q = [[x.T @ vi @ a @ vi @ b @ vi @ x for b in zz] for a in zz]
    info = np.array([[0.5 * np.trace(p @ a @ p @ b) for b in zz] for a in zz])
    w = np.linalg.inv(info)
    inner = sum(
        w[i, j] * (q[i][j] - s[i] @ phi @ s[j]) for i in range(count) for j in range(count)
    )
    adjusted = phi + 2 * phi @ inner @ phi
    row = np.zeros(x.shape[1])
    row[1], row[2] = 1.0, -1.0
    table = m.contrast([row])
    assert table["se"].iloc[0] == pytest.approx(np.sqrt(row @ adjusted @ row), rel=1e-8)
    lead = np.array([row @ phi @ si @ phi @ row for si in s]) / (row @ phi @ row)
    assert table["df"].iloc[0] == pytest.approx(2.0 / (lead @ w @ lead), rel=1e-7)


@pytest.mark.parametrize("case", CASES)
def test_satterthwaite_uses_the_observed_information(case: str) -> None:
    """Giesbrecht & Burns 1985 with the Hessian taken by differences of the textbook value."""
    data, covariance = second_stage(1 if case != "places over years" else 7, places=9)
    groups = CASES[case]
    m = fit_known("y ~ variety", data, covariance, groups)
    assert not m.boundary, "there is no textbook Hessian on a boundary"
    _, parts, _, x, _ = textbook(data, covariance, groups)
    at = m.group_sd.to_numpy() ** 2

    def value(variances):
        return parts(np.sqrt(variances))[0]

    h = 2e-4 * at
    size = len(at)
    hessian = np.zeros((size, size))
    eye = np.diag(h)
    for i in range(size):
        for j in range(size):
            hessian[i, j] = (
                value(at + eye[i] + eye[j]) - value(at + eye[i] - eye[j])
                - value(at - eye[i] + eye[j]) + value(at - eye[i] - eye[j])
            ) / (4 * h[i] * h[j])
    row = np.zeros(x.shape[1])
    row[1] = 1.0

    def spread(variances):
        return row @ parts(np.sqrt(variances))[2] @ row

    slope = np.array([(spread(at + e) - spread(at - e)) / (2 * e.sum()) for e in eye])
    df = 2 * spread(at) ** 2 / (slope @ (2 * np.linalg.inv(hessian)) @ slope)
    assert m.contrast([row], df="satterthwaite")["df"].iloc[0] == pytest.approx(df, rel=2e-3)


def test_a_diagonal_covariance_is_the_weighted_fit() -> None:
    data, covariance = second_stage(6)
    groups = ["place", "place:variety", "year:variety"]
    data["w"] = 1.0 / np.diagonal(covariance)
    known = fit_known("y ~ variety", data, np.diag(np.diagonal(covariance)), groups)
    weighted = fit_lmm("y ~ variety", data, groups, weights="w", residual_sd=1.0)
    assert known.objective == pytest.approx(weighted.objective, abs=1e-8)
    one, two = known.compare("variety").table, weighted.compare("variety").table
    for name in ["estimate", "se", "df", "low", "high"]:
        np.testing.assert_allclose(one[name], two[name], rtol=2e-4)


def test_no_grouping_is_generalised_least_squares() -> None:
    data, covariance = second_stage(7)
    m = fit_known("y ~ variety", data, covariance)
    x = pd.get_dummies(data["variety"]).to_numpy(float)
    phi = np.linalg.inv(x.T @ np.linalg.inv(covariance) @ x)
    means = m.means("variety")
    want = phi @ x.T @ np.linalg.inv(covariance) @ data["y"]
    np.testing.assert_allclose(means["estimate"], want, rtol=1e-9)
    np.testing.assert_allclose(means["se"], np.sqrt(np.diagonal(phi)), rtol=1e-9)


def test_effects_that_belong_to_some_records_only() -> None:
    """A variance for the unreplicated trials' rows alone, against textbook matrices."""
    data, covariance = second_stage(8)
    data["alone"] = (data["place"].isin(["p0", "p2", "p4"])).astype(float)
    data["row"] = [f"r{i}" for i in range(len(data))]
    groups = ["trial", "row"]
    m = fit_known("y ~ variety", data, covariance, groups, multiplied={"row": "alone"})
    x = pd.get_dummies(data["variety"]).to_numpy(float)
    y = data["y"].to_numpy()
    z = _indicator(data, "trial")
    v = covariance + m.group_sd["trial"] ** 2 * z @ z.T
    v += m.group_sd["row"] ** 2 * np.diag(data["alone"])
    vi = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ vi @ x)
    np.testing.assert_allclose(m.means("variety")["estimate"], phi @ x.T @ vi @ y, rtol=1e-9)
    effects = m.random_effects["row"]["Intercept"].to_numpy()
    order = [list(m.random_effects["row"].index).index(r) for r in data["row"]]
    assert np.all(effects[order][data["alone"].to_numpy() == 0.0] == 0.0)
    assert np.any(effects != 0.0) or m.group_sd["row"] == 0.0


def test_draws_have_the_covariance_of_the_model() -> None:
    data, covariance = second_stage(9, places=3, years=2)
    m = fit_known("y ~ variety", data, covariance, ["trial"])
    draws = m.simulate(1, times=20_000)
    z = _indicator(data, "trial")
    want = covariance + m.group_sd["trial"] ** 2 * z @ z.T
    assert np.abs(np.cov(draws.T) - want).max() < 0.06 * np.abs(want).max()
    again = m.refit(draws[0])
    assert again.n == m.n
    assert again.objective != m.objective


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda v: v[:-1, :-1], "must be"),
        (lambda v: v * np.nan, "blank or infinite"),
        (lambda v: v + np.triu(np.ones_like(v), 1), "not symmetric: see records"),
        (lambda v: v - 50 * np.eye(len(v)), "not positive definite in the block of records"),
    ],
)
def test_a_covariance_that_is_none_is_refused(spoil, message: str) -> None:
    data, covariance = second_stage(1)
    with pytest.raises(MixedModelError, match=message):
        fit_known("y ~ variety", data, spoil(covariance), ["trial"])


def test_other_arguments_are_refused_with_it() -> None:
    data, covariance = second_stage(1)
    with pytest.raises(MixedModelError, match="not among groups"):
        fit_known("y ~ variety", data, covariance, ["trial"], multiplied={"place": "y"})
    m = fit_known("y ~ variety", data, covariance, ["trial"])
    with pytest.raises(MixedModelError, match="between-within"):
        m.means("variety", df="between-within")
