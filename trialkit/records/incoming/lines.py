"""The lines of a sheet that are records, and of which plant and which day each of them is.

What is left out on purpose (totals, headings that come again, remarks below) is said, and so is
what stands once for several lines.  A line that names no plant that is listed is an error later,
as in any table.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from trialkit.reading.problems import Unreadable, shown
from trialkit.reading.spelling import folded, plain
from trialkit.records.findings import Findings
from trialkit.records.incoming.arrangement import (
    FIGURES,
    MEASURES,
    OWN_WHOLE,
    SHAPES,
    Arrangement,
)
from trialkit.records.incoming.contents import (
    LABELS,
    Days,
    Listed,
    Subject,
    figure,
    is_sum,
    summary_word,
)
from trialkit.records.plots import BASKET
from trialkit.records.sheet import Grid
from trialkit.records.tables import match_headings
from trialkit.trial import Trial

WORDS_OF_A_REMARK = 3
_SECTIONS = {"block": "block", "bed": "block", "rep": "replicate", "replicate": "replicate",
             "replication": "replicate", "row": "row", "plot": "plot"}
_BY_PLANT = "a line (or column) a plant, named as in plants.csv"


@dataclass(frozen=True)
class SheetTable:
    """A table of a sheet, and what its cells are read by.

    grid : its cells, merged ones of the heading and of names filled in.  days : how its days are
    read.  named_for : the plant that the sheet or file is named for, "" for none.  source : the
    file's name, of which its records are; device : what the log keeps of the file's content.
    """

    arranged: Arrangement
    grid: Grid
    days: Days
    listed: Listed
    named_for: str
    source: str
    device: str

    @property
    def trial(self) -> Trial:
        """The trial whose records they are."""
        return self.days.trial

    @property
    def heading_line(self) -> int:
        """The line of the heading, or of its first line."""
        return self.grid.line(self.arranged.top, 0)

    def text(self, line: Line, place: int) -> str:
        """A line's cell in a column."""
        return self.grid.texts[line.row][place]

    def heading_error(self, place: int, problem: str, accepted: str, findings: Findings) -> None:
        """An error in what a column is called."""
        name = self.arranged.headings[place].text
        at = self.grid.line(self.arranged.first - 1, place)
        findings.error(self.grid.file, at, name, name, problem, accepted)

    def cell_error(
        self, line: Line, place: int, text: str, error: Unreadable, findings: Findings
    ) -> None:
        """An error in a line's cell.  text : what the cell says."""
        findings.error(self.grid.file, self.grid.line(line.row, place),
                       self.column_name(line, place), text, error.problem, error.accepted)

    def column_name(self, line: Line, place: int) -> str:
        """What a cell's column is called in the file: its heading, else its letter."""
        who = self.arranged.who
        if not self.grid.turned:
            name = self.arranged.headings[place].text
        else:
            name = "" if who is None else self.text(line, who)
        return name or f"column {self.grid.letter(line.row, place)}"


def sheet_table(
    arranged: Arrangement, days: Days, listed: Listed, named_for: str, source: str, device: str
) -> SheetTable:
    """The table of a sheet that is arranged so."""
    names = {*arranged.places("plant", "date", "label", "trait")}
    if arranged.who is not None:
        names.add(arranged.who)
    grid = arranged.grid.filled(arranged.first - 1, frozenset(names))
    return SheetTable(arranged, grid, days, listed, named_for, source, device)


@dataclass(frozen=True)
class Line:
    """A line of records.  row : in the grid.  name : what it says of its plant, as written.

    labels : what lines of their own above it say (variety, block).  day : None where it has none
    of its own.  plant : as listed where it is, "" for a blank.
    """

    row: int
    name: str
    labels: dict[str, str] = field(default_factory=dict)
    day: date | None = None
    plant: str = ""


@dataclass(frozen=True)
class Lines:
    """The lines of records of a table.  plants : how many plants they name, and where, in words.

    taken_as, left_out : what was read from other lines, and what is not read, in words.
    """

    lines: tuple[Line, ...]
    plants: str = ""
    taken_as: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


# ------------------------------------------------------------------------------------------------
# Which lines are records.
# ------------------------------------------------------------------------------------------------

def record_lines(table: SheetTable, findings: Findings) -> Lines:
    """The lines of records below the heading, without totals; days and plants not read yet."""
    lines = _below_heading(table)
    return _without_totals(table, lines, findings)


