"""What a fit is told to need of memory, beside what Python says it held."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pandas as pd
import pytest

from trialkit.mixed import MixedModelError, crossproducts, fit_lmm
from trialkit.mixed.crossproducts import room_wanted


def nested() -> pd.DataFrame:
    """4,800 plants in 1,200 plots in 240 blocks, five dates."""
    rng = np.random.default_rng(4)
    plant = np.repeat(np.arange(4800), 5)
    data = pd.DataFrame({"plant": plant, "plot": plant // 4, "block": plant // 20,
                         "date": np.tile(np.arange(5), 4800)})  # fmt: skip
    data["variety"] = np.char.add("v", (data["plot"] % 5).to_numpy().astype(str))
    spreads = {"plant": 0.5, "plot": 0.4, "block": 0.3}
    effects = sum(rng.normal(0.0, s, 4800)[data[f]] for f, s in spreads.items())
    data["y"] = effects + rng.normal(0.0, 1.0, len(data))
    return data


def crossed() -> pd.DataFrame:
    rng = np.random.default_rng(5)
    data = pd.DataFrame({"a": rng.integers(0, 500, 5000), "b": rng.integers(0, 400, 5000),
                         "variety": rng.integers(0, 5, 5000).astype(str)})  # fmt: skip
    effects = rng.normal(0.0, 1.0, 500)[data["a"]] + rng.normal(0.0, 1.0, 400)[data["b"]]
    data["y"] = effects + rng.normal(0.0, 1.0, 5000)
    return data


def dated() -> pd.DataFrame:
    """240 plants in 24 plots, each looked at on 300 dates."""
    at = np.indices((24, 10, 300)).reshape(3, -1)
    data = pd.DataFrame({"plot": at[0], "plant": 10 * at[0] + at[1], "date": at[2]})
    data["variety"] = np.char.add("v", (at[0] % 6).astype(str))
    rng = np.random.default_rng(6)
    data["y"] = rng.normal(size=300)[at[2]] + 0.5 * rng.normal(size=24)[at[0]]
    data["y"] += rng.normal(size=len(data))
    return data


@pytest.mark.parametrize(("make", "groups", "slopes"), [
    (nested, ["block", "plot", "plant"], None),
    (nested, ["block", "plot", "plant", "date"], None),
    (nested, ["block"], {"plot": ["date"], "plant": ["date"]}),
    (crossed, ["a", "b"], None),
    (dated, ["plot", "plant", "date"], None),
])  # fmt: skip
def test_memory_is_foretold_within_a_fifth(make, groups: list[str], slopes) -> None:
    data = make()
    fit_lmm("y ~ variety", data.iloc[::7], groups[:1])  # imports and what is kept of them
    tracemalloc.start()
    try:
        fit = fit_lmm("y ~ variety", data, groups, slopes)
        fit.compare("variety")
        used = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert 0.8 < room_wanted(fit.random, fit.p) / used < 1.2


def test_a_fit_that_has_no_room_is_refused_before_it_starts(monkeypatch) -> None:
    monkeypatch.setattr(crossproducts, "_memory", lambda: 4e6)
    with pytest.raises(MixedModelError, match=r"a \(500\), b \(400\) need about 0 GB"):
        fit_lmm("y ~ variety", crossed(), ["a", "b"])
