"""What the cells of the season's notebook call: one call, one piece of the report.

    season = season_cells.open_season(folders, until)
    season_cells.answer(season)

Every number comes from the `SeasonAnswer`; nothing is worked out here but how to say it.
"""

from __future__ import annotations

from trialkit.report.opened import CellStop, RecordsCellStop
from trialkit.report.season_account import account, trials, versions
from trialkit.report.season_answered import (
    answer,
    cannot_tell,
    heading,
    left_out,
    next_step,
    shared,
    turned,
    varieties,
)
from trialkit.report.season_drawn import against_gardens, garden_by_garden, gardens_and_whole
from trialkit.report.season_opened import OpenSeason, open_season

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
