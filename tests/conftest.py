"""What tests of several folders share: the order they run in, a browser, a kernel that has its
libraries loaded, and folders that are made once for all workers."""

from __future__ import annotations

import gc
import os
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from chromium import CHROMIUM, FLAGS, need_chromium
from filelock import FileLock
from hypothesis import settings

# One linear-algebra thread, set before numpy is loaded: the matrices are small, and threads that
# wait for one another make a busy machine many times slower.
for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
# What is compiled is kept, as Python does unless it is told not to: each worker, and each command
# that a test starts, would compile the program and all tests anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


# What a test takes on average, in tenths of a second of a processor: one of a browser or of a
# kernel by what it asks for, the others by their folder. Measured; only the order hangs on it.
COSTLY = {"player": 15, "demo_run": 15, "club_sites": 10, "run": 5}
OWN_KERNEL = 15
FOLDERS = {"gardens": 6, "report": 4, "engine": 4, "commands": 3, "models": 3, "decide": 3,
           "club": 2, "design": 1.5, "records": 1.2, "mixed": 0.7}  # fmt: skip


@pytest.hookimpl(wrapper=True, optionalhook=True)
def pytest_xdist_auto_num_workers() -> Iterator[None]:
    """`-n auto` starts one worker more than there are cores: a test of a browser or of a kernel
    waits for it a quarter of its time, and another uses the core meanwhile."""
    cores: Any = yield
    return cores + ("PYTEST_XDIST_AUTO_NUM_WORKERS" not in os.environ)


def pytest_sessionstart() -> None:
    # Notebooks' format as the program loads it, and so more lightly than a test would.
    if "PYTEST_XDIST_WORKER" in os.environ:
        from trialkit.engine.run import notebook_format

        notebook_format()


def pytest_configure(config: pytest.Config) -> None:
    # Made-up examples are the same with every change, so that a change is judged by what it
    # changes; tests/faults makes new ones, and so does any other choice of marks.
    settings.register_profile("same", derandomize=True)
    if "not slow" in config.option.markexpr:
        settings.load_profile("same")
    # A worker is handed files in the order below, not in that of their number of tests.
    config.option.loadscopereorder = False


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take long go first, so that no worker is left with one at the end."""
    if os.environ.get("PYTEST_XDIST_WORKER") is None:
        return
    cost: defaultdict[Path, float] = defaultdict(float)
    for item in items:
        asked = getattr(item, "fixturenames", ())
        plain = FOLDERS.get(item.path.parent.name, 0.5)
        cost[item.path] += max((COSTLY[name] for name in asked if name in COSTLY), default=plain)
        cost[item.path] += OWN_KERNEL * (item.get_closest_marker("own_kernel") is not None)
    items.sort(key=lambda item: -cost[item.path])


def pytest_collection_finish() -> None:
    """What is loaded by now stays: looking through it for garbage again and again took a
    sixteenth of the tests' time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 50, 50)


class Warm:
    """Notebooks of the tests run one after another in a kernel that a worker keeps, as those of a
    club do: their pages are the same, and loading the libraries takes longer than most of them.
    A test marked `own_kernel` has one started for each notebook, as the program does."""

    def __init__(self) -> None:
        self.kernel: Any = None

    def execute(self, notebook: Path, parameters: Mapping[str, object], *more: Any) -> Any:
        from trialkit.engine.run import SharedKernel

        self.kernel = self.kernel or SharedKernel(idle_s=600.0)
        return self.kernel.execute(notebook, parameters, *more)

    def stop(self) -> None:
        """Not before the worker is done."""


WARM = Warm()


@pytest.fixture(scope="session")
def warm() -> Warm:
    return WARM


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        if item.get_closest_marker("own_kernel") is None:
            patch.setattr("trialkit.engine.run.execute", WARM.execute)
        return (yield)


def pytest_sessionfinish() -> None:
    if WARM.kernel is not None:
        WARM.kernel.stop()


class Driver:
    """One browser for all tests that follow one another, and stopped before the first that asks for
    none: two drivers in one thread, or a driver beside another event loop, get in each other's
    way."""

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
        if nextitem is None or (
            nextitem.path != item.path and "player" not in getattr(nextitem, "fixturenames", ())
        ):
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
def made_once(tmp_path_factory, worker_id):
    """made_once(name, make): a folder that `make` fills, once for all workers of this session."""
    place = tmp_path_factory.getbasetemp()
    place = place if worker_id == "master" else place.parent

    def folder(name: str, make: Callable[[Path], object]) -> Path:
        whole = place / f"{name}.whole"
        with FileLock(f"{place / name}.lock"):
            if not whole.exists():
                (place / name).mkdir()
                make(place / name)
                whole.touch()
        return place / name

    return folder


@pytest.fixture(scope="session")
def demo_run(made_once):
    """`trialkit demo`, run once for all workers: the folder it ran in and what it said."""

    def run(place: Path) -> None:
        from typer.testing import CliRunner

        from trialkit.cli import app

        with pytest.MonkeyPatch.context() as patch:
            patch.chdir(place)
            result = CliRunner().invoke(app, ["demo"])
        assert result.exit_code == 0, result.output
        (place / "said.txt").write_text(result.output, encoding="utf-8")

    place = made_once("demo", run)
    return place, (place / "said.txt").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def demo(demo_run):
    """The demo trial as copied by that command."""
    return demo_run[0] / "trialkit-demo"


def published_at(page: Path) -> Any:
    """A report that lies there already, as `publish` gave it."""
    import nbformat

    from trialkit.engine.page import facts
    from trialkit.engine.publish import Published

    notebook = page.with_suffix(".ipynb")
    return Published(page, notebook, facts(nbformat.read(notebook, as_version=4)))


@pytest.fixture(scope="session")
def published(made_once):
    """published(name, make): the report of the trial that `make` writes into a new folder, made
    once for all workers; **how goes on to `publish`."""

    def report(name: str, make: Callable[[Path], object], **how: Any) -> Any:
        from trialkit.engine.publish import destination, publish

        def both(place: Path) -> None:
            make(place / name)
            publish(place / name, **how)

        return published_at(destination(made_once(f"report-{name}", both) / name))

    return report


@pytest.fixture(scope="session")
def report(demo):
    """The report of the demo trial."""
    from trialkit.engine.publish import destination

    return published_at(destination(demo))


@pytest.fixture
def no_paper(monkeypatch):
    """Where a test looks at the trial's own files alone, the sheets are not printed."""
    monkeypatch.setattr("trialkit.design.planfolder.print_paper", lambda *_, **__: [])
