"""Plants lost and topped, from phones into the records, beside plants.csv that is never altered."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from trialkit.records import Records, RecordsError, read_records
from trialkit.records.incoming.add import add_files, settle, undo_last

DAY = date(2026, 7, 1)
HEAD = "record_id,recorded_at,date,plant,kind,value,unit,note,device\n"
PLANTS = "plant,variety,lost,lost_reason\nA1,Ambrel,{}\nA2,Ambrel,,\nC1,Costry,,\n"


@pytest.fixture
def export(tmp_path: Path):
    """Writes an export: export("A", "a1,2026-07-01,A1,lost,,,eaten")."""

    def write(device: str, *rows: str) -> Path:
        path = tmp_path / f"phone {device}.csv"
        lines = []
        for row in rows:
            ident, day, plant, kind, *rest = row.split(",")
            value, unit, note = (*rest, "", "", "")[:3]
            lines.append(f"{ident},{day}T10:00:00+02:00,{day},{plant},{kind},{value},{unit},"
                         f"{note},{device}\n")  # fmt: skip
        path.write_text(HEAD + "".join(lines))
        return path

    return write


def lost(records: Records) -> dict[str, tuple[str, str | None]]:
    gone = records.plants.dropna(subset=["lost"])
    return {
        row.plant: (str(row.lost.date()), None if pd.isna(row.lost_reason) else row.lost_reason)
        for row in gone.itertuples()
    }


def test_a_loss_reaches_the_plants_and_plants_csv_stays_as_it_was(make, export) -> None:
    folder = make()
    before = (folder / "plants.csv").read_bytes()
    path = export("A", "a1,2026-07-01,A1,lost,,,pulled out", "a2,2026-07-01,C1,lost")
    assert add_files(folder, [path]).added == 2
    assert lost(read_records(folder)) == {
        "A1": ("2026-07-01", "pulled out"), "C1": ("2026-07-01", None),
    }  # fmt: skip
    assert add_files(folder, [path]).added == 0
    assert (folder / "plants.csv").read_bytes() == before
    assert lost(read_records(folder, date(2026, 6, 30))) == {}, "not lost yet the day before"
    undo_last(folder)
    assert lost(read_records(folder)) == {}
    assert (folder / "plants.csv").read_bytes() == before


def test_a_phone_takes_a_loss_back_and_gives_another_reason(make, export) -> None:
    folder = make()
    rows = ["a1,2026-07-01,A1,lost,,,pulled out", "a2,2026-07-01,A2,lost,,,eaten"]
    add_files(folder, [export("A", *rows)])
    report = add_files(folder, [export(
        "A", *rows, "u1,2026-07-01,A1,undo,a1", "u2,2026-07-01,A2,undo,a2",
        "a3,2026-07-01,A2,lost,,,wilted",
    )])  # fmt: skip
    assert report.corrected[["plant", "before", "now"]].values.tolist() == [
        ["A1", "lost, pulled out", "taken back"], ["A2", "lost, eaten", "lost, wilted"],
    ]  # fmt: skip
    assert lost(read_records(folder)) == {"A2": ("2026-07-01", "wilted")}


def test_two_phones_that_agree_are_one_loss(make, export) -> None:
    folder = make()
    report = add_files(folder, [
        export("A", "a1,2026-07-01,A1,lost,,,Eaten"), export("B", "b1,2026-07-01,A1,lost,,,eaten"),
        export("C", "c1,2026-07-01,A1,lost"),
    ])  # fmt: skip
    assert report.conflicts.empty
    assert lost(read_records(folder)) == {"A1": ("2026-07-01", "Eaten")}


def test_two_phones_that_differ_are_shown_and_the_plant_is_gone_from_the_earlier_day(
    make, export
) -> None:
    folder = make()
    report = add_files(folder, [
        export("A", "a1,2026-07-04,A1,lost,,,eaten"), export("B", "b1,2026-07-01,A1,lost,,,wilted"),
    ])  # fmt: skip
    (clash,) = report.conflicts.itertuples()
    assert (clash.trait, clash.left, clash.right) == (
        "lost", "lost 2026-07-04, eaten", "lost 2026-07-01, wilted",
    )  # fmt: skip
    assert "earlier day" in report.text
    records = read_records(folder)
    assert lost(records) == {"A1": ("2026-07-01", None)}
    assert records.doubts["column"].tolist() == ["lost"]
    settle(folder, date(2026, 7, 4), "A1", "lost", "eaten")
    records = read_records(folder)
    assert lost(records) == {"A1": ("2026-07-04", "eaten")}
    assert records.doubts.empty


@pytest.mark.parametrize(("own", "conflict", "taken"), [
    ("2026-07-01,eaten", None, ("2026-07-01", "eaten")),
    ("2026-07-01,", None, ("2026-07-01", "eaten")),
    ("2026-07-03,eaten", "plants.csv line 2", ("2026-07-01", "eaten")),
    ("2026-06-20,wilted", "plants.csv line 2", ("2026-06-20", None)),
    (",wilted", "plants.csv line 2", ("2026-07-01", None)),
])  # fmt: skip
def test_beside_what_plants_csv_says(make, export, own, conflict, taken) -> None:
    folder = make(plants=PLANTS.format(own))
    report = add_files(folder, [export("A", "a1,2026-07-01,A1,lost,,,eaten")])
    assert report.conflicts["left_source"].tolist() == ([conflict] if conflict else [])
    records = read_records(folder)
    assert lost(records) == {"A1": taken}
    assert ("lost" in records.doubts["column"].tolist()) == (conflict is not None)


def test_not_lost_after_all_is_settled_and_taken_back(make, export) -> None:
    folder = make()
    add_files(folder, [export("A", "a1,2026-07-01,A1,lost,,,eaten")])
    said = settle(folder, DAY, "A1", "lost", "not lost")
    assert said.before == (("lost 2026-07-01, eaten", "A"),)
    assert "A1, lost: not lost" in said.text
    assert lost(read_records(folder)) == {}
    assert add_files(folder, [export("A", "a1,2026-07-01,A1,lost,,,eaten")]).added == 0
    assert lost(read_records(folder)) == {}
    undo_last(folder)
    assert lost(read_records(folder)) == {"A1": ("2026-07-01", "eaten")}


def test_settling_against_plants_csv_says_where_to_change_it(make, export) -> None:
    folder = make(plants=PLANTS.format("2026-07-01,eaten"))
    said = settle(folder, DAY, "A1", "lost", "not lost")
    assert "plants.csv line 2: lost 2026-07-01, eaten" in said.text
    assert lost(read_records(folder)) == {"A1": ("2026-07-01", "eaten")}


def test_topped_is_an_event_once_however_many_saw_it(make, export) -> None:
    folder = make(events="date,plant,event\n2026-07-01,A2,Topped\n2026-07-01,,watered\n")
    paths = [export("A", "a1,2026-07-01,A1,topped", "a2,2026-07-01,A2,topped"),
             export("B", "b1,2026-07-01,A1,topped")]  # fmt: skip
    add_files(folder, paths)
    events = read_records(folder).events
    topped = events[events["event"] == "topped"]
    assert topped[["plant", "date"]].values.tolist() == [
        ["A2", pd.Timestamp(DAY)], ["A1", pd.Timestamp(DAY)],
    ]  # fmt: skip
    assert add_files(folder, paths).added == 0
    undo_last(folder)
    assert (read_records(folder).events["event"] == "topped").sum() == 1


def test_a_loss_of_a_plant_that_is_not_listed_any_more_is_an_error(make, export) -> None:
    folder = make()
    add_files(folder, [export("A", "a1,2026-07-01,A1,lost,,,eaten")])
    (folder / "plants.csv").write_text("plant,variety\nX1,Ambrel\n")
    with pytest.raises(RecordsError) as caught:
        read_records(folder)
    assert caught.value.problems[["file", "line", "column"]].values.tolist() == [
        ["log.csv", 2, "plant"]
    ]
