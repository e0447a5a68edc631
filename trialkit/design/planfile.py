"""plan.toml: what a bed was laid out from, so that it can be drawn and printed again.

trial.toml describes the trial for the analysis; this file keeps what only the layout needs
(aisles, guards, the top of the map, every figure that was asked for) and the letter each variety
has on paper and in the report. With the same seed the same request gives the same bed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from trialkit.design.geometry import COMPASS, BedGeometry
from trialkit.design.layouts import Planting
from trialkit.design.request import GUARD_PLACES, PlanRequest
from trialkit.records.description import toml_value

NAME = "plan.toml"
HEAD = """# What this bed was laid out from. Needed to draw and print it again; the records do not.
# The same figures and seed give the same bed.
"""


@dataclass(frozen=True)
class Drawn:
    """What a map needs beyond plants.csv: spacing and aisles, guards, the compass side on top."""

    geometry: BedGeometry
    guards: str
    top: str


def plan_text(planting: Planting, letters: Mapping[str, str]) -> str:
    """The file's text.  letters: of each variety, by name."""
    lines = [HEAD]
    for one in fields(PlanRequest):
        value = getattr(planting.request, one.name)
        if value is not None:
            lines.append(f"{one.name} = {toml_value(value)}")
    geometry = planting.geometry
    lines += [
        "",
        "[drawn]",
        f"aisles_after_rows = {toml_value(geometry.aisles_after_rows)}",
        f"aisles_after_columns = {toml_value(geometry.aisles_after_columns)}",
        f"numpy = {toml_value(np.__version__)}",
        "",
        "# The letter of each variety on the map, the stakes and in the report.",
        "[letters]",
        *(f"{letter} = {toml_value(name)}" for name, letter in letters.items()),
    ]
    return "\n".join(lines) + "\n"


def read_request(path: Path) -> PlanRequest:
    """The request a plan.toml holds. Raises ValueError naming the file and what is wrong."""
    table = _table(path)
    known = {one.name for one in fields(PlanRequest)}
    given = {key: _tuple(value) for key, value in table.items() if key in known}
    try:
        return PlanRequest(**given)
    except TypeError as error:
        raise ValueError(f"{path.name}: {error}") from None


def read_drawn(path: Path) -> Drawn:
    """Spacing, guards and top of the map. Raises ValueError naming the file and the key."""
    table = _table(path)
    drawn = table.get("drawn", {})
    if not isinstance(drawn, dict):
        raise ValueError(f"{path.name}: drawn must be a section, [drawn].")
    return Drawn(
        BedGeometry(
            _number(path, table, "row_spacing_cm"),
            _number(path, table, "plant_spacing_cm"),
            _number(path, table, "aisle_cm", 0.0),
            _numbers(path, drawn, "aisles_after_rows"),
            _numbers(path, drawn, "aisles_after_columns"),
        ),
        _word(path, table, "guards", GUARD_PLACES),
        _word(path, table, "top", tuple(COMPASS)),
    )


def read_letters(path: Path) -> dict[str, str]:
    """The letter of each variety by name; empty where there is no file, or none are in it.

    Raises ValueError naming the file and what is wrong.
    """
    if not path.is_file():
        return {}
    letters = _table(path).get("letters", {})
    if not isinstance(letters, dict) or not all(isinstance(one, str) for one in letters.values()):
        raise ValueError(f'{path.name}: letters must be a section, [letters], with A = "a name".')
    if len(set(letters.values())) < len(letters):
        raise ValueError(f"{path.name}: a variety has two letters; one each is accepted.")
    return {name: letter for letter, name in letters.items()}


def _table(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path.name} cannot be read: {error}") from None


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _number(path: Path, table: dict[str, Any], key: str, missing: float | None = None) -> float:
    value = table.get(key, missing)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 2000:
        raise ValueError(
            f"{path.name}: {key} is {value!r}; a number of cm, 0 to 2000, is accepted."
        )
    return float(value)


def _numbers(path: Path, table: dict[str, Any], key: str) -> tuple[int, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(type(one) is int for one in value):
        raise ValueError(f"{path.name}: {key} is {value!r}; a list of whole numbers is accepted.")
    return tuple(value)


def _word(path: Path, table: dict[str, Any], key: str, accepted: tuple[str, ...]) -> str:
    value = table.get(key, accepted[0])
    if value not in accepted:
        raise ValueError(f"{path.name}: {key} is {value!r}; accepted: {', '.join(accepted)}.")
    return str(value)
