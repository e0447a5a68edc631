"""What the cells of the notebooks call: one call, one piece of the report.

    trial = cells.open_trial(folder, until)
    cells.answer(trial)

Every number comes from the `Conclusion` of the trial; nothing is worked out here but how to say it.
The pictures are in `figures`, the folded account of the method in `method`; both are called from
here, so that a notebook needs this module only.
"""

from __future__ import annotations

from trialkit.report.answer import (
    answer,
    cannot_tell,
    heading,
    how_sure,
    next_step,
    other_figures,
    pick_by_pick,
    since_last,
    take_care,
    varieties,
    words_used,
)
from trialkit.report.figures import (
    along,
    answer_grew,
    bed_map,
    calendar,
    compared,
    events,
    height_and_reach,
    own_traits,
    place_in_bed,
    rate_over_season,
    when_bore,
    yield_so_far,
)
from trialkit.report.handout import for_club, for_handout
from trialkit.report.method import diagnostics, doubts, files_read, layout, methods, versions
from trialkit.report.opentrial import CellStop, OpenTrial, RecordsCellStop, open_trial
from trialkit.report.tasting import tasting

__all__ = [
    "CellStop",
    "OpenTrial",
    "RecordsCellStop",
    "along",
    "answer",
    "answer_grew",
    "bed_map",
    "calendar",
    "cannot_tell",
    "compared",
    "diagnostics",
    "doubts",
    "events",
    "files_read",
    "for_club",
    "for_handout",
    "other_figures",
    "heading",
    "height_and_reach",
    "own_traits",
    "how_sure",
    "layout",
    "methods",
    "next_step",
    "open_trial",
    "pick_by_pick",
    "place_in_bed",
    "rate_over_season",
    "since_last",
    "take_care",
    "tasting",
    "varieties",
    "versions",
    "when_bore",
    "words_used",
    "yield_so_far",
]
