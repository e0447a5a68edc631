"""The folded part of the season's report: the trials, the method, the figures behind the words."""

from __future__ import annotations

import platform
from typing import Any

from trialkit import wording
from trialkit.report.account import LIBRARIES, version_of
from trialkit.report.blocks import Block, paragraphs, part, tabled, titled
from trialkit.report.season_opened import OpenSeason

SHOWN = 60


def account(season: OpenSeason) -> Block:
    """How the trials were put together, and how evenly each variety does."""
    found = season.answer
    note = found.method
    texts = [note.plain, note.full, *(f"{line}." for line in found.notes)]
    pairs = {"Model": note.formula, "terms": ", ".join(note.groups),
             "degrees of freedom": note.df_method}  # fmt: skip
    pairs |= {key: wording.number(value, 3) for key, value in note.figures.items()}
    fine = "; ".join(f"{key} {value}" for key, value in pairs.items() if value)
    blocks = [titled("How the trials were put together", texts, season.names)]
    if fine:
        scale = " (standard deviations of logarithms)" if found.scale == "log" else ""
        blocks.append(paragraphs([f"{fine}{scale}."], season.names, "fine"))
    if len(found.trials) > 2 and found.stability["slope"].notna().any():
        blocks.append(_evenness(season))
    return Block("\n".join(b.html for b in blocks), "\n\n".join(b.plain for b in blocks))


def _evenness(season: OpenSeason) -> Block:
    rows = [_even(row) for row in season.answer.stability.itertuples()]
    scale = "logarithms" if season.answer.scale == "log" else season.answer.unit
    heads = ("Variety", "Trials", "Slope on the garden's mean", "Spread about that line",
             "Own spread from garden to garden")
    return tabled(f"How evenly each does ({scale}); a slope of 1 rises as the average variety",
                  heads, rows)


def _even(row: Any) -> tuple[str, ...]:
    own = float(row.variance)
    return (
        str(row.variety), str(row.trials),
        f"{wording.number(row.slope)} ({wording.signed(row.slope_low)} to "
        f"{wording.signed(row.slope_high)})",
        wording.number(row.deviation),
        wording.NONE if wording.missing(own) else wording.number(max(own, 0.0) ** 0.5),
    )


def trials(season: OpenSeason) -> Block:
    """Each trial: what it had, and what is behind it."""
    rows = []
    for one in season.answer.trials[:SHOWN]:
        plots = str(min(one.plots)) if min(one.plots) == max(one.plots) else \
            f"{min(one.plots)} to {max(one.plots)}"
        rows.append((one.folder, f"{one.garden}, {one.year}", str(len(one.varieties)), plots,
                     wording.degrees(one.df), str(one.doubts), one.fingerprint))
    more = len(season.answer.trials) - SHOWN
    caption = "The trials" + (f"; the first {SHOWN}, {more} more" if more > 0 else "")
    heads = ("Folder", "Garden and year", "Varieties", "Plots of each", "Degrees of freedom",
             "Doubts", "Fingerprint")
    block = tabled(caption, heads, rows)
    notes = [f"{one.garden}, {one.year}: {note}." for one in season.answer.trials[:SHOWN]
             for note in one.notes]
    if not notes:
        return block
    said = paragraphs(notes, season.names)
    return Block(f"{block.html}\n{said.html}", f"{block.plain}\n{said.plain}")


def versions(season: OpenSeason) -> Block:
    """Fingerprint of the data and versions of the libraries, so that a run can be repeated."""
    pairs = [("Fingerprint of all records", season.answer.fingerprint),
             ("Python", platform.python_version()),
             *((name, version_of(name)) for name in LIBRARIES)]
    html = "<h3>To repeat this run</h3>\n" + part("pairs", pairs=pairs)
    return Block(html, "\n".join(f"{name}: {value}" for name, value in pairs))
