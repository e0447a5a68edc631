"""Spreadsheets as people lay them out: read as they were meant, or refused with a useful word.

A layout read as something it does not say is the one thing that must never happen.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from layouts import DESCRIPTION, LAYOUTS, Layout, Records, plants_csv

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files, look_over


def trial(place: Path) -> Path:
    folder = place / "trial"
    folder.mkdir()
    (folder / "trial.toml").write_text(DESCRIPTION)
    (folder / "plants.csv").write_text(plants_csv())
    return folder


def brought_in(folder: Path) -> Records:
    records = read_records(folder)
    out: Records = {}
    for frame, column, kind in (
        (records.picks, "count", "count"), (records.picks, "weight_g", "weight"),
        (records.heights, "height_cm", "height"),
    ):
        held = frame.dropna(subset=[column])
        for day, plant, value in held[["date", "plant", column]].itertuples(index=False):
            out[day.date(), plant, kind] = float(value)
    return out


def outcome(one: Layout, place: Path) -> tuple[str, str]:
    """right, refused with a useful word, refused with another, or wrong; and what was said.

    On the way: looking over writes nothing and tells what comes in, and the same file a second
    time adds nothing."""
    folder = trial(place)
    file = place / one.file
    file.write_bytes(one.content)
    try:
        seen = look_over(folder, [file])
        assert not (folder / "log.csv").exists(), "looking over writes nothing"
        add_files(folder, seen.files)
    except RecordsError as error:
        assert not (folder / "log.csv").exists()
        useful = one.records is None and one.word in str(error)
        return "refused" if useful else "refused otherwise", str(error)
    got = brought_in(folder)
    if one.records is None:
        return "wrong", f"read, though it cannot be: {len(got)} records"
    same = got.keys() == one.records.keys() and all(
        got[key] == pytest.approx(value, abs=0.02) for key, value in one.records.items()
    )
    told = sum(n for made in seen.made for kind, n in made.kinds.items() if kind != "note")
    assert told == len(one.records), "looking over tells what comes in"
    assert add_files(folder, [file]).added == 0, "a second time adds nothing"
    missing = sorted(map(str, one.records.keys() - got.keys()))[:3]
    return ("right" if same else "wrong"), f"{len(got)} of {len(one.records)}; missing {missing}"


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_layout(name: str, tmp_path: Path) -> None:
    one = LAYOUTS[name]()
    what, said = outcome(one, tmp_path)
    assert what == ("right" if one.records is not None else "refused"), said


def test_there_are_enough_of_them() -> None:
    ugly = Counter(make().ugly for make in LAYOUTS.values())
    assert len(LAYOUTS) >= 60
    assert ugly[True] >= len(LAYOUTS) / 2