def _below_heading(table: SheetTable) -> Lines:
    """Lines of records, with the days and labels that stand on lines of their own above."""
    arranged, grid = table.arranged, table.grid
    heading = grid.texts[arranged.first - 1]
    day: date | None = None
    labels: dict[str, str] = {}
    no_day = not arranged.has_days_across and not arranged.places("date")
    lines: list[Line] = []
    left_out: list[str] = []
    for row in range(arranged.first, grid.height):
        texts = grid.texts[row]
        filled = [t for t in texts if t]
        at = None if grid.turned else grid.line(row, 0)
        if texts == heading and len(filled) > 1:
            left_out.append(f"line {at}: the heading again" if at else "the heading again")
            continue
        if len(filled) == 1 and len(texts) > 1 and table.listed.plant(filled[0]) is None:
            only = filled[0]
            its_day = table.days.day(only) if no_day else None
            label = _section(only, table.listed)
            if its_day is not None:
                day = its_day
                continue
            if label is not None:
                inside = "block" in label or "replicate" in label
                labels = {**labels, **label} if inside else label
                left_out.append(f"line {at}: '{shown(only, 40)}', above a group")
                continue
            if len(only.split()) >= WORDS_OF_A_REMARK and math.isnan(figure(only, grid.mark)):
                left_out.append(f"line {at}: '{shown(only, 40)}', a remark")
                continue
        name = "" if arranged.who is None else texts[arranged.who]
        lines.append(Line(row, name, labels, day))
    return Lines(tuple(lines), left_out=tuple(left_out))


def _section(text: str, listed: Listed) -> dict[str, str] | None:
    """What a line of one cell says of the lines below: a variety, or block 2."""
    variety = listed.varieties.get(folded(text))
    if variety is not None:
        return {"variety": variety}
    first, _, rest = text.replace(":", " ").partition(" ")
    label = _SECTIONS.get(plain(first))
    if label is None or not rest.strip() or match_headings(MEASURES, [first])[0]:
        return None
    return {label: rest.strip()}


def _without_totals(table: SheetTable, lines: Lines, findings: Findings) -> Lines:
    """The lines without totals and means of others, known by name or by their sum."""
    arranged, grid = table.arranged, table.grid
    values = arranged.places("day", *FIGURES, OWN_WHOLE, "value", "summary")
    records: list[Line] = []
    left_out = list(lines.left_out)
    since = 0
    read: dict[int, dict[int, float]] = {}

    def numbers(line: Line) -> dict[int, float]:
        if line.row not in read:
            read[line.row] = {p: figure(table.text(line, p), grid.mark) for p in values}
        return read[line.row]

    for at, line in enumerate(lines.lines):
        known = _is_named(table, line)
        texts = grid.texts[line.row]
        beside = [t for i, t in enumerate(texts) if i not in values and t]
        word = None if known else next(filter(None, map(summary_word, beside)), None)
        if known or (word is None and len(records) - since < 2):
            records.append(line)
            continue
        cells = {p: (texts[p], v) for p, v in numbers(line).items()}
        below = [] if records else [o for o in lines.lines[at + 1:] if _is_named(table, o)]
        groups = [records[since:], records, below, *_of_one_variety(table, records, line)]
        adds_up = any(
            is_sum(cells, {p: [numbers(o)[p] for o in group] for p in values}, mean=word == "mean")
            for group in groups if group
        )
        if not adds_up and word is None:
            records.append(line)
            continue
        what = {"mean": "means", "other": "worked out from the others"}.get(
            word or "", "the sum of lines above" if records else "the sum of lines below")
        label = beside[0] if beside else "without name"
        where = (f"column {grid.letter(line.row, 0)}" if grid.turned
                 else f"line {grid.line(line.row, 0)}")
        left_out.append(f"{where}, '{shown(label, 30)}': {what}")
        if not adds_up and word == "total" and any(not math.isnan(v) for _, v in cells.values()):
            findings.doubt(grid.file, grid.line(line.row, 0), label, "",
                           "a total that is not the sum of its lines: check them")
        since = len(records)
    return Lines(tuple(records), left_out=tuple(left_out))


def _is_named(table: SheetTable, line: Line) -> bool:
    """Whether a line names what the others name."""
    if table.arranged.who is None:
        return not any(summary_word(t) for t in table.grid.texts[line.row] if t)
    subject = table.listed.subject(line.name) if line.name else None
    return subject is not None and subject == table.arranged.subject


