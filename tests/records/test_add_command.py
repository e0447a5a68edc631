"""`trialkit add` and `trialkit undo` as a user types them."""

from __future__ import annotations

import shutil
from pathlib import Path

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
    code, text = run("add", folder, file)
    assert code == Exit.DONE
    assert "2 records added" in text
    assert counted(folder, "R1-01", "2025-09-20") == [4.0]
    assert counted(folder, "R1-02", "2025-09-20") == [0.0]
    code, text = run("add", folder, file)
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
    code, text = run("add", folder, file)
    assert code == Exit.RECORDS
    assert "R9-99" in text
    assert "pick.csv" in text
    assert counted(folder, "R1-01", "2025-09-20") == []


def test_no_trial_there(tmp_path: Path) -> None:
    assert run("undo", tmp_path / "nowhere")[0] == Exit.NO_TRIAL
