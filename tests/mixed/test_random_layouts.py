"""Sixty random layouts against the values R gave them (random_layouts.py makes both)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from random_layouts import LAYOUTS, SEED, STORED, disagreement, layouts, ours

MADE = layouts(SEED, LAYOUTS)
VALUES: dict[str, Any] = json.loads(STORED.read_text())
# the objective; estimates in standard errors; standard errors, relative; spreads, absolute
LINEAR = {"objective": 1e-7, "fixed": 1e-6, "se": 1e-6, "sd": 2e-6}
LAPLACE = {"objective": 1e-5, "fixed": 3e-4, "se": 1e-4, "sd": 2e-3}


def test_every_layout_has_a_value():
    assert list(VALUES) == list(MADE)
    assert len(MADE) == 60
    assert not [name for name, value in VALUES.items() if "error" in value]


# A third of them with every change, of every kind some.
@pytest.mark.parametrize("name", [
    name if at % 3 == 0 else pytest.param(name, marks=pytest.mark.slow)
    for at, name in enumerate(sorted(MADE))])
def test_a_layout_agrees_with_r(name: str):
    data, model = MADE[name]
    found = disagreement(ours(data, model), VALUES[name])
    most = LINEAR if model["kind"] == "lmm" else LAPLACE
    assert found["objective"] <= most["objective"], "R found a better fit"
    for quantity, limit in most.items():
        assert abs(found[quantity]) <= limit, quantity
