"""A sheet's records, once it is known what stands where; and what was made of the sheet.

Nothing is read in part: a cell that cannot be read, a plant that is not listed and a figure of
which no heading says what it is are errors, and then none of the file comes in.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from trialkit.reading.amounts import is_blank
from trialkit.reading.problems import Unreadable, shown
from trialkit.reading.spelling import plain
from trialkit.records.findings import LONGEST, Findings
from trialkit.records.incoming.arrangement import (
    FIGURES,
    MEASURES,
    OWN,
    OWN_WHOLE,
    SHAPES,
    WORDS,
    Heading,
    bare_figures,
    own_heading,
)
from trialkit.records.incoming.contents import figure, is_sum, summary_word
from trialkit.records.incoming.entries import LONGEST_NOTE, Incoming, measure
from trialkit.records.incoming.lines import (
    Line,
    Lines,
    SheetTable,
    record_lines,
    with_day_of_name,
    with_days,
    with_plants,
)
from trialkit.records.log import called, is_own
from trialkit.records.owntraits import own_of
from trialkit.records.schema import LOGGED
from trialkit.records.sheet import unreadable
from trialkit.records.tables import match_headings

_RUNNING = re.compile(r"\b(?:cumulative|accumulated|running totals?|totals? (?:to date|so far))\b",
                      re.IGNORECASE)
NAMED_AT_MOST = 3
FEWEST_NUMBERED = 4
FEWEST_RUNNING = 4


@dataclass(frozen=True)
class SheetReading:
    """What was made of a sheet.

    heading, plants : where they stand.  days : of its records; across : which way they run.
    kinds : how many records of each kind; blanks : how many cells said nothing.  taken_as : how
    what is not said was read.  left_out : what is not read, and why.  examples : some records.
    """

    file: str
    heading: str
    plants: str
    days: tuple[date, ...]
    across: str
    kinds: dict[str, int]
    blanks: int
    taken_as: tuple[str, ...]
    left_out: tuple[str, ...]
    examples: tuple[str, ...]

    @property
    def lines(self) -> list[tuple[str, str]]:
        """Label and words, one line of the table each."""
        out = [("heading", self.heading), ("plants", self.plants)]
        if self.days:
            first, last = min(self.days), max(self.days)
            many = f"{len(self.days)}, {first} to {last}" if first != last else str(first)
            out.append(("days", f"{many}{f', {self.across}' if self.across else ''}"))
        kinds = ", ".join(
            f"{n:,} {called(kind)}{'s' if n > 1 and not is_own(kind) else ''}"
            for kind, n in self.kinds.items())
        blanks = f"; {self.blanks:,} blank, not looked at" if self.blanks else ""
        out.append(("records", f"{kinds or 'none'}{blanks}"))
        out += [("taken as", text) for text in self.taken_as]
        out += [("left out", text) for text in self.left_out]
        out += [("for example", text) for text in self.examples]
        return out


class Measured(NamedTuple):
    """What a cell's figure is.  kind : in the log.  unit : of a bare number, "" for the trial's."""

    kind: str
    unit: str = ""


def read_sheet(
    table: SheetTable, findings: Findings
) -> tuple[list[Incoming], SheetReading | None]:
    """The records of a table and what was made of it; none of either, and errors among the
    findings, where it cannot be read."""
    sound = _judge_shape(table, findings) and not _of_running_totals(table, findings)
    lines = record_lines(table, findings)
    if not lines.lines:
        findings.error(table.grid.file, table.heading_line, "", "",
                       "It has no line of records below its heading.", SHAPES)
        return [], None
    usual, taken_as = _usual(table, findings)
    _judge_headings(table, usual, findings)
    unread = _columns_left_out(table, lines.lines, usual, findings)
    lines = with_days(table, lines, findings)
    named = with_plants(table, lines, findings)
    if named is None or not sound:
        return [], None
    columns = _days_across if table.arranged.has_days_across else _table
    records, notes_under = columns(table, named, usual, findings)
    records.sort(key=lambda record: record.line)
    _never_falling(table, records, findings)
    named = replace(named, taken_as=(*taken_as, *named.taken_as, *notes_under),
                    left_out=(*named.left_out, *unread))
    return records, _made_of(table, named, records)


# ------------------------------------------------------------------------------------------------
# What cannot be, whatever it says; and what is odd of all of it.
# ------------------------------------------------------------------------------------------------

def _judge_shape(table: SheetTable, findings: Findings) -> bool:
    """Whether no cells are merged (those of the heading and of names are filled in by now), and
    no line has more cells than the heading."""
    grid = table.grid
    for area in grid.merged:
        findings.error(grid.file, area.top, "", area.ref, "These cells are merged into one.",
                       "a value in each cell (unmerge them, and fill in the others)")
    sound = not grid.merged
    return (_judge_lengths(table, findings) if grid.lengths else True) and sound


def _judge_lengths(table: SheetTable, findings: Findings) -> bool:
    """Whether no line of a CSV file has cells beyond its heading; those cut short are odd."""
    grid, first, sound = table.grid, table.arranged.first, True
    width = max(grid.lengths[table.arranged.top: first])
    for row in range(first, grid.height):
        length, line = grid.lengths[row], grid.lines[row]
        text = ",".join(grid.texts[row])
        beyond = [t for c, t in zip(grid.columns, grid.texts[row], strict=True) if c > width]
        if length > width and any(beyond):
            sound = False
            findings.error(grid.file, line, "", text,
                           f"The line has {length} cells, the heading {width}.",
                           f"{width} cells; quotes round a text with a comma in it")
        elif 1 < length < width:
            findings.doubt(grid.file, line, "", text, f"a line with {length} cells where the "
                           f"heading has {width}: the missing ones are taken as blank")
    return sound


def _of_running_totals(table: SheetTable, findings: Findings) -> bool:
    """Whether the sheet says of itself that its figures are running totals; then an error."""
    stem = re.sub(r"[_\W]+", " ", Path(table.source).stem)
    titles = (*(t for _, t in table.arranged.above), table.grid.title, stem)
    title = next((text for text in titles if _RUNNING.search(text)), None)
    if title is None or table.arranged.places("summary"):
        return False  # where columns of totals stand beside the days, it speaks of those
    findings.error(table.grid.file, table.heading_line, "", title, "Running totals are no picks: "
                   "added up again they would count each pod many times.",
                   "what each pick brought (the difference to the pick before), in a sheet that "
                   "says so")
    return True


def _never_falling(
    table: SheetTable, records: Sequence[Incoming], findings: Findings
) -> None:
    """A doubt where counts look like running totals: no plant's ever fall from day to day."""
    by: dict[str, list[tuple[date, float]]] = {}
    for record in records:
        if record.kind == "count" and not record.blank and record.date is not None:
            by.setdefault(record.plant, []).append((record.date, record.amount))
    long = [sorted(counts, key=lambda count: count[0]) for counts in by.values()
            if len(counts) >= FEWEST_RUNNING]
    steps = [after - before for counts in long for (_, before), (_, after) in pairwise(counts)]
    if len(long) >= 2 and min(steps) >= 0 and 2 * sum(s > 0 for s in steps) > len(steps):
        findings.doubt(table.grid.file, table.heading_line, "count", "", "no plant's counts ever "
                       "fall from one day to the next: are they running totals? Each must be what "
                       "that pick brought")


