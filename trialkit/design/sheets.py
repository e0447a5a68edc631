"""Record sheets to carry down the rows: walking order, large boxes, the rules printed on.

A line is a plant, or a plot that is picked into one basket.  A set holds one day, or as many days
side by side as the paper is wide for.  A box left empty means "not looked at"; a 0 means "looked,
and there was nothing".  The two are never the same thing.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from trialkit.cautions import DIGGING, PICKING, Caution, in_a_line
from trialkit.design import paper
from trialkit.design.bed import Bed
from trialkit.design.layouts import walking_order
from trialkit.design.paper import A4, MARGIN_MM, MM_PER_POINT, Paper
from trialkit.trial import OwnTrait

TURN_MM = 6.5
FOOT_MM = 8.0
GAP_MM = 5.0
NAME_MM = 28.0
NOTES_MM = 24.0
NOTE_LINE_MM = 7.0
MOST_NOTES = 10
# Wide enough for figures written with a gloved hand (own choice, tried on paper sizes).
COUNT_MM, MEASURE_MM, DATE_MM, WORDS_MM = 12.0, 15.0, 20.0, 27.0


@dataclass(frozen=True)
class Rule:
    """What a full box, an empty box and an L mean; in full on the first page."""

    lines: tuple[str, ...]
    short: str


_LOST = "Plant DEAD or GONE: write L, and the reason under notes."
PICK_RULE = Rule(
    (
        "LOOKED and found nothing: write 0.",
        "DID NOT LOOK: leave the box EMPTY. Never write 0 for a plant you skipped.",
        _LOST,
    ),
    "0 = looked, nothing there.   EMPTY = did not look.   L = plant dead or gone.",
)
BASKET_RULE = Rule(
    (
        "One basket a plot. Picked over and found nothing: write 0.",
        "DID NOT PICK this plot: leave the box EMPTY. Picked in part: empty too, and a note.",
        "Plants DEAD or GONE since the last pick: their number and the reason under notes.",
    ),
    "One basket a plot.   0 = nothing there.   EMPTY = not picked, or in part.",
)
MEASURE_RULE = Rule(
    (
        "Measure from the ground to the highest growing tip, the plant as it stands.",
        "DID NOT MEASURE: leave the box EMPTY. Never guess, never write 0.",
        _LOST,
    ),
    "EMPTY = did not measure.   L = plant dead or gone.   Never a guess, never 0.",
)
DIG_RULE = Rule(
    (
        "Shake off the soil, weigh all the same way. Nothing there: write 0.",
        "NOT HARVESTED yet: leave the boxes EMPTY. Write its own date under notes.",
        "Plant DEAD or GONE before: write L, and the reason under notes.",
    ),
    "0 = nothing there.   EMPTY = not harvested yet.   L = plant dead or gone before.",
)
_LOOK = "DID NOT LOOK: leave the box EMPTY.  L = plant dead or gone."
_LOOK_PLOT = "DID NOT LOOK at this plot: leave the box EMPTY."


@dataclass(frozen=True)
class Box:
    """One box to fill in: its heading and the least width in mm.  above: a heading it shares with
    its neighbours.  light: words go in, no figure."""

    heading: str
    wide: float
    above: str = ""
    light: bool = False


_NOTES = Box("notes", WORDS_MM, light=True)


@dataclass(frozen=True)
class Form:
    """A kind of sheet.  boxes: of one day.  days: side by side; None for as many as fit.
    baskets: a line is a plot."""

    kind: str
    boxes: tuple[Box, ...]
    rule: Rule
    days: int | None = None
    baskets: bool = False
    cautions: tuple[Caution, ...] = PICKING

    @property
    def wide(self) -> float:
        """What the boxes of one day need, in mm."""
        return sum(box.wide for box in self.boxes)


def pick_form(
    bed: Bed, weigh: bool = True, days: int | None = None, baskets: bool = False
) -> Form:
    """A set of picks.  days: picking days side by side, None for as many as fit.  baskets: a line a
    plot."""
    boxes: tuple[Box, ...] = (Box(bed.counted, COUNT_MM),)
    if weigh:
        boxes += (Box(_in("weight", bed.weight_unit, days), MEASURE_MM),)
    if days == 1:
        boxes += (_NOTES,)
    rule = BASKET_RULE if baskets else PICK_RULE
    return Form("PICK", boxes, rule, days, baskets)


def height_form(bed: Bed, days: int | None = None, baskets: bool = False) -> Form:
    """A set of rounds of measuring heights."""
    unit = "ft in" if bed.height_unit == "ft" else bed.height_unit
    boxes: tuple[Box, ...] = (Box(_in("height", unit, days), MEASURE_MM),)
    if days == 1:
        boxes += (_NOTES,)
    return Form("HEIGHT", boxes, MEASURE_RULE, days, baskets)


def dig_sheets(bed: Bed, sheet: Paper = A4, baskets: bool = False) -> list[Figure]:
    """Pages for the day a crop is dug or cut once: how many and what weight, of each grade."""
    weight, count = Box(_in("weight", bed.weight_unit, 1), MEASURE_MM), Box("how many", COUNT_MM)
    boxes: tuple[Box, ...] = (count, weight, Box("grade", COUNT_MM))
    if bed.grades:
        room = sheet.wide - 2 * MARGIN_MM - NAME_MM - WORDS_MM
        both = len(bed.grades) * (COUNT_MM + MEASURE_MM) <= room
        boxes = tuple(
            Box(box.heading, box.wide, above=grade)
            for grade in bed.grades for box in ((count, weight) if both else (weight,))
        )  # fmt: skip
    form = Form("DIG DAY", (*boxes, _NOTES), DIG_RULE, 1, baskets, DIGGING)
    return form_sheets(bed, form, sheet)


def trait_sheets(bed: Bed, sheet: Paper = A4) -> list[Figure]:
    """Pages for the traits the gardener declared; none where there are none.

    Traits of plants and of plots have pages of their own, and so have those looked at once.
    """
    figures: list[Figure] = []
    for form in trait_forms(bed, sheet):
        figures += form_sheets(bed, form, sheet)
    return figures


def trait_forms(bed: Bed, sheet: Paper) -> list[Form]:
    """The forms of `trait_sheets`; where boxes side by side are too wide, several."""
    forms: list[Form] = []
    for on in ("plant", "plot"):
        mine = [trait for trait in bed.traits if trait.on == on]
        if not mine or (on == "plot" and not has_plots(bed)):
            continue
        often = [trait for trait in mine if trait.when == "often" and trait.kind != "day"]
        once = [trait for trait in mine if trait not in often]
        lines = on == "plot" or bed.plots_only
        room = sheet.wide - 2 * MARGIN_MM - NAME_MM
        for traits, days in ((often, None), (once, 1)):
            spare = _NOTES.wide if days else 0.0
            for group in _side_by_side(traits, room - spare):
                empty = _LOOK_PLOT if lines else _LOOK
                rule = Rule((*(trait_words(trait) for trait in group), empty), empty)
                boxes = tuple(_trait_box(trait) for trait in group)
                boxes += (_NOTES,) if days else ()
                forms.append(Form("TRAIT", boxes, rule, days, lines))
    return forms


def _side_by_side(traits: list[OwnTrait], room: float) -> list[list[OwnTrait]]:
    """Traits shared out so that the boxes of each share fit the room."""
    out: list[list[OwnTrait]] = []
    used = 0.0
    for trait in traits:
        wide = _trait_box(trait).wide
        if not out or used + wide > room or len(out[-1]) == 8:
            out.append([])
            used = 0.0
        out[-1].append(trait)
        used += wide
    return out


def _trait_box(trait: OwnTrait) -> Box:
    if trait.kind == "day":
        return Box(f"{trait.name}: first seen", DATE_MM)
    wide = {"measure": MEASURE_MM, "share": MEASURE_MM}.get(trait.kind, COUNT_MM)
    return Box(trait.name + (f", {trait.unit}" if trait.unit else ""), wide)


def trait_words(trait: OwnTrait) -> str:
    """What to write in the trait's box."""
    if trait.kind == "score" and trait.words:
        what = ", ".join(f"{at} = {word}" for at, word in enumerate(trait.words, start=1))
    elif trait.kind == "score":
        ends = [f" ({end})" for end in trait.ends] or ["", ""]
        what = f"{trait.low}{ends[0]} to {trait.high}{ends[-1]}"
    else:
        what = {
            "measure": "a number" + (f" in {trait.unit}" if trait.unit else ""),
            "count": "how many; none: 0",
            "yes or no": "yes or no",
            "day": "the date you first see it",
            "share": "how many of how many, 3/20",
        }[trait.kind]
    return f"{trait.name}: {what}."


