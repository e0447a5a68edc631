"""A plan becomes a trial folder that reads back clean, and never takes another's place."""

import hashlib
import json
from datetime import date
from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from filelock import FileLock
from killed import killed_before_move
from typer.testing import CliRunner

from trialkit import plots
from trialkit.cli import app
from trialkit.design.bed import variety_letters
from trialkit.design.layouts import lay_out
from trialkit.design.paper import A4, LETTER
from trialkit.design.planfolder import (
    About,
    bed_of_plan,
    bed_of_records,
    print_paper,
    tidy,
    write_plan,
)
from trialkit.design.request import (
    DESIGNS,
    INCOMPLETE_BLOCKS,
    LATIN_SQUARE,
    SPLIT_PLOT,
    PlanProblem,
    PlanRequest,
    read_drawing,
    read_request,
)
from trialkit.records import files, read_records
from trialkit.records.start import start_trial

FIVE = ("Blue Lantern", 'Copper "Bell"', "Dawn Fiddlé", "Evening\\Kite", "007")
ABOUT = About("Crossing Road beans", "beans", "Invented garden", date(2031, 3, 4), reach="7 ft")


def plan(**changes):
    return lay_out(PlanRequest(FIVE, seed=12, **changes))


def settings(design):
    return {
        LATIN_SQUARE: {"blocks": 5},
        INCOMPLETE_BLOCKS: {"blocks": 3, "block_size": 2},
    }.get(design, {})


@pytest.mark.parametrize("design", DESIGNS)
def test_what_is_written_reads_back_without_a_doubt(design, tmp_path):
    planting = plan(design=design, sun="afternoon shade from the west", **settings(design))
    write_plan(tmp_path / "trial", planting, ABOUT)
    records = read_records(tmp_path / "trial")
    assert records.doubts.empty
    assert records.trial.title == "Crossing Road beans"
    assert records.trial.planted == date(2031, 3, 4)
    assert records.trial.variety_names == FIVE
    assert records.trial.check == FIVE[0]
    assert records.trial.layout.design == design
    assert records.trial.layout.seed == 12
    assert records.trial.layout.shade == "afternoon shade from the west"
    assert records.trial.layout.row_spacing_cm == 90
    assert records.trial.reach_cm == pytest.approx(7 * 30.48)
    written = planting.plants
    for name in ("plant", "variety", "block", "plot"):
        assert records.plants[name].astype(str).tolist() == written[name].astype(str).tolist()
    for name in ("row", "column"):
        assert records.plants[name].tolist() == written[name].tolist()
    if design == SPLIT_PLOT:
        assert records.plants["treatment"].tolist() == written["treatment"].tolist()
    else:
        assert records.plants["treatment"].isna().all()
    assert records.picks.empty


def test_the_plan_file_gives_the_same_bed_again(tmp_path):
    planting = plan(aisle_cm=60, guards="all round", top="east", sun="south", block_size=3)
    write_plan(tmp_path / "trial", planting, ABOUT)
    again = lay_out(read_request(tmp_path / "trial" / "plan.toml"))
    assert again.request == planting.request
    assert again.plants.equals(planting.plants)
    drawn = read_drawing(tmp_path / "trial" / "plan.toml")
    assert drawn.geometry == planting.geometry
    assert (drawn.guards, drawn.top) == ("all round", "east")


def test_a_bed_from_records_is_the_bed_that_was_planned(tmp_path):
    planting = plan(aisle_cm=60, sun="shade from the west", design=SPLIT_PLOT)
    write_plan(tmp_path / "trial", planting, ABOUT)
    planned = bed_of_plan(planting, ABOUT)
    read = bed_of_records(read_records(tmp_path / "trial"))
    assert read.geometry == planned.geometry
    assert read.letters == planned.letters
    assert read.guards.astype(int).values.tolist() == planned.guards.values.tolist()
    assert read.plants["plant"].tolist() == planned.plants["plant"].tolist()
    assert read.sun == planned.sun


