"""`trialkit plan` on a folder whose trial.toml a grower filled in."""

import json
import os
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from trialkit import shipped
from trialkit.cli import Exit, app
from trialkit.design.layouts import lay_out
from trialkit.design.request import DESIGNS, read_request
from trialkit.records import read_records
from trialkit.records.start import start_trial
from trialkit.report import planning, planpower
from trialkit.report.opentrial import CellStop, RecordsCellStop
from trialkit.report.planning import design_of

FULL = """\
# mine \r
title = "Rows by the wall"
crop = "bush bean"
garden = "Invented garden"
planted = 2031-03-04
counted = "heads"
reach = "7 ft"
looks = 12

[units]
height = "ft"
weight = "oz"

[layout]
row_spacing = "36 in"
plant_spacing = "12 in"
shade = "afternoon shade from the west"

[[varieties]]
name = "Blue Lantern"
[[varieties]]
name = "Copper Bell"
check = true
[[varieties]]
name = "Dawn Fiddle"
"""
SMALL = ("--blocks", "2", "--plants", "2")


def begun(tmp_path: Path, text: str = FULL, name: str = "mine") -> Path:
    """A folder that `trialkit new` made, and its trial.toml filled in."""
    folder = tmp_path / name
    start_trial(folder)
    (folder / "trial.toml").write_bytes(text.encode())
    return folder


