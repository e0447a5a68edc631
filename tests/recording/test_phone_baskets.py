"""Whole plots picked into one basket each, by touch, and brought in."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from handset import DAY, plant_bed, saved, sent_text, start_pick

from trialkit.records import read_records
from trialkit.records.incoming.add import add_files

pytestmark = pytest.mark.browser


def plots_bed(folder: Path) -> Path:
    """Three rows of four plants, a plot a row; all of the third were lost before the pick."""
    plant_bed(folder, 3, 4)
    lines = (folder / "plants.csv").read_text().splitlines()
    out = [f"{lines[0]},plot,lost"]
    out += [f"{line},{'ABC'[at // 4]},{'2024-07-01' if at >= 8 else ''}"
            for at, line in enumerate(lines[1:])]
    (folder / "plants.csv").write_text("\n".join(out) + "\n")
    return folder


def test_a_plot_is_picked_into_a_basket_and_comes_in_as_one(phone: Any, tmp_path: Path) -> None:
    folder = plots_bed(tmp_path)
    one = phone(read_records(folder))
    page = one.switch_on()
    page.wait_for_selector("#start:not([hidden])")
    page.set_checked("#whole", True)
    start_pick(page, DAY, ("count", "weight"))
    assert page.inner_text("#plant-name") == "plot A"
    assert page.inner_text("#next") == "Next plot"
    assert not page.is_visible("#to-more")
    page.tap("#type")
    for key in "31":
        page.tap(f"#keys button:text-is('{key}')")
    page.tap("#pad-keep")
    page.tap("#show-weight")
    page.tap("#measure")
    for key in "420":
        page.tap(f"#keys button:text-is('{key}')")
    page.tap("#pad-keep")
    page.tap("#next")
    assert page.inner_text("#plant-name") == "plot B"
    page.tap("#zero")
    # The third plot has no plant left: it is passed over.
    assert page.inner_text("#next") == "Finish"
    saved(page)
    page.tap("#to-list")
    assert "plot A" in page.inner_text("#rows")
    text = sent_text(page)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["plant"], r["kind"], r["value"]) for r in rows] == [
        ("plot A", "count", "31"), ("plot A", "weight", "420"), ("plot B", "count", "0")]
    export = tmp_path / "pick.csv"
    export.write_text(text, newline="")
    assert add_files(folder, [export]).added == 3
    picks = read_records(folder).picks.set_index("plot")
    assert picks["count"].to_dict() == {"A": 31, "B": 0}
    assert picks.loc["A", "weight_g"] == 420
    assert one.faults == []


def test_a_layout_of_plots_alone_starts_with_baskets(phone: Any, tmp_path: Path) -> None:
    plant_bed(tmp_path, 3, 1)
    (tmp_path / "plants.csv").write_text(
        "plot,variety,plants\nA,Amber Lantern,6\nB,Long Marrow,6\nC,Pale Tower,5\n")
    one = phone(read_records(tmp_path))
    page = one.switch_on()
    start_pick(page)
    assert page.inner_text("#plant-name") == "plot A"
    page.tap("#plus")
    page.tap("#next")
    page.tap("#next")
    page.tap("#next")
    page.locator("#send").wait_for()
    assert "2 plots with nothing entered" in page.inner_text("#left")
    assert one.faults == []


def test_a_bed_without_plots_is_not_asked(phone: Any) -> None:
    page = phone().switch_on()
    page.wait_for_selector("#start:not([hidden])")
    assert page.locator("#whole").count() == 0
