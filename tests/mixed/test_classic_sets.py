"""The notebook of classic data sets: its cells run, and what they fit is what was published."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from trialkit import shipped

DATA = Path(__file__).parent / "reference" / "data"


@pytest.fixture(scope="module")
def shown() -> Iterator[list[Any]]:
    """What the notebook displays, its code run here without a kernel."""
    book = json.loads(shipped.notebook("mixed-models").read_text(encoding="utf-8"))
    out: list[Any] = []
    space: dict[str, Any] = {"display": lambda thing, metadata=None: out.append(thing)}
    with pd.option_context("display.precision", 6):
        for cell in book["cells"]:
            if cell["cell_type"] == "code":
                exec("".join(cell["source"]), space)
        yield out


def test_every_figure_is_the_published_one(shown: list[Any]) -> None:
    """To one in the last figure: Davies & Goldsmith 1972 (as Bates et al. 2015), Yates 1935 (as
    Venables & Ripley 2002), Bates et al. 2015, Pinheiro & Bates 2000, Christensen's ordinal."""
    beside = [x for x in shown if isinstance(x, pd.DataFrame) and "published" in x.columns]
    assert [len(x) for x in beside] == [6, 8, 8, 8, 7]
    for table in beside:
        for name, row in table.iterrows():
            printed = f"{row['published']:.10g}"
            decimals = len(printed.partition(".")[2])
            assert abs(row["fitted"] - row["published"]) < 1.01 * 10.0 ** -max(decimals, 1), name


def test_pictures_are_among_what_is_shown(shown: list[Any]) -> None:
    assert sum(hasattr(x, "savefig") for x in shown) == 4


@pytest.mark.parametrize("name", ["dyestuff", "oats", "ovary", "sleepstudy", "wine"])
def test_the_sets_are_those_the_core_is_checked_on(name: str) -> None:
    assert shipped.classic(name).read_bytes() == (DATA / f"{name}.csv").read_bytes()


def test_a_set_that_is_not_there() -> None:
    with pytest.raises(FileNotFoundError):
        shipped.classic("none")
