"""Efficiency factors against published designs, textbook formulae and R."""

from collections import Counter
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.design.patterns import (
    alpha_design,
    array_efficiency,
    blocks_from_array,
    canonical_efficiency_factors,
    efficiency,
    flatten,
    grid_efficiency,
    harmonic_mean,
    incomplete_bound,
    pair_efficiency,
    resolvable_bound,
    row_column_grid,
)

DATA = Path(__file__).parent / "data"
ALPHA_IN_R = 0.72648821


def test_balanced_incomplete_blocks_of_cochran_and_cox():
    # Cochran & Cox 1957, p. 448: t=13, k=4, r=4, b=13, lambda=1. Their table of plans prints
    # E = .81 (printed value from memory); exact E = v(k-1) / [k(v-1)] = 0.8125.
    plan = pd.read_csv(DATA / "cochran_cox_bib.csv")
    factors = canonical_efficiency_factors(plan["variety"], plan["block"])
    assert factors == pytest.approx(np.full(12, 13 * 3 / (4 * 12)), abs=1e-12)
    assert round(harmonic_mean(factors), 2) == 0.81
    assert incomplete_bound(13, 4) == pytest.approx(0.8125)


def test_every_pair_of_a_balanced_design_is_seen_alike_and_a_weighted_pair_is_not():
    # Cochran & Cox 1957, p. 448, as above: one efficiency factor for every pair.
    plan = pd.read_csv(DATA / "cochran_cox_bib.csv")
    factors = pair_efficiency(plan["variety"], plan["block"])
    assert np.isnan(np.diag(factors)).all()
    assert factors[~np.eye(13, dtype=bool)] == pytest.approx(13 * 3 / (4 * 12))
    # Three varieties in blocks AB, AB, AC, BC: a least-squares fit by numpy gives the variances.
    variety, block = list("ABABACBC"), [1, 1, 2, 2, 3, 3, 4, 4]
    x = np.hstack([pd.get_dummies(variety).to_numpy(float), pd.get_dummies(block).to_numpy(float)])
    inverse = np.linalg.pinv(x.T @ x)
    for i, j, each in ((0, 1, 2 / 3), (0, 2, 1 / 3 + 1 / 2)):
        contrast = np.zeros(7)
        contrast[i], contrast[j] = 1, -1
        assert pair_efficiency(variety, block)[i, j] == pytest.approx(
            each / (contrast @ inverse @ contrast)
        )
    with pytest.raises(ValueError, match="never be compared"):
        pair_efficiency(list("AABB"), [1, 1, 2, 2])


def test_balanced_lattice_square_of_cochran_and_cox():
    # Cochran & Cox 1957, p. 490: 4 x 4 in 5 replicates. Rows alone make a balanced lattice,
    # E = k/(k+1); rows and columns together leave (k-1)/(k+1), which lm in R 4.2.2 also gives.
    plan = pd.read_csv(DATA / "cochran_cox_lattice_square.csv")
    rows = plan["replicate"].astype(str) + "r" + plan["row"].astype(str)
    columns = plan["replicate"].astype(str) + "c" + plan["column"].astype(str)
    assert efficiency(plan["variety"], rows).average == pytest.approx(4 / 5)
    assert efficiency(plan["variety"], rows, columns).average == pytest.approx(3 / 5)


def test_alpha_design_of_john_and_williams_agrees_with_r():
    # John & Williams 1995, p. 146. The stored value is (2/r) / mean pairwise variance of
    # lm(y ~ variety + block) in R 4.2.2, an independent route to the average factor.
    plan = pd.read_csv(DATA / "john_williams_alpha.csv")
    block = plan["replicate"].astype(str) + "b" + plan["block"].astype(str)
    published = efficiency(plan["variety"], block).average
    assert published == pytest.approx(ALPHA_IN_R, abs=1e-7)
    assert published <= resolvable_bound(24, 3, 6)


