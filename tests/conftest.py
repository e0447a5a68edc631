"""What tests of several folders share: a browser, and the demo trial's report made once."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from chromium import CHROMIUM, FLAGS, need_chromium
from filelock import FileLock

# One linear-algebra thread, set before numpy is loaded: the matrices are small, and threads that
# wait for one another make a busy machine many times slower.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


class Driver:
    """One browser for all tests of a file, and stopped at its end: two drivers in one thread, or a
    driver beside another event loop, get in each other's way."""

    def __init__(self) -> None:
        self.playing: Any = None
        self.player: Any = None
        self.browser: Any = None

    def start(self) -> Driver:
        if self.player is None:
            from playwright.sync_api import sync_playwright

            self.playing = sync_playwright()
            self.player = self.playing.__enter__()
            self.browser = self.player.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        return self

    def stop(self) -> None:
        if self.player is not None:
            self.browser.close()
            self.playing.__exit__(None, None, None)
            self.playing = self.player = self.browser = None


DRIVER = Driver()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> Iterator[None]:
    try:
        return (yield)
    finally:
        if nextitem is None or nextitem.path != item.path:
            DRIVER.stop()


@pytest.fixture(scope="module")
def player() -> Any:
    """The driver of the browser; the test is skipped, with the reason, where there is none."""
    need_chromium()
    return DRIVER.start().player


@pytest.fixture(scope="module")
def browser(player: Any) -> Any:
    return DRIVER.browser


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens a file in a fresh page: open_page(path, width=360, scheme="light", **more).

    What it asks for stands in `page.asked`; dialogs, the console and errors in `page.said`.
    """
    pages: list[Any] = []

    def open_(path: Path, width: int = 360, scheme: str = "light", **more: Any) -> Any:
        page = browser.new_page(
            viewport={"width": width, "height": 780}, color_scheme=scheme, **more
        )
        page.asked, page.said = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("dialog", lambda dialog: (page.said.append(dialog.message), dialog.dismiss()))
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.goto(path.resolve().as_uri())
        pages.append(page)
        return page

    yield open_
    for page in pages:
        page.close()


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory, worker_id):
    """`trialkit demo`, run once for all workers: the folder it ran in and what it said."""
    place = tmp_path_factory.getbasetemp()
    place = (place if worker_id == "master" else place.parent) / "demo"
    said = place / "said.txt"
    with FileLock(f"{place}.lock"):
        if not said.exists():
            place.mkdir()
            from typer.testing import CliRunner

            from trialkit.cli import app

            with pytest.MonkeyPatch.context() as patch:
                patch.chdir(place)
                result = CliRunner().invoke(app, ["demo"])
            assert result.exit_code == 0, result.output
            said.write_text(result.output, encoding="utf-8")
    return place, said.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def demo(demo_run):
    """The demo trial as copied by that command."""
    return demo_run[0] / "trialkit-demo"


@pytest.fixture(scope="session")
def report(demo):
    """The report of the demo trial."""
    import nbformat

    from trialkit.engine import page
    from trialkit.engine.publish import Published, destination

    made = destination(demo)
    notebook = made.with_suffix(".ipynb")
    return Published(made, notebook, page.facts(nbformat.read(notebook, as_version=4)))
