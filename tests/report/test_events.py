"""Rain as recorded, and as the page tells it: in the gardener's unit, blank is not none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.records import RecordsError, read_records
from trialkit.report import cells
from trialkit.report.figures import rain_lines
from trialkit.report.opentrial import OpenTrial


def _trial(folder: Path, weather: str, units: str = "") -> Path:
    (folder / "trial.toml").write_text(
        'title = "T"\ngarden = "G"\ncrop = "bean"\nplanted = 2026-05-01\n' + units +
        '[[varieties]]\nname = "A"\ncheck = true\n[[varieties]]\nname = "B"\n',
        encoding="utf-8")
    (folder / "plants.csv").write_text("plant,variety\n1,A\n2,B\n", encoding="utf-8")
    (folder / "weather.csv").write_text(weather, encoding="utf-8")
    return folder


# An inch is 25.4 mm exactly (international yard and pound agreement of 1959).
@pytest.mark.parametrize(("weather", "units", "mm"), [
    ("date,rain (mm)\n2026-06-01,12\n2026-06-02,0\n2026-06-03,\n", "", [12.0, 0.0]),
    ("date,rain\n2026-06-01,12\n2026-06-02,0\n", '[units]\nheight = "cm"\n', [12.0, 0.0]),
    ("date,rain\n2026-06-01,12 mm\n2026-06-02,0\n", "", [12.0, 0.0]),
    ("date,rain (in)\n2026-06-01,0.5\n2026-06-02,1 in\n", "", [12.7, 25.4]),
    ("date,low,high,rainfall_mm\n2026-06-01,10,20,3\n2026-06-02,11,21,\n", "", [3.0, None]),
    ("date,rain\n2026-06-01,0.5\n2026-06-02,12 mm\n", '[units]\nheight = "ft"\n',
     [12.7, 12.0]),
])
def test_rain_is_read_in_the_unit_its_heading_or_the_trial_names(tmp_path, weather, units, mm):
    frame = read_records(_trial(tmp_path, weather, units)).weather
    assert [None if pd.isna(v) else round(v, 6) for v in frame["rain_mm"]] == mm


@pytest.mark.parametrize("rain", ["12\n2026-06-02,0", "12\n2026-06-02,3 mm", "0.5\n2026-06-02,"])
def test_rain_that_may_be_millimetres_or_inches_is_refused_and_both_are_named(tmp_path, rain):
    with pytest.raises(RecordsError) as caught:
        read_records(_trial(tmp_path, f"date,rain\n2026-06-01,{rain}\n"))
    (found,) = caught.value.problems.itertuples()
    assert (found.line, found.column) == (2, "rain")
    assert "millimetres or inches" in found.problem
    assert "12 mm or 0.5 in" in found.accepted


@pytest.mark.parametrize(("name", "table", "line"), [
    ("picks", "date,plant,count,notes\n2026-07-01,1,3,\n2026-07-02,1,,leaves limp\n",
     "2 July 2026, plant 1: leaves limp."),
    ("heights", "date,plant,height,remark\n2026-07-01,1,90,\n2026-07-02,1,,cane broke\n",
     "2 July 2026, plant 1: cane broke."),
    ("harvest", "date,plant,weight,comments\n2026-07-02,1,90,forked\n",
     "2 July 2026, plant 1: forked."),
])
def test_a_note_beside_a_record_is_shown_with_its_day_and_plant(tmp_path, name, table, line):
    folder = _trial(tmp_path, "date,low,high\n2026-06-01,10,20\n")
    (folder / f"{name}.csv").write_text(table, encoding="utf-8")
    (folder / "events.csv").write_text(
        "date,event,plant,note\n2026-07-03,watered,1,\n", encoding="utf-8")
    found = read_records(folder)
    assert found.doubts.empty
    assert "note" not in getattr(found, name)
    lines = cells.events(OpenTrial(found, None)).plain
    assert line.replace(" 2026", "") in lines.replace(" 2026", "")
    assert "watered (plant 1)" in lines


@pytest.mark.parametrize("shown", [False, True])
def test_a_clubs_page_shows_notes_only_where_it_may(tmp_path, shown):
    from trialkit.report.opentrial import Showing, public_records

    folder = _trial(tmp_path, "date,low,high\n2026-06-01,10,20\n")
    (folder / "picks.csv").write_text(
        "date,plant,count,notes\n2026-07-01,1,3,Pat next door counted\n", encoding="utf-8")
    public = public_records(read_records(folder), Showing(notes=shown), "T", "Garden 1")
    assert ("Pat next door" in cells.events(OpenTrial(public, None)).plain) == shown


def test_rain_below_zero_is_refused(tmp_path):
    with pytest.raises(RecordsError, match="rain"):
        read_records(_trial(tmp_path, "date,rain\n2026-06-01,-2\n"))


def test_rain_is_told_with_its_days_and_a_blank_is_not_a_dry_day():
    plants = bed("AB")
    weather = pd.DataFrame({"date": [day(k) for k in (50, 51, 52, 53)], "low_c": None,
                            "high_c": None, "rain_mm": [0.0, 12.0, None, 4.0]})
    weather[["low_c", "high_c"]] = weather[["low_c", "high_c"]].astype(float)
    found = replace(
        records(plants, picked(plants, {"A": 0.6, "B": 1.0}, [50, 55], seed=1)), weather=weather)
    line = cells.events(OpenTrial(found, None)).plain
    assert "16 mm on 2 days" in line
    assert "3 days recorded" in line
    assert "12 mm." in line
    assert rain_lines(weather.assign(rain_mm=0.0), found.trial)[0].startswith("No rain from")
