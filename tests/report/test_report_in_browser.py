"""The report as a reader meets it, in a real headless Chromium."""

from __future__ import annotations

import re
from itertools import product

import pytest
from chromium import barriers, settled, unfold
from hostile import NAMES

pytestmark = pytest.mark.browser

LARGEST = 1_500_000


@pytest.fixture
def opened(open_page):
    """Open a report."""
    return lambda published, **more: open_page(published.page, **more)


def test_the_page_is_one_file_of_modest_size_that_asks_for_nothing(report, opened):
    assert report.page.stat().st_size < LARGEST
    page = opened(report)
    unfold(page)
    settled(page)
    assert [url for url in page.asked if not url.startswith("data:")] == [page.url]
    assert page.said == []


@pytest.mark.parametrize("name", ["report", "hostile_report"])
def test_nothing_sticks_out_sideways(name, request, opened):
    page = opened(request.getfixturevalue(name))
    unfold(page)
    for width in (320, 360, 768, 1280):
        page.set_viewport_size({"width": width, "height": 780})
        assert page.evaluate("document.documentElement.scrollWidth") <= width


# Each report, each scheme and each width with every change; other pairings with the slow ones.
PAIRED = [("report", "light", 1100), ("hostile_report", "dark", 360)]


@pytest.mark.parametrize(("name", "scheme", "width"), [
    pytest.param(*one, marks=() if one in PAIRED else pytest.mark.slow)
    for one in product(["report", "hostile_report"], ["light", "dark"], [360, 1100])])
def test_axe_finds_nothing_serious(name, scheme, width, request, opened):
    page = opened(request.getfixturevalue(name), width=width, scheme=scheme, bypass_csp=True)
    unfold(page)
    assert barriers(page) == []


def test_the_answer_comes_first_and_the_sections_in_order(report, opened):
    page = opened(report)
    assert page.locator("h1").count() == 1
    assert page.locator("h2").all_inner_texts() == [
        "The answer",
        "Pick by pick",
        "How sure, and why",
        "Pictures",
        "The varieties side by side",
        "Since the last pick",
        "More about each variety",
        "Events and rain",
        "What this cannot tell you",
        "Take care",
        "Words on this page",
        "How it was done",
    ]
    assert page.locator(".answer .leader").inner_text() == report.facts["leader"]
    assert page.locator(".answer .sentence").inner_text() == report.facts["sentence"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_five_seconds(scheme, report, opened):
    """Before any scroll: crop and day, leader, how sure, chart, one sentence, what to do next."""
    page = opened(report, scheme=scheme)
    for width, high in ((390, 844), (1280, 800)):
        page.set_viewport_size({"width": width, "height": high})
        for what in ("h1", ".under", ".leader", ".mark", ".sentence", "#compared", ".next"):
            box = page.locator(what).first.bounding_box()
            assert box["y"] + box["height"] <= high, (what, width)
    assert "17 September 2025" in page.locator(".under").first.inner_text()
    leader, sentence = (page.locator(f".{one}").inner_text() for one in ("leader", "sentence"))
    assert len(leader.split()) <= 4
    assert len(sentence.split()) <= 27
    # How sure is told in words and by a shape, not by colour alone.
    assert page.locator(".mark b").inner_text() == report.facts["mark"]
    assert page.locator(".mark svg.shape > *").count() > 0
    for name in ("Quarterbell", "Ostlerine", "Tallow Lane", "Dunmirren", "Thimblerow", "the check"):
        assert page.locator("#compared svg text", has_text=name).count() == 1


def test_headings_step_down_one_level_at_a_time(report, opened):
    levels = [int(t[1]) for t in opened(report).evaluate(
        "[...document.querySelectorAll('h1,h2,h3,h4')].map(h => h.tagName)")]  # fmt: skip
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in zip(levels, levels[1:], strict=False))


