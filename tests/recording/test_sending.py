"""What leaves the phone: the file, its rows, corrections after sending, sharing and copying."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from handset import DAY, bed, go_home, saved, sent_text, start_pick, type_number

pytestmark = pytest.mark.browser

COLUMNS = ["record_id", "recorded_at", "date", "plant", "kind", "value", "unit", "note", "device"]
SMALL = (2, 4)


def parsed(text: str) -> list[dict[str, str]]:
    """Read by Python's csv module in its strict mode: quoting errors raise."""
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    rows = list(reader)
    assert reader.fieldnames == [*COLUMNS, "check"]
    assert all(None not in row and None not in row.values() for row in rows)
    for row in rows:  # of the row's place in this file; judged where files are read
        assert row.pop("check")
    return rows


def standing(rows: list[dict[str, str]]) -> list[tuple[str, str, str, str]]:
    """Rows nobody took back."""
    gone = {row["value"] for row in rows if row["kind"] == "undo"}
    kept = [row for row in rows if row["record_id"] not in gone and row["kind"] != "undo"]
    return [(row["plant"], row["kind"], row["value"], row["note"]) for row in kept]


def test_zero_not_looked_at_and_blank_are_three_things(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    start_pick(page)
    assert page.inner_text("#number") == "nothing yet"
    page.tap("#zero")
    assert page.inner_text("#value") == "0\npods"
    page.tap("#next")
    page.tap("#skip")
    assert page.inner_text("#number") == "not looked at"
    page.tap("#next")
    page.tap("#next")
    assert "P003: nothing entered" in page.inner_text("#said")
    rows = parsed(sent_text(page))
    assert standing(rows) == [("P001", "count", "0", ""), ("P002", "not-looked", "", "")]
    tally = page.inner_text("#tally").split("\n")
    tally = dict(zip(tally[::2], tally[1::2], strict=True))
    assert tally == {
        "Counted": "0",
        "Looked, none (0)": "1",
        "Not looked at": "1",
        "Nothing entered": "6",
        "All pods": "0",
    }
    assert "not as zeros" in page.inner_text("#left")
    page.tap("#to-blanks")
    page.locator("#list").wait_for()
    assert page.locator("#rows button:visible b").all_inner_texts() == [
        "P003",
        "P004",
        "P008",
        "P007",
        "P006",
        "P005",
    ]


def test_undo_goes_back_tap_by_tap_to_nothing_and_across_plants(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    start_pick(page)
    assert page.is_disabled("#undo")
    page.tap("#plus")
    page.tap("#plus")
    type_number(page, "40")
    page.tap("#next")
    page.tap("#skip")
    page.tap("#plus")
    seen = []
    for _ in range(5):
        page.tap("#undo")
        seen.append((page.inner_text("#plant-name"), page.inner_text("#number")))
    assert seen == [
        ("P002", "not looked at"),
        ("P002", "nothing yet"),
        ("P001", "2"),
        ("P001", "1"),
        ("P001", "nothing yet"),
    ]
    assert "Undone on P001" in page.inner_text("#said")
    assert page.is_disabled("#undo")
    assert parsed(sent_text(page)) == []


def test_what_changes_after_sending_is_taken_back_by_name(
    phone: Any,
) -> None:
    page = phone(bed(*SMALL)).switch_on()
    start_pick(page, who="Hedge")
    page.tap("#plus")
    page.tap("#plus")
    page.tap("#next")
    page.tap("#zero")
    texts = [sent_text(page)]
    page.tap("#send-back")
    type_number(page, "3")  # P002: 0 becomes 3
    texts.append(sent_text(page))
    page.tap("#send-back")
    page.tap("#undo")  # and back to 0
    page.tap("#back")
    page.tap("#undo")  # P001: the zero on P002 goes as well
    saved(page)
    page.reload()
    page.locator("#plant").wait_for()
    texts.append(sent_text(page))
    assert sent_text(page) == texts[-1], "sending again without a change gives the same file"
    files = [parsed(text) for text in texts]
    for before, after in zip(files, files[1:], strict=False):
        assert after[: len(before)] == before, "a later file holds the earlier one, word for word"
    assert [standing(rows) for rows in files] == [
        [("P001", "count", "2", ""), ("P002", "count", "0", "")],
        [("P001", "count", "2", ""), ("P002", "count", "3", "")],
        [("P001", "count", "2", "")],
    ]
    names = [row["record_id"] for row in files[-1]]
    assert len(set(names)) == len(names)
    for row in files[-1]:
        if row["kind"] == "undo":
            assert row["value"] in names[: names.index(row["record_id"])]
    assert {row["device"][:6] for row in files[-1]} == {"Hedge "}


def test_weights_heights_losses_and_topping(phone: Any) -> None:
    page = phone(bed(*SMALL, height="in", weight="oz")).switch_on()
    start_pick(page, asks=("count", "weight", "height"))
    page.tap("#plus")
    page.tap("#show-weight")
    type_number(page, "12.5", "#measure")
    page.tap("#show-height")
    page.tap("#measure")
    page.tap("#keys button[aria-label=feet]")
    assert page.is_disabled("#pad-keep"), "a height cannot begin with the feet mark"
    page.tap("#keys button:text-is('Delete')")
    page.tap("#pad-close")
    type_number(page, "5'6", "#measure")
    assert page.inner_text("#number") == "5'6\""
    page.tap("#next")
    page.tap("#to-more")
    page.tap("[data-reason='pulled out']")
    assert "pulled out" in page.inner_text("#marks")
    page.tap("#next")
    page.tap("#to-more")
    page.tap("#more-topped")
    rows = parsed(sent_text(page))
    # A plant's own in the order of the page's boxes, whatever was typed first.
    assert sorted((r["plant"], r["kind"], r["value"], r["unit"], r["note"]) for r in rows) == [
        ("P001", "count", "1", "", ""),
        ("P001", "height", "5'6\"", "", ""),
        ("P001", "weight", "12.5", "oz", ""),
        ("P002", "lost", "", "", "pulled out"),
        ("P003", "topped", "", "", ""),
    ]
    # A lost plant is passed over in later picks on this phone, and can be called back on its day.
    go_home(page)
    start_pick(page, day="2024-07-17")
    page.tap("#next")
    assert page.inner_text("#plant-name") == "P003"
    go_home(page)
    page.tap(f"#resume [data-date='{DAY}']")
    page.tap("#back")
    page.tap("#to-more")
    page.tap("#more-back")
    assert page.inner_text("#marks") == ""
    assert standing(parsed(sent_text(page, every=True)))[-1] == ("P003", "topped", "", "")


def test_two_picks_stay_apart_and_go_out_together_when_asked(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    for day in (DAY, "2024-07-17"):
        start_pick(page, day=day)
        page.tap("#plus" if day == DAY else "#zero")
        go_home(page)
    page.tap(f"#resume [data-date='{DAY}']")
    assert [(r["date"], r["value"]) for r in parsed(sent_text(page))] == [(DAY, "1")]
    both = [(r["date"], r["value"]) for r in parsed(sent_text(page, every=True))]
    assert both == [(DAY, "1"), ("2024-07-17", "0")]


def test_a_spreadsheet_finds_no_formula_in_the_file(phone: Any) -> None:
    """The beginnings that spreadsheets run, from the OWASP page "CSV Injection"."""
    starts = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "＝1", "'=1"]
    records = bed(1, len(starts))
    records.plants["plant"] = starts
    page = phone(records).switch_on()
    start_pick(page, who="=cmd")
    for start in starts:
        page.tap("#to-note")
        page.fill("#note-text", f"{start} seen")
        page.tap("#note-keep")
        page.tap("#next")
    rows = parsed(sent_text(page))
    assert len(rows) == len(starts)
    for row in rows:
        for text in row.values():
            assert text.strip()[:1] not in tuple("=+-@＝"), text
    assert [row["plant"] for row in rows] == [f"'{start}" for start in starts]


SHARING = """
  window.shared = [];
  navigator.canShare = (what) => Boolean(what.files && what.files.length);
  navigator.share = async (what) => {
    if (window.closed_sheet) throw new DOMException("closed", "AbortError");
    window.shared.push([what.files[0].name, what.files[0].type, await what.files[0].text()]);
  };
"""


def test_the_share_sheet_gets_the_file_and_a_closed_sheet_is_not_called_sent(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on(SHARING)
    start_pick(page)
    page.tap("#plus")
    page.tap("#to-send")
    page.evaluate("window.closed_sheet = true")
    page.tap("#share")
    page.locator("#sent-said", has_text="Not shared").wait_for()
    assert page.inner_text("#last-sent") == "Not sent yet."
    page.evaluate("window.closed_sheet = false")
    page.tap("#share")
    page.locator("#sent-said", has_text="Handed to the app").wait_for()
    ((name, kind, text),) = page.evaluate("window.shared")
    assert name.startswith("okra-rows-invented_2024-07-14_phone-")
    assert name.endswith(".csv")
    assert kind == "text/csv"
    assert standing(parsed(text)) == [("P001", "count", "1", "")]
    assert "Last sent" in page.inner_text("#last-sent")
    page.tap("#send-back")
    page.tap("#plus")
    page.tap("#to-send")
    page.locator("#last-sent", has_text="1 tap since then").wait_for()


def test_without_a_share_sheet_the_button_is_not_there_and_copying_works(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on("navigator.canShare = undefined;")
    one.context.grant_permissions(["clipboard-read", "clipboard-write"])
    start_pick(page)
    page.tap("#plus")
    page.tap("#to-send")
    assert not page.is_visible("#share")
    page.tap("#copy")
    page.locator("#sent-said", has_text="Copied").wait_for()
    copied = page.evaluate("navigator.clipboard.readText()").replace("\r\n", "\n")
    assert standing(parsed(copied.replace("\n", "\r\n"))) == [("P001", "count", "1", "")]
