"""The commands: what they print, what they leave, and the code they end with."""

from __future__ import annotations

import html
import re
import shutil
from importlib.metadata import version
from pathlib import Path

import nbformat
import pytest
import typer
from nbformat.v4 import new_code_cell, new_notebook
from typer.testing import CliRunner

from trialkit import shipped, wording
from trialkit.cli import Exit, app
from trialkit.commands import terminal
from trialkit.decide import conclude
from trialkit.engine import lab
from trialkit.engine.publish import Published, destination
from trialkit.records import read_records


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return lambda *arguments: CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture
def beans(demo, tmp_path) -> Path:
    """The demo trial's own files, to be changed at will."""
    folder = tmp_path / "beans"
    shipped.copy_trial(demo, folder)
    return folder


def test_demo_says_the_answer_and_where_the_report_lies(demo_run):
    place, said = demo_run
    page = place / "trialkit-demo" / "report" / "trialkit-demo.html"
    assert f"Report: {page.relative_to(place)}" in said
    verdict = conclude(read_records(place / "trialkit-demo")).verdict
    assert verdict.answer in said
    assert verdict.how_sure in said
    text = html.unescape(page.read_text(encoding="utf-8"))
    assert verdict.answer in text.replace("<bdi>", "").replace("</bdi>", "")
    assert not (place / "trialkit-demo" / "truth.json").exists()


def test_numbers_of_the_page_are_those_of_the_conclusion(demo, report):
    table = conclude(read_records(demo)).table
    text = html.unescape(report.page.read_text(encoding="utf-8"))
    rows = text.split('<tbody role="rowgroup">')[1].split("</tbody>")[0].split("<tr ")[1:]
    assert len(rows) == len(table)
    for row in table.itertuples(index=False):
        (said,) = [one for one in rows if f"<bdi>{row.variety}</bdi>" in one.split("</th>")[0]]
        assert f">{wording.number(row.gave)}<" in said
        assert f">{wording.interval(row.gave_low, row.gave_high)}<" in said
        assert f">{row.lost} of {row.planted}<" in said
        if not row.check:
            assert f">{wording.number(row.ratio)} times<" in said
            assert f">{wording.interval(row.ratio_low, row.ratio_high)}<" in said


def test_demo_writes_over_nothing(run, tmp_path):
    (tmp_path / "trialkit-demo").mkdir()
    (tmp_path / "trialkit-demo" / "letter.txt").write_text("mine")
    result = run("demo")
    assert result.exit_code == Exit.NOT_WRITTEN
    assert [p.name for p in (tmp_path / "trialkit-demo").iterdir()] == ["letter.txt"]


@pytest.mark.own_kernel
def test_bad_records_are_told_in_the_packages_own_words_and_the_last_report_stays(
    run, beans, report
):
    good = destination(beans)
    good.parent.mkdir()
    shutil.copy(report.page, good)
    before = good.read_bytes()
    picks = beans / "picks.csv"
    lines = picks.read_text(encoding="utf-8").splitlines()
    lines[10] = lines[10].replace("2025", "20x5", 1)
    lines[20] = lines[20].rsplit(",", 2)[0] + ",many,"
    picks.write_text("\n".join(lines) + "\n", encoding="utf-8")

    result = run("report", beans)
    assert result.exit_code == Exit.RECORDS
    assert "Traceback" not in result.output
    for part in ("picks.csv", "line 11", "line 21", "many", "20x5"):
        assert part in result.output
    assert good.read_bytes() == before
    partial = good.with_suffix(".partial.ipynb")
    assert str(partial) in result.output
    nbformat.validate(nbformat.read(partial, as_version=4))

    checked = run("check", beans)
    assert checked.exit_code == Exit.RECORDS
    assert "2 errors" in checked.output
    assert "Traceback" not in checked.output


def test_a_fault_in_a_cell_keeps_the_partial_notebook_and_the_last_report(
    run, beans, tmp_path, monkeypatch
):
    book = new_notebook(
        cells=[
            new_code_cell('folder = ""\nuntil = ""', metadata={"tags": ["parameters"]}),
            new_code_cell("print('this far')"),
            new_code_cell("{}['nothing']"),
        ]
    )
    book.metadata.kernelspec = {"name": "python3", "language": "python", "display_name": "x"}
    nbformat.write(book, tmp_path / "9-report.ipynb")
    monkeypatch.setattr(shipped, "notebook", lambda stem: tmp_path / "9-report.ipynb")
    good = destination(beans)
    good.parent.mkdir()
    good.write_text("the last good one")
    result = run("report", beans)
    assert result.exit_code == Exit.STOPPED
    assert "KeyError: 'nothing'" in result.output
    assert "untouched" in result.output
    assert good.read_text() == "the last good one"
    assert "this far" in good.with_suffix(".partial.ipynb").read_text()


