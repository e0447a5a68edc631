"""Spreadsheets brought in: a table, one pick, or plants down and dates across."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

from trialkit.reading.dates import ACCEPTED, read_date
from trialkit.reading.numbers import is_blank
from trialkit.reading.problems import Unreadable
from trialkit.records.findings import LONGEST, Findings
from trialkit.records.folder import File
from trialkit.records.found import LONGEST_NOTE, Found, measure, texts_of
from trialkit.records.headings import Match, match_headings
from trialkit.records.plots import BASKET
from trialkit.records.schema import LOGGED, PICKS, PLANTS, Column, Table
from trialkit.records.sheet import Sheet, unreadable
from trialkit.trial import Trial

_NOTE = Column("note", "text", ("notes", "remark", "remarks", "comment", "comments"))
_MEASURED = tuple(column for _, column in LOGGED.values())
_TALLY = Table("added", (*PICKS.columns[:3], *_MEASURED, _NOTE), ())
_WORDS = " or ".join([", ".join([*LOGGED][:-1]), [*LOGGED][-1]])
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
SHAPES = (
    "a phone's export, a table with date, plant and count, weight or height, or plants down and "
    "dates across"
)


class Spreadsheet:
    """Reads the shapes of a spreadsheet.  Its name is the source of its records."""

    def __init__(self, sheet: Sheet, file: File, trial: Trial, findings: Findings) -> None:
        self.sheet, self.trial, self.findings = sheet, trial, findings
        self.source = file.name
        self.device = f"file {file.digest[:12]}"

    def read(self) -> list[Found]:
        """The records of the sheet, whichever shape it has."""
        found, again = match_headings(_TALLY, self.sheet.heading, self.trial.counted)
        for place, match in again.items():
            self._wrong_heading(place, f"It says the same as another column: {match.column.name}.")
        if "plant" not in found and "plot" not in found:
            self.findings.error(
                self.sheet.file, self.sheet.heading_line, "plant", "", "There is no such column.",
                SHAPES,
            )
            return []
        plants = self._plants_or_plots(found)
        measured = [m for m in found.values() if m.column.name in LOGGED]
        days = self._headings_with_dates(found)
        if days and "date" not in found and not measured:
            return self._wide(plants, days)
        if measured or "note" in found:
            return self._table(plants, found, [*measured, *self._notes(found)])
        self.findings.error(
            self.sheet.file, self.sheet.heading_line, "", ", ".join(self.sheet.heading)[:LONGEST],
            "It has neither counts, weights or heights nor dates across the top.", SHAPES,
        )
        return []

    def _plants_or_plots(self, found: dict[str, Match]) -> list[str]:
        """Whose record each line is: a plant's, or where none is named a plot's basket."""
        named, plots = (
            texts_of(self.sheet, found[name].place) if name in found else [""] * len(self.sheet)
            for name in ("plant", "plot")
        )
        return [plant or (f"{BASKET}{plot}" if plot else "")
                for plant, plot in zip(named, plots, strict=True)]

    def _notes(self, found: dict[str, Match]) -> list[Match]:
        return [found["note"]] if "note" in found else []

    def _wrong_heading(
        self, place: int, problem: str, accepted: str = "one column for each"
    ) -> None:
        name = self.sheet.heading[place]
        self.findings.error(self.sheet.file, self.sheet.heading_line, name, name, problem, accepted)

    def _table(
        self, plants: list[str], found: dict[str, Match], columns: Sequence[Match]
    ) -> list[Found]:
        """A row a plant and date."""
        known = {m.place for m in found.values()}
        self._left_out([i for i in range(len(self.sheet.heading)) if i not in known])
        days = self._days(found)
        out = []
        for match in columns:
            kind = match.column.name
            name = self.sheet.heading[match.place]
            out += self._cells(plants, days, match.place, kind, match.unit or "", name)
        return sorted(out, key=lambda f: f.line)

    def _days(self, found: dict[str, Match]) -> list[date | None]:
        if "date" not in found:
            return [self._day_of_name()] * len(self.sheet)
        name = self.sheet.heading[found["date"].place]
        out: list[date | None] = []
        cache: dict[str, date | None] = {}
        texts = texts_of(self.sheet, found["date"].place)
        for line, text in zip(self.sheet.lines, texts, strict=True):
            if text not in cache:
                cache[text] = None
            try:
                cache[text] = cache[text] or read_date(text, self.trial.day_order)
            except Unreadable as error:
                self.findings.error(self.sheet.file, int(line), name, text, error.problem,
                                    error.accepted)
            out.append(cache[text])
        return out

    def _day_of_name(self) -> date | None:
        for name in (self.sheet.file.removeprefix(self.source), Path(self.source).stem):
            found = _DAY.search(name)
            try:
                if found:
                    return read_date(found[0])
            except Unreadable:
                continue
        self.findings.error(
            self.sheet.file, self.sheet.heading_line, "date", "", "There is no such column.",
            "a column date, or the day in the file's name: picks 2026-07-12.csv",
        )
        return None

    def _wide(self, plants: list[str], days: dict[int, tuple[date, str, str]]) -> list[Found]:
        """Plants down, dates across."""
        about = {m.place for m in match_headings(PLANTS, self.sheet.heading)[0].values()}
        self._left_out([
            i for i in range(len(self.sheet.heading)) if i not in days and i not in about
        ])
        out = []
        for place, (day, kind, unit) in days.items():
            name = self.sheet.heading[place]
            out += self._cells(plants, [day] * len(plants), place, kind, unit, name)
        return out

    def _headings_with_dates(
        self, found: dict[str, Match]
    ) -> dict[int, tuple[date, str, str]]:
        """By place, the day, kind and unit of each heading that names a day."""
        name = self.sheet.file.casefold()
        usual = next((k for k in LOGGED if k != "count" and k in name), "count")
        out: dict[int, tuple[date, str, str]] = {}
        taken: dict[tuple[date, str], str] = {}
        known = {m.place for m in found.values()}
        for place, heading in enumerate(self.sheet.heading):
            parted = None if place in known else _parted(heading, self.trial)
            if isinstance(parted, Unreadable):
                self._wrong_heading(place, parted.problem, parted.accepted)
            if not isinstance(parted, tuple):
                continue
            day, rest = parted
            kind, unit = usual, ""
            if rest:
                matches = match_headings(_TALLY, [rest], self.trial.counted)[0]
                match = next((m for m in matches.values() if m.column.name in LOGGED), None)
                if match is None:
                    self._wrong_heading(place, f"'{rest}' is not {_WORDS}.",
                                        f"a date, and after it {_WORDS}")
                    continue
                kind, unit = match.column.name, match.unit or ""
            if (day, kind) in taken:
                self._wrong_heading(place, f"It is the same day as '{taken[day, kind]}'.",
                                    "one column a day and trait")
                continue
            taken[day, kind] = heading
            out[place] = (day, kind, unit)
        return out

    def _cells(
        self, plants: list[str], days: list[date | None], place: int, kind: str, unit: str,
        name: str,
    ) -> list[Found]:
        """A column of cells, one for each plant, as records."""
        out = []
        texts = texts_of(self.sheet, place)
        for line, plant, day, text in zip(self.sheet.lines, plants, days, texts, strict=True):
            at = int(line)
            if not plant and is_blank(text):
                continue
            if not plant:
                self.findings.error(self.sheet.file, at, "plant", "", "It is blank.",
                                    "a plant listed in plants.csv")
            base = Found(self.sheet.file, at, self.source, "", "", day, plant, kind,
                         device=self.device)
            spoilt = unreadable(text)
            if spoilt is not None:
                self.findings.error(self.sheet.file, at, name, text, spoilt,
                                    "the value itself, or an empty cell")
            if spoilt is not None or is_blank(text):
                out.append(replace(base, blank=True))
            elif kind == "note":
                out.append(replace(base, note=text[:LONGEST_NOTE]))
            else:
                try:
                    value, unit_kept, amount = measure(
                        kind, text, unit, self.trial,
                        "." if text in self.sheet.held_as_numbers else self.sheet.mark,
                    )
                except Unreadable as error:
                    self.findings.error(self.sheet.file, at, name, text, error.problem,
                                        error.accepted)
                    out.append(replace(base, blank=True))  # so that its plant is judged too
                    continue
                out.append(replace(base, value=value, unit=unit_kept, amount=amount))
        return out

    def _left_out(self, places: Sequence[int]) -> None:
        for place in places:
            name = self.sheet.heading[place]
            if name:
                self.findings.doubt(self.sheet.file, self.sheet.heading_line, name, "",
                                    "a column that is not read")


def _parted(heading: str, trial: Trial) -> tuple[date, str] | Unreadable | None:
    """The day a heading begins or ends with, and the rest; what is wrong with one that is near."""
    words = heading.replace("(", " ").replace(")", " ").replace(",", " ").split()
    near: Unreadable | None = None
    for size in range(min(4, len(words)), 0, -1):
        for head in (True, False):
            part = " ".join(words[:size] if head else words[-size:])
            rest = " ".join(words[size:] if head else words[:-size])
            try:
                return read_date(part, trial.day_order), rest
            except Unreadable as error:
                if error.accepted != ACCEPTED:  # it is a date, but which?
                    near = error
    return near
