"""Who can use the page: gloved thumbs, eyes in the sun, keyboards, screen readers; no network."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from handset import DAY, SIZE, bed, go_home, sent_text, start_pick

pytestmark = pytest.mark.browser

SMALL = (2, 4)
SIZES = """() => {
  const found = [];
  const kinds = "button, input:not([type=checkbox]), textarea, summary, label.tick, a[href]";
  for (const one of document.querySelectorAll(kinds)) {
    const box = one.getBoundingClientRect();
    if (!one.checkVisibility({ checkVisibilityCSS: true })) continue;
    const open = document.querySelector("dialog[open]");
    if (open && !open.contains(one)) continue;
    const { x, y, right, bottom, width, height } = box;
    const name = one.id || one.textContent.trim().slice(0, 30);
    found.push({ name, x, y, right, bottom, wide: width, tall: height });
  }
  return found;
}"""


def screens(page: Any) -> Iterator[str]:
    """Every screen and every box of the page, one after another."""
    page.locator("#start").wait_for()
    page.tap("summary:has-text('More choices')")
    yield "start"
    start_pick(page, asks=("count", "weight", "height"))
    yield "plant, nothing yet"
    page.tap("#plus")
    yield "plant, counted"
    page.tap("#type")
    yield "number pad"
    page.tap("#pad-close")
    page.tap("#show-weight")
    yield "plant, weight"
    page.tap("#to-note")
    page.fill("#note-text", "two split")
    yield "note"
    page.tap("#note-keep")
    page.tap("#to-more")
    yield "lost, topped"
    page.tap("[data-reason='pulled out']")
    yield "plant, lost"
    page.tap("#to-more")
    yield "lost, topped: lost already"
    page.tap("#more-close")
    page.tap("#to-list")
    page.locator("#list").wait_for()
    yield "list"
    page.tap("#list-send")
    page.locator("#send").wait_for()
    page.tap("summary:has-text('The text itself')")
    yield "send"
    page.tap("#save")
    go_home(page)
    page.locator("#resume button").wait_for()
    yield "start, with a pick to go on with and to clear"
    page.tap("#aside")
    yield "start, with a pick set aside"
    page.tap("#aside-clear")
    yield "clear for good?"
    page.tap("label:has(#gone-seen)")
    yield "clear for good, allowed"
    page.tap("#gone-clear")
    page.locator("#clear-said", has_text="Cleared").wait_for()
    yield "start, cleared"


GLASS = ((360, 740), (412, 915), (320, 568), (740, 360))


def test_every_target_is_big_enough_and_set_apart_and_nothing_sticks_out(phone: Any) -> None:
    """WCAG 2.2 asks for 24 px (2.5.8) or 44 (2.5.5); gloves need more (common practice, no source).

    Targets stand apart as well, so that a wide thumb hits one.
    """
    page = phone(bed(*SMALL)).switch_on()
    seen = 0
    for name in screens(page):
        for wide, tall in GLASS:
            page.set_viewport_size({"width": wide, "height": tall})
            targets = page.evaluate(SIZES)
            assert targets
            seen += len(targets)
            for one in targets:
                assert min(one["wide"], one["tall"]) >= 48, (name, wide, one)
            for at, one in enumerate(targets):
                for other in targets[at + 1 :]:
                    across = max(one["x"], other["x"]) - min(one["right"], other["right"])
                    down = max(one["y"], other["y"]) - min(one["bottom"], other["bottom"])
                    assert max(across, down) >= 6, (name, wide, one["name"], other["name"])
            assert page.evaluate("document.documentElement.scrollWidth") <= wide, name
        page.set_viewport_size(SIZE)
    assert seen > 400


def test_all_that_is_tapped_for_each_plant_lies_on_one_screen(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on(viewport={"width": 360, "height": 640})
    start_pick(page)
    for one in page.evaluate(SIZES):
        assert one["y"] >= 0
        assert one["bottom"] <= 640, one
    plus = next(one for one in page.evaluate(SIZES) if one["name"] == "plus")
    assert plus["wide"] >= 300
    assert plus["tall"] >= 100


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.slow)])
def test_axe_finds_nothing_wrong_and_contrast_is_enough_for_sunlight(
    phone: Any, scheme: str
) -> None:
    """axe with its rules for WCAG 2.2 AA, and WCAG 1.4.6 (7 to 1) for text, on light and dark."""
    from axe_playwright_python.sync_playwright import Axe

    page = phone(bed(*SMALL)).switch_on(color_scheme=scheme)
    page.evaluate(Axe().axe_script)
    axe = Axe(axe_script="0")  # it is in the page by now
    extra = {name: {"enabled": True} for name in ("color-contrast-enhanced", "target-size")}
    colours = {"runOnly": ["color-contrast", "color-contrast-enhanced"]}
    options = {"resultTypes": ["violations"],
               **({"rules": extra} if scheme == "light" else colours)}  # fmt: skip
    for name in screens(page):
        found = axe.run(page, options=options).response
        told = [(one["id"], [n["html"] for n in one["nodes"]]) for one in found["violations"]]
        assert told == [], name
        assert "color-contrast-enhanced" in {one["id"] for one in found["passes"]}


def test_no_request_leaves_the_phone_and_the_policy_would_stop_one(phone: Any) -> None:
    one = phone(bed(*SMALL))
    page = one.switch_on()
    for _ in screens(page):
        pass
    sent_to = [url for url in one.asked if not url.startswith(("blob:", "data:"))]
    assert set(sent_to) == {one.url}
    assert not one.faults
    blocked = page.evaluate(
        """async () => {
          const stopped = [];
          addEventListener("securitypolicyviolation", (e) => stopped.push(e.effectiveDirective));
          await fetch("https://garden.example/x").catch(() => {});
          new Image().src = "https://garden.example/x.png";
          const script = document.createElement("script");
          script.textContent = "window.broken_in = true";
          document.body.append(script);
          document.body.setAttribute("onclick", "window.broken_in = true");
          const style = document.createElement("style");
          style.textContent = "body { background: url(https://garden.example/y) }";
          document.head.append(style);
          for (let at = 0; at < 300 && new Set(stopped).size < 4; at += 1) {
            await new Promise((done) => setTimeout(done, 50));
          }
          return stopped;
        }"""
    )
    assert {"connect-src", "img-src", "script-src-elem", "style-src-elem"} <= set(blocked)
    page.tap("#title")
    assert page.evaluate("window.broken_in") is None


def test_hostile_names_are_shown_and_not_run(phone: Any) -> None:
    nasty = [
        "</script><script>window.broken_in = 1</script>",
        '<img src=x onerror="window.broken_in = 1">',
        "<!--<script>",
        "{{ 7 * 7 }} ${7*7} \u2028 \u202egnol",
    ]
    records = bed(1, 4, title=nasty[0], garden=nasty[1], crop=nasty[2], counted=nasty[1])
    records.plants["plant"] = nasty
    records.plants["variety"] = nasty[::-1]
    records.plants["block"] = nasty[1]
    records.plants["lost"] = records.plants["lost"].where([True] * 3 + [False], "2024-06-01")
    records.plants["lost_reason"] = nasty[1]
    one = phone(records)
    page = one.switch_on()
    page.locator("#start").wait_for()
    assert page.inner_text("#title") == nasty[0]
    start_pick(page)
    page.tap("#plus")
    for name in nasty[:3]:
        assert page.inner_text("#plant-name") == name
        assert page.inner_text("#variety") == nasty[::-1][nasty.index(name)]
        page.tap("#to-note")
        page.fill("#note-text", nasty[0])
        page.tap("#note-keep")
        page.tap("#next")
    page.tap("#send-list")
    page.locator("#list").wait_for()
    assert page.locator("#rows b").all_text_contents() == nasty
    assert nasty[0] in sent_text(page)
    assert page.evaluate("window.broken_in") is None
    assert page.evaluate("document.images.length") == 0
    assert not one.faults


def test_a_pick_by_keyboard_alone(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on(has_touch=False, is_mobile=False)
    page.locator("#start").wait_for()
    page.fill("#date", DAY)

    def tab_to(name: str) -> None:
        for _ in range(40):
            if page.evaluate("document.activeElement.id") == name:
                return
            page.keyboard.press("Tab")
        raise AssertionError(f"Tab never reaches {name}")

    tab_to("begin")
    page.keyboard.press("Enter")
    page.locator("#plant").wait_for()
    tab_to("plus")
    page.keyboard.press("Space")
    page.keyboard.press("Enter")
    assert page.inner_text("#number") == "2"
    ring = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert float(ring.removesuffix("px")) >= 2
    page.keyboard.press("ArrowRight")
    tab_to("type")
    page.keyboard.press("Enter")
    page.keyboard.type("37")
    page.keyboard.press("Enter")
    assert page.inner_text("#number") == "37"
    page.keyboard.press("ArrowRight")
    tab_to("zero")
    page.keyboard.press("Space")
    page.keyboard.press("Control+z")
    assert page.inner_text("#number") == "nothing yet"
    tab_to("type")
    page.keyboard.press("Enter")
    page.keyboard.type("9")
    page.keyboard.press("Escape")
    assert page.inner_text("#number") == "nothing yet"
    page.keyboard.press("ArrowLeft")
    assert page.inner_text("#plant-name") == "P002"


def test_a_screen_reader_hears_each_tap_and_finds_its_way(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    start_pick(page)
    assert page.evaluate("document.activeElement.id") == "plant-name"
    assert page.get_attribute("#live", "role") == "status"
    plus = page.get_by_role("button", name="Add one")
    plus.tap()
    assert page.text_content("#live") == "P001: 1"
    page.tap("#next")
    assert page.text_content("#live") == "P002. nothing yet"
    page.tap("#skip")
    assert page.text_content("#live") == "P002: not looked at"
    assert page.get_by_role("progressbar", name="Plants done").count() == 1
    page.tap("#to-list")
    page.locator("#list").wait_for()
    assert page.evaluate("document.activeElement.id") == "list-head"
    assert page.get_by_role("button", name="P001 1", exact=True).count() == 1


def test_without_scripts_the_page_says_why_it_does_nothing(phone: Any) -> None:
    """A phone's file preview often runs no scripts."""
    page = phone(bed(*SMALL)).switch_on(java_script_enabled=False)
    text = page.inner_text("main")
    assert "has not started" in text
    assert "open the file with a browser" in text
    assert not page.is_visible("#begin")


def test_the_walk_can_start_from_the_other_end_and_names_can_be_hidden(phone: Any) -> None:
    page = phone(bed(*SMALL)).switch_on()
    page.locator("#start").wait_for()
    page.tap("summary:has-text('More choices')")
    page.tap("label:has(#backwards)")
    page.tap("label:has(#hide)")
    start_pick(page)
    names = [page.inner_text("#plant-name")]
    for _ in range(7):
        page.tap("#next")
        names.append(page.inner_text("#plant-name"))
    assert names == ["P005", "P006", "P007", "P008", "P004", "P003", "P002", "P001"]
    assert page.inner_text("#next") == "Finish"
    assert page.text_content("#variety") == ""
    page.tap("#to-list")
    page.locator("#list").wait_for()
    page.fill("#find", "p003")
    page.tap("#rows button:visible")
    page.locator("#plant").wait_for()
    assert page.inner_text("#plant-name") == "P003"
