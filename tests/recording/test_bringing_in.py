"""From the phone into the trial's records: what was tapped is what is read, however it comes in."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from handset import DAY, Phone, go_home, plant_bed, sent_text, start_pick, type_number

from trialkit.records import read_records
from trialkit.records.incoming.add import add_files

pytestmark = pytest.mark.browser


def bring_in(folder: Path, text: str, name: str = "sent.csv") -> Any:
    file = folder / name
    file.write_bytes(text.encode("utf-8"))
    return add_files(folder, [file])


def picked(folder: Path) -> dict[str, float]:
    picks = read_records(folder).picks
    assert set(picks["date"]) <= {pd.Timestamp(DAY)}
    return dict(zip(picks["plant"], picks["count"], strict=True))


@pytest.fixture
def bed_and_phone(phone: Any, tmp_path: Path) -> tuple[Path, Phone]:
    folder = plant_bed(tmp_path, 2, 4, height="in", weight="oz")
    return folder, phone(read_records(folder))


def test_counts_zeros_weights_heights_and_notes_are_read_as_they_were_tapped(
    bed_and_phone: tuple[Path, Phone],
) -> None:
    folder, one = bed_and_phone
    page = one.switch_on()
    start_pick(page, asks=("count", "weight", "height"))
    page.tap("#plus")
    page.tap("#show-weight")
    type_number(page, "12.5", "#measure")
    page.tap("#show-height")
    type_number(page, "5'6", "#measure")
    page.tap("#next")
    page.tap("#zero")
    page.tap("#show-height")
    type_number(page, "70.5", "#measure")
    page.tap("#to-note")
    page.fill("#note-text", '=cmd() "two",\nsplit')
    page.tap("#note-keep")
    page.tap("#next")
    page.tap("#skip")
    text = sent_text(page)
    bring_in(folder, text)
    records = read_records(folder)
    picks = records.picks.set_index("plant")
    assert picks["count"].dropna().to_dict() == {"P001": 1.0, "P002": 0.0}
    assert "P003" not in picks.index or pd.isna(picks.loc["P003", "count"])
    # 1 oz = 28.349523125 g and 1 in = 2.54 cm (international yard and pound agreement, 1959)
    assert picks.loc["P001", "weight_g"] == pytest.approx(12.5 * 28.349523125)
    heights = records.heights.set_index("plant")["height_cm"]
    assert heights["P001"] == pytest.approx(66 * 2.54)
    assert heights["P002"] == pytest.approx(70.5 * 2.54)
    (note,) = records.events.itertuples()
    assert (note.plant, note.event, note.note) == ("P002", "note", '=cmd() "two",\nsplit')


def test_the_same_file_twice_the_copied_text_and_a_later_file_add_only_what_is_new(
    bed_and_phone: tuple[Path, Phone],
) -> None:
    folder, one = bed_and_phone
    page = one.switch_on()
    start_pick(page)
    page.tap("#plus")
    page.tap("#next")
    type_number(page, "30")
    first = sent_text(page)
    assert bring_in(folder, first).added == 2
    assert bring_in(folder, first, "again.csv").added == 0
    assert bring_in(folder, first.replace("\r\n", "\n"), "copied.csv").added == 0
    page.tap("#send-back")
    page.tap("#undo")
    type_number(page, "3")
    page.tap("#next")
    page.tap("#zero")
    later = sent_text(page)
    report = bring_in(folder, later, "later.csv")
    assert report.added == 3, "an undo, the new count, and the zero"
    assert picked(folder) == {"P001": 1.0, "P002": 3.0, "P003": 0.0}
    assert bring_in(folder, first, "late.csv").added == 0
    assert picked(folder) == {"P001": 1.0, "P002": 3.0, "P003": 0.0}
    assert report.conflicts.empty


def test_the_later_file_alone_gives_the_same_as_both(bed_and_phone: tuple[Path, Phone]) -> None:
    folder, one = bed_and_phone
    page = one.switch_on()
    start_pick(page)
    page.tap("#zero")
    sent_text(page)
    page.tap("#send-back")
    page.tap("#undo")
    page.tap("#next")
    page.tap("#plus")
    bring_in(folder, sent_text(page))
    assert picked(folder) == {"P002": 1.0}


def test_two_phones_on_one_bed_are_merged_and_a_difference_is_shown(
    phone: Any, tmp_path: Path
) -> None:
    folder = plant_bed(tmp_path, 2, 4)
    texts = []
    for taps in (("plus", "next", "zero"), ("plus", "plus", "next", "next", "zero")):
        page = phone(read_records(folder)).switch_on()
        start_pick(page)
        for name in taps:
            page.tap(f"#{name}")
        texts.append(sent_text(page))
        go_home(page)
    bring_in(folder, texts[0], "one.csv")
    report = bring_in(folder, texts[1], "other.csv")
    (clash,) = report.conflicts.itertuples()
    assert (clash.plant, clash.trait, {clash.left, clash.right}) == ("P001", "count", {"1", "2"})
    counts = picked(folder)
    assert pd.isna(counts.pop("P001"))
    assert counts == {"P002": 0.0, "P003": 0.0}


def test_losses_and_topping_reach_the_records(bed_and_phone: tuple[Path, Phone]) -> None:
    folder, one = bed_and_phone
    page = one.switch_on()
    start_pick(page)
    page.tap("#to-more")
    page.tap("[data-reason='pulled out']")
    page.tap("#next")
    page.tap("#to-more")
    page.tap("#more-topped")
    bring_in(folder, sent_text(page))
    records = read_records(folder)
    lost = records.plants.set_index("plant").loc["P001"]
    assert (lost["lost"], lost["lost_reason"]) == (pd.Timestamp(DAY), "pulled out")
    (topped,) = records.events[records.events["event"] == "topped"].itertuples()
    assert (topped.plant, topped.date) == ("P002", pd.Timestamp(DAY))