def _of_one_variety(
    table: SheetTable, lines: Sequence[Line], total: Line
) -> list[list[Line]]:
    """The lines of each variety that the line of a total names."""
    listed = table.listed
    named = [v for t in table.grid.texts[total.row]
             if (v := listed.varieties.get(folded(t))) is not None]
    of = dict(zip(listed.plants["plant"], listed.plants["variety"], strict=True)) if named else {}
    return [[o for o in lines if of.get(listed.plant(o.name)) == v] for v in named]


# ------------------------------------------------------------------------------------------------
# The day of each line.
# ------------------------------------------------------------------------------------------------

def with_days(table: SheetTable, lines: Lines, findings: Findings) -> Lines:
    """The lines with the day of each from its column; written once for several lines below each
    other, it is theirs too."""
    dates = table.arranged.places("date")
    if not dates:
        return lines
    place = dates[0]
    texts = [table.text(line, place) for line in lines.lines]
    blank = sum(not t for t in texts)
    carried = bool(texts[0]) and _is_carried(blank, len(texts))
    out: list[Line] = []
    last: date | None = None
    for line, text in zip(lines.lines, texts, strict=True):
        if text or not carried:
            last = _day_in(table, line, place, findings)
        out.append(replace(line, day=last))
    if not carried or not blank:
        return replace(lines, lines=tuple(out))
    taken_as = f"{blank:,} blank days: the day above, written once for several lines"
    return replace(lines, lines=tuple(out), taken_as=(*lines.taken_as, taken_as))


def _day_in(table: SheetTable, line: Line, place: int, findings: Findings) -> date | None:
    """The day of a cell; None, and an error, where it cannot be read."""
    text = table.text(line, place)
    try:
        return table.days.read(text)
    except Unreadable as error:
        table.cell_error(line, place, text, error, findings)
        return None


def with_day_of_name(table: SheetTable, lines: Lines, findings: Findings) -> Lines:
    """The lines with the one day that stands in the sheet's name, above the heading or in the
    file's name, where they have none of their own; an error where none or several stand there."""
    day = _day_of_name(table, findings)
    return replace(lines, lines=tuple(replace(x, day=x.day or day) for x in lines.lines))


def _day_of_name(table: SheetTable, findings: Findings) -> date | None:
    file, days = table.grid.file, table.days
    names = (table.grid.title, file.removeprefix(table.source), Path(table.source).stem)
    from_name = next((day for name in names if (day := _in_words(name, days)) is not None), None)
    stated = {day for _, text in table.arranged.above
              if (day := _in_words(text, days)) is not None}
    if from_name is not None:
        stated.add(from_name)
    if len(stated) == 1:
        return stated.pop()
    if stated:
        findings.error(file, table.heading_line, "date", " and ".join(map(str, sorted(stated))),
                       "Several days stand above the heading and in the name.", "a column date")
    else:
        findings.error(file, table.heading_line, "date", "", "There is no such column.",
                       "a column date, or the day in the file's name: picks 2026-07-12.csv")
    return None


def _in_words(text: str, days: Days) -> date | None:
    """The day in a text of several words."""
    words = text.replace("(", " ").replace(")", " ").replace("_", " ").replace(",", " ").split()
    for size in range(min(4, len(words)), 0, -1):
        for start in range(len(words) - size + 1):
            day = days.day(" ".join(words[start: start + size]).strip(":;"))
            if day is not None:
                return day
    return None


# ------------------------------------------------------------------------------------------------
# The plant of each line.
# ------------------------------------------------------------------------------------------------

