"""A plan of what trial.toml says: what it settles, what was asked against it, what it leaves open.

found = described(folder)
settled = settle(found, {"garden": "Plot 7"})
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from trialkit.design.layouts import Planting
from trialkit.design.planfolder import is_described, light_of
from trialkit.design.request import DESIGNS
from trialkit.reading.problems import Problem, problem_table
from trialkit.reading.spelling import folded
from trialkit.reading.toml import TomlReader
from trialkit.reading.units import in_feet, length_cm, spacing_text, unit_name
from trialkit.records.folder import DESCRIPTION
from trialkit.records.starter import Description, toml_value
from trialkit.trial import Trial, TrialProblems, draft_trial

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


def settle(found: Described, asked: Mapping[str, Any]) -> Settled:
    """Put what was asked beside what trial.toml says.

    asked: by the keys of trial.toml ("reach", "units.height", "layout.row_spacing" in cm,
    "layout.design" as one of DESIGNS) and "varieties", the first of them the check; None or ""
    is not asked.
    """
    values: dict[str, Any] = {}
    differ: list[str] = []
    left_open: dict[str, Any] = {}
    feet = in_feet(found.trial.height_unit)
    for key, (own, same) in _settings(found).items():
        other = asked.get(key)
        if other in (None, "", ()):
            if key in found.said:
                values[key] = own
        elif key not in found.said:
            values[key] = left_open[key] = other
        elif same(own, other):
            values[key] = own
        else:
            differ.append(f"{key}: trial.toml says {_shown(own, feet)}, asked for is "
                          f"{_shown(other, feet)}.")
    differ += _names_differ(found.trial, tuple(asked.get("varieties") or ()))
    return Settled(values, tuple(differ), left_open)


def design_of(words: str) -> str | None:
    """The layout that words for one name ("randomised complete blocks"), None where none."""
    return next((d for pattern, d in _WORDS_FOR if re.search(pattern, words, re.I)), None)


def not_as_drawn(found: Described, planting: Planting) -> list[str]:
    """Where trial.toml gives the bed other rows or columns than were drawn."""
    drawn = {"rows": "row", "columns": "column"}
    return [
        f"layout.{key}: trial.toml says {said}, the bed drawn has {has}."
        for key, column in drawn.items()
        if (said := getattr(found.trial.layout, key)) is not None
        and said != (has := int(planting.plants[column].max()))
    ]


def to_add(found: Described, settled: Settled, planting: Planting) -> list[str]:
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
        if key in found.said or key == "layout.seed":
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


def _settings(found: Described) -> dict[str, tuple[Any, Callable[[Any, Any], bool]]]:
    """What trial.toml says under each key, and how it is compared with what was asked."""
    trial, layout = found.trial, found.trial.layout

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
        known = [one for one in (own, layout.sun, layout.shade) if one]
        return folded(str(other)) in {folded(one) for one in known}

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
    if {folded(one) for one in own} != {folded(one) for one in asked}:
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
