"""Spreadsheets of one small season, laid out in the ways people lay them out.

Every layout writes the same records (or those it can hold) and says what is to come of it: read,
or refused with a word in the message.  The season is invented; its figures follow a fixed rule.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import openpyxl

DAYS = (date(2026, 7, 1), date(2026, 7, 4), date(2026, 7, 13), date(2026, 7, 20))
VARIETIES = ("Ambrel", "Costry", "Dunwell")
# Two blocks of three plots, two plants in a plot: A1-1 is plant 1 of Ambrel's plot in block 1.
PLANTS = tuple(f"{v[0]}{b}-{n}" for b in (1, 2) for v in VARIETIES for n in (1, 2))
DESCRIPTION = """\
title = "Three beans"
crop = "climbing bean"
planted = 2026-05-20
counted = "pods"

[[varieties]]
name = "Ambrel"
check = true

[[varieties]]
name = "Costry"

[[varieties]]
name = "Dunwell"
"""

Records = dict[tuple[date, str, str], float]


def variety(plant: str) -> str:
    return next(v for v in VARIETIES if v[0] == plant[0])


def plants_csv() -> str:
    lines = ["plant,variety,block,plot,row,column"]
    for i, p in enumerate(PLANTS):
        lines.append(f"{p},{variety(p)},{p[1]},{p[:2]},{p[1]},{i % 6 + 1}")
    return "\n".join(lines) + "\n"


def count(plant: str, day: date) -> int | None:
    """Pods; 0 is looked and nothing there, None not looked at."""
    i, d = PLANTS.index(plant), DAYS.index(day)
    if (i, d) in ((3, 1), (8, 2)):
        return None
    return 0 if (i + d) % 7 == 0 else (i * 5 + d * 3) % 9 + 1


def weight(plant: str, day: date) -> float | None:
    pods = count(plant, day)
    return None if pods is None else round(pods * 7.3 + (PLANTS.index(plant) % 4) * 0.5, 1)


def height(plant: str, day: date) -> int:
    return 80 + 11 * DAYS.index(day) + 3 * PLANTS.index(plant)


OF = {"count": count, "weight": weight, "height": height}


def truth(*kinds: str, days: tuple[date, ...] = DAYS, plants: tuple[str, ...] = PLANTS) -> Records:
    out = {}
    for kind in kinds:
        for day in days:
            for plant in plants:
                value = OF[kind](plant, day)
                if value is not None:
                    out[day, plant, kind] = float(value)
    return out


Rows = list[list[Any]]


@dataclass(frozen=True)
class Layout:
    """name : of the file.  records : what must come in; None where it must be refused.

    word : what the refusal must say.  ugly : whether it is.
    """

    file: str
    content: bytes
    records: Records | None
    word: str = ""
    ugly: bool = False


LAYOUTS: dict[str, Callable[[], Layout]] = {}


def layout(function: Callable[[], Layout]) -> Callable[[], Layout]:
    LAYOUTS[function.__name__] = function
    return function


def as_csv(rows: Rows, mark: str = ",", encoding: str = "utf-8") -> bytes:
    out = io.StringIO()
    width = max(map(len, rows))
    writer = csv.writer(out, delimiter=mark, lineterminator="\r\n")
    for row in rows:
        cells = ["" if c is None else str(c) for c in row] + [""] * (width - len(row))
        writer.writerow(cells)
    return out.getvalue().encode(encoding)


def book(**sheets: Rows) -> bytes:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for title, rows in sheets.items():
        sheet = made.create_sheet(title.replace("__", " "))
        for row in rows:
            sheet.append(row)
    return saved(made)


def saved(made: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def spoken(day: date) -> str:
    return f"{day.day} {day:%b}"


def table(*kinds: str, days: tuple[date, ...] = DAYS) -> Rows:
    """A line a plant and day."""
    return [[d, p, *(OF[k](p, d) for k in kinds)] for d in days for p in PLANTS]


def wide(value: Callable[[str, date], Any] = count, days: tuple[date, ...] = DAYS) -> Rows:
    return [[p, *(value(p, d) for d in days)] for p in PLANTS]


def total(rows: Rows, first: int = 1) -> list[Any]:
    return [round(sum(r[i] or 0 for r in rows), 6) for i in range(first, len(rows[0]))]


# -- tidy


@layout
def a_plain_table() -> Layout:
    return Layout("a.csv", as_csv([["date", "plant", "count"], *table("count")]), truth("count"))


@layout
def a_table_with_everything() -> Layout:
    rows = [["Date", "Plant", "Pods", "Weight (g)", "Height (cm)"],
            *table("count", "weight", "height")]  # fmt: skip
    return Layout("a.csv", as_csv(rows), truth("count", "weight", "height"))


@layout
def days_across() -> Layout:
    return Layout("a.csv", as_csv([["plant", *DAYS], *wide()]), truth("count"))


@layout
def days_down() -> Layout:
    rows = [["date", *PLANTS], *([d, *(count(p, d) for p in PLANTS)] for d in DAYS)]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def days_across_in_a_workbook() -> Layout:
    return Layout("a.xlsx", book(Sheet1=[["plant", *DAYS], *wide()]), truth("count"))


@layout
def a_title_and_a_blank_line_above() -> Layout:
    rows = [["Bean trial, back garden"], [], ["plant", *DAYS], *wide()]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def weights_named_by_the_title() -> Layout:
    rows = [["Weights (g)"], ["plant", *DAYS], *wide(weight)]
    return Layout("a.csv", as_csv(rows), truth("weight"))


@layout
def heights_named_by_the_sheet() -> Layout:
    return Layout("a.xlsx", book(Heights=[["plant", *DAYS], *wide(height)]), truth("height"))


@layout
def a_unit_in_each_heading() -> Layout:
    rows = [["plant", *(f"{d} weight (g)" for d in DAYS)], *wide(weight)]
    return Layout("a.csv", as_csv(rows), truth("weight"))


@layout
def ounces_in_the_heading() -> Layout:
    rows = [["date", "plant", "weight (oz)"]]
    rows += [[d, p, round(w / 28.349523125, 6)] for d, p, w in table("weight") if w is not None]
    return Layout("a.csv", as_csv(rows), truth("weight"))


@layout
def a_notes_column() -> Layout:
    rows = [["plant", *DAYS, "notes"], *(r + ["slugs" if i == 2 else ""]
                                         for i, r in enumerate(wide()))]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def a_total_row() -> Layout:
    rows = wide()
    return Layout("a.csv", as_csv([["plant", *DAYS], *rows, ["Total", *total(rows)]]),
                  truth("count"))


@layout
def a_total_column() -> Layout:
    rows = [r + [sum(v or 0 for v in r[1:])] for r in wide()]
    return Layout("a.csv", as_csv([["plant", *DAYS, "Total"], *rows]), truth("count"))


@layout
def one_pick_with_its_day_in_the_name() -> Layout:
    rows = [["plant", "count"], *([p, count(p, DAYS[0])] for p in PLANTS)]
    return Layout("picks 2026-07-01.csv", as_csv(rows), truth("count", days=DAYS[:1]))


@layout
def a_sheet_a_day() -> Layout:
    sheets = {str(d): [["plant", "count", "weight"],
                       *([p, count(p, d), weight(p, d)] for p in PLANTS)] for d in DAYS}
    return Layout("a.xlsx", book(**sheets), truth("count", "weight"))


@layout
def a_sheet_a_variety() -> Layout:
    sheets = {v: [["plant", *DAYS], *(r for r in wide() if variety(r[0]) == v)]
              for v in VARIETIES}
    return Layout("a.xlsx", book(**sheets), truth("count"))


@layout
def the_month_by_name_without_a_year() -> Layout:
    rows = [["plant", *(f"{d:%b} {d.day}" for d in DAYS)], *wide()]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def days_first_as_one_of_them_shows() -> Layout:
    rows = [["plant", *(f"{d:%d/%m/%Y}" for d in DAYS)], *wide()]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def months_first_with_two_figures_for_the_year() -> Layout:
    rows = [["plant", *(f"{d.month}/{d.day}/26" for d in DAYS)], *wide()]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def semicolons_and_decimal_commas() -> Layout:
    rows = [["Plant", "Date", "Weight (g)"]]
    rows += [[p, d, str(w).replace(".", ",")] for d, p, w in table("weight") if w is not None]
    return Layout("a.csv", as_csv(rows, ";"), truth("weight"))


@layout
def a_trait_column() -> Layout:
    rows: Rows = [["date", "plant", "trait", "value"]]
    rows += [[d, p, k, OF[k](p, d)] for d in DAYS for p in PLANTS for k in ("count", "height")]
    return Layout("a.csv", as_csv(rows), truth("count", "height"))


@layout
def row_and_place_in_place_of_names() -> Layout:
    rows = [["row", "place in row", "date", "count"]]
    rows += [[p[1], PLANTS.index(p) % 6 + 1, d, n] for d, p, n in table("count")]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def plot_and_number_in_place_of_names() -> Layout:
    rows = [["plot", "plant", "date", "count"]]
    rows += [[p[:2], p[3], d, n] for d, p, n in table("count")]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def names_written_another_way() -> Layout:
    rows = [["plant", *DAYS], *([f"{r[0][0].lower()}{r[0][1]} 0{r[0][3]}", *r[1:]]
                                for r in wide())]
    return Layout("a.csv", as_csv(rows), truth("count"))


@layout
def tabs_and_utf16() -> Layout:
    return Layout("a.csv", as_csv([["plant", *DAYS], *wide()], "\t", "utf-16"), truth("count"))


# -- ugly


@layout
def two_lines_of_heading() -> Layout:
    rows: Rows = [["", *(x for d in DAYS for x in (d, ""))],
                  ["plant", *(x for _ in DAYS for x in ("pods", "g"))]]
    rows += [[p, *(x for d in DAYS for x in (count(p, d), weight(p, d)))] for p in PLANTS]
    return Layout("a.csv", as_csv(rows), truth("count", "weight"), ugly=True)


@layout
def two_lines_of_heading_merged() -> Layout:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.append(["Beans 2026, picked by hand"])
    sheet.append([])
    sheet.append(["", *(x for d in DAYS for x in (d, None))])
    sheet.append(["plant", *(x for _ in DAYS for x in ("count", "weight"))])
    for p in PLANTS:
        sheet.append([p, *(x for d in DAYS for x in (count(p, d), weight(p, d)))])
    sheet.merge_cells("A1:F1")
    for i in range(len(DAYS)):
        sheet.merge_cells(start_row=3, end_row=3, start_column=2 + 2 * i, end_column=3 + 2 * i)
    return Layout("a.xlsx", saved(made), truth("count", "weight"), ugly=True)


@layout
def traits_over_days() -> Layout:
    rows: Rows = [["", "Count", "", "", "", "Height", "", "", ""], ["plant", *DAYS, *DAYS]]
    rows += [[p, *(count(p, d) for d in DAYS), *(height(p, d) for d in DAYS)] for p in PLANTS]
    return Layout("a.csv", as_csv(rows), truth("count", "height"), ugly=True)


@layout
def a_month_over_its_days() -> Layout:
    rows: Rows = [["", "July", "", "", ""], ["plant", *(d.day for d in DAYS)], *wide()]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def days_written_once() -> Layout:
    rows: Rows = [["date", "plant", "pods"]]
    for d in DAYS:
        rows += [[d if i == 0 else "", p, count(p, d)] for i, p in enumerate(PLANTS)]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def plants_written_once() -> Layout:
    rows: Rows = [["plant", "date", "pods"]]
    for p in PLANTS:
        rows += [[p if i == 0 else "", d, count(p, d)] for i, d in enumerate(DAYS)]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def days_on_lines_of_their_own() -> Layout:
    rows: Rows = [["plant", "pods", "weight (g)"]]
    for d in DAYS:
        rows += [[spoken(d)], *([p, count(p, d), weight(p, d)] for p in PLANTS), []]
    return Layout("a.csv", as_csv(rows), truth("count", "weight"), ugly=True)


@layout
def the_heading_again_for_every_day() -> Layout:
    rows: Rows = [["Bean book"], []]
    for d in DAYS:
        rows += [["date", "plant", "pods"], *([d, p, count(p, d)] for p in PLANTS), []]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def subtotals_by_variety_and_a_grand_total() -> Layout:
    rows: Rows = [["plant", "variety", *DAYS]]
    whole = []
    for v in VARIETIES:
        mine = [[r[0], v, *r[1:]] for r in wide() if variety(r[0]) == v]
        rows += [*mine, [f"{v} total", "", *total(mine, 2)], []]
        whole += mine
    rows.append(["Grand total", "", *total(whole, 2)])
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def subtotals_named_by_the_variety_alone() -> Layout:
    rows: Rows = [["plant", *DAYS]]
    for v in VARIETIES:
        mine = [r for r in wide() if variety(r[0]) == v]
        rows += [*mine, [v, *total(mine)]]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def a_sum_without_a_name() -> Layout:
    rows = wide()
    return Layout("a.csv", as_csv([["plant", *DAYS], *rows, ["", *total(rows)]]),
                  truth("count"), ugly=True)


@layout
def totals_both_ways_and_a_mean() -> Layout:
    rows = [r + [sum(v or 0 for v in r[1:])] for r in wide()]
    sums = total(rows)
    known = [[r[i] for r in rows if r[i] is not None] for i in range(1, 6)]
    means = [round(sum(k) / len(k), 1) for k in known]
    return Layout("a.csv", as_csv([["Bean trial"], ["plant", *DAYS, "sum"], *rows,
                                   ["sum", *sums], ["average", *means]]),
                  truth("count"), ugly=True)


@layout
def a_total_of_sums_in_formulas() -> Layout:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.append(["plant", *DAYS, "Total"])
    for i, r in enumerate(wide(), start=2):
        sheet.append([*r, f"=SUM(B{i}:E{i})"])
    sheet.append(["Total", *(f"=SUM({c}2:{c}13)" for c in "BCDE")])
    return Layout("a.xlsx", saved(made), truth("count"), ugly=True)


@layout
def a_table_that_starts_at_c5() -> Layout:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet["A1"] = "Kept by the back door. 0 = looked, nothing there."
    for i, row in enumerate([["plant", *DAYS], *wide()]):
        for j, value in enumerate(row):
            sheet.cell(5 + i, 3 + j, value)
    return Layout("a.xlsx", saved(made), truth("count"), ugly=True)


@layout
def remarks_beside_and_below() -> Layout:
    rows: Rows = [["plant", *DAYS], *wide()]
    rows[4].append("eaten by slugs")
    rows += [[], ["* hail in the night of the 4th"], ["picked before breakfast every time"]]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def varieties_on_lines_of_their_own() -> Layout:
    rows: Rows = [["", *DAYS]]
    for v in VARIETIES:
        rows += [[v], *(r for r in wide() if variety(r[0]) == v)]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def plants_across_with_two_traits() -> Layout:
    rows: Rows = [["", *(x for p in PLANTS for x in (p, ""))],
                  ["date", *(x for _ in PLANTS for x in ("count", "height"))]]
    rows += [[d, *(x for p in PLANTS for x in (count(p, d), height(p, d)))] for d in DAYS]
    return Layout("a.csv", as_csv(rows), truth("count", "height"), ugly=True)


@layout
def plants_across_below_their_varieties() -> Layout:
    rows: Rows = [["", *(variety(p) for p in PLANTS)], ["", *PLANTS]]
    rows += [[spoken(d), *(count(p, d) for p in PLANTS)] for d in DAYS]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def days_down_with_totals_at_the_right_and_below() -> Layout:
    rows = [[d, *(count(p, d) for p in PLANTS)] for d in DAYS]
    rows = [r + [sum(v or 0 for v in r[1:])] for r in rows]
    return Layout("a.csv", as_csv([["", *PLANTS, "Total"], *rows, ["Total", *total(rows)]]),
                  truth("count"), ugly=True)


@layout
def everything_turned_on_its_side() -> Layout:
    rows = [["date", "plant", "pods"], *table("count")]
    return Layout("a.csv", as_csv([list(r) for r in zip(*rows, strict=True)]), truth("count"),
                  ugly=True)


@layout
def a_name_column_no_heading_would_know() -> Layout:
    rows = [["Stange", "Datum", "pods"], *([p, d, n] for d, p, n in table("count"))]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def sheets_and_a_summary() -> Layout:
    sums = [[v, sum(count(p, d) or 0 for p in PLANTS if variety(p) == v for d in DAYS)]
            for v in VARIETIES]
    sheets = {f"{d.day} {d:%B}": [["plant", "pods"], *([p, count(p, d)] for p in PLANTS)]
              for d in DAYS}
    sheets["Summary"] = [["Variety", "Pods in all"], *sums]
    return Layout("a.xlsx", book(**sheets), truth("count"), ugly=True)


@layout
def a_sheet_a_plant() -> Layout:
    sheets = {p: [["date", "pods", "height (cm)"],
                  *([d, count(p, d), height(p, d)] for d in DAYS)] for p in PLANTS[:4]}
    return Layout("a.xlsx", book(**sheets), truth("count", "height", plants=PLANTS[:4]), ugly=True)


@layout
def feet_and_inches_and_units_in_the_cells() -> Layout:
    rows: Rows = [["plant", "date", "height", "weight"]]
    for d, p, w in table("weight"):
        inches = height(p, d) / 2.54
        shown = f"{int(inches // 12)}'{inches % 12:.4f}\""
        rows.append([p, d, shown, "" if w is None else f"{w} g"])
    return Layout("a.csv", as_csv(rows), truth("height", "weight"), ugly=True)


@layout
def one_day_in_the_title_and_total_pods() -> Layout:
    rows: Rows = [["Picked on 13 July 2026 by Jo"], ["plant", "total pods"]]
    rows += [[p, count(p, DAYS[2])] for p in PLANTS]
    return Layout("monday.csv", as_csv(rows), truth("count", days=DAYS[2:3]), ugly=True)


@layout
def dashes_for_not_looked_at() -> Layout:
    rows = [[r[0], *("-" if v is None else v for v in r[1:])] for r in wide()]
    return Layout("a.csv", as_csv([["Plant No.", *(f"{d:%A} {d.day} {d:%B}" for d in DAYS)], *rows],
                                  ";", "cp1252"), truth("count"), ugly=True)


# -- to be refused


def refused(file: str, rows: Rows, word: str, ugly: bool = True) -> Layout:
    return Layout(file, as_csv(rows), None, word, ugly)


@layout
def days_that_could_be_two() -> Layout:
    days = [f"{d:%d/%m/%Y}" for d in DAYS[:2]]
    return refused("a.csv", [["plant", *days], *wide(days=DAYS[:2])], "4 July or 7 April")


@layout
def totals_of_varieties_over_plots() -> Layout:
    rows = [[v, *(sum(count(p, d) or 0 for p in PLANTS if variety(p) == v) for d in DAYS)]
            for v in VARIETIES]
    return refused("a.csv", [["variety", *DAYS], *rows], "variety")


@layout
def figures_without_a_heading() -> Layout:
    return refused("a.csv", [[d, p, n] for d, p, n in table("count")], "what the figures are")


@layout
def picks_by_number_without_days() -> Layout:
    rows = [["plant", "pick 1", "pick 2", "pick 3", "pick 4"], *wide()]
    return refused("a.csv", rows, "dates across")


@layout
def the_same_day_twice() -> Layout:
    rows = [["plant", DAYS[0], "1 July 2026"], *([r[0], r[1], r[2]] for r in wide())]
    return refused("a.csv", rows, "same day")


@layout
def a_plant_twice_with_two_values() -> Layout:
    rows = [["plant", *DAYS], *wide(), [PLANTS[0], 9, 9, 9, 9]]
    return refused("a.csv", rows, "already")


@layout
def words_among_the_figures() -> Layout:
    rows = wide()
    rows[5][2] = "a few"
    return refused("a.csv", [["plant", *DAYS], *rows], "not a number")


@layout
def none_that_may_be_zero() -> Layout:
    rows = wide()
    rows[5][2] = "none"
    return refused("a.csv", [["plant", *DAYS], *rows], "0 (you looked")


@layout
def plants_of_another_garden() -> Layout:
    rows = [["plant", *DAYS], *([f"Q{i}", *r[1:]] for i, r in enumerate(wide()))]
    return refused("a.csv", rows, "not listed")


@layout
def a_weight_in_pints() -> Layout:
    rows = [["date", "plant", "pods (pints)"], *table("count")]
    return refused("a.csv", rows, "neither counts")


@layout
def one_blank_name_among_many() -> Layout:
    rows = [["plant", *DAYS], *wide()]
    rows[4][0] = ""
    return refused("a.csv", rows, "blank")


@layout
def two_tables_side_by_side() -> Layout:
    rows = [["plant", "pods", "", "plant", "pods"]]
    rows += [[a, count(a, DAYS[0]), "", b, count(b, DAYS[0])]
             for a, b in zip(PLANTS[:6], PLANTS[6:], strict=True)]
    return refused("2026-07-01.csv", rows, "same as another column")


@layout
def a_chart_and_nothing_else() -> Layout:
    return refused("a.csv", [["Beans of 2026"], ["It was a good year"]], "no name of a plant")


@layout
def figures_beside_the_days_that_add_up_to_nothing() -> Layout:
    rows = [["plant", *DAYS, ""], *(r + [i * 17 + 400] for i, r in enumerate(wide()))]
    return refused("a.csv", rows, "without a name")


@layout
def a_weight_of_no_day_beside_days() -> Layout:
    rows = [["plant", *DAYS, "weight"], *(r + [i * 17 + 400] for i, r in enumerate(wide()))]
    return refused("a.csv", rows, "Of which day")


@layout
def a_pick_of_no_day() -> Layout:
    return refused("beans.csv", [["plant", "pods"], *([p, 3] for p in PLANTS)], "file's name")


@layout
def two_days_above_one_table() -> Layout:
    rows: Rows = [["Picked 1 July 2026, weighed 4 July 2026"], ["planted 20 May 2026"],
                  ["plant", "pods"], *([p, 3] for p in PLANTS)]
    return refused("beans.csv", rows, "Several days")


# -- names that are numbers, titles that mislead, columns that only look like records


def numbered(rows: Rows) -> Rows:
    """A running number before each line."""
    return [[i, *row] for i, row in enumerate(rows, start=1)]


@layout
def lines_numbered_in_a_table() -> Layout:
    rows = [["No", "date", "plant", "weight (g)"], *numbered(table("weight"))]
    return Layout("a.csv", as_csv(rows), truth("weight"), ugly=True)


@layout
def lines_numbered_beside_days() -> Layout:
    rows = [["No.", "plant", *DAYS], *numbered(wide())]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def a_day_of_sowing_that_is_no_pick() -> Layout:
    rows = [["plant", "sown", "pods"], *([p, "2026-06-02", count(p, DAYS[0])] for p in PLANTS)]
    return Layout("2026-07-01.csv", as_csv(rows), truth("count", days=DAYS[:1]), ugly=True)


@layout
def days_of_the_first_flower() -> Layout:
    rows = [["plant", "first flower", "pods"],
            *([p, f"2026-06-{20 + i}", 3] for i, p in enumerate(PLANTS))]  # fmt: skip
    return refused("a.csv", rows, "file's name")


@layout
def a_title_that_speaks_of_height_and_means_the_trellis() -> Layout:
    rows = [["The effect of trellis height on pods"], ["plant", *DAYS], *wide()]
    return refused("a.csv", rows, "counts")


@layout
def days_without_a_year_of_another_season() -> Layout:
    rows = [["Beans of 2025"], ["plant", *map(spoken, DAYS)], *wide()]
    return refused("a.csv", rows, "2025")


@layout
def units_on_a_line_below() -> Layout:
    rows: Rows = [["date", "plant", "weight", "height"], ["", "", "(kg)", "(in)"]]
    rows += [[d, p, None if w is None else w / 1000, round(h / 2.54, 6)]
             for d, p, w, h in table("weight", "height")]  # fmt: skip
    return Layout("a.csv", as_csv(rows), truth("weight", "height"), ugly=True)


@layout
def weekdays_on_a_line_below() -> Layout:
    rows: Rows = [["plant", *DAYS], ["", *(f"{d:%a}" for d in DAYS)], *wide()]
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def two_tables_below_each_other() -> Layout:
    rows: Rows = [["Counts"], ["plant", *DAYS[:2]], *wide(days=DAYS[:2]), [], ["Heights (cm)"],
                  ["plant", *DAYS], *wide(height)]  # fmt: skip
    return Layout("a.csv", as_csv(rows), truth("count", days=DAYS[:2]) | truth("height"), ugly=True)


@layout
def a_sheet_a_trait() -> Layout:
    sheets = {"Pod__counts": [["plant", *DAYS], *wide()],
              "Weights__(g)": [["plant", *DAYS], *wide(weight)],
              "Heights": [["plant", *DAYS], *wide(height)]}
    return Layout("a.xlsx", book(**sheets), truth("count", "weight", "height"))


@layout
def a_label_and_a_day_above() -> Layout:
    rows: Rows = [["Bean trial"], ["Date:", "13 July 2026"], ["Picked by:", "Jo"], [],
                  ["plant", "pods", "g"],
                  *([p, count(p, DAYS[2]), weight(p, DAYS[2])] for p in PLANTS)]  # fmt: skip
    return Layout("a.csv", as_csv(rows), truth("count", "weight", days=DAYS[2:3]), ugly=True)


@layout
def running_totals_beside_each_day() -> Layout:
    rows: Rows = [["", *(x for d in DAYS for x in (d, ""))],
                  ["plant", *(x for _ in DAYS for x in ("pods", "cumulative"))]]
    for p in PLANTS:
        so_far, row = 0, [p]
        for d in DAYS:
            so_far += count(p, d) or 0
            row += [count(p, d), so_far]
        rows.append(row)
    return Layout("a.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def a_heading_on_line_25() -> Layout:
    rows: Rows = [*([f"rule {i} of the club"] for i in range(24)), ["plant", *DAYS], *wide()]
    return refused("a.csv", rows, "first 20")


def running() -> Rows:
    """A line a plant with what it had given up to each day."""
    rows: Rows = [["plant", *map(str, DAYS)]]
    for p in PLANTS:
        so_far = 0
        rows.append([p, *(so_far := so_far + (count(p, d) or 0) for d in DAYS)])
    return rows


@layout
def running_totals_as_the_title_says() -> Layout:
    return refused("pods.csv", [["Running total of pods"], *running()], "Running totals are no")


@layout
def running_totals_as_the_files_name_says() -> Layout:
    return refused("pods_cumulative.csv", running(), "Running totals are no")


@layout
def a_pivot_of_varieties_and_their_plants() -> Layout:
    rows: Rows = [["Sum of pods", "", "Date"], ["Variety", "Plant", *map(str, DAYS), "Grand Total"]]
    for v in VARIETIES:
        own = [p for p in PLANTS if variety(p) == v]
        for at, p in enumerate(own):
            figures = [count(p, d) for d in DAYS]
            rows.append([v if not at else "", p, *figures, sum(f or 0 for f in figures)])
        sums = [sum(count(p, d) or 0 for p in own) for d in DAYS]
        rows.append([f"{v} Total", "", *sums, sum(sums)])
    sums = [sum(count(p, d) or 0 for p in PLANTS) for d in DAYS]
    return Layout("pivot.csv", as_csv([*rows, ["Grand Total", "", *sums, sum(sums)]]),
                  truth("count"), ugly=True)


@layout
def answers_of_an_online_form() -> Layout:
    rows: Rows = [["Timestamp", "Which plant?", "How many?"]]
    rows += [[f"{d} 08:{at:02d}:11", p, count(p, d)] for d in DAYS for at, p in enumerate(PLANTS)]
    return Layout("answers.csv", as_csv(rows), truth("count"), ugly=True)


@layout
def lines_of_pods_and_of_heights_in_turn() -> Layout:
    rows: Rows = [["plant", "", *map(str, DAYS)]]
    for p in PLANTS:
        rows += [[p, "pods", *(count(p, d) for d in DAYS)],
                 ["", "height cm", *(height(p, d) for d in DAYS)]]
    return Layout("both.csv", as_csv(rows), truth("count", "height"), ugly=True)


@layout
def days_counted_from_planting() -> Layout:
    rows: Rows = [["plant", "day 42", "day 45", "day 54", "day 61"]]
    return refused("days.csv", rows + [[p, *(count(p, d) for d in DAYS)] for p in PLANTS],
                   "dates across the top")


@layout
def two_figures_in_one_cell() -> Layout:
    rows: Rows = [["plant", *map(str, DAYS)]]
    return refused("both.csv", rows + [[p, *(f"{count(p, d)}/{weight(p, d)}" for d in DAYS)]
                                       for p in PLANTS], "not a number")
