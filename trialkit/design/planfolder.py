"""A plan written as a trial folder, and paper printed from a trial folder.

Nothing that was recorded or filled in is ever written over (see `trialkit.design.planfolder`).
"""

from __future__ import annotations

import glob
import hashlib
import json
import os
import shutil
import tempfile
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd
from filelock import FileLock, Timeout
from matplotlib.figure import Figure

from trialkit.design.bed import Bed, bed_of, variety_letters
from trialkit.design.bedmap import bed_map_svg, print_bed_map
from trialkit.design.geometry import BedGeometry
from trialkit.design.labels import LabelSize, stake_labels
from trialkit.design.layouts import Planting, guard_places, lay_out, walking_order
from trialkit.design.paper import Paper
from trialkit.design.request import (
    PLAN_FILE,
    BedDrawing,
    plan_text,
    read_drawing,
    read_letters,
    read_request,
)
from trialkit.design.sheets import (
    days_across,
    dig_sheets,
    form_sheets,
    height_form,
    pick_form,
    print_sheets,
    trait_sheets,
)
from trialkit.reading.amounts import in_feet
from trialkit.records import Records
from trialkit.records.files import (
    DESCRIPTION,
    LOG,
    WORKBOOK,
    csv_text,
    sync_folder,
    tidy_folder,
    write_text,
)
from trialkit.records.schema import PLANTS, TABLES
from trialkit.records.start import LOOKS, READ_ME, Description, description_text, starter_texts
from trialkit.trial import Layout, Trial

_ENDINGS = {".csv", ".xlsx", ".xls", ".toml", ".tsv", ".txt", ".ods"}
_STEMS = {table.name for table in TABLES} | {Path(n).stem for n in (DESCRIPTION, PLAN_FILE, LOG)}


def in_the_way(folder: Path, described: bool = False) -> list[str]:
    """What a plan would write over or stand beside, in words; empty where it may be written.

    described : the plan is of what trial.toml says, and leaves that file as it is.
    """
    if folder.exists() and not folder.is_dir():
        return ["a file of that name"]
    starter = starter_texts(folder)
    ours = [p for p in _ours(folder) if not (described and p.name == DESCRIPTION)]
    return [words for path in ours if (words := _words(path, starter))]


def is_described(folder: Path) -> bool:
    """Whether somebody filled in the folder's trial.toml, well or badly."""
    path = folder / DESCRIPTION
    return path.is_file() and _text(path) != starter_texts(folder)[DESCRIPTION]


def left_alone(folder: Path, described: bool = False) -> set[str]:
    """Tables that stand there with a first line of somebody's own and no records yet.

    described : all that stand there but plants.csv, and trial.toml.
    """
    starter = starter_texts(folder)
    if described:
        return {p.name for p in _ours(folder) if p.name in starter and p.name != "plants.csv"}
    return {
        path.name for path in _ours(folder)
        if path.name in starter and _text(path) != starter[path.name]
    }


def _ours(folder: Path) -> Iterator[Path]:
    """Files that are a trial's, whatever their case and ending."""
    if folder.is_dir():
        for path in sorted(folder.iterdir()):
            named = path.stem.lower() in _STEMS and path.suffix.lower() in _ENDINGS
            if named or path.name.lower() == WORKBOOK:
                yield path


def _words(path: Path, starter: dict[str, str]) -> str:
    """What a file holds that a plan would write over; "" where it holds nothing of anybody's."""
    text = _text(path)
    if path.name not in starter or text is None:
        return path.name
    if text == starter[path.name]:
        return ""
    if path.name == DESCRIPTION:
        return f"{path.name} ({_changed(text, starter[path.name])})"
    lines = sum(1 for line in text.splitlines()[1:] if line.strip(" ,;\t\""))
    if lines:
        return f"{path.name} ({lines:,} line{'' if lines == 1 else 's'})"
    return f"{path.name} (a first line of your own)" if path.name == "plants.csv" else ""


def _text(path: Path) -> str | None:
    """A file's text, however its lines end; None where it has none."""
    try:
        return "\n".join(path.read_text(encoding="utf-8-sig").splitlines()) + "\n"
    except (OSError, UnicodeDecodeError):
        return None


