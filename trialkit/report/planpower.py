"""What the cells of the plan notebook call to learn what a bed can see.

spread = planpower.spread(plot=0.15, plant=0.30, pick=0.60)
planpower.chance(plan, ratio=1.5, spread=spread)
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pandas as pd
from IPython.display import HTML, display
from matplotlib.figure import Figure

from trialkit import plots
from trialkit.design.layouts import Planting
from trialkit.design.request import SPLIT_PLOT
from trialkit.gardens.components import FILE, read_spread
from trialkit.power import (
    Claims,
    Setup,
    Spread,
    error_df,
    power_of_treatment,
    power_to_see,
    setup_of,
    smallest_ratio,
    smallest_treatment_ratio,
)
from trialkit.power.exact import double_plants_or_blocks, in_words, power_by_blocks, ways_to_see
from trialkit.power.simulated import Progress, simulated_power
from trialkit.records.start import LOOKS
from trialkit.report.blocks import Block, paragraphs, show, tabled
from trialkit.report.opentrial import CellStop
from trialkit.report.planning import Plan

# ------------------------------------------------------------------------------------------------
# The picture of power against blocks, a line for each number of plants in a plot.
# ------------------------------------------------------------------------------------------------

def draw_power(curve: pd.DataFrame, ratio: float, target: float = 0.8) -> plots.Picture:
    """Chance to see `ratio` against the number of blocks.

    curve: blocks, plants, power (a fraction of 1), as trialkit.power.exact.power_by_blocks gives.
    """
    with mpl.rc_context(plots.STYLE):
        figure = Figure(figsize=(plots.WIDTH, 3.2), layout="constrained")
        axes = figure.add_subplot()
        axes.axhline(target * 100, color=plots.MUTED, lw=1, ls=(0, (4, 3)))
        for at, plants in enumerate(sorted(curve["plants"].unique())):
            line = curve[curve["plants"] == plants].sort_values("blocks")
            axes.plot(
                line["blocks"],
                line["power"] * 100,
                color=plots.COLOURS[at % len(plots.COLOURS)],
                marker=plots.MARKERS[at % len(plots.MARKERS)],
                ms=4,
                lw=1.4,
                label=f"{plants} plant" + ("s" if plants != 1 else ""),
            )
        axes.set_ylim(0, 102)
        axes.set_xlabel("blocks (plots of each variety)")
        axes.set_ylabel(f"chance to see {ratio:g} times, %")
        axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(integer=True))
        axes.legend(title="in a plot", frameon=False, fontsize=8, title_fontsize=8)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    caption = (
        f"How often a true ratio of {ratio:g} would come out as a difference. Dashed: "
        f"{100 * target:.0f} %. A line that starts higher has more plants in a plot; walking right "
        "along "
        "a line adds blocks."
    )
    return plots.Picture(figure, _words(curve, ratio, target), caption)


def _words(curve: pd.DataFrame, ratio: float, target: float) -> str:
    """The same facts for someone who cannot see the lines."""
    parts = []
    for plants in sorted(curve["plants"].unique()):
        line = curve[curve["plants"] == plants].sort_values("blocks")
        enough = line[line["power"] >= target]
        first, last = line.iloc[0], line.iloc[-1]
        reached = f"{100 * target:.0f} % not reached"
        if len(enough):
            reached = f"{100 * target:.0f} % from {int(enough['blocks'].iloc[0])} blocks"
        parts.append(
            f"{int(plants)} in a plot: {100 * first['power']:.0f} % with "
            f"{int(first['blocks'])} blocks, {100 * last['power']:.0f} % with "
            f"{int(last['blocks'])}, {reached}"
        )
    return f"Chance to see {ratio:g} times, by blocks and plants. " + "; ".join(parts) + "."


# ------------------------------------------------------------------------------------------------
# What the cells of the plan notebook call to learn what a bed can see.
# ------------------------------------------------------------------------------------------------

GUESS = Spread()
TOO_SMALL = 10.0
"""A bed that shows only a larger ratio 8 times in 10 compares nothing. Own choice."""
SMALL_BED = (
    "this bed is too small to compare: even a variety that yields ten times another would often be "
    "missed. Plant more blocks."
)


def spread(learned: str | Path = "", folder: str | Path = "", **sd: float) -> Spread:
    """Standard deviations on the log scale, 0.15 for 15 %; raises CellStop for ones that cannot
    be.  plot, plant, pick, part: as in `trialkit.power.Spread`.  learned: a spread.toml that
    `trialkit new --from` wrote, or its folder, which takes the place of plot, plant and pick; ""
    takes the one in the trial's `folder` where there is one."""
    try:
        path = Path(learned) if learned else Path(folder) / FILE if str(folder) else None
        if path is None or not (learned or path.is_file()):
            return Spread(**sd, told=()) if sd else GUESS
        estimate = read_spread(path)
        where = f"Spreads taken from {path / FILE if path.is_dir() else path}."
        return replace(estimate, part=sd.get("part", estimate.part), told=(where, *estimate.told))
    except (ValueError, TypeError, OSError) as error:
        raise CellStop(str(error)) from None