# ------------------------------------------------------------------------------------------------
# What the columns are: said twice, not said, left out.
# ------------------------------------------------------------------------------------------------

def _usual(table: SheetTable, findings: Findings) -> tuple[Measured, tuple[str, ...]]:
    """What figures under a bare day are, and how that was told; an error where that is not clear.
    Counts where nothing says otherwise."""
    headings = table.arranged.headings
    if all(h.kind for h in headings if h.role == "day" and h.day is not None):
        return Measured("count"), ()
    stated, title = bare_figures(table.arranged, table.grid.file, table.source, table.trial)
    if stated is not None:
        told = f"figures: {called(stated.kind)}, as '{shown(title, 40)}' says"
        return Measured(stated.kind, stated.unit), () if stated.kind == "count" else (told,)
    if title:
        findings.error(table.grid.file, table.heading_line, "", title, "It speaks of height or "
                       "weight, and no heading says whether the figures are that or counts.",
                       "count, weight or height after each day, such as 2026-07-01 count")
    return Measured("count"), ()


def _measured(heading: Heading, usual: Measured) -> Measured:
    """What the figures under a day are."""
    return Measured(heading.kind, heading.unit) if heading.kind else usual


def _judge_headings(table: SheetTable, usual: Measured, findings: Findings) -> None:
    """Errors for headings that cannot be, and for those that say the same twice."""
    first: dict[object, str] = {}
    for place, heading in enumerate(table.arranged.headings):
        key: object = None
        if heading.wrong is not None:
            table.heading_error(place, heading.wrong.problem, heading.wrong.accepted, findings)
        elif heading.role == "day":
            key = (heading.day, _measured(heading, usual).kind)
            if key in first:
                table.heading_error(place, f"It is the same day as '{first[key]}'.",
                                    "one column a day and trait", findings)
        elif heading.role == "note" and heading.day is not None:
            continue
        elif heading.role in (*FIGURES, OWN_WHOLE, "plant", "date", "note", "trait", "value"):
            key = heading.role, heading.kind
            if key in first and place != table.arranged.who:
                table.heading_error(place, f"It says the same as another column: {heading.named}.",
                                    "one column for each", findings)
        if key is not None:
            first.setdefault(key, heading.text)


