"""The verdict: what a trial answers, how surely, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trialkit.models.analysis import Analysis
from trialkit.wording import counted

DESCRIPTION, NOTHING = "description only", "nothing yet"

Mark = Literal["Firm", "Leaning", "Too close", "Level", "Too soon", "No comparison"]
"""Firm: act. Leaning: go on counting. Level: the gap is too small to matter. Too soon: wait. No
comparison: the layout can't tell. Too close: nothing more is to come and luck is not ruled out,
which none of the others says: it is not level, as that would be known, and there is nothing to
wait for or to go on with."""


@dataclass(frozen=True)
class Verdict:
    """answer: two sentences at most.  how_sure, next_step: a sentence or three each.
    state: "settled", "alike", "keep picking", "will not
    be settled this season", "description only" (no comparison can be made) or "nothing yet".
    mark: how sure, in a word or two; "Leaning" only while more is to come.
    sentence: the answer in one sentence; a second says what could turn it (lost plants, a late
    variety, one out of reach) where both have at most 27 words; where `answer` begins with it, the
    rest of it is what more there is to say.  pair: the variety ahead
    and the one it is told beside; empty where there is none.  headline: the answer in at
    most four words, where they do not follow from the rest; else empty. means: what a reader may
    make of the mark, where the mark alone does not say."""

    answer: str
    how_sure: str
    next_step: str
    state: str
    mark: Mark = "No comparison"
    sentence: str = ""
    pair: tuple[str, ...] = ()
    headline: str = ""
    means: str = ""


def plots_of_each(analysis: Analysis) -> str:
    """`4 plots of each variety`, `3 to 5 rows of each variety`."""
    each = analysis.ground.plots_of
    word = {"plot": "plot", "row": "row", "plant": "plant"}.get(analysis.ground.unit, "plot")
    if each.min() == each.max():
        return f"{counted(int(each.min()), word)} of each variety"
    return f"{each.min()} to {each.max()} {word}s of each variety"
