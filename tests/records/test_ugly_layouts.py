"""Further layouts of spreadsheets, with columns of one's own traits: none is read wrong."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files, look_over

OWN = """
[units]
height = "cm"
weight = "g"
[[traits]]
name = "mildew"
kind = "score"
scale = ["none", "some", "much"]
[[traits]]
name = "split"
kind = "share"
of = "looked at"
[[traits]]
name = "first bloom"
kind = "day"
[[traits]]
name = "flower width"
kind = "measure"
unit = "mm"
"""
# Sheet; what it says: day, plant, what, value.  None: it cannot be told, and is refused.
LAYOUTS: list[tuple[str, list[tuple[str, str, str, object]] | None]] = [
    ('date,plant,pods,mildew\n'
     '2026-07-01,A1,4,none\n'
     '2026-07-01,C1,5,much\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-01', 'A1', 'mildew', 'none'),
      ('2026-07-01', 'C1', 'mildew', 'much')]),
    ('When,Who,Pods\n'
     '2026-07-01,A1,4\n'
     '2026-07-01,C1,5\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5)]),
    ('plant|date|count\n'
     'A1|2026-07-01|4\n'
     'C1|2026-07-01|5\n',
     None),
    ('plant\tdate\tcount\n'
     'A1\t2026-07-01\t4\n'
     'C1\t2026-07-01\t5\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5)]),
    ('Plant,Wed 1 July 2026,Sun 5 July 2026\n'
     'A1,4,6\n'
     'C1,5,0\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-05', 'A1', 'count', 6),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-05', 'C1', 'count', 0)]),
    ('Plant,Jul 1,Jul 5\n'
     'A1,4,6\n'
     'C1,5,\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-05', 'A1', 'count', 6),
      ('2026-07-01', 'C1', 'count', 5)]),
    ('Plant,1st July,5th July,Average\n'
     'A1,4,6,5\n'
     'C1,5,7,6\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-05', 'A1', 'count', 6),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-05', 'C1', 'count', 7)]),
    ('date,A1,A2,C1,C2,Sum\n'
     '2026-07-01,4,3,5,2,14\n'
     '2026-07-05,6,1,0,2,9\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'A2', 'count', 3),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-01', 'C2', 'count', 2),
      ('2026-07-05', 'A1', 'count', 6),
      ('2026-07-05', 'A2', 'count', 1),
      ('2026-07-05', 'C1', 'count', 0),
      ('2026-07-05', 'C2', 'count', 2)]),
    ('Ambrel,,,\n'
     'plant,date,count,\n'
     'A1,2026-07-01,4,\n'
     'A2,2026-07-01,3,\n'
     ',,,\n'
     'Costry,,,\n'
     'plant,date,count,\n'
     'C1,2026-07-01,5,\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'A2', 'count', 3),
      ('2026-07-01', 'C1', 'count', 5)]),
    ('date,plant,pods,g\n'
     '2026-07-01,A1,4,120\n'
     '2026-07-01,C1,5,90\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-01', 'A1', 'weight', 120),
      ('2026-07-01', 'C1', 'weight', 90)]),
    ('date,plant,weight in oz\n'
     '2026-07-01,A1,4\n',
     [('2026-07-01', 'A1', 'weight', 113.398)]),
    ('date,plant,Weight [kg]\n'
     '2026-07-01,A1,0.12\n',
     [('2026-07-01', 'A1', 'weight', 120)]),
    ('date;plant;weight\n'
     '2026-07-01;A1;120,5\n'
     '2026-07-01;C1;90\n',
     [('2026-07-01', 'A1', 'weight', 120.5),
      ('2026-07-01', 'C1', 'weight', 90)]),
    ('date,plant,height\n'
     '2026-07-01,A1,1.20 m\n'
     '2026-07-01,C1,4 ft 2\n',
     [('2026-07-01', 'A1', 'height', 120),
      ('2026-07-01', 'C1', 'height', 127)]),
    ('date,plant,height ft,height in\n'
     '2026-07-01,A1,4,2\n',
     None),
    ('date,plant,count\n'
     '2026-07-01,A1,4\n'
     ',C1,5\n'
     ',A2,3\n'
     '2026-07-05,A1,6\n'
     ',C1,0\n'
     ',A2,2\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-01', 'A2', 'count', 3),
      ('2026-07-05', 'A1', 'count', 6),
      ('2026-07-05', 'C1', 'count', 0),
      ('2026-07-05', 'A2', 'count', 2)]),
    ('date,plant,count\n'
     '2026-07-01,a-1,4\n'
     '2026-07-01,c 1,5\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5)]),
    ('date,plant,count\n'
     '2026-07-01,A1,4 pods\n'
     '2026-07-01,C1,none\n',
     None),
    ('date,plant,count\n'
     '2026-07-01,A1,3+1\n',
     None),
    ('date,plant,count\n'
     '2026-07-01,A1,~4\n',
     None),
    ('date,plant,count\n'
     '2026-07-01,A1,4\n'
     '2026-07-01,A1,5\n',
     None),
    ('date,variety,count\n'
     '2026-07-01,Ambrel,9\n'
     '2026-07-01,Costry,8\n',
     None),
    ('date,plot,count\n'
     '2026-07-01,1A,9\n'
     '2026-07-01,2A,8\n',
     [('2026-07-01', 'A1', 'count', 9),
      ('2026-07-01', 'C2', 'count', 8)]),
    ('Block,Variety,Pods 1/7/26\n'
     '1,Ambrel,4\n'
     '2,Ambrel,3\n'
     '1,Costry,5\n'
     '2,Costry,2\n',
     None),
    ('Block,Variety,2026-07-01\n'
     '1,Ambrel,4\n'
     '2,Ambrel,3\n'
     '1,Costry,5\n'
     '2,Costry,2\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'A2', 'count', 3),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-01', 'C2', 'count', 2)]),
    ('Picked 2026-07-01,,\n'
     'plant,pods,mildew\n'
     'A1,4,some\n'
     'C1,5,none\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 5),
      ('2026-07-01', 'A1', 'mildew', 'some'),
      ('2026-07-01', 'C1', 'mildew', 'none')]),
    ('date,plant,mildew (none-much),remarks\n'
     '2026-07-01,A1,some,wind\n',
     [('2026-07-01', 'A1', 'mildew', 'some')]),
    ('date,plant,mildew score\n'
     '2026-07-01,A1,2\n',
     [('2026-07-01', 'A1', 'mildew', 'some')]),
    ('date,plant,MILDEW\n'
     '2026-07-01,A1,2\n'
     '2026-07-01,C1,4\n',
     None),
    ('date,plant,split,looked at\n'
     '2026-07-01,A1,3,20\n'
     '2026-07-01,C1,0,20\n',
     [('2026-07-01', 'A1', 'split', '3/20'),
      ('2026-07-01', 'C1', 'split', '0/20')]),
    ('date,plant,looked at,split\n'
     '2026-07-01,A1,20,3\n',
     [('2026-07-01', 'A1', 'split', '3/20')]),
    ('date,plant,split %\n'
     '2026-07-01,A1,15\n',
     [('2026-07-01', 'A1', 'split', '15 %')]),
    ('plant,variety,first bloom,mildew 2026-07-01\n'
     'A1,Ambrel,2026-06-20,some\n'
     'C1,Costry,2026-06-25,none\n',
     [('2026-06-20', 'A1', 'first bloom', 'yes'),
      ('2026-06-25', 'C1', 'first bloom', 'yes'),
      ('2026-07-01', 'A1', 'mildew', 'some'),
      ('2026-07-01', 'C1', 'mildew', 'none')]),
    ('date,plant,first bloom\n'
     '2026-07-01,A1,yes\n'
     '2026-07-01,C1,no\n',
     [('2026-07-01', 'A1', 'first bloom', 'yes'),
      ('2026-07-01', 'C1', 'first bloom', 'no')]),
    ('plant,first bloom\n'
     'A1,not yet\n'
     'C1,2026-06-25\n',
     None),
    ('date,plant,flower width mm\n'
     '2026-07-01,A1,34.5\n',
     [('2026-07-01', 'A1', 'flower width', '34.5')]),
    ('date,plant,flower width\n'
     '2026-07-01,A1,34 mm\n'
     '2026-07-01,C1,3.4 cm\n',
     None),
    ('date,plant,what,value\n'
     '2026-07-01,A1,mildew,some\n'
     '2026-07-01,A1,pods,4\n'
     '2026-07-01,A1,height,120\n',
     [('2026-07-01', 'A1', 'mildew', 'some'),
      ('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'A1', 'height', 120)]),
    (',2026-07-01,2026-07-05\n'
     ',mildew,mildew\n'
     'A1,none,some\n'
     'C1,some,much\n',
     [('2026-07-01', 'A1', 'mildew', 'none'),
      ('2026-07-05', 'A1', 'mildew', 'some'),
      ('2026-07-01', 'C1', 'mildew', 'some'),
      ('2026-07-05', 'C1', 'mildew', 'much')]),
    ('mildew,A1,A2,C1,C2\n'
     '2026-07-01,none,some,much,none\n'
     '2026-07-05,some,some,much,\n',
     None),
    ('Bean trial 2026,,,\n'
     'Notes: dry week,,,\n'
     ',,,\n'
     'date,plant,count,\n'
     '2026-07-01,A1,4,\n'
     'Total,,4,\n',
     [('2026-07-01', 'A1', 'count', 4)]),
    ('date,plant,count,count\n'
     '2026-07-01,A1,4,5\n',
     None),
    ('plant,2026-07-01,2026-07-05\n'
     'A1,4,x\n'
     'C1,-,5\n',
     None),
    ('date,plant,count,lost\n'
     '2026-07-01,A1,4,\n'
     '2026-07-01,C1,0,yes\n',
     [('2026-07-01', 'A1', 'count', 4),
      ('2026-07-01', 'C1', 'count', 0)]),
]


def _said(folder: Path) -> list[tuple[str, str, str, object]]:
    read = read_records(folder)
    parts = [read.picks.assign(what="count", value=read.picks["count"]),
             read.picks.assign(what="weight", value=read.picks["weight_g"].round(3)),
             read.heights.assign(what="height", value=read.heights["height_cm"].round(3)),
             read.traits.rename(columns={"trait": "what"})]
    return [(str(row.date.date()), row.plant, row.what, row.value) for part in parts
            for row in part.itertuples() if not pd.isna(row.value)]


@pytest.mark.parametrize(("sheet", "says"), LAYOUTS)
def test_a_layout_is_read_right_or_refused(make, tmp_path: Path, sheet, says) -> None:
    folder = make(own=OWN)
    path = tmp_path / "sheet.csv"
    path.write_text(sheet)
    if says is None:
        with pytest.raises(RecordsError) as told:
            add_files(folder, [path])
        assert told.value.problems["accepted"].str.len().gt(0).all()
        return
    add_files(folder, [path])
    assert sorted(_said(folder), key=str) == sorted(says, key=str)


def test_most_layouts_are_read() -> None:
    # 30 of 44; of the 14 refused eleven say nothing that could be told.
    assert sum(says is not None for _, says in LAYOUTS) == 30
    assert len(LAYOUTS) == 44


def test_counts_that_never_fall_are_asked_about(make, tmp_path: Path) -> None:
    sheet = tmp_path / "counts.csv"
    head = "plant,2026-07-01,2026-07-04,2026-07-08,2026-07-12\n"
    sheet.write_text(head + "A1,1,3,3,8\nC1,0,2,5,6\n")
    assert any("running totals?" in d for d in look_over(make(), [sheet]).doubts["doubt"])
    sheet.write_text(head + "A1,1,3,3,8\nC1,0,2,5,4\n")
    assert not any("running totals?" in d for d in look_over(make(), [sheet]).doubts["doubt"])