def test_one_letter_a_variety_on_map_stakes_and_in_the_report(tmp_path):
    """The letters on the stakes are kept, whatever is changed in trial.toml afterwards."""
    folder = tmp_path / "trial"
    planting = plan()
    write_plan(folder, planting, ABOUT)
    on_stakes = bed_of_plan(planting, ABOUT).letters
    assert on_stakes[FIVE[0]] == "A"
    assert variety_letters(read_records(folder)) == on_stakes
    toml = folder / "trial.toml"
    other = toml.read_text().replace("check = true\n", "")
    other = other.replace('name = "007"\n', 'name = "007"\ncheck = true\n')
    other += '\n[[varieties]]\nname = "Added Later"\n'
    toml.write_text(other)
    records = read_records(folder)
    assert records.trial.check == "007"
    assert variety_letters(records) == {**on_stakes, "Added Later": "F"}
    assert bed_of_records(records).letters == on_stakes
    points = pd.DataFrame({
        "variety": ["007", FIVE[0]], "plot": ["1", "2"], "x": [0.0, 300.0], "y": [0.0, 0.0],
        "ratio": [1.0, 1.0], "lost": [False, False],
    })  # fmt: skip
    caption = plots.bed(points, "pods", letters=variety_letters(records)).caption
    assert f"A {FIVE[0]}; {on_stakes['007']} 007." in caption


def test_a_trial_without_kept_letters_has_those_its_paper_had(tmp_path):
    """Check first, the others by the alphabet, as stakes were printed before letters were kept."""
    folder = tmp_path / "trial"
    write_plan(folder, plan(), ABOUT)
    plan_file = folder / "plan.toml"
    plan_file.write_text(plan_file.read_text().split("[letters]")[0])
    names = sorted(FIVE[1:])
    assert variety_letters(read_records(folder)) == dict(
        zip((FIVE[0], *names), "ABCDE", strict=True)
    )


@pytest.mark.parametrize(
    "name", ["picks.csv", "plants.csv", "trial.toml", "Picks.XLSX", "heights.csv", "plan.toml"]
)
def test_a_folder_with_records_is_never_touched(name, tmp_path):
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / name).write_text("date,plant,count\n2031-05-01,1,3\n")
    before = {one.name: one.read_bytes() for one in folder.iterdir()}
    with pytest.raises(FileExistsError, match=name):
        write_plan(folder, plan(), ABOUT)
    assert {one.name: one.read_bytes() for one in folder.iterdir()} == before
    assert [one.name for one in tmp_path.iterdir()] == ["trial"]


def test_a_folder_with_other_things_is_used_and_they_stay(tmp_path):
    folder = tmp_path / "trial"
    folder.mkdir()
    (folder / "photo.jpg").write_bytes(b"1")
    write_plan(folder, plan(), ABOUT)
    assert (folder / "photo.jpg").read_bytes() == b"1"
    assert len(read_records(folder).plants) == 80


def test_a_failed_write_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(path: Path, text: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("trialkit.design.planfolder.write_text", full)
    with pytest.raises(OSError, match="No space"):
        write_plan(tmp_path / "trial", plan(), ABOUT)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["a\nb", "a\tb", "\x1b[31m", "\u202eabc"])
def test_names_no_page_shows_are_refused(name):
    with pytest.raises(PlanProblem, match="no page shows"):
        lay_out(PlanRequest((name, "Plain")))


def test_everything_is_printed_again_from_the_records(tmp_path):
    folder = tmp_path / "trial"
    write_plan(folder, plan(blocks=2, plants=2), ABOUT)
    made = print_paper(bed_of_records(read_records(folder)), folder / "paper", A4)
    assert {path.name for path, _ in made} == {
        "bed-map-a4.pdf",
        "bed-map-a4.svg",
        "stake-labels-a4.pdf",
        "pick-sheet-a4.pdf",
        "height-sheet-a4.pdf",
    }
    assert all(path.stat().st_size > 1000 for path, _ in made)
    # The folder is still a sound trial.
    assert read_records(folder).doubts.empty


