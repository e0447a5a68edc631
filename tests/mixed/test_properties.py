"""What must hold for any layout: invariances, and the textbook formulas with dense matrices.

Dense REML: Searle, Casella & McCulloch 1992, Variance Components, section 6.6; Kenward & Roger
1997, Biometrics 53:983-997, with every n x n matrix written out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.mixed import MixedModelError, fit_glmm, fit_lmm
from trialkit.mixed.crossproducts import Dense, RandomPart
from trialkit.mixed.fixed import make_fixed
from trialkit.mixed.glmm import Binomial, NegativeBinomial, Poisson
from trialkit.mixed.grouping import make_groupings
from trialkit.mixed.laplace import Laplace

seeds = st.integers(0, 10_000)
few = settings(
    max_examples=8, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
GROUPS = ["block", "plot", "date"]


def season(seed: int) -> pd.DataFrame:
    """Varieties in blocks, plots within, dates crossed, some records lost."""
    rng = np.random.default_rng(seed)
    v, b, t = (int(k) for k in rng.integers((2, 3, 3), (5, 6, 6)))
    rows = [(i, j, k) for i in range(v) for j in range(b) for k in range(t) for _ in range(2)]
    data = pd.DataFrame(rows, columns=["v", "b", "t"])
    data["variety"], data["block"] = "v" + data["v"].astype(str), "b" + data["b"].astype(str)
    data["plot"], data["date"] = data["variety"] + data["block"], "d" + data["t"].astype(str)
    data["x"] = rng.normal(size=len(data))
    sds = rng.uniform(0.3, 1.5, 3)
    eta = 0.3 * data["v"] + rng.normal(0, sds[0], b)[data["b"]]
    eta = eta + rng.normal(0, sds[1], t)[data["t"]]
    eta = eta + rng.normal(0, sds[2], (v, b))[data["v"], data["b"]]
    data["y"] = 5.0 + eta + rng.normal(0, 1.0, len(data))
    data["pods"] = rng.poisson(np.exp(np.clip(1.0 + 0.3 * eta, -2, 4)))
    data["w"] = rng.uniform(0.5, 2.0, len(data))
    return data.sample(frac=0.9, random_state=seed).reset_index(drop=True)


def fit(data: pd.DataFrame, **more: Any) -> Any:
    return fit_lmm("y ~ variety + x", data, **({"groups": GROUPS} | more))


def agree(one: Any, two: Any, scale: float = 1.0, shift: float = 0.0, rel: float = 2e-5) -> None:
    """``two`` is the fit to scale * y + shift of ``one``."""
    means, again = one.means("variety"), two.means("variety")
    expected = scale * means["estimate"] + shift
    size = abs(scale) * float(means["se"].max())
    assert np.abs(again["estimate"] - expected).max() < rel * size
    assert again["se"].to_numpy() == pytest.approx(abs(scale) * means["se"].to_numpy(), rel=rel)
    assert again["df"].to_numpy() == pytest.approx(means["df"].to_numpy(), rel=50 * rel)
    sd, expected = two.group_sd[GROUPS], abs(scale) * one.group_sd[GROUPS]
    assert np.abs(sd - expected).max() < 20 * rel * abs(scale) * one.residual_sd
    for term in ("variety", "x"):
        assert two.f_test(term)["F"] == pytest.approx(one.f_test(term)["F"], rel=10 * rel, abs=1e-8)


@few
@given(seeds)
def test_order_of_records_and_groups(seed: int) -> None:
    data = season(seed)
    mixed = data.sample(frac=1.0, random_state=seed + 1)
    agree(fit(data), fit(mixed, groups=GROUPS[::-1]))


@few
@given(seeds)
def test_names_of_levels(seed: int) -> None:
    """Reversed alphabetical order, so another reference level: means and tests stay."""
    data = season(seed)
    renamed = data.copy()
    for name in ("variety", "block", "plot", "date"):
        levels = sorted(data[name].unique())
        new = {level: f"n{len(levels) - i:03d}" for i, level in enumerate(levels)}
        renamed[name] = data[name].map(new)
    one, two = fit(data), fit(renamed)
    assert two.objective == pytest.approx(one.objective, rel=1e-8)
    back = two.means("variety").iloc[::-1].reset_index(drop=True)
    means = one.means("variety")
    for name in ("estimate", "se", "df"):
        assert back[name].to_numpy() == pytest.approx(means[name].to_numpy(), rel=1e-4, abs=1e-6)
    assert two.f_test("variety")["F"] == pytest.approx(one.f_test("variety")["F"], rel=1e-4)


@few
@given(seeds, st.floats(-1e6, 1e6), st.sampled_from([-3.0, 1e-6, 0.01, 7.0, 1e8]))
def test_shift_and_scale_of_the_response(seed: int, shift: float, scale: float) -> None:
    data = season(seed)
    moved = data.assign(y=scale * (data["y"] + shift))
    agree(fit(data), fit(moved), scale, scale * shift, rel=1e-4)


@few
@given(seeds)
def test_weights(seed: int) -> None:
    """One weight for all only rescales the residual; a record twice is its weight doubled."""
    data = season(seed)
    plain, double = fit(data), fit(data, weights=np.full(len(data), 2.0))
    agree(plain, double)
    assert double.residual_sd**2 == pytest.approx(2.0 * plain.residual_sd**2, rel=1e-5)
    assert double.objective == pytest.approx(plain.objective, rel=1e-9)
    # known residual: records twice and weights of two are the same fixed effects
    twice = pd.concat([data, data], ignore_index=True)
    known = fit(data, weights=np.full(len(data), 2.0), residual_sd=1.0)
    repeated = fit(twice, residual_sd=1.0)
    assert repeated.fixed.to_numpy() == pytest.approx(known.fixed.to_numpy(), rel=1e-4, abs=1e-5)
    assert repeated.cov_fixed.to_numpy() == pytest.approx(known.cov_fixed.to_numpy(), rel=1e-3,
                                                          abs=1e-6)  # fmt: skip


def dense(model: Any, data: pd.DataFrame, weights: np.ndarray | None = None) -> tuple[Any, ...]:
    """X, y and the derivatives V_i of the covariance, residual last."""
    x = model.part.rows[model.part.codes][:, model.part.kept]
    parts = [np.equal.outer(data[g].to_numpy(), data[g].to_numpy()) * 1.0 for g in GROUPS]
    return x, data["y"].to_numpy(), [*parts, np.diag(1.0 / (np.ones(len(x)) if weights is None
                                                           else weights))]  # fmt: skip


def minus_two_log_likelihood(x: Any, y: Any, v: Any, reml: bool) -> float:
    inverse = np.linalg.inv(v)
    xvx = x.T @ inverse @ x
    r = y - x @ np.linalg.solve(xvx, x.T @ inverse @ y)
    out = np.linalg.slogdet(v)[1] + r @ inverse @ r
    d = len(y) - x.shape[1] if reml else len(y)
    return float(out + d * np.log(2 * np.pi) + (np.linalg.slogdet(xvx)[1] if reml else 0.0))


@few
@given(seeds, st.sampled_from(["reml", "ml"]), st.booleans())
def test_dense_likelihood(seed: int, method: str, weighted: bool) -> None:
    """The objective is the textbook's, and no step along any variance improves on it."""
    data = season(seed)
    w = data["w"].to_numpy() if weighted else None
    model = fit(data, method=method, weights=w)
    x, y, parts = dense(model, data, w)
    sigma = np.array([*(model.group_sd[g] for g in GROUPS), model.residual_sd]) ** 2

    def at(values: np.ndarray) -> float:
        v = sum(s * part for s, part in zip(values, parts, strict=True))
        return minus_two_log_likelihood(x, y, v, method == "reml")

    best = at(sigma)
    assert model.objective == pytest.approx(best, abs=1e-6)
    for i in range(len(sigma)):
        for step in (1.02, 0.98):
            moved = sigma.copy()
            moved[i] = max(moved[i] * step, 1e-4 if step > 1 else 0.0)
            assert at(moved) > best - 1e-7
    v = sum(s * part for s, part in zip(sigma, parts, strict=True))
    beta = np.linalg.solve(x.T @ np.linalg.solve(v, x), x.T @ np.linalg.solve(v, y))
    assert model.fixed.to_numpy() == pytest.approx(beta, rel=1e-6, abs=1e-8)
    for g, s in zip(GROUPS, sigma, strict=False):
        z = (data[g].to_numpy()[:, None] == model.random_effects[g].index.to_numpy()) * 1.0
        blup = s * z.T @ np.linalg.solve(v, y - x @ beta)
        assert model.random_effects[g]["Intercept"].to_numpy() == pytest.approx(blup, abs=1e-6)


