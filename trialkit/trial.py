"""What a trial is: trial.toml read into frozen dataclasses.

Parsing only; which file it came from matters here for messages alone.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from trialkit.units import CM, GRAMS, length_cm, unit_name

DAY_ORDERS = ("day first", "month first")


@dataclass(frozen=True)
class Variety:
    """A variety in the trial; the check is the one the others are compared with."""

    name: str
    check: bool = False
    note: str = ""


@dataclass(frozen=True)
class Layout:
    """How the bed is laid out; spacings in cm.  None where the file does not say."""

    design: str | None = None
    row_spacing_cm: float | None = None
    plant_spacing_cm: float | None = None
    rows: int | None = None
    columns: int | None = None
    sun: str | None = None
    shade: str | None = None
    seed: int | None = None


@dataclass(frozen=True)
class Trial:
    """The trial's description.  Units named here are the gardener's own; values are cm and g."""

    title: str
    garden: str
    crop: str
    planted: date
    varieties: tuple[Variety, ...]
    counted: str = "pods"
    height_unit: str = "cm"
    weight_unit: str = "g"
    harvest_unit: str | None = None
    reach_cm: float | None = None
    layout: Layout = field(default_factory=Layout)
    looks: int | None = None
    threshold_per_week: float | None = None
    day_order: str | None = None
    invented: bool = False
    source: str = ""
    notes: str = ""

    @property
    def check(self) -> str | None:
        """Name of the check variety; None where none is marked."""
        return next((v.name for v in self.varieties if v.check), None)

    @property
    def variety_names(self) -> tuple[str, ...]:
        return tuple(v.name for v in self.varieties)


@dataclass(frozen=True)
class TrialProblem:
    """One thing wrong with a trial.toml: where, what it says, and what would do."""

    line: int | None
    key: str
    value: str
    problem: str
    accepted: str


class TrialProblems(ValueError):  # noqa: N818  (a list of problems, named for what it holds)
    """Everything wrong with a trial.toml, at once."""

    def __init__(self, file: str, problems: list[TrialProblem]) -> None:
        self.file = file
        self.problems = tuple(problems)
        lines = [f"{file} cannot be used as it is:"]
        for p in problems:
            where = f"line {p.line}, " if p.line else ""
            said = f" is {p.value}" if p.value else ""
            lines.append(f"  {where}{p.key}{said}: {p.problem} Accepted: {p.accepted}.")
        super().__init__("\n".join(lines))


class _Reader:
    """Takes values out of the parsed file one by one and notes what is wrong with each."""

    def __init__(self, text: str) -> None:
        self.lines = text.splitlines()
        self.problems: list[TrialProblem] = []

    def line_of(self, key: str) -> int | None:
        pattern = re.compile(rf"^\s*\[*\s*{re.escape(key)}\s*(=|\]|$)")
        return next((i for i, s in enumerate(self.lines, 1) if pattern.match(s)), None)

    def wrong(self, key: str, value: object, problem: str, accepted: str) -> None:
        shown = "" if value is None else repr(value) if isinstance(value, str) else str(value)
        self.problems.append(
            TrialProblem(self.line_of(key.split(".")[-1]), key, shown[:80], problem, accepted)
        )

    def known(self, table: Mapping[str, Any], allowed: tuple[str, ...], where: str) -> None:
        for key in table:
            if key in allowed:
                continue
            near = difflib.get_close_matches(key, allowed, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else "It is not a key of trial.toml."
            self.wrong(f"{where}{key}", None, hint, ", ".join(allowed))

    def take(
        self, table: Mapping[str, Any], key: str, convert: Callable[[Any], Any], accepted: str,
        *, where: str = "", required: bool = False, default: Any = None,
    ) -> Any:
        if key not in table:
            if required:
                self.wrong(where + key, None, "It is missing.", accepted)
            return default
        try:
            return convert(table[key])
        except (ValueError, TypeError):
            self.wrong(where + key, table[key], "It cannot be read.", accepted)
            return default


TOP = (
    "title", "garden", "crop", "planted", "counted", "reach", "looks", "threshold_per_week",
    "dates", "invented", "source", "notes", "units", "layout", "varieties",
)
LAYOUT = ("design", "rows", "columns", "row_spacing", "plant_spacing", "sun", "shade", "seed")
UNITS = ("height", "weight", "harvest")


def parse_trial(text: str, file: str = "trial.toml") -> Trial:
    """Read a trial's description.

    Raises TrialProblems with every problem found, each with its line where it has one.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        problem = TrialProblem(
            int(found[1]) if found else None, "the file", "",
            f"It is not valid TOML ({error}).", 'lines such as title = "Beans, 5 varieties"',
        )
        raise TrialProblems(file, [problem]) from error
    r = _Reader(text)
    r.known(table, TOP, "")
    units = _section(r, table, "units")
    layout = _section(r, table, "layout")
    r.known(units, UNITS, "units.")
    r.known(layout, LAYOUT, "layout.")
    height = r.take(units, "height", _unit(CM), ", ".join(CM), where="units.", default="cm")
    weight = r.take(units, "weight", _unit(GRAMS), ", ".join(GRAMS), where="units.", default="g")
    harvest = r.take(units, "harvest", _text, "a few words", where="units.")
    length = _length(height)
    lengths = """a length such as 210 cm, 7 ft or 5'6\""""
    words = "a few words in quotes"
    trial = Trial(
        title=r.take(table, "title", _text, words, required=True, default=""),
        garden=r.take(table, "garden", _text, words, default=""),
        crop=r.take(table, "crop", _text, words, required=True, default=""),
        planted=r.take(table, "planted", _day, "a date, year first: 2026-05-24", required=True,
                       default=date(1900, 1, 1)),
        varieties=_varieties(r, table),
        counted=r.take(table, "counted", _text, 'what is counted, such as "pods"', default="pods"),
        height_unit=height, weight_unit=weight, harvest_unit=harvest,
        reach_cm=r.take(table, "reach", length, lengths),
        layout=Layout(
            design=r.take(layout, "design", _text, words, where="layout."),
            row_spacing_cm=r.take(layout, "row_spacing", length, lengths, where="layout."),
            plant_spacing_cm=r.take(layout, "plant_spacing", length, lengths, where="layout."),
            rows=r.take(layout, "rows", _count, "a whole number from 1", where="layout."),
            columns=r.take(layout, "columns", _count, "a whole number from 1", where="layout."),
            sun=r.take(layout, "sun", _text, words, where="layout."),
            shade=r.take(layout, "shade", _text, words, where="layout."),
            seed=r.take(layout, "seed", _seed, "a whole number from 0", where="layout."),
        ),
        looks=r.take(table, "looks", _count, "a whole number from 1"),
        threshold_per_week=r.take(table, "threshold_per_week", _positive, "a number above 0"),
        day_order=r.take(table, "dates", _order, " or ".join(f'"{o}"' for o in DAY_ORDERS)),
        invented=r.take(table, "invented", _flag, "true or false", default=False),
        source=r.take(table, "source", _text, words, default=""),
        notes=r.take(table, "notes", _text, words, default=""),
    )
    if r.problems:
        raise TrialProblems(file, r.problems)
    return trial