def reach_words(
    planting: Planting, picks: int | None = None, spread: Spread = GUESS, looks: int = LOOKS
) -> str:
    """The smallest ratio the report names 8 times in 10, and what it hangs on.

    picks: rounds of picking; None for as many as looks are planned.
    """
    rounds = picks or looks
    setup = setup_of(planting, rounds)
    if error_df(setup) < 1:
        return "This bed can't compare anything: give each variety at least two plots."
    assumed = spread_words(spread, rounds, planting.request.design == SPLIT_PLOT)
    return " ".join([assumed, *_promise(setup, spread, looks)])


def _promise(setup: Setup, spread: Spread, looks: int) -> list[str]:
    """What the report will name after the last pick, in sentences."""

    def least(looks: int | None, ended: bool = True, spread: Spread = spread) -> float:
        return smallest_ratio(setup, spread, test=Claims(looks, ended))

    ratio = least(looks)
    if ratio > TOO_SMALL:
        return [f"With that, {SMALL_BED}"]
    picks = setup.picks
    out = [
        f"A variety that yields {ratio:.2f} times the check would then be named in 8 trials of "
        f"10, judged after {'the pick' if picks == 1 else f'each of {picks} picks'} as the report "
        "does. That is for what is picked per plant. For what is picked within reach, ask again "
        "with --picks as many as you take before the plants outgrow you; that is the best it can "
        "be, and less where plots outgrow you on different days. For earliness or a trait of your "
        "own this doesn't tell: how unlike plots' days or traits are is known after a season only."
    ]
    full = least(None)
    if looks < picks and full < ratio - 0.005:
        out.append(
            f"You plan {looks} look{'' if looks == 1 else 's'} for {picks} picks; with looks = "
            f"{picks} in trial.toml, set before the first pick, {full:.2f} times is enough."
        )
    if picks < looks:
        late = least(looks, ended=False)
        what = "nothing short of ten times" if late > TOO_SMALL else f"only {late:.2f} times"
        out.append(
            f"Write ended = the last day in trial.toml when picking stops: without it, after "
            f"{picks} of {looks} planned looks, it shows {what}."
        )
    if spread.plot_high is not None and spread.plot_high > spread.plot:
        if spread.plot_high < 10:
            high = least(looks, spread=replace(spread, plot=spread.plot_high))
            what = f"it takes {high:.2f} times" if high <= TOO_SMALL else "the bed is too small"
            out.append(
                f"Were plots as unlike as the earlier trials allow "
                f"({100 * spread.plot_high:.0f} %), {what}."
            )
        else:
            out.append("The earlier trials set no upper limit to how unlike plots are.")
    return out


def chance(
    plan: Plan,
    ratio: float = 1.5,
    *,
    picks: int | None = None,
    spread: Spread = GUESS,
) -> Block:
    """What this bed can see, and whether plants or blocks help more.

    picks: rounds of picking; None for as many as looks are planned.
    """
    looks = plan.about.looks
    setup = setup_of(plan.planting, picks or looks)
    test = Claims(looks)
    texts = [spread_words(spread, setup.picks, setup.design == SPLIT_PLOT)]
    if error_df(setup) < 1:
        texts.append("This bed can't compare anything: give each variety at least two plots.")
    else:
        power = power_to_see(ratio, setup, spread, test=test)
        texts += [
            f"If a variety truly yields {ratio:g} times the check, the report names it in "
            f"{in_words(power)} of seasons.",
            *_promise(setup, spread, looks),
        ]
    texts += treatment_words(plan.planting, ratio, spread, setup.picks)
    texts.append(double_plants_or_blocks(ratio, setup, spread, test=test).text)
    return paragraphs(texts)