def _columns_left_out(
    table: SheetTable, lines: Sequence[Line], usual: Measured, findings: Findings
) -> list[str]:
    """Which columns are not read, and why; errors for figures that no heading tells of."""
    arranged, across = table.arranged, table.arranged.has_days_across
    left_out: list[str] = []
    for place, heading in enumerate(arranged.headings):
        undated = heading.role in (*FIGURES, "value") and not _of_its_own_day(table, place) and (
            across or plain(heading.text) in ("no", "number"))
        if place == arranged.who or not (
            heading.role in ("summary", "unknown", "blank") or undated
        ):
            continue
        filled = [line for line in lines if not is_blank(table.text(line, place))]
        if not filled:
            continue
        where = (f"{'line' if table.grid.turned else 'column'} "
                 + (f"'{heading.text}'" if heading.text else "without a name"))
        if _counts_lines(table, lines, place):
            left_out.append(f"{where}: it numbers the lines")
        elif across and _adds_up(table, filled, place, usual):
            left_out.append(f"{where}: the sum of the days")
        elif heading.role == "summary":
            summary = summary_word(heading.text)
            what = {"total": "a total", "mean": "a mean"}.get(summary or "")
            left_out.append(f"{where}: {what or 'worked out from the others'}")
            if across and summary == "total":
                _does_not_add_up(table, filled, place, usual, findings)
        elif undated:
            if across:
                table.heading_error(place, "Of which day is it?", "a date before the word, such as "
                                    "2026-07-01 weight; or a column date, and a line a day",
                                    findings)
        elif heading.role == "unknown":
            findings.doubt(table.grid.file, table.grid.line(arranged.first - 1, place),
                           heading.text, "", "a column that is not read")
        elif any(not math.isnan(_number(table, line, place)) for line in filled):
            # Words beside the table are notes; figures must have a name.
            table.cell_error(filled[0], place, table.text(filled[0], place), Unreadable(
                "It stands in a column without a name.", "a name in the first row of each column",
            ), findings)
    return left_out