def _section(r: _Reader, table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = table.get(key, {})
    if isinstance(value, dict):
        return value
    r.wrong(key, value, "It must be a section.", f"[{key}] on a line of its own, keys below it")
    return {}


def _varieties(r: _Reader, table: Mapping[str, Any]) -> tuple[Variety, ...]:
    rows = table.get("varieties")
    accepted = '[[varieties]] once a variety, with name = "..."'
    if not isinstance(rows, list) or not rows:
        r.wrong("varieties", None, "No variety is named.", accepted)
        return ()
    out: list[Variety] = []
    for row in rows:
        if not isinstance(row, dict):
            r.wrong("varieties", row, "It cannot be read.", accepted)
            continue
        r.known(row, ("name", "check", "note"), "varieties.")
        name = r.take(row, "name", _text, "a name in quotes", where="varieties.", required=True)
        if name is None:
            continue
        if name in {v.name for v in out}:
            r.wrong("varieties.name", name, "It is named twice.", "each variety once")
        check = r.take(row, "check", _flag, "true or false", where="varieties.", default=False)
        note = r.take(row, "note", _text, "a few words", where="varieties.", default="")
        out.append(Variety(name, check, note))
    checks = [v.name for v in out if v.check]
    if len(checks) > 1:
        r.wrong("varieties.check", ", ".join(checks), "More than one is marked.", "one check at most")
    return tuple(out)


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError
    return value.strip()


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError
    return value


def _day(value: Any) -> date:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    return date.fromisoformat(_text(value))


def _seed(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError
    return value


def _count(value: Any) -> int:
    if _seed(value) < 1:
        raise ValueError
    return int(value)


def _positive(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e9:
        raise ValueError
    return float(value)


def _order(value: Any) -> str:
    if value not in DAY_ORDERS:
        raise ValueError
    return str(value)


def _unit(table: Mapping[str, float]) -> Callable[[Any], str]:
    def convert(value: Any) -> str:
        name = unit_name(_text(value))
        if name is None or name not in table:
            raise ValueError
        return name

    return convert


def _length(unit: str) -> Callable[[Any], float]:
    def convert(value: Any) -> float:
        text = str(value) if isinstance(value, int | float) and not isinstance(value, bool) else _text(value)
        found = length_cm(text, unit)
        if found is None or not 0 < found < 1e5:
            raise ValueError
        return found

    return convert
