"""What stands where in a sheet: its heading, where it names plants, days and figures.

The heading is looked for in the first 20 lines of the sheet as it stands and then of the sheet
turned on its side, so that plants may run down or across, and days too.  Known are

    a table         a line a record: day, plant, and any of count, weight, height, a note; or
                    day, plant, trait, value
    days across     a line a plant, a column a day; two lines of heading may share a day and what
                    was measured, or a month and its days, between them

A column is known by its heading, or, where that says nothing, by what is in it: names of plants,
days.  What stands above the heading may say the day, or what the figures are.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from trialkit.reading.amounts import unit_name
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded, plain
from trialkit.records.csvfile import HEADING_LINES
from trialkit.records.incoming.contents import LABELS, Days, Listed, Subject, is_near, summary_word
from trialkit.records.schema import LOGGED, OWN_KIND, PICKS, PLANTS, Column, Table
from trialkit.records.sheet import Grid
from trialkit.records.tables import match_headings
from trialkit.trial import OwnTrait, Trial

_NOTE = Column("note", "text", ("notes", "remark", "remarks", "comment", "comments",
                                "observation", "observations", "what i saw"))
_TRAIT = Column("trait", "text", ("measure", "measured", "what was measured", "variable"))
_VALUE = Column("value", "text", ("amount", "figure", "result", "reading", "measurement"))
_MEASURED = tuple(column for _, column in LOGGED.values())
MEASURES = Table("added", (*PICKS.columns[:2], *_MEASURED, _NOTE, _TRAIT, _VALUE), ())
OWN, OWN_WHOLE = "own", "own whole"
FIGURES = (*LOGGED, OWN)
_OTHER_MEASURES = tuple(name for name in FIGURES if name != "count")
WORDS = " or ".join([", ".join([*LOGGED][:-1]), [*LOGGED][-1]])
_LABEL_TABLE = Table("plants", tuple(c for c in PLANTS.columns if c.name in LABELS), ())
SHAPES = (
    "a phone's export, a table with date, plant and count, weight or height, or plants down and "
    "dates across"
)
_MONTHS = re.compile(r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{0,6}\.?"
                     r"(?: [0-9]{4})?", re.IGNORECASE)
_WEEKDAY = re.compile(r"(mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?", re.IGNORECASE)
_MONTH_NAME = re.compile(r"(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]{0,6}")
_OF_ANY_TITLE = frozenset({
    "the", "of", "our", "my", "all", "by", "plant", "trial", "record", "sheet", "data", "table",
    "pick", "picking", "harvest", "season", "year", "pod", "bean", "each", "measured", "weighed",
    "book", "list", "for", "and", "per", "every",
})
_DAY_OF_MONTH = re.compile(r"[0-9]{1,2}(?:st|nd|rd|th)?")
# Of the names down a column so many must be plants for it to be taken as theirs.
MOSTLY = 0.5
SHOW_WHAT_IT_IS = 200


@dataclass(frozen=True)
class Heading:
    """What a column is.  day, kind, unit : of a column that is a day's.  wrong : why it cannot be.

    role : what is measured (count, weight, height), "own" of a trait of one's own, "own whole" of
    the column that says of how many its share is; or plant, date, day, note, trait, value, label,
    summary, unknown, blank.  named : the name of the column it is, or of the label or trait.
    kind : in the log, of what is measured.
    """

    text: str
    role: str
    named: str = ""
    unit: str = ""
    kind: str = ""
    day: date | None = None
    wrong: Unreadable | None = None


@dataclass(frozen=True)
class Arrangement:
    """Where a sheet has what.  first : the first row below the heading, which begins on ``top``.

    who : the column that names plants (or what stands for them), None where the sheet's name or
    other columns do.  subject : what it names.  by_heading : whether its heading says so.
    known : whether any of them is listed.
    """

    grid: Grid
    top: int
    first: int
    headings: tuple[Heading, ...]
    who: int | None
    subject: Subject
    by_heading: bool
    known: bool

    @property
    def above(self) -> list[tuple[int, str]]:
        """What stands above the heading: line and text."""
        return [(self.grid.line(r, c), text) for r in range(self.top)
                for c, text in enumerate(self.grid.texts[r]) if text]

    def places(self, *roles: str) -> list[int]:
        """The columns of these roles."""
        return [i for i, h in enumerate(self.headings) if h.role in roles]

    @property
    def has_days_across(self) -> bool:
        """Whether each day has a column, and no column says the day of a line."""
        return bool(self.places("day")) and not self.places("date")

    @property
    def worth(self) -> tuple[bool, bool]:
        """How sure it is: names that are listed, and a heading that says that they are plants."""
        return self.known, self.by_heading

    @property
    def figures(self) -> int:
        """How many columns hold figures."""
        return len(self.places("day", "value", *FIGURES))


@dataclass
class Arranger:
    """Finds how a sheet is arranged.  counted : what the trial counts.  traits : those of one's
    own."""

    listed: Listed
    days: Days
    counted: str
    named_for: Subject | None = None
    traits: tuple[OwnTrait, ...] = ()
    _headings: dict[str, Heading] = field(default_factory=dict)

    def arrangement(self, grid: Grid) -> Arrangement | None:
        """How the sheet is arranged; None where nothing in it can be taken for records."""
        best: Arrangement | None = None
        for candidate in self._ways(grid):
            turned = best is not None and candidate.grid.turned != best.grid.turned
            if best is None or candidate.worth > best.worth or (
                turned and candidate.worth == best.worth and not candidate.by_heading
                and candidate.figures > best.figures
            ):
                best = candidate
        return best

    def _ways(self, grid: Grid) -> Iterator[Arrangement]:
        side = grid.on_its_side()
        for way in (grid, side):
            if way is None:
                continue
            for top in range(way.height):
                if way.lines[top] - way.lines[0] >= HEADING_LINES:
                    break
                for depth in (2, 1):
                    arrangement = self._at(way, top, depth)
                    if arrangement is not None:
                        yield arrangement
                        break

    def _at(self, grid: Grid, top: int, depth: int) -> Arrangement | None:
        first = top + depth
        texts = grid.texts[top] if depth == 1 else self._two_lines(grid, top)
        if texts is None or first >= grid.height:
            return None
        headings = [self.heading(text) for text in texts]
        headings = self._by_cells(grid, first, headings)
        who, subject, by_heading = self._who(grid, top, first, headings)
        days = [i for i, h in enumerate(headings) if h.role == "day"]
        again = "" if who is None else texts[who]
        below = [row for row in grid.texts[first: first + HEADING_LINES]
                 if not again or row[who or 0] != again]
        if any(self._is_day(row[i]) for i in days for row in below):
            return None  # days below a day: these are records, and the heading is elsewhere
        measured = [h for h in headings if h.role in (*FIGURES, "value")]
        notes = any(h.role == "note" for h in headings)
        if who is None and not self._named_otherwise(headings):
            return None
        if who is not None and not by_heading and not (days or measured):
            return None
        if who is None and not (days or measured):
            return None
        if by_heading and not (days or measured or notes):
            measured_as = self._totals_as_figures(headings)
            if measured_as is None:
                return None
            headings = measured_as
        if who is not None:
            headings[who] = replace(headings[who], role="plant")
        known = who is None or any(
            self.listed.subject(t) is not None for t in _column(grid, who, first) if t
        ) or self._in_parts(grid, first, headings, who)
        return Arrangement(grid, top, first, tuple(headings), who, subject, by_heading, known)

    def _in_parts(self, grid: Grid, first: int, headings: Sequence[Heading], who: int) -> bool:
        """Whether a label and a number in it name plants."""
        labels = {h.named: _column(grid, i, first) for i, h in enumerate(headings)
                  if h.role == "label"}
        return self.listed.joined(_column(grid, who, first), labels) is not None

    def heading(self, text: str) -> Heading:
        """What a heading says of its column."""
        known = self._headings.get(text)
        if known is None:
            known = self._headings[text] = self._heading(text)
        return known

    def _heading(self, text: str) -> Heading:
        if not text:
            return Heading(text, "blank")
        own = own_heading(text, self.traits)
        if own is not None:
            return own
        match = next(iter(match_headings(MEASURES, [text], self.counted)[0].values()), None)
        if match is not None:
            name = match.column.name
            return Heading(text, name, name, match.unit or "", name if name in LOGGED else "")
        day = self._with_day(text)
        if day is not None:
            return day
        label = next(iter(match_headings(_LABEL_TABLE, [text])[0]), None)
        if label is not None:
            return Heading(text, "label", label)
        return Heading(text, "summary" if summary_word(text) else "unknown")

    def _with_day(self, text: str) -> Heading | None:
        """A heading that begins or ends with a day."""
        words = text.replace("(", " ").replace(")", " ").replace(",", " ").split()
        near: Unreadable | None = None
        for size in range(min(4, len(words)), 0, -1):
            for head in (True, False):
                part = " ".join(words[:size] if head else words[-size:])
                rest = " ".join(words[size:] if head else words[:-size])
                try:
                    return self._of_a_day(text, self.days.read(part), rest)
                except Unreadable as error:
                    if is_near(error):
                        near = error
        return None if near is None else Heading(text, "day", wrong=near)

    def _of_a_day(self, text: str, day: date, rest: str) -> Heading:
        if not rest:
            return Heading(text, "day", day=day)
        own = own_heading(rest, self.traits)
        if own is not None and own.role == OWN:
            return replace(own, text=text, role="day", day=day)
        match = next(iter(match_headings(MEASURES, [rest], self.counted)[0].values()), None)
        if match is not None and match.column.name in LOGGED:
            name = match.column.name
            return Heading(text, "day", name, match.unit or "", name, day)
        if match is not None and match.column.name == "note":
            return Heading(text, "note", "note", day=day)
        if summary_word(rest):
            return Heading(text, "summary")
        return Heading(text, "day", day=day, wrong=Unreadable(
            f"'{rest}' is not {WORDS}.", f"a date, and after it {WORDS}",
        ))

    def _is_day(self, text: str) -> bool:
        try:
            self.days.read(text)
        except Unreadable as error:
            return is_near(error) and not text.replace(".", "").isdigit()
        return True

    def _two_lines(self, grid: Grid, top: int) -> list[str] | None:
        """Two lines of heading as one, where the upper is about groups of columns of the lower."""
        if top + 1 >= grid.height:
            return None
        upper, lower = grid.texts[top], grid.texts[top + 1]
        carried, last = [], ""
        for text in upper:
            last = text or last
            carried.append(last)
        if not any(upper) or not any(lower):
            return None
        pairs = [(a, b) for a, b in zip(carried, lower, strict=True) if a and b]
        kinds = [self.heading(b).role for _, b in pairs]
        days = [self._is_day(a) for a, _ in pairs]
        if any(_MONTHS.fullmatch(a) and _DAY_OF_MONTH.fullmatch(b) for a, b in pairs):
            return [self._of_month(a, b, raw) for a, b, raw
                    in zip(carried, lower, upper, strict=True)]
        if any(days) and all(
            not d or k in (*FIGURES, "note", "summary")
            for d, k in zip(days, kinds, strict=True)
        ):
            return [f"{a} {b}" if b and self._is_day(a) else b or raw
                    for a, b, raw in zip(carried, lower, upper, strict=True)]
        if pairs and len(pairs) == sum(map(bool, lower)):
            if all(_WEEKDAY.fullmatch(b) for _, b in pairs):
                return list(upper)
            if all(self.heading(a).role in FIGURES or d for (a, _), d
                   in zip(pairs, days, strict=True)) and all(
                       unit_name(b.strip("()[] ")) is not None for _, b in pairs):
                return [f"{a} ({b.strip('()[] ')})" if b else raw
                        for a, b, raw in zip(carried, lower, upper, strict=True)]
        below = [self._is_day(b) for _, b in pairs]
        about = [self.heading(a).role in FIGURES for a, _ in pairs]
        if any(below) and any(about) and all(
            a for a, b in zip(about, below, strict=True) if b
        ) and not any(b and self.listed.plant(b) is not None for b in lower):
            return [f"{b} {a}" if a and self._is_day(b) and self.heading(a).kind else b or raw
                    for a, b, raw in zip(carried, lower, upper, strict=True)]
        return None

    @staticmethod
    def _of_month(month: str, text: str, raw: str) -> str:
        if _MONTHS.fullmatch(month) and _DAY_OF_MONTH.fullmatch(text):
            name, _, year = month.replace(".", "").partition(" ")
            return f"{text} {name} {year}".strip()
        return text or raw

    def _by_cells(self, grid: Grid, first: int, headings: list[Heading]) -> list[Heading]:
        """Columns whose heading says nothing, known by what is in them: days, or traits."""
        out = list(headings)
        have = {h.role for h in headings}
        for place, heading in enumerate(headings):
            corner = heading.role == "date" and "day" in have
            if heading.role not in ("unknown", "blank") and not corner:
                continue
            cells = [t for t in _column(grid, place, first) if t]
            if corner and any(self._is_day(t) for t in cells):
                continue
            if corner:  # it says what runs across, not down
                out[place] = replace(heading, role="unknown", named="")
            if not cells:
                continue
            if not {"date", "day"} & have and all(self._is_day(t) for t in cells) and (
                not heading.text or self._of_picks(grid, place, first, headings)
            ):
                out[place] = replace(heading, role="date", named="date")
                have.add("date")
            elif "trait" not in have and all(
                self.heading(t).role in FIGURES for t in cells
            ):
                out[place] = replace(heading, role="trait", named="trait", wrong=None)
                have.add("trait")
        return out

    def _of_picks(
        self, grid: Grid, place: int, first: int, headings: Sequence[Heading]
    ) -> bool:
        """Whether days in a column of an unknown name are those of picks: names come again, on a
        day each.  Days of sowing or of the first flower are one a plant."""
        for other, heading in enumerate(headings):
            names = _column(grid, other, first)
            if heading.role in ("plant", "unknown", "blank") and other != place and (
                self._names_of(names) is not None
            ):
                days = _column(grid, place, first)
                pairs = list(zip(names, days, strict=True))
                return len(set(names)) < len(names) and len(set(pairs)) == len(pairs)
        return False

    def _who(
        self, grid: Grid, top: int, first: int, headings: Sequence[Heading]
    ) -> tuple[int | None, Subject, bool]:
        """The column that says which plants, what it names, and whether its heading says so."""
        for place, heading in enumerate(headings):
            if heading.role == "plant":
                return place, self._names_of(_column(grid, place, first)) or "plant", True
        best: tuple[float, int, Subject] | None = None
        for place, heading in enumerate(headings):
            if heading.role in ("day", "note", "trait", "value", *_OTHER_MEASURES):
                continue
            cells = [t for t in _column(grid, place, first) if t]
            subject = self._names_of(cells)
            if subject is None or (subject == "plant" and heading.role == "label"):
                continue
            if heading.role == "count" and (
                plain(heading.text) not in ("no", "number") or self.listed.share(cells) < 1
            ):
                continue
            if grid.texts[top][place] and self.listed.plant(grid.texts[top][place]):
                continue  # its heading is a plant: the names began above
            rank = {"plant": 4.0, "plot": 2.0, "variety": 0.0}[subject]
            # Of two columns of numbers the one that tells lines apart has the names.
            rank += self.listed.share(cells) + len(set(cells)) / len(cells) / 2
            if best is None or rank > best[0]:
                best = rank, place, subject
        if best is None:
            return None, "plant", False
        place = best[1]
        return place, best[2], headings[place].named in ("plot", "variety")

    def _names_of(self, cells: Sequence[str]) -> Subject | None:
        """What most of the cells of a column name."""
        names = [c for c in cells if c and summary_word(c) is None]
        counts = Counter(self.listed.subject(name) for name in names)
        subjects: tuple[Subject, ...] = ("plant", "plot", "variety")
        return next((s for s in subjects if counts[s] and counts[s] >= MOSTLY * len(names)), None)

    def _named_otherwise(self, headings: Sequence[Heading]) -> bool:
        """Whether the plant of each line may follow from the sheet's name or from its place."""
        if self.named_for == "plant":
            return any(h.role == "date" for h in headings)
        return any(h.role == "label" for h in headings)

    def _totals_as_figures(self, headings: Sequence[Heading]) -> list[Heading] | None:
        """A column "total pods" is the count of a line where nothing else is."""
        out, any_figure = [], False
        for heading in headings:
            if heading.role == "summary":
                words = [w for w in heading.text.split() if summary_word(w) is None]
                inner = self.heading(" ".join(words))
                if inner.role in LOGGED:
                    heading, any_figure = replace(inner, text=heading.text), True
            out.append(heading)
        return out if any_figure else None


