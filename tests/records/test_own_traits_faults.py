"""What can be wrong with traits.csv and with columns of one's own: all at once, alike in one line,
and whatever bytes stand there nothing is lost and nothing raises but a list of problems."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

from trialkit.records import RecordsError, read_records
from trialkit.records.incoming.add import add_files
from trialkit.trial import TrialProblems

T = TypeVar("T")
TRAITS = """
[[traits]]
name = "mildew"
kind = "score"
from = 1
to = 5
[[traits]]
name = "split"
kind = "share"
of = "looked at"
[[traits]]
name = "first bloom"
kind = "day"
"""
WHOLE = ("date,plant,plot,trait,value\n2026-07-01,A1,,mildew,3\n2026-07-01,,1B,split,3/20\n"
         "2026-07-02,C1,,first bloom,yes\n")
SHEET = "date,plant,count,mildew,split,looked at\n2026-07-01,A1,4,3,3,20\n2026-07-01,C1,2,5,,\n"


def test_two_hundred_and_fifty_seven_alike_are_one_line(make, tmp_path: Path) -> None:
    folder = make(own=TRAITS)
    days = [f"2026-{6 + n // 28:02d}-{1 + n % 28:02d}" for n in range(129)]
    rows = [f"{day},{plant},9" for day in days for plant in ("A1", "C1")][:257]
    sheet = tmp_path / "seen.csv"
    sheet.write_text("date,plant,mildew\n" + "\n".join(rows) + "\n")
    with pytest.raises(RecordsError) as told:
        add_files(folder, [sheet])
    heading, _, line = str(told.value).splitlines()
    assert heading.startswith("257 problems")
    assert line.count("and 254 more") == 1
    assert "from 1 to 5" in line
    # A table of one's own lists two hundred and counts the rest.
    own = "date,plant,trait,value\n" + "".join(
        row.replace(",9", ",mildew,9") + "\n" for row in rows)
    with pytest.raises(RecordsError) as told:
        read_records(make(own=TRAITS, traits=own))
    _, _, line, rest = str(told.value).splitlines()
    assert "197 more" in line
    assert "57 more lines" in rest


@pytest.mark.parametrize(("line", "columns"), [
    ("2026-07-01,Z9,,mildew,9", {"plant", "value"}),
    ("2026-13-01,A1,,mildw,3", {"date", "trait"}),
    ("2026-07-01,,,mildew,3", {"plant"}),
    ("2026-07-01,A1,1B,mildew,3", {"plot"}),
    ("2026-07-01,,9Z,split,30/20", {"plot", "value"}),
    ("2027-07-01,A1,,split,3", {"value"}),
    ("2026-07-01,A1,,first bloom,NA", {"value"}),
    (",A1,,mildew,3", {"date"}),
])
def test_all_that_is_wrong_with_a_line_is_told_at_once(make, wrong, line, columns) -> None:
    found = wrong(own=TRAITS, traits=WHOLE + line + "\n")
    assert set(found["column"]) == columns
    assert set(found["line"]) == {5}
    assert set(found["file"]) == {"traits.csv"}
    assert found["accepted"].str.len().gt(0).all()


@pytest.mark.parametrize("seed", range(10))
def test_spoilt_bytes_are_read_or_refused_and_never_changed(make, tmp_path: Path, seed) -> None:
    rng = random.Random(seed)

    def spoilt(text: str) -> bytes:
        whole = bytearray(text.encode())
        for _ in range(rng.randrange(1, 6)):
            at = rng.randrange(len(whole))
            kind = rng.randrange(3)
            if kind == 0:
                whole[at] = rng.randrange(256)
            elif kind == 1:
                del whole[at: at + rng.randrange(1, 8)]
            else:
                whole[at:at] = rng.choice(
                    [b",", b"\n", b'"', b"\x00", b"\xff\xfe", b"=", b"9" * 70])
            if not whole:
                whole = bytearray(b",")
        return bytes(whole)

    own = spoilt(WHOLE)
    folder = make(own=TRAITS, traits=own)
    _sound_or_told(lambda: read_records(folder))
    assert (folder / "traits.csv").read_bytes() == own
    (folder / "traits.csv").unlink()
    sheet = tmp_path / "seen.csv"
    content = spoilt(SHEET)
    sheet.write_bytes(content)
    report = _sound_or_told(lambda: add_files(folder, [sheet]))
    assert sheet.read_bytes() == content
    if report is None:
        assert not (folder / "log.csv").exists()
    else:
        read_records(folder)  # what came in can be read again, whatever it was


def _sound_or_told(work: Callable[[], T]) -> T | None:
    """What it gives; None where it raised a list of problems, each in words."""
    try:
        return work()
    except (RecordsError, TrialProblems) as error:
        problems = error.problems
    assert len(problems)
    assert problems["problem"].str.len().gt(0).all()
    return None


def test_a_decimal_comma_of_the_file_holds_for_own_traits_too(make) -> None:
    head = "date;plant;trait;value\n2026-07-01;A1;split;12,5 %\n2026-07-01;C1;split;"
    assert read_records(make(own=TRAITS, traits=head + "1,125 %\n")).traits["value"].tolist() == [
        "12.5 %", "1.125 %"]
    with pytest.raises(RecordsError, match="It may mean 1.125 or 1125"):
        read_records(make(own=TRAITS, traits=head + "1.125 %\n"))


def test_a_score_is_never_called_a_count(make, wrong) -> None:
    lines = "date,plant,trait,value\n2026-07-01,A1,mildew,none\n2026-07-01,C1,mildew,2.5\n"
    found = wrong(own=TRAITS, traits=lines)
    assert found["problem"].tolist() == ["It is not on the scale."] * 2


def test_a_line_without_a_value_says_that_a_day_has_come_in_either_way(make, tmp_path) -> None:
    lines = "date,plant,trait,value\n2026-07-02,C1,first bloom,\n"
    assert read_records(make(own=TRAITS, traits=lines)).traits["trait"].tolist() == ["first bloom"]
    folder = make(own=TRAITS, traits="date,plant,trait,value\n")
    sheet = tmp_path / "seen.csv"
    sheet.write_text(lines)
    assert add_files(folder, [sheet]).added == 1
    assert read_records(folder).traits["value"].tolist() == ["yes"]


def test_a_cut_or_a_flip_in_the_logs_baskets_and_own_traits_is_noticed(make, tmp_path) -> None:
    folder = make(own=TRAITS)
    sheet = tmp_path / "seen.csv"
    sheet.write_text("date,plot,count,mildew\n2026-07-01,1A,31,4\n")
    assert add_files(folder, [sheet]).added == 2
    log = folder / "log.csv"
    content = log.read_bytes()
    assert read_records(folder).traits["value"].tolist() == ["4"]
    start = content.index(b"\n") + 1
    spoilt = [content[:end] for end in range(start + 1, len(content) - 1, 11)
              if content[end - 1: end] != b"\n"]
    spoilt += [content[:at] + bytes([content[at] ^ 1]) + content[at + 1:]
               for at in range(start, len(content) - 1, 7) if content[at: at + 1].isalnum()]
    for bad in spoilt:
        log.write_bytes(bad)
        with pytest.raises(RecordsError):
            read_records(folder)
    assert len(spoilt) > 40


@pytest.mark.parametrize("scale", ["scale = [1, 5]", ""])
def test_a_scale_that_cannot_be_read_is_one_problem_and_no_score_is_judged_by_it(make, scale):
    folder = make(own=f'[[traits]]\nname = "Mildew"\nkind = "score"\n{scale}\n', traits=(
        "date,plant,trait,value\n2026-07-01,A1,Mildew,4\n2026-07-02,A1,Mildew,5\n"))
    with pytest.raises((RecordsError, TrialProblems)) as caught:
        read_records(folder)
    assert len(caught.value.problems) == 1
