"""A club's pages as a visitor meets them, in a real headless Chromium, opened from a file."""

from __future__ import annotations

from itertools import product

import pytest
from chromium import barriers, settled, unfold
from clubtrials import VARIETIES

pytestmark = pytest.mark.browser


@pytest.fixture
def opened(open_page, club_sites):
    """Open a page of the site."""
    return lambda path="index.html", site="plain", **more: open_page(
        club_sites[site] / path, **more
    )


# Each page, each scheme and each width with every change; other pairings with the slow ones.
PAIRED = [("index.html", 360, "light"), ("reports/trial-1.html", 1100, "dark")]


@pytest.mark.parametrize(("path", "width", "scheme"), [
    pytest.param(*one, marks=() if one in PAIRED else pytest.mark.slow)
    for one in product(["index.html", "reports/trial-1.html"], [360, 1100], ["light", "dark"])])
def test_axe_finds_nothing_and_nothing_sticks_out(path, width, scheme, opened):
    page = opened(path, width=width, scheme=scheme, bypass_csp=True)
    unfold(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert barriers(page) == []


@pytest.mark.parametrize("path", ["index.html", "reports/trial-1.html"])
def test_hostile_names_are_shown_and_nothing_runs_or_is_asked_for(path, opened):
    page = opened(path, width=1100)
    unfold(page)
    settled(page)
    assert page.said == []
    assert [url for url in page.asked if not url.startswith("data:")] == [page.url]
    text = page.locator("body").inner_text()
    for name in VARIETIES:
        assert name in text or any(name[:14] in t for t in
                                   page.locator("svg text").all_text_contents())  # fmt: skip
    assert page.locator("body script").count() == 0


def test_every_link_stays_in_the_folder_and_leads_somewhere(opened, club_sites):
    site = club_sites["plain"].resolve()
    for path in ("index.html", "reports/trial-1.html"):
        page = opened(path)
        links = page.evaluate("[...document.querySelectorAll('[href]')].map(a => [a.getAttribute("
                              "'href'), a.href])")  # fmt: skip
        inside = [(own, url) for own, url in links if not own.startswith(("#", "data:"))]
        assert inside
        for own, url in inside:
            assert not own.startswith(("/", "http", "file:")), own
            target = url.removeprefix(site.as_uri()).split("#")[0].lstrip("/")
            assert (site / target).is_file(), own


def test_the_report_is_one_click_away_and_so_is_the_way_back(opened):
    page = opened()
    page.locator("article h3 a").click()
    assert page.url.endswith("reports/trial-1.html")
    assert page.locator(".answer p").first.is_visible()
    page.locator("nav a").click()
    assert page.url.endswith("index.html")


def test_the_answer_and_a_picture_with_words_stand_on_the_index(opened):
    page = opened()
    assert page.locator("article .answer p").count() == 3
    picture = page.locator("article svg[role=img]")
    assert len(picture.get_attribute("aria-label")) > 40
    assert picture.bounding_box()["width"] <= 330


def test_search_engines_are_asked_to_stay_away(opened):
    for path in ("index.html", "reports/trial-1.html"):
        assert "noindex" in opened(path).locator("meta[name=robots]").get_attribute("content")


def test_it_prints(opened, tmp_path):
    pdfium = pytest.importorskip("pypdfium2")
    page = opened(width=1100, scheme="dark")
    page.pdf(path=tmp_path / "club.pdf", format="A4")
    document = pdfium.PdfDocument(tmp_path / "club.pdf")
    text = " ".join(sheet.get_textpage().get_text_bounded() for sheet in document)
    assert len(document) <= 3
    assert "trial in 1 garden" in text
    assert "The results as a table" in text
