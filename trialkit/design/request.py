"""What the grower asks of a plan, a refusal when it cannot be had, and the file it is kept in.

trial.toml describes the trial for the analysis; plan.toml keeps what only the layout needs
(aisles, guards, the top of the map, every figure that was asked for) and the letter each variety
has on paper and in the report.  With the same seed the same request gives the same bed.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from trialkit.design.geometry import COMPASS, BedGeometry
from trialkit.errors import TrialkitError
from trialkit.reading.amounts import length_text
from trialkit.records.start import toml_value

COMPLETELY_RANDOMISED = "completely randomised"
COMPLETE_BLOCKS = "randomised complete block"
LATIN_SQUARE = "Latin square"
ROW_COLUMN = "row-column"
INCOMPLETE_BLOCKS = "incomplete block"
SPLIT_PLOT = "split plot"
DESIGNS = (
    COMPLETELY_RANDOMISED,
    COMPLETE_BLOCKS,
    LATIN_SQUARE,
    ROW_COLUMN,
    INCOMPLETE_BLOCKS,
    SPLIT_PLOT,
)

GUARD_PLACES = ("none", "ends", "all round")

# A plant's label carries one letter after the plot number; more plants than this need two.
MOST_PLANTS = 200
MOST_PLOTS = 2000


class PlanProblem(TrialkitError, ValueError):
    """A plan that cannot be laid out.

    problems: what is wrong, one sentence each.
    instead: the nearest plans that can be laid out, one sentence each.
    """

    def __init__(self, problems: Sequence[str], instead: Sequence[str] = ()) -> None:
        self.problems = tuple(problems)
        self.instead = tuple(instead)
        lines = list(self.problems)
        if self.instead:
            lines.append("What would work:")
            lines.extend(f"  - {plan}" for plan in self.instead)
        super().__init__("\n".join(lines))


@dataclass(frozen=True)
class PlanRequest:
    """A trial to lay out. Lengths in cm.

    varieties: names, all different; the first is the check unless `check` names another.
    design: one of DESIGNS.
    blocks: how many times each variety is repeated (blocks, or replicates).
    plants: plants in a plot (in each part of the plot for a split plot).
    plot_rows: rows of plants in a plot; `plants` must be a multiple of it.
    block_size: plots in an incomplete block.
    grid: rows and columns of plots for a row-column layout.
    treatments: the parts of a split plot, for example topped and not topped.
    across: plots along one row of the bed; chosen to suit the light when not given.
    room_cm: length along the rows and width across them that the bed may take.
    aisle_cm: width of an aisle left between blocks; 0 for none.
    guards: guard plants at the ends of the rows, all round, or none.
    sun: where the sun or shade comes from, in the grower's words.
    top: the compass side at the top of the map.
    feet: lengths are told in feet and inches.
    """

    varieties: tuple[str, ...]
    design: str = COMPLETE_BLOCKS
    blocks: int = 4
    plants: int = 4
    plot_rows: int = 1
    block_size: int | None = None
    grid: tuple[int, int] | None = None
    treatments: tuple[str, ...] = ("topped", "not topped")
    across: int | None = None
    room_cm: tuple[float, float] | None = None
    row_spacing_cm: float = 90.0
    plant_spacing_cm: float = 45.0
    aisle_cm: float = 0.0
    guards: str = "ends"
    sun: str | None = None
    top: str = "north"
    check: str | None = None
    seed: int | None = None
    improve_neighbours: bool = True
    feet: bool = False

    @property
    def count(self) -> int:
        """How many varieties."""
        return len(self.varieties)

    @property
    def parts(self) -> int:
        """Parts of a plot: the treatments of a split plot, else 1."""
        return len(self.treatments) if self.design == SPLIT_PLOT else 1


def check_request(request: PlanRequest) -> None:
    """Refuse what cannot be laid out, all at once, with the nearest plans that can.

    Raises PlanProblem.
    """
    _check_figures(request)
    refuse = {
        LATIN_SQUARE: _refuse_latin,
        ROW_COLUMN: _refuse_grid,
        INCOMPLETE_BLOCKS: _refuse_incomplete,
        SPLIT_PLOT: _refuse_split,
    }.get(request.design)
    if refuse is not None:
        refuse(request)


def _check_figures(request: PlanRequest) -> None:
    problems: list[str] = []
    if request.design not in DESIGNS:
        problems.append(f"No layout is called {request.design!r}; choose {_or(DESIGNS)}.")
    names = [name.strip() for name in request.varieties]
    if len(names) < 2:
        problems.append(f"A comparison needs at least 2 varieties; {len(names)} given.")
    if any(not name for name in names):
        problems.append("A variety has no name.")
    for name in (*request.varieties, *request.treatments):
        if not name.isprintable():
            problems.append(f"The name {name!r} holds a line break or a character no page shows.")
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        problems.append(f"Named twice: {', '.join(twice)}. Each variety needs its own name.")
    if request.check is not None and request.check not in request.varieties:
        problems.append(f"The check {request.check!r} is not among the varieties.")
    if request.blocks < 1:
        problems.append(
            f"{request.blocks} plots of each variety: at least 1 is needed, and 2 to compare."
        )
    if not 1 <= request.plants <= MOST_PLANTS:
        problems.append(f"{request.plants} plants in a plot: 1 to {MOST_PLANTS} can be labelled.")
    if request.plot_rows < 1 or request.plants % max(request.plot_rows, 1):
        problems.append(
            f"{request.plants} plants do not fill {request.plot_rows} rows in a plot evenly."
        )
    for word, value in (("row", request.row_spacing_cm), ("plant", request.plant_spacing_cm)):
        if not 1 <= value <= 2000:
            width = length_text(value, request.feet)
            problems.append(f"A {word} spacing of {width}: {_most(1, request.feet)} is accepted.")
    if not 0 <= request.aisle_cm <= 2000:
        width = length_text(request.aisle_cm, request.feet)
        problems.append(f"An aisle of {width}: {_most(0, request.feet)} is accepted.")
    if request.guards not in GUARD_PLACES:
        problems.append(f"Guards {request.guards!r}: choose {_or(GUARD_PLACES)}.")
    plots = len(names) * max(request.blocks, 0) * request.parts
    if plots > MOST_PLOTS:
        problems.append(f"{plots} plots: at most {MOST_PLOTS} can be laid out.")
    if problems:
        raise PlanProblem(problems)


def _most(least: int, feet: bool) -> str:
    return f"{least} in to 65 ft" if feet else f"{least} to 2000 cm"


def _refuse_latin(request: PlanRequest) -> None:
    count, blocks = request.count, request.blocks
    if count == 2:
        raise PlanProblem(
            ["A 2 x 2 Latin square leaves nothing to judge the difference by."],
            [f"{max(blocks, 4)} complete blocks of 2: {2 * max(blocks, 4)} plots"],
        )
    if blocks == count:
        return
    instead = [
        f"a {count} x {count} Latin square: {count} plots of each, {count * count} plots",
        f"{blocks} complete blocks of {count}: {count * blocks} plots",
    ]
    if blocks < count and (count * blocks) and blocks > 1:
        instead.append(
            f"a row-column layout of {blocks} rows x {count} columns: {count * blocks} plots, "
            "each variety once in every row"
        )
    if blocks > 2:
        instead.append(f"{blocks} varieties in a {blocks} x {blocks} Latin square")
    raise PlanProblem(
        [
            f"{count} varieties do not fit a {blocks} x {blocks} Latin square: "
            "it needs as many plots of each variety as there are varieties."
        ],
        instead,
    )


def _refuse_grid(request: PlanRequest) -> None:
    plots = request.count * request.blocks
    if request.blocks < 2:
        raise PlanProblem(
            ["One plot of each variety cannot be freed of both rows and columns."],
            [f"2 plots of each: {2 * request.count} plots"],
        )
    if request.grid is None:
        return
    rows, columns = request.grid
    if rows >= 2 and columns >= 2 and rows * columns == plots:
        return
    problems = []
    if rows < 2 or columns < 2:
        problems.append(
            f"A grid of {rows} x {columns} plots has only one line: rows and columns need 2 each."
        )
    if rows * columns != plots:
        problems.append(
            f"{request.count} varieties with {request.blocks} plots of each need {plots} plots; "
            f"a grid of {rows} x {columns} has {rows * columns}."
        )
    fits = [f"a grid of {a} x {plots // a}" for a in range(2, plots // 2 + 1) if plots % a == 0]
    close = sorted(fits, key=lambda text: abs(int(text.split()[3]) - rows))[:3]
    if rows * columns % request.count == 0 and min(rows, columns) >= 2:
        times = rows * columns // request.count
        close.append(f"{rows} x {columns} with {times} plots of every variety")
    raise PlanProblem(problems, close)


def _refuse_incomplete(request: PlanRequest) -> None:
    count, size, blocks = request.count, request.block_size, request.blocks
    if size is None:
        raise PlanProblem(
            ["Incomplete blocks need a block size: how many plots are alike enough to compare?"],
            [f"blocks of {size}" for size in _block_sizes(count)],
        )
    problems: list[str] = []
    instead: list[str] = []
    if size >= count:
        problems.append(f"A block of {size} plots already holds all {count} varieties.")
        instead.append(f"{blocks} complete blocks of {count}: {count * blocks} plots")
    elif size < 2:
        problems.append("A block of one plot compares nothing.")
    elif blocks < 2:
        problems.append("With one plot of each variety, incomplete blocks can't separate varieties "
                        "from blocks.")
        instead.append(f"2 plots of each: {2 * count} plots")
    elif count - (-(-count // size)) * (size - 1) < 0:
        # With ceil(v/k) blocks of k or k-1 plots, at least (k-1) * blocks varieties are needed.
        problems.append(f"{count} varieties do not share out into blocks of {size} and {size - 1}.")
    elif blocks == 2 and size == 2:
        problems.append(
            "Two plots of each variety in blocks of 2 leave some varieties with no way to be "
            "compared."
        )
        instead.append("3 plots of each, in blocks of 2")
    if problems:
        instead.extend(f"blocks of {size}" for size in _block_sizes(count) if size != size)
        raise PlanProblem(problems, instead)


def _refuse_split(request: PlanRequest) -> None:
    problems: list[str] = []
    treatments = [treatment.strip() for treatment in request.treatments]
    if len(set(treatments)) < 2 or any(not treatment for treatment in treatments):
        problems.append("A split plot needs at least two different treatments, each with a name.")
    if len(set(treatments)) != len(treatments):
        problems.append("A treatment is named twice.")
    if problems:
        raise PlanProblem(
            problems, ["topped and not topped", "complete blocks without a treatment"]
        )


def _block_sizes(count: int) -> list[int]:
    """Block sizes near the square root of the number of varieties, evenly shared first."""
    ideal = count**0.5
    sizes = [size for size in range(2, count) if count - (-(-count // size)) * (size - 1) >= 0]
    return sorted(sizes, key=lambda size: (count % size != 0, abs(size - ideal)))[:3]


def _or(words: Sequence[str]) -> str:
    return ", ".join(words[:-1]) + " or " + words[-1]


PLAN_FILE = "plan.toml"
_HEAD = """# What this bed was laid out from. Needed to draw and print it again; the records do not.
# The same figures and seed give the same bed.
"""


@dataclass(frozen=True)
class BedDrawing:
    """What a map needs beyond plants.csv: spacing and aisles, guards, the compass side on top."""

    geometry: BedGeometry
    guards: str
    top: str


def plan_text(request: PlanRequest, geometry: BedGeometry, letters: Mapping[str, str]) -> str:
    """The file's text.  letters: of each variety, by name."""
    lines = [_HEAD]
    for key in fields(PlanRequest):
        value = getattr(request, key.name)
        if value is not None:
            lines.append(f"{key.name} = {toml_value(value)}")
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
    known = {key.name for key in fields(PlanRequest)}
    settings = {key: _tuple(value) for key, value in table.items() if key in known}
    try:
        return PlanRequest(**settings)
    except TypeError as error:
        raise ValueError(f"{path.name}: {error}") from None


