"""A new trial: what the folder holds, and that nothing there before is touched."""

from __future__ import annotations

import tomllib
from functools import partial

import pytest
from killed import killed_before_move

from trialkit.records import RecordsError, files, read_records
from trialkit.records.schema import TABLES
from trialkit.records.start import start_trial


def test_makes_a_description_tables_and_an_explanation(tmp_path) -> None:
    made = start_trial(tmp_path / "a" / "my beans")
    assert [p.name for p in made][:1] == ["trial.toml"]
    assert {p.name for p in made} == {"trial.toml", "README.txt"} | {
        f"{t.name}.csv" for t in TABLES
    }
    description = tomllib.loads(made[0].read_text())
    assert description["title"] == "my beans"
    assert (tmp_path / "a" / "my beans" / "picks.csv").read_text() == "date,plant,count,weight\n"


def test_what_is_still_to_fill_in_is_said(tmp_path) -> None:
    start_trial(tmp_path / "t")
    with pytest.raises(RecordsError) as caught:
        read_records(tmp_path / "t")
    assert caught.value.problems[["file", "column"]].values.tolist() == [
        ["trial.toml", "planted"],
        ["plants.csv", ""],
    ]


def test_filled_in_it_reads_without_a_doubt(tmp_path) -> None:
    folder = tmp_path / "t"
    start_trial(folder)
    text = (folder / "trial.toml").read_text().replace('planted = ""', "planted = 2026-05-24")
    (folder / "trial.toml").write_text(text)
    with (folder / "plants.csv").open("a") as file:
        file.write("P1,First variety,1,1A,1,1,,,\nP2,Second variety,1,1B,1,2,,,\n")
    records = read_records(folder)
    assert records.doubts.empty
    assert records.trial.check == "First variety"
    assert records.trial.reach_cm == 210


@pytest.mark.parametrize(
    "name", ["trial.toml", "picks.csv", "PLANTS.CSV", "heights.xlsx", "trial.xlsx"]
)
def test_refuses_a_folder_that_holds_a_trial(tmp_path, name) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(FileExistsError, match=name):
        start_trial(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_other_files_do_not_matter(tmp_path) -> None:
    (tmp_path / "photo.jpg").write_text("x")
    start_trial(tmp_path)
    assert (tmp_path / "photo.jpg").read_text() == "x"


def test_takes_away_what_it_made_when_it_fails(tmp_path, monkeypatch) -> None:
    from trialkit.records import start

    made = []
    write = start.write_text

    def fails(path, text):
        if len(made) == 3:
            raise OSError(28, "No space left on device")
        made.append(path)
        write(path, text)

    monkeypatch.setattr(start, "write_text", fails)
    with pytest.raises(OSError, match="No space"):
        start_trial(tmp_path / "t")
    assert not (tmp_path / "t").exists()


def test_a_file_in_the_way(tmp_path) -> None:
    (tmp_path / "t").write_text("x")
    with pytest.raises(FileExistsError):
        start_trial(tmp_path / "t")


@pytest.mark.parametrize("name", ['a "b"', "a\\b", "\u00fc", "a\nb", "\x7f"])
def test_any_folder_name_gives_a_description_that_can_be_read(tmp_path, name) -> None:
    start_trial(tmp_path / name)
    assert tomllib.loads((tmp_path / name / "trial.toml").read_text())["title"]


@pytest.mark.parametrize("there", [False, True])
def test_killed_part_way_the_next_begins_as_if_for_the_first_time(
    there, tmp_path, monkeypatch
) -> None:
    """Killed before every write's move in turn, into a new folder and into one with a photo."""
    monkeypatch.setattr(files, "YOUNG_S", -1.0)
    kills = 0
    for kill_at in range(30):
        place = tmp_path / f"{kill_at}"
        place.mkdir()
        folder = place / "trial"
        if there:
            folder.mkdir()
            (folder / "photo.jpg").write_bytes(b"1")
        killed = killed_before_move(kill_at, partial(start_trial, folder))
        if not killed:
            break
        kills += 1
        made = start_trial(folder)
        assert [one.name for one in place.iterdir()] == ["trial"]
        assert not list(folder.glob(".*"))
        assert all(path.is_file() for path in made)
        if there:
            assert (folder / "photo.jpg").read_bytes() == b"1"
    assert not killed
    assert kills >= len(TABLES) + 2


def test_a_table_somebody_wrote_in_is_still_refused_without_a_description(tmp_path) -> None:
    (tmp_path / "picks.csv").write_text("date,plant,count,weight\n2026-07-03,P1,4,\n")
    with pytest.raises(FileExistsError, match=r"picks\.csv"):
        start_trial(tmp_path)
