"""A trial folder read whole: the contract that models and reports stand on."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.records import Records, read_records

COLUMNS = {
    "plants": {
        "plant": "O",
        "variety": "O",
        "replicate": "O",
        "block": "O",
        "plants": "f",
        "plot": "O",
        "row": "f",
        "column": "f",
        "treatment": "O",
        "lost": "M",
        "lost_reason": "O",
    },
    "picks": {"date": "M", "plant": "O", "plot": "O", "count": "f", "weight_g": "f"},
    "heights": {"date": "M", "plant": "O", "plot": "O", "height_cm": "f"},
    "weather": {"date": "M", "low_c": "f", "high_c": "f", "rain_mm": "f"},
    "events": {"date": "M", "plant": "O", "plot": "O", "event": "O", "note": "O"},
    "harvest": {
        "date": "M", "plant": "O", "plot": "O", "weight_g": "f", "count": "f", "grade": "O",
    },
}
FULL = {
    "picks": "date,plant,count,weight\n2026-07-01,A1,3,30\n2026-07-04,A1,0,\n2026-07-04,C1,,\n",
    "heights": "date,plant,height\n2026-07-01,A1,5'6\"\n2026-07-08,A1,\n",
    "weather": "date,low (F),high (F)\n2026-07-01,50,86\n2026-07-02,,\n",
    "events": "date,plant,event,note\n2026-07-02,,Storm,gusts\n2026-07-03,A2,Topped,\n",
    "harvest": "date,plant,weight,count,grade\n2026-09-01,A1,1 lb,4,good\n,C1,200,,\n",
}


def kinds(frame: pd.DataFrame) -> dict[str, str]:
    return {
        name: "O" if pd.api.types.is_string_dtype(t) else t.kind for name, t in frame.dtypes.items()
    }


@pytest.mark.parametrize("tables", [{}, FULL])
def test_every_frame_has_all_its_columns_even_when_empty(make, tables) -> None:
    records = read_records(make(**tables))
    for name, columns in COLUMNS.items():
        frame = getattr(records, name)
        assert kinds(frame) == columns, name
        assert frame.index.tolist() == list(range(len(frame)))
    assert records.doubts.columns.tolist() == [
        "file", "line", "column", "value", "doubt", "table", "row"]


def test_values_in_cm_grams_and_degrees_celsius(make) -> None:
    records = read_records(make(**FULL))
    assert records.heights["height_cm"].tolist() == pytest.approx([167.64])  # 66 x 2.54
    assert records.weather[["low_c", "high_c"]].values.tolist() == [pytest.approx([10, 30])]
    assert records.harvest["weight_g"].tolist() == pytest.approx([453.59237, 200])
    assert records.events["event"].tolist() == ["storm", "topped"]


def test_blank_is_not_zero(make) -> None:
    picks = read_records(make(**FULL)).picks
    assert picks["count"].tolist()[:2] == [3, 0]
    assert np.isnan(picks["count"].iloc[2])
    assert len(picks) == 3


def test_units_of_the_trial(make) -> None:
    trial = (
        'title="T"\ncrop="b"\nplanted=2026-05-20\n[units]\nheight="in"\nweight="oz"\n'
        '[[varieties]]\nname="Ambrel"\n[[varieties]]\nname="Costry"\n'
    )
    records = read_records(
        make(
            trial=trial,
            heights="date,plant,height\n2026-07-01,A1,66\n2026-07-01,A2,168 cm\n",
            picks="date,plant,weight\n2026-07-01,A1,16\n",
        )
    )
    assert records.heights["height_cm"].tolist() == pytest.approx([167.64, 168])
    assert records.picks["weight_g"].tolist() == pytest.approx([453.59237])


def test_a_published_unit_of_harvest_is_kept_as_given(make) -> None:
    trial = (
        'title="T"\ncrop="b"\nplanted=2026-05-20\n[units]\nharvest="bushels an acre"\n'
        '[[varieties]]\nname="Ambrel"\n[[varieties]]\nname="Costry"\n'
    )
    records = read_records(make(trial=trial, harvest="plant,weight\nA1,29.5\n"))
    assert records.harvest["weight_g"].tolist() == [29.5]
    assert records.trial.harvest_unit == "bushels an acre"


def test_day_order_of_the_trial(make) -> None:
    trial = (
        'title="T"\ncrop="b"\nplanted=2026-05-20\ndates="day first"\n'
        '[[varieties]]\nname="Ambrel"\n[[varieties]]\nname="Costry"\n'
    )
    records = read_records(make(trial=trial, picks="date,plant,count\n3/7/2026,A1,1\n"))
    assert records.picks["date"].dt.date.tolist() == [date(2026, 7, 3)]


def test_hostile_names_stay_as_they_are(make) -> None:
    name = '<script>alert("x")</script>'
    trial = (
        'title="T"\ncrop="b"\nplanted=2026-05-20\n[[varieties]]\n'
        "name='<script>alert(\"x\")</script>'\n"
    )
    records = read_records(
        make(
            trial=trial,
            plants=f'plant,variety\n../../x,"{name}"\n'.replace('alert("x")', 'alert(""x"")'),
        )
    )
    assert records.plants["variety"].tolist() == [name]
    assert records.plants["plant"].tolist() == ["../../x"]


def test_what_the_phone_or_trialkit_guarded_reads_as_it_was(make) -> None:
    """An apostrophe before = + - @ is put there for spreadsheets, and is not part of the name."""
    events = "date,event,note\n2026-07-01,rain,'=SUM(A1)\n2026-07-02,rain,'tis wet\n"
    assert read_records(make(events=events)).events["note"].tolist() == ["=SUM(A1)", "'tis wet"]


class TestUntil:
    def test_leaves_out_what_came_later(self, make) -> None:
        plants = (
            "plant,variety,lost,lost_reason\nA1,Ambrel,2026-07-02,slugs\n"
            "C1,Costry,2026-07-09,wind\nA2,Ambrel,,\n"
        )
        folder = make(**(FULL | {"plants": plants}))
        records = read_records(folder, date(2026, 7, 2))
        assert records.picks["date"].dt.date.tolist() == [date(2026, 7, 1)]
        assert records.events["event"].tolist() == ["storm"]
        assert len(records.weather) == 1
        # A harvest without a date is of no day, and stays.
        assert records.harvest["plant"].tolist() == ["C1"]
        lost = records.plants["lost"]
        assert lost.notna().tolist() == [True, False, False]
        assert records.plants["lost_reason"].isna().tolist() == [False, True, True]
        assert records.until == date(2026, 7, 2)
        assert records.fingerprint == read_records(folder).fingerprint

    def test_errors_of_later_days_still_stop(self, make) -> None:
        from trialkit.records import RecordsError

        folder = make(picks="date,plant,count\n2026-07-01,A1,1\n2026-07-09,A1,x\n")
        with pytest.raises(RecordsError):
            read_records(folder, date(2026, 7, 2))


class TestFingerprint:
    def test_stands_for_names_and_contents(self, make) -> None:
        first = read_records(make(**FULL)).fingerprint
        assert len(first) == 16
        assert int(first, 16) >= 0
        assert read_records(make(**FULL)).fingerprint == first
        changed = FULL | {"picks": FULL["picks"].replace(",3,", ",4,")}
        assert read_records(make(**changed)).fingerprint != first

    def test_can_be_worked_out_by_hand(self, make) -> None:
        """SHA-256 (FIPS 180-4) over each file's name and the SHA-256 of its content, by name."""
        folder = make()
        whole = hashlib.sha256()
        for name in ("plants.csv", "trial.toml"):
            digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
            whole.update(f"{name}\0{digest}\0".encode())
        assert read_records(folder).fingerprint == whole.hexdigest()[:16]

    def test_leaves_out_files_that_are_not_read(self, make) -> None:
        folder = make(**FULL)
        first = read_records(folder).fingerprint
        (folder / "diary.txt").write_text("x")
        assert read_records(folder).fingerprint == first


