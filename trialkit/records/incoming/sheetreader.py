"""A sheet's records, once it is known what stands where; and what was made of the sheet.

Nothing is read in part: a cell that cannot be read, a plant that is not listed and a figure of
which no heading says what it is are errors, and then none of the file comes in.  What is left out
on purpose (totals, headings that come again, remarks below) is said.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from trialkit.reading.amounts import is_blank
from trialkit.reading.problems import Unreadable, shown
from trialkit.reading.spelling import folded, plain
from trialkit.records.files import File
from trialkit.records.findings import LONGEST, Findings
from trialkit.records.incoming.arrangement import (
    FIGURES,
    MEASURES,
    OWN,
    OWN_WHOLE,
    SHAPES,
    WORDS,
    Arrangement,
    Heading,
    own_heading,
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
from trialkit.records.incoming.entries import LONGEST_NOTE, Incoming, measure
from trialkit.records.log import called, is_own
from trialkit.records.owntraits import own_of
from trialkit.records.plots import BASKET
from trialkit.records.schema import LOGGED
from trialkit.records.sheet import unreadable
from trialkit.records.tables import match_headings
from trialkit.trial import Trial

_MONTH = re.compile(r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{0,6}")
_RUNNING = re.compile(r"\b(?:cumulative|accumulated|running totals?|totals? (?:to date|so far))\b",
                      re.IGNORECASE)
_OF_ANY_TITLE = frozenset({
    "the", "of", "our", "my", "all", "by", "plant", "trial", "record", "sheet", "data", "table",
    "pick", "picking", "harvest", "season", "year", "pod", "bean", "each", "measured", "weighed",
    "book", "list", "for", "and", "per", "every",
})
NAMED_AT_MOST = 3
WORDS_OF_A_REMARK = 3
FEWEST_NUMBERED = 4
FEWEST_RUNNING = 4


@dataclass
class SheetReading:
    """What was made of a sheet.  lines : what it is and what stands in it, as label and words.

    kinds : how many records of each kind.  left_out : what is not read, and why.
    """

    file: str
    heading: str = ""
    plants: str = ""
    days: list[date] = field(default_factory=list)
    across: str = ""
    kinds: dict[str, int] = field(default_factory=dict)
    blanks: int = 0
    taken_as: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    examples: list[str] = field(default_factory=list)

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


@dataclass
class _Line:
    """A line of records: its row, the plant it names, its day where it has one, labels above it."""

    row: int
    name: str
    day: date | None = None
    labels: dict[str, str] = field(default_factory=dict)


class SheetReader:
    """Reads one sheet.  The file's name is the source of its records."""

    def __init__(
        self, arranged: Arrangement, file: File, trial: Trial, listed: Listed, days: Days,
        findings: Findings, named_for: str = "",
    ) -> None:
        names = frozenset(arranged.places("plant", "date", "label", "trait")) | (
            frozenset() if arranged.who is None else {arranged.who})
        grid = arranged.grid.filled(arranged.first - 1, names)
        self.arranged, self.grid = arranged, grid
        self.trial, self.listed, self.days, self.findings = trial, listed, days, findings
        self.source = file.name
        self.device = f"file {file.digest[:12]}"
        self.named_for = named_for
        self.made = SheetReading(grid.file)

    # -- the whole

    def read(self) -> list[Incoming]:
        """The records of the sheet; what is wrong with it goes to the findings."""
        sound = self._judge_shape() and not self._of_running_totals()
        lines = list(self._lines())
        if not lines:
            self._error(self._heading_line, "", "", "It has no line of records below its heading.",
                        SHAPES)
            return []
        lines = self._without_totals(lines)
        self._judge_headings(lines)
        if self.arranged.places("date"):
            self._days_down(lines)
        names = self._names(lines)
        if names is None or not sound:
            return []
        across = self.arranged.has_days_across
        records = self._days_across(lines, names) if across else self._table(lines, names)
        self._say(lines, records)
        self._never_falling(records)
        return records

    def _never_falling(self, records: Sequence[Incoming]) -> None:
        """A doubt where counts look like running totals: no plant's ever fall from day to day."""
        by: dict[str, list[Incoming]] = {}
        for record in records:
            if record.kind == "count" and not record.blank and record.date is not None:
                by.setdefault(record.plant, []).append(record)
        long = [sorted(some, key=lambda f: str(f.date)) for some in by.values()
                if len(some) >= FEWEST_RUNNING]
        steps = [b.amount - a.amount for some in long
                 for a, b in zip(some, some[1:], strict=False)]
        if len(long) >= 2 and min(steps) >= 0 and 2 * sum(s > 0 for s in steps) > len(steps):
            self.findings.doubt(self.grid.file, self._heading_line, "count", "", "no plant's "
                                "counts ever fall from one day to the next: are they running "
                                "totals? Each must be what that pick brought")

    @property
    def _heading_line(self) -> int:
        """The line of the heading, or of its first line."""
        return self.grid.line(self.arranged.top, 0)

    def _error(self, line: int | None, column: str, value: str, problem: str, accepted: str
               ) -> None:
        self.findings.error(self.grid.file, line, column, value, problem, accepted)

    def _column_name(self, row: int, place: int) -> str:
        """What a cell's column is called: its heading, else its letter."""
        if self.grid.turned:
            who = self.arranged.who
            name = self.grid.texts[row][who] if who is not None else ""
            return name or f"column {self.grid.letter(row, place)}"
        return self.arranged.headings[place].text or f"column {self.grid.letter(row, place)}"

    def _cell_error(self, row: int, place: int, text: str, problem: str, accepted: str) -> None:
        self._error(self.grid.line(row, place), self._column_name(row, place), text, problem,
                    accepted)

    # -- what cannot be, whatever it says

    def _judge_shape(self) -> bool:
        sound = True
        grid = self.grid
        for area in grid.merged:  # those of the heading and of names are filled in by now
            sound = False
            self._error(area.top, "", area.ref, "These cells are merged into one.",
                        "a value in each cell (unmerge them, and fill in the others)")
        if grid.lengths:
            sound &= self._judge_lengths()
        return sound

    def _of_running_totals(self) -> bool:
        """Whether the sheet says of itself that its figures are running totals; then an error."""
        stem = re.sub(r"[_\W]+", " ", Path(self.source).stem)
        said = next((text for text in (*(t for _, t in self.arranged.above), self.grid.title, stem)
                     if _RUNNING.search(text)), None)
        if said is None or self.arranged.places("summary"):
            return False  # where columns of totals stand beside the days, it speaks of those
        self._error(self._heading_line, "", said, "Running totals are no picks: added up again "
                    "they would count each pod many times.",
                    "what each pick brought (the difference to the pick before), in a sheet that "
                    "says so")
        return True

    def _judge_lengths(self) -> bool:
        """Whether no line of a CSV file has cells beyond its heading; those cut short are odd."""
        grid, sound = self.grid, True
        width = max(grid.lengths[self.arranged.top: self.arranged.first])
        for row in range(self.arranged.first, grid.height):
            length, line = grid.lengths[row], grid.lines[row]
            text = ",".join(grid.texts[row])
            beyond = [t for c, t in zip(grid.columns, grid.texts[row], strict=True) if c > width]
            if length > width and any(beyond):
                sound = False
                self._error(line, "", text, f"The line has {length} cells, the heading {width}.",
                            f"{width} cells; quotes round a text with a comma in it")
            elif 1 < length < width:
                self.findings.doubt(
                    grid.file, line, "", text, f"a line with {length} cells where the heading has "
                    f"{width}: the missing ones are taken as blank")
        return sound

    def _judge_headings(self, lines: Sequence[_Line]) -> None:
        """Headings that say the same twice, figures that no heading tells of, columns not read."""
        arranged = self.arranged
        first: dict[object, str] = {}
        for place, heading in enumerate(arranged.headings):
            key: object = None
            if heading.wrong is not None:
                self._heading_error(place, heading.wrong.problem, heading.wrong.accepted)
            elif heading.role == "day":
                kind = heading.kind or self._usual.kind
                key = (heading.day, kind)
                if key in first:
                    self._heading_error(place, f"It is the same day as '{first[key]}'.",
                                        "one column a day and trait")
            elif heading.role == "note" and heading.day is not None:
                continue
            elif heading.role in (*FIGURES, OWN_WHOLE, "plant", "date", "note", "trait", "value"):
                key = heading.role, heading.kind
                if key in first and place != arranged.who:
                    self._heading_error(
                        place, f"It says the same as another column: {heading.named}.",
                        "one column for each")
            if key is not None:
                first.setdefault(key, heading.text)
        self._columns_left_out(lines)

    def _heading_error(self, place: int, problem: str, accepted: str) -> None:
        row = self.arranged.first - 1
        name = self.arranged.headings[place].text
        self._error(self.grid.line(row, place), name, name, problem, accepted)

    def _columns_left_out(self, lines: Sequence[_Line]) -> None:
        arranged, across = self.arranged, self.arranged.has_days_across
        parts = [i for i in arranged.places("day") if arranged.headings[i].wrong is None]
        for place, heading in enumerate(arranged.headings):
            undated = heading.role in (*FIGURES, "value") and not self._of_its_own_day(place) and (
                across or plain(heading.text) in ("no", "number"))
            if place == arranged.who or not (
                heading.role in ("summary", "unknown", "blank") or undated
            ):
                continue
            cells = [(line.row, self._text(line.row, place)) for line in lines]
            filled = [(row, text) for row, text in cells if not is_blank(text)]
            called = f"'{heading.text}'" if heading.text else "without a name"
            where = f"column {called}" if not self.grid.turned else f"line {called}"
            if not filled:
                continue
            if self._counts_lines(place, [text for _, text in cells]):
                self.made.left_out.append(f"{where}: it numbers the lines")
                continue
            if across and self._adds_up(filled, parts):
                self.made.left_out.append(f"{where}: the sum of the days")
            elif heading.role == "summary":
                self.made.left_out.append(f"{where}: {self._as_called(heading)}")
                if across and summary_word(heading.text) == "total":
                    self._does_not_add_up(place, filled, parts)
            elif undated and not across:
                continue
            elif undated:
                self._heading_error(place, "Of which day is it?",
                                    "a date before the word, such as 2026-07-01 weight; or a "
                                    "column date, and a line a day")
            elif heading.role == "unknown":
                self.findings.doubt(self.grid.file, self.grid.line(arranged.first - 1, place),
                                    heading.text, "", "a column that is not read")
            elif all(math.isnan(figure(t, self.grid.mark)) for _, t in filled):
                continue  # words beside the table are notes
            else:
                row, text = filled[0]
                self._cell_error(row, place, text, "It stands in a column without a name.",
                                 "a name in the first row of each column")

    def _counts_lines(self, place: int, texts: Sequence[str]) -> bool:
        """Whether a column only numbers the lines: 1, 2, 3 and so on."""
        heading = self.arranged.headings[place]
        named = plain(heading.text) in ("", "no", "number", "nr", "line", "index")
        return named and len(texts) >= FEWEST_NUMBERED and list(texts) == [
            str(n) for n in range(1, len(texts) + 1)]

    @staticmethod
    def _as_called(heading: Heading) -> str:
        return {"total": "a total", "mean": "a mean"}.get(
            summary_word(heading.text) or "", "worked out from the others")

    def _adds_up(self, filled: Sequence[tuple[int, str]], parts: Sequence[int]) -> bool:
        if len(parts) < 2:
            return False
        cells = {row: (text, figure(text, self.grid.mark)) for row, text in filled}
        if any(math.isnan(value) for _, value in cells.values()):
            return False
        kinds = {self.arranged.headings[p].kind or self._usual.kind for p in parts}
        return any(
            is_sum(cells, {row: [figure(self._text(row, p), self.grid.mark) for p in parts
                                 if kind in (None, self.arranged.headings[p].kind
                                             or self._usual.kind)]
                           for row in cells})
            for kind in (None, *kinds)
        )

    def _does_not_add_up(
        self, place: int, filled: Sequence[tuple[int, str]], parts: Sequence[int]
    ) -> None:
        for row, text in filled:
            if unreadable(text) is None and not self._adds_up([(row, text)], parts):
                self.findings.doubt(self.grid.file, self.grid.line(row, place),
                                    self._column_name(row, place), text,
                                    "a total that is not the sum of its days: check them")

    # -- lines

    def _text(self, row: int, place: int) -> str:
        return self.grid.texts[row][place]

    def _lines(self) -> Iterator[_Line]:
        """Lines of records, with the days and labels that stand on lines of their own above."""
        arranged, grid = self.arranged, self.grid
        heading = grid.texts[arranged.first - 1]
        day: date | None = None
        labels: dict[str, str] = {}
        no_day = not arranged.has_days_across and not arranged.places("date")
        for row in range(arranged.first, grid.height):
            texts = grid.texts[row]
            filled = [t for t in texts if t]
            line = grid.line(row, 0) if not grid.turned else None
            if texts == heading and len(filled) > 1:
                self.made.left_out.append(f"line {line}: the heading again" if line
                                          else "the heading again")
                continue
            if len(filled) == 1 and len(texts) > 1 and self.listed.plant(filled[0]) is None:
                only = filled[0]
                its_day = self.days.day(only) if no_day else None
                label = self._section(only)
                if its_day is not None:
                    day = its_day
                    continue
                if label is not None:
                    inside = "block" in label or "replicate" in label
                    labels = {**labels, **label} if inside else label
                    self.made.left_out.append(f"line {line}: '{shown(only, 40)}', above a group")
                    continue
                if len(only.split()) >= WORDS_OF_A_REMARK and math.isnan(figure(only, grid.mark)):
                    self.made.left_out.append(f"line {line}: '{shown(only, 40)}', a remark")
                    continue
            name = "" if arranged.who is None else texts[arranged.who]
            yield _Line(row, name, day, dict(labels))

    def _section(self, text: str) -> dict[str, str] | None:
        """What a line of one cell says of the lines below: a variety, or block 2."""
        variety = self.listed.varieties.get(folded(text))
        if variety is not None:
            return {"variety": variety}
        first, _, rest = text.replace(":", " ").partition(" ")
        label = next(iter(match_headings(MEASURES, [first])[0]), None)
        word = plain(first)
        if word in ("block", "rep", "replicate", "replication", "bed", "row", "plot") and (
                rest.strip() and label is None):
            known = {"rep": "replicate", "replication": "replicate", "bed": "block"}
            return {known.get(word, word): rest.strip()}
        return None

    def _without_totals(self, lines: list[_Line]) -> list[_Line]:
        """The lines without totals and means of others, known by name or by their sum."""
        arranged = self.arranged
        values = arranged.places("day", *FIGURES, OWN_WHOLE, "value", "summary")
        rows: list[_Line] = []
        since = 0
        own: dict[int, dict[int, float]] = {}

        def numbers(line: _Line) -> dict[int, float]:
            if line.row not in own:
                own[line.row] = {p: figure(self._text(line.row, p), self.grid.mark)
                                 for p in values}
            return own[line.row]

        for at, line in enumerate(lines):
            known = self._is_named(line)
            texts = self.grid.texts[line.row]
            word = None if known else next(
                (w for i, t in enumerate(texts) if i not in values and t
                 and (w := summary_word(t)) is not None), None)
            if known or (word is None and len(rows) - since < 2):
                rows.append(line)
                continue
            cells = {p: (texts[p], v) for p, v in numbers(line).items()}
            mean = word == "mean"
            others = [o for o in lines[at + 1:] if self._is_named(o)] if not rows else []
            groups = [rows[since:], rows, others, *self._of_one_variety(rows, line)]
            adds_up = any(
                is_sum(cells, {p: [numbers(o)[p] for o in group] for p in values}, mean=mean)
                for group in groups if group
            )
            if not adds_up and word is None:
                rows.append(line)
                continue
            what = {"mean": "means", "other": "worked out from the others"}.get(
                word or "", "the sum of lines above" if rows else "the sum of lines below")
            label = next((t for i, t in enumerate(texts) if i not in values and t), "without name")
            where = (f"line {self.grid.line(line.row, 0)}" if not self.grid.turned
                     else f"column {self.grid.letter(line.row, 0)}")
            self.made.left_out.append(f"{where}, '{shown(label, 30)}': {what}")
            if not adds_up and word == "total" and any(
                not math.isnan(v) for _, v in cells.values()
            ):
                self.findings.doubt(self.grid.file, self.grid.line(line.row, 0), label, "",
                                    "a total that is not the sum of its lines: check them")
            since = len(rows)
        return rows

    def _is_named(self, line: _Line) -> bool:
        """Whether a line names what the others name."""
        if self.arranged.who is None:
            return not any(summary_word(t) for t in self.grid.texts[line.row] if t)
        subject = self.listed.subject(line.name) if line.name else None
        return subject is not None and subject == self.arranged.subject

    def _of_one_variety(self, lines: Sequence[_Line], total: _Line) -> list[list[_Line]]:
        named = [v for t in self.grid.texts[total.row]
                 if (v := self.listed.varieties.get(folded(t))) is not None]
        of = dict(zip(self.listed.plants["plant"], self.listed.plants["variety"], strict=True))
        return [[o for o in lines if of.get(self.listed.plant(o.name)) == v] for v in named]

    # -- days

    def _days_down(self, lines: Sequence[_Line]) -> None:
        """The day of each line from its column; written once for several lines below each other,
        it is theirs too."""
        place = self.arranged.places("date")[0]
        texts = [self._text(line.row, place) for line in lines]
        blank = sum(not t for t in texts)
        carried = bool(texts[0]) and _is_carried(blank, len(texts))
        if carried and blank:
            self.made.taken_as.append(
                f"{blank:,} blank days: the day above, written once for several lines")
        last: date | None = None
        for line, text in zip(lines, texts, strict=True):
            if not text and carried:
                line.day = last
                continue
            try:
                line.day = last = self.days.read(text)
            except Unreadable as error:
                last = None
                self._cell_error(line.row, place, text, error.problem, error.accepted)

    def _day_of_name(self) -> date | None:
        """The one day that stands in the sheet's name, above the heading or in the file's name."""
        from_name = self._in_words(self.grid.title) or self._in_words(
            self.grid.file.removeprefix(self.source)) or self._in_words(Path(self.source).stem)
        above = {day for _, text in self.arranged.above
                 if (day := self._in_words(text)) is not None}
        days = above | ({from_name} if from_name is not None else set())
        if len(days) == 1:
            return days.pop()
        if days:
            several = " and ".join(str(d) for d in sorted(days))
            self._error(self._heading_line, "date", several, "Several days stand above the "
                        "heading and in the name.", "a column date")
            return None
        self._error(self._heading_line, "date", "", "There is no such column.",
                    "a column date, or the day in the file's name: picks 2026-07-12.csv")
        return None

    def _in_words(self, text: str) -> date | None:
        """The day in a text of several words."""
        words = text.replace("(", " ").replace(")", " ").replace("_", " ").replace(",", " ").split()
        for size in range(min(4, len(words)), 0, -1):
            for start in range(len(words) - size + 1):
                day = self.days.day(" ".join(words[start: start + size]).strip(":;"))
                if day is not None:
                    return day
        return None

    # -- plants

    def _names(self, lines: list[_Line]) -> list[str] | None:
        """The plant of each line; None, and an error, where the lines are not about plants."""
        arranged = self.arranged
        names = [line.name for line in lines]
        labels = self._labels(lines)
        if arranged.who is None and self.named_for:
            names = [self.named_for] * len(lines)
            self.made.plants = f"{self.named_for}, by the sheet's name"
            return names
        if arranged.who is None:
            placed = self.listed.by_place(labels, len(lines))
            if placed is None:
                self._not_by_plants(lines, "plot" if "plot" in labels else "plant")
                return None
            self.made.plants = f"{len(set(placed)):,}, by {' and '.join(labels)}"
            return placed
        if arranged.subject != "plant":
            placed = self.listed.by_place(labels | {arranged.subject: names}, len(lines))
            if placed is None and arranged.subject == "plot":
                self.made.plants = f"{len(set(names)):,} plots, each picked into one basket"
                return [f"{BASKET}{name}" if name else "" for name in names]
            if placed is None:
                self._not_by_plants(lines, arranged.subject)
                return None
            self.made.plants = f"{len(set(placed)):,}, by {arranged.subject}, one in each"
            return placed
        names = self._carried(lines, names)
        known = [self.listed.plant(name) if name else "" for name in names]
        if not all(k is not None for k in known):
            joined = self.listed.joined(names, labels)
            if joined is not None:
                names, label = joined
                self.made.plants = f"{len(set(names)):,}, by {label} and number in it"
                return names
        where = (f"down, under '{arranged.headings[arranged.who].text}'"
                 if arranged.headings[arranged.who].text else "down, without a heading")
        if self.grid.turned:
            where = "across"
        self.made.plants = f"{len({n for n in names if n}):,} {where}"
        plots = self._plots(lines)
        return [self._nearly(name, k, line) if name or not plot else f"{BASKET}{plot}"
                for name, k, line, plot in zip(names, known, lines, plots, strict=True)]

    def _plots(self, lines: Sequence[_Line]) -> list[str]:
        """The plot that each line names, for lines without a plant."""
        place = next((i for i, h in enumerate(self.arranged.headings) if h.named == "plot"), None)
        return ["" if place is None else self._text(line.row, place) for line in lines]

    def _nearly(self, name: str, known: str | None, line: _Line) -> str:
        """A plant as listed where only marks and zeros differ; else as it stands."""
        if known and folded(known) != folded(name) and self.listed.names.get(folded(name)) is None:
            self.findings.doubt(self.grid.file, self._line_of(line), "plant", name,
                                f"read as '{known}'")
            return known
        return name

    def _line_of(self, line: _Line) -> int:
        return self.grid.line(line.row, self.arranged.who or 0)

    def _carried(self, lines: Sequence[_Line], names: list[str]) -> list[str]:
        """Names written once for several lines below each other."""
        blank = sum(not n for n in names)
        several = self.arranged.places("date", "trait")
        if not names[0] or not _is_carried(blank, len(names)) or not several:
            return names
        out, last = [], ""
        for name in names:
            last = name or last
            out.append(last)
        self.made.taken_as.append(
            f"{blank:,} blank names: the plant above, written once for several lines")
        return out

    def _labels(self, lines: Sequence[_Line]) -> dict[str, list[str]]:
        """What lines say of their plants beside the name, by label, carried down where blank."""
        out: dict[str, list[str]] = {}
        for label in LABELS:
            place = next((i for i, h in enumerate(self.arranged.headings)
                          if h.role == "label" and h.named == label
                          and i != self.arranged.who), None)
            if place is None:
                if all(label in line.labels for line in lines):
                    out[label] = [line.labels[label] for line in lines]
                continue
            texts, last = [], ""
            for line in lines:
                last = self._text(line.row, place) or last
                texts.append(last)
            out[label] = texts
        title = self.listed.varieties.get(folded(self.grid.title))
        if title is not None and "variety" not in out:
            out["variety"] = [title] * len(lines)
        return out

    def _not_by_plants(self, lines: Sequence[_Line], subject: Subject) -> None:
        """An error for a sheet whose lines are not about single plants."""
        line = self._line_of(lines[0])
        if subject == "variety":
            self._error(line, "plant", lines[0].name, "The lines are of varieties: a variety's "
                        "total over several plots cannot be shared out.",
                        "a line (or column) a plant, named as in plants.csv")
        elif subject == "plot":
            self._error(line, "plant", lines[0].name, "The lines are of plots of several plants: "
                        "their total cannot be shared out.",
                        "a line (or column) a plant, named as in plants.csv")
        else:
            self._error(line, "plant", "", "There is no such column.", SHAPES)

    # -- what the figures are

    @property
    def _usual(self) -> Heading:
        """What figures under a bare day are: as the sheet's name, a line above the heading or the
        file's name says; else counts."""
        if not hasattr(self, "_usual_is"):
            self._usual_is = self._find_usual()
        return self._usual_is

    def _find_usual(self) -> Heading:
        name = self.grid.file.removeprefix(self.source).removeprefix(", sheet ")
        corner = [] if self.arranged.who is None else [
            self.arranged.headings[self.arranged.who].text]
        texts = [*corner, *(text for _, text in self.arranged.above), name,
                 Path(self.source).stem]
        unclear = ""
        for text in texts:
            said = measure_in(text, self.trial)
            if isinstance(said, Heading):
                if said.kind != "count":
                    self.made.taken_as.append(
                        f"figures: {called(said.kind)}, as '{shown(text, 40)}' says")
                return said
            unclear = unclear or said
        if unclear:
            self._error(self._heading_line, "", unclear, "It speaks of height or weight, and no "
                        "heading says whether the figures are that or counts.",
                        "count, weight or height after each day, such as 2026-07-01 count")
        return Heading("", "count", "count", "", "count")

    # -- cells

    def _table(self, lines: Sequence[_Line], names: Sequence[str]) -> list[Incoming]:
        arranged = self.arranged
        dated = {p for p in arranged.places(OWN) if self._of_its_own_day(p)}
        if not arranged.places("date") and any(line.day is None for line in lines) and (
            set(arranged.places(*FIGURES, "value", "note")) - dated
        ):
            day = self._day_of_name()
            for line in lines:
                line.day = line.day or day
        days = [line.day for line in lines]
        out: list[Incoming] = []
        places = [i for i in arranged.places(*FIGURES, "note")
                  if arranged.headings[i].day is None and i != arranged.who
                  and not self._counts_lines(i, [self._text(x.row, i) for x in lines])]
        value, trait = arranged.places("value"), arranged.places("trait")
        if not [p for p in places if arranged.headings[p].role != "note"] and not value and not (
            arranged.places("note")
        ):
            texts = ", ".join(h.text for h in arranged.headings)[:LONGEST]
            self._error(self._heading_line, "", texts, "It has neither counts, weights or heights "
                        "nor dates across the top.", SHAPES)
            return []
        for place in places:
            heading = arranged.headings[place]
            kind = heading.kind or heading.role
            out += self._cells(lines, names, days, place, [(kind, heading.unit)] * len(lines))
        if value and trait:
            out += self._cells(lines, names, days, value[0], self._kinds(lines, trait[0]))
        elif value:
            self._heading_error(value[0], "What is it a value of?",
                                f"{WORDS}; or a column trait that says which")
        for place in self._beside(lines):
            out += self._cells(lines, names, days, place, [("note", "")] * len(lines))
        return sorted(out, key=lambda f: f.line)

    def _days_across(self, lines: Sequence[_Line], names: Sequence[str]) -> list[Incoming]:
        arranged = self.arranged
        out: list[Incoming] = []
        trait = arranged.places("trait")
        kinds = self._kinds(lines, trait[0]) if trait else []
        days = sorted({h.day for h in arranged.headings if h.role == "day" and h.day is not None})
        for place in arranged.places("day"):
            heading = arranged.headings[place]
            if heading.day is None:
                continue
            own = (heading.kind, heading.unit) if heading.kind else (
                self._usual.kind, self._usual.unit)
            of = [k if k[0] else own for k in kinds] if kinds else [own] * len(lines)
            out += self._cells(lines, names, [heading.day] * len(lines), place, of)
        for place in arranged.places(OWN):
            if self._of_its_own_day(place):
                out += self._cells(lines, names, [None] * len(lines), place,
                                   [(arranged.headings[place].kind, "")] * len(lines))
        notes = [*arranged.places("note"), *self._beside(lines)]
        for place in notes:
            day = arranged.headings[place].day or (days[0] if days else None)
            texts = [self._text(line.row, place) for line in lines]
            if arranged.headings[place].day is None and any(map(_is_words, texts)):
                self.made.taken_as.append(f"notes: kept under {day}, the first day of the sheet")
            out += self._cells(lines, names, [day] * len(lines), place,
                               [("note", "")] * len(lines))
        return sorted(out, key=lambda f: f.line)

    def _beside(self, lines: Sequence[_Line]) -> list[int]:
        """Columns without a name that hold words: remarks beside the table."""
        return [
            place for place in self.arranged.places("blank")
            if place != self.arranged.who
            and any(_is_words(self._text(line.row, place)) for line in lines)
        ]

    def _kinds(self, lines: Sequence[_Line], place: int) -> list[tuple[str, str]]:
        """What each line's figures are, from the column that says so."""
        out = []
        for line in lines:
            text = self._text(line.row, place)
            match = next(iter(match_headings(MEASURES, [text], self.trial.counted)[0].values()),
                         None)
            name = "" if match is None else match.column.name
            kind = name if name in LOGGED else ""
            own = own_heading(text, self.trial.traits)
            if own is not None:
                out.append((own.kind, own.unit))
                continue
            if not kind:
                words = ", ".join((WORDS, *(trait.name for trait in self.trial.traits)))
                self._cell_error(line.row, place, text, f"It is not {words}.", words)
            out.append((kind, (match.unit or "") if match is not None else ""))
        return out

    def _of_its_own_day(self, place: int) -> bool:
        """Whether a column of a trait of one's own holds the days on which it was first seen."""
        heading = self.arranged.headings[place]
        if heading.role != OWN or heading.day is not None:
            return False
        trait = own_of(heading.kind, self.trial)
        cells = [row[place] for row in self.grid.texts[self.arranged.first:]
                 if not is_blank(row[place])]
        return trait is not None and trait.kind == "day" and bool(cells) and any(
            self.days.day(text) is not None for text in cells)

    def _line_says_it(self, place: int, kind: str) -> bool:
        """Whether a line with a trait and no value says that it was seen that day, as in
        traits.csv."""
        trait = own_of(kind, self.trial) if is_own(kind) else None
        return (trait is not None and trait.kind == "day"
                and self.arranged.headings[place].role == "value")

    def _own_text(self, row: int, place: int, text: str, kind: str, unit: str) -> str:
        """A cell of a trait of one's own with what its heading and its neighbour say of it: "3"
        beside 20 looked at is 3/20, and "15" under "split (%)" 15 %."""
        whole = next((i for i in self.arranged.places(OWN_WHOLE)
                      if self.arranged.headings[i].kind == kind), None)
        if whole is not None and "/" not in text and "%" not in text:
            return f"{text}/{self._text(row, whole)}".removesuffix("/")
        return f"{text} %" if unit == "%" and "/" not in text and "%" not in text else text

    def _cells(
        self, lines: Sequence[_Line], names: Sequence[str], days: Sequence[date | None],
        place: int, kinds: Sequence[tuple[str, str]],
    ) -> list[Incoming]:
        """A column of cells, one for each line, as records."""
        out = []
        grid = self.grid
        for line, plant, day, (kind, unit) in zip(lines, names, days, kinds, strict=True):
            text = self._text(line.row, place)
            if not plant and is_blank(text):
                continue
            at = grid.line(line.row, place)
            if not plant:
                self._error(at, "plant", "", "It is blank.", "a plant listed in plants.csv")
            base = Incoming(grid.file, at, self.source, "", "", day, plant, kind,
                            device=self.device)
            spoilt = unreadable(text)
            if spoilt is not None:
                self._cell_error(line.row, place, text, spoilt,
                                 "the value itself, or an empty cell")
            if self._line_says_it(place, kind) and (not text or is_blank(text)):
                out.append(replace(base, value="yes") if not text else
                           self._measured(base, line.row, place, text, unit))
            elif spoilt is not None or is_blank(text):
                out.append(replace(base, blank=True))
            elif is_own(kind) and self._of_its_own_day(place):
                out.append(self._first_seen(base, line.row, place, text))
            elif kind == "note":
                out.append(replace(base, note=text[:LONGEST_NOTE]))
            else:
                out.append(self._measured(base, line.row, place, text, unit))
        return out

    def _first_seen(self, base: Incoming, row: int, place: int, text: str) -> Incoming:
        """A cell that holds the day on which something was first seen."""
        try:
            return replace(base, date=self.days.read(text), value="yes")
        except Unreadable as error:
            self._cell_error(row, place, text, error.problem, error.accepted)
            return replace(base, blank=True)

    def _measured(self, base: Incoming, row: int, place: int, text: str, unit: str) -> Incoming:
        mark = "." if text in self.grid.held_as_numbers else self.grid.mark
        if is_own(base.kind):
            text, unit = self._own_text(row, place, text, base.kind, unit), ""
        try:
            value, stored_unit, amount = measure(base.kind, text, unit, self.trial, mark)
        except Unreadable as error:
            self._cell_error(row, place, text, error.problem, error.accepted)
            return replace(base, blank=True)  # so that its plant is judged too
        return replace(base, value=value, unit=stored_unit, amount=amount)

    # -- what was made of it

    def _say(self, lines: Sequence[_Line], records: Sequence[Incoming]) -> None:
        made, arranged = self.made, self.arranged
        here = [f for f in records if not f.blank]
        for record in here:
            made.kinds[record.kind] = made.kinds.get(record.kind, 0) + 1
        made.blanks = sum(f.blank and (f.kind in LOGGED or is_own(f.kind)) for f in records)
        made.days = sorted({f.date for f in records if f.date is not None})
        heading_at = self._heading_line
        above = [shown(t, 40) for _, t in arranged.above]
        over = f"; above it: {' | '.join(above[:NAMED_AT_MOST])}" if above else ""
        last = self.grid.line(arranged.first - 1, 0)
        both = f"lines {heading_at} and {last}" if not self.grid.turned and last != heading_at \
            else f"line {heading_at}" if not self.grid.turned else "the first column of the table"
        made.heading = f"{both}{over}"
        if arranged.has_days_across:
            made.across = "down" if self.grid.turned else "across"
        elif arranged.places("date"):
            made.across = "across" if self.grid.turned else "down"
        if self.days.settled:
            made.taken_as.append(f"days: {self.days.settled}, as other days of the sheet show")
        if self.days.without_a_year and made.days:
            made.taken_as.append(f"days without a year: of {made.days[0].year}, the season of "
                                 "planting")
        made.examples = [
            f"{f.plant}, {f.date}: {called(f.kind)} {f'{f.value} {f.unit}'.strip() or f.note[:30]}"
            for f in (here[:1] + here[-1:] if len(here) > 1 else here)
        ]