def own_heading(text: str, traits: tuple[OwnTrait, ...]) -> Heading | None:
    """What a heading says where it names a trait of one's own, with or without its unit."""
    for trait in traits:
        whole, name = folded(text), folded(trait.name)
        if trait.of and whole == folded(trait.of):
            return Heading(text, OWN_WHOLE, trait.name, kind=f"{OWN_KIND}{trait.name}")
        if not whole.startswith(name):
            continue
        rest = whole.removeprefix(name).strip()
        bracketed = rest[:1] in "([," and rest != ""
        unit = rest.strip("()[], ")
        heading = Heading(text, OWN, trait.name, kind=f"{OWN_KIND}{trait.name}",
                          unit="%" if unit in ("%", "percent") else "")
        if not rest or unit in (folded(trait.unit), trait.kind, "rating") or heading.unit:
            return heading
        if bracketed and trait.kind != "measure":
            return heading  # what it says in brackets is of the scale
        if bracketed or (unit_name(unit) is not None and len(rest.split()) == 1):
            declared = f"in {trait.unit}" if trait.unit else "without a unit"
            return replace(heading, wrong=Unreadable(f"trial.toml has {trait.name} {declared}.",
                                                     trait.name))
    return None


def _column(grid: Grid, place: int, first: int) -> list[str]:
    """The cells of a column, as many as show what it is."""
    return [row[place] for row in grid.texts[first: first + SHOW_WHAT_IT_IS]]