def test_a_simple_trial_without_plots_or_a_plan_file_can_be_printed(tmp_path):
    (tmp_path / "trial.toml").write_text(
        'title = "Rows"\ncrop = "beans"\nplanted = 2031-03-04\n'
        '[[varieties]]\nname = "A"\n[[varieties]]\nname = "B"\n'
    )
    lines = ["plant,variety,row,column"]
    lines += [
        f"{name}{n},{name},{row},{n}" for row, name in ((1, "A"), (2, "B")) for n in range(1, 5)
    ]
    lines.append("X,A,,")
    (tmp_path / "plants.csv").write_text("\n".join(lines) + "\n")
    bed = bed_of_records(read_records(tmp_path))
    assert "spacing not given" in bed.note
    made = print_paper(bed, tmp_path / "paper", A4)
    assert [path.name for path, _ in made] == [
        "stake-labels-a4.pdf",
        "pick-sheet-a4.pdf",
        "height-sheet-a4.pdf",
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("not toml", "cannot be read"),
        ("plant_spacing_cm = 45.0", "row_spacing_cm is None"),
        ("row_spacing_cm = 90\nplant_spacing_cm = 45\nguards = 'some'", "guards is 'some'"),
        ("row_spacing_cm = 90\nplant_spacing_cm = 45\n[drawn]\naisles_after_rows = 'x'", "whole"),
    ],
)
def test_a_spoilt_plan_file_is_named(text, says, tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(text)
    with pytest.raises(ValueError, match=says) as wrong:
        read_drawing(path)
    assert "plan.toml" in str(wrong.value)


def begun(tmp_path: Path) -> Path:
    """A folder as `trialkit new` makes it."""
    folder = tmp_path / "my beans"
    start_trial(folder)
    return folder


def test_a_folder_that_was_only_begun_is_filled(tmp_path):
    folder = begun(tmp_path)
    (folder / "heights.csv").write_text("date,plant,height (in)\n")
    explained = (folder / "README.txt").read_text()
    write_plan(folder, plan(), ABOUT)
    records = read_records(folder)
    assert records.doubts.empty
    assert records.trial.title == "Crossing Road beans"
    assert len(records.plants) == 80
    assert (folder / "README.txt").read_text() == explained
    assert (folder / "heights.csv").read_text() == "date,plant,height (in)\n", "its own heading"


def filled_in(folder: Path) -> None:
    path = folder / "trial.toml"
    path.write_text(path.read_text().replace('garden = ""', 'garden = "Mine"'))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (filled_in, r"trial.toml \(you filled in garden\)"),
        (lambda f: (f / "trial.toml").write_text("title = x"), r"trial.toml \(not valid TOML\)"),
        (lambda f: (f / "picks.csv").open("a").write("2031-05-01,A,3,\n"), r"picks.csv \(1 line\)"),
        (lambda f: (f / "plants.csv").write_text("plant,variety,mood\n"), r"plants.csv \(a first"),
        (lambda f: (f / "log.csv").write_text("entry\n"), r"log.csv"),
        (lambda f: (f / "trial.xlsx").write_bytes(b"PK"), r"trial.xlsx"),
        (lambda f: (f / "plants.csv").write_bytes(b"\xff\xfe\x00"), r"plants.csv"),
    ],
)
def test_what_somebody_wrote_is_never_written_over_and_is_named(change, says, tmp_path):
    folder = begun(tmp_path)
    change(folder)
    before = {one.name: one.read_bytes() for one in folder.iterdir()}
    with pytest.raises(FileExistsError, match=says):
        write_plan(folder, plan(), ABOUT)
    assert {one.name: one.read_bytes() for one in folder.iterdir()} == before


def test_all_that_is_in_the_way_is_named_at_once(tmp_path):
    folder = begun(tmp_path)
    filled_in(folder)
    (folder / "picks.csv").open("a").write("2031-05-01,A,3,\n2031-05-02,A,3,\n")
    with pytest.raises(FileExistsError) as caught:
        write_plan(folder, plan(), ABOUT)
    assert "picks.csv (2 lines), trial.toml (you filled in garden)" in str(caught.value)


def test_line_ends_of_another_system_are_not_a_change(tmp_path):
    folder = begun(tmp_path)
    for one in folder.glob("*.*"):
        one.write_bytes(b"\xef\xbb\xbf" + one.read_bytes().replace(b"\n", b"\r\n"))
    write_plan(folder, plan(), ABOUT)
    assert len(read_records(folder).plants) == 80


@pytest.mark.usefixtures("no_paper")
def test_new_then_plan_as_typed(tmp_path):
    run = CliRunner()
    folder = str(tmp_path / "beans")
    assert run.invoke(app, ["new", folder]).exit_code == 0
    asked = ["plan", folder, "-v", "One", "-v", "Two", "--blocks", "2", "--looks", "12"]
    done = run.invoke(app, asked)
    assert done.exit_code == 0, done.output
    assert read_records(folder).trial.looks == 12
    again = run.invoke(app, asked)
    assert again.exit_code == 6
    assert "plants.csv" in again.output
    assert "nothing was changed" in again.output


