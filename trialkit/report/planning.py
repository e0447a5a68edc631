"""What the cells of the plan notebook call: one call, one piece of the plan.

plan = planning.lay_out(varieties=["A", "B"], blocks=4)
planning.bed_map(plan)
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from markupsafe import Markup

from trialkit.design import bedmap, planfolder
from trialkit.design.bed import Bed
from trialkit.design.labels import LabelSize
from trialkit.design.layouts import Planting
from trialkit.design.layouts import lay_out as lay_out_request
from trialkit.design.paper import paper, unprintable
from trialkit.design.planfolder import (
    About,
    Printing,
    harvested_once,
    in_the_way,
    is_described,
    light_of,
)
from trialkit.design.request import DESIGNS, PlanProblem, PlanRequest
from trialkit.reading.amounts import (
    LENGTH,
    WEIGHT,
    in_feet,
    length_cm,
    length_text,
    spacing_text,
    unit_name,
)
from trialkit.reading.dates import read_date
from trialkit.reading.problems import Problem, Unreadable, problem_table
from trialkit.reading.spelling import folded
from trialkit.reading.toml import TomlReader
from trialkit.records.files import DESCRIPTION
from trialkit.records.start import LOOKS, Description, toml_value
from trialkit.report.blocks import Block, paragraphs, part
from trialkit.report.opentrial import CellStop, told
from trialkit.trial import Trial, TrialProblems, draft_trial
from trialkit.wording import counted, day

# ------------------------------------------------------------------------------------------------
# A plan of what trial.toml says: what it settles, what was asked against it, what it leaves open.
#
# description = described(folder)
# settled = settle(description, {"garden": "Plot 7"})
# ------------------------------------------------------------------------------------------------

# A spacing in inches, asked for in rounded cm, is the same spacing.
ALIKE_CM = 0.05
_EXAMPLES = Description("").varieties
_WORDS_FOR = (
    (r"latin", DESIGNS[2]),
    (r"row.?(and.?)?column", DESIGNS[3]),
    (r"incomplete|lattice|alpha", DESIGNS[4]),
    (r"split", DESIGNS[5]),
    (r"completely|^random$", DESIGNS[0]),
    (r"block", DESIGNS[1]),
)


@dataclass(frozen=True)
class Described:
    """A trial.toml somebody filled in.  content: the file as it was read.  said: the keys it gives
    a value, those of a section as "layout.sun"."""

    folder: Path
    trial: Trial
    content: bytes
    said: frozenset[str]


@dataclass(frozen=True)
class Settled:
    """values: what the plan is to be of, by the names of `Described.trial`'s keys; what neither
    trial.toml nor anybody said is left out.  differ: where the two do not agree, a sentence each.
    open_keys: what was asked and trial.toml does not say, by key."""

    values: dict[str, Any]
    differ: tuple[str, ...]
    open_keys: dict[str, Any] = field(default_factory=dict)


def described(folder: Path) -> Described | None:
    """What the folder's trial.toml says; None where there is none, or as `trialkit new` left it.

    Raises TrialProblems with all that is wrong with it, names of the example among that; OSError.
    """
    if not is_described(folder):
        return None
    content = (folder / DESCRIPTION).read_bytes()
    text = content.decode("utf-8", errors="replace").removeprefix("\ufeff").replace("\r\n", "\n")
    trial, problems = draft_trial(text, DESCRIPTION)
    problems += [
        Problem(DESCRIPTION, _line_of(text, name), "varieties.name", name,
                "It is the example of a new trial.", "the name of a variety you plant")
        for name in trial.variety_names if name in _EXAMPLES
    ]  # fmt: skip
    if problems:
        raise TrialProblems(problem_table(problems))
    return Described(folder, trial, content, frozenset(_given(TomlReader(text, DESCRIPTION).top)))


def settle(description: Described, asked: Mapping[str, Any]) -> Settled:
    """Put what was asked beside what trial.toml says.

    asked: by the keys of trial.toml ("reach", "units.height", "layout.row_spacing" in cm,
    "layout.design" as one of DESIGNS) and "varieties", the first of them the check; None or ""
    is not asked.
    """
    values: dict[str, Any] = {}
    differ: list[str] = []
    left_open: dict[str, Any] = {}
    feet = in_feet(description.trial.height_unit)
    for key, (own, same) in _settings(description).items():
        other = asked.get(key)
        if other in (None, "", ()):
            if key in description.said:
                values[key] = own
        elif key not in description.said:
            values[key] = left_open[key] = other
        elif same(own, other):
            values[key] = own
        else:
            differ.append(f"{key}: trial.toml says {_shown(own, feet)}, asked for is "
                          f"{_shown(other, feet)}.")
    differ += _names_differ(description.trial, tuple(asked.get("varieties") or ()))
    return Settled(values, tuple(differ), left_open)


def design_of(words: str) -> str | None:
    """The layout that words for one name ("randomised complete blocks"), None where none."""
    return next((d for pattern, d in _WORDS_FOR if re.search(pattern, words, re.I)), None)


def not_as_drawn(description: Described, planting: Planting) -> list[str]:
    """Where trial.toml gives the bed other rows or columns than were drawn."""
    drawn = {"rows": "row", "columns": "column"}
    return [
        f"layout.{key}: trial.toml says {said}, the bed drawn has {has}."
        for key, column in drawn.items()
        if (said := getattr(description.trial.layout, key)) is not None
        and said != (has := int(planting.plants[column].max()))
    ]


def to_add(description: Described, settled: Settled, planting: Planting) -> list[str]:
    """What trial.toml does not say of this plan and something reads, as lines to add to it."""
    request = planting.request
    wanted = {
        "layout.design": request.design,
        "layout.row_spacing": request.row_spacing_cm,
        "layout.plant_spacing": request.plant_spacing_cm,
        **settled.open_keys,
    }
    # The seed is in plan.toml, and nothing reads it here.
    lines: dict[str, list[str]] = {"": [], "units": [], "layout": []}
    for key, value in wanted.items():
        if key in description.said or key == "layout.seed":
            continue
        section, _, name = key.rpartition(".")
        if key == "layout.sun" and "shade" in value.lower():
            name = "shade"
        said = spacing_text(value, request.feet) if name.endswith("_spacing") else value
        lines[section].append(f"{name} = {toml_value(said)}")
    out = [*(["Above the first line in square brackets:", *lines[""]] if lines[""] else [])]
    for section in ("units", "layout"):
        if lines[section]:
            out += [f"Under [{section}]:", *lines[section]]
    return out


def _settings(description: Described) -> dict[str, tuple[Any, Callable[[Any, Any], bool]]]:
    """What trial.toml says under each key, and how it is compared with what was asked."""
    trial, layout = description.trial, description.trial.layout

    def unit(own: str, other: Any) -> bool:
        return own == unit_name(str(other))

    def length(own: float, other: Any) -> bool:
        try:
            return abs(own - length_cm(str(other), trial.height_unit)) < ALIKE_CM
        except ValueError:
            return False

    def near(own: float, other: Any) -> bool:
        return abs(own - float(other)) < ALIKE_CM

    def light(own: str, other: Any) -> bool:
        known = [place for place in (own, layout.sun, layout.shade) if place]
        return folded(str(other)) in {folded(place) for place in known}

    def design(own: str, other: Any) -> bool:
        return bool((design_of(own) or own) == other)

    return {
        "title": (trial.title, _alike),
        "crop": (trial.crop, _alike),
        "garden": (trial.garden, _alike),
        "planted": (trial.planted, _exactly),
        "counted": (trial.counted, _alike),
        "reach": (trial.reach_cm, length),
        "looks": (trial.looks, _exactly),
        "units.height": (trial.height_unit, unit),
        "units.weight": (trial.weight_unit, unit),
        "layout.design": (layout.design, design),
        "layout.row_spacing": (layout.row_spacing_cm, near),
        "layout.plant_spacing": (layout.plant_spacing_cm, near),
        "layout.sun": (light_of(layout), light),
        "layout.seed": (layout.seed, _exactly),
    }


def _alike(own: str, other: Any) -> bool:
    return folded(own) == folded(str(other))


def _exactly(own: Any, other: Any) -> bool:
    return bool(own == other)


def _names_differ(trial: Trial, asked: tuple[str, ...]) -> list[str]:
    if not asked:
        return []
    own = trial.variety_names
    out = []
    if {folded(name) for name in own} != {folded(name) for name in asked}:
        out.append(f"varieties: trial.toml names {', '.join(own)}; asked for are "
                   f"{', '.join(asked)}.")  # fmt: skip
    if trial.check is not None and folded(trial.check) != folded(asked[0]):
        out.append(f"check: trial.toml marks {trial.check}; the first asked for is {asked[0]}.")
    return out


def _shown(value: Any, feet: bool) -> str:
    if isinstance(value, float):
        return spacing_text(value, feet)
    return value.isoformat() if isinstance(value, date) else toml_value(value)


def _given(table: Mapping[str, Any], where: str = "") -> Iterator[str]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _given(value, f"{where}{key}.")
        elif value != "":
            yield f"{where}{key}"
            if f"{where}{key}" == "layout.shade":
                yield "layout.sun"


def _line_of(text: str, name: str) -> int | None:
    """The line that names a variety."""
    named = re.compile(rf"\s*name\s*=\s*[\"']{re.escape(name)}[\"']")
    lines = enumerate(text.split("\n"), start=1)
    return next((number for number, line in lines if named.match(line)), None)


# ------------------------------------------------------------------------------------------------
# What the cells of the plan notebook call: one call, one piece of the plan.
# ------------------------------------------------------------------------------------------------

LAYOUTS = {
    "random": DESIGNS[0],
    "blocks": DESIGNS[1],
    "latin": DESIGNS[2],
    "row-column": DESIGNS[3],
    "incomplete": DESIGNS[4],
    "split": DESIGNS[5],
}
"""Short names for the command line and the notebook."""


EXAMPLE: dict[str, Any] = {
    "title": "Invented example: five climbing beans",
    "varieties": ["Blue Lantern", "Copper Bell", "Dawn Fiddle", "Evening Kite", "Frost Drum"],
    "sun": "afternoon shade from the west",
    "seed": 1,
}
"""What is laid out where neither a folder nor varieties are named; the first is the check."""
REFUSED = ("Nothing was written: {}. A plan goes into a new folder, or one with a trial.toml and "
           "nothing else filled in.")


@dataclass(frozen=True)
class Plan:
    """A bed that was laid out, and what the trial is called.  described: the trial.toml it was
    made of, if it was; to_add: lines that this trial.toml might have as well."""

    planting: Planting
    about: About
    described: Described | None = None
    to_add: tuple[str, ...] = ()


def lay_out(
    *,
    folder: str | Path = "",
    varieties: Sequence[str] = (),
    layout: str = "",
    title: str = "",
    crop: str = "",
    garden: str = "",
    planted: str = "",
    counted: str = "",
    height_unit: str = "",
    weight_unit: str = "",
    reach: str = "",
    looks: int | None = None,
    **asked: Any,
) -> Plan:
    """Lay out a trial; `asked` are the figures of a PlanRequest, "" and None meaning not said.

    Where somebody filled in the trial.toml of `folder`, the plan is of what that says; what is
    asked may add to it and must not differ.  Raises CellStop with all that differs, or with the
    nearest plans that work, RecordsCellStop with all that is wrong with trial.toml.
    """
    settings: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in asked.items()
        if value is not None and value != ""
    }
    said: dict[str, Any] = {
        "title": title, "crop": crop, "garden": garden, "counted": counted, "reach": reach,
        "looks": looks, "units.height": height_unit, "units.weight": weight_unit,
        "layout.design": LAYOUTS.get(layout, layout), "varieties": tuple(varieties),
    }  # fmt: skip
    if not str(folder) and not varieties:
        said["title"], said["varieties"] = title or EXAMPLE["title"], tuple(EXAMPLE["varieties"])
        settings = {key: EXAMPLE[key] for key in ("sun", "seed")} | settings
    said |= {f"layout.{key}": settings.get(name) for key, name in _BED.items()}
    description = _described(folder)
    if description is None and not said["varieties"]:
        raise CellStop(
            f"Name the varieties: {folder} has no trial.toml that names yours. Fill one in "
            "(trialkit new begins it), or name them, the check first: -v NAME -v NAME on the "
            "command line, varieties in the notebook."
        )
    try:
        said["planted"] = _planted(planted, description)
        _check_units(reach, height_unit, weight_unit)
        settled = settle(description, said) if description else Settled(said, ())
        if description and settled.differ:
            raise PlanProblem([_DISAGREE, *settled.differ])
        request = _request(settled.values, settings, description)
        planting = lay_out_request(request)
    except (PlanProblem, ValueError, TypeError) as error:
        raise CellStop(str(error)) from None
    about = _about(settled.values, folder)
    if description is None:
        return Plan(planting, about)
    wrong = not_as_drawn(description, planting)
    if wrong and not in_the_way(description.folder, described=True):
        raise CellStop("\n".join([_DISAGREE, *wrong]))
    return Plan(planting, about, description, tuple(to_add(description, settled, planting)))


_DISAGREE = (
    "trial.toml and what was asked for do not agree. Change one of them; what is not asked for is "
    "taken from trial.toml."
)
_BED = {"row_spacing": "row_spacing_cm", "plant_spacing": "plant_spacing_cm", "sun": "sun",
        "seed": "seed"}  # fmt: skip


@told
def _described(folder: str | Path) -> Described | None:
    try:
        return described(Path(folder)) if str(folder) else None
    except OSError as error:
        raise CellStop(f"Could not read {folder}: {error}") from None


def _planted(text: str, description: Described | None) -> date | None:
    """The day of planting as a table would have it, month first where trial.toml says so."""
    if not text.strip():
        return None
    try:
        return read_date(text, description.trial.day_order if description else None)
    except Unreadable as error:
        raise ValueError(
            f"The day of planting {text!r}: {error.problem} Write: {error.accepted}."
        ) from None


def spacing_cm(text: str, what: str, least: float = 1.0) -> float | None:
    """A length of the bed in cm; a bare number is cm. None where nothing is said.

    Raises ValueError naming what it is and the forms that are read.
    """
    if not text.strip():
        return None
    try:
        length = length_cm(text, "cm")
    except Unreadable as error:
        raise ValueError(f"The {what} {text!r}: {error.problem} Write: {error.accepted}.") from None
    if not least <= length <= 2000:
        raise ValueError(f"The {what} {text!r} cannot be right. Write: {least:g} cm to 20 m.")
    return length


def two_lengths_cm(text: str, unit: str) -> tuple[float, float]:
    """Two lengths with an x between them in cm; bare numbers are in `unit`, or in the one unit
    that is named after the second ("40 x 13 ft").  Raises ValueError."""
    long, wide = re.split(r"\s*(?:x|\u00d7|\bby\b)\s*", text[:100].strip().lower())
    shared = re.fullmatch(r"[0-9.]+ ?([a-z]+|'|\")", wide)
    if shared and re.fullmatch(r"[0-9.]+", long):
        long += f" {shared[1]}"
    return length_cm(long, unit), length_cm(wide, unit)


def room_cm(text: str) -> tuple[float, float]:
    """Length along the rows and width across them in cm; bare numbers are metres."""
    try:
        long, wide = two_lengths_cm(text, "m")
    except ValueError:
        raise ValueError(
            f"The room {text!r} is not two lengths with an x. Write: 12x4 (metres), or "
            '"40 x 13 ft".'
        ) from None
    return long, wide


def label_mm(text: str) -> tuple[float, float]:
    """Width and height of a stake label in mm; bare numbers are mm."""
    try:
        wide, tall = two_lengths_cm(text, "mm")
    except ValueError:
        raise ValueError(
            f"The label {text!r} is not two lengths with an x. Write: 60x25 (mm), or 2.5 x 1 in."
        ) from None
    return wide * 10, tall * 10


def says_feet(*texts: str) -> bool:
    """Whether all lengths somebody gave with a unit are in feet or inches, and there is one."""
    words = re.findall(r"[a-z]+|['\"]", " ".join(texts).lower())
    units = {unit_name(word) for word in words}
    known = units & set(LENGTH.factors)
    return bool(known) and all(in_feet(str(unit)) for unit in known)


def _check_units(reach: str, height: str, weight: str) -> None:
    """Raise ValueError for what trial.toml could not hold."""
    for unit, measure in ((height, LENGTH), (weight, WEIGHT)):
        if unit and unit_name(unit) not in measure.factors:
            known = ", ".join(measure.factors)
            raise ValueError(f"{unit!r} is no unit of {measure.name}; accepted: {known}.")
    if reach:
        try:
            length_cm(reach, unit_name(height or "cm") or "cm")
        except ValueError as error:
            raise ValueError(f"The reach {reach!r}: {error}") from None


def _request(
    values: Mapping[str, Any], settings: Mapping[str, Any], description: Described | None
) -> PlanRequest:
    """The bed to lay out.  A layout that trial.toml names in words of its own is looked up."""
    bed = {name: values.get(f"layout.{key}") for key, name in _BED.items()}
    asked = {**settings, **{key: value for key, value in bed.items() if value is not None}}
    asked["feet"] = in_feet(unit_name(values.get("units.height") or "cm") or "cm")
    if asked["feet"]:
        asked = _IN_FEET | asked
    words = values.get("layout.design") or LAYOUTS["blocks"]
    if description is None:
        names = tuple(name.strip() for name in values["varieties"])
        return PlanRequest(names, design=words, **asked)
    design = words if words in DESIGNS else design_of(words)
    if design is None:
        raise ValueError(
            f"layout.design: trial.toml says {words!r}, which names no layout to draw; accepted: "
            f"{', '.join(DESIGNS)}."
        )
    trial = description.trial
    return PlanRequest(trial.variety_names, design=design, check=trial.check, **asked)


_IN_FEET = {"row_spacing_cm": 3 * 30.48, "plant_spacing_cm": 18 * 2.54}
"""Spacing that nobody gave, where lengths are in feet."""


def _about(values: Mapping[str, Any], folder: str | Path) -> About:
    name = "".join(filter(str.isprintable, Path(folder).resolve().name)) if str(folder) else ""
    reach = values.get("reach") or None
    return About(
        title=values.get("title") or name or "My variety trial",
        crop=values.get("crop") or "climbing bean",
        garden=values.get("garden") or "",
        planted=values.get("planted"),
        counted=values.get("counted") or "pods",
        height_unit=values.get("units.height") or "cm",
        weight_unit=values.get("units.weight") or "g",
        reach=f"{reach:.6g} cm" if isinstance(reach, float) else reach,
        looks=values.get("looks") or LOOKS,
    )


def heading(plan: Plan) -> Block:
    """What was laid out, in figures."""
    texts = size_words(plan.planting)
    html = part("heading", title=plan.about.title, under=texts[0], notes=texts[1:])
    return Block(html, "\n".join([plan.about.title, *texts]))


def size_words(planting: Planting) -> list[str]:
    """The size of the bed, then its notes, a sentence each."""
    request = planting.request
    def said(cm: float) -> str:
        return length_text(cm, request.feet)

    long, wide = planting.size_cm
    first = (
        f"{request.design.capitalize()}: {request.count} varieties, "
        f"{counted(request.blocks, 'plot')} of each, {len(planting.plots)} plots in all, "
        f"{len(planting.plants)} plants on {said(long)} x {said(wide)}: "
        f"rows {said(request.row_spacing_cm)} apart, plants "
        f"{said(request.plant_spacing_cm)} apart in a row. Seed {planting.seed}."
    )
    missing = unprintable("".join(request.varieties))
    notes = list(planting.notes)
    if missing:
        notes.append(f"No font here has {missing}: these letters print as empty boxes.")
    return [first, *notes]


def bed_map(plan: Plan, paper_name: str = "A4") -> Block:
    """The map of the bed, to scale."""
    bed = _bed(plan)
    svg = re.sub(r"^.*?(?=<svg)", "", bedmap.bed_map_svg(bed, paper(paper_name)), flags=re.S)
    words = bedmap.bed_map_words(bed)
    drawn = Markup('<div role="img" aria-label="{}">{}</div>').format(words, Markup(svg))
    caption = "The bed to scale, as the PDF prints it. Letters and hatching name the varieties."
    return Block(part("figure", name="plan-map", drawn=drawn, caption=caption), words)


def write(
    plan: Plan,
    folder: str,
    *,
    paper_name: str = "A4",
    label_mm: Sequence[float] = (60.0, 25.0),
    **how: Any,
) -> Block:
    """Write the trial folder and everything to print; only says so where `folder` is "".

    how: of `trialkit.design.planfolder.Printing`.
    """
    if not folder:
        return paragraphs(["Nothing was written: set `folder` to the new trial's folder."])
    target = Path(folder)
    try:
        printing = Printing(label=LabelSize(*label_mm), **how)
        items = written(plan, target, paper_name, printing).lines
    except FileExistsError as error:
        return paragraphs([REFUSED.format(error)])
    except (OSError, ValueError) as error:
        raise CellStop(f"Could not write {folder}: {error}") from None
    return Block(part("list", items=items), "\n".join(items))


@dataclass(frozen=True)
class Written:
    """What was made and what is left to do, in words.  files: of the trial, in a sentence.
    paper: one a sheet.  notes: of trial.toml, where the plan is of what that says; to_add: the
    lines the last note speaks of."""

    files: str
    paper: tuple[str, ...]
    notes: tuple[str, ...] = ()
    to_add: tuple[str, ...] = ()

    @property
    def lines(self) -> list[str]:
        """All of it in order."""
        return [self.files, *self.paper, *self.notes, *self.to_add]


def written(
    plan: Plan, folder: Path, paper_name: str = "A4", how: Printing | None = None
) -> Written:
    """Write the plan and print its paper.

    Raises FileExistsError where the folder holds what a plan would write over, OSError.
    """
    description = plan.described
    if description is not None and description.folder.resolve() != folder.resolve():
        description = None
    made = planfolder.write_plan(
        folder, plan.planting, plan.about, description.content if description is not None else None
    )
    printed = planfolder.print_paper(
        _bed(plan), folder / "paper", paper(paper_name), how or Printing()
    )
    files = f"Written to {folder}: {', '.join(path.name for path in made)}"
    sheets = tuple(f"{path.parent.name}/{path.name}: {what}" for path, what in printed)
    if description is None:
        unsaid = (
            f"The day of planting is set to today, {day(date.today(), year=True)}. If the "
            "plants go out on another day, write it in trial.toml: planted = ...",
        )
        return Written(files, sheets, () if plan.about.planted else unsaid)
    notes = ["trial.toml is as you wrote it."]
    if description.trial.check is None:
        notes.append(
            "It marks no check: write check = true below the variety you would grow anyway, "
            "before the first pick."
        )
    if plan.to_add:
        notes.append("It does not say this of the trial, and reports read it; add it there:")
    return Written(files, sheets, tuple(notes), plan.to_add)


def _bed(plan: Plan) -> Bed:
    """The bed to draw and print, as it will be read from the folder."""
    bed = planfolder.bed_of_plan(plan.planting, plan.about)
    if plan.described is None:
        return bed
    trial = plan.described.trial
    return replace(bed, check=trial.check, traits=trial.traits, grades=trial.grades,
                   once=harvested_once(trial))
