"""The scripts of data/ stand outside the package; put them on the path for these tests."""

import sys
from pathlib import Path

import pytest

DATA = Path(__file__).resolve().parents[2] / "data"
sys.path.insert(0, str(DATA))


@pytest.fixture(scope="session")
def data() -> Path:
    return DATA