def test_a_new_trial_and_a_plan_both_say_how_often_it_will_be_looked_at(tmp_path):
    write_plan(tmp_path / "plan", plan(), ABOUT)
    for text in (
        (tmp_path / "plan" / "trial.toml").read_text(),
        (begun(tmp_path) / "trial.toml").read_text(),
    ):
        head, _, line = text.partition("\nlooks = ")
        assert line.startswith("20\n")
        assert "finds a winner by luck" in head.replace("\n# ", " ")


@pytest.mark.parametrize("kind", [
    pytest.param("new", marks=pytest.mark.slow), "begun", "described",
    pytest.param("other things", marks=pytest.mark.slow)])
def test_a_plan_that_is_killed_part_way_is_tidied_by_the_next(kind, tmp_path):
    """Killed before every file's move in turn; then the same plan is written as if for the
    first time, with nothing left beside it and nothing of anybody's lost."""
    planting = plan(blocks=2, plants=1)
    left = 0
    for kill_at in range(30):
        place = tmp_path / f"{kill_at}"
        place.mkdir()
        folder, described = place / "trial", None
        if kind in ("begun", "described"):
            start_trial(folder)
        if kind == "described":
            text = (folder / "trial.toml").read_text().replace("First variety", "Another")
            (folder / "trial.toml").write_text(text)
            described = text.encode()
        if kind == "other things":
            folder.mkdir()
            (folder / "photo.jpg").write_bytes(b"1")
        killed = killed_before_move(
            kill_at, partial(write_plan, folder, planting, ABOUT, described))
        if not killed:
            break
        left += len(list(place.glob(".*")))
        write_plan(folder, planting, ABOUT, described)
        assert [one.name for one in place.iterdir()] == ["trial"]
        assert not list(folder.glob(".*"))
        assert len((folder / "plants.csv").read_text().splitlines()) == 1 + len(planting.plants)
        assert (folder / "README.txt").is_file()
        if kind == "other things":
            assert (folder / "photo.jpg").read_bytes() == b"1"
        if kind == "described":
            assert (folder / "trial.toml").read_bytes() == described
    assert not killed
    assert left >= 4


@pytest.mark.slow
def test_paper_that_is_killed_part_way_is_tidied_by_the_next_printing(tmp_path, monkeypatch):
    """kill -9 before some of the sheets' moves; the next is on other paper, whose files have
    other names."""
    monkeypatch.setattr(files, "YOUNG_S", -1.0)
    bed = bed_of_plan(plan(blocks=2, plants=1), ABOUT)
    left = 0
    for kill_at in (0, 2):
        folder = tmp_path / f"{kill_at}"
        assert killed_before_move(kill_at, partial(print_paper, bed, folder, A4))
        left += len(list(folder.glob(".*")))
        made = print_paper(bed, folder, LETTER)
        assert not list(folder.glob(".*"))
        assert all(path.is_file() for path, _ in made)
    assert left >= 2


def test_a_plan_being_written_now_and_records_made_since_are_left_alone(tmp_path):
    folder = tmp_path / "trial"
    start_trial(folder)
    aside = tmp_path / ".trial.plan-abc"
    (aside / "folder").mkdir(parents=True)
    texts = {"picks.csv": "date,plant,count\n", "plants.csv": "plant\n1\n"}
    (aside / "moves.json").write_text(json.dumps({
        "digests": {
            name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()
        },
        "new": list(texts),
    }))  # fmt: skip
    (folder / "picks.csv").write_text("date,plant,count\n2031-05-01,1,3\n")
    with FileLock(aside / "lock"):
        tidy(folder)
        assert aside.exists()
    tidy(folder)
    assert not aside.exists()
    assert (folder / "picks.csv").read_text().endswith("2031-05-01,1,3\n")


def test_a_plan_explains_the_columns_as_a_new_trial_does(tmp_path):
    write_plan(tmp_path / "planned", plan(blocks=2, plants=1), ABOUT)
    start_trial(tmp_path / "new")
    text = (tmp_path / "planned" / "README.txt").read_text()
    assert text == (tmp_path / "new" / "README.txt").read_text()
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "README.txt").write_text("mine")
    write_plan(tmp_path / "own", plan(blocks=2, plants=1), ABOUT)
    assert (tmp_path / "own" / "README.txt").read_text() == "mine"