def test_every_figure_has_words_and_letters_large_enough_on_a_phone(report, opened):
    page = opened(report, width=360)
    figures = page.locator("figure")
    assert figures.count() >= 5
    for figure in figures.all():
        drawn = figure.locator("svg[role=img], img")
        words = drawn.get_attribute("aria-label") or drawn.get_attribute("alt")
        assert len(words) > 40
        assert len(figure.locator("figcaption").inner_text()) > 20
    sizes = page.evaluate("""[...document.querySelectorAll('svg text')].map(t => {
        const m = t.getScreenCTM();
        return parseFloat(getComputedStyle(t).fontSize) * Math.hypot(m.a, m.b);
    })""")
    assert len(sizes) > 50
    assert min(sizes) >= 11


def test_no_letters_of_a_figure_are_cut_off(report, opened):
    """Each text lies inside its figure's frame."""
    for width in (360, 1100):
        out = opened(report, width=width).evaluate("""
            [...document.querySelectorAll('figure svg text')].filter(t => {
                const a = t.getBoundingClientRect();
                const b = t.closest('figure').getBoundingClientRect();
                return a.left < b.left || a.right > b.right || a.top < b.top || a.bottom > b.bottom;
            }).map(t => t.textContent)""")
        assert out == []


def test_figures_follow_the_page_into_the_dark(report, opened):
    ask = """[getComputedStyle(document.body).backgroundColor,
              getComputedStyle(document.querySelector('figure svg text')).fill]"""
    light, dark = (opened(report, scheme=s).evaluate(ask) for s in ("light", "dark"))

    def brightness(colour: str) -> float:
        return sum(int(n) for n in re.findall(r"\d+", colour)[:3])

    assert brightness(light[0]) > 700 > brightness(light[1])
    assert brightness(dark[0]) < 150 < brightness(dark[1])


def test_the_page_can_be_worked_from_the_keyboard(report, opened):
    page = opened(report, width=1100)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.locator(".skip").bounding_box()["x"] >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    fold = page.locator(".folded > details")
    fold.locator("> summary").focus()
    page.keyboard.press("Enter")
    assert fold.evaluate("d => d.open")


def test_an_earlier_pick_can_be_chosen_from_the_keyboard_and_paper_has_the_newest(report, opened):
    page = opened(report, width=360)
    steps = page.locator(".step")
    assert steps.count() == 20
    shown = page.locator(".step:visible")
    assert report.facts["leader"] in shown.inner_text()
    page.get_by_role("radio", checked=True).focus()
    page.keyboard.press("ArrowLeft")
    assert shown.count() == 1
    assert shown.locator(".when").inner_text() == "Pick 19 of 20, 13 September"
    chosen = page.get_by_role("radio", checked=True)
    assert chosen.evaluate("r => r.labels[0].textContent.trim()") == "13 Sep"
    told = page.evaluate("""r => document.getElementById(
        document.querySelector('.steps input:checked').getAttribute('aria-describedby')).innerText
        """)
    assert "By 13 September Quarterbell had given" in told
    page.locator(".steps label", has_text="12 Jul").click()
    assert shown.locator(".when").inner_text() == "Pick 1 of 20, 12 July"
    page.emulate_media(media="print")
    assert not page.locator(".steps").is_visible()
    assert page.locator(".answer .sentence").inner_text() == report.facts["sentence"]


def _printed(page, path, sheet: str) -> list[str]:
    """The text of each sheet."""
    pdfium = pytest.importorskip("pypdfium2")
    page.pdf(path=path, format=sheet, prefer_css_page_size=False)
    return [" ".join(one.get_textpage().get_text_bounded().split())
            for one in pdfium.PdfDocument(path)]


def _smallest_print(page) -> float:
    """Points of the smallest letters of the open part, words and pictures, on a sheet of A4 or
    Letter with this page's margins (188 mm and more between them)."""
    page.set_viewport_size({"width": int(188 / 25.4 * 96), "height": 1000})
    page.emulate_media(media="print")
    return page.evaluate("""0.75 * Math.min(...[...document.querySelectorAll('main *')].filter(
        e => e.checkVisibility() && !e.closest('.folded') && [...e.childNodes].some(
            n => n.nodeType == 3 && n.textContent.trim())).map(e => {
        const m = e.tagName == 'text' ? e.getScreenCTM() : {a: 1, b: 0};
        return parseFloat(getComputedStyle(e).fontSize) * Math.hypot(m.a, m.b);}))""")


