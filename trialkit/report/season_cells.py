"""What the cells of the season's notebook call: one call, one piece of the report.

    season = season_cells.open_season(folders, until)
    season_cells.answer(season)

Every number comes from the `SeasonAnswer`; nothing is worked out here but how to say it.
"""

from __future__ import annotations

from trialkit.report.season import (
    OpenSeason,
    account,
    against_gardens,
    answer,
    cannot_tell,
    garden_by_garden,
    gardens_and_whole,
    heading,
    left_out,
    next_step,
    open_season,
    shared,
    trials,
    turned,
    varieties,
    versions,
)
from trialkit.report.source import CellStop, RecordsCellStop

__all__ = [
    "CellStop",
    "OpenSeason",
    "RecordsCellStop",
    "account",
    "against_gardens",
    "answer",
    "cannot_tell",
    "garden_by_garden",
    "gardens_and_whole",
    "heading",
    "left_out",
    "next_step",
    "open_season",
    "shared",
    "trials",
    "turned",
    "varieties",
    "versions",
]
