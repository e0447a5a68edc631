"""Fixtures: the browser's driver, and phones made of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from chromium import CHROMIUM, FLAGS, need_chromium
from handset import MADE, Phone, bed

from trialkit.recording.phone import phone_page


class Driver:
    """One browser for this whole folder, and stopped at its end: two drivers in one thread, or a
    driver beside another event loop, get in each other's way."""

    def __init__(self) -> None:
        self.playing: Any = None
        self.player: Any = None
        self.browser: Any = None

    def start(self) -> Driver:
        if self.player is None:
            from playwright.sync_api import sync_playwright

            self.playing = sync_playwright()
            self.player = self.playing.__enter__()
            self.browser = self.player.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        return self

    def stop(self) -> None:
        if self.player is not None:
            self.browser.close()
            self.playing.__exit__(None, None, None)
            self.playing = self.player = self.browser = None


DRIVER = Driver()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> Iterator[None]:
    try:
        return (yield)
    finally:
        if nextitem is None or nextitem.path.parent != Path(__file__).parent:
            DRIVER.stop()


@pytest.fixture(scope="module")
def player() -> Any:
    """The driver of the browser; the test is skipped, with the reason, where there is none."""
    need_chromium()
    return DRIVER.start().player


@pytest.fixture(scope="module")
def browser(player: Any) -> Any:
    return DRIVER.browser


@pytest.fixture
def phone(player: Any, browser: Any, tmp_path: Path) -> Iterator[Callable[..., Phone]]:
    """Makes phones: phone(records) writes the page of those records and gives a switched-off one.

    mortal : with a browser and a profile folder of its own, so that it can be killed.
    """
    made: list[Phone] = []

    def make(records: Any = None, url: str | None = None, mortal: bool = False) -> Phone:
        number = len(made)
        if url is None:
            file = tmp_path / f"page{number}.html"
            file.write_text(phone_page(records or bed(), MADE), encoding="utf-8")
            url = file.as_uri()
        one = Phone(player, browser, tmp_path / f"profile{number}" if mortal else None, url)
        made.append(one)
        return one

    yield make
    for one in made:
        one.switch_off()
