"""A small trial to read, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from trialkit.records import RecordsError, read_records

DESCRIPTION = """\
title = "Two beans"
crop = "climbing bean"
planted = 2026-05-20

[[varieties]]
name = "Ambrel"
check = true

[[varieties]]
name = "Costry"
"""
PLANTS = """\
plant,variety,block,plot,row,column
A1,Ambrel,1,1A,1,1
A2,Ambrel,2,2B,2,2
C1,Costry,1,1B,1,2
C2,Costry,2,2A,2,1
"""

Make = Callable[..., Path]
Wrong = Callable[..., pd.DataFrame]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Writes a trial: make(picks="date,plant,count\\n...", trial=..., plants=..., own=...).

    own : tables that stand below the description, such as [[traits]].
    """

    def made(
        trial: str | bytes = DESCRIPTION, plants: str | bytes | None = PLANTS, own: str = "",
        **tables: str | bytes,
    ) -> Path:
        folder = tmp_path / "trial"
        folder.mkdir(exist_ok=True)
        (folder / "trial.toml").write_bytes(_bytes(trial) + _bytes(own))
        for name, content in {"plants": plants, **tables}.items():
            if content is not None:
                (folder / f"{name}.csv").write_bytes(_bytes(content))
        return folder

    return made


def _bytes(content: str | bytes) -> bytes:
    return content.encode() if isinstance(content, str) else content


@pytest.fixture
def wrong(make: Make) -> Wrong:
    """The problems of a trial that cannot be read."""

    def problems(**tables: str | bytes) -> pd.DataFrame:
        with pytest.raises(RecordsError) as caught:
            read_records(make(**tables))
        return caught.value.problems

    return problems
