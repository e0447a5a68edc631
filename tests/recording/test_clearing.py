"""Clearing the phone: only what was sent, in two steps, and nothing that another tab just added."""

from __future__ import annotations

from typing import Any

import pytest
from handset import DAY, bed, go_home, kept, noted, saved, sent_text, start_pick

pytestmark = pytest.mark.browser

SMALL = (2, 4)
LATER = "2024-07-17"


def records(page: Any) -> set[tuple[str, str]]:
    return {(e["date"], e["op"]) for e in kept(page) if e["op"] in ("add", "set", "skip")}


def clear(page: Any) -> None:
    page.tap("#aside")
    page.tap("#aside-clear")
    page.tap("label:has(#gone-seen)")
    page.tap("#gone-clear")
    page.locator("#clear-said", has_text="Cleared").wait_for()


def two_picks(page: Any) -> str:
    """One pick sent, with a lost plant in it, and a later one that is not sent."""
    start_pick(page, day=DAY, who="Hedge")
    page.tap("#plus")
    page.tap("#next")
    page.tap("#to-more")
    page.tap("[data-reason='pulled out']")
    text = sent_text(page)
    go_home(page)
    start_pick(page, day=LATER)
    page.tap("#plus")
    saved(page)
    go_home(page)
    return text


def test_only_what_was_sent_goes_and_only_after_two_steps(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    two_picks(page)
    assert "1 pick, 2 records: sent, and not changed since" in page.inner_text("#clear-text")
    assert "1 other pick not sent" in page.inner_text("#clear-text")
    page.tap("#aside")
    assert page.inner_text("#aside-text") == "Set aside: 1 pick, 2 records. Nothing is gone yet."
    assert page.locator(f"#resume [data-date='{DAY}']").count() == 0
    page.tap("#aside-back")
    assert page.locator(f"#resume [data-date='{DAY}']").count() == 1
    page.tap("#aside")
    page.tap("#aside-clear")
    assert page.inner_text("#gone-head") == "Clear 1 pick, 2 records from this phone?"
    assert "nothing on it brings them back" in page.inner_text("#gone-text")
    assert page.is_disabled("#gone-clear"), "not before the grower says that they are brought in"
    page.tap("#gone-keep")
    page.reload()
    page.locator("#aside-text", has_text="Nothing is gone yet").wait_for()
    assert (DAY, "add") in records(page)
    page.tap("#aside-clear")
    page.tap("label:has(#gone-seen)")
    page.tap("#gone-clear")
    page.locator("#clear-said", has_text="Cleared: 1 pick.").wait_for()
    assert records(page) == {(LATER, "add")}
    for _ in range(2):
        assert page.locator(f"#resume [data-date='{LATER}']").count() == 1
        assert page.locator(f"#resume [data-date='{DAY}']").count() == 0
        page.reload()
        page.locator("#start").wait_for()


def test_what_changed_since_it_was_sent_is_not_offered(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    two_picks(page)
    page.tap(f"#resume [data-date='{DAY}']")
    page.tap("#plus")
    go_home(page)
    assert not page.is_visible("#clear")
    page.tap(f"#resume [data-date='{DAY}']")
    sent_text(page)
    go_home(page)
    assert page.is_visible("#aside")


def test_a_change_by_another_tab_keeps_the_pick(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on("delete window.BroadcastChannel;")
    two_picks(page)
    other = one.tab()
    other.tap(f"#resume [data-date='{DAY}']")
    other.locator("#plant").wait_for()
    page.tap("#aside")
    other.evaluate("document.getElementById('plus').click()")
    saved(other)
    page.evaluate("document.getElementById('aside-clear').click()")
    page.evaluate("document.getElementById('gone-seen').click()")
    page.evaluate("document.getElementById('gone-clear').click()")
    page.locator("#clear-said", has_text="Cleared: 0 picks.").wait_for()
    assert (DAY, "add") in records(page)


def test_another_tab_hears_that_a_pick_was_cleared(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on()
    two_picks(page)
    other = one.tab()
    other.tap(f"#resume [data-date='{DAY}']")
    other.locator("#plant").wait_for()
    clear(page)
    other.bring_to_front()
    other.locator("#start").wait_for()
    assert other.locator(f"#resume [data-date='{DAY}']").count() == 0
    other.go_back()
    assert other.is_visible("#start"), "the back key does not lead into a pick that is gone"


def test_a_loss_is_remembered_and_the_phone_keeps_its_name(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    device, _ = two_picks(page).splitlines()[1].split(",")[-2:]  # its check stands last
    clear(page)
    page.tap(f"#resume [data-date='{LATER}']")
    page.tap("#next")
    assert page.inner_text("#plant-name") == "P003", "P002 was lost in the pick that was cleared"
    assert sent_text(page).splitlines()[1].split(",")[-2] == device
    go_home(page)
    page.fill("#date", DAY)
    assert "takes the place of what was sent" in page.inner_text("#date-note")
    start_pick(page, day=DAY)
    page.tap("#plus")
    assert page.inner_text("#number") == "1"
    assert sent_text(page).splitlines()[1].split(",")[-2] == device


def test_a_phone_that_refuses_to_note_the_clearing_clears_nothing(phone: Any) -> None:
    refuse = """
      window.refuse = () => {
        const full = () => { throw new DOMException("full", "QuotaExceededError"); };
        IDBObjectStore.prototype.put = full;
        Storage.prototype.setItem = full;
      };"""
    page = phone(bed(*SMALL)).switch_on(refuse)
    two_picks(page)
    page.tap("#aside")
    noted(page, "aside")
    page.evaluate("refuse()")
    page.tap("#aside-clear")
    page.tap("label:has(#gone-seen)")
    page.tap("#gone-clear")
    page.locator("#clear-said", has_text="Cleared: 0 picks.").wait_for()
    assert (DAY, "add") in records(page)


def test_without_a_database_the_small_store_is_cleared(phone: Any) -> None:
    refused = "{ get() { throw new DOMException('no', 'SecurityError'); } }"
    page = phone(bed(*SMALL)).switch_on(
        f"Object.defineProperty(window, 'indexedDB', {refused});"
    )
    two_picks(page)
    clear(page)
    page.reload()
    page.locator("#start").wait_for()
    left = page.evaluate("Object.values({...localStorage}).map((text) => JSON.parse(text))")
    assert {(e["date"], e["op"]) for e in left if e["op"] in ("add", "set")} == {(LATER, "add")}
    assert page.locator(f"#resume [data-date='{LATER}']").count() == 1


def test_by_keyboard_and_ear(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    two_picks(page)
    page.focus("#aside")
    page.keyboard.press("Enter")
    assert page.get_attribute("#clear-said", "role") == "status"
    assert page.inner_text("#clear-said").startswith("Set aside: 1 pick.")
    assert page.evaluate("document.activeElement.id") == "aside-back"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    box = page.get_by_role("dialog", name="Clear 1 pick, 2 records from this phone?")
    assert box.get_attribute("aria-describedby") == "gone-text"
    assert page.evaluate("document.activeElement.id") == "gone-head"
    page.keyboard.press("Escape")
    assert not page.is_visible("#gone")
    page.focus("#aside-clear")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "gone-clear"
    page.keyboard.press("Enter")
    page.locator("#clear-said", has_text="Cleared: 1 pick.").wait_for()
    assert page.evaluate("document.activeElement.id") == "title"
