"""What the cells of the plan notebook call: one call, one piece of the plan.

plan = planning.lay_out(varieties=["A", "B"], blocks=4)
planning.bed_map(plan)
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from markupsafe import Markup

from trialkit.design import bedmap, planfolder
from trialkit.design.labels import LabelSize
from trialkit.design.layouts import Planting
from trialkit.design.layouts import lay_out as lay_out_request
from trialkit.design.paper import paper, unprintable
from trialkit.design.planfolder import About
from trialkit.design.request import DESIGNS, PlanProblem, PlanRequest
from trialkit.records.description import LOOKS
from trialkit.reporting.blocks import Block, paragraphs, part
from trialkit.reporting.opened import CellStop

LAYOUTS = {
    "random": DESIGNS[0],
    "blocks": DESIGNS[1],
    "latin": DESIGNS[2],
    "row-column": DESIGNS[3],
    "incomplete": DESIGNS[4],
    "split": DESIGNS[5],
}
"""Short names for the command line and the notebook."""


@dataclass(frozen=True)
class Plan:
    """A bed that was laid out, and what the trial is called."""

    planting: Planting
    about: About


def lay_out(
    *,
    varieties: Sequence[str],
    layout: str = "blocks",
    title: str = "My variety trial",
    crop: str = "climbing bean",
    garden: str = "",
    planted: str = "",
    counted: str = "pods",
    height_unit: str = "cm",
    weight_unit: str = "g",
    reach: str = "",
    looks: int = LOOKS,
    **asked: Any,
) -> Plan:
    """Lay out a trial; `asked` are the figures of a PlanRequest, "" and None meaning not said.

    Raises CellStop with the nearest plans that work.
    """
    given: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in asked.items()
        if value is not None and value != ""
    }
    try:
        request = PlanRequest(tuple(varieties), design=LAYOUTS.get(layout, layout), **given)
        day = date.fromisoformat(planted) if planted else None
        planting = lay_out_request(request)
    except (PlanProblem, ValueError, TypeError) as error:
        raise CellStop(str(error)) from None
    about = About(title, crop, garden, day, counted, height_unit, weight_unit, reach or None, looks)
    return Plan(planting, about)


def heading(plan: Plan) -> Block:
    """What was laid out, in figures."""
    texts = size_words(plan.planting)
    html = part("heading", title=plan.about.title, under=texts[0], notes=texts[1:])
    return Block(html, "\n".join([plan.about.title, *texts]))


def size_words(planting: Planting) -> list[str]:
    """The size of the bed, then its notes, a sentence each."""
    request = planting.request
    long, wide = planting.size_cm
    first = (
        f"{request.design.capitalize()}: {request.count} varieties, {request.blocks} repeats, "
        f"{len(planting.plots)} plots, {len(planting.plants)} plants on "
        f"{long / 100:.1f} x {wide / 100:.1f} m. Seed {planting.seed}."
    )
    missing = unprintable("".join(request.varieties))
    notes = list(planting.notes)
    if missing:
        notes.append(f"No font here has {missing}: these letters print as empty boxes.")
    return [first, *notes]


def bed_map(plan: Plan, paper_name: str = "A4") -> Block:
    """The map of the bed, to scale."""
    bed = planfolder.bed_of_plan(plan.planting, plan.about)
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
    weigh: bool = True,
    blind: bool = False,
) -> Block:
    """Write the trial folder and everything to print; only says so where `folder` is ""."""
    if not folder:
        return paragraphs(["Nothing was written: set `folder` to the new trial's folder."])
    target = Path(folder)
    try:
        made = planfolder.write_plan(target, plan.planting, plan.about)
        printed = planfolder.print_paper(
            planfolder.bed_of_plan(plan.planting, plan.about),
            target / "paper",
            paper(paper_name),
            label=LabelSize(*label_mm),
            weigh=weigh,
            blind=blind,
        )
    except FileExistsError as error:
        where = "A plan goes into a new folder, or one that nobody filled in yet."
        return paragraphs([f"Nothing was written: {error}. {where}"])
    except (OSError, ValueError) as error:
        raise CellStop(f"Could not write {folder}: {error}") from None
    items = [f"Written to {target}: {', '.join(path.name for path in made)}"]
    items += [f"{path.parent.name}/{path.name}: {what}" for path, what in printed]
    return Block(part("list", items=items), "\n".join(items))
