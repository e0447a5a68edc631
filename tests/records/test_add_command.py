"""`trialkit add` and `trialkit undo` as a user types them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from trialkit.cli import Exit, app
from trialkit.records import read_records

BEANS = Path(__file__).parents[2] / "data" / "beans"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(BEANS, tmp_path / "beans")
    return tmp_path / "beans"


def run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(w) for w in words])
    return result.exit_code, result.output


def counted(folder: Path, plant: str, day: str) -> list[float]:
    picks = read_records(folder).picks
    return picks.loc[(picks["plant"] == plant) & (picks["date"] == day), "count"].tolist()


def test_a_pick_comes_in_once_and_can_be_taken_back(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "pick.csv"
    file.write_text("date,plant,count\n2025-09-20,R1-01,4\n2025-09-20,R1-02,0\n")
    before = {p.name: p.read_bytes() for p in folder.glob("*.csv")}
    code, text = run("add", folder, file, "--yes")
    assert code == Exit.DONE
    assert "2 records added" in text
    assert counted(folder, "R1-01", "2025-09-20") == [4.0]
    assert counted(folder, "R1-02", "2025-09-20") == [0.0]
    code, text = run("add", folder, file, "--yes")
    assert code == Exit.DONE
    assert "0 records added, 2 known already" in text
    code, text = run("undo", folder)
    assert code == Exit.DONE
    assert "Took back 2 records" in text
    assert counted(folder, "R1-01", "2025-09-20") == []
    # the grower's own tables were never touched
    assert {name: (folder / name).read_bytes() for name in before} == before


def test_a_bad_file_brings_in_nothing_and_says_where(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "pick.csv"
    file.write_text("date,plant,count\n2025-09-20,R1-01,4\n2025-09-20,R9-99,2\n")
    code, text = run("add", folder, file, "--yes")
    assert code == Exit.RECORDS
    assert "R9-99" in text
    assert "pick.csv" in text
    assert counted(folder, "R1-01", "2025-09-20") == []


def test_what_a_spreadsheet_is_taken_for_is_shown_and_nothing_written_unless_told(
    folder: Path, tmp_path: Path
) -> None:
    file = tmp_path / "july.csv"
    file.write_text("Bean book\n\nplant,2025-09-20,2025-09-23,Total\nR1-01,4,3,7\nR1-02,0,,0\n"
                    "Total,4,3,7\n")
    code, text = run("add", folder, file)
    assert code == Exit.NOT_WRITTEN
    assert not (folder / "log.csv").exists()
    for word in ("line 3; above it: Bean book", "2, 2025-09-20 to 2025-09-23", "3 counts",
                 "1 blank", "column 'Total': the sum of the days",
                 "line 6, 'Total': the sum of lines above", "Nothing was written", "--yes"):
        assert word in text
    code, text = run("add", folder, file, "--yes")
    assert code == Exit.DONE
    assert "3 records added" in text


def test_the_same_problem_on_many_lines_is_one_line(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "july.csv"
    plants = [f"R1-{i:02}" for i in range(1, 21)]
    lines = "".join(f"{p},some\n" for p in plants)
    file.write_text(f"plant,2025-09-20\n{lines}")
    code, text = run("add", folder, file, "--yes")
    assert code == Exit.RECORDS
    assert "20 problems" in text
    assert 'lines 2, 3, 4 and 17 more, 2025-09-20 "some": It is not a number.' in text
    assert text.count("not a number") == 1


def test_no_trial_there(tmp_path: Path) -> None:
    assert run("undo", tmp_path / "nowhere")[0] == Exit.NO_TRIAL


def test_settling_a_conflict_and_correcting_a_record(folder: Path, tmp_path: Path) -> None:
    for name, count in (("one.csv", 4), ("other.csv", 6)):
        (tmp_path / name).write_text(f"date,plant,count\n2025-09-20,R1-01,{count}\n")
    code, text = run("add", folder, tmp_path / "one.csv", tmp_path / "other.csv", "-y")
    assert code == Exit.DONE
    assert "4 (one.csv), 6 (other.csv)" in text
    assert "trialkit correct" in text
    code, text = run("correct", folder, "2025-09-20", "R1-01", "count", "5")
    assert code == Exit.DONE
    assert "R1-01, count: 5." in text
    assert "4 (one.csv)" in text, "what was said is shown, and kept in the log"
    assert counted(folder, "R1-01", "2025-09-20") == [5.0]
    assert run("settle", folder, "2025-09-20", "R1-01", "COUNT", "not looked")[0] == Exit.DONE
    assert pd.isna(counted(folder, "R1-01", "2025-09-20")).all()
    assert run("undo", folder)[0] == Exit.DONE
    assert counted(folder, "R1-01", "2025-09-20") == [5.0]
    kept = (folder / "log.csv").read_text()
    assert [line.split(",")[9] for line in kept.splitlines()[1:4]] == ["4", "6", "5"]


def test_the_old_word_works_and_a_trait_may_be_called_as_its_column_is(folder: Path) -> None:
    for word, trait, value, shown in (
        ("settle", "pods", "7", "count: 7"), ("correct", "Height (cm)", "92", "height: 92"),
        ("correct", "wt", "140", "weight: 140"),
        ("correct", "lost reason", "slugs", "lost: lost, slugs"),
    ):  # fmt: skip
        code, text = run(word, folder, "2025-09-20", "R1-01", trait, value)
        assert code == Exit.DONE, text
        assert shown in text
    code, text = run("correct", folder, "2025-09-20", "R1-01", "sugar", "7")
    assert code == Exit.RECORDS
    assert "There is no such trait" in text
    hidden = run("--help")[1]
    assert "correct" in hidden
    assert "settle" not in hidden


def test_settling_against_the_growers_own_table_says_where_to_change_it(folder: Path) -> None:
    first = read_records(folder).picks.dropna(subset=["count"]).iloc[0]
    day = str(first["date"].date())
    own = (folder / "picks.csv").read_bytes()
    code, text = run("settle", folder, day, first["plant"], "count", int(first["count"]) + 1)
    assert code == Exit.DONE
    assert "picks.csv line" in text
    assert "change it there" in text
    assert (folder / "picks.csv").read_bytes() == own


@pytest.mark.parametrize(("words", "code", "said"), [
    (("2025-09-20", "R9-99", "count", "many"), Exit.RECORDS, ("R9-99", "many", "2 problems")),
    (("2025-09-20", "R1-01", "colour", "red"), Exit.RECORDS, ("count, weight, height, lost",)),
    (("3/9/2025", "R1-01", "count", "3"), Exit.USAGE, ("3 September",)),
    (("2020-01-01", "R1-01", "count", "3"), Exit.RECORDS, ("before planting",)),
])  # fmt: skip
def test_what_cannot_settle_anything_is_told(folder: Path, words, code, said) -> None:
    got, text = run("settle", folder, *words)
    assert got == code
    for one in said:
        assert one in text
    assert not (folder / "log.csv").exists()


def test_nothing_to_settle_where_there_is_no_trial(tmp_path: Path) -> None:
    assert run("settle", tmp_path, "2025-09-20", "A", "count", "3")[0] == Exit.NO_TRIAL