def _changed(text: str, starter: str) -> str:
    """The keys that say something else than a new trial's do."""
    try:
        now, before = dict(_keys(tomllib.loads(text))), dict(_keys(tomllib.loads(starter)))
    except tomllib.TOMLDecodeError:
        return "not valid TOML"
    changed = [key for key in {**now, **before} if now.get(key) != before.get(key)]
    return "you filled in " + ", ".join(changed) if changed else "you changed its notes"


def _keys(table: dict[str, object], where: str = "") -> Iterable[tuple[str, object]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _keys(value, f"{where}{key}.")
        else:
            yield f"{where}{key}", value


PLANTS_FILE = "plants.csv"
# Where trial.toml gives no spacing, a map is drawn at this and says so.
ASSUMED_CM = (60.0, 30.0)


@dataclass(frozen=True)
class About:
    """What trial.toml says beyond the layout. planted: the day the plants go out. looks: how
    often the result is to be looked at before the season ends, usually once a pick."""

    title: str
    crop: str
    garden: str = ""
    planted: date | None = None
    counted: str = "pods"
    height_unit: str = "cm"
    weight_unit: str = "g"
    reach: str | None = None
    looks: int = LOOKS


def write_plan(
    folder: Path, planting: Planting, about: About, described: bytes | None = None
) -> list[Path]:
    """Write trial.toml, plants.csv, plan.toml, README.txt and empty tables; returns the files.

    The folder may be one that `trialkit new` made and nobody filled in.  described : the content
    of its trial.toml, where the plan is of what that says: the file then stays as it is, and so
    does every table there but plants.csv.  Raises FileExistsError, changing nothing and naming
    all that is in the way, where the folder holds records or anything else a user wrote, or
    another trial.toml than that, and OSError when a file cannot be written.
    """
    folder = Path(folder)
    tidy(folder)
    check_vacant(folder, described is not None)
    if described is not None and (folder / DESCRIPTION).read_bytes() != described:
        raise FileExistsError(f"{folder / DESCRIPTION} was changed since this plan was made of it")
    alone = left_alone(folder, described is not None)
    texts = {
        name: text for name, text in _texts(planting, about, folder).items() if name not in alone
    }
    parent = folder.resolve().parent
    parent.mkdir(parents=True, exist_ok=True)
    # All files appear together: they are written aside, then moved in.
    aside = Path(tempfile.mkdtemp(dir=parent, prefix=_aside(folder)))
    lock = FileLock(aside / _LOCK)
    try:
        with lock:
            staged = aside / "folder"
            staged.mkdir()
            for name, text in texts.items():
                write_text(staged / name, text)
            write_text(aside / _MOVES, json.dumps({
                "digests": {name: _digest(text.encode()) for name, text in texts.items()},
                "new": [name for name in texts if not (folder / name).exists()],
            }))  # fmt: skip
            if not folder.exists():
                os.rename(staged, folder)
                sync_folder(parent)
            else:
                # trial.toml last: a folder without it is not yet a trial.  Where that stands
                # already, plants.csv: without plants nothing was planned.
                _move_in(staged, folder, list(texts))
                sync_folder(folder)
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return [folder / name for name in texts]


_LOCK, _MOVES = "lock", "moves.json"


def _aside(folder: Path) -> str:
    return f".{folder.resolve().name}.plan-"


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def tidy(folder: Path) -> None:
    """Take away what a plan that was killed part way left of itself, beside the folder and in it.

    Files are taken out of the folder only where they are to the byte as that plan wrote them and
    not all of them had come; what a `trialkit new` had there before is put back. A plan that is
    being written now is left alone. Raises OSError.
    """
    parent = folder.resolve().parent
    if not parent.is_dir():
        return
    for aside in sorted(parent.glob(glob.escape(_aside(folder)) + "*")):
        lock = FileLock(aside / _LOCK)
        try:
            lock.acquire(timeout=0)
        except (Timeout, OSError):
            continue
        try:
            _take_back(aside, folder)
        finally:
            lock.release()
            shutil.rmtree(aside, ignore_errors=True)


def _take_back(aside: Path, folder: Path) -> None:
    try:
        moves = json.loads((aside / _MOVES).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return  # nothing was moved yet
    digests: dict[str, str] = moves["digests"]
    came = [
        name for name, digest in digests.items()
        if (folder / name).is_file() and _digest((folder / name).read_bytes()) == digest
    ]  # fmt: skip
    if len(came) == len(digests):
        return
    starter = starter_texts(folder)
    for name in came:
        if name in moves["new"]:
            (folder / name).unlink()
        elif name in starter:
            write_text(folder / name, starter[name])


def _move_in(aside: Path, folder: Path, names: list[str]) -> None:
    """Each file into its place; where one cannot be, those that were new are taken away again."""
    fresh: list[Path] = []
    try:
        for name in names:
            new = not (folder / name).exists()
            os.replace(aside / name, folder / name)
            fresh += [folder / name] if new else []
    except OSError:
        for path in fresh:
            path.unlink(missing_ok=True)
        raise


def check_vacant(folder: Path, described: bool = False) -> None:
    """Raise FileExistsError, naming all that is in the way of a plan there."""
    taken = in_the_way(folder, described)
    if not taken:
        return
    refusal = f"{folder} holds {', '.join(taken)} already, and a plan would write over that"
    if [words.partition(" ")[0] for words in taken] == [PLAN_FILE]:
        refusal += f". No plants are listed beside it: to plan anew, delete {PLAN_FILE}"
    elif drawn_and_empty(folder):
        refusal += (
            f". {PLANTS_FILE} is as an earlier plan drew it and nothing is recorded yet: to plan "
            f"anew, delete {PLANTS_FILE} and {PLAN_FILE}"
        )
    raise FileExistsError(refusal)


def drawn_and_empty(folder: Path) -> bool:
    """Whether the folder holds a bed to the byte as its plan.toml draws it, and no records."""
    held = {words.partition(" ")[0] for words in in_the_way(folder, described=True)}
    if held != {PLANTS_FILE, PLAN_FILE}:
        return False
    try:
        as_planned = plants_text(lay_out(read_request(folder / PLAN_FILE)))
        return (folder / PLANTS_FILE).read_bytes() == as_planned.encode("utf-8")
    except (OSError, ValueError):
        return False


def bed_of_records(records: Records) -> Bed:
    """The bed of a trial that was read, for maps, labels and sheets.

    Uses plan.toml for aisles, guards and the top of the map where the folder has one.
    Raises ValueError when plan.toml cannot be read.
    """
    trial = records.trial
    plants = _with_plots(walking_order(records.plants))
    path = records.folder / PLAN_FILE
    assumed = ""
    if path.is_file():
        drawing = read_drawing(path)
        read_letters(path)  # a spoilt one is named before anything is printed
    else:
        row, plant = trial.layout.row_spacing_cm, trial.layout.plant_spacing_cm
        if row is None or plant is None:
            assumed = f"spacing not given, drawn at {ASSUMED_CM[0]:g} x {ASSUMED_CM[1]:g} cm"
            if in_feet(trial.height_unit):
                assumed = "spacing not given, drawn at 2 ft x 1 ft"
        geometry = BedGeometry(row or ASSUMED_CM[0], plant or ASSUMED_CM[1])
        drawing = BedDrawing(geometry, "none", "north")
    guards = pd.DataFrame(columns=["row", "column"], dtype=float)
    placed = plants.dropna(subset=["row", "column"])
    if path.is_file() and len(placed):
        guards = guard_places(
            placed, int(placed["row"].max()), int(placed["column"].max()), drawing.guards
        )
    return Bed(
        title=trial.title,
        crop=trial.crop,
        counted=trial.counted,
        planted=trial.planted.isoformat(),
        design=trial.layout.design or "",
        plants=plants,
        guards=guards,
        geometry=drawing.geometry,
        check=trial.check,
        sun=light_of(trial.layout),
        top=drawing.top,
        height_unit=trial.height_unit,
        weight_unit=trial.weight_unit,
        lost=frozenset(plants.loc[plants["lost"].notna(), "plant"].astype(str)),
        note=assumed,
        kept_letters=variety_letters(records),
        traits=trial.traits,
        grades=trial.grades,
        once=harvested_once(trial) or (records.picks.empty and not records.harvest.empty),
        plots_only=bool(len(records.plants)) and bool((records.plants["plants"] > 1).all()),
        plots_named=bool(records.plants["plot"].notna().all()),
    )


def harvested_once(trial: Trial) -> bool:
    """Whether trial.toml speaks of a crop dug or cut once: of its grades, or of one pick."""
    graded = trial.grades or trial.marketable or trial.marketable_from_g or trial.ready_share
    return bool(graded or trial.harvest_unit or trial.looks == 1)


def light_of(layout: Layout) -> str | None:
    """Where sun and shade come from, in one text; shade first, since a bed is laid out by it."""
    sun, shade = layout.sun, layout.shade
    if not (sun and shade):
        return sun or shade
    shade = shade if "shade" in shade.lower() else f"shade: {shade}"
    return f"{shade}; {sun if 'sun' in sun.lower() else f'sun: {sun}'}"


def _with_plots(plants: pd.DataFrame) -> pd.DataFrame:
    """Plain None for blanks; where no plot is named, plants of a variety in a row are one."""
    plants = plants.copy()
    for name in ("plant", "variety", "block", "plot", "treatment"):
        known = plants[name].notna()
        plants[name] = plants[name].astype(object).where(known, None)
    nameless = plants["plot"].isna()
    row = plants["row"].map(lambda number: "" if pd.isna(number) else f"row {number:g}")
    several = plants.groupby("row")["variety"].transform("nunique") > 1
    named = row.where(~several, row + " " + plants["variety"].astype(str))
    plants.loc[nameless, "plot"] = named[nameless]
    return plants


@dataclass(frozen=True)
class Printing:
    """How paper is printed.  weigh: a box for the weight beside that for the count.  blind: no
    names of varieties on what goes out to the bed, and a key apart.  days: picking days side by
    side on a sheet, None for as many as fit.  baskets: a line a plot.  once: the crop is dug or
    cut once, None as the trial says."""

    label: LabelSize | None = None
    weigh: bool = True
    blind: bool = False
    days: int | None = None
    baskets: bool = False
    once: bool | None = None


KEY_PLACE, KEY_FILE = "key", "key.csv"


def is_blind(folder: Path) -> bool:
    """Whether the trial is recorded blind: its paper was printed so, and a key lies apart."""
    return (folder / KEY_PLACE / KEY_FILE).is_file()


def print_paper(
    bed: Bed, folder: Path, sheet: Paper, how: Printing | None = None
) -> list[tuple[Path, str]]:
    """Write the map, stake labels and record sheets; returns each file and what it is.

    Raises ValueError, writing nothing, where they cannot be printed so; OSError.
    """
    how = how or Printing()
    out = bed.nameless() if how.blind else bed
    baskets = how.baskets or bed.plots_only
    # All are drawn before the first is written.
    labels = stake_labels(out, sheet, how.label)
    kinds: list[tuple[str, str, list[Figure], str]] = []
    if bed.once if how.once is None else how.once:
        kinds.append(("dig-sheet", "Dig-day sheet", dig_sheets(out, sheet, baskets), ""))
    else:
        pick = pick_form(out, how.weigh, how.days, baskets)
        kinds.append(("pick-sheet", "Pick sheet", form_sheets(out, pick, sheet),
                      _many(days_across(pick, sheet), "pick")))
    height = height_form(out, how.days, baskets)
    kinds.append(("height-sheet", "Height sheet", form_sheets(out, height, sheet),
                  _many(days_across(height, sheet), "round")))
    if bed.traits:
        kinds.append(("trait-sheet", "Trait sheet", trait_sheets(out, sheet), ""))
    folder.mkdir(parents=True, exist_ok=True)
    tidy_folder(folder)
    made: list[tuple[Path, str]] = []

    def path(stem: str, ending: str = "pdf", place: Path = folder) -> Path:
        return place / f"{stem}-{sheet.name.lower()}.{ending}"

    placed = bool(bed.plants[["row", "column"]].notna().all(axis=None))
    if placed:
        print_bed_map(out, path("bed-map"), sheet)
        made.append((path("bed-map"), "1 page, to scale"))
        write_text(path("bed-map", "svg"), bed_map_svg(out, sheet))
        made.append((path("bed-map", "svg"), "the same map as a drawing"))
    title = f"Stake labels: {bed.title}"
    print_sheets(labels, path("stake-labels"), title)
    made.append((path("stake-labels"), f"{_pages(labels)}, print at actual size"))
    for stem, name, figures, count in kinds:
        if not figures:
            continue
        print_sheets(figures, path(stem), f"{name}: {bed.title}")
        made.append((path(stem), _pages(figures) + (f" for {count}" if count else "")))
    if how.blind:
        key = folder.parent / KEY_PLACE
        key.mkdir(exist_ok=True)
        write_text(key / KEY_FILE, key_text(bed))
        made.append((key / KEY_FILE, "which plot is which variety: keep it apart"))
        if placed:
            print_bed_map(bed, path("bed-map", place=key), sheet)
            made.append((path("bed-map", place=key), "the map with names, for whoever plants"))
    return made


def _pages(figures: list[Figure]) -> str:
    return _many(len(figures), "page")


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def key_text(bed: Bed) -> str:
    """Plot and variety, a line a plot; the plants where plots have no names."""
    by = "plot" if bed.plots_named else "plant"
    lines = bed.plants[[by, "variety"]].drop_duplicates()
    return csv_text([by, "variety"], lines.to_numpy().tolist())


def plants_text(planting: Planting) -> str:
    """plants.csv of a plan."""
    plants = planting.plants.assign(lost=None, lost_reason=None)
    heads = [column.name for column in PLANTS.columns if column.offered
             or (column.name == "replicate" and plants["replicate"].notna().any())]
    rows = [
        ["" if value is None or value != value else value for value in row]
        for row in plants[heads].itertuples(index=False, name=None)
    ]
    return csv_text(heads, rows)


def bed_of_plan(planting: Planting, about: About) -> Bed:
    """The bed of a fresh plan with its title and units."""
    return bed_of(
        planting,
        title=about.title,
        crop=about.crop,
        counted=about.counted,
        planted=about.planted.isoformat() if about.planted else "",
        height_unit=about.height_unit,
        weight_unit=about.weight_unit,
    )


def _texts(planting: Planting, about: About, folder: Path) -> dict[str, str]:
    """Every file of the folder, trial.toml last, plants.csv before it."""
    texts = {
        f"{table.name}.csv": csv_text(table.offered, [])
        for table in TABLES
        if table is not PLANTS
    }
    if not (folder / READ_ME).exists():
        texts[READ_ME] = starter_texts(folder)[READ_ME]
    texts[PLAN_FILE] = plan_text(
        planting.request, planting.geometry, bed_of_plan(planting, about).letters
    )
    texts[PLANTS_FILE] = plants_text(planting)
    texts[DESCRIPTION] = _description(planting, about)
    return texts


def _description(planting: Planting, about: About) -> str:
    """trial.toml of a plan."""
    request = planting.request
    shaded = request.sun is not None and "shade" in request.sun.lower()
    return description_text(Description(
        title=about.title,
        crop=about.crop,
        garden=about.garden,
        planted=about.planted or date.today(),
        counted=about.counted,
        reach=about.reach,
        looks=about.looks,
        height_unit=about.height_unit,
        weight_unit=about.weight_unit,
        varieties=tuple(request.varieties),
        check=request.check or request.varieties[0],
        design=request.design,
        rows=int(planting.plants["row"].max()),
        columns=int(planting.plants["column"].max()),
        row_cm=request.row_spacing_cm,
        plant_cm=request.plant_spacing_cm,
        sun=None if shaded else request.sun,
        shade=request.sun if shaded else None,
        seed=planting.seed,
    ))
