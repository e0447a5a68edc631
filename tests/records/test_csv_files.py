"""CSV as spreadsheets and people write it; RFC 4180 for quotes."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from trialkit.records import csvfile, read_records

PLAIN = "date,plant,count,weight\n2026-07-01,A1,3,12.5\n2026-07-01,C1,0,\n2026-07-04,A1,,\n"


def picks_of(folder) -> list[tuple]:
    picks = read_records(folder).picks[["date", "plant", "count", "weight_g"]]
    return [
        (day.date(), plant, None if np.isnan(count) else count, None if np.isnan(grams) else grams)
        for day, plant, count, grams in picks.itertuples(index=False, name=None)
    ]


EXPECTED = [
    (date(2026, 7, 1), "A1", 3, 12.5),
    (date(2026, 7, 1), "C1", 0, None),
    (date(2026, 7, 4), "A1", None, None),
]


@pytest.mark.parametrize("content", [
    PLAIN,
    PLAIN.rstrip("\n"),
    PLAIN.replace("\n", "\r\n"),
    PLAIN.replace("\n", "\r"),
    "\ufeff" + PLAIN,
    ("\ufeff" + PLAIN).encode("utf-16-le"),
    PLAIN.encode("utf-16"),
    PLAIN + "\n\n",
    "\n\n" + PLAIN,
    PLAIN.replace(",", "\t"),
    PLAIN.replace(",", ";"),
    PLAIN.replace(",", ";").replace("12.5", "12,5"),
    "sep=;\n" + PLAIN.replace(",", ";"),
    PLAIN.replace("12.5", '"12,5"'),
    PLAIN.replace("A1", '"A1"'),
    PLAIN.replace("2026-07-01,C1,0,\n", "2026-07-01,C1,0\n"),  # a cell short
    PLAIN.replace("\n", ",\n"),  # a comma too many on every line
    PLAIN.replace("2026-07-01,C1,0,\n", ",,,\n\n2026-07-01,C1,0,\n"),
    PLAIN.replace("2026-07-01,C1,0,\n", "2026-07-01 , C1 , 0 ,\n"),
    PLAIN.replace("date,plant,count,weight", " Date ,PLANT, Pods ,Weight (g)"),
    PLAIN.replace("2026-07-04,A1,,", "2026-07-04,A1,NA,-"),
    PLAIN.replace("2026-07-04,A1,,", "2026-07-04,A1,n/a,–"),
    PLAIN.replace("2026-07-04", "4 July 2026"),
    PLAIN.replace("12.5", "12.5 g").replace(",3,", ",3.0,"),
    PLAIN.replace("weight", "weight_kg").replace("12.5", "0.0125"),
    PLAIN.replace("2026-07-01", "20260701"),
])  # fmt: skip
def test_one_table_written_in_many_ways(make, content) -> None:
    assert picks_of(make(picks=content)) == EXPECTED


def test_columns_have_one_type_whatever_the_file_holds(make) -> None:
    """The same frame comes from the way for plain files and the way for all others."""
    plain = read_records(make(picks=PLAIN)).picks
    other = read_records(make(picks=PLAIN.replace("A1", '"A1"'))).picks
    none = read_records(make(picks=PLAIN.splitlines()[0] + "\n")).picks
    absent = read_records(make(picks=None)).picks
    for frame in (other, none, absent):
        assert frame.dtypes.to_dict() == plain.dtypes.to_dict()
    assert str(plain["date"].dtype) == "datetime64[ns]"
    assert plain["count"].dtype == plain["weight_g"].dtype == np.float64
    pd.testing.assert_frame_equal(plain, other)


def test_decimal_commas_of_a_file_with_semicolons(make) -> None:
    content = "date;plant;count;weight (kg)\n2026-07-01;A1;3;1,234\n2026-07-02;A1;2;0,5\n"
    assert read_records(make(picks=content)).picks["weight_g"].tolist() == [1234.0, 500.0]


def test_a_point_among_decimal_commas_is_refused(wrong) -> None:
    content = "date;plant;count;weight (kg)\n2026-07-01;A1;3;1.234\n2026-07-02;A1;2;0,5\n"
    found = wrong(picks=content)
    assert found[["line", "column", "value"]].values.tolist() == [[2, "weight (kg)", "1.234"]]
    assert "1.234 or 1234" in found["problem"].iloc[0]


def test_semicolons_with_decimal_points(make) -> None:
    content = "date;plant;count;weight (kg)\n2026-07-01;A1;3;1.234\n2026-07-01;C1;3;0.5\n"
    assert read_records(make(picks=content)).picks["weight_g"].tolist() == [1234.0, 500.0]


@pytest.mark.parametrize("separator", [";", "\t"])
def test_thousands_that_the_file_does_not_settle_are_refused(wrong, separator) -> None:
    """950, 1.250 and 1.100 g: with nothing else in the file, a point may mark thousands."""
    content = "date;plant;count;weight\n2026-07-01;A1;3;950\n2026-07-01;C1;3;1.250\n"
    found = wrong(picks=content.replace(";", separator))
    assert found["value"].tolist() == ["1.250"]
    assert found["problem"].tolist() == ["It may mean 1.250 or 1250."]


@pytest.mark.parametrize(("cell", "grams"), [("1.250", 1250.0), ("1,250", 1.25)])
def test_other_numbers_of_the_file_settle_what_a_point_means(wrong, make, cell, grams) -> None:
    content = f"date;plant;count;weight\n2026-07-01;A1;3;0,5\n2026-07-01;C1;3;{cell}\n"
    if grams == 1.25:
        assert read_records(make(picks=content)).picks["weight_g"].tolist() == [0.5, 1.25]
    else:  # the commas are decimal, but a number with a point alone is no proof of thousands
        assert "may mean" in wrong(picks=content)["problem"].iloc[0]


@pytest.mark.parametrize(("separator", "cell"), [
    (",", "12.000"), (";", "12.000"), (";", "1,000"), (",", '"1,000"'), ("\t", "12.345"),
    (";", "1.234"),
])  # fmt: skip
def test_a_count_never_has_decimals(wrong, separator, cell) -> None:
    rows = ["date", "plant", "count"], ["2026-07-01", "A1", cell], ["2026-07-01", "C1", "3"]
    found = wrong(picks="\n".join(map(separator.join, rows)) + "\n")
    assert "It may mean" in found["problem"].iloc[0]
    assert found["line"].tolist() == [2]


class TestQuotes:
    """RFC 4180, section 2: rules 5 (a field may be quoted), 6 (line breaks, commas and quotes
    inside are quoted) and 7 (a quote inside is doubled)."""

    def test_rules(self, make) -> None:
        content = (
            "date,event,note\r\n"
            '2026-07-01,"topped","at 2 m, all of them"\r\n'
            '2026-07-02,rain,"first line\r\nsecond line"\r\n'
            '2026-07-03,fed,"said ""enough"""\r\n'
        )
        events = read_records(make(events=content)).events
        assert events["note"].tolist() == [
            "at 2 m, all of them",
            "first line\r\nsecond line",
            'said "enough"',
        ]

    def test_lines_are_the_files_own_after_a_quoted_line_break(self, wrong) -> None:
        content = (
            'date,event,note\n2026-07-01,rain,"one\ntwo\nthree"\n2026-07-02,rain,\nnever,rain,\n'
        )
        found = wrong(events=content)
        assert found[["line", "value"]].values.tolist() == [[6, "never"]]

    def test_a_quote_inside_an_unquoted_cell_is_a_mark(self, make) -> None:
        content = 'date,plant,height\n2026-07-01,A1,5\'6"\n2026-07-01,C1,66"\n'
        heights = read_records(make(heights=content)).heights["height_cm"]
        assert heights.tolist() == pytest.approx([167.64, 167.64])

    @pytest.mark.parametrize("line", ['"2026-07-01,A1,3', '"2026-07-01"x,A1,3', '2026-07-01,"A1'])
    def test_a_quote_that_is_not_closed_is_named_with_its_line(self, wrong, line) -> None:
        found = wrong(picks=f"date,plant,count\n2026-07-01,C1,2\n{line}\n2026-07-01,C2,1\n")
        assert found["line"].tolist() == [3]
        assert "quotes" in found["problem"].iloc[0]


