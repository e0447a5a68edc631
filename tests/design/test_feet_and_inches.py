"""Planning in feet and inches: typed so, told so, drawn so.

1 in = 2.54 cm exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.design.bed import Bed, bed_of
from trialkit.design.bedmap import bed_map
from trialkit.design.layouts import lay_out
from trialkit.design.paper import A4, LETTER
from trialkit.design.request import PlanProblem, PlanRequest, read_request
from trialkit.reading.amounts import length_cm, length_text
from trialkit.report.planning import label_mm, room_cm, says_feet

ASKED = ("-v", "Red", "-v", "Blue", "--blocks", "3", "--plants", "4", "--seed", "2")


def planned(folder: Path, *more: str) -> str:
    done = CliRunner().invoke(app, ["plan", str(folder), *ASKED, *more])
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


@pytest.mark.parametrize(
    ("cm", "feet", "text"),
    [(91.44, True, "3 ft"), (45.72, True, "1 ft 6 in"), (167.64, True, "5 ft 6 in"),
     (15.24, True, "6 in"), (0.0, True, "0 in"), (11.43, True, "4.5 in"),
     (90.0, True, "2 ft 11.5 in"), (45.0, False, "45 cm"), (100.0, False, "1 m"),
     (167.5, False, "1.68 m")],
)  # fmt: skip
def test_lengths_are_told_in_the_growers_own_units(cm: float, feet: bool, text: str) -> None:
    assert length_text(cm, feet) == text


def test_lengths_in_feet_read_back_to_a_quarter_inch() -> None:
    for cm in np.random.default_rng(5).uniform(1, 2000, 300):
        assert abs(length_cm(length_text(cm, True), "cm") - cm) <= 0.25 * 2.54 + 1e-9


def test_a_plan_asked_for_in_feet_is_told_in_feet(tmp_path: Path) -> None:
    words = planned(tmp_path / "f", "--row-spacing", "2'6\"", "--room", "40 x 13 ft", "--dry-run")
    assert "rows 2 ft 6 in apart, plants 1 ft 6 in apart in a row" in words
    assert re.search(r"24 plants on \d+ ft( \d+ in)? x \d+ ft", words)
    assert not re.search(r"\d (cm|m)\b", words)
    assert not (tmp_path / "f").exists()
    metres = planned(tmp_path / "m", "--dry-run")
    assert "rows 90 cm apart, plants 45 cm apart in a row" in metres
    assert " ft" not in metres


def test_heights_in_feet_mean_rows_in_feet(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("trialkit.design.planfolder.print_paper", lambda *_: [])
    folder = tmp_path / "t"
    assert "rows 3 ft apart, plants 1 ft 6 in" in planned(folder, "--reach", "7 ft")
    asked = read_request(folder / "plan.toml")
    assert asked.feet
    assert (asked.row_spacing_cm, asked.plant_spacing_cm) == pytest.approx((91.44, 45.72))
    text = (folder / "trial.toml").read_text()
    assert 'height = "ft"' in text
    assert 'row_spacing = "3 ft"\nplant_spacing = "1 ft 6 in"' in text


def test_a_room_and_a_label_may_name_their_unit_once() -> None:
    assert room_cm("40 x 13 ft") == pytest.approx((40 * 30.48, 13 * 30.48))
    assert room_cm("40' x 13'6\"") == pytest.approx((40 * 30.48, 13.5 * 30.48))
    assert room_cm("12x4") == pytest.approx((1200, 400))
    assert room_cm("12 m x 13 ft") == pytest.approx((1200, 13 * 30.48))
    assert label_mm("60x25") == pytest.approx((60, 25))
    assert label_mm("2.5x1 in") == pytest.approx((63.5, 25.4))
    with pytest.raises(ValueError, match="Write: 60x25"):
        label_mm("60")


def test_feet_are_meant_only_where_no_length_is_metric() -> None:
    assert says_feet("7 ft", "", "18 in")
    assert not says_feet("7 ft", "90 cm")
    assert not says_feet("90", "")


def test_a_bed_too_large_for_its_room_is_told_in_feet() -> None:
    with pytest.raises(PlanProblem, match=r"do not fit 10 ft along the rows x 5 ft across") as said:
        lay_out(PlanRequest(("A", "B"), room_cm=(304.8, 152.4), feet=True))
    assert "a bed of" in str(said.value)
    assert not re.search(r"\d (cm|m)\b", str(said.value))


def bed(unit: str) -> Bed:
    request = PlanRequest(("A", "B"), blocks=2, seed=1, aisle_cm=60.96, row_spacing_cm=91.44)
    return bed_of(lay_out(request), title="T", height_unit=unit)


@pytest.mark.parametrize("sheet", [A4, LETTER], ids=lambda sheet: sheet.name)
def test_the_map_has_a_scale_a_ruler_in_inches_reads(sheet) -> None:
    texts = " | ".join(text.get_text() for text in bed_map(bed("ft"), sheet).axes[0].texts)
    scale, foot, inch = re.search(
        r"1 : (\d+)  \(1 in on paper = (?:(\d+) ft)?(?: ?(\d+) in)? on", texts).groups()
    assert int(foot or 0) * 12 + int(inch or 0) == int(scale)
    assert "aisle 2 ft" in texts
    assert re.search(r"\| [0-9.]+ ft \|", texts)
    assert not re.search(r"\d (cm|m)\b", texts)
    metric = " | ".join(text.get_text() for text in bed_map(bed("cm"), sheet).axes[0].texts)
    assert "aisle 60.96 cm" in metric