def run(*arguments: object):
    result = CliRunner().invoke(app, [str(one) for one in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def content(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


@pytest.mark.usefixtures("no_paper")
def test_what_trial_toml_says_is_laid_out_and_the_file_stays(tmp_path):
    folder = begun(tmp_path)
    (folder / "heights.csv").write_text("date,plant,height (in)\n")
    before = content(folder)
    done = run("plan", folder, *SMALL, "--seed", 4)
    assert done.exit_code == Exit.DONE, done.output
    after = content(folder)
    assert set(after) - set(before) == {"plan.toml"}
    assert {name for name in before if before[name] != after[name]} == {"plants.csv"}
    request = read_request(folder / "plan.toml")
    assert request.varieties == ("Blue Lantern", "Copper Bell", "Dawn Fiddle")
    assert request.check == "Copper Bell"
    assert request.row_spacing_cm == pytest.approx(36 * 2.54)
    assert request.plant_spacing_cm == pytest.approx(12 * 2.54)
    assert request.sun == "afternoon shade from the west"
    assert request.seed == 4
    records = read_records(folder)
    assert records.doubts.empty
    assert records.plants["variety"].value_counts().tolist() == [4, 4, 4]
    assert records.plants["plant"].tolist() == lay_out(request).plants["plant"].tolist()


@pytest.mark.usefixtures("no_paper")
def test_what_the_file_does_not_say_is_printed_and_can_be_added_as_printed(tmp_path):
    text = FULL.replace('row_spacing = "36 in"\n', "").replace("looks = 12\n", "")
    text = text.replace("\n[units]\n", "\n").replace('height = "ft"\nweight = "oz"\n', "")
    text = text.replace('shade = "afternoon shade from the west"\n', "")
    folder = begun(tmp_path, text)
    done = run("plan", folder, *SMALL, "--looks", 9, "--heights", "ft-in", "--layout", "random",
               "--sun", "shade from the east")  # fmt: skip
    assert done.exit_code == Exit.DONE, done.output
    lines = [line.strip() for line in done.output.partition("add it there:")[2].splitlines()]
    assert lines[1:9] == [
        "Above the first line in square brackets:", "looks = 9",
        "Under [units]:", 'height = "ft-in"',
        "Under [layout]:", 'design = "completely randomised"', 'row_spacing = "3 ft"',
        'shade = "shade from the east"',
    ]  # fmt: skip
    assert lines[9].startswith("Plant by the map")
    text = text.replace("\n[layout]\n", "\nlooks = 9\n[units]\nheight = \"ft-in\"\n[layout]\n"
                        + "\n".join(lines[6:9]) + "\n", 1)  # fmt: skip
    (folder / "trial.toml").write_text(text)
    trial = read_records(folder).trial
    assert (trial.looks, trial.height_unit, trial.layout.row_spacing_cm) == (9, "ft", 91.44)
    assert trial.layout.design == "completely randomised"
    full = FULL.replace("[layout]\n", '[layout]\ndesign = "randomised complete blocks"\n')
    silent = run("plan", begun(tmp_path, full, "all"), *SMALL)
    assert silent.exit_code == Exit.DONE
    assert "add it" not in silent.output


def test_every_option_that_differs_is_told_with_both_values_and_nothing_is_written(tmp_path):
    text = FULL.replace("[layout]\n", '[layout]\ndesign = "Latin squares"\nseed = 3\n')
    folder = begun(tmp_path, text)
    before = content(folder)
    done = run(
        "plan", folder, "-v", "Blue Lantern", "-v", "Other", "--title", "T", "--crop", "pea",
        "--garden", "G", "--planted", "2031-03-05", "--counted", "pods", "--reach", "6 ft",
        "--looks", 20, "--heights", "cm", "--weights", "g", "--layout", "blocks",
        "--row-spacing", 90, "--plant-spacing", 45, "--sun", "south", "--seed", 4,
    )  # fmt: skip
    assert done.exit_code == Exit.USAGE
    for said in (
        'title: trial.toml says "Rows by the wall", asked for is "T"',
        "crop:", "garden:", "planted: trial.toml says 2031-03-04, asked for is 2031-03-05",
        "counted:", "reach:", "looks: trial.toml says 12, asked for is 20", "units.height:",
        "units.weight:", 'layout.design: trial.toml says "Latin squares", asked for is "randomised',
        "layout.row_spacing: trial.toml says 3 ft, asked for is 90 cm", "layout.plant_spacing:",
        "layout.sun:", "layout.seed:", "varieties: trial.toml names Blue Lantern, Copper Bell, Da",
        "check: trial.toml marks Copper Bell; the first asked for is Blue Lantern",
    ):  # fmt: skip
        assert said in done.output
    assert content(folder) == before


@pytest.mark.usefixtures("no_paper")
def test_options_that_say_the_same_are_no_contradiction(tmp_path):
    done = run(
        "plan", begun(tmp_path), *SMALL, "-v", "copper bell", "-v", "Dawn Fiddle", "-v",
        "Blue Lantern", "--title", "Rows by the wall", "--planted", "2031-03-04", "--counted",
        "Heads", "--reach", "84 in", "--heights", "ft-in", "--weights", "oz", "--row-spacing",
        91.44, "--sun", "afternoon shade from the West", "--looks", 12,
    )  # fmt: skip
    assert done.exit_code == Exit.DONE, done.output


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("2031-03-04", '""'), "line 5, planted: It is blank"),
        (('"Dawn Fiddle"', '"Second variety"'), "It is the example of a new trial"),
        (("[[varieties]]", "[[variety]]"), "No variety is named"),
        (("title =", "titel ="), "Did you mean 'title'"),
    ],
)
def test_problems_in_trial_toml_are_the_usual_table_all_at_once(change, says, tmp_path):
    folder = begun(tmp_path, FULL.replace(*change).replace("looks = 12", "looks = 0"))
    before = content(folder)
    done = run("plan", folder)
    assert done.exit_code == Exit.RECORDS
    assert says in done.output
    assert "looks" in done.output
    assert content(folder) == before
    with pytest.raises(RecordsCellStop, match="looks"):
        planning.lay_out(folder=folder)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("plants.csv", "plant,variety\nA1,Blue Lantern\n"),
        ("plants.csv", "plant,variety,mood\n"),
        ("picks.csv", "date,plant,count,weight\n2031-05-01,A1,3,\n"),
        ("picks.xlsx", "PK"),
        ("log.csv", "entry\n"),
        ("plan.toml", "seed = 1\n"),
    ],
)
def test_what_was_filled_in_is_named_and_never_touched(name, text, tmp_path):
    folder = begun(tmp_path)
    (folder / name).write_text(text)
    before = content(folder)
    done = run("plan", folder)
    assert done.exit_code == Exit.NOT_WRITTEN
    assert name in done.output
    assert "trial.toml" not in done.output
    assert content(folder) == before
    block = planning.write(planning.lay_out(folder=folder, blocks=2), str(folder))
    assert "Nothing was written" in block.plain
    assert content(folder) == before


@pytest.mark.usefixtures("no_paper")
def test_an_earlier_plan_is_told_apart_from_plants_somebody_changed(tmp_path):
    folder = begun(tmp_path)
    assert run("plan", folder, *SMALL).exit_code == Exit.DONE
    again = run("plan", folder, *SMALL)
    assert again.exit_code == Exit.NOT_WRITTEN
    assert "as an earlier plan drew it" in again.output
    assert "delete plants.csv and plan.toml" in again.output
    plants = (folder / "plants.csv").read_bytes()
    (folder / "plants.csv").write_bytes(plants + b"x1,Blue Lantern,1,101,9,9,,,\n")
    assert "earlier plan" not in run("plan", folder, *SMALL).output
    (folder / "plants.csv").write_bytes(plants)
    (folder / "picks.csv").open("a").write("2031-05-01,101a,3,\n")
    assert "earlier plan" not in run("plan", folder, *SMALL).output
    (folder / "picks.csv").write_text("date,plant,count,weight\n")
    (folder / "plants.csv").unlink()
    assert "delete plan.toml" in run("plan", folder, *SMALL).output
    (folder / "plan.toml").unlink()
    anew = run("plan", folder, "--blocks", 3, "--plants", 2)
    assert anew.exit_code == Exit.DONE, anew.output
    assert len(read_records(folder).plants) == 18


