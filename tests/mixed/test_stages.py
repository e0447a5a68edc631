"""Nested layouts are eliminated unit by unit; every answer is that of the dense matrices.

V, P and the traces: Searle, Casella & McCulloch 1992, Variance Components, section 6.6; Kenward &
Roger 1997, Biometrics 53:983-997, with every n x n matrix written out.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pandas as pd
import pytest

from trialkit.mixed import crossproducts, fit_glmm, fit_lmm
from trialkit.mixed.crossproducts import Dense, RandomPart, cross_products
from trialkit.mixed.fixed import make_fixed
from trialkit.mixed.glmm import NegativeBinomial
from trialkit.mixed.grouping import make_groupings
from trialkit.mixed.laplace import Laplace
from trialkit.mixed.likelihood import solve
from trialkit.mixed.smallsample import variance_information

LAYOUTS = {
    "plants in plots in blocks": (["block", "plot", "plant"], {}),
    "with crossed dates": (["block", "plot", "plant", "date"], {}),
    "plants crossed with the dates of their plot": (["plant", "plot", "plot:date"], {}),
    "slopes at plot and plant": (["block", "date"], {"plot": ["x"], "plant": ["x"]}),
    "slopes at the plot only": (["plant"], {"plot": ["x"]}),
    "slopes, plants crossed with dates": (["plot:date", "plot"], {"plant": ["x"]}),
}


def layout(blocks: int = 7, varieties: int = 5, plants: int = 3, dates: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(blocks)
    shape = [np.arange(k) for k in (blocks, varieties, plants, dates)]
    b, v, p, t = (a.ravel() for a in np.meshgrid(*shape, indexing="ij"))
    plot = b * varieties + v
    plant = plot * plants + p
    data = pd.DataFrame({"block": b, "variety": v, "plot": plot, "plant": plant, "date": t})
    data["variety"] = "v" + data["variety"].astype(str)
    data["x"], data["w"] = rng.normal(size=len(b)), rng.uniform(0.5, 2.0, len(b))
    eta = 1.0 + 0.2 * v + rng.normal(0, 0.4, plant.max() + 1)[plant]
    eta += rng.normal(0, 0.4, plot.max() + 1)[plot] + rng.normal(0, 0.3, dates)[t]
    data["y"], data["pods"] = eta + rng.normal(0, 0.5, len(b)), rng.poisson(np.exp(eta))
    return data.sample(frac=0.85, random_state=1).reset_index(drop=True)


def parts(name: str):
    """Data, the fixed and random parts, factors, and Z and the derivatives V_i written out."""
    data = layout()
    groups, slopes = LAYOUTS[name]
    fixed = make_fixed("variety + x", data)
    random = RandomPart(make_groupings(data, groups, slopes, saturated=True))
    rng = np.random.default_rng(3)
    factors = [np.tril(rng.uniform(0.3, 1.0, (g.k, g.k))) for g in random.groupings]
    n = len(data)
    z, derivatives = [], []
    for g in random.groupings:
        own = np.zeros((n, g.n_levels, g.k))
        for a, values in enumerate(g.values):
            own[np.arange(n), g.codes, a] = 1.0 if values is None else values
        z.append(own)
        for ((a, b),) in g.parameters:
            half = own[:, :, a] @ own[:, :, b].T
            derivatives.append(half if a == b else half + half.T)
    return data, fixed, random, factors, z, derivatives


@pytest.mark.parametrize("name", LAYOUTS)
def test_solution_and_information_are_those_of_the_dense_matrices(name: str) -> None:
    data, fixed, random, factors, z, derivatives = parts(name)
    assert len(random.stages) > 1
    w, y = data["w"].to_numpy(), data["y"].to_numpy()
    x = fixed.basis[fixed.codes]
    n, p = x.shape
    v = np.diag(1.0 / w)
    for g, own, lower in zip(random.groupings, z, factors, strict=True):
        flat = own.reshape(n, g.size)
        v += flat @ np.kron(np.eye(g.n_levels), lower @ lower.T) @ flat.T
    vi = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ vi @ x)
    pm = vi - vi @ x @ phi @ x.T @ vi
    dense = Dense(fixed.basis, fixed.codes)
    s = solve(random, cross_products(random, dense, y, w), factors, p)
    close = {"rtol": 1e-9, "atol": 1e-9}
    np.testing.assert_allclose(s.logdet_z, np.linalg.slogdet(v)[1] + np.log(w).sum(), **close)
    np.testing.assert_allclose(s.rss, y @ pm @ y, **close)
    np.testing.assert_allclose(s.coefficients, phi @ x.T @ vi @ y, **close)
    for score, own in zip(s.scores(), z, strict=True):
        np.testing.assert_allclose(score, np.einsum("nja,n->ja", own, pm @ y), **close)
    for x_out, middle in ((True, pm), (False, vi)):
        for found, own in zip(s.own_blocks(x_out=x_out), z, strict=True):
            want = np.einsum("nja,nm,mjb->ab", own, middle, own, optimize=True)
            np.testing.assert_allclose(found, want, **close)
    other = np.random.default_rng(5).normal(size=(n, 2))
    weighted = other * w[:, None]
    projected, beta = s.project(
        [np.einsum("nja,nq->jaq", own, weighted) for own in z], x.T @ weighted
    )
    np.testing.assert_allclose(beta, phi @ x.T @ vi @ other, **close)
    for found, own in zip(projected, z, strict=True):
        np.testing.assert_allclose(found, np.einsum("nja,nq->jaq", own, pm @ other), **close)
    info = variance_information(s, known_residual=False, n=n)
    all_of_v = [*derivatives, np.diag(1.0 / w)]
    for i, one in enumerate(all_of_v):
        np.testing.assert_allclose(info.s[i], x.T @ vi @ one @ vi @ x, rtol=1e-8, atol=1e-8)
        for j, two in enumerate(all_of_v):
            want = np.sum((pm @ one) * (pm @ two).T)
            np.testing.assert_allclose(info.expected[i, j], want, rtol=1e-8, atol=1e-8)
            product = x.T @ vi @ one @ pm @ two @ vi @ x
            np.testing.assert_allclose(info.r[i, j], product, rtol=1e-7, atol=1e-8)


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("reml", [True, False])
def test_laplace_gradient_of_nested_counts(name: str, reml: bool) -> None:
    """The exact gradient against central differences of the objective."""
    data, fixed, random, factors, _, _ = parts(name)
    factors = [0.5 * f for f in factors]
    law = NegativeBinomial(data["pods"].to_numpy(float))
    laplace = Laplace(random, Dense(fixed.basis, fixed.codes), law, None, reml=reml)
    beta = np.zeros(fixed.p)
    slopes, in_size, _ = laplace.gradient(laplace.mode(factors, 0.7, beta), factors, 0.7)
    h = 1e-5

    def value(moved: list[np.ndarray], k: float) -> float:
        return laplace.value(laplace.mode(moved, k, beta))

    for f, slope in enumerate(slopes):
        for i, j in zip(*np.tril_indices(len(slope)), strict=True):
            sides = []
            for sign in (h, -h):
                moved = [a.copy() for a in factors]
                moved[f][i, j] += sign
                sides.append(value(moved, 0.7))
            assert slope[i, j] == pytest.approx((sides[0] - sides[1]) / (2 * h), rel=1e-4, abs=3e-4)
    change = (value(factors, 0.7 + h) - value(factors, 0.7 - h)) / (2 * h)
    assert in_size[0] == pytest.approx(change, rel=1e-4, abs=3e-4)


@pytest.mark.parametrize("name", LAYOUTS)
def test_the_order_of_elimination_changes_no_answer(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = layout()
    groups, slopes = LAYOUTS[name]

    def answers() -> list[np.ndarray]:
        fit = fit_lmm("y ~ variety + x", data, groups=groups, slopes=slopes)
        pairs = fit.compare("variety").table[["estimate", "se", "df"]].to_numpy()
        counts = fit_glmm("pods ~ variety", data, "poisson", groups=["plot", "plant"])
        return [np.array([fit.objective, counts.objective]), fit.group_sd.sort_index().to_numpy(),
                pairs, fit.fitted, counts.fitted]  # fmt: skip

    found = answers()
    monkeypatch.setattr(crossproducts, "WIDEST", 0)
    for one, two in zip(found, answers(), strict=True):
        np.testing.assert_allclose(one, two, rtol=2e-6)


def test_units() -> None:
    data = layout()
    found = RandomPart(make_groupings(data, ["block", "plot", "plant"], None, saturated=True))
    assert [(s.grouping.name, s.slots) for s in found.stages] == [("plant", 1), ("plot", 1)]
    assert [g.name for g in found.others] == ["block"]
    names = ["plot:date", "plant", "date"]
    found = RandomPart(make_groupings(data, names, None, saturated=True))
    assert [(s.grouping.name, s.slots) for s in found.stages] == [("plot:date", 1), ("plant", 3)]
    assert [g.name for g in found.others] == ["date"]


def test_memory_grows_with_the_plots_and_not_with_their_square() -> None:
    """A dense table of 6,000 plants by 1,500 plots alone would take 72 MB."""
    rng = np.random.default_rng(0)
    plant = np.repeat(np.arange(6000), 2)
    data = pd.DataFrame({"plant": plant, "plot": plant // 4})
    data["variety"] = np.array(["a", "b", "c"])[data["plot"] % 3]
    data["y"] = rng.normal(0, 1, 1500)[data["plot"]] + rng.normal(0, 1, 6000)[plant]
    data["y"] += rng.normal(0, 1, len(data))
    tracemalloc.start()
    fit_lmm("y ~ variety", data, groups=["plot", "plant"]).compare("variety")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 40e6


def test_slopes_that_do_not_vary_are_settled_in_few_steps() -> None:
    """Slopes at zero are told by the objective's derivative, not by searches from a saddle."""
    rng = np.random.default_rng(8)
    plant = np.repeat(np.arange(800), 5)
    data = pd.DataFrame({"plant": plant, "plot": plant // 4, "t": np.tile(np.arange(5.0), 800)})
    data["y"] = rng.normal(0.0, 0.7, 800)[plant] + rng.normal(0.0, 0.6, 200)[data["plot"]]
    data["y"] += 0.1 * data["t"] + rng.normal(0.0, 1.0, len(data))
    slopes = {"plant": ["t"], "plot": ["t"]}
    for uncorrelated in ([], ["plant", "plot"]):
        fit = fit_lmm("y ~ t", data, slopes=slopes, uncorrelated=uncorrelated)
        assert fit.boundary
        assert fit.optimum.evaluations < 80
        plain = fit_lmm("y ~ t", data, ["plant", "plot"])
        assert fit.objective <= plain.objective + 1e-8


@pytest.mark.parametrize("dates", [False, True])
def test_the_steps_of_a_search_do_not_grow_with_the_plots(dates: bool) -> None:
    """Five dates say as little of their variance however many plots are seen on them, while the
    plots' own variance is known ever better: the search must not take the two for alike."""
    steps = []
    for plots in (800, 3200):
        rng = np.random.default_rng(3)
        plot = np.repeat(np.arange(plots), 10)
        there = rng.uniform(size=len(plot)) > 0.1
        data = pd.DataFrame({"plot": plot, "block": plot // 5,
                             "date": np.tile(np.arange(5), 2 * plots)})
        data["variety"] = np.array(list("abcde"))[plot % 5]
        data["y"] = rng.normal(0.0, 0.4, 5)[data["date"]] + rng.normal(0.0, 0.6, plots)[plot]
        data["y"] += rng.normal(0.0, 0.5, plots // 5)[data["block"]] + rng.normal(size=len(plot))
        fit = fit_lmm("y ~ variety", data[there], ["block", "plot", *["date"] * dates])
        steps.append(fit.optimum.evaluations)
    assert max(steps) <= 7, steps
