"""Debian's Chromium, for the tests that open a page in a real browser."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def need_chromium() -> None:
    """Skip the test where there is no Chromium; fail it where one is required."""
    if CHROMIUM.exists():
        return
    why = f"there is no Chromium at {CHROMIUM} (on Debian: apt install chromium)"
    if os.environ.get("TRIALKIT_NEEDS_BROWSER"):
        pytest.fail(why)
    pytest.skip(why)
