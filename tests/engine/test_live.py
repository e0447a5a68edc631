"""An open page reloads itself when its report is made anew, and only one that was asked to."""

from __future__ import annotations

import time

import pytest

from trialkit.engine import publish

PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>t</title>
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
</head>
<body><h1>{said}</h1><details><summary>How</summary><p>Inside.</p></details>
<p style="height: 3000px">Long.</p>
</body></html>
"""


@pytest.fixture
def file(tmp_path):
    """A page whose name a browser and a script could stumble over."""
    return tmp_path / "beans' 50 % #1 & <b>.html"


@pytest.fixture(autouse=True)
def soon(monkeypatch):
    """Pages look for a newer one more often than a reader's."""
    monkeypatch.setattr(publish, "EVERY_MS", 300)


def has_looked(page, file):
    """Wait until the page has looked twice for a newer one, so the first look is over."""
    until = time.monotonic() + 15
    while sum(publish.beside(file).as_uri() in url for url in page.asked) < 2:
        assert time.monotonic() < until, "the page does not look for a newer one"
        page.wait_for_timeout(20)


@pytest.mark.browser
def test_an_open_page_reloads_itself_and_keeps_what_was_open(file, open_page):
    publish._write_page(file, PAGE.format(said="first"), True)
    page = open_page(file)
    page.locator("summary").click()
    has_looked(page, file)
    assert page.locator("h1").inner_text() == "first", "nothing new, nothing reloaded"
    publish._write_page(file, PAGE.format(said="second"), True)
    page.get_by_text("second").wait_for(timeout=15_000)
    page.locator("details[open]").wait_for()
    # Made anew without it: the page shows that, too, and is no longer live.
    publish._write_page(file, PAGE.format(said="third"), False)
    page.get_by_text("third").wait_for(timeout=15_000)
    assert page.locator("script").count() == 0
    assert page.said == []
    assert all(url.startswith(file.parent.as_uri()) for url in page.asked), "no network"


@pytest.mark.browser
def test_a_live_page_alone_is_whole_and_quiet(file, open_page):
    """Sent to a phone without the file beside it."""
    publish._write_page(file, PAGE.format(said="first"), True)
    publish.beside(file).unlink()
    page = open_page(file)
    has_looked(page, file)
    assert page.locator("h1").inner_text() == "first"
    assert [one for one in page.said if "ERR_FILE_NOT_FOUND" not in one] == []


def test_no_page_has_a_script_unless_asked(file):
    publish._write_page(file, PAGE.format(said="first"), False)
    assert "<script" not in file.read_text()
    assert not publish.beside(file).exists()


def test_the_script_alone_is_let_in():
    """Content Security Policy Level 3, sections 6.7.2.3 and 8.2: a hash, and what it loads."""
    html = publish.made_live(PAGE.format(said="first"), publish.Path("beans.html"))
    assert html.count("script-src 'sha256-") == 1
    assert "'unsafe-inline'; script" not in html.replace("style-src 'unsafe-inline'; script", "")
    with pytest.raises(ValueError, match="policy"):
        publish.made_live("<body></body>", publish.Path("beans.html"))
