"""Rain as recorded, and as the page tells it: in the gardener's unit, blank is not none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from seasons import bed, day, picked, records

from trialkit.records import RecordsError, read_records
from trialkit.report import cells
from trialkit.report.events import rain_lines
from trialkit.report.opened import OpenTrial


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
    ("date,rain\n2026-06-01,12\n2026-06-02,0\n2026-06-03,\n", "", [12.0, 0.0]),
    ("date,rain (in)\n2026-06-01,0.5\n2026-06-02,1 in\n", "", [12.7, 25.4]),
    ("date,low,high,rainfall_mm\n2026-06-01,10,20,3\n2026-06-02,11,21,\n", "", [3.0, None]),
    ("date,rain\n2026-06-01,0.5\n2026-06-02,12 mm\n", '[units]\nheight = "ft"\n',
     [12.7, 12.0]),
])
def test_rain_is_read_in_the_unit_its_heading_or_the_trial_names(tmp_path, weather, units, mm):
    frame = read_records(_trial(tmp_path, weather, units)).weather
    assert [None if pd.isna(v) else round(v, 6) for v in frame["rain_mm"]] == mm


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