def test_a_failed_write_leaves_the_folder_as_it_was(tmp_path, monkeypatch):
    folder = begun(tmp_path)
    (folder / "weather.csv").unlink()
    before = content(folder)
    real = os.replace

    def full(source, target):
        if Path(target).name == "plants.csv" and Path(target).parent == folder:
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr("trialkit.design.planfolder.os.replace", full)
    done = run("plan", folder, *SMALL)
    assert done.exit_code == Exit.NOT_WRITTEN
    assert "No space" in done.output
    assert content(folder) == before
    assert [one.name for one in tmp_path.iterdir()] == ["mine"]


def test_a_trial_toml_changed_after_it_was_read_is_not_planned_over(tmp_path):
    folder = begun(tmp_path)
    plan = planning.lay_out(folder=folder, blocks=2, plants=2)
    (folder / "trial.toml").write_text(FULL.replace("Dawn Fiddle", "Evening Kite"))
    before = content(folder)
    assert "was changed since" in planning.write(plan, str(folder)).plain
    assert content(folder) == before


def test_rows_and_columns_that_trial_toml_names_must_be_those_drawn(tmp_path):
    folder = begun(tmp_path, FULL.replace("[layout]\n", "[layout]\nrows = 9\n"))
    done = run("plan", folder, *SMALL)
    assert done.exit_code == Exit.USAGE
    assert "layout.rows: trial.toml says 9, the bed drawn has" in done.output
    assert not (folder / "plan.toml").exists()


@pytest.mark.usefixtures("no_paper")
def test_without_a_check_the_first_variety_is_not_made_one(tmp_path):
    folder = begun(tmp_path, FULL.replace("check = true\n", ""))
    plan = planning.lay_out(folder=folder, blocks=2, plants=2, seed=1)
    assert "check" not in planning.bed_map(plan).plain.lower()
    done = run("plan", folder, *SMALL)
    assert done.exit_code == Exit.DONE, done.output
    assert "It marks no check" in done.output
    assert read_records(folder).trial.check is None


def test_a_design_in_words_of_its_own_is_found_or_asked_for(tmp_path):
    assert [design_of(one) for one in DESIGNS] == list(DESIGNS)
    assert design_of("Randomised complete blocks, 4 of them") == DESIGNS[1]
    assert design_of("completely randomized") == DESIGNS[0]
    assert design_of("incomplete blocks") == DESIGNS[4]
    folder = begun(tmp_path, FULL.replace("[layout]\n", '[layout]\ndesign = "as it came"\n'))
    done = run("plan", folder)
    assert done.exit_code == Exit.USAGE
    assert '"as it came"' in done.output.replace("'", '"')
    assert "completely randomised" in done.output


def test_without_varieties_anywhere_they_are_asked_for(tmp_path):
    start_trial(tmp_path / "begun")
    for folder in (tmp_path / "begun", tmp_path / "nowhere"):
        done = run("plan", folder)
        assert done.exit_code == Exit.USAGE
        assert "Name the varieties" in done.output
        with pytest.raises(CellStop, match="Name the varieties"):
            planning.lay_out(folder=folder)
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize(
    "options", [("--heights", "furlong"), ("--weights", "stone"), ("--reach", "tall")]
)
def test_what_trial_toml_could_not_hold_is_refused(options, tmp_path):
    done = run("plan", tmp_path / "new", "-v", "A", "-v", "B", *options)
    assert done.exit_code == Exit.USAGE
    assert options[1] in done.output
    assert not (tmp_path / "new").exists()


@pytest.mark.usefixtures("no_paper")
def test_spreads_in_the_folder_are_taken_unless_others_are_named(tmp_path):
    folder = begun(tmp_path)
    (folder / "spread.toml").write_text("[plot]\nspread = 0.42\nlearned = true\n")
    other = tmp_path / "other.toml"
    other.write_text("[plot]\nspread = 0.24\nlearned = true\n")
    named = run("plan", folder, *SMALL, "--learned", tmp_path / "nothing.toml")
    assert named.exit_code == Exit.USAGE
    assert not (folder / "plan.toml").exists()
    assert planpower.spread("", folder, plot=0.1, part=0.2).plot == 0.42
    assert planpower.spread(other, folder).plot == 0.24
    done = run("plan", folder, *SMALL)
    assert f"Spreads taken from {folder / 'spread.toml'}." in done.output
    assert "42 %" in done.output
    assert planpower.spread("", tmp_path, plot=0.1).told == ()


