"""Fixtures: phones made of the browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from handset import MADE, Phone, bed

from trialkit.recording.offline import phone_page


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
