"""What the cells of the plan notebook call: one call, one piece of the plan.

plan = planning.lay_out(varieties=["A", "B"], blocks=4)
planning.bed_map(plan)
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from IPython.display import HTML, display
from markupsafe import Markup

from trialkit.design import bedmap, planfolder
from trialkit.design.labels import LabelSize
from trialkit.design.layouts import Planting
from trialkit.design.layouts import lay_out as lay_out_request
from trialkit.design.paper import paper, unprintable
from trialkit.design.planfolder import About
from trialkit.design.request import DESIGNS, PlanProblem, PlanRequest
from trialkit.power import (
    PAIR,
    Spread,
    double_plants_or_blocks,
    power_by_blocks,
    power_to_see,
    setup_of,
    smallest_ratio,
    ways_to_see,
)
from trialkit.records.description import LOOKS
from trialkit.reporting import powerplot
from trialkit.reporting.blocks import Block, part
from trialkit.reporting.opened import CellStop
from trialkit.reporting.pictures import show
from trialkit.simulated import Progress, simulated_power

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


def reach_words(planting: Planting, picks: int = 10) -> str:
    """The smallest ratio the bed shows 8 times in 10, with spreads that are only a guess."""
    spread = Spread()
    ratio = smallest_ratio(setup_of(planting, picks), spread)
    if ratio == float("inf"):
        return "This bed can compare nothing: each variety needs a second plot at least."
    return (
        f"{spread_words(spread, picks)} With that, this bed shows a variety that yields "
        f"{ratio:.2f} times another 8 times in 10."
    )


def bed_map(plan: Plan, paper_name: str = "A4") -> Block:
    """The map of the bed, to scale."""
    bed = planfolder.bed_of_plan(plan.planting, plan.about)
    svg = re.sub(r"^.*?(?=<svg)", "", bedmap.bed_map_svg(bed, paper(paper_name)), flags=re.S)
    words = bedmap.bed_map_words(bed)
    drawn = Markup('<div role="img" aria-label="{}">{}</div>').format(words, Markup(svg))
    caption = "The bed to scale, as the PDF prints it. Letters and hatching name the varieties."
    return Block(part("figure", name="plan-map", drawn=drawn, caption=caption), words)


def chance(
    plan: Plan,
    ratio: float = 1.5,
    *,
    picks: int = 10,
    plot_sd: float = 0.15,
    plant_sd: float = 0.30,
    pick_sd: float = 0.60,
    test: str = PAIR,
) -> Block:
    """What this bed can see, and whether plants or blocks help more."""
    setup, spread = setup_of(plan.planting, picks), _spread(plot_sd, plant_sd, pick_sd)
    smallest = smallest_ratio(setup, spread, test=test)
    texts = [spread_words(spread, picks)]
    if smallest == float("inf"):
        texts.append("This bed can compare nothing: each variety needs a second plot at least.")
    else:
        power = power_to_see(ratio, setup, spread, test=test)
        texts += [
            f"If a variety truly yields {ratio:g} times another, this trial shows it in "
            f"{power:.0%} of seasons ({test}, two-sided test at 5%).",
            f"The smallest ratio it shows 8 times in 10 is {smallest:.2f} times.",
        ]
    texts.append(double_plants_or_blocks(ratio, setup, spread, test=test).in_words)
    return _paragraphs(texts)


def spread_words(spread: Spread, picks: int) -> str:
    """What was assumed of the spreads."""
    return (
        f"Assumed: plots of one variety differ by {spread.plot:.0%} (standard deviation), plants "
        f"of one plot by {spread.plant:.0%}, one plant from pick to pick by {spread.pick:.0%}; "
        f"{picks} picks. A guess until your own report gives better figures."
    )


def power_picture(
    plan: Plan,
    ratio: float = 1.5,
    *,
    picks: int = 10,
    plot_sd: float = 0.15,
    plant_sd: float = 0.30,
    pick_sd: float = 0.60,
    test: str = PAIR,
) -> Block:
    """Power against blocks, for several numbers of plants in a plot."""
    setup, spread = setup_of(plan.planting, picks), _spread(plot_sd, plant_sd, pick_sd)
    curve = power_by_blocks(ratio, setup, spread, test=test)
    return show(powerplot.power_by_blocks(curve, ratio), "power-by-blocks")


def ways(
    plan: Plan,
    ratio: float = 1.5,
    *,
    plot_sd: float = 0.15,
    plant_sd: float = 0.30,
    pick_sd: float = 0.60,
    test: str = PAIR,
) -> Block:
    """The fewest blocks that see the ratio 8 times in 10, by plants and picks."""
    setup, spread = setup_of(plan.planting), _spread(plot_sd, plant_sd, pick_sd)
    table = ways_to_see(ratio, setup, spread, test=test)
    heads = ["blocks", "plants in a plot", "picks", "plants in all", "counts in all", "chance"]
    rows = [
        [f"{int(row[key])}" for key in ("blocks", "plants", "picks", "all_plants", "counts")]
        + [f"{row['power']:.0%}"]
        for row in table.to_dict("records")
    ]
    caption = f"Ways to see {ratio:g} times, 8 times in 10: fewest plants first"
    plain = "\n".join([caption, "  ".join(heads), *("  ".join(row) for row in rows)])
    if not rows:
        return _paragraphs([f"No plan of up to 60 blocks sees {ratio:g} times 8 times in 10."])
    return Block(part("table", caption=caption, heads=heads, rows=rows), plain)


def with_losses(
    plan: Plan,
    ratio: float = 1.5,
    *,
    picks: int = 10,
    plot_sd: float = 0.15,
    plant_sd: float = 0.30,
    pick_sd: float = 0.60,
    lost: float = 0.1,
    missed: float = 0.1,
    seasons: int = 200,
) -> Block:
    """The chance when some plants die and some picks are missed, by made-up seasons."""
    setup, spread = setup_of(plan.planting, picks), _spread(plot_sd, plant_sd, pick_sd)
    if smallest_ratio(setup, spread) == float("inf") or seasons < 1:
        return _paragraphs(["Nothing to try out."])
    with _bar() as moved:
        found = simulated_power(
            ratio, setup, spread, seasons=seasons, lost=lost, missed=missed, progress=moved
        )
    return _paragraphs(
        [
            f"With {lost:.0%} of plants lost and {missed:.0%} of picks missed, {ratio:g} times was "
            f"seen in {found.power:.0%} of {found.seasons} made-up seasons (the true chance lies "
            f"between {found.low:.0%} and {found.high:.0%})."
        ]
    )


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
        return _paragraphs(["Nothing was written: set `folder` to the new trial's folder."])
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
        return _paragraphs([f"Nothing was written: {error}. {where}"])
    except (OSError, ValueError) as error:
        raise CellStop(f"Could not write {folder}: {error}") from None
    items = [f"Written to {target}: {', '.join(path.name for path in made)}"]
    items += [f"{path.parent.name}/{path.name}: {what}" for path, what in printed]
    return Block(part("list", items=items), "\n".join(items))


@contextmanager
def _bar() -> Iterator[Progress]:
    """A progress bar where the cell's output will stand; it is gone when the work is done."""
    show_live: Any = display
    html: Any = HTML
    handle = show_live(html(""), display_id=True)

    def moved(done: int, total: int) -> None:
        if handle is not None and (done == total or done % max(1, total // 50) == 0):
            words = f"{done} of {total} made-up seasons"
            bar = f'<progress value="{done}" max="{total}" aria-label="{words}"></progress>'
            handle.update(html(f"{bar} {words}"))

    yield moved
    if handle is not None:
        handle.update(html(""))


def _spread(plot: float, plant: float, pick: float) -> Spread:
    try:
        return Spread(plot, plant, pick)
    except ValueError as error:
        raise CellStop(str(error)) from None


def _paragraphs(texts: Sequence[str]) -> Block:
    return Block(part("paragraphs", paragraphs=list(texts), kind=""), "\n".join(texts))
