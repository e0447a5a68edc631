"""Fixtures: phones made of the browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from handset import HELD, MADE, Phone, bed

from trialkit.recording.phone import phone_page


@pytest.fixture(scope="module")
def lent(browser: Any, tmp_path_factory: Any) -> Iterator[Any]:
    """What phones without wishes of their own are switched on in, one after another."""
    empty = tmp_path_factory.mktemp("lent") / "empty.html"
    empty.write_text("<!DOCTYPE html><title>-</title>", encoding="utf-8")
    context = browser.new_context(**HELD)
    context.new_page().goto(empty.as_uri())
    yield context
    context.close()


@pytest.fixture
def phone(player: Any, browser: Any, lent: Any, tmp_path: Path) -> Iterator[Callable[..., Phone]]:
    """Makes phones: phone(records) writes the page of those records and gives a switched-off one.

    mortal : with a browser and a profile folder of its own, so that it can be killed.  own : with
    a context of its own, whose clock or permissions can be changed.
    """
    made: list[Phone] = []

    def make(records: Any = None, url: str | None = None, mortal: bool = False,
             own: bool = False) -> Phone:  # fmt: skip
        number = len(made)
        if url is None:
            file = tmp_path / f"page{number}.html"
            file.write_text(phone_page(records or bed(), MADE), encoding="utf-8")
            url = file.as_uri()
        one = Phone(player, browser, tmp_path / f"profile{number}" if mortal else None, url)
        one.lent = None if mortal or own or made else lent
        made.append(one)
        return one

    yield make
    for one in made:
        one.switch_off()
