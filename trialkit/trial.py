"""What a trial is: trial.toml read into frozen dataclasses.

Parsing only; which file it came from matters here for messages alone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Literal, NamedTuple, TypeVar

import pandas as pd

from trialkit.errors import TrialkitError
from trialkit.reading.amounts import (
    LENGTH,
    WEIGHT,
    Habits,
    Measure,
    Price,
    accepted_prices,
    price_of,
    unit_name,
)
from trialkit.reading.dates import EARLIEST, LATEST, ORDERS, Order
from trialkit.reading.problems import Problem, Unreadable, problem_table, problem_text
from trialkit.reading.spelling import folded
from trialkit.reading.toml import (
    TomlReader,
    any_text,
    count_of,
    flag_of,
    number_of,
    seed_of,
    text_of,
    whole_of,
)

LONGEST_CM = 100_000.0
LONGEST_NAME = 40


@dataclass(frozen=True)
class Variety:
    """A variety in the trial; the check is the one the others are compared with.

    seed_cost : money a plant set out, in the price's currency; None where not given.
    """

    name: str
    check: bool = False
    note: str = ""
    seed_cost: float | None = None


@dataclass(frozen=True)
class Layout:
    """How the bed is laid out; spacings in cm.  None where the file does not say.

    rows, columns : rows of plants, and plants along a row.  sun : the side the sun comes from.
    shade : what shades the bed, or where.  seed : what the layout was drawn with.
    """

    design: str | None = None
    row_spacing_cm: float | None = None
    plant_spacing_cm: float | None = None
    rows: int | None = None
    columns: int | None = None
    sun: str | None = None
    shade: str | None = None
    seed: int | None = None


Zeros = Literal["written", "left out"]
Bears = Literal["top", "along"]
YIELD, WITHIN_REACH, EARLY = "yield", "within reach", "early"
QUESTIONS = (YIELD, WITHIN_REACH, EARLY)
TraitKind = Literal["score", "measure", "count", "yes or no", "day", "share"]
KINDS: tuple[TraitKind, ...] = ("score", "measure", "count", "yes or no", "day", "share")


@dataclass(frozen=True)
class OwnTrait:
    """A trait the gardener declares under [[traits]].

    kind : a score on a scale, a measure, a count, yes or no, the day something is first seen, or a
    share of how many.  words : the scores by name, lowest first.  low, high : of a score.  ends :
    words for these two.  unit : of a measure.  of : of a share, the name of the spreadsheet column
    that says of how many.  better : "more", "less", or "" for neither.
    on : what is looked at.  when : often, or once (then the last record of a plant holds).
    """

    name: str
    kind: TraitKind
    words: tuple[str, ...] = ()
    low: int = 1
    high: int = 5
    ends: tuple[str, ...] = ()
    unit: str = ""
    of: str = ""
    better: Literal["more", "less", ""] = ""
    on: Literal["plant", "plot"] = "plant"
    when: Literal["often", "once"] = "often"


@dataclass(frozen=True)
class Trial:
    """The trial's description.  Units named here are the gardener's own; values are cm and g.

    planted : the day the plants went out.  counted : what a pick counts ("pods").
    height_unit : mm, cm, m, in, or ft for feet and inches.  weight_unit : g, kg, oz or lb.
    rain_unit : mm or in, as the height's unit says; "" where the description names none.
    harvest_unit : what harvest weights are in where that is neither ("bushels an acre"); those
    are then kept as written.  reach_cm : how high the picker reaches.  looks : how often the
    result is to be looked at.  ended : the day after which nothing more is picked; None while the
    season lasts.  worthwhile : a ratio below which a difference does not matter (1.25 unless
    given).  zeros : whether a blank in the picks is not looked at ("written", as zeros are) or
    nothing to pick ("left out").  question : what the trial is to answer: "yield", "within reach",
    "early", or the name of a trait of `traits`.  bears : whether fruit sets at the growing tip
    ("top") or all along the stem ("along").  threshold_per_week : picked a plant a week below which
    it is not worth picking.  day_order : which comes first in 3/7/2026, where the trial says so.
    invented : the records are made up.  Of crops dug or cut once, grades : best first; marketable :
    the grades fit to sell or eat; marketable_from_g : weight a piece of them must reach;
    ready_share : share of the plants that must have given one for the variety to be ready.
    covariates : columns of plants.csv with a number a plot (a soil test, hours of shade) that
    picks, a harvest and traits of one's own are adjusted for.  weight_as_written : units.weight is
    none that is known (it is then the harvest's): picks cannot be weighed in it.
    price : what the crop is sold at, by weight or by the piece.
    """

    title: str
    garden: str
    crop: str
    planted: date
    varieties: tuple[Variety, ...]
    counted: str = "pods"
    height_unit: str = "cm"
    rain_unit: str = ""
    weight_unit: str = "g"
    harvest_unit: str | None = None
    reach_cm: float | None = None
    layout: Layout = field(default_factory=Layout)
    looks: int | None = None
    ended: date | None = None
    worthwhile: float | None = None
    zeros: Zeros | None = None
    question: str = YIELD
    bears: Bears | None = None
    threshold_per_week: float | None = None
    day_order: Order | None = None
    invented: bool = False
    source: str = ""
    notes: str = ""
    grades: tuple[str, ...] = ()
    marketable: tuple[str, ...] = ()
    marketable_from_g: float | None = None
    ready_share: float | None = None
    traits: tuple[OwnTrait, ...] = ()
    covariates: tuple[str, ...] = ()
    weight_as_written: bool = False
    price: Price | None = None

    @property
    def check(self) -> str | None:
        """Name of the check variety; None where none is marked."""
        return next((v.name for v in self.varieties if v.check), None)

    @property
    def asked_trait(self) -> OwnTrait | None:
        """The trait of the gardener's own that the question is about; None for any other."""
        return None if self.question in QUESTIONS else next(
            (trait for trait in self.traits if trait.name == self.question), None)

    @property
    def habits(self) -> Habits:
        """How this gardener writes dates, lengths and weights."""
        return Habits(self.day_order, self.height_unit, self.weight_unit)

    @property
    def variety_names(self) -> tuple[str, ...]:
        """Names of the varieties, in the order of trial.toml."""
        return tuple(v.name for v in self.varieties)


class TrialProblems(TrialkitError, ValueError):  # noqa: N818  (a list of problems, named for what it holds)
    """Everything wrong with a trial.toml, at once.

    problems : file, line, column (the key), value, problem, accepted; one row a problem.
    """

    def __init__(self, problems: pd.DataFrame) -> None:
        self.problems = problems
        super().__init__(problem_text(problems, "The trial's description cannot be used as it is:"))


TOP = (
    "title", "garden", "crop", "planted", "counted", "reach", "looks", "ended",
    "worthwhile", "zeros", "question", "bears",
    "threshold_per_week", "grades", "marketable", "marketable_from", "ready_share", "covariates",
    "price", "dates", "invented", "source", "notes", "units", "layout", "varieties", "traits",
)
UNITS = ("height", "weight", "harvest")
LAYOUT = ("design", "rows", "columns", "row_spacing", "plant_spacing", "sun", "shade", "seed")
VARIETY = ("name", "check", "note", "seed_cost")
TRAIT = ("name", "kind", "scale", "from", "to", "unit", "of", "better", "on", "when")
MOST_SCORES = 101
# What the tables call their own columns; a trait of that name would be two things at once.
TAKEN = frozenset({
    "date", "plant", "plants", "plot", "block", "replicate", "row", "column", "variety",
    "treatment", "lost", "lost reason", "trait", "value", "unit", "note", "event", "count",
    "weight", "height", "grade", "topped", "harvest", "pods", "season", "stand", "rate", "window",
    "position", "weights",
})
_PLANTS_OWN = frozenset({
    "plant", "plants", "variety", "replicate", "block", "plot", "row", "column", "treatment",
    "lost", "lost reason", "note", "date",
})
# Keys people put on top that have a place of their own.
_ELSEWHERE = {
    **{f"{k}_unit": f"Write it under [units], as {k} = ..." for k in UNITS},
    **{k: f"It belongs under [layout]: {k} = ..." for k in LAYOUT},
    "seed_cost": "Write seed_cost = ... below the name of each variety.",
    "check": "Write check = true below the name of that variety.",
    "variety": "Write [[varieties]] once a variety, with name = below it.",
    "reach_cm": 'Write the unit with the value: reach = "210 cm".',
    "day_order": 'Write dates = "day first" or dates = "month first".',
}
_WORDS = '"a few words"'
_OF_WHAT = re.compile(r"/| (?:a|an|per) |[a-z][-⁻¹]", re.IGNORECASE)
_WEIGHTS = ", ".join(f'"{unit}"' for unit in WEIGHT.factors) + "; a yield that is " \
           'kept as written names what it is of: "t/ha", "lb/plot"'
_COVARIATES = 'names of columns of plants.csv with a number a plot, such as ["soil test"]'
_SEED_COST = ("money a plant set out, a number without quotes, such as 0.12 (a packet's price over "
              "the plants it gave)")
_WHOLE = "a whole number from 1, without quotes"
_LENGTHS = 'a length such as "210 cm" or "7 ft"; a bare number is in the unit of heights'
_GRADES = 'the names in order, best first: ["large", "medium", "small"]'
SOME_DAY = date(EARLIEST.year, 1, 1)


def parse_trial(text: str, file: str = "trial.toml") -> Trial:
    """Read a trial's description.

    Raises TrialProblems with every problem found, each with its line where it has one.
    """
    trial, problems = draft_trial(text, file)
    if problems:
        raise TrialProblems(problem_table(problems))
    return trial


def draft_trial(text: str, file: str = "trial.toml") -> tuple[Trial, list[Problem]]:
    """As much of a description as can be read, and what is wrong with the rest.

    For checking records against a description that is not sound yet: what is missing is empty,
    and a planting day that cannot be read is the first of 1800.
    """
    r = TomlReader(text.removeprefix("\ufeff").replace("\r\n", "\n"), file)
    top, units, layout = r.top, r.section("units"), r.section("layout")
    r.known(top, TOP, elsewhere=_ELSEWHERE)
    r.known(units, UNITS, "units.")
    r.known(layout, LAYOUT, "layout.")
    height = r.take(units, "height", _unit(LENGTH), _names(LENGTH), where="units.") or "cm"
    written = r.take(units, "weight", _weight_unit, _WEIGHTS, where="units.") or "g"
    weight = written if written in WEIGHT.factors else "g"
    harvest = r.take(units, "harvest", any_text, _WORDS, where="units.") or None
    if weight != written:
        if harvest is not None and folded(harvest) != folded(written):
            r.wrong("units.weight", written, f'The harvest is in "{harvest}".',
                    f"{_names(WEIGHT)}: what picks are weighed in")
        harvest = harvest or written
    order = r.take(top, "dates", _order, " or ".join(f'"{o}"' for o in ORDERS))
    habits = Habits(order, height, weight)
    length, day = _length(habits), _day(habits)

    def words(key: str, required: bool = False) -> str | None:
        return r.take(top, key, text_of if required else any_text, _WORDS, required=required)

    traits = _traits(r)
    questions = ", ".join(f'"{name}"' for name in (*QUESTIONS, *(t.name for t in traits)))
    counted = words("counted") or "pods"
    trial = Trial(
        title=words("title", required=True) or "",
        garden=words("garden") or "",
        crop=words("crop", required=True) or "",
        planted=r.take(top, "planted", day, "the day, year first: 2026-05-24", required=True)
        or SOME_DAY,
        varieties=_varieties(r),
        counted=counted,
        height_unit=height,
        rain_unit=("in" if height in ("ft", "in") else "mm") if "height" in units else "",
        weight_unit=weight,
        harvest_unit=harvest,
        weight_as_written=weight != written,
        reach_cm=r.take(top, "reach", length, _LENGTHS),
        layout=_layout(r, layout, length),
        looks=r.take(top, "looks", count_of, _WHOLE),
        ended=r.take(top, "ended", day, "the day, year first: 2026-10-12"),
        worthwhile=r.take(top, "worthwhile", _ratio, "a ratio above 1, such as 1.25"),
        zeros=r.take(top, "zeros", _zeros, '"written" or "left out"'),
        question=r.take(top, "question", _question(traits), questions)
        or YIELD,
        bears=r.take(top, "bears", _bears, '"top" or "along"'),
        threshold_per_week=r.take(
            top, "threshold_per_week", number_of, "a number above 0, without quotes"
        ),
        day_order=order,
        invented=r.take(top, "invented", flag_of, "true or false, without quotes") or False,
        source=words("source") or "",
        notes=words("notes") or "",
        grades=r.take(top, "grades", _grades, _GRADES) or (),
        marketable=r.take(top, "marketable", _grades, _GRADES) or (),
        marketable_from_g=r.take(top, "marketable_from", _weight(habits), WEIGHT.examples),
        ready_share=r.take(top, "ready_share", _share, "a share such as 0.5: above 0, at most 1"),
        traits=traits,
        covariates=r.take(top, "covariates", _covariates, _COVARIATES) or (),
        price=r.take(top, "price", _price(counted), accepted_prices(counted)),
    )
    if trial.ended is not None and trial.ended < trial.planted:
        r.wrong("ended", top["ended"], "It is before the day of planting.",
                f"a day from {trial.planted} on")
    return trial, sorted(r.problems, key=lambda p: p.line or 0)


def _layout(
    r: TomlReader, section: Mapping[str, object], length: Callable[[object], float]
) -> Layout:
    """How the bed lies."""

    def words(key: str) -> str | None:
        return r.take(section, key, any_text, _WORDS, where="layout.") or None

    return Layout(
        design=words("design"),
        row_spacing_cm=r.take(section, "row_spacing", length, _LENGTHS, where="layout."),
        plant_spacing_cm=r.take(section, "plant_spacing", length, _LENGTHS, where="layout."),
        rows=r.take(section, "rows", count_of, _WHOLE, where="layout."),
        columns=r.take(section, "columns", count_of, _WHOLE, where="layout."),
        sun=words("sun"),
        shade=words("shade"),
        seed=r.take(section, "seed", seed_of, "a whole number from 0", where="layout."),
    )


def habits_of(folder: Path) -> Habits:
    """How the gardener of a folder writes dates, lengths and weights, for reading what stands
    outside the tables (an option of the command line); the usual ones where trial.toml is not
    there or does not say."""
    try:
        text = (folder / "trial.toml").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return Habits()
    return draft_trial(text)[0].habits


def _varieties(r: TomlReader) -> tuple[Variety, ...]:
    rows = r.top.get("varieties")
    accepted = '[[varieties]] once a variety, with name = "..." below it'
    if not isinstance(rows, list) or not rows:
        if r.sound:
            r.wrong("varieties", None, "No variety is named.", accepted)
        return ()
    out: list[Variety] = []
    named: set[str] = set()
    checked = False
    for i, row in enumerate(rows):
        at = f"varieties.{i}."
        if not isinstance(row, dict):
            r.wrong(at.rstrip("."), row, "It is not a variety.", accepted)
            continue
        r.known(row, VARIETY, at)
        name = r.take(row, "name", text_of, '"the name"', where=at, required=True)
        check = r.take(row, "check", flag_of, "true or false, without quotes", where=at) or False
        note = r.take(row, "note", any_text, _WORDS, where=at) or ""
        seed_cost = r.take(row, "seed_cost", _cost, _SEED_COST, where=at)
        if name is None:
            continue
        if folded(name) in named:
            r.wrong(f"{at}name", name, "It is named twice.", "each variety once")
        if check and checked:
            r.wrong(f"{at}check", name, "Another variety is the check already.", "one at most")
        named.add(folded(name))
        checked = checked or check
        out.append(Variety(name, check, note, seed_cost))
    return tuple(out)


def _traits(r: TomlReader) -> tuple[OwnTrait, ...]:
    tables = r.top.get("traits", [])
    accepted = '[[traits]] once a trait, with name = "..." and kind = "..." below it'
    if not isinstance(tables, list):
        r.wrong("traits", tables, "It should be [[traits]], in two brackets.", accepted)
        return ()
    out: list[OwnTrait] = []
    named: set[str] = set()
    for i, table in enumerate(tables):
        at = f"traits.{i}."
        if not isinstance(table, dict):
            r.wrong(at.rstrip("."), table, "It is not a trait.", accepted)
            continue
        r.known(table, TRAIT, at)
        name = r.take(table, "name", text_of, '"the name"', where=at, required=True)
        kind = r.take(table, "kind", _one_of(*KINDS), _quoted(KINDS), where=at, required=True)
        if name is not None and (folded(name) in TAKEN or folded(name) in named
                                 or len(name) > LONGEST_NAME):
            problem = ("It is named twice." if folded(name) in named
                       else "A column of the tables has that name." if folded(name) in TAKEN
                       else "The name is too long.")
            r.wrong(f"{at}name", name, problem,
                    f"a name of its own, at most {LONGEST_NAME} letters")
            continue
        if name is None or kind is None:
            continue
        named.add(folded(name))
        scale = _scale(r, table, kind, at)
        out.append(OwnTrait(
            name, kind, words=scale.words, low=scale.low, high=scale.high, ends=scale.ends,
            unit=r.take(table, "unit", any_text, _WORDS, where=at) or "",
            of=_of_how_many(r, table, kind, at),
            better=r.take(table, "better", _one_of("more", "less"), '"more" or "less"', where=at)
            or "",
            on=r.take(table, "on", _one_of("plant", "plot"), '"plant" or "plot"', where=at)
            or "plant",
            when=r.take(table, "when", _one_of("often", "once"), '"often" or "once"', where=at)
            or "often",
        ))
    return tuple(out)


def _of_how_many(r: TomlReader, table: Mapping[str, object], kind: TraitKind, at: str) -> str:
    if kind != "share" and "of" in table:
        r.wrong(f"{at}of", table["of"], "Only a share is of how many.", 'kind = "share"')
        return ""
    return r.take(table, "of", text_of, '"the column that says of how many"', where=at) or ""


class _Scale(NamedTuple):
    """The fields of an `OwnTrait` that say what its scores are."""

    words: tuple[str, ...] = ()
    low: int = 1
    high: int = 5
    ends: tuple[str, ...] = ()


def _scale(r: TomlReader, table: Mapping[str, object], kind: TraitKind, at: str) -> _Scale:
    """What trial.toml says of a score's scale; a problem where another kind has one."""
    example = 'the scores by name, lowest first: ["none", "some", "much"], or from = 1 and to = 5'
    if kind != "score":
        for key in ("scale", "from", "to"):
            if key in table:
                r.wrong(at + key, table[key], "Only a score has a scale.", 'kind = "score"')
        return _Scale()
    words = r.take(table, "scale", _scores, example, where=at) or ()
    low = r.take(table, "from", whole_of, "a whole number from 0", where=at)
    high = r.take(table, "to", whole_of, "a whole number from 1", where=at)
    if "from" not in table and "to" not in table:
        if not words and "scale" not in table:
            r.wrong(f"{at}kind", "score", "A score needs a scale.", example)
        if not words:  # which has been told: no score is judged by a scale that is not known
            return _Scale(low=0, high=MOST_SCORES)
        return _Scale(words, 1, max(len(words), 2))
    low, high = 1 if low is None else low, 5 if high is None else high
    if not low < high <= low + MOST_SCORES:
        r.wrong(f"{at}to", high, f"The scale must go up from {low}, by {MOST_SCORES} at most.",
                "from = 1 and to = 5")
        high = low + 1
    if len(words) not in (0, 2, high - low + 1):
        r.wrong(f"{at}scale", list(words), "Words for the two ends, or for every score.", example)
    whole = len(words) == high - low + 1 and low == 1
    return _Scale(words if whole else (), low, high,
                  words if len(words) == 2 and not whole else ())


def _scores(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or len(value) < 2:
        raise ValueError("not a list")
    names = tuple(text_of(name) for name in value)
    if len({folded(name) for name in names}) < len(names):
        raise Unreadable("A score is named twice.", '["none", "some", "much"]')
    return names


L = TypeVar("L", bound=str)


def _one_of(*known: L) -> Callable[[object], L]:
    def convert(value: object) -> L:
        for word in known:
            if isinstance(value, str) and folded(value) == word:
                return word
        raise ValueError("none of them")

    return convert


def _quoted(words: tuple[str, ...]) -> str:
    return ", ".join(f'"{word}"' for word in words)


def _covariates(value: object) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise ValueError("not a list")
    names = tuple(text_of(name) for name in value)
    if len({folded(name) for name in names}) < len(names):
        raise Unreadable("A column is named twice.", _COVARIATES)
    taken = [name for name in names if folded(name.replace("_", " ")) in _PLANTS_OWN]
    if taken:
        raise Unreadable(f"The column {taken[0]} of plants.csv says something else.", _COVARIATES)
    return names


def _day(habits: Habits) -> Callable[[object], date]:
    def convert(value: object) -> date:
        if isinstance(value, datetime):
            value = value.date()
        if isinstance(value, date):
            if not EARLIEST <= value <= LATEST:
                raise Unreadable("The year cannot be right.", "the day, year first: 2026-05-24")
            return value
        return habits.day(text_of(value))

    return convert


def _order(value: object) -> Order:
    for order in ORDERS:
        if isinstance(value, str) and folded(value) == order:
            return order
    raise ValueError("not an order")


def _names(measure: Measure) -> str:
    return ", ".join(f'"{name}"' for name in measure.factors)


def _unit(measure: Measure) -> Callable[[object], str]:
    def convert(value: object) -> str:
        name = unit_name(text_of(value))
        if name is None or name not in measure.factors:
            raise ValueError("not a unit")
        return name

    return convert


def _weight_unit(value: object) -> str:
    """A unit of weight; or, of a yield kept as written, any unit that says what it is of."""
    written = text_of(value)
    name = unit_name(written)
    if name in WEIGHT.factors:
        return name or written
    if not _OF_WHAT.search(written):
        raise ValueError("not a unit")
    return written


def _grades(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError("not a list")
    names = tuple(text_of(grade) for grade in value)
    if len({folded(grade) for grade in names}) < len(names):
        raise Unreadable("A grade is named twice.", _GRADES)
    return names


def _share(value: object) -> float:
    share = number_of(value)
    if share > 1:
        raise ValueError("above 1")
    return share


def _weight(habits: Habits) -> Callable[[object], float]:
    def convert(value: object) -> float:
        bare = isinstance(value, int | float) and not isinstance(value, bool)
        grams = habits.weight_g(f"{value:f}" if bare else text_of(value))
        if not grams > 0:
            raise Unreadable("The weight cannot be right.", WEIGHT.examples)
        return grams

    return convert


def _price(counted: str) -> Callable[[object], Price]:
    def convert(value: object) -> Price:
        if isinstance(value, int | float) and not isinstance(value, bool):
            raise Unreadable("It does not say of how much: a kg, a lb, each.",
                             accepted_prices(counted))
        return price_of(text_of(value), counted)

    return convert


def _cost(value: object) -> float:
    """Money, which may be 0: saved seed."""
    return 0.0 if value == 0 and not isinstance(value, bool) else number_of(value)


def _length(habits: Habits) -> Callable[[object], float]:
    def convert(value: object) -> float:
        bare = isinstance(value, int | float) and not isinstance(value, bool)
        cm = habits.length_cm(f"{value:f}" if bare else text_of(value))
        if not 0 < cm < LONGEST_CM:
            raise Unreadable("The length cannot be right.", _LENGTHS)
        return cm

    return convert


def _ratio(value: object) -> float:
    ratio = number_of(value)
    if not 1.0 < ratio <= 10.0:
        raise ValueError("not above 1")
    return ratio


def _question(traits: tuple[OwnTrait, ...]) -> Callable[[object], str]:
    def convert(value: object) -> str:
        for question in QUESTIONS:
            if isinstance(value, str) and folded(value) == question:
                return question
        for trait in traits:
            if isinstance(value, str) and folded(value) == folded(trait.name):
                if not trait.better:
                    raise Unreadable(
                        f"Under [[traits]], {trait.name} does not say which end is better.",
                        f'better = "more" or better = "less" there, below name = "{trait.name}"')
                return trait.name
        raise ValueError("not a question")

    return convert


def _bears(value: object) -> Bears:
    if value == "top":
        return "top"
    if value == "along":
        return "along"
    raise ValueError("neither")


def _zeros(value: object) -> Zeros:
    if value == "written":
        return "written"
    if value == "left out":
        return "left out"
    raise ValueError("neither")
