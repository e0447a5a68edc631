"""Plots whose labels begin anew in every block: told apart as "block/plot"."""

from __future__ import annotations

import numpy as np

from trialkit.records.findings import LISTED, Findings, Located


def tell_plots_apart(
    plants: Located, events: Located, findings: Findings
) -> tuple[Located, Located]:
    """Plants and events with every plot under a label of its own.

    Plot 1 of block A and plot 1 of block B are two plots.  Where any label stands in several
    blocks, all plots with a block are read as "A/1", "B/1"; an event may name either form, but
    an error is noted for a label that could be several plots.
    """
    plot, block = plants.frame["plot"], plants.frame["block"]
    both = plot.notna() & block.notna()
    blocks = block[both].groupby(plot[both]).unique()
    several = blocks[blocks.map(len) > 1]
    if not len(several):
        return plants, events
    first = int(np.flatnonzero((plot == several.index[0]).to_numpy())[0])
    label = str(several.index[0])
    findings.doubts_at(
        plants, np.array([first]), "plot", [label], "a plot of several blocks: taken as a plot in "
        f"each, {' and '.join(f'{b}/{label}' for b in several.iloc[0][:2])}",
    )
    named = events.frame["plot"]
    which = named.isin(several.index)
    unclear = np.flatnonzero(which.to_numpy())
    values = list(named.iloc[unclear[: LISTED + 1]])
    findings.errors_at(
        events, unclear, "plot", values,
        [f"It could be {' or '.join(f'{b}/{v}' for b in several[v])}." for v in values],
        "block and plot, such as " + f"{several.iloc[0][0]}/{label}",
    )
    alone = {p: f"{b[0]}/{p}" for p, b in blocks.items() if len(b) == 1}
    apart = plants.having(plot=plot.where(~both, block + "/" + plot))
    return apart, events.having(plot=named.replace(alone).mask(which))