def test_a_line_with_too_many_cells_is_named(wrong) -> None:
    found = wrong(picks="date,plant,count\n2026-07-01,A1,3\n2026-07-01,C1,1,5\n2026-07-02,A1,x\n")
    assert found["line"].tolist() == [3]
    assert "4 cells" in found["problem"].iloc[0]


@pytest.mark.parametrize(
    "fewer", ["2026-07-01,C1\n2026-07-02,C1,1,9\n", "2026-07-01,C1,1,9\n2026-07-02,C1\n"]
)
def test_one_cell_too_many_does_not_make_up_for_one_too_few(wrong, fewer) -> None:
    assert (
        "4 cells" in wrong(picks="date,plant,count\n2026-07-01,A1,3\n" + fewer)["problem"].iloc[0]
    )


def test_a_short_line_is_doubted(make) -> None:
    doubts = read_records(make(picks="date,plant,count\n2026-07-01,A1,3\n2026-07-02,A1\n")).doubts
    assert doubts[["line"]].values.tolist() == [[3]]
    assert "taken as blank" in doubts["doubt"].iloc[0]


def test_windows_text_is_read_with_a_doubt(make) -> None:
    plants = "plant,variety\nA1,Ambrel\nC1,Costr\xe9\n".encode("cp1252")
    trial = (
        'title = "T"\ncrop = "b"\nplanted = 2026-05-20\n[[varieties]]\nname = "Ambrel"\n'
        '[[varieties]]\nname = "Costré"\n'
    )
    records = read_records(make(trial=trial, plants=plants))
    assert records.plants["variety"].tolist() == ["Ambrel", "Costré"]
    assert records.doubts[["file", "line"]].values.tolist() == [["plants.csv", 3]]


