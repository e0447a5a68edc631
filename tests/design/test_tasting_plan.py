"""Tastings are balanced for place and for what came just before (Williams 1949): the property that
defines such a design is counted, for every even and odd number of varieties."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.design.tasting_plan import TastingError, plan_tasting


def names(v: int) -> list[str]:
    return [f"V{i}" for i in range(v)]


@pytest.mark.parametrize("v", range(2, 13))
def test_whole_squares_are_balanced(v: int) -> None:
    tasters = v if v % 2 == 0 else 2 * v
    made = plan_tasting(names(v), tasters, seed=3)
    assert set(made.places().ravel()) == {tasters // v}
    off = made.before()[~np.eye(v, dtype=bool)]
    assert set(off) == {1 if v % 2 == 0 else 2}


@pytest.mark.parametrize(("v", "tasters"), [(6, 12), (5, 12), (3, 7), (7, 12)])
def test_any_number_of_tasters_is_nearly_balanced(v: int, tasters: int) -> None:
    places = plan_tasting(names(v), tasters, seed=1).places()
    assert places.max() - places.min() <= 1


def test_five_of_nine_each_for_eighteen_tasters() -> None:
    made = plan_tasting(names(9), 18, each=5, seed=2)
    off = ~np.eye(9, dtype=bool)
    assert set(np.diag(made.together())) == {10}
    assert set(made.places().ravel()) == {2}
    # 18 tasters of 4 neighbours: 72 for 72 ordered pairs; 18 of 10 pairs: 5 for each of 36.
    before, together = made.before()[off], made.together()[off]
    assert before.max() - before.min() <= 1
    assert together.max() - together.min() <= 2


def test_codes_are_of_three_digits_and_tell_nothing() -> None:
    made = plan_tasting(names(9), 9, seed=5)
    assert len(set(made.codes.values())) == 9
    assert all(len(c) == 3 and c.isdigit() for c in made.codes.values())
    assert plan_tasting(names(9), 9, seed=5) == made
    assert plan_tasting(names(9), 9, seed=6).codes != made.codes


@pytest.mark.parametrize(("v", "tasters", "each"), [
    (1, 4, None), (4, 0, None), (4, 4, 5), (4, 4, 1),
])
def test_what_cannot_be_laid_out_is_told(v: int, tasters: int, each: int | None) -> None:
    with pytest.raises(TastingError):
        plan_tasting(names(v), tasters, each)
