"""Traits of one's own on the phone: a button for each score, a number, a share; and brought in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from handset import DAY, plant_bed, sent_text, start_pick

from trialkit.records import read_records
from trialkit.records.incoming.add import add_files

TRAITS = """
[[traits]]
name = "mildew"
kind = "score"
scale = ["none", "some", "much"]
[[traits]]
name = "flower width"
kind = "measure"
unit = "mm"
[[traits]]
name = "split"
kind = "share"
[[traits]]
name = "first bloom"
kind = "day"
"""


@pytest.mark.browser
def test_own_traits_are_chosen_or_typed_and_come_in(phone: Any, tmp_path: Path) -> None:
    folder = plant_bed(tmp_path, 3, 4)
    with (folder / "trial.toml").open("a") as file:
        file.write(TRAITS)
    one = phone(read_records(folder))
    page = one.switch_on()
    page.wait_for_selector("#start:not([hidden])")
    for place in range(4):
        page.set_checked(f"#ask-own{place}", True)
    start_pick(page, DAY)
    page.tap("#plus")
    page.tap("#show-own0")
    page.tap("#measure")
    page.tap("#choices button:text-is('some')")
    assert page.inner_text("#number") == "some"
    for place, keys in ((1, "34.5"), (2, "3/20")):
        page.tap(f"#show-own{place}")
        page.tap("#measure")
        for key in keys:
            assert page.is_disabled("#pad-keep") or place == 1
            page.tap(f"#keys button:text-is('{key}')")
        page.tap("#pad-keep")
    page.tap("#show-own3")
    page.tap("#measure")
    page.tap("#choices button:text-is('seen')")
    page.tap("#next")
    page.tap("#show-own0")
    page.tap("#measure")
    page.tap("#choices button:text-is('much')")
    page.tap("#undo")
    assert "mildew" in page.inner_text("#said")
    assert one.faults == []
    export = tmp_path / "pick.csv"
    export.write_text(sent_text(page), newline="")
    assert add_files(folder, [export]).added == 5
    traits = read_records(folder).traits
    assert set(traits["plant"]) == {"P001"}
    assert dict(zip(traits["trait"], traits["value"], strict=True)) == {
        "mildew": "some", "flower width": "34.5", "split": "3/20", "first bloom": "yes"}