def treatment_words(
    planting: Planting, ratio: float, spread: Spread, picks: int = 10
) -> list[str]:
    """What a split plot shows between its treatments; nothing for other layouts."""
    request, setup = planting.request, setup_of(planting, picks)
    smallest = smallest_treatment_ratio(setup, spread) if setup.design == SPLIT_PLOT else None
    if smallest is None:
        return []
    what = " and ".join(f'"{name}"' for name in request.treatments[:2])
    if smallest == float("inf"):
        return [f"Between {what} it can't compare anything: that takes at least two plots of each."]
    if smallest > TOO_SMALL:
        return [f"Between {what}, inside the plots, it is too small to compare as well."]
    power = power_of_treatment(ratio, setup, spread)
    return [
        f"Between {what}, inside the plots and over all varieties, it shows {ratio:g} times in "
        f"{in_words(power)} of seasons; the smallest ratio it shows 8 times in 10 is "
        f"{smallest:.2f} times. The plot itself drops out of that comparison."
    ]


def spread_words(spread: Spread, picks: int, parts: bool = False) -> str:
    """What was taken of the spreads, and where it comes from."""
    if spread.told:
        return f"{' '.join(spread.told)} {picks} picks."
    part = f"parts of one plot {100 * spread.part:.0f} %, " if parts else ""
    return (
        f"Our guess, until your own report gives better figures: plots of one variety typically "
        f"stray {100 * spread.plot:.0f} % from their mean, {part}"
        f"plants of one plot {100 * spread.plant:.0f} %, and one plant {100 * spread.pick:.0f} % "
        f"from pick to pick; {picks} picks."
    )


def power_picture(
    plan: Plan, ratio: float = 1.5, *, picks: int | None = None, spread: Spread = GUESS
) -> Block:
    """Chance that the report names the ratio against blocks, for several plants in a plot."""
    looks = plan.about.looks
    setup = setup_of(plan.planting, picks or looks)
    curve = power_by_blocks(ratio, setup, spread, test=Claims(looks))
    return show(draw_power(curve, ratio), "power-by-blocks")


def ways(plan: Plan, ratio: float = 1.5, *, spread: Spread = GUESS) -> Block:
    """The fewest blocks that show the ratio 8 times in 10, by plants and picks, each looked at."""
    setup = setup_of(plan.planting)
    table = ways_to_see(ratio, setup, spread, test=Claims())
    heads = ["blocks", "plants in a plot", "picks", "plants in all", "counts in all", "chance"]
    rows = [
        [f"{int(row[key])}" for key in ("blocks", "plants", "picks", "all_plants", "counts")]
        + [in_words(row["power"])]
        for row in table.to_dict("records")
    ]
    caption = f"Ways to see {ratio:g} times, 8 times in 10: fewest plants first"
    if not rows:
        return paragraphs([f"No plan of up to 60 blocks sees {ratio:g} times 8 times in 10."])
    return tabled(caption, heads, rows)


def with_losses(
    plan: Plan,
    ratio: float = 1.5,
    *,
    picks: int | None = None,
    spread: Spread = GUESS,
    lost: float = 0.1,
    missed: float = 0.1,
    seasons: int = 200,
) -> Block:
    """The chance when some plants die and some picks are missed, by made-up seasons."""
    setup = setup_of(plan.planting, picks or plan.about.looks)
    if smallest_ratio(setup, spread) == float("inf") or seasons < 1:
        return paragraphs(["Nothing to try out."])
    with _bar() as moved:
        estimate = simulated_power(
            ratio, setup, spread, seasons=seasons, lost=lost, missed=missed, progress=moved,
            planting=plan.planting,
        )
    return paragraphs(
        [
            f"With {100 * lost:.0f} % of plants lost and {100 * missed:.0f} % of picks missed, "
            f"{ratio:g} times between two varieties chosen beforehand was "
            f"seen in {100 * estimate.power:.0f} % of {estimate.seasons} made-up seasons (the true "
            f"chance lies "
            f"between {100 * estimate.low:.0f} % and {100 * estimate.high:.0f} %)."
        ]
    )


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
