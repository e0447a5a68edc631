"""What is kept: two tabs, a full phone, no storage at all, a sudden death, a clock gone wrong."""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from handset import DAY, MADE, bed, noted, saved, sent_text, start_pick, type_number

from trialkit.recording.offline import phone_page

pytestmark = pytest.mark.browser

SMALL = (2, 4)
QUOTA = 'throw new DOMException("full", "QuotaExceededError");'
FULL_DATABASE = f"""
  const full = () => {{ {QUOTA} }};
  const database = IDBObjectStore.prototype;
  const real = database.put;
  window.fill = () => {{ database.put = full; }};
  window.empty = () => {{ database.put = real; }};
"""
FULL_SMALL_STORE = f"Storage.prototype.setItem = () => {{ {QUOTA} }};"
REFUSED = "{ get() { throw new DOMException('no', 'SecurityError'); } }"
NO_DATABASE = f"Object.defineProperty(window, 'indexedDB', {REFUSED});"
NO_SMALL_STORE = f"Object.defineProperty(window, 'localStorage', {REFUSED});"
HANGING_DATABASE = "IDBFactory.prototype.open = () => ({});"


def rows_of(page: Any, every: bool = False) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(sent_text(page, every), newline="")))


def counts(rows: list[dict[str, str]]) -> dict[str, str]:
    taken_back = {row["value"] for row in rows if row["kind"] == "undo"}
    standing = [row for row in rows if row["record_id"] not in taken_back]
    found: dict[str, str] = {}
    for row in standing:
        if row["kind"] == "count":
            assert row["plant"] not in found, "two counts stand for one plant"
            found[row["plant"]] = row["value"]
    return found


def test_taps_of_two_tabs_on_one_plant_add_up(phone: Any) -> None:
    one = phone(bed(*SMALL))
    left = one.switch_on()
    start_pick(left)
    right = one.tab()
    right.tap(f"#resume [data-date='{DAY}']")
    right.locator("#plant").wait_for()
    # Both at once: each tab taps before it can have heard of the other's taps.
    burst = "() => { for (let at = 0; at < 10; at += 1) document.getElementById('plus').click(); }"
    for _ in range(3):
        left.evaluate(burst)
        right.evaluate(burst)
    for tab in (left, right):
        saved(tab)
        tab.locator("#number", has_text=re.compile("^60$")).wait_for()
    assert "another tab" in left.inner_text("#alarm")
    right.tap("#undo")
    right.locator("#number", has_text=re.compile("^59$")).wait_for()
    assert counts(rows_of(right)) == {"P001": "59"}
    left.bring_to_front()
    left.locator("#number", has_text=re.compile("^59$")).wait_for()
    assert counts(rows_of(left)) == {"P001": "59"}
    left.reload()
    assert counts(rows_of(left)) == {"P001": "59"}


def test_two_tabs_that_cannot_hear_each_other_lose_nothing(phone: Any) -> None:
    one = phone(bed(*SMALL))
    left = one.switch_on("delete window.BroadcastChannel;")
    start_pick(left)
    right = one.tab()
    right.tap(f"#resume [data-date='{DAY}']")
    right.locator("#plant").wait_for()
    for _ in range(4):
        for tab in (left, right):
            tab.evaluate("document.getElementById('plus').click()")
    assert right.inner_text("#number") == "4", "the tabs should not have heard of each other"
    saved(left)
    saved(right)
    left.bring_to_front()
    left.reload()
    left.locator("#plant").wait_for()
    assert left.inner_text("#number") == "8"


def test_after_a_sudden_death_nothing_that_was_called_saved_is_missing(phone: Any) -> None:
    one = phone(bed(*SMALL), mortal=True)
    page = one.switch_on()
    start_pick(page)
    page.tap("#plus")
    saved(page)
    called_saved = 1
    for _ in range(2):
        # The page itself notes how many taps it has called saved; the browser dies at once.
        before = called_saved
        page.evaluate(
            "() => { for (let at = 0; at < 200; at += 1) document.getElementById('plus').click(); }"
        )
        page.tap("#plus")
        text = page.evaluate(
            "['where-kept', 'number'].map((id) => document.getElementById(id).textContent)"
        )
        if text[0].startswith("✓ Saved"):
            called_saved = int(text[1])
        one.kill()
        page = one.switch_on()
        page.tap(f"#resume [data-date='{DAY}']")
        page.locator("#plant").wait_for()
        shown = page.inner_text("#number")
        value = 0 if shown == "nothing yet" else int(shown)
        assert called_saved <= value <= before + 201
        called_saved = value
    assert counts(rows_of(page)) == {"P001": str(called_saved)}