def _number(table: SheetTable, line: Line, place: int) -> float:
    """The number of a cell; NaN where it holds none."""
    return figure(table.text(line, place), table.grid.mark)


def _counts_lines(table: SheetTable, lines: Sequence[Line], place: int) -> bool:
    """Whether a column only numbers the lines: 1, 2, 3 and so on."""
    name = plain(table.arranged.headings[place].text)
    if name not in ("", "no", "number", "nr", "line", "index") or len(lines) < FEWEST_NUMBERED:
        return False
    return all(table.text(line, place) == str(n) for n, line in enumerate(lines, start=1))


def _adds_up(table: SheetTable, lines: Sequence[Line], place: int, usual: Measured) -> bool:
    """Whether a column is the sum of its lines' days, of all or of one kind."""
    parts = {p: _measured(h, usual).kind for p, h in enumerate(table.arranged.headings)
             if h.role == "day" and h.wrong is None}
    cells = {line.row: (table.text(line, place), _number(table, line, place)) for line in lines}
    if len(parts) < 2 or any(math.isnan(value) for _, value in cells.values()):
        return False
    return any(
        is_sum(cells, {line.row: [_number(table, line, p) for p, of in parts.items()
                                  if kind in (None, of)] for line in lines})
        for kind in (None, *set(parts.values()))
    )


def _does_not_add_up(
    table: SheetTable, lines: Sequence[Line], place: int, usual: Measured, findings: Findings
) -> None:
    for line in lines:
        text = table.text(line, place)
        if unreadable(text) is None and not _adds_up(table, [line], place, usual):
            findings.doubt(table.grid.file, table.grid.line(line.row, place),
                           table.column_name(line, place), text,
                           "a total that is not the sum of its days: check them")


# ------------------------------------------------------------------------------------------------
# The columns of records.
# ------------------------------------------------------------------------------------------------

def _table(
    table: SheetTable, lines: Lines, usual: Measured, findings: Findings
) -> tuple[list[Incoming], tuple[str, ...]]:
    """The records of a table with a line a record."""
    arranged = table.arranged
    dated = {p for p in arranged.places(OWN) if _of_its_own_day(table, p)}
    if not arranged.places("date") and any(line.day is None for line in lines.lines) and (
        set(arranged.places(*FIGURES, "value", "note")) - dated
    ):
        lines = with_day_of_name(table, lines, findings)
    days = [line.day for line in lines.lines]
    places = [i for i in arranged.places(*FIGURES, "note")
              if arranged.headings[i].day is None and i != arranged.who
              and not _counts_lines(table, lines.lines, i)]
    value, trait = arranged.places("value"), arranged.places("trait")
    if not [p for p in places if arranged.headings[p].role != "note"] and not value and not (
        arranged.places("note")
    ):
        texts = ", ".join(h.text for h in arranged.headings)[:LONGEST]
        findings.error(table.grid.file, table.heading_line, "", texts, "It has neither counts, "
                       "weights or heights nor dates across the top.", SHAPES)
        return [], ()
    out: list[Incoming] = []
    for place in places:
        heading = arranged.headings[place]
        out += _column(table, lines.lines, place, days,
                       Measured(heading.kind or heading.role, heading.unit), findings)
    if value and trait:
        stated = _stated(table, lines.lines, trait[0], findings)
        out += _column(table, lines.lines, value[0], days, stated, findings)
    elif value:
        table.heading_error(value[0], "What is it a value of?",
                            f"{WORDS}; or a column trait that says which", findings)
    for place in _beside(table, lines.lines):
        out += _column(table, lines.lines, place, days, Measured("note"), findings)
    return out, ()


