"""Did one variety lose more plants? A permutation of varieties over plots.

Losses in a plot are not independent (a wet corner, one vole), so plants must not be shuffled:
whole plots are, within their blocks, as they were drawn. That test is exact for the layout, holds
with no loss at all in a group, and needs no model (Fisher 1935; Pitman 1937). A penalised
(Firth) or exact conditional logistic regression would also take a group without losses, but
takes plants as independent. The price: with few plots the smallest p the layout can give is
large, and then no test is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from math import factorial, prod

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MOST_EXACT, DRAWS, SEED = 20_000, 9_999, 20


@dataclass(frozen=True)
class LossTest:
    """p: of each pair of varieties, adjusted over all of them. smallest: the smallest p these
    plots and losses could give however they were arranged. arrangements: how many there are, or
    were drawn; exact: all of them were gone through."""

    p: dict[tuple[str, str], float]
    smallest: float
    arrangements: int
    exact: bool


def loss_test(units: pd.DataFrame, pairs: list[tuple[str, str]]) -> LossTest:
    """Permutation test of losses, varieties shuffled over plots within blocks.

    units: one row a plot: variety, block, observed and expected losses (log-rank). pairs: the
    comparisons made. Statistic of a pair: |O_i / E_i - O_j / E_j| / sqrt(1 / E_i + 1 / E_j); p
    counts arrangements whose largest statistic over all pairs is as large as the pair's own, so
    that it covers all pairs at once (Westfall & Young 1993, single step), exact if no variety
    differs.
    """
    names = list(dict.fromkeys(units["variety"]))
    code = np.array([names.index(v) for v in units["variety"]])
    left = np.array([names.index(a) for a, _ in pairs], dtype=int)
    right = np.array([names.index(b) for _, b in pairs], dtype=int)
    blocks = [np.flatnonzero(units["block"] == b) for b in dict.fromkeys(units["block"])]
    sums = units[["observed", "expected"]].to_numpy(float)
    count = prod(_distinct(code[part]) for part in blocks)
    exact = count <= MOST_EXACT
    if exact:
        totals = _all_totals(sums, code, blocks, len(names))
    else:
        totals = _drawn_totals(sums, code, blocks, len(names))
    statistic = _statistic(totals, left, right)
    seen = _statistic(_totals(sums, code, len(names))[None], left, right)[0]
    largest = statistic.max(axis=1) if pairs else np.zeros(len(totals))
    extra = 0 if exact else 1
    number = len(totals) + extra
    p = {
        pair: float((np.sum(largest >= one - 1e-9) + extra) / number)
        for pair, one in zip(pairs, seen, strict=True)
    }
    top = float((np.sum(largest >= largest.max() - 1e-9) + extra) / number) if pairs else 1.0
    return LossTest(p, top, len(totals), exact)


def _distinct(code: NDArray[np.int64]) -> int:
    _, size = np.unique(code, return_counts=True)
    return factorial(code.size) // prod(factorial(int(n)) for n in size)


def _totals(sums: Floats, code: NDArray[np.int64], varieties: int) -> Floats:
    """Observed and expected losses by variety, shape (varieties, 2)."""
    return np.stack([np.bincount(code, sums[:, k], varieties) for k in (0, 1)], axis=1)


def _all_totals(
    sums: Floats, code: NDArray[np.int64], blocks: list[NDArray[np.int64]], varieties: int
) -> Floats:
    """Totals of every distinct arrangement, shape (arrangements, varieties, 2)."""
    whole = np.zeros((1, varieties, 2))
    for part in blocks:
        arranged = np.array(_arrangements(list(code[part])))
        own = np.array([_totals(sums[part], one, varieties) for one in arranged])
        whole = (whole[:, None] + own[None]).reshape(-1, varieties, 2)
    return whole


def _arrangements(code: list[int]) -> list[tuple[int, ...]]:
    """Every distinct order of a block's varieties, without going through equal ones."""
    if len(set(code)) == len(code):
        return list(permutations(code))
    if len(code) == 1:
        return [tuple(code)]
    found = []
    for first in sorted(set(code)):
        rest = code.copy()
        rest.remove(first)
        found += [(first, *tail) for tail in _arrangements(rest)]
    return found


def _drawn_totals(
    sums: Floats, code: NDArray[np.int64], blocks: list[NDArray[np.int64]], varieties: int
) -> Floats:
    """Totals of DRAWS arrangements drawn by lot (seeded, so that a report repeats itself)."""
    rng = np.random.default_rng(SEED)
    shuffled = np.tile(code, (DRAWS, 1))
    for part in blocks:
        shuffled[:, part] = rng.permuted(shuffled[:, part], axis=1)
    held = shuffled[:, :, None] == np.arange(varieties)
    return np.asarray(np.einsum("dpv,pk->dvk", held, sums), dtype=float)


def _statistic(totals: Floats, left: NDArray[np.int64], right: NDArray[np.int64]) -> Floats:
    """Scaled difference of observed over expected, shape (arrangements, pairs)."""
    observed, expected = totals[..., 0], np.maximum(totals[..., 1], 1e-12)
    ratio, weight = observed / expected, 1.0 / expected
    spread = np.sqrt(weight[:, left] + weight[:, right])
    return np.asarray(np.abs(ratio[:, left] - ratio[:, right]) / spread)
