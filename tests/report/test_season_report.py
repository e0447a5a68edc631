"""`trialkit season`: the page of several gardens, for names a page could trip over as well."""

from __future__ import annotations

import csv
import html
import io
import re
from pathlib import Path

import numpy as np
import pytest
from hostile import NAMES
from typer.testing import CliRunner

from trialkit import shipped
from trialkit.cli import Exit, app
from trialkit.club.site import trial_folders
from trialkit.gardens.season import season
from trialkit.report import season as cells
from trialkit.wording import unbroken

VARIETIES = NAMES[:5]


def garden(folder: Path, number: int, blocks: int) -> Path:
    """A garden of hostile names; the first is the check, the second gives twice as much."""
    rng = np.random.default_rng(number)
    folder.mkdir(parents=True)
    plants, picks = [["plant", "variety", "block", "plot"]], [["date", "plant", "count"]]
    for b in range(blocks):
        for v, name in enumerate(VARIETIES):
            plant = f"{b}-{v}"
            plants.append([plant, name, str(b), plant])
            mean = 8 * (1 + (v == 1)) * np.exp(rng.normal(0, 0.15))
            picks += [[f"2026-07-{day:02d}", plant, str(rng.poisson(mean))]
                      for day in range(5, 29, 3)]
    for name, rows in (("plants", plants), ("picks", picks)):
        out = io.StringIO()
        csv.writer(out).writerows(rows)
        (folder / f"{name}.csv").write_text(out.getvalue(), encoding="utf-8")
    described = [f'title = "Garden {number}"', f'garden = "Garden {number}"', "crop = 'bean'",
                 "planted = 2026-05-20", "invented = true", "[layout]",
                 'design = "randomised complete blocks"']
    for v, name in enumerate(VARIETIES):
        described += ["[[varieties]]", f"name = '''{name}'''"] + ["check = true"] * (v == 0)
    (folder / "trial.toml").write_text("\n".join(described), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def club(tmp_path_factory) -> Path:
    """Three gardens with repeats, two with one row of each, one with a broken description."""
    place = tmp_path_factory.mktemp("season") / "gardens"
    for number in range(5):
        garden(place / f"garden-{number}", number, 3 if number < 3 else 1)
    (place / "spoilt").mkdir()
    (place / "spoilt" / "trial.toml").write_text("title = ", encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def made(club):
    """The page, and what the command said."""
    out = club.parent / "all.html"
    result = CliRunner().invoke(app, ["season", str(club), "--out", str(out)])
    assert result.exit_code == 0, result.output
    return out, result.output


def test_the_page_is_one_file_that_asks_for_nothing(made):
    page = made[0].read_text(encoding="utf-8")
    assert "<script" not in page
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", page)
    assert len(page.encode()) < 1_500_000


def test_names_are_shown_and_never_run(made):
    page = made[0].read_text(encoding="utf-8")
    assert "onerror=alert" not in re.sub(r"&[a-z#0-9]+;[^<]*", "", page)
    for name in VARIETIES:
        assert name in html.unescape(page)


def test_page_terminal_and_answer_say_the_same(club, made):
    found = season(trial_folders([club]))
    page = html.unescape(made[0].read_text(encoding="utf-8"))
    plain = page.replace("<bdi>", "").replace("</bdi>", "")
    assert found.answer in made[1]
    assert unbroken(found.answer) in plain
    assert unbroken(found.how_sure) in plain
    assert found.state == "settled"
    best = found.overall.iloc[0]
    assert best["variety"] == VARIETIES[1]
    assert 1 < best["low"] < 2 < best["high"]
    assert "spoilt" in plain
    assert [one.folder for one in found.failed] == ["spoilt"]
    assert "2 of the 5 trials can't tell variety from place" in plain


def test_a_phone_need_not_be_pushed_sideways(made, browser):
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.goto(made[0].as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    wide = page.evaluate("""[...document.querySelectorAll('main *')].filter(e =>
        e.getBoundingClientRect().right > 361 && !e.closest('.scroll')).length""")
    assert wide == 0
    assert page.locator("figure svg[role=img], figure img").count() == 3
    page.close()


@pytest.mark.parametrize("count", [1, 2, pytest.param(12, marks=pytest.mark.slow)])
def test_every_cell_has_its_say_for_one_two_and_twelve_trials(count):
    folders = [str(one) for one in shipped.several_trials()[:count]]
    opened = cells.open_season(folders)
    parts = {name: getattr(cells, name)(opened) for name in cells.__all__
             if name[0].islower() and name != "open_season"}
    assert not re.search(r"\bnan\b", " ".join(b.plain for b in parts.values()), re.I)
    for name in ("heading", "answer", "varieties", "next_step", "cannot_tell", "method"):
        assert parts[name].plain
    assert bool(parts["against_gardens"].plain) == (count > 2)
    assert bool(parts["gardens_and_whole"].plain) == (count > 1)
    table = parts["varieties"].plain
    assert ("another garden" in table) == (count > 2)
    assert "Chance of being best" not in table, "nothing is settled in these"


def test_folders_that_give_nothing_end_with_the_code_of_the_records(club, tmp_path):
    out = tmp_path / "none.html"
    result = CliRunner().invoke(app, ["season", str(club / "spoilt"), "--out", str(out)])
    assert result.exit_code == Exit.RECORDS
    assert "spoilt" in result.output
    assert not out.exists()
    missing = CliRunner().invoke(app, ["season", str(tmp_path / "nowhere")])
    assert missing.exit_code == Exit.NO_TRIAL
    assert "nowhere" in missing.output
