"""`trialkit tasting` and `trialkit triangle` as a user types them."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pandas as pd
import pytest
from smalltrial import write
from typer.testing import CliRunner

from trialkit.cli import Exit, app
from trialkit.models.own import tasting_result
from trialkit.records import RecordsError
from trialkit.records.incoming.entries import check_of
from trialkit.records.tastings import read_tasting
from trialkit.report import cells
from trialkit.report.tasting import answers


def run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(w) for w in words])
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write(tmp_path_factory.mktemp("tasting") / "small", picks=1)
    code, text = run("tasting", folder, "--tasters", "6", "--seed", "4")
    assert code == Exit.DONE, text
    assert "each variety in each place 2 times" in text
    return folder


@pytest.fixture
def folder(laid_out: Path, tmp_path: Path) -> Path:
    return shutil.copytree(laid_out, tmp_path / "small")


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
    page = (folder / "tasting" / "result.html").read_text()
    lead = page[page.index('class="answer"'):].split("</p>")[0]
    assert "<bdi>Costry</bdi> scored highest for liking: " in lead
    assert page.count('class="answer"') == 1  # the gaps of the pairs are a list below it
    assert "too close" not in lead
    assert "One dish of each variety" in text


def test_the_answer_of_a_tasting_names_what_is_too_close_to_the_highest() -> None:
    scores = pd.DataFrame([(str(taster), name, "liking", score + (taster + at) % 3 - 1)
                           for taster in range(1, 9)
                           for at, (name, score) in enumerate((("A", 7), ("B", 7), ("C", 3)))],
                          columns=["taster", "variety", "trait", "score"])
    first, *rest = answers(tasting_result(scores, "liking"))
    both = "A and B" if first.startswith("A") else "B and A"
    assert first.endswith(f"). {both} are too close to call.")
    assert not any("other pairs" in line for line in rest)  # C is clear of both
    alike = scores[scores["variety"] != "C"]
    assert answers(tasting_result(alike, "liking"))[0].startswith("These tasters can't separate")


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
    assert "Tasters can tell the two apart" in run("triangle", 9, 15)[1]
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


def scored(folder: Path, name: str, *lines: str) -> None:
    (folder / "tasting" / name).write_text("\n".join(["taster,code,trait,score", *lines]) + "\n")


def phone_file(*rows: tuple[object, ...]) -> str:
    """Scores as the page on a phone saves them, each line with its check."""
    lines, before = ["taster,code,trait,score,check"], ""
    for at, row in enumerate(rows, start=1):
        cells = [str(cell) for cell in row]
        before = check_of(at, len(rows), before, cells)
        lines.append(",".join([*cells, before]))
    return "\r\n".join(lines) + "\r\n"


def test_a_file_from_each_phone_is_read_and_a_score_twice_is_one(folder: Path) -> None:
    key = codes(folder)
    for taster in range(1, 5):
        rows = [(taster, key[name], "liking", 3 + (taster * len(name)) % 3 + 3 * (name == "Costry"))
                for name in key]
        (folder / "tasting" / f"tasting scores ({taster}).csv").write_text(
            phone_file(*rows), newline="")
    scored(folder, "scores.csv", f" 1.0,{key['Costry']}.0,Liking,6")  # a spreadsheet's
    code, text = run("tasting", folder)
    assert code == Exit.DONE, text
    assert "liking, 4 tasters" in text or "Liking, 4 tasters" in text
    scored(folder, "scores.csv", f"1,{key['Costry']},liking,2")
    code, text = run("tasting", folder)
    assert code == Exit.RECORDS
    assert "stands on line 2 of scores.csv already: 2" in text


def test_any_cut_and_any_flip_in_a_phones_scores_is_noticed(folder: Path) -> None:
    key = codes(folder)
    place = folder / "tasting"
    path = place / "from a phone.csv"
    content = phone_file(*((1, key[name], "liking", 7) for name in key)).encode()
    path.write_bytes(content)
    assert len(read_tasting(place).scores) == 3
    start = content.index(b"\n") + 1
    for end in range(start + 1, len(content) - 2, 3):
        path.write_bytes(content[:end])
        with pytest.raises(RecordsError):
            read_tasting(place)
    for at in range(start, len(content) - 2, 2):
        if content[at: at + 1].isalnum():
            path.write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1:])
            with pytest.raises(RecordsError):
                read_tasting(place)


@pytest.mark.parametrize(("file", "lines", "line", "column", "problem"), [
    ("key.csv", "317,Ambrel\n317,Costry", 3, "code", "has this code already"),
    ("key.csv", "317,Ambrel\n804,ambrel ", 3, "variety", "stands on line 2 already"),
    ("key.csv", "317,Ambrel\n804,", 3, "variety", "blank"),
    ("key.csv", "317,Ambrel\n,Costry", 3, "code", "blank"),
    ("key.csv", "317,Ambrell\n804,Costry", 2, "variety", "Did you mean 'Ambrel'?"),
    ("triangle.csv", "Ambrel,ambrel,3,4", 2, "second", "the same as the first"),
    ("triangle.csv", ",Costry,3,4", 2, "first", "blank"),
    ("triangle.csv", "Ambrel,Costry,3,99999999999", 2, "tasted", "So many"),
    ("scores.csv", "-,317,liking,5", 2, "taster", "no name"),
])
def test_what_cannot_be_in_a_tasting(
    tmp_path: Path, file: str, lines: str, line: int, column: str, problem: str
) -> None:
    heads = {"key.csv": "code,variety", "scores.csv": "taster,code,trait,score",
             "triangle.csv": "first,second,right,tasted"}
    for name, head in heads.items():
        (tmp_path / name).write_text(head + "\n")
    (tmp_path / "key.csv").write_text("code,variety\n317,Ambrel\n804,Costry\n")
    (tmp_path / file).write_text(f"{heads[file]}\n{lines}\n")
    with pytest.raises(RecordsError) as told:
        read_tasting(tmp_path, ["Ambrel", "Costry"])
    (row,) = told.value.problems.to_dict("records")
    assert (row["file"], row["line"], row["column"]) == (file, line, column)
    assert problem in row["problem"]
    assert row["accepted"]


def test_triangles_of_many_tasters_take_no_room(folder: Path) -> None:
    assert "could not tell the two apart" in run("triangle", 333_000, 1_000_000)[1]


def test_the_trials_report_tells_the_tasting_in_its_place(folder: Path) -> None:
    picks = (folder / "picks.csv").read_text()
    assert "How they taste" in cells.cannot_tell(cells.open_trial(str(folder))).plain
    assert cells.tasting(cells.open_trial(str(folder))).plain == ""
    key = codes(folder)
    scored(folder, "scores.csv", *(
        f"{taster},{key[name]},liking,{score + (taster + ord(name[0])) % 3 - 1}"
        for taster in range(1, 7)
        for name, score in (("Ambrel", 3), ("Costry", 8), ("Dunwell", 4))))
    (folder / "tasting" / "triangle.csv").write_text(
        "first,second,right,tasted\nambrel,Costry,9,15\n")
    assert run("tasting", folder)[0] == Exit.DONE
    trial = cells.open_trial(str(folder))
    told = cells.tasting(trial)
    assert "Costry scored highest for liking: 8.0 of 9 points (likely range 7." in told.plain
    assert "Costry scored 5.0 points above Ambrel" in told.plain
    assert "6 tasters scored liking from 1 to 9." in told.plain
    assert "Tasters can tell Ambrel from Costry: 9 of 15" in told.plain
    assert "Each taster counts as one test. One dish" in told.plain
    assert "Allergies" in told.plain
    assert 'href="../tasting/result.html"' in told.html
    # The scores as they were given: two tasters in six gave Costry 7.
    assert "Costry: 7 by 2, 8 by 2, 9 by 2" in told.plain
    assert "taste" not in cells.cannot_tell(trial).plain
    assert "which gives most by weight" in cells.cannot_tell(trial).plain.lower()
    # As of a day before it, and with files that cannot be read.
    assert cells.tasting(cells.open_trial(str(folder), until="2026-06-30")).plain == ""
    scored(folder, "scores.csv", "1,007,liking,4")
    said = cells.tasting(cells.open_trial(str(folder))).plain
    assert "can't be read" in said
    assert (folder / "picks.csv").read_text() == picks