def test_search_is_as_good_as_the_published_alpha_design():
    found = alpha_design(24, 3, 4, np.random.default_rng(3)).efficiency.average
    assert found >= ALPHA_IN_R - 1e-7


@pytest.mark.parametrize(("side", "replicates"), [(3, 2), (5, 2), (5, 3), (5, 4), (7, 3), (7, 4)])
def test_search_reaches_square_lattices(side, replicates):
    # Square lattices (Yates 1936; Cochran & Cox 1957, chapter 10) have average efficiency
    # (k+1)(r-1) / [(k+1)(r-1) + r]: .75 for a simple and .80 for a triple 5 x 5 lattice.
    design = alpha_design(side**2, replicates, side, np.random.default_rng(7))
    kept = (side + 1) * (replicates - 1)
    assert design.efficiency.average == pytest.approx(kept / (kept + replicates))
    together = Counter(
        pair for replicate in design.blocks for block in replicate
        for pair in combinations(sorted(block.tolist()), 2))
    assert max(together.values()) == 1


@pytest.mark.parametrize(("varieties", "replicates", "size"), [(24, 3, 4), (30, 4, 6), (12, 2, 3)])
def test_fourier_route_equals_the_information_matrix(varieties, replicates, size):
    rng = np.random.default_rng(varieties)
    array = rng.integers(0, varieties // size, size=(size, replicates))
    variety, _, block = flatten(blocks_from_array(array, varieties // size))
    expected = harmonic_mean(canonical_efficiency_factors(variety, block))
    assert array_efficiency(array, varieties // size) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize(("varieties", "replicates", "size"), [(23, 3, 4), (17, 2, 5), (40, 4, 7)])
def test_uneven_numbers_stay_resolvable_and_below_the_bound(varieties, replicates, size):
    design = alpha_design(varieties, replicates, size, np.random.default_rng(1))
    for replicate in design.blocks:
        assert sorted(np.concatenate(replicate)) == list(range(varieties))
        sizes = {len(block) for block in replicate}
        assert max(sizes) <= size
        assert max(sizes) - min(sizes) <= 1
    assert 0 < design.efficiency.average <= design.efficiency.bound


@pytest.mark.parametrize("size", [4, 6, 9])
def test_bounds_hold_for_random_resolvable_designs(size):
    rng = np.random.default_rng(size)
    varieties = 36
    variety = np.concatenate([rng.permutation(varieties) for _ in range(4)])
    block = np.arange(4 * varieties) // size
    value = efficiency(variety, block).average
    assert value <= resolvable_bound(varieties, 4, varieties // size) + 1e-12
    assert value <= incomplete_bound(varieties, size) + 1e-12


def test_youden_squares_are_found():
    # Youden squares of 7 in 3 rows (Cochran & Cox 1957, plan 13.1; Youden 1937) keep rows
    # complete and balance columns: E = 7 * 2 / (3 * 6) = .78.
    grid = row_column_grid(7, 3, 7, np.random.default_rng(5))
    assert all(sorted(row) == list(range(7)) for row in grid)
    assert grid_efficiency(grid).average == pytest.approx(14 / 18)


@pytest.mark.parametrize(("varieties", "rows", "columns"), [(6, 4, 6), (8, 4, 4), (10, 5, 6)])
def test_row_column_search_beats_chance_and_keeps_replication(varieties, rows, columns):
    rng = np.random.default_rng(2)
    grid = row_column_grid(varieties, rows, columns, rng)
    assert set(np.bincount(grid.ravel())) == {rows * columns // varieties}
    found = grid_efficiency(grid)
    chance = [grid_efficiency(rng.permutation(grid.ravel()).reshape(grid.shape)) for _ in range(50)]
    assert found.average > max(one.average for one in chance)
    assert found.average <= found.bound + 1e-12


def test_disconnected_layout_has_no_efficiency():
    assert efficiency([0, 1, 2, 3], ["a", "a", "b", "b"]).average == 0.0