def stacked(arranged: Arrangement) -> list[Grid]:
    """The tables of a sheet that stand below each other, each with a heading of its own.

    A heading that comes again as it was, with nothing above it, goes on with the same table.
    """
    grid, who = arranged.grid, arranged.who
    if grid.turned or who is None or not arranged.headings[who].text:
        return [grid]
    top = grid.texts[arranged.first - 1]
    starts = [0]
    for row in range(arranged.first, grid.height):
        if grid.texts[row][who] != top[who]:
            continue
        start = row
        while start > arranged.first and sum(map(bool, grid.texts[start - 1])) == 1:
            start -= 1
        titled = start < row
        if titled or grid.texts[row] != top:
            starts.append(start)
    ends = [*starts[1:], grid.height]
    return [
        replace(grid, texts=grid.texts[a:b], lines=grid.lines[a:b], lengths=grid.lengths[a:b])
        for a, b in zip(starts, ends, strict=True)
    ]


# ------------------------------------------------------------------------------------------------
# What titles say of figures that no heading tells of.
# ------------------------------------------------------------------------------------------------

def bare_figures(
    arranged: Arrangement, file: str, source: str, trial: Trial
) -> tuple[Heading | None, str]:
    """What figures under a bare day are, as the first title says that speaks of it, and that title:
    the corner of the table, a line above it, the sheet's name, the file's.

    file, source : the file's name with the sheet's, and without.  (None, a title) where one speaks
    of height or weight among other things; (None, "") where none does.
    """
    corner = [] if arranged.who is None else [arranged.headings[arranged.who].text]
    name = file.removeprefix(source).removeprefix(", sheet ")
    unclear = ""
    for text in (*corner, *(text for _, text in arranged.above), name, Path(source).stem):
        stated = _measure_in(text, trial)
        if isinstance(stated, Heading):
            return stated, text
        unclear = unclear or stated
    return None, unclear


def _measure_in(text: str, trial: Trial) -> Heading | str:
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
    for name in (trial.crop, trial.title, trial.garden, *trial.variety_names):
        other |= {plain(w).removesuffix("s") for w in name.split()}
    other -= {"height", "weight", "count"}
    out = []
    for word in re.sub(r"[_]+", " ", text).split():
        key = plain(word)
        singular = key.removesuffix("s")
        if singular in ("height", "weight", "count"):
            out.append(singular)
        elif singular not in other and not key.isdigit() and not _MONTH_NAME.fullmatch(key):
            out.append(word)
    return " ".join(out)
