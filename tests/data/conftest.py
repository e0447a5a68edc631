"""The folder of the shipped trials, whose scripts are on the path (see pyproject.toml)."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def data() -> Path:
    return Path(__file__).resolve().parents[2] / "data"