def _days_across(
    table: SheetTable, lines: Lines, usual: Measured, findings: Findings
) -> tuple[list[Incoming], tuple[str, ...]]:
    """The records of a table with a column a day, and under which day notes without one go."""
    arranged, headings = table.arranged, table.arranged.headings
    trait = arranged.places("trait")
    stated = _stated(table, lines.lines, trait[0], findings) if trait else []
    out: list[Incoming] = []
    for place in arranged.places("day"):
        heading = headings[place]
        if heading.day is not None:
            measured = _measured(heading, usual)
            of = [m if m.kind else measured for m in stated] or measured
            out += _column(table, lines.lines, place, heading.day, of, findings)
    for place in arranged.places(OWN):
        if _of_its_own_day(table, place):
            out += _column(table, lines.lines, place, None, Measured(headings[place].kind),
                           findings)
    first = min((h.day for h in headings if h.role == "day" and h.day is not None), default=None)
    notes_under: list[str] = []
    for place in (*arranged.places("note"), *_beside(table, lines.lines)):
        day = headings[place].day
        if day is None and any(_is_words(table.text(line, place)) for line in lines.lines):
            notes_under.append(f"notes: kept under {first}, the first day of the sheet")
        out += _column(table, lines.lines, place, day or first, Measured("note"), findings)
    return out, tuple(notes_under)


def _beside(table: SheetTable, lines: Sequence[Line]) -> list[int]:
    """Columns without a name that hold words: remarks beside the table."""
    return [
        place for place in table.arranged.places("blank")
        if place != table.arranged.who
        and any(_is_words(table.text(line, place)) for line in lines)
    ]


def _is_words(text: str) -> bool:
    return not is_blank(text) and math.isnan(figure(text, None)) and any(map(str.isalpha, text))


def _stated(
    table: SheetTable, lines: Sequence[Line], place: int, findings: Findings
) -> list[Measured]:
    """What each line's figures are, from the column that says so; kind "" where it says nothing
    known."""
    out = []
    trial = table.trial
    for line in lines:
        text = table.text(line, place)
        own = own_heading(text, trial.traits)
        if own is not None:
            out.append(Measured(own.kind, own.unit))
            continue
        match = next(iter(match_headings(MEASURES, [text], trial.counted)[0].values()), None)
        kind = "" if match is None or match.column.name not in LOGGED else match.column.name
        if not kind:
            words = ", ".join((WORDS, *(trait.name for trait in trial.traits)))
            table.cell_error(line, place, text, Unreadable(f"It is not {words}.", words), findings)
        out.append(Measured(kind, (match.unit or "") if match is not None else ""))
    return out


def _of_its_own_day(table: SheetTable, place: int) -> bool:
    """Whether a column of a trait of one's own holds the days on which it was first seen."""
    heading = table.arranged.headings[place]
    if heading.role != OWN or heading.day is not None:
        return False
    trait = own_of(heading.kind, table.trial)
    cells = [row[place] for row in table.grid.texts[table.arranged.first:]
             if not is_blank(row[place])]
    return trait is not None and trait.kind == "day" and any(
        table.days.day(text) is not None for text in cells)


# ------------------------------------------------------------------------------------------------
# One column's cells as records.
# ------------------------------------------------------------------------------------------------