@pytest.mark.parametrize(("sheet", "high"), [
    pytest.param("A4", 297, marks=pytest.mark.slow), ("Letter", 279)])
def test_the_open_part_prints_on_three_sheets_and_the_method_where_it_was_opened(
    sheet, high, report, opened, tmp_path
):
    page = opened(report, width=1100, scheme="dark")
    texts = _printed(page, tmp_path / "report.pdf", sheet)
    assert len(texts) <= 3, len(texts)
    assert not any("Fingerprint of the records" in text for text in texts)
    # A figure is whole on one sheet, caption and all.
    for first, last in (
        ("Pods a living plant so far", "likely range (95 %)"),
        ("Height, cm", "Dots: plants as measured"),
        ("Pods a plant a week", "below this rate picking isn't worth while"),
    ):
        assert any(first in text and last in text for text in texts), first
    page.emulate_media(media="print")
    room = (high - 30) / 25.4 * 96
    tallest = page.evaluate(
        "Math.max(...[...document.querySelectorAll('figure')].map(f => f.offsetHeight))"
    )
    assert tallest < room
    assert _smallest_print(page) >= 8, "letters of 8 points at least"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(27, 32, 37)"
    page.emulate_media(media="null")
    page.locator(".folded > details > summary").click()
    texts = _printed(page, tmp_path / "full.pdf", sheet)
    assert any("Fingerprint of the records" in text for text in texts), "the method was opened"
    assert len(texts) <= 12


@pytest.mark.slow
@pytest.mark.parametrize("sheet", ["A4", "Letter"])
def test_thirty_long_names_print_on_three_sheets_and_nothing_is_lost(
    sheet, thirty_report, opened, tmp_path
):
    report, names = thirty_report
    page = opened(report, width=1100)
    texts = _printed(page, tmp_path / "report.pdf", sheet)
    assert len(texts) <= 3, len(texts)
    whole = re.sub(r"\s+", "", " ".join(texts))
    for name in names:  # in full in both tables
        assert whole.count(name.replace(" ", "")) >= 2, name
    assert "Theleading3andthecheckaredrawn" in whole
    assert "leading11andthecheck" not in whole
    # The page has all its panels; those of the paper are not on it.
    assert page.locator("#height figcaption").inner_text().count("leading 11 and the check") == 1
    assert page.locator("#height .unprinted").first.is_visible()
    assert not page.locator(".printed").first.is_visible()
    page.emulate_media(media="print")
    assert not page.locator("#height .unprinted").first.is_visible()
    assert page.locator("#height .printed").first.is_visible()
    assert _smallest_print(page) >= 8, "letters of 8 points at least"


def test_names_that_could_break_the_page_are_shown_not_run(hostile_report, opened):
    page = opened(hostile_report, width=1100)
    unfold(page)
    settled(page)
    assert page.said == []
    assert [url for url in page.asked if not url.startswith("data:")] == [page.url]
    shown = page.locator(".cards:not(.compact) tbody th bdi").all_inner_texts()
    assert sorted(shown) == sorted(NAMES[:5])
    assert page.locator("h1").inner_text().startswith("<b>Beans</b> & <script>")
    assert page.title().startswith("<b>Beans</b>")
    assert page.locator("body script, body img[src=x]").count() == 0
    drawn = " ".join(page.locator("svg text").all_text_contents())
    assert r"$\alpha$ & co" in drawn
    assert "<script>alert(1)" in drawn


def test_the_table_is_still_a_table_to_a_screen_reader_on_a_phone(report, opened):
    page = opened(report, width=360)
    assert page.get_by_role("columnheader").count() >= 5
    assert page.get_by_role("rowheader").count() >= 5
    table = page.get_by_role("table").first
    assert table.get_by_role("row").count() == 6