def test_a_half_typed_number_and_note_come_back_but_are_no_records(phone: Any) -> None:
    one = phone(bed(*SMALL), mortal=True)
    page = one.switch_on()
    start_pick(page)
    page.tap("#type")
    page.tap("#keys button:text-is('3')")
    noted(page, "typing", "3")
    one.kill()
    page = one.switch_on()
    page.tap(f"#resume [data-date='{DAY}']")
    page.locator("#pad-shown", has_text="3 pods").wait_for()
    page.tap("#pad-close")
    assert page.inner_text("#number") == "nothing yet"
    page.tap("#to-note")
    page.fill("#note-text", "half a thou")
    noted(page, "typing", "half a thou")
    page.reload()
    page.locator("#note-text").wait_for()
    assert page.input_value("#note-text") == "half a thou"
    page.tap("#note-close")
    assert rows_of(page) == []


def test_a_full_phone_is_never_called_saved_and_the_taps_can_still_be_taken_out(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on(FULL_DATABASE + FULL_SMALL_STORE)
    start_pick(page)
    page.tap("#plus")
    saved(page)
    page.evaluate("fill()")
    for _ in range(3):
        page.tap("#plus")
    page.locator("#alarm-head", has_text="NOT SAVED: 3 taps.").wait_for()
    assert page.inner_text("#where-kept") == "3 taps NOT saved"
    assert page.get_attribute("#alarm", "role") == "alert"
    assert page.inner_text("#number") == "4"
    assert counts(rows_of(page)) == {"P001": "4"}
    # Copy from the warning itself, with the clipboard refused: the text lies open and selected.
    page.evaluate("Object.defineProperty(navigator, 'clipboard', { value: undefined })")
    page.evaluate("document.execCommand = () => false; 0")
    page.tap("#alarm-copy")
    page.locator("#sent-said", has_text="hold a finger").wait_for()
    picked = page.locator("#text").evaluate("t => t.value.slice(t.selectionStart, t.selectionEnd)")
    assert counts(list(csv.DictReader(io.StringIO(picked)))) == {"P001": "4"}
    # Room again: one button saves what was waiting, and a reload proves it.
    page.evaluate("empty()")
    page.tap("#alarm-again")
    page.locator("#alarm").wait_for(state="hidden")
    page.tap("#send-back")
    saved(page)
    page.reload()
    page.locator("#plant").wait_for()
    assert page.inner_text("#number") == "4"


def test_taps_not_saved_are_gone_after_a_reload_and_the_page_says_so_before(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on(FULL_DATABASE + FULL_SMALL_STORE)
    start_pick(page)
    page.evaluate("fill()")
    page.tap("#plus")
    page.locator("#alarm-head", has_text="NOT SAVED: 1 tap.").wait_for()
    asked = []
    page.once("dialog", lambda box: asked.append(box.type))
    page.reload()
    assert asked == ["beforeunload"]
    page.locator("#plant").wait_for()
    assert page.inner_text("#number") == "nothing yet"


@pytest.mark.slow
def test_a_quota_that_the_browser_itself_enforces(phone: Any) -> None:
    """The browser's own storage limit instead of a stand-in for it."""
    site = "https://garden.example"
    one = phone(url=f"{site}/phone.html", mortal=True)
    one.url = "about:blank"
    page = one.switch_on()
    html = phone_page(bed(*SMALL), MADE)
    kind = "text/html; charset=utf-8"
    one.context.route("**/*", lambda route: route.fulfill(body=html, content_type=kind))
    limit = one.context.new_cdp_session(page)
    limit.send("Storage.overrideQuotaForOrigin", {"origin": site, "quotaSize": 20_000})
    page.goto(f"{site}/phone.html")
    page.evaluate(f"{FULL_SMALL_STORE} 0")
    start_pick(page)
    page.tap("#plus")
    saved(page)
    for _ in range(20):
        page.evaluate("for (let at = 0; at < 20; at += 1) document.getElementById('plus').click()")
        page.wait_for_timeout(50)
        if page.is_visible("#alarm-head"):
            break
    page.locator("#alarm-head", has_text="NOT SAVED").wait_for()
    total = page.inner_text("#number")
    limit.send("Storage.overrideQuotaForOrigin", {"origin": site})
    page.tap("#alarm-again")
    page.locator("#alarm").wait_for(state="hidden")
    page.reload()
    page.locator("#plant").wait_for()
    assert page.inner_text("#number") == total


@pytest.mark.parametrize("broken", [
    pytest.param(NO_DATABASE, id="refused", marks=pytest.mark.slow),
    pytest.param(HANGING_DATABASE, id="hanging")])
def test_without_a_database_the_small_store_keeps_the_pick(phone: Any, broken: str) -> None:
    one = phone(bed(*SMALL))
    one.url, url = "about:blank", one.url
    page = one.switch_on(broken)
    page.clock.install()
    page.goto(url)
    page.clock.fast_forward(6000)
    page.locator("#start").wait_for()
    assert "small store only" in page.inner_text("#storage")
    start_pick(page)
    page.tap("#plus")
    type_number(page, "12")
    page.tap("#next")
    page.tap("#zero")
    saved(page)
    assert page.inner_text("#where-kept") == "✓ Saved (small store)"
    page.reload()
    page.clock.fast_forward(6000)
    page.locator("#plant").wait_for()
    assert counts(rows_of(page)) == {"P001": "12", "P002": "0"}


def test_a_database_that_fails_half_way_goes_on_in_the_small_store(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on(FULL_DATABASE)
    start_pick(page)
    page.tap("#plus")
    saved(page)
    page.evaluate("fill()")
    page.tap("#plus")
    page.locator("#where-kept", has_text="✓ Saved (small store)").wait_for()
    page.reload()
    page.locator("#plant").wait_for()
    assert page.inner_text("#number") == "2"


def test_with_no_storage_at_all_the_page_says_so_and_the_text_still_goes_out(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on(NO_DATABASE + NO_SMALL_STORE)
    page.locator("#start").wait_for()
    assert "keeps nothing for this page" in page.inner_text("#storage")
    start_pick(page)
    assert page.inner_text("#where-kept") == "Nothing is saved"
    page.tap("#plus")
    page.locator("#alarm-head", has_text="NOT SAVED: 1 tap.").wait_for()
    assert "✓" not in page.inner_text("#kept")
    assert counts(rows_of(page)) == {"P001": "1"}


def test_a_clock_that_goes_back_changes_neither_order_nor_values(phone: Any) -> None:
    one = phone(bed(*SMALL))
    one.url, url = "about:blank", one.url
    page = one.switch_on(timezone_id="Australia/Adelaide")
    page.clock.install(time=datetime(2024, 7, 14, 9, 0))
    page.goto(url)
    start_pick(page)
    page.tap("#plus")
    type_number(page, "30")
    page.clock.set_system_time(datetime(2019, 1, 1, 0, 0))
    page.tap("#plus")
    assert "clock went back" in page.inner_text("#alarm")
    page.tap("#alarm-close")
    page.tap("#plus")
    assert not page.is_visible("#alarm"), "said once, not at every tap"
    page.tap("#undo")
    assert counts(rows_of(page)) == {"P001": "31"}
    assert {row["date"] for row in rows_of(page)} == {DAY}


def test_a_clock_behind_the_page_itself_fills_in_no_day(phone: Any) -> None:
    one = phone(bed(*SMALL))
    one.url, url = "about:blank", one.url
    page = one.switch_on()
    page.clock.install(time=datetime(1970, 1, 1, 0, 5))
    page.goto(url)
    page.locator("#start").wait_for()
    assert page.input_value("#date") == ""
    assert "1970" in page.inner_text("#date-note")
    page.tap("#begin")
    assert page.is_visible("#start")
    assert "Choose the date" in page.inner_text("#date-note")


@pytest.mark.parametrize("zone", [
    "America/St_Johns", pytest.param("Pacific/Auckland", marks=pytest.mark.slow)])
def test_the_day_is_the_local_one_and_times_carry_the_offset(phone: Any, zone: str) -> None:
    """Early and late in the day, where the day in Greenwich is another. Against zoneinfo."""
    one = phone(bed(*SMALL))
    one.url, url = "about:blank", one.url
    page = one.switch_on(timezone_id=zone)
    moments = [datetime(2024, 7, 14, hour, 30, tzinfo=ZoneInfo(zone)) for hour in (0, 23)]
    page.clock.install(time=moments[0])
    for moment in moments:
        page.clock.set_system_time(moment)
        page.goto("about:blank")
        page.goto(url)
        page.locator("#start").wait_for()
        assert page.input_value("#date") == DAY
        page.tap("#begin")
        page.tap("#next")
        page.tap("#plus")
        saved(page)
    for row, moment in zip(rows_of(page), moments, strict=True):
        at = datetime.fromisoformat(row["recorded_at"])
        assert at.utcoffset() == moment.utcoffset()
        assert abs(at - moment) < timedelta(minutes=1)


def test_a_spoilt_entry_in_the_small_store_hides_no_other(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on(NO_DATABASE)
    start_pick(page)
    page.tap("#plus")
    saved(page)
    page.evaluate(
        "Object.keys(localStorage).filter((key) => JSON.parse(localStorage[key]).op === 'look')"
        ".forEach((key) => (localStorage[key] = '{half'))"
    )
    page.reload()
    page.locator("#plant").wait_for()
    assert page.inner_text("#number") == "1"


def test_a_journal_that_cannot_be_read_is_said_and_not_shown_as_empty(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on("IDBObjectStore.prototype.getAll = () => { throw new Error('no'); };")
    page.locator("#alarm").wait_for()
    assert "could not be read" in page.inner_text("#alarm-text")


def test_a_page_made_anew_keeps_the_records_of_a_plant_it_no_longer_names(
    phone: Any, tmp_path: Path
) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on()
    start_pick(page)
    page.tap("#plus")
    page.tap("#next")
    page.tap("#plus")
    saved(page)
    records = bed(*SMALL)
    records.plants["plant"] = records.plants["plant"].replace("P001", "P001a")
    again = tmp_path / "again.html"
    again.write_text(phone_page(records, MADE), encoding="utf-8")
    page.goto(again.as_uri())
    page.tap(f"#resume [data-date='{DAY}']")
    page.locator("#plant").wait_for()
    assert page.inner_text("#plant-name") == "P002"
    assert counts(rows_of(page)) == {"P001": "1", "P002": "1"}
