"""A real browser, and one report of the demo trial, shared by every test of this folder."""

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


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, driven by playwright; the test is skipped where there is none."""
    if not CHROMIUM.exists():
        why = f"there is no Chromium at {CHROMIUM} (on Debian: apt install chromium)"
        if os.environ.get("TRIALKIT_NEEDS_BROWSER"):
            pytest.fail(why)
        pytest.skip(why)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield started
        started.close()
