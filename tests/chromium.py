"""Debian's Chromium, and what the tests that open a page in it ask of the page."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

# Debian's build without a window, where it is installed: the same pages for two thirds of the time.
SHELL = Path("/usr/bin/chromium-headless-shell")
CHROMIUM = SHELL if SHELL.exists() else Path("/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # No process in waiting for a next page: a test that opens one page would pay for two. And no
    # list below an address line that nobody sees: it is a page of its own in each new window, and
    # took more processor time than the test's page.
    "--disable-features=SpareRendererForSitePerProcess,Translate,OptimizationHints,MediaRouter,"
    "WebUIOmniboxPopup,WebUIOmniboxAimPopup,WebUIOmniboxFullPopup",
]


def need_chromium() -> None:
    """Skip the test where there is no Chromium; fail it where one is required."""
    if CHROMIUM.exists():
        return
    why = f"there is no Chromium at {CHROMIUM} (on Debian: apt install chromium)"
    if os.environ.get("TRIALKIT_NEEDS_BROWSER"):
        pytest.fail(why)
    pytest.skip(why)


def unfold(page: Any) -> None:
    """Open everything that is folded."""
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")


def settled(page: Any) -> None:
    """Wait until letters are loaded and all is drawn: whatever runs by itself has run."""
    page.evaluate("""() => document.fonts.ready.then(() => new Promise(done =>
        requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done)))))""")


def barriers(page: Any) -> list[Any]:
    """What axe-core finds, of any level: the WCAG rules of the World Wide Web Consortium made into
    tests, and common practice beside them.

    The page must have been opened with `bypass_csp=True`.
    """
    from axe_playwright_python.sync_playwright import Axe

    verdict = Axe().run(page).response
    assert len(verdict["passes"]) > 15, "axe has read the page"
    return [
        (rule["id"], rule["impact"], [node["html"][:200] for node in rule["nodes"]])
        for rule in verdict["violations"]
    ]