@pytest.mark.slow
def test_as_of_a_past_day_the_report_is_what_it_would_have_been(run, beans, tmp_path):
    result = run("report", beans, "--until", "2025-08-10", "--out", tmp_path / "out")
    assert result.exit_code == Exit.DONE, result.output
    page = tmp_path / "out" / "beans-as-of-2025-08-10.html"
    text = page.read_text(encoding="utf-8")
    assert "As of 10 August 2025" in text
    assert "17 September" not in text
    assert not (beans / "report").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("report", "nowhere"), Exit.NO_TRIAL, "no folder"),
        (("check", "."), Exit.NO_TRIAL, "Name one: beans"),
        (("report", "beans", "--until", "3/7/2025"), Exit.USAGE, "3 July or 7 March"),
        (("report", "beans", "--until", "1 May 2025"), Exit.USAGE, "a day from 2025-05-24 on"),
        (("settle", "beans", "3/7/25", "R1-03", "count", "4"), Exit.USAGE, "3 Jul 2026"),
        (("check", "beans/nothing.csv"), Exit.NO_TRIAL, "no folder"),
        (("help", "nonsense"), Exit.USAGE, "nonsense"),
        (("report", "beans", "--out", "beans/picks.csv/x.html"), Exit.NOT_WRITTEN, "Could not"),
        (("new", "beans"), Exit.NOT_WRITTEN, "nothing was changed"),
        (("nonsense",), Exit.USAGE, "nonsense"),
    ],
)
def test_what_cannot_be_done_has_its_code_and_its_reason(run, beans, arguments, code, said):
    result = run(*arguments)
    assert result.exit_code == code, result.output
    assert said in " ".join(result.output.replace("│", " ").split())
    assert "Traceback" not in result.output


def test_check_lists_doubts_and_is_content(run, beans):
    result = run("check", beans)
    assert result.exit_code == Exit.DONE
    assert "No errors" in result.output
    n = len(read_records(beans).doubts)
    assert n > 0
    assert f"{n} queries" in result.output