def with_plants(table: SheetTable, lines: Lines, findings: Findings) -> Lines | None:
    """The lines with the plant of each; None, and an error, where they are not about plants."""
    arranged, listed = table.arranged, table.listed
    names = [line.name for line in lines.lines]
    labels = _labels(table, lines.lines)
    if arranged.who is None and table.named_for:
        return _named(lines, [table.named_for] * len(names),
                      f"{table.named_for}, by the sheet's name")
    if arranged.who is None or arranged.subject != "plant":
        subject: Subject = arranged.subject
        if arranged.who is None:
            subject = "plot" if "plot" in labels else "plant"
        else:
            labels = labels | {subject: names}
        placed = listed.by_place(labels, len(names))
        if placed is not None:
            how = (" and ".join(labels) if arranged.who is None else f"{subject}, one in each")
            return _named(lines, placed, f"{len(set(placed)):,}, by {how}")
        if arranged.who is not None and subject == "plot":
            return _named(lines, [f"{BASKET}{name}" if name else "" for name in names],
                          f"{len(set(names)):,} plots, each picked into one basket")
        _not_by_plants(table, lines.lines[0], subject, findings)
        return None
    lines = _carried(table, lines)
    names = [line.name for line in lines.lines]
    known = [listed.plant(name) if name else "" for name in names]
    joined = listed.joined(names, labels) if None in known else None
    if joined is not None:
        names, label = joined
        return _named(lines, names, f"{len(set(names)):,}, by {label} and number in it")
    heading = arranged.headings[arranged.who].text
    where = "across" if table.grid.turned else (
        f"down, under '{heading}'" if heading else "down, without a heading")
    plants = [_nearly(table, line, k, findings) if line.name or not plot else f"{BASKET}{plot}"
              for line, k, plot in zip(lines.lines, known, _plots(table, lines.lines), strict=True)]
    return _named(lines, plants, f"{len({n for n in names if n}):,} {where}")


def _named(lines: Lines, plants: Sequence[str], where: str) -> Lines:
    """The lines with their plants; where : how many they are and where they are named."""
    pairs = zip(lines.lines, plants, strict=True)
    return replace(lines, lines=tuple(replace(line, plant=p) for line, p in pairs), plants=where)


def _plots(table: SheetTable, lines: Sequence[Line]) -> list[str]:
    """The plot that each line names, for lines without a plant."""
    place = next((i for i, h in enumerate(table.arranged.headings) if h.named == "plot"), None)
    return ["" if place is None else table.text(line, place) for line in lines]


def _nearly(table: SheetTable, line: Line, known: str | None, findings: Findings) -> str:
    """A plant as listed where only marks and zeros differ; else as it stands."""
    key = folded(line.name)
    if known and folded(known) != key and table.listed.names.get(key) is None:
        findings.doubt(table.grid.file, _line_of(table, line), "plant", line.name,
                       f"read as '{known}'")
        return known
    return line.name


def _line_of(table: SheetTable, line: Line) -> int:
    """The file's line on which the plant's name stands."""
    return table.grid.line(line.row, table.arranged.who or 0)


def _carried(table: SheetTable, lines: Lines) -> Lines:
    """The lines with names that are written once for several lines below each other."""
    blank = sum(not line.name for line in lines.lines)
    several = table.arranged.places("date", "trait")
    if not lines.lines[0].name or not _is_carried(blank, len(lines.lines)) or not several:
        return lines
    out: list[Line] = []
    for line in lines.lines:
        out.append(line if line.name else replace(line, name=out[-1].name))
    taken_as = f"{blank:,} blank names: the plant above, written once for several lines"
    return replace(lines, lines=tuple(out), taken_as=(*lines.taken_as, taken_as))


def _is_carried(blank: int, lines: int) -> bool:
    """Whether so many blanks are a way of writing; a single one may have been forgotten."""
    return blank > 1 and 2 * blank >= lines


def _labels(table: SheetTable, lines: Sequence[Line]) -> dict[str, list[str]]:
    """What lines say of their plants beside the name, by label, carried down where blank."""
    out: dict[str, list[str]] = {}
    for label in LABELS:
        place = next((i for i, h in enumerate(table.arranged.headings)
                      if h.role == "label" and h.named == label and i != table.arranged.who), None)
        if place is None:
            if all(label in line.labels for line in lines):
                out[label] = [line.labels[label] for line in lines]
            continue
        texts, last = [], ""
        for line in lines:
            last = table.text(line, place) or last
            texts.append(last)
        out[label] = texts
    title = table.listed.varieties.get(folded(table.grid.title))
    if title is not None and "variety" not in out:
        out["variety"] = [title] * len(lines)
    return out


def _not_by_plants(table: SheetTable, first: Line, subject: Subject, findings: Findings) -> None:
    """An error for a sheet whose lines are not about single plants."""
    problem = {
        "variety": "The lines are of varieties: a variety's total over several plots cannot be "
                   "shared out.",
        "plot": "The lines are of plots of several plants: their total cannot be shared out.",
        "plant": "There is no such column.",
    }[subject]
    value, accepted = ("", SHAPES) if subject == "plant" else (first.name, _BY_PLANT)
    findings.error(table.grid.file, _line_of(table, first), "plant", value, problem, accepted)
