"""A whole pick of 120 plants by touch, with the browser killed in the middle of it."""

from __future__ import annotations

import csv
import io
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from handset import DAY, bed, plant_bed, saved, sent_text, start_pick, walk

from trialkit.records import read_records
from trialkit.records.incoming.add import add_files

pytestmark = pytest.mark.browser

ROWS, COLUMNS = 6, 20
NOTES = ('two split, "hard"', "=SUM(A1)", "wet, lousy\nvine")


@dataclass(frozen=True)
class Done:
    """What the grower means to record on one plant."""

    count: int | None = None
    skipped: bool = False
    note: str = ""
    lost: str = ""


def intentions(seed: int) -> dict[str, Done]:
    """A seeded pick: counts by tap and by pad, zeros, not looked at, blanks, notes, losses."""
    rng = random.Random(seed)
    plan: dict[str, Done] = {}
    for plant in walk(ROWS, COLUMNS):
        kind = rng.choices(
            ["taps", "pad", "zero", "skip", "blank", "note", "lost"], [60, 12, 14, 5, 4, 3, 2]
        )[0]
        plan[plant] = {
            "taps": Done(count=rng.randint(1, 6)),
            "pad": Done(count=rng.randint(10, 64)),
            "zero": Done(count=0),
            "skip": Done(skipped=True),
            "blank": Done(),
            "note": Done(count=1, note=rng.choice(NOTES)),
            "lost": Done(lost="eaten by pests"),
        }[kind]
    return plan


class Thumb:
    """Taps by place on the glass, as a thumb does: a button that moved would be missed."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.places: dict[str, list[float]] = {}

    def tap(self, name: str) -> None:
        if name not in self.places:
            self.places[name] = self.page.evaluate(
                "id => { const b = document.getElementById(id).getBoundingClientRect();"
                " return [b.x + b.width / 2, b.y + b.height / 2]; }",
                name,
            )
        self.page.touchscreen.tap(*self.places[name])

    def record(self, done: Done) -> None:
        if done.count is not None and done.count > 9:
            self.tap("type")
            for digit in str(done.count):
                self.page.tap(f"#keys button:text-is('{digit}')")
            self.tap("pad-keep")
        elif done.count == 0:
            self.tap("zero")
        for _ in range(done.count if done.count is not None and done.count < 10 else 0):
            self.tap("plus")
        if done.skipped:
            self.tap("skip")
        if done.note:
            self.tap("to-note")
            self.page.fill("#note-text", done.note)
            self.tap("note-keep")
        if done.lost:
            self.tap("to-more")
            self.page.tap(f"[data-reason='{done.lost}']")


@pytest.mark.slow
def test_a_whole_pick_killed_in_the_middle_comes_out_as_it_was_meant(
    phone: Any, tmp_path: Path
) -> None:
    plan = intentions(seed=5)
    order = walk(ROWS, COLUMNS)
    kinds = [(one.count, one.skipped, bool(one.note), bool(one.lost)) for one in plan.values()]
    assert len(set(kinds)) > 20, "the seeded pick should hold every kind of record"
    one = phone(bed(ROWS, COLUMNS), mortal=True)
    page = one.switch_on()
    start_pick(page)
    thumb = Thumb(page)
    kills = {order[37]: "plant", order[81]: "plant"}
    for plant in order:
        assert page.inner_text("#plant-name") == plant
        thumb.record(plan[plant])
        if plant in kills:
            saved(page)
            one.kill()
            page = one.switch_on()
            page.tap(f"#resume button[data-date='{DAY}']")
            page.wait_for_selector("#plant:not([hidden])")
            assert page.inner_text("#plant-name") == plant
            thumb = Thumb(page)
        thumb.tap("next")
    page.wait_for_selector("#send:not([hidden])")
    text = sent_text(page)
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len({row["record_id"] for row in rows}) == len(rows)
    assert {row["date"] for row in rows} == {DAY}
    got: dict[str, dict[str, str]] = {plant: {} for plant in order}
    for row in rows:
        got[row["plant"]][row["kind"]] = row["value"] or row["note"]
    meant: dict[str, dict[str, str]] = {}
    for plant, done in plan.items():
        note = f"'{done.note}" if done.note.startswith("=") else done.note
        parts = {
            "count": None if done.count is None else str(done.count),
            "not-looked": "" if done.skipped else None,
            "note": note or None,
            "lost": done.lost or None,
        }
        meant[plant] = {kind: value for kind, value in parts.items() if value is not None}
    assert got == meant
    assert not one.faults
    counts, losses = brought_in(tmp_path, text)
    assert counts == {
        plant: float(done.count) for plant, done in plan.items() if done.count is not None
    }
    assert losses == {plant: done.lost for plant, done in plan.items() if done.lost}


def brought_in(folder: Path, text: str) -> tuple[dict[str, float], dict[str, str]]:
    """Counts and losses as the trial's records have them once the file has come in."""
    file = plant_bed(folder, ROWS, COLUMNS) / "sent.csv"
    file.write_bytes(text.encode("utf-8"))
    add_files(folder, [file])
    records = read_records(folder)
    picks = records.picks.dropna(subset=["count"])
    assert set(picks["date"]) == {pd.Timestamp(DAY)}
    assert not picks["plant"].duplicated().any()
    lost = records.plants.dropna(subset=["lost"])
    assert set(lost["lost"]) <= {pd.Timestamp(DAY)}
    return (
        dict(zip(picks["plant"], picks["count"], strict=True)),
        dict(zip(lost["plant"], lost["lost_reason"], strict=True)),
    )