@pytest.mark.parametrize(
    "content", [b"\x89PNG\r\n\x1a\n\0\0", b"date,plant\n\0", b"\x81\x8d,\n", b"\xff\xfe\x00\xd8"]
)
def test_what_is_no_text_is_refused(wrong, content) -> None:
    assert wrong(picks=content)["file"].tolist() == ["picks.csv"]


@pytest.mark.parametrize("content", [b"", b"\n\n", "\ufeff"])
def test_an_empty_file_is_refused(wrong, content) -> None:
    assert "empty" in wrong(picks=content)["problem"].iloc[0]


def test_a_heading_alone_is_an_empty_table(make) -> None:
    assert read_records(make(picks="date,plant,count\n")).picks.empty
    assert read_records(make(picks="date,plant,count")).picks.empty


def test_names_that_look_like_numbers_stay_names(make) -> None:
    trial = "plant,variety\n001,Ambrel\n1e5,Costry\nTrue,Ambrel\nNA,Costry\nnan,Costry\n"
    picks = "date,plant,count\n2026-07-01,001,3\n2026-07-01,1e5,4\n2026-07-01,NA,1\n"
    records = read_records(make(plants=trial, picks=picks))
    assert records.plants["plant"].tolist() == ["001", "1e5", "True", "NA", "nan"]
    assert records.picks["plant"].tolist() == ["001", "1e5", "NA"]
    whole = read_records(
        make(
            plants="plant,variety\n1,Ambrel\n2,Costry\n", picks="date,plant,count\n2026-07-01,1,3\n"
        )
    )
    assert whole.picks["plant"].tolist() == ["1"]


def test_infinity_is_no_count(wrong) -> None:
    found = wrong(
        picks="date,plant,count\n2026-07-01,A1,3\n2026-07-02,A1,inf\n2026-07-03,A1,1e400\n"
    )
    assert found["line"].tolist() == [3, 4]


def test_a_large_file_with_quotes_reads_as_a_small_one(make, monkeypatch) -> None:
    content = PLAIN.replace("A1", '"A1"')
    strict = read_records(make(picks=content)).picks
    monkeypatch.setattr(csvfile, "STRICT_BYTES", 10)
    pd.testing.assert_frame_equal(read_records(make(picks=content)).picks, strict)
    # A comma inside quotes and a cell too few elsewhere make up for each other in the count.
    odd = 'date,event,note\n2026-07-01,rain,"a, b"\n2026-07-02,rain\n2026-07-03,,\n'
    monkeypatch.setattr(csvfile, "STRICT_BYTES", 10)
    with pytest.raises(Exception, match="line 4, event: It is blank"):
        read_records(make(picks=None, events=odd))


def test_too_many_columns(wrong) -> None:
    heading = "date,plant,count," + ",".join(f"x{i}" for i in range(2000))
    assert "columns" in wrong(picks=heading + "\n")["problem"].iloc[0]
