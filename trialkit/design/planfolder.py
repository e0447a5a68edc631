"""A plan written as a trial folder, and paper printed from a trial folder.

Nothing that was recorded or filled in is ever written over (see `trialkit.design.vacant`).
"""

from __future__ import annotations

import os
import shutil
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from trialkit.design.bed import Bed, bed_of
from trialkit.design.bedmap import bed_map_svg, print_bed_map
from trialkit.design.geometry import BedGeometry
from trialkit.design.labels import LabelSize, print_labels
from trialkit.design.layouts import Planting, guard_places, walking_order
from trialkit.design.paper import Paper
from trialkit.design.planfile import NAME, Drawn, plan_text, read_drawn
from trialkit.design.sheets import height_sheets, pick_sheets, print_sheets
from trialkit.design.vacant import in_the_way, left_alone
from trialkit.records import Records
from trialkit.records.description import LOOKS, Description, description_text
from trialkit.records.schema import PLANTS, TABLES
from trialkit.records.write import csv_text, sync_folder, write_text

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


def write_plan(folder: Path, planting: Planting, about: About) -> list[Path]:
    """Write trial.toml, plants.csv, plan.toml and empty tables; returns the files written.

    The folder may be one that `trialkit new` made and nobody filled in.  Raises FileExistsError,
    changing nothing and naming all that is in the way, where it holds records or anything a user
    wrote, and OSError when a file cannot be written.
    """
    folder = Path(folder)
    taken = in_the_way(folder)
    if taken:
        raise FileExistsError(
            f"{folder} holds {', '.join(taken)} already, and a plan would write over that"
        )
    alone = left_alone(folder)
    texts = {name: text for name, text in _texts(planting, about).items() if name not in alone}
    parent = folder.resolve().parent
    parent.mkdir(parents=True, exist_ok=True)
    # All files appear together: they are written aside, then moved in.
    aside = Path(tempfile.mkdtemp(dir=parent, prefix=f".{folder.name}."))
    try:
        for name, text in texts.items():
            write_text(aside / name, text)
        if not folder.exists():
            aside.chmod(0o755)
            os.rename(aside, folder)
            sync_folder(parent)
        else:
            # trial.toml last: a folder without it is not yet a trial.
            for name in texts:
                os.replace(aside / name, folder / name)
            sync_folder(folder)
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return [folder / name for name in texts]


def bed_of_records(records: Records) -> Bed:
    """The bed of a trial that was read, for maps, labels and sheets.

    Uses plan.toml for aisles, guards and the top of the map where the folder has one.
    Raises ValueError when plan.toml cannot be read.
    """
    trial = records.trial
    plants = _with_plots(walking_order(records.plants))
    path = records.folder / NAME
    assumed = ""
    if path.is_file():
        drawn = read_drawn(path)
    else:
        row, plant = trial.layout.row_spacing_cm, trial.layout.plant_spacing_cm
        if row is None or plant is None:
            assumed = f"spacing not given, drawn at {ASSUMED_CM[0]:g} x {ASSUMED_CM[1]:g} cm"
        geometry = BedGeometry(row or ASSUMED_CM[0], plant or ASSUMED_CM[1])
        drawn = Drawn(geometry, "none", "north")
    guards = pd.DataFrame(columns=["row", "column"], dtype=float)
    placed = plants.dropna(subset=["row", "column"])
    if path.is_file() and len(placed):
        guards = guard_places(
            placed, int(placed["row"].max()), int(placed["column"].max()), drawn.guards
        )
    light = " and ".join(one for one in (trial.layout.sun, trial.layout.shade) if one)
    return Bed(
        title=trial.title,
        crop=trial.crop,
        counted=trial.counted,
        planted=trial.planted.isoformat(),
        design=trial.layout.design or "",
        plants=plants,
        guards=guards,
        geometry=drawn.geometry,
        check=trial.check,
        sun=light or None,
        top=drawn.top,
        height_unit=trial.height_unit,
        weight_unit=trial.weight_unit,
        lost=frozenset(plants.loc[plants["lost"].notna(), "plant"].astype(str)),
        note=assumed,
    )


def _with_plots(plants: pd.DataFrame) -> pd.DataFrame:
    """Plain None for blanks; where no plot is named, plants of a variety in a row are one."""
    plants = plants.copy()
    for name in ("plant", "variety", "block", "plot", "treatment"):
        known = plants[name].notna()
        plants[name] = plants[name].astype(object).where(known, None)
    nameless = plants["plot"].isna()
    row = plants["row"].map(lambda one: "" if pd.isna(one) else f"row {one:g}")
    several = plants.groupby("row")["variety"].transform("nunique") > 1
    named = row.where(~several, row + " " + plants["variety"].astype(str))
    plants.loc[nameless, "plot"] = named[nameless]
    return plants


def print_paper(
    bed: Bed,
    folder: Path,
    sheet: Paper,
    *,
    label: LabelSize | None = None,
    weigh: bool = True,
    blind: bool = False,
) -> list[tuple[Path, str]]:
    """Write the map, stake labels, pick and height sheets; returns each file and its pages."""
    folder.mkdir(parents=True, exist_ok=True)
    made: list[tuple[Path, str]] = []

    def path(stem: str, ending: str = "pdf") -> Path:
        return folder / f"{stem}-{sheet.name.lower()}.{ending}"

    if bed.plants[["row", "column"]].notna().all(axis=None) and not blind:
        print_bed_map(bed, path("bed-map"), sheet)
        made.append((path("bed-map"), "1 page, to scale"))
        write_text(path("bed-map", "svg"), bed_map_svg(bed, sheet))
        made.append((path("bed-map", "svg"), "the same map as a drawing"))
    pages = print_labels(bed, path("stake-labels"), sheet, label, blind)
    made.append((path("stake-labels"), f"{pages} pages, print at actual size"))
    title = f"Pick sheet: {bed.title}"
    pages = print_sheets(pick_sheets(bed, sheet, weigh, blind), path("pick-sheet"), title)
    made.append((path("pick-sheet"), f"{pages} pages, one set a pick"))
    title = f"Height sheet: {bed.title}"
    pages = print_sheets(height_sheets(bed, sheet, blind), path("height-sheet"), title)
    made.append((path("height-sheet"), f"{pages} pages"))
    return made


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


def _texts(planting: Planting, about: About) -> dict[str, str]:
    """Every file of the folder, trial.toml last."""
    texts = {
        f"{table.name}.csv": csv_text([column.name for column in table.columns], [])
        for table in TABLES
    }
    heads = [column.name for column in PLANTS.columns]
    plants = planting.plants.assign(lost=None, lost_reason=None)
    rows = [
        ["" if value is None or value != value else value for value in row]
        for row in plants[heads].itertuples(index=False, name=None)
    ]
    texts["plants.csv"] = csv_text(heads, rows)
    texts[NAME] = plan_text(planting)
    texts["trial.toml"] = _description(planting, about)
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
