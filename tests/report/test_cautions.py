"""Cautions: on the report where they belong, deferring to whoever knows better, worded once."""

from __future__ import annotations

import html
from datetime import date
from pathlib import Path

import pytest
from smalltrial import write

from trialkit import cautions, shipped
from trialkit.recording.offline import phone_page
from trialkit.records import read_records
from trialkit.records.start import start_trial
from trialkit.report import cells


def _said(folder: Path) -> str:
    return cells.take_care(cells.open_trial(str(folder))).plain


def test_a_report_reminds_of_knife_heat_ladder_spray_and_lime(tmp_path):
    said = _said(write(tmp_path / "trial"))
    for caution in cautions.ALL:
        assert f"{caution.about}: {caution.text}." in said
    assert "soil test" in said
    assert said.splitlines()[-1].startswith("- The label, your local extension service")


def test_no_ladder_for_a_crop_that_is_not_reached_up_for(tmp_path):
    folder = write(tmp_path / "trial")
    toml = folder / "trial.toml"
    toml.write_text(toml.read_text().replace('reach = "200 cm"\n', ""))
    assert "Ladder" not in _said(folder)
    assert "Knife" in _said(folder)


def test_a_published_trial_has_nobody_to_remind():
    assert _said(shipped.trials()["oats-1935"]) == ""


def test_sheet_and_new_folder_say_the_same(tmp_path):
    start_trial(tmp_path / "new")
    text = " ".join((tmp_path / "new" / "README.txt").read_text().split())
    sheet = cautions.in_a_line(cautions.PICKING, "this sheet")
    for caution in cautions.PICKING:
        assert f"{caution.about}: {caution.text}." in sheet
        assert f"{caution.about}: {caution.text}." in text
    assert f"{cautions.LIME.about}: {cautions.LIME.text}." in text


@pytest.mark.parametrize("to_what", ["this sheet", "this report"])
def test_every_list_of_them_defers(to_what):
    assert "label" in cautions.deferring(to_what)
    assert "licensed" in cautions.deferring(to_what)
    assert cautions.deferring(to_what).endswith(f"{to_what}.")


def test_the_phone_page_takes_its_cautions_from_the_same_place(tmp_path):
    page = html.unescape(
        phone_page(read_records(write(tmp_path / "trial")), date(2026, 6, 1))
    )
    for caution in cautions.ON_THE_PHONE:
        assert caution.text in page
        assert f"<b>{caution.about}" in page
    assert "Ladder" not in page, "nobody climbs with a phone in the hand"