@few
@given(seeds)
def test_dense_kenward_roger(seed: int) -> None:
    """Phi_A, df and F scaling from n x n matrices."""
    data = season(seed)
    model = fit(data)
    x, _, parts = dense(model, data)
    sigma = np.array([*(model.group_sd[g] for g in GROUPS), model.residual_sd]) ** 2
    inverse = np.linalg.inv(sum(s * part for s, part in zip(sigma, parts, strict=True)))
    phi = np.linalg.inv(x.T @ inverse @ x)
    p_matrix = inverse - inverse @ x @ phi @ x.T @ inverse
    m = range(len(parts))
    info = np.array([[0.5 * np.trace(p_matrix @ parts[i] @ p_matrix @ parts[j]) for j in m]
                     for i in m])  # fmt: skip
    w = np.linalg.inv(info)
    s = [-x.T @ inverse @ part @ inverse @ x for part in parts]
    q = [[x.T @ inverse @ a @ inverse @ b @ inverse @ x for b in parts] for a in parts]
    inner = sum(w[i, j] * (q[i][j] - s[i] @ phi @ s[j]) for i in m for j in m)
    adjusted = phi + 2.0 * phi @ inner @ phi
    # all varieties the same: lambda F and its df, section 3 of the paper
    count = data["variety"].nunique() - 1
    contrast = np.zeros((count, len(phi)))
    contrast[np.arange(count), np.arange(1, count + 1)] = 1.0
    theta = contrast.T @ np.linalg.inv(contrast @ phi @ contrast.T) @ contrast
    tr = [np.trace(theta @ phi @ s[i] @ phi) for i in m]
    a1 = sum(w[i, j] * tr[i] * tr[j] for i in m for j in m)
    a2 = sum(w[i, j] * np.trace(theta @ phi @ s[i] @ phi @ theta @ phi @ s[j] @ phi)
             for i in m for j in m)  # fmt: skip
    b = (a1 + 6.0 * a2) / (2.0 * count)
    g = ((count + 1) * a1 - (count + 4) * a2) / ((count + 2) * a2)
    under = 3 * count + 2 * (1 - g)
    c1, c2, c3 = g / under, (count - g) / under, (count + 2 - g) / under
    mean = 1.0 / (1.0 - a2 / count)
    variance = 2.0 / count * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    rho = variance / (2.0 * mean**2)
    df = 4.0 + (count + 2) / (count * rho - 1.0)
    beta = contrast @ model.fixed.to_numpy()
    f = beta @ np.linalg.solve(contrast @ adjusted @ contrast.T, beta) / count
    found = model.f_test("variety")
    table = model.contrast(np.eye(len(phi)))
    assert table["se"].to_numpy() == pytest.approx(np.sqrt(np.diagonal(adjusted)), rel=1e-7)
    assert found["den_df"] == pytest.approx(df, rel=1e-6)
    assert found["F"] == pytest.approx(df / (mean * (df - 2.0)) * f, rel=1e-6)