def has_plots(bed: Bed) -> bool:
    """Whether the trial names its plots, and more than one plant stands in some."""
    if not bed.plots_named:
        return False
    return bed.plots_only or bool(bed.plants["plot"].duplicated().any())


def print_sheets(figures: list[Figure], path: Path, title: str) -> int:
    """Write the sheets as a PDF; returns the number of pages."""
    paper.save_pdf(figures, path, title)
    return len(figures)


def days_across(form: Form, sheet: Paper) -> int:
    """How many days stand side by side.  Raises ValueError where more are asked than fit."""
    room = sheet.wide - 2 * MARGIN_MM - NAME_MM
    most = max(1, int(room // form.wide))
    if form.days is not None and not 1 <= form.days <= most:
        raise ValueError(
            f"{form.days} days do not fit side by side on {sheet.name}. Write: --days 1 to {most}."
        )
    return form.days or most


@dataclass(frozen=True)
class Entry:
    """A line to fill in, or (plant is None) the band that says where to walk next."""

    plant: dict[str, object] | None
    text: str = ""


@dataclass(frozen=True)
class Frame:
    """How a form lies on the paper: days side by side, columns of lines, heights in mm."""

    form: Form
    sheet: Paper
    days: int
    halves: int

    @property
    def wide(self) -> float:
        """Width of a column of lines."""
        return (self.sheet.wide - 2 * MARGIN_MM - (self.halves - 1) * GAP_MM) / self.halves

    @property
    def name_wide(self) -> float:
        """Width of the names of plants, in mm."""
        return self.wide * 0.34 if self.halves == 2 else NAME_MM

    @property
    def line(self) -> float:
        """Height of a line, in mm."""
        return 11.0 if self.days == 1 else 9.0

    @property
    def rule_tall(self) -> float:
        """Height of the rules of recording, in mm."""
        return len(self.form.rule.lines) * 4.9 + 1.8

    @property
    def heads(self) -> float:
        """Height of the headings above the boxes."""
        shared = 5.0 if any(box.above for box in self.form.boxes) else 0.0
        two = 3.2 if any(len(_heading(box)) > 1 for box in self.form.boxes) else 0.0
        return 7.0 + two + shared + (8.0 if self.days > 1 else 0.0)

    @property
    def below_shared(self) -> float:
        """From the line of shared headings to the first box, in mm."""
        two = any(len(_heading(box)) > 1 for box in self.form.boxes)
        return 7.2 + (3.2 if two else 0.0)

    def head(self, first: bool) -> float:
        """Height of a page's head: the first page has the rules in full."""
        if not first:
            return 17.0
        return 27.0 + self.rule_tall + (8.5 if self.days == 1 else 0.0)

    def tall(self, entry: Entry) -> float:
        """Height of an entry: a plant's line, or where the walk turns; in mm."""
        return TURN_MM if entry.plant is None else self.line

    def room(self, first: bool) -> float:
        """Height there is for lines on a page."""
        notes = NOTES_MM if self.days > 1 else 0.0
        free = self.sheet.tall - 2 * MARGIN_MM - FOOT_MM - notes
        return free - self.heads - self.head(first)


def frame_of(form: Form, sheet: Paper) -> Frame:
    """Two columns of lines where one day's boxes are narrow enough, else one."""
    days = days_across(form, sheet)
    two = Frame(form, sheet, days, 2)
    fits = days == 1 and form.wide <= two.wide - two.name_wide + 0.5
    return two if fits else Frame(form, sheet, days, 1)


def form_sheets(bed: Bed, form: Form, sheet: Paper = A4) -> list[Figure]:
    """Pages of one set.

    Raises ValueError where that many days do not fit, or the trial names no plots for baskets.
    """
    if form.baskets and not has_plots(bed):
        raise ValueError(
            "Baskets need plots: plants.csv names no plot with several plants. Write a plot beside "
            "each plant, or leave out --baskets."
        )
    frame = frame_of(form, sheet)
    with paper.printing():
        pages = paged(entries_of(bed, form.baskets), frame)
        figures = []
        for number, halves in enumerate(pages):
            figure, axes = paper.new_page(sheet)
            top = _head(axes, bed, frame, number == 0)
            bottom = top
            for half, entries in enumerate(halves):
                left = MARGIN_MM + half * (frame.wide + GAP_MM)
                bottom = max(bottom, _half(axes, bed, frame, left, top, entries))
            if frame.days > 1:
                _notes(axes, sheet, bottom)
            _foot(axes, sheet, number, len(pages), form.kind)
            figures.append(figure)
    return figures


def entries_of(bed: Bed, baskets: bool = False) -> list[Entry]:
    """Plants, or plots, in walking order with a band at each new row."""
    lines = walking_order(bed.plants)
    if baskets:
        lines = _plots(bed, lines)
    entries: list[Entry] = []
    last: object = None
    for place, record in enumerate(lines.to_dict("records")):
        line = {str(key): value for key, value in record.items()}
        row = line["row"]
        missing = row is None or row != row
        if place == 0 or (row != last and not (missing and last is None)):
            entries.append(Entry(None, _turn(lines, row, baskets)))
        last = None if missing else row
        entries.append(Entry(line))
    return entries


def _plots(bed: Bed, plants: pd.DataFrame) -> pd.DataFrame:
    """A line a plot, where its first plant stands; `alive` says how many it has."""
    alive = (~plants["plant"].astype(str).isin(bed.lost)).groupby(plants["plot"]).sum()
    first = plants.dropna(subset=["plot"]).drop_duplicates("plot")
    return first.assign(alive=first["plot"].map(alive))


def _turn(lines: pd.DataFrame, row: object, baskets: bool) -> str:
    """The words of a turn, for example "row 2: walk back, from plant 16 to 1"."""
    what = "plots" if baskets else "plants"
    if row != row or row is None:
        return f"{what} in the order of plants.csv"
    line = lines[lines["row"] == row]
    if baskets:
        return f"ROW {_number(row)}  plot {line['plot'].iloc[0]} to {line['plot'].iloc[-1]}"
    if line["column"].isna().any():
        return f"row {_number(row)}"
    first, last = _number(line["column"].iloc[0]), _number(line["column"].iloc[-1])
    arrow = "→" if line["column"].iloc[-1] >= line["column"].iloc[0] else "←"
    return f"ROW {_number(row)} {arrow}  plant {first} to {last}"


def _number(value: object) -> str:
    return f"{float(str(value)):g}"


def paged(entries: list[Entry], frame: Frame) -> list[list[list[Entry]]]:
    """Entries shared out into pages of columns; a turn never stands last in a column."""
    pages: list[list[list[Entry]]] = []
    waiting = list(entries)
    row = ""
    while waiting or not pages:
        room = frame.room(not pages)
        halves: list[list[Entry]] = []
        for _ in range(frame.halves):
            half: list[Entry] = []
            used = 0.0
            if waiting and waiting[0].plant is not None:
                before = "page" if frame.halves == 1 else "column"
                half.append(Entry(None, f"{row}, on from the last {before}"))
                used = TURN_MM
            while waiting and used + frame.tall(waiting[0]) <= room:
                used += frame.tall(waiting[0])
                half.append(waiting.pop(0))
                if half[-1].plant is None:
                    row = half[-1].text.split("  ")[0]
            if half and half[-1].plant is None and waiting:
                waiting.insert(0, half.pop())
            halves.append(half)
        pages.append(halves)
    return pages


def _in(what: str, unit: str, days: int | None) -> str:
    """A heading with its unit; where many stand side by side, the unit alone."""
    return f"{what}, {unit}" if days == 1 else unit


def _head(axes: Axes, bed: Bed, frame: Frame, first: bool) -> float:
    """Draws the head; returns where the columns start, in mm from the top."""
    form, sheet = frame.form, frame.sheet
    room = sheet.wide - 2 * MARGIN_MM
    y = MARGIN_MM + 4.0
    one_day = frame.days == 1
    for_title = room * 0.62 if one_day else room
    size = paper.fitting_size(bed.title, for_title, 15.0, 8.0, bold=True)
    title = paper.shortened(bed.title, for_title, size, True)
    paper.write(axes, MARGIN_MM, y, title, size, bold=True)
    right = sheet.wide - MARGIN_MM
    if one_day:
        paper.write(axes, right - 62.0, y, "Date", 11.0, bold=True, across="right")
        paper.box(axes, right - 60.0, y - 6.0, 60.0, 9.0, line=1.2)
    if not first:
        size = paper.fitting_size(form.rule.short, room, 9.5, 6.0, bold=True)
        paper.write(axes, MARGIN_MM, y + 8.5, form.rule.short, size, bold=True)
        return MARGIN_MM + frame.head(first)
    what = f"{form.kind} SHEET" + (f": {bed.crop}" if bed.crop else "")
    if not one_day:
        what += f". {frame.days} days side by side: write the date above each."
    paper.write(axes, MARGIN_MM, y + 7.5, paper.shortened(what, for_title, 10.0), 10.0)
    y += 7.5
    if one_day:
        y += 8.5
        _blanks(axes, y, room)
    y += 5.0
    paper.box(axes, MARGIN_MM, y, room, frame.rule_tall, line=1.6)
    for at, text in enumerate(form.rule.lines):
        size = paper.fitting_size(text, room - 6.0, 9.5, 5.0, bold=True)
        text = paper.shortened(text, room - 6.0, size, True)
        paper.write(axes, MARGIN_MM + 3.0, y + 4.4 + at * 4.9, text, size, bold=True)
    y += frame.rule_tall + 3.5
    care = in_a_line(form.cautions, "this sheet")
    for at, text in enumerate(paper.wrapped(care, room, 7.0)[:2]):
        paper.write(axes, MARGIN_MM, y + at * 3.2, text, 7.0)
    return MARGIN_MM + frame.head(first)


def _blanks(axes: Axes, y: float, room: float) -> None:
    """Lines for who recorded and when."""
    for at, (word, share) in enumerate(
        (("Time", 0.18), ("By", 0.30), ("Weather, spray, other", 0.52))
    ):
        x = MARGIN_MM + room * (0.0, 0.18, 0.48)[at]
        paper.write(axes, x, y, word, 9.0)
        line_from = x + (11.0, 8.0, 39.0)[at]
        axes.plot([line_from, x + room * share - 4.0], [y + 1.2] * 2, color="black", lw=0.7)


def _heading(box: Box) -> list[str]:
    """A box's heading, in two lines where one would be too small to read."""
    words = box.heading.split()
    if len(words) < 2 or paper.text_width(box.heading, 7.5, True) <= box.wide:
        return [box.heading]
    halves = [(" ".join(words[:at]), " ".join(words[at:])) for at in range(1, len(words))]
    return list(min(halves, key=lambda pair: max(paper.text_width(t, 7.5, True) for t in pair)))


def _fits(text: str, room: float) -> float:
    """The size in points at which a heading fits, a little below the limit."""
    return paper.fitting_size(text, room * 0.98, 10.0, 5.0, bold=True)


def _edges(frame: Frame, left: float) -> list[float]:
    """Where boxes begin, and the end of the last."""
    each = (frame.wide - frame.name_wide) / (frame.days * frame.form.wide)
    edges = [left + frame.name_wide]
    for box in frame.form.boxes * frame.days:
        edges.append(edges[-1] + box.wide * each)
    return edges


def _half(
    axes: Axes, bed: Bed, frame: Frame, left: float, top: float, entries: list[Entry]
) -> float:
    """One column of lines with its boxes; returns where it ends."""
    if not entries:
        return top
    edges = _edges(frame, left)
    boxes = frame.form.boxes * frame.days
    line = top + frame.heads - 2.2
    for at, box in enumerate(boxes):
        room = edges[at + 1] - edges[at] - 1.0
        middle = (edges[at] + edges[at + 1]) / 2
        texts = _heading(box)
        size = min(_fits(text, room) for text in texts)
        for up, text in enumerate(reversed(texts)):
            text = paper.shortened(text, room, size, True)
            paper.write(axes, middle, line - up * 3.2, text, size, bold=True, across="center")
    _shared_heads(axes, frame, edges, top + frame.heads - frame.below_shared)
    word = "plot" if frame.form.baskets else "plant"
    paper.write(axes, left + 1.0, line, word, 10.0, bold=True)
    many = len(frame.form.boxes)
    if frame.days > 1:
        paper.write(axes, edges[0] - 2.0, top + 4.0, "date", 10.0, bold=True, across="right",
                    up="center")
        for day in range(frame.days):
            wide = edges[(day + 1) * many] - edges[day * many]
            paper.box(axes, edges[day * many], top, wide, 8.0, line=1.1)
    y = top + frame.heads
    plot: object = None
    heavy: list[tuple[float, float, float, float]] = []
    light: list[tuple[float, float, float, float]] = []
    for entry in entries:
        if entry.plant is None:
            plot = None
            paper.box(axes, left, y, frame.wide, TURN_MM, line=0.0, fill="0.85", grey=0.85)
            paper.write(axes, left + 1.5, y + TURN_MM / 2, entry.text, 9.0, bold=True, up="center")
        else:
            _line(axes, bed, frame, y, edges, entry.plant)
            for at, box in enumerate(boxes):
                # Heavy boxes for figures, a light one for notes, so a count never lands there.
                here = (edges[at], y, edges[at + 1] - edges[at], frame.line)
                (light if box.light else heavy).append(here)
            if many > 1:
                for day in range(1, frame.days):
                    axes.plot([edges[day * many]] * 2, [y, y + frame.line], color="black", lw=2.2)
            if not frame.form.baskets and plot is not None and entry.plant["plot"] != plot:
                axes.plot([left, left + frame.wide], [y, y], color="black", lw=2.2)
            plot = entry.plant["plot"]
        y += frame.tall(entry)
    paper.boxes(axes, heavy, line=1.1)
    paper.boxes(axes, light, line=0.4)
    return y


def _shared_heads(axes: Axes, frame: Frame, edges: list[float], line: float) -> None:
    """Headings that stand above several boxes, once each."""
    boxes = frame.form.boxes * frame.days
    at = 0
    while at < len(boxes):
        end = at + 1
        while end < len(boxes) and boxes[end].above == boxes[at].above:
            end += 1
        if boxes[at].above:
            room = edges[end] - edges[at] - 1.5
            size = _fits(boxes[at].above, room)
            text = paper.shortened(boxes[at].above, room, size, True)
            middle = (edges[at] + edges[end]) / 2
            paper.write(axes, middle, line, text, size, bold=True, across="center")
            axes.plot([edges[at] + 1.0, edges[end] - 1.0], [line + 1.4] * 2, color="black", lw=0.7)
        at = end


def _line(
    axes: Axes, bed: Bed, frame: Frame, y: float, edges: list[float], plant: dict[str, object]
) -> None:
    """One line: its id in large type and an empty box for each figure."""
    left, tall = edges[0] - frame.name_wide, frame.line
    paper.box(axes, left, y, frame.name_wide, tall, line=0.4, grey=0.4)
    small = [] if plant["treatment"] is None else [str(plant["treatment"])]
    if plant["variety"]:
        small.append(str(plant["variety"]))
    if frame.form.baskets:
        name, alive = str(plant["plot"]), int(str(plant["alive"]))
        small.insert(0, f"{alive} plant{'' if alive == 1 else 's'}")
        lost = alive == 0
    else:
        name = str(plant["plant"])
        lost = name in bed.lost
    room = frame.name_wide - 2.0
    size = paper.fitting_size(name, room, 17.0 if frame.days == 1 else 14.0, 6.0, bold=True)
    up = y + tall * (0.38 if small else 0.5)
    grey = 0.55 if lost else 0.0
    shown = paper.shortened(name, room, size, True)
    paper.write(axes, left + 1.0, up, shown, size, bold=True, up="center", grey=grey)
    if small:
        text = paper.shortened(", ".join(small), room, 7.0)
        paper.write(axes, left + 1.0, y + tall * 0.82, text, 7.0, up="center")
    if lost:
        points = tall * 0.35 / MM_PER_POINT
        middle = (edges[0] + edges[1]) / 2
        size = paper.fitting_size("LOST", edges[1] - edges[0] - 1.0, points, 4.0)
        paper.write(
            axes, middle, y + tall / 2, "LOST", size, across="center", up="center", grey=0.45
        )


def _notes(axes: Axes, sheet: Paper, top: float) -> None:
    """Ruled lines for notes, from the last line of boxes to the foot of the page."""
    bottom = min(sheet.tall - MARGIN_MM - FOOT_MM, top + 6.0 + MOST_NOTES * NOTE_LINE_MM)
    y = top + 6.0
    paper.write(axes, MARGIN_MM, y, "Notes: the date, which plant, what (why lost, a spray, a "
                "storm, who picked)", 9.0)
    y += NOTE_LINE_MM
    while y <= bottom + 0.5:
        axes.plot([MARGIN_MM, sheet.wide - MARGIN_MM], [y, y], color="black", lw=0.6)
        y += NOTE_LINE_MM


def _foot(axes: Axes, sheet: Paper, number: int, pages: int, kind: str) -> None:
    y = sheet.tall - MARGIN_MM - 1.5
    paper.write(axes, MARGIN_MM, y, f"{kind.lower()} sheet, page {number + 1} of {pages}", 9.0)
    right = sheet.wide - MARGIN_MM
    paper.box(axes, right - 4.5, y - 3.4, 4.5, 4.5, line=0.9)
    paper.write(axes, right - 6.5, y, "every box on this page looked over", 9.0, across="right")
