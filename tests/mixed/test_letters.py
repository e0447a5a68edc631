"""A letters display is right when levels share a letter exactly if they are not told apart, and
minimal when no smaller set of letters does it (found here by trying every set of cliques)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.mixed.inference import minimal_letters

Pairs = set[frozenset[str]]


def shared(letters: dict[str, str]) -> Pairs:
    return {
        frozenset(pair)
        for pair in itertools.combinations(letters, 2)
        if set(letters[pair[0]]) & set(letters[pair[1]])
    }


def every_pair(names: list[str]) -> Pairs:
    return {frozenset(pair) for pair in itertools.combinations(names, 2)}


def fewest(names: list[str], different: Pairs) -> int:
    """Smallest number of cliques covering every pair not told apart and every lone level."""
    alike = every_pair(names) - different
    lone = {frozenset((n,)) for n in names if not any(n in pair for pair in alike)}
    cliques = [
        frozenset(members)
        for size in range(2, len(names) + 1)
        for members in itertools.combinations(names, size)
        if every_pair(list(members)) <= alike
    ]
    if not alike:
        return len(lone)
    cover = {clique: every_pair(list(clique)) for clique in cliques}
    for size in range(1, len(alike) + 1):
        for chosen in itertools.combinations(cliques, size):
            if set().union(*(cover[c] for c in chosen)) == alike:
                return size + len(lone)
    raise AssertionError("no cover")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.integers(2, 5), st.integers(0, 2**10 - 1))
def test_right_and_minimal_for_any_pattern(count: int, bits: int) -> None:
    names = list("ABCDE"[:count])
    pairs = sorted(every_pair(names), key=sorted)
    different = {pair for i, pair in enumerate(pairs) if bits >> i & 1}
    letters = minimal_letters(names, different)
    assert shared(letters) == every_pair(names) - different
    assert all(letters.values())
    assert len(set("".join(letters.values()))) == fewest(names, different)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.lists(st.floats(0, 10), min_size=2, max_size=12), st.floats(0.1, 5.0))
def test_right_where_one_difference_decides(means: list[float], least: float) -> None:
    """Means in a row, told apart when further than ``least``: runs of neighbours."""
    names = [f"v{i:02d}" for i in np.argsort(means, kind="stable")]
    value = dict(zip(names, sorted(means), strict=True))
    different = {p for p in every_pair(names) if abs(np.subtract(*(value[n] for n in p))) > least}
    letters = minimal_letters(names, different)
    assert shared(letters) == every_pair(names) - different
    used = set("".join(letters.values()))
    # maximal runs of neighbours, none inside another: the least there can be
    ends = [max(j for j in range(len(names)) if value[names[j]] - value[n] <= least) for n in names]
    assert len(used) == len(set(ends))


@pytest.mark.parametrize("count", [1, 2, 30])
def test_all_alike_and_all_apart(count: int) -> None:
    names = [f"v{i}" for i in range(count)]
    assert set(minimal_letters(names, set()).values()) == {"a"}
    apart = minimal_letters(names, every_pair(names))
    assert len(set(apart.values())) == count
    assert apart[names[0]] == "a"