def _is_carried(blank: int, lines: int) -> bool:
    """Whether so many blanks are a way of writing; a single one may have been forgotten."""
    return blank > 1 and 2 * blank >= lines


def _is_words(text: str) -> bool:
    return not is_blank(text) and math.isnan(figure(text, None)) and any(map(str.isalpha, text))


def measure_in(text: str, trial: Trial) -> Heading | str:
    """What a title says was measured, and in which unit: "Heights (in)", "Bean weights 2026".

    The text itself where it speaks of heights or weights among other things, which may mean
    anything; "" where it does not.
    """
    pieces = [text, *re.split(r"[:;,]| - ", text)]
    for piece in pieces:
        own = own_heading(piece.strip(), trial.traits)
        if own is not None and own.role == OWN:
            return replace(own, role="day", text=text)
        match = next(iter(match_headings(MEASURES, [_bare(piece, trial)], trial.counted)[0]
                          .values()), None)
        if match is not None and match.column.name in LOGGED:
            kind = match.column.name
            return Heading(text, "day", kind, match.unit or "", kind)
    words = {plain(w).removesuffix("s") for w in re.split(r"[\W_]+", text)}
    return text if words & {"height", "weight"} else ""


def _bare(text: str, trial: Trial) -> str:
    """A title without the words that stand in any title of such a sheet."""
    other = set(_OF_ANY_TITLE)
    for said in (trial.crop, trial.title, trial.garden, *trial.variety_names):
        other |= {plain(w).removesuffix("s") for w in said.split()}
    other -= {"height", "weight", "count"}
    out = []
    for word in re.sub(r"[_]+", " ", text).split():
        key = plain(word)
        singular = key.removesuffix("s")
        if singular in ("height", "weight", "count"):
            out.append(singular)
        elif singular not in other and not key.isdigit() and not _MONTH.fullmatch(key):
            out.append(word)
    return " ".join(out)
