"""`trialkit tasting` and `trialkit triangle` as a user types them."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from smalltrial import write
from typer.testing import CliRunner

from trialkit.cli import Exit, app


def run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(w) for w in words])
    return result.exit_code, result.output


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = write(tmp_path / "small", picks=1)
    code, text = run("tasting", folder, "--tasters", "6", "--seed", "4")
    assert code == Exit.DONE, text
    assert "each variety in each place 2 times" in text
    return folder


def codes(folder: Path) -> dict[str, str]:
    with (folder / "tasting" / "key.csv").open(newline="") as file:
        return {row["variety"]: row["code"] for row in csv.DictReader(file)}


def test_names_stand_in_the_key_alone(folder: Path) -> None:
    place = folder / "tasting"
    assert {p.name for p in place.iterdir()} == {"sheets.pdf", "tasting.html", "scores.csv",
                                                 "triangle.csv", "key.csv"}
    page = (place / "tasting.html").read_text()
    assert set(codes(folder)) == {"Ambrel", "Costry", "Dunwell"}
    assert not any(name in page for name in codes(folder))
    assert all(code in page for code in codes(folder).values())
    assert b"Ambrel" not in (place / "sheets.pdf").read_bytes()


def test_a_tasting_is_not_laid_out_over_another(folder: Path) -> None:
    before = (folder / "tasting" / "key.csv").read_bytes()
    code, text = run("tasting", folder, "--tasters", "6")
    assert code == Exit.NOT_WRITTEN
    assert "already" in text
    assert (folder / "tasting" / "key.csv").read_bytes() == before


def test_scores_are_told_with_what_they_cannot_show(folder: Path) -> None:
    key = codes(folder)
    lines = ["taster,code,trait,score"]
    for taster in range(1, 7):
        for name, score in (("Ambrel", 3), ("Costry", 8), ("Dunwell", 4)):
            chance = (taster * len(name) + ord(name[0])) % 3 - 1
            lines.append(f"{taster},{key[name]},liking,{score + chance}")
    (folder / "tasting" / "scores.csv").write_text("\n".join(lines) + "\n")
    code, text = run("tasting", folder)
    assert code == Exit.DONE
    assert "liking, 6 tasters" in text
    assert "Costry above Ambrel by " in text
    assert "One dish of each variety" in text


def test_every_problem_of_the_scores_is_told_at_once(folder: Path) -> None:
    one = next(iter(codes(folder).values()))
    (folder / "tasting" / "scores.csv").write_text(
        f"taster,code,trait,score\n1,{one},liking,12\n1,007,liking,5\n,{one},liking,4\n"
        f"2,{one},liking,5\n2,{one},liking,6\n3,{one},liking,good\n3,{one},look,\n")
    code, text = run("tasting", folder)
    assert code == Exit.RECORDS
    for word in ("5 problems", "not on the scale", "No variety has this code", "blank",
                 "line 5 already", "not a number"):
        assert word in text


def test_a_triangle_test() -> None:
    assert "can be told apart" in run("triangle", 9, 15)[1]
    assert "9 would be needed" in run("triangle", 8, 15)[1]
    assert run("triangle", 16, 15)[0] == Exit.USAGE


def test_no_tasting_yet(tmp_path: Path) -> None:
    folder = write(tmp_path / "small", picks=1)
    assert run("tasting", folder)[0] == Exit.NO_TRIAL


def test_wrong_lines_of_triangles_are_told_with_those_of_scores(folder: Path) -> None:
    (folder / "tasting" / "triangle.csv").write_text(
        "first,second,right,tasted\nAmbrel,Costry,16,15\nAmbrel,Costry,some,15\n")
    code, text = run("tasting", folder)
    assert code == Exit.RECORDS
    for word in ("2 problems", "triangle.csv", "It is not of 15 tasters", "some"):
        assert word in text
    assert not (folder / "tasting" / "result.html").exists()


def test_a_name_that_is_markup_stands_on_the_page_as_text(folder: Path) -> None:
    (folder / "tasting" / "triangle.csv").write_text(
        "first,second,right,tasted\n<script>alert(1)</script>,B,9,15\n")
    assert run("tasting", folder)[0] == Exit.DONE
    assert "<script" not in (folder / "tasting" / "result.html").read_text()