def notebook_on(folder: Path | str, **changes: object) -> planning.Plan:
    """The plan notebook's cells run in order, its parameters changed."""
    book = json.loads(shipped.notebook("plan").read_text(encoding="utf-8"))
    space: dict[str, object] = {}
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), space)  # noqa: S102
            if "parameters" in cell["metadata"].get("tags", []):
                space |= {"folder": str(folder), "seasons": 0, **changes}
    return space["plan"]


@pytest.mark.slow
@pytest.mark.usefixtures("no_paper")
def test_the_notebook_takes_the_same_route_and_writes_the_same_bed(tmp_path):
    one, two = begun(tmp_path, name="one"), begun(tmp_path, name="two")
    plan = notebook_on(one, seed=5, plants=2, aisle_cm=0.0)
    assert plan.described is not None
    assert run("plan", two, "--plants", 2, "--seed", 5).exit_code == Exit.DONE
    for name in ("plants.csv", "plan.toml", "trial.toml"):
        assert (one / name).read_bytes() == (two / name).read_bytes()
    before = content(one)
    notebook_on(one)
    assert content(one) == before
    with pytest.raises(CellStop, match="garden: trial.toml says"):
        notebook_on(one, garden="Elsewhere")


def printed(output: str, command: str) -> list[str]:
    """The command as it was printed for the user to type."""
    line = next(one for one in output.splitlines() if f"trialkit {command} " in one)
    return shlex.split(line[line.index(f"trialkit {command}"):])[1:]


@pytest.mark.usefixtures("no_paper")
def test_from_the_demo_to_next_years_phone_page_by_the_commands_as_printed(tmp_path):
    old, folder = tmp_path / "this year", tmp_path / "next year"
    shipped.copy_trial(shipped.demo(), old)
    begin = run("new", folder, "--from", old)
    assert begin.exit_code == Exit.DONE, begin.output
    plan, check = printed(begin.output, "plan"), printed(begin.output, "check")
    blank = run(*plan)
    assert blank.exit_code == Exit.RECORDS
    assert "planted: It is blank" in blank.output
    # The grower strikes a variety and its reason, and writes the day.
    path = folder / "trial.toml"
    head, *parts = path.read_text().split("\n# Proposed to ")
    kept = [one for one in parts if 'name = "Dunmirren"' not in one]
    assert len(kept) == len(parts) - 1
    text = "\n# Proposed to ".join([head, *kept]).replace('planted = ""', "planted = 2026-05-24")
    path.write_text(text)
    done = run(*plan)
    assert done.exit_code == Exit.DONE, done.output
    assert path.read_text() == text
    assert "Learned from this year." in done.output
    assert printed(done.output, "check") == check
    checked = run(*check)
    assert checked.exit_code == Exit.DONE, checked.output
    assert "No errors" in checked.output
    assert "Nothing looks odd" in checked.output
    records = read_records(folder)
    assert "Dunmirren" not in set(records.plants["variety"])
    assert records.plants.groupby("variety").size().eq(16).all()
    assert run("phone", folder).exit_code == Exit.DONE
    page = (folder / "phone.html").read_text(encoding="utf-8")
    assert all(plant in page for plant in records.plants["plant"])


@pytest.mark.slow
def test_from_new_to_a_planned_bed_by_the_commands_as_printed(tmp_path):
    begin = run("new", tmp_path / "my beans")
    path = tmp_path / "my beans" / "trial.toml"
    text = path.read_text().replace("First variety", "Blue Lantern")
    text = text.replace("Second variety", "Copper Bell")
    path.write_text(text.replace('planted = ""', "planted = 2031-03-04"))
    done = run(*printed(begin.output, "plan"))
    assert done.exit_code == Exit.DONE, done.output
    assert "Our guess" in done.output
    assert run(*printed(begin.output, "check")).exit_code == Exit.DONE


def test_a_trial_that_stands_already_can_be_looked_at_with_other_figures():
    """Its rows and columns are those of the bed that is there, not of the one tried out."""
    plan = planning.lay_out(folder=shipped.demo(), blocks=2)
    assert plan.planting.request.count == 5
    assert plan.about.title == read_records(shipped.demo()).trial.title
    assert plan.to_add == ()


def test_the_notebook_without_a_folder_shows_an_invented_example():
    plan = notebook_on("")
    assert plan.about.title.startswith("Invented example")
    assert plan.planting.seed == 1
    assert plan.described is None
