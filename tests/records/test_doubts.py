"""What is hard to believe is listed with its line, and kept.

Thresholds are common practice, no source, save the robust rules: Hampel, F. R. (1974) JASA 69:383
(median absolute deviation), Anscombe, F. J. (1948) Biometrika 35:246 (square roots of counts).
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from trialkit.records import check, read_records

PICKS = "date,plant,count,weight\n"
HEIGHTS = "date,plant,height\n"


def found(records) -> list[tuple]:
    return list(
        records.doubts[["file", "line", "column", "value"]].itertuples(index=False, name=None)
    )


def season(days: int = 12, counts: tuple[int, ...] = (3, 2, 4, 0, 5, 1)) -> str:
    """Picks of four plants, as plain as they come."""
    lines = [
        f"2026-07-{day:02d},{plant},{counts[(3 * day + i) % len(counts)]},"
        for day in range(1, days + 1)
        for i, plant in enumerate(("A1", "A2", "C1", "C2"))
    ]
    return PICKS + "\n".join(lines) + "\n"


def test_a_plain_season_has_no_doubts(make) -> None:
    assert read_records(make(picks=season())).doubts.empty


def test_a_pick_of_300_pods(make) -> None:
    records = read_records(make(picks=season() + "2026-07-20,A1,300,\n"))
    assert found(records) == [("picks.csv", 50, "count", "300")]
    assert records.picks["count"].max() == 300  # kept


def test_a_pick_of_300_pods_with_little_to_compare(make) -> None:
    records = read_records(make(picks=PICKS + "2026-07-20,A1,300,\n2026-07-20,A2,3,\n"))
    assert found(records) == [("picks.csv", 2, "count", "300")]


def test_300_is_not_odd_where_hundreds_are_usual(make) -> None:
    assert read_records(make(picks=season(counts=(240, 310, 280, 300, 190, 350)))).doubts.empty


@pytest.mark.parametrize("dispersion", [1.0, 2.0, 20.0])
def test_counts_of_a_variable_season_are_seldom_doubted(make, dispersion) -> None:
    """Negative binomial counts, mean 4: fewer than one in a thousand is asked about."""
    chance = np.random.default_rng(int(dispersion))
    counts = chance.poisson(chance.gamma(dispersion, 4 / dispersion, 20_000))
    assert check._large(counts.astype(float)).mean() < 0.001


def test_the_same_plant_twice_on_a_date(make) -> None:
    records = read_records(make(picks=season() + "2026-07-03,A2,1,\n"))
    assert found(records) == [("picks.csv", 50, "plant", "A2")]
    assert "twice" in records.doubts["doubt"].iloc[0]
    assert len(records.picks) == 49


LOST = (
    "plant,variety,block,plot,row,column,lost,lost_reason\nA1,Ambrel,1,1A,1,1,2026-07-05,slugs\n"
    "A2,Ambrel,2,2B,2,2,,\nC1,Costry,1,1B,1,2,,\nC2,Costry,2,2A,2,1,,\n"
)


def test_picked_after_it_was_lost(make) -> None:
    picks = PICKS + "2026-07-05,A1,2,\n2026-07-06,A1,1,\n2026-07-07,A1,0,\n2026-07-08,A1,,\n"
    records = read_records(make(plants=LOST, picks=picks))
    # On the day itself, a zero or a blank is no pod of a plant that was gone.
    assert found(records) == [("picks.csv", 3, "plant", "A1")]
    assert "after the plant was lost" in records.doubts["doubt"].iloc[0]


def test_measured_after_it_was_lost(make) -> None:
    records = read_records(make(plants=LOST, heights=HEIGHTS + "2026-07-06,A1,90\n"))
    assert found(records) == [("heights.csv", 2, "plant", "A1")]


def test_a_reason_without_a_date(make) -> None:
    records = read_records(make(plants=LOST.replace("2026-07-05", "")))
    assert found(records) == [("plants.csv", 2, "lost_reason", "slugs")]
    assert records.plants["lost"].isna().all()


def test_a_nine_metre_plant(make) -> None:
    records = read_records(make(heights=HEIGHTS + "2026-07-01,A1,9 m\n2026-07-01,A2,590 cm\n"))
    assert found(records) == [("heights.csv", 2, "height", "900")]


@pytest.mark.parametrize(
    ("before", "after", "doubted"),
    [
        ("200", "120", True),
        ("200", "121", False),
        ("200", "20", True),
        ("200", "210", False),
    ],
)
def test_a_height_that_shrank_by_forty_percent(make, before, after, doubted) -> None:
    heights = HEIGHTS + f"2026-07-01,A1,{before}\n2026-07-08,A1,{after}\n2026-07-08,A2,5\n"
    records = read_records(make(heights=heights))
    assert found(records) == ([("heights.csv", 3, "height", after)] if doubted else [])


@pytest.mark.parametrize(
    "event",
    [
        "2026-07-03,A1,,topped",
        "2026-07-03,,1A,Topped",
        "2026-07-03,,,topped",
        "2026-07-08,A1,,pruned",
    ],
)
def test_a_plant_that_was_topped_may_be_shorter(make, event) -> None:
    heights = HEIGHTS + "2026-07-01,A1,200\n2026-07-08,A1,100\n"
    events = f"date,plant,plot,event\n{event}\n"
    assert read_records(make(heights=heights, events=events)).doubts.empty


@pytest.mark.parametrize(
    "event",
    [
        "2026-06-30,A1,,topped",
        "2026-07-03,A2,,topped",
        "2026-07-03,,2B,topped",
        "2026-07-03,A1,,fed",
    ],
)
def test_another_event_explains_nothing(make, event) -> None:
    heights = HEIGHTS + "2026-07-01,A1,200\n2026-07-08,A1,100\n"
    events = f"date,plant,plot,event\n{event}\n"
    assert len(read_records(make(heights=heights, events=events)).doubts) == 1


def test_after_a_height_too_tall_to_be_true_the_next_is_compared_with_the_one_before(make) -> None:
    heights = HEIGHTS + "2026-07-01,A1,150\n2026-07-08,A1,1600\n2026-07-15,A1,165\n"
    assert [row[1] for row in found(read_records(make(heights=heights)))] == [3]


def test_inches_among_centimetres(make) -> None:
    plants = "plant,variety\n" + "".join(f"A{i},Ambrel\n" for i in range(12)) + "C1,Costry\n"
    heights = HEIGHTS + "".join(f"2026-07-01,A{i},{150 + 3 * i}\n" for i in range(11))
    records = read_records(
        make(plants=plants, heights=heights + "2026-07-01,A11,60\n2026-07-01,C1,50\n")
    )
    assert found(records) == [("heights.csv", 13, "height", "60")]
    assert "unlike the others of its variety" in records.doubts["doubt"].iloc[0]


def test_five_ten_in_feet(make) -> None:
    heights = (
        "date,plant,height (ft)\n2026-07-01,A1,5.10\n2026-07-01,A2,5.5\n2026-07-01,C1,5'10\"\n"
    )
    records = read_records(make(heights=heights))
    assert found(records) == [("heights.csv", 2, "height (ft)", "5.10")]
    assert records.heights["height_cm"].tolist() == pytest.approx([5.1 * 30.48, 167.64, 177.8])


def test_weights_and_counts_that_disagree(make) -> None:
    picks = PICKS + "2026-07-01,A1,,20\n2026-07-01,A2,0,20\n2026-07-01,C1,3,0\n2026-07-01,C2,3,20\n"
    records = read_records(make(picks=picks))
    assert found(records) == [
        ("picks.csv", 2, "weight", "20"),
        ("picks.csv", 3, "weight", "20"),
        ("picks.csv", 4, "weight", "0"),
    ]
    assert np.isnan(records.picks["count"].iloc[0])


def test_weights_without_counts_are_a_way_to_record(make) -> None:
    assert read_records(make(picks=PICKS + "2026-07-01,A1,,20\n2026-07-01,A2,,30\n")).doubts.empty


def test_kilograms_among_grams(make) -> None:
    lines = [f"2026-07-{d:02d},A1,{3 + d % 3},{(3 + d % 3) * 6 + d % 5}" for d in range(1, 29)]
    picks = PICKS + "\n".join([*lines, "2026-07-30,A1,3,0.02"]) + "\n"
    assert found(read_records(make(picks=picks))) == [("picks.csv", 30, "weight", "0.02")]


def test_a_variety_that_was_not_planted(make) -> None:
    records = read_records(make(plants="plant,variety\nA1,Ambrel\n"))
    assert records.doubts[["file", "column", "value"]].values.tolist() == [
        ["plants.csv", "variety", "Costry"],
    ]


def test_two_plants_in_one_place_and_two_varieties_in_one_plot(make) -> None:
    plants = "plant,variety,block,plot,row,column\nA1,Ambrel,1,1A,1,1\nC1,Costry,1,1A,1,1\n"
    records = read_records(make(plants=plants))
    assert set(records.doubts["column"]) == {"plant", "plot"}
    assert len(records.doubts) == 4


def test_rows_and_columns_begin_anew_in_every_block(make) -> None:
    plants = "plant,variety,block,plot,row,column\nA1,Ambrel,1,1A,1,1\nC1,Costry,2,2A,1,1\n"
    assert read_records(make(plants=plants)).doubts.empty


def test_the_year_before(make) -> None:
    picks = season() + "2027-07-03,A1,3,\n"
    records = read_records(make(picks=picks))
    rows = records.doubts[records.doubts["doubt"].str.contains("right year")]
    assert rows["line"].tolist() == [50]


def test_the_future(make, monkeypatch) -> None:
    class Day(date):
        @classmethod
        def today(cls):
            return cls(2026, 7, 10)

    monkeypatch.setattr("trialkit.records.read.date", Day)
    records = read_records(make(picks=season()))
    # The 11th is left alone: the garden may be in a later time zone than the computer.
    assert records.doubts["line"].tolist() == [46, 47, 48, 49]
    assert "in the future" in records.doubts["doubt"].iloc[0]


def test_hot_enough_for_fahrenheit(make) -> None:
    weather = "date,low,high\n2026-07-01,41,52\n2026-07-01,12,20\n"
    assert read_records(make(weather=weather)).doubts["line"].tolist() == [2, 3]


def test_names_in_another_case(make) -> None:
    plants = "plant,variety\nA1,ambrel\nC1, Costry \n"
    records = read_records(
        make(plants=plants, picks=PICKS + "2026-07-01,a1,1,\n2026-07-02,a1,1,\n")
    )
    assert records.plants["variety"].tolist() == ["Ambrel", "Costry"]
    assert records.picks["plant"].tolist() == ["A1", "A1"]
    assert [d for d in records.doubts["doubt"] if "A1" in d] == ["read as 'A1' (and 1 more times)"]


def test_columns_and_files_that_are_not_read(make) -> None:
    folder = make(picks="date,plant,count,wieght,mood\n2026-07-01,A1,1,5,good\n")
    (folder / "hieghts.csv").write_text("date,plant,height\n")
    (folder / "weather.ods").write_text("x")
    (folder / "letter.docx").write_text("x")
    seen = read_records(folder).doubts
    assert dict(zip(seen["column"], seen["doubt"], strict=True))["wieght"].endswith("'weight'?")
    assert set(seen["file"]) == {"picks.csv", "hieghts.csv", "weather.ods"}


def test_plots_that_begin_anew_in_every_block_are_told_apart(make) -> None:
    plants = (
        "plant,variety,block,plot\nA1,Ambrel,X,1\nC1,Costry,X,2\nA2,Ambrel,Y,2\nC2,Costry,Y,3\n"
    )
    events = "date,plot,event\n2026-07-01,X/2,topped\n2026-07-01,3,fed\n"
    records = read_records(make(plants=plants, events=events))
    assert records.plants["plot"].tolist() == ["X/1", "X/2", "Y/2", "Y/3"]
    assert records.events["plot"].tolist() == ["X/2", "Y/3"]
    assert records.doubts["column"].tolist() == ["plot"]


def test_doubts_of_later_days_wait(make) -> None:
    picks = season() + "2026-07-20,A1,300,\n"
    assert read_records(make(picks=picks), date(2026, 7, 15)).doubts.empty


PLAIN = "date,plant,count\n" + "".join(
    f"2026-07-{day:02},{plant},{3 + day % 2}\n"
    for day in range(1, 9) for plant in ("A1", "A2", "C1", "C2")
)


@pytest.mark.parametrize("before", ["", "\n", "\n\n"])
def test_an_odd_record_is_known_by_its_row_whatever_its_line(make, before) -> None:
    odd = PLAIN.replace("2026-07-03,C1,4", "2026-07-03,C1,400")
    records = read_records(make(picks=before + odd))
    (at,) = records.queried["picks"]
    assert records.picks.loc[at, ["plant", "count"]].tolist() == ["C1", 400]


def test_an_odd_record_of_a_workbook_and_of_a_day_is_known_by_its_row(make) -> None:
    import openpyxl

    folder = make()
    odd = PLAIN.replace("2026-07-03,C1,4", "2026-07-03,C1,400")
    made = openpyxl.Workbook()
    for line in odd.splitlines():
        made.active.append([int(c) if c.isdigit() else c for c in line.split(",")])
    made.save(folder / "picks.xlsx")
    for until in (None, date(2026, 7, 6)):
        records = read_records(folder, until)
        (at,) = records.queried["picks"]
        assert records.picks.loc[at, ["plant", "count"]].tolist() == ["C1", 400]


def test_many_varieties_without_a_plant_are_counted(make) -> None:
    more = "".join(f'[[varieties]]\nname = "V{i}"\n' for i in range(10_000))
    folder = make()
    description = (folder / "trial.toml").read_text()
    doubts = read_records(make(trial=description + more)).doubts
    assert len(doubts) == 4
    assert doubts["doubt"].iloc[-1] == "9,997 more varieties of trial.toml have no plant"


def test_every_doubt_about_a_record_leads_to_its_row(make) -> None:
    """Whatever comes between the file and the table: a blank height, days left out, the log."""
    from trialkit.records.incoming.add import add_files

    described = (make() / "trial.toml").read_text()
    description = described.replace("\n\n", '\nunits = { height = "ft" }\n\n', 1)
    heights = "date,plant,height\n2026-06-20,A1,\n2026-06-20,A2,5.10\n2026-06-21,a1,5\n"
    folder = make(trial=description, heights=heights, picks="date,plant,count\n2026-07-03,C1,4\n")
    sent = folder.parent / "Sam.csv"
    sent.write_text("date,plant,count\n2026-07-02,C1,9\n2026-07-03,C1,7\n")
    add_files(folder, [sent])
    records = read_records(folder)
    doubts = records.doubts.set_index("column")
    assert doubts["table"].to_dict() == {"height": "heights", "plant": "heights", "count": "picks"}
    table, row = doubts.loc["height", ["table", "row"]]
    assert records.heights["plant"].iloc[row] == "A2"
    assert records.heights["plant"].iloc[doubts.loc["plant", "row"]] == "A1"
    where = records.picks.iloc[doubts.loc["count", "row"]]
    assert (where["plant"], where["date"].day) == ("C1", 3)


def test_days_on_which_only_one_variety_was_picked(make) -> None:
    lines = [f"2026-07-{day:02d},{plant},{(day + i) % 4},"
             for day in range(1, 13) for i, plant in enumerate(("A1", "A2", "C1", "C2"))
             if (day % 2 == 0) == plant.startswith("A")]
    records = read_records(make(picks=PICKS + "\n".join(lines) + "\n"))
    assert list(records.doubts["column"]) == ["date"]
    assert "only one variety" in records.doubts["doubt"].iloc[0]


def test_no_zero_written_though_plants_were_passed_over(make) -> None:
    some = [line for k, line in enumerate(season().splitlines()[1:])
            if not line.endswith(",0,") and k % 5]
    records = read_records(make(picks=PICKS + "\n".join(some) + "\n"))
    assert list(records.doubts["column"]) == ["count"]
    assert 'zeros = "written"' in records.doubts["doubt"].iloc[0]


def test_heights_that_stop_at_the_length_of_the_stick(make) -> None:
    lines = [f"2026-07-{day:02d},{plant},{min(80 + 20 * day + 10 * i, 180)}"
             for day in (1, 4, 7, 10) for i, plant in enumerate(("A1", "A2", "C1", "C2"))]
    records = read_records(make(heights=HEIGHTS + "\n".join(lines) + "\n"))
    assert "stick" in records.doubts["doubt"].iloc[-1]
    grown = [line if not line.endswith("180") else line.replace("180", str(150 + k))
             for k, line in enumerate(lines)]
    assert not read_records(make(heights=HEIGHTS + "\n".join(grown) + "\n")).doubts[
        "doubt"].str.contains("stick").any()