def test_a_new_trial_reads_without_an_error_once_plants_are_listed(run, tmp_path):
    result = run("new", "mine")
    assert result.exit_code == Exit.DONE, result.output
    assert (tmp_path / "mine" / "trial.toml").is_file()
    plants = tmp_path / "mine" / "plants.csv"
    heads = plants.read_text().splitlines()[0].split(",")
    with plants.open("a") as file:
        for n, variety in enumerate(["First variety", "Second variety"] * 2):
            row = {"plant": f"p{n}", "variety": variety, "block": str(n // 2), "plot": str(n)}
            file.write(",".join(row.get(head, "") for head in heads) + "\n")
    description = tmp_path / "mine" / "trial.toml"
    toml = description.read_text(encoding="utf-8")
    description.write_text(re.sub(r"(?m)^planted = .*$", "planted = 2026-05-24", toml))
    checked = run("check", "mine")
    assert checked.exit_code == Exit.DONE, checked.output
    reported = run("report", "mine")
    assert reported.exit_code == Exit.DONE, reported.output
    assert "nothing to compare yet" in reported.output


@pytest.mark.parametrize("command", ["demo", "new", "check", "report", "lab"])
def test_help_gives_examples_and_exit_codes(run, command):
    text = " ".join(run(command, "--help").output.split())
    assert f"trialkit {command}" in text
    assert "Exit codes" in text


def test_published_trials_are_reported_by_the_same_command(run, tmp_path):
    result = run("report", shipped.trials()["oats-1935"], "--out", tmp_path / "oats.html")
    assert result.exit_code == Exit.DONE, result.output
    text = (tmp_path / "oats.html").read_text(encoding="utf-8")
    assert "Yates" in text
    # Yates (1935): F of varieties 1.485 on 2 and 10 degrees of freedom, of nitrogen 37.69 on 3 and
    # 45, by R's aov and pbkrtest (tests/mixed/reference/reference.json holds R's values).
    flat = "".join(text.split())
    assert "<td>1.49</td><td>2and10</td><td>0.27</td>" in flat
    assert "<td>37.7</td><td>3and45</td><td>below0.001</td>" in flat


def test_the_lab_has_the_notebooks_ready_on_that_trial_and_leaves_changed_ones(beans):
    made = lab.prepare(beans)
    assert "## 14. Sources" in (made[0].parent / "methods.md").read_text(encoding="utf-8")
    assert [p.name for p in made] == [p.name for p in shipped.notebooks()]
    for path in made:
        book = nbformat.read(path, as_version=4)
        parameters = next(c for c in book.cells if "parameters" in c.metadata.get("tags", []))
        set_to: dict[str, object] = {}
        exec(parameters.source, set_to)
        here = str(beans.resolve())
        if "folders" in set_to:
            assert set_to["folders"] == [here], "several trials: this one, others to be added"
        elif not path.stem.endswith("mixed-models"):  # published data, no trial
            assert set_to["folder"] == here
    made[-1].write_text("changed")
    lab.prepare(beans)
    assert made[-1].read_text() == "changed"
    line = lab.command(beans, browser=False, options=["--port", "9000"])
    assert line[-3:] == ["--no-browser", "--port", "9000"]


def test_days_are_read_as_the_tables_of_the_trial_have_them(run, beans):
    described = beans / "trial.toml"
    described.write_text('dates = "month first"\n' + described.read_text())
    done = run("settle", beans, "7/11/25", "R1-03", "count", "4")
    assert done.exit_code == Exit.DONE, done.output
    assert "2025-07-11" in (beans / "log.csv").read_text()
    assert terminal.day("7/20/25", beans) == terminal.until_day("20 July 2025", beans)
    with pytest.raises(typer.BadParameter, match="3 July or 7 March"):
        terminal.day("3/7/25", beans, Path("another"))


@pytest.mark.parametrize("part", ["picks.csv", "paper", "paper/old"])
def test_the_trial_above_is_used_and_said(run, beans, part):
    if not (beans / part).exists():
        (beans / part).mkdir(parents=True)
    result = run("check", f"beans/{part}")
    assert result.exit_code == Exit.DONE, result.output
    assert "the trial in beans, which is used" in " ".join(result.output.split())
    assert "No errors" in result.output


def test_a_folder_of_trials_and_one_with_tables_of_its_own_are_no_part_of_a_trial(run, beans):
    result = run("check", beans.parent)
    assert result.exit_code == Exit.NO_TRIAL
    assert f"Name one: {beans}" in result.output.replace("\n", "")
    (beans / "other").mkdir()
    (beans / "other" / "plants.csv").write_text("plant\n")
    assert run("check", beans / "other").exit_code == Exit.NO_TRIAL


def test_the_version_and_help_as_a_word(run):
    assert run("--version").output == f"trialkit {version('trialkit')}\n"
    assert run("help").output == run("--help").output
    assert run("help", "report").output == run("report", "--help").output
    assert "--until" in run("help", "report").output


def test_the_superuser_is_told_what_to_add_for_the_notebooks(run, beans, monkeypatch):
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr("subprocess.call", lambda words: words)
    result = run("lab", "beans")
    assert result.exit_code == Exit.USAGE
    assert "trialkit lab beans -- --allow-root" in result.output
    assert lab.open_lab(beans, False, ["--allow-root"])[-1] == "--allow-root"
    assert not lab.needs_allowing(["--allow-root"])


def test_season_writes_over_its_own_page_alone(run, beans, monkeypatch):
    made = []

    asked = []

    def publish_season(trials, target, *_, trait):
        made.append(target)
        asked.append(trait)
        parameters = new_code_cell(
            f"folders = {[str(one.resolve()) for one in trials]!r}\nuntil = ''",
            metadata={"tags": ["injected-parameters"]},
        )
        nbformat.write(new_notebook(cells=[parameters]), target.with_suffix(".ipynb"))
        target.write_text("a page")
        return Published(target, target.with_suffix(".ipynb"), {})

    monkeypatch.setattr("trialkit.engine.publish.publish_season", publish_season)
    shutil.copytree(beans, "second")
    assert run("season", "beans", "second").exit_code == Exit.DONE
    assert run("season", "beans", "second").exit_code == Exit.DONE
    refused = run("season", "beans")
    assert refused.exit_code == Exit.NOT_WRITTEN
    assert "stays as it is" in " ".join(refused.output.split())
    assert run("season", "beans", "--until", "1 Aug 2025").exit_code == Exit.DONE
    assert run("season", "beans", "--out", "season.html").exit_code == Exit.DONE
    Path("season.html").with_suffix(".ipynb").unlink()
    assert run("season", "beans").exit_code == Exit.NOT_WRITTEN
    assert run("season", "beans", "--trait", "first bloom").exit_code == Exit.DONE
    names = ["season.html", "season.html", "season-as-of-2025-08-01.html", "season.html",
             "season-first_bloom.html"]
    assert [one.name for one in made] == names
    assert asked == ["", "", "", "", "first bloom"]
