"""A report of names that could break a page, made once and shared by every test of this folder."""

from __future__ import annotations

import pytest
from hostile import NAMES

from trialkit import shipped
from trialkit.engine.publish import publish


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


@pytest.fixture
def no_paper(monkeypatch):
    """Where a test looks at the trial's own files alone, the sheets are not printed."""
    monkeypatch.setattr("trialkit.design.planfolder.print_paper", lambda *_, **__: [])
