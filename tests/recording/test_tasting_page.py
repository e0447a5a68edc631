"""A tasting from its page on a phone to its result, in a browser."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from chromium import barriers
from smalltrial import write
from typer.testing import CliRunner

from trialkit.cli import Exit, app

pytestmark = pytest.mark.browser


def run(*words: object) -> str:
    result = CliRunner().invoke(app, [str(w) for w in words])
    assert result.exit_code == Exit.DONE, result.output
    return result.output


def test_scores_are_entered_kept_and_become_a_result(phone: Any, tmp_path: Path) -> None:
    folder = write(tmp_path / "small", picks=1)
    place = folder / "tasting"
    run("tasting", folder, "--tasters", "4", "--seed", "4", "--trait", "liking")
    with (place / "key.csv").open(newline="") as file:
        names = {row["code"]: row["variety"] for row in csv.DictReader(file)}
    liked = {"Ambrel": 3, "Costry": 8, "Dunwell": 5}
    one = phone(url=(place / "tasting.html").as_uri())
    page = one.switch_on()
    # The cautions stand above the first score.
    assert page.locator(".cautions").bounding_box()["y"] < page.locator(
        "fieldset").first.bounding_box()["y"]  # fmt: skip
    assert "Allergies" in page.inner_text(".cautions")
    assert "Food-safety advice" in page.inner_text(".cautions")
    assert barriers(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert not any(name in page.content() for name in liked)
    for taster in range(1, 5):
        page.select_option("#taster", str(taster))
        assert page.inner_text("#where").startswith("0 of 3 scored.")
        for code in page.locator("legend").all_inner_texts():
            score = liked[names[code]] + (taster + len(names[code])) % 2
            page.tap(f"[aria-label='{code}, liking'] button:text-is('{score}')")
        assert page.inner_text("#where").startswith("3 of 3 scored.")
    # Tapped again a score is taken back; another one takes its place.
    last = page.locator("legend").first.inner_text()
    pressed = page.locator(f"[aria-label='{last}, liking'] [aria-pressed=true]")
    value = pressed.inner_text()
    pressed.tap()
    assert page.inner_text("#where").startswith("2 of 3 scored.")
    page.tap(f"[aria-label='{last}, liking'] button:text-is('1')")
    page.tap(f"[aria-label='{last}, liking'] button:text-is('{value}')")
    page.reload()
    page.select_option("#taster", "4")
    assert page.inner_text("#where").startswith("3 of 3 scored.")
    with page.expect_download() as download:
        page.tap("#save")
    text = Path(download.value.path()).read_text()
    assert len(text.splitlines()) == 13
    (place / "scores.csv").write_text(text)
    (place / "triangle.csv").write_text("first,second,right,tasted\nAmbrel,Costry,9,15\n")
    said = run("tasting", folder)
    assert "Costry above Ambrel by 5." in said
    assert "Tasters can tell Ambrel from Costry: 9 of 15 tasters" in said
    result = one.tab((place / "result.html").as_uri())
    words = result.inner_text("main")
    assert "Costry scored 5." in words
    assert "Each taster counts as one test. One dish of each variety was tasted" in words
    assert "some beans and other crops are poisonous raw" in words
    assert "Can tasters tell them apart?" in words
    assert result.evaluate("document.documentElement.scrollWidth") <= 360
    assert barriers(result) == []
    assert not [url for url in one.asked if not url.startswith(("file:", "blob:"))]
    assert one.faults == []
