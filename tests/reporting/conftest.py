"""A real browser, and reports made once and shared by every test of this folder."""

from __future__ import annotations

import nbformat
import pytest
from chromium import CHROMIUM, FLAGS, need_chromium
from clubtrials import secret_trial
from hostile import NAMES
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.reporting import page, shipped
from trialkit.reporting.publish import Published, destination, publish


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, driven by playwright; the test is skipped where there is none."""
    need_chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield started
        started.close()


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory):
    """`trialkit demo`, run once: the folder it ran in and what it said."""
    place = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        result = CliRunner().invoke(app, ["demo"])
    assert result.exit_code == 0, result.output
    return place, result.output


@pytest.fixture(scope="session")
def demo(demo_run):
    """The demo trial as copied by that command."""
    return demo_run[0] / "trialkit-demo"


@pytest.fixture(scope="session")
def report(demo):
    """The report of the demo trial."""
    made = destination(demo)
    notebook = made.with_suffix(".ipynb")
    return Published(made, notebook, page.facts(nbformat.read(notebook, as_version=4)))


@pytest.fixture(scope="session")
def hostile_report(tmp_path_factory):
    """The same season under names that could break a page."""
    folder = tmp_path_factory.mktemp("trials") / "hostile"
    shipped.copy_trial(shipped.demo(), folder)
    toml = (folder / "trial.toml").read_text(encoding="utf-8")
    plants = (folder / "plants.csv").read_text(encoding="utf-8")
    old = [line.split('"')[1] for line in toml.split("[[varieties]]", 1)[1].splitlines()
           if line.startswith("name")]  # fmt: skip
    for name, new in zip(old, NAMES, strict=False):
        quoted = new.replace("\\", "\\\\").replace('"', '\\"')
        toml = toml.replace(f'name = "{name}"', f'name = "{quoted}"')
        plants = plants.replace(f",{name},", ',"' + new.replace('"', '""') + '",')
    title = "<b>Beans</b> & <script>alert(3)</script> $x_1$"
    toml = toml.replace(toml.split('title = "')[1].split('"')[0], title)
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    (folder / "plants.csv").write_text(plants, encoding="utf-8")
    return publish(folder)


@pytest.fixture(scope="session")
def secret(tmp_path_factory):
    """A trial with a secret in every free text."""
    return secret_trial(tmp_path_factory.mktemp("secret"))


@pytest.fixture(scope="session")
def club_sites(secret, tmp_path_factory):
    """A club's pages of that trial, as they are made unasked and with all that may be asked for."""
    from trialkit.reporting.clubsite import Showing, Wanted, make_club

    place = tmp_path_factory.mktemp("sites")
    before = {path: path.read_bytes() for path in secret.rglob("*") if path.is_file()}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(place / "state"))
        for name, showing in (("plain", Showing()), ("open", Showing(True, True, True))):
            assert not make_club([secret], place / name, Wanted(showing)).failed
    after = {path: path.read_bytes() for path in secret.rglob("*") if path.is_file()}
    assert after == before, "the trial's own folder is as it was"
    return {name: place / name for name in ("plain", "open")}