LAWS = {"poisson": Poisson, "negative-binomial": NegativeBinomial, "binomial": Binomial}


@few
@given(seeds, st.sampled_from(sorted(LAWS)), st.booleans())
def test_laplace_gradient(seed: int, family: str, reml: bool) -> None:
    """The exact gradient against central differences of the objective."""
    data = season(seed)
    y = data["pods"].to_numpy(float) if family != "binomial" else (data["y"] > 5.0) * 1.0
    part = make_fixed("variety + x", data)
    random = RandomPart(make_groupings(data, ["block", "date"], {"plot": ["x"]}, saturated=True))
    law = LAWS[family](np.asarray(y), None)
    laplace = Laplace(random, Dense(part.basis, part.codes), law, None, reml=reml)
    rng = np.random.default_rng(seed)
    factors = [np.tril(rng.uniform(0.2, 0.6, (g.k, g.k))) for g in random.groupings]
    k, beta = 0.7, rng.normal(0.0, 0.3, part.p)

    def value(fs: list[Any], size: float, b: Any) -> float:
        return laplace.value(laplace.mode(fs, size, b))

    in_factors, in_size, in_beta = laplace.gradient(laplace.mode(factors, k, beta), factors, k)
    h = 1e-5
    for f, (factor, slope) in enumerate(zip(factors, in_factors, strict=True)):
        for i, j in zip(*np.tril_indices(len(factor)), strict=True):
            sides = []
            for sign in (1.0, -1.0):
                moved = [a.copy() for a in factors]
                moved[f][i, j] += sign * h
                sides.append(value(moved, k, beta))
            assert slope[i, j] == pytest.approx((sides[0] - sides[1]) / (2 * h), rel=1e-4, abs=2e-4)
    if law.has_size:
        change = (value(factors, k + h, beta) - value(factors, k - h, beta)) / (2 * h)
        assert in_size == pytest.approx(change, rel=1e-4, abs=2e-4)
    if not reml:
        for j in range(part.p):
            step = h * np.eye(part.p)[j]
            change = (value(factors, k, beta + step) - value(factors, k, beta - step)) / (2 * h)
            assert in_beta[j] == pytest.approx(change, rel=1e-4, abs=2e-4)


@settings(few, max_examples=4)
@given(seeds)
def test_counts_do_not_hang_on_order_names_or_units_of_the_offset(seed: int) -> None:
    data = season(seed).assign(log_days=lambda d: np.log(1.0 + d["t"]))
    more: dict[str, Any] = {"groups": ["block", "plot"], "offset": "log_days"}
    try:
        one = fit_glmm("pods ~ variety", data, "negative-binomial", **more)
    except MixedModelError:
        return
    turned = data.iloc[::-1].assign(log_days=lambda d: d["log_days"] - np.log(7.0))
    two = fit_glmm("pods ~ variety", turned, "negative-binomial", **more)
    assert two.objective == pytest.approx(one.objective, abs=1e-5)
    ratio = two.means("variety", ratio=True)["rate"] / one.means("variety", ratio=True)["rate"]
    assert ratio.to_numpy() == pytest.approx(7.0, rel=2e-3)