def _column(
    table: SheetTable, lines: Sequence[Line], place: int,
    days: Sequence[date | None] | date | None, measured: Sequence[Measured] | Measured,
    findings: Findings,
) -> list[Incoming]:
    """A column of cells, one for each line, as records.  days, measured : of each line, or one of
    all."""
    each_day = days if isinstance(days, Sequence) else [days] * len(lines)
    each = [measured] * len(lines) if isinstance(measured, Measured) else measured
    own_day = _of_its_own_day(table, place)
    grid = table.grid
    out: list[Incoming] = []
    for line, day, (kind, unit) in zip(lines, each_day, each, strict=True):
        text = table.text(line, place)
        blank, spoilt = is_blank(text), unreadable(text)
        if not line.plant and blank:
            continue
        at = grid.line(line.row, place)
        if not line.plant:
            findings.error(grid.file, at, "plant", "", "It is blank.",
                           "a plant listed in plants.csv")
        record = Incoming(grid.file, at, table.source, "", "", day, line.plant, kind,
                          device=table.device)
        mark = "." if text in grid.held_as_numbers else grid.mark
        if is_own(kind) and spoilt is None:
            text = _own_text(table, line, place, Measured(kind, unit))
        try:
            if spoilt is not None:
                raise Unreadable(spoilt, "the value itself, or an empty cell")
            if blank and _line_says_it(table, place, kind):
                text = text or "yes"
            elif blank:
                out.append(replace(record, blank=True))
                continue
            if own_day:
                out.append(replace(record, date=table.days.read(text), value="yes"))
            elif kind == "note":
                out.append(replace(record, note=text[:LONGEST_NOTE]))
            else:
                value, stored_unit, amount = measure(kind, text, unit, table.trial, mark)
                out.append(replace(record, value=value, unit=stored_unit, amount=amount))
        except Unreadable as error:
            table.cell_error(line, place, text, error, findings)
            out.append(replace(record, blank=True))  # so that its plant is judged too
    return out


def _line_says_it(table: SheetTable, place: int, kind: str) -> bool:
    """Whether a line with a trait and no value says that it was seen that day, as in
    traits.csv."""
    trait = own_of(kind, table.trial) if is_own(kind) else None
    return (trait is not None and trait.kind == "day"
            and table.arranged.headings[place].role == "value")


def _own_text(table: SheetTable, line: Line, place: int, measured: Measured) -> str:
    """A cell of a trait of one's own with what its heading and its neighbour say of it: "3"
    beside 20 looked at is 3/20, and "15" under "split (%)" 15 %."""
    text = table.text(line, place)
    if is_blank(text) or "/" in text or "%" in text:
        return text
    whole = next((i for i in table.arranged.places(OWN_WHOLE)
                  if table.arranged.headings[i].kind == measured.kind), None)
    if whole is not None:
        return f"{text}/{table.text(line, whole)}".removesuffix("/")
    return f"{text} %" if measured.unit == "%" else text


# ------------------------------------------------------------------------------------------------
# What was made of it.
# ------------------------------------------------------------------------------------------------

def _made_of(table: SheetTable, lines: Lines, records: Sequence[Incoming]) -> SheetReading:
    """What was made of the sheet, in words."""
    arranged, grid, read = table.arranged, table.grid, table.days
    here = [record for record in records if not record.blank]
    kinds: dict[str, int] = {}
    for record in here:
        kinds[record.kind] = kinds.get(record.kind, 0) + 1
    days = tuple(sorted({record.date for record in records if record.date is not None}))
    above = [shown(text, 40) for _, text in arranged.above]
    over = f"; above it: {' | '.join(above[:NAMED_AT_MOST])}" if above else ""
    first, last = table.heading_line, grid.line(arranged.first - 1, 0)
    heading = "the first column of the table" if grid.turned else (
        f"line {first}" if first == last else f"lines {first} and {last}")
    across = ""
    if arranged.has_days_across or arranged.places("date"):
        across = "across" if arranged.has_days_across != grid.turned else "down"
    of_days: list[str] = []
    if read.settled:
        of_days.append(f"days: {read.settled}, as other days of the sheet show")
    if read.without_a_year and days:
        of_days.append(f"days without a year: of {days[0].year}, the season of planting")
    return SheetReading(
        grid.file, f"{heading}{over}", lines.plants, days, across, kinds,
        blanks=sum(r.blank and (r.kind in LOGGED or is_own(r.kind)) for r in records),
        taken_as=(*lines.taken_as, *of_days), left_out=lines.left_out,
        examples=tuple(
            f"{r.plant}, {r.date}: {called(r.kind)} {f'{r.value} {r.unit}'.strip() or r.note[:30]}"
            for r in (here[:1] + here[-1:] if len(here) > 1 else here)),
    )
