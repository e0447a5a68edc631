"""Every fault of a line is told at once, whichever file it stands in."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files, settle
from trialkit.trial import TrialProblems, parse_trial

EXPORT = "record_id,recorded_at,date,plant,kind,value,unit,note,device\n"


def columns(problems) -> list[tuple[int, str]]:
    return sorted((int(p.line), p.column) for p in problems.itertuples())


def refused(folder: Path, name: str, text: str) -> list[tuple[int, str]]:
    file = folder.parent / name
    file.write_text(text)
    with pytest.raises(RecordsError) as caught:
        add_files(folder, [file])
    return columns(caught.value.problems)


def test_a_phones_export(make) -> None:
    rows = ",,soon,Z9,height,tall,kg,,A\n,,,,tally,x,,,A\n"
    assert refused(make(), "sent.csv", EXPORT + rows) == [
        (2, "date"), (2, "plant"), (2, "record_id"), (2, "unit"), (2, "value"),
        (3, "date"), (3, "kind"), (3, "record_id"),
    ]  # fmt: skip


def test_a_spreadsheet(make) -> None:
    text = "date,plant,count,height\nsoon,Z9,many,tall\n2026-01-01,,2.5,\n"
    assert refused(make(), "sheet.csv", text) == [
        (2, "count"), (2, "date"), (2, "height"), (2, "plant"), (3, "count"), (3, "plant"),
    ]  # fmt: skip


def test_plants_down_and_dates_across_tells_a_wrong_plant_once(make) -> None:
    text = "plant,2026-07-01,2026-07-04\nZ9,3,many\n"
    assert refused(make(), "sheet.csv", text) == [(2, "2026-07-04"), (2, "plant")]


def test_the_tables_and_the_description(make) -> None:
    folder = make(
        trial='title = ""\nplanted = "soon"\ncrop = "bean"\n[[varieties]]\nname = "Ambrel"\n'
        '[[varieties]]\nname = "Costry"\n',
        picks="date,plant,count,weight\nsoon,Z9,many,-5\n",
    )
    with pytest.raises(RecordsError) as caught:
        read_records(folder)
    assert columns(caught.value.problems) == [
        (1, "title"), (2, "count"), (2, "date"), (2, "plant"), (2, "planted"), (2, "weight"),
    ]  # fmt: skip


def test_the_log(make) -> None:
    folder = make(log="entry,batch,entered_at,source,record_id,recorded_at,date,plant,kind,value,"
                  "unit,note,device\none,two,,A,a1,,soon,A1,count,x,,,A\n")  # fmt: skip
    with pytest.raises(RecordsError) as caught:
        read_records(folder)
    assert columns(caught.value.problems) == [
        (2, "batch"), (2, "date"), (2, "entry"), (2, "value"),
    ]  # fmt: skip


def test_lines_that_are_not_toml_and_the_values_of_the_others() -> None:
    text = ('title = Be"ans\ncrop = "bean"\nplanted = "soon"\nlooks = [many\n[units]\n'
            'height = "parsecs"\n')  # fmt: skip
    with pytest.raises(TrialProblems) as caught:
        parse_trial(text)
    assert columns(caught.value.problems) == [
        (1, ""), (3, "planted"), (4, ""), (6, "units.height"),
    ]  # fmt: skip


@pytest.mark.parametrize("text", ['title = "open\n', "[layout\nrows = 2\n", 'a = """\nb\n'])
def test_what_follows_a_line_that_swallows_others_is_not_judged(text) -> None:
    with pytest.raises(TrialProblems) as caught:
        parse_trial(text + 'crop = "bean"\n')
    assert len(caught.value.problems) == 1


def test_a_second_check_that_is_named_twice() -> None:
    text = ('title = "t"\ncrop = "bean"\nplanted = 2026-05-20\n[[varieties]]\nname = "A"\n'
            'check = true\n[[varieties]]\nname = "a"\ncheck = true\n')  # fmt: skip
    with pytest.raises(TrialProblems) as caught:
        parse_trial(text)
    assert columns(caught.value.problems) == [(8, "varieties.name"), (9, "varieties.check")]


def test_what_settles(make) -> None:
    with pytest.raises(RecordsError) as caught:
        settle(make(), date(2026, 1, 1), "Z9", "count", "many")
    assert sorted(caught.value.problems["column"]) == ["count", "date", "plant"]