def read_drawing(path: Path) -> BedDrawing:
    """Spacing, guards and top of the map. Raises ValueError naming the file and the key."""
    table = _table(path)
    aisles = table.get("drawn", {})
    if not isinstance(aisles, dict):
        raise ValueError(f"{path.name}: drawn must be a section, [drawn].")
    return BedDrawing(
        BedGeometry(
            _number(path, table, "row_spacing_cm"),
            _number(path, table, "plant_spacing_cm"),
            _number(path, table, "aisle_cm", 0.0),
            _numbers(path, aisles, "aisles_after_rows"),
            _numbers(path, aisles, "aisles_after_columns"),
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
    if not isinstance(letters, dict) or not all(isinstance(name, str) for name in letters.values()):
        raise ValueError(f'{path.name}: letters must be a section, [letters], with A = "a name".')
    if len(set(letters.values())) < len(letters):
        raise ValueError(f"{path.name}: a variety has two letters; one each is accepted.")
    return {name: letter for letter, name in letters.items()}


def _table(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{path.name} cannot be read: {error}") from None


def _tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _number(path: Path, table: dict[str, object], key: str, missing: float | None = None) -> float:
    value = table.get(key, missing)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 2000:
        raise ValueError(
            f"{path.name}: {key} is {value!r}; a number of cm, 0 to 2000, is accepted."
        )
    return float(value)


def _numbers(path: Path, table: dict[str, object], key: str) -> tuple[int, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(type(number) is int for number in value):
        raise ValueError(f"{path.name}: {key} is {value!r}; a list of whole numbers is accepted.")
    return tuple(value)


def _word(path: Path, table: dict[str, object], key: str, accepted: tuple[str, ...]) -> str:
    value = table.get(key, accepted[0])
    if value not in accepted:
        raise ValueError(f"{path.name}: {key} is {value!r}; accepted: {', '.join(accepted)}.")
    return str(value)
