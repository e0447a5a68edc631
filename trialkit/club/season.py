"""The season's answer on a club's pages: trials of one crop taken together."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from trialkit import shipped
from trialkit.club.folder import REPORTS, Manifest, Placed
from trialkit.club.trial import KERNEL, program_print
from trialkit.engine import page, run
from trialkit.gardens.stage_one import TrialMeans
from trialkit.reading.spelling import folded
from trialkit.report.clubfacts import from_json
from trialkit.report.season import OpenSeason, gardens_and_whole

if TYPE_CHECKING:
    from trialkit.gardens.answer import SeasonAnswer


class CropSeason(NamedTuple):
    """A crop, its trials, and what they say together: None with fewer than two, a sentence where
    it could not be worked out.  without : trials that are not in it, since they give no means.
    html : its own page, "" where there is none."""

    crop: str
    placed: tuple[Placed, ...]
    answer: SeasonAnswer | str | None
    without: int = 0
    html: str = ""

    @property
    def page(self) -> str:
        """The place of its own page: named after its first trial, which keeps its number."""
        return f"{REPORTS}/season-{min(one.number for one in self.placed)}.html"

    @property
    def names(self) -> tuple[str, ...]:
        """Its varieties."""
        known = {str(name) for one in self.placed for name in one.facts["names"]}
        return tuple(sorted(known))


def seasons(placed: Sequence[Placed]) -> list[CropSeason]:
    """The trials by crop, crops in the order they are first met."""
    crops: dict[str, list[Placed]] = {}
    for trial in placed:
        crops.setdefault(folded(str(trial.facts["crop"])), []).append(trial)
    return [_together(group) for group in crops.values()]


def _together(group: Sequence[Placed]) -> CropSeason:
    crop = str(group[0].facts["crop"])
    firsts = [first for trial in group if (first := _first(trial)) is not None]
    if len(firsts) < 2:
        return CropSeason(crop, tuple(group), None)
    try:
        from trialkit.gardens.season import combine

        answer: SeasonAnswer | str = combine(firsts)
    except Exception:  # a fault here must not take the reports of all trials with it
        answer = "What the gardens say together could not be worked out: a fault in trialkit."
    return CropSeason(crop, tuple(group), answer, len(group) - len(firsts))


def _first(trial: Placed) -> TrialMeans | None:
    """The trial's means; None where it has none, or they were kept by another trialkit."""
    try:
        plain = trial.facts.get("first")
        return replace(from_json(plain), folder=f"trial {trial.number}") if plain else None
    except (TypeError, ValueError, LookupError):
        return None


def with_pages(
    crops: Sequence[CropSeason], old: Manifest
) -> tuple[list[CropSeason], dict[str, str]]:
    """The crops with the pages of their seasons, and each page's key for the next time.

    A season whose trials gave the same means as the last time keeps its page.  One whose page
    cannot be made has its answer on the index all the same.
    """
    whole, keys = [], {}
    for crop in crops:
        if crop.answer is None or isinstance(crop.answer, str):
            whole.append(crop)
            continue
        means = json.dumps([shown for one in crop.placed if (shown := _shown(one))])
        key = hashlib.sha256(f"{program_print()} {means}".encode()).hexdigest()[:32]
        if old.seasons.get(crop.page) == key and old.as_written(crop.page):
            html = (old.site / crop.page).read_text(encoding="utf-8")
        else:
            html = _made(means)
        if html:
            keys[crop.page] = key
        whole.append(crop._replace(html=html))
    return whole, keys


def _shown(one: Placed) -> dict[str, Any] | None:
    """A trial's means as they may be shown: with no folder."""
    plain = one.facts.get("first")
    return {**plain, "folder": f"trial {one.number}"} if plain and _first(one) else None


def _made(means: str) -> str:
    """The season's page, by its own notebook; "" where that stops."""
    with tempfile.TemporaryDirectory(prefix="trialkit-") as name:
        file = Path(name) / "means.json"
        file.write_text(means, encoding="utf-8")
        try:
            return page.render(KERNEL.execute(shipped.notebook("season"), {"means": str(file)}))
        except run.NotebookStopped:
            return ""


def picture(crop: CropSeason) -> str:
    """Every variety in every garden and over all, as SVG in a figure; "" where there is none."""
    if crop.answer is None or isinstance(crop.answer, str):
        return ""
    name = f"season-{min(one.number for one in crop.placed)}"
    return gardens_and_whole(OpenSeason(crop.answer, None)).html.replace("gardens-and-whole", name)
