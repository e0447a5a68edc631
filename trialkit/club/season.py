"""The season's answer on a club's pages: trials of one crop taken together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from trialkit.club.folder import Placed
from trialkit.gardens.stage_one import TrialMeans
from trialkit.reading.spelling import folded
from trialkit.report.clubfacts import from_json

if TYPE_CHECKING:
    from trialkit.gardens.answer import SeasonAnswer


class CropSeason(NamedTuple):
    """A crop, its trials, and what they say together: None with fewer than two, a sentence where
    it could not be worked out.  without : trials that are not in it, since they give no means."""

    crop: str
    placed: tuple[Placed, ...]
    answer: SeasonAnswer | str | None
    without: int = 0


def seasons(placed: Sequence[Placed]) -> list[CropSeason]:
    """The trials by crop, crops in the order they are first met."""
    crops: dict[str, list[Placed]] = {}
    for one in placed:
        crops.setdefault(folded(str(one.facts["crop"])), []).append(one)
    return [_together(group) for group in crops.values()]


def _together(group: Sequence[Placed]) -> CropSeason:
    crop = str(group[0].facts["crop"])
    firsts = [first for one in group if (first := _first(one)) is not None]
    if len(firsts) < 2:
        return CropSeason(crop, tuple(group), None)
    try:
        from trialkit.gardens.season import combine

        answer: SeasonAnswer | str = combine(firsts)
    except Exception:  # a fault here must not take the reports of all trials with it
        answer = "What the gardens say together could not be worked out: a fault in trialkit."
    return CropSeason(crop, tuple(group), answer, len(group) - len(firsts))


def _first(one: Placed) -> TrialMeans | None:
    """The trial's means; None where it has none, or they were kept by another trialkit."""
    try:
        plain = one.facts.get("first")
        return replace(from_json(plain), folder=f"trial {one.number}") if plain else None
    except (TypeError, ValueError, LookupError):
        return None
