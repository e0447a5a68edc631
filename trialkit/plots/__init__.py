"""The pictures: seaborn and matplotlib figures, each with the words that stand in for it.

Every function takes tidy frames already in the units to show, and returns a `Picture`: the figure,
an alternative text that gives the same facts to someone who cannot see it, and a caption.
Varieties differ by place (a panel each) or by marker as well as by colour.
"""

from trialkit.plots.bed import bed, bed_on
from trialkit.plots.compared import bars, compared, dots, leading, scores
from trialkit.plots.gardens import Overall, against_gardens, gardens_and_whole, one_by_one
from trialkit.plots.style import (
    COLOURS,
    FAINT,
    INK,
    MARKERS,
    MUTED,
    PAPER,
    STYLE,
    WIDTH,
    Estimate,
    Picture,
    TypedRow,
    on_page,
    short,
    vector,
)
from trialkit.plots.timeline import (
    ALL_PRINTED,
    ALONG,
    PANELS,
    PRINTED,
    Spell,
    along,
    bearing,
    between_readings,
    calendar,
    heights,
    history,
    rates,
    totals,
)

__all__ = [
    "ALL_PRINTED",
    "ALONG",
    "COLOURS",
    "Estimate",
    "FAINT",
    "INK",
    "MARKERS",
    "MUTED",
    "PANELS",
    "Overall",
    "PAPER",
    "PRINTED",
    "Picture",
    "STYLE",
    "Spell",
    "TypedRow",
    "WIDTH",
    "against_gardens",
    "along",
    "bars",
    "bearing",
    "bed_on",
    "bed",
    "between_readings",
    "calendar",
    "compared",
    "dots",
    "on_page",
    "gardens_and_whole",
    "heights",
    "leading",
    "history",
    "one_by_one",
    "rates",
    "scores",
    "short",
    "totals",
    "vector",
]
