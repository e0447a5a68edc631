"""Baskets and own traits on the phone: taken back, kept over a reload, corrected, and blind."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from handset import DAY, MADE, VARIETIES, plant_bed, saved, sent_text, start_pick
from test_phone_baskets import plots_bed

from trialkit.recording.offline import phone_page
from trialkit.records import read_records
from trialkit.records.incoming.add import add_files

pytestmark = pytest.mark.browser

OWN = """
[[traits]]
name = "open flowers"
kind = "count"
[[traits]]
name = "wilted"
kind = "yes or no"
[[traits]]
name = "vigour"
kind = "score"
from = 1
to = 9
"""


def with_traits(folder: Path) -> Path:
    with (folder / "trial.toml").open("a") as file:
        file.write(OWN)
    return folder


def begun(one: Any, *asks: str, whole: bool = False) -> Any:
    """The first plant (or plot) of a pick that asks for these."""
    page = one.switch_on()
    page.wait_for_selector("#start:not([hidden])")
    for ask in asks:
        page.set_checked(f"#ask-{ask}", True)
    if whole:
        page.set_checked("#whole", True)
    start_pick(page, DAY)
    return page


def keyed(page: Any, keys: str) -> None:
    for key in keys:
        page.tap(f"#keys button:text-is('{key}')")
    page.tap("#pad-keep")


def lines(text: str) -> list[tuple[str, str, str]]:
    return [(row["plant"], row["kind"], row["value"])
            for row in csv.DictReader(io.StringIO(text))]  # fmt: skip


def test_a_count_and_a_yes_or_no_of_ones_own_come_in(phone: Any, tmp_path: Path) -> None:
    folder = with_traits(plant_bed(tmp_path, 3, 4))
    one = phone(read_records(folder))
    page = begun(one, "own0", "own1", "own2")
    page.tap("#show-own0")
    page.tap("#measure")
    keyed(page, "12")
    page.tap("#show-own1")
    page.tap("#measure")
    page.tap("#choices button:text-is('no')")
    page.tap("#show-own2")
    page.tap("#measure")
    page.tap("#choices button:text-is('9')")
    # The same again with another answer: only the last stands.
    page.tap("#show-own1")
    page.tap("#measure")
    page.tap("#choices button:text-is('yes')")
    export = tmp_path / "pick.csv"
    export.write_text(sent_text(page), newline="")
    assert add_files(folder, [export]).added == 3
    traits = read_records(folder).traits
    assert dict(zip(traits["trait"], traits["value"], strict=True)) == {
        "open flowers": "12", "wilted": "yes", "vigour": "9"}  # fmt: skip
    assert one.faults == []


def test_a_reload_keeps_baskets_and_traits_that_were_not_sent(phone: Any, tmp_path: Path) -> None:
    one = phone(read_records(with_traits(plots_bed(tmp_path))))
    page = begun(one, "own1", whole=True)
    page.tap("#type")
    keyed(page, "31")
    page.tap("#show-own1")
    page.tap("#measure")
    page.tap("#choices button:text-is('yes')")
    saved(page)
    page.reload()
    # It opens where it was.
    page.wait_for_selector("#plant:not([hidden])")
    assert page.inner_text("#plant-name") == "plot A"
    rows = lines(sent_text(page))
    assert [value for plant, kind, value in rows if kind == "count"] == ["31"]
    assert {plant for plant, _, _ in rows} == {"plot A"}
    assert [value for _, kind, value in rows if "wilted" in kind] == ["yes"]
    assert one.faults == []


def test_a_basket_is_taken_back_and_one_that_was_sent_leaves_an_undo(
    phone: Any, tmp_path: Path
) -> None:
    one = phone(read_records(plots_bed(tmp_path)))
    page = begun(one, whole=True)
    page.tap("#type")
    keyed(page, "31")
    page.tap("#undo")
    assert page.inner_text("#number").strip() not in ("31", "0")
    page.tap("#type")
    keyed(page, "13")
    assert lines(sent_text(page)) == [("plot A", "count", "13")]
    page.tap("#send-list")
    page.locator("#rows button", has_text="plot A").first.tap()
    page.wait_for_selector("#plant:not([hidden])")
    page.tap("#type")
    keyed(page, "15")
    rows = lines(sent_text(page, every=True))
    assert [kind for _, kind, _ in rows] == ["count", "undo", "count"]
    assert rows[-1] == ("plot A", "count", "15")
    assert one.faults == []


def test_whoever_records_blind_sees_no_variety_and_the_pick_comes_in(
    phone: Any, tmp_path: Path
) -> None:
    folder = with_traits(plots_bed(tmp_path))
    page_file = tmp_path / "blind.html"
    page_file.write_text(phone_page(read_records(folder), MADE, blind=True), encoding="utf-8")
    one = phone(url=page_file.as_uri())
    page = begun(one, "own2")
    assert page.inner_text("#plant-name") == "P001"
    assert page.inner_text("#variety") == ""
    page.tap("#plus")
    page.tap("#show-own2")
    page.tap("#measure")
    page.tap("#choices button:text-is('7')")
    text = sent_text(page)
    for name in VARIETIES:
        assert name not in page.content()
        assert name not in text
    page.tap("#send-list")
    assert not any(name in page.inner_text("#list") for name in VARIETIES)
    export = tmp_path / "pick.csv"
    export.write_text(text, newline="")
    assert add_files(folder, [export]).added == 2
    records = read_records(folder)
    assert records.picks["count"].tolist() == [1]
    assert records.traits["value"].tolist() == ["7"]
    assert one.faults == []