def test_files_and_their_rows(make) -> None:
    records = read_records(make(**FULL))
    assert dict(records.files) == {
        "plants.csv": 4,
        "picks.csv": 3,
        "heights.csv": 2,
        "weather.csv": 2,
        "events.csv": 2,
        "harvest.csv": 2,
    }


def test_file_names_in_any_case(make) -> None:
    folder = make(**FULL)
    (folder / "picks.csv").rename(folder / "Picks.CSV")
    assert len(read_records(folder).picks) == 3


def test_reading_changes_nothing(make) -> None:
    folder = make(**FULL)
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}
    read_records(folder)
    assert {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()} == before


def test_the_demo_trial_counts_by_hand() -> None:
    """Totals of the demo's first plant, added up from the lines of its file alone."""
    folder = Path(__file__).parents[2] / "data" / "beans"
    lines = [line.split(",") for line in (folder / "picks.csv").read_text().splitlines()[1:]]
    plant = lines[0][1]
    mine = [line for line in lines if line[1] == plant]
    records = read_records(folder)
    assert isinstance(records, Records)
    own = records.picks[records.picks["plant"] == plant]
    assert own["count"].sum() == sum(int(line[2]) for line in mine if line[2])
    assert own["count"].isna().sum() == sum(not line[2] for line in mine)
    assert len(own) == len(mine)
