"""The picture of power against blocks, a line for each number of plants in a plot."""

from __future__ import annotations

import matplotlib as mpl
import pandas as pd
from matplotlib.figure import Figure

from trialkit import plots


def power_by_blocks(curve: pd.DataFrame, ratio: float, target: float = 0.8) -> plots.Picture:
    """Chance to see `ratio` against the number of blocks.

    curve: blocks, plants, power (a fraction of 1), as trialkit.power.sizes.power_by_blocks gives.
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
        axes.set_xlabel("blocks (repeats of each variety)")
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
