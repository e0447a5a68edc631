"""The season's answer on a club's pages: trials of one crop taken together."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from trialkit import shipped
from trialkit.club.folder import REPORTS, Manifest, Placed
from trialkit.club.trial import KERNEL, program_print
from trialkit.engine import page, run
from trialkit.gardens.stage_one import TrialMeans, common_question
from trialkit.reading.spelling import folded
from trialkit.report.handout import from_json, to_json
from trialkit.report.season import OpenSeason, gardens_and_whole

if TYPE_CHECKING:
    from trialkit.gardens.answer import SeasonAnswer


class CropSeason(NamedTuple):
    """A crop, its trials, and what they say together: None with fewer than two, a sentence where
    it could not be worked out.  without : trials that are not in it, since they give no means.
    means : of the trials in it, to what most of them ask.  html : its own page, "" where there is
    none."""

    crop: str
    placed: tuple[Placed, ...]
    answer: SeasonAnswer | str | None
    without: int = 0
    means: tuple[TrialMeans, ...] = ()
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
    known = [means for trial in group if (means := _means(trial))]
    asked = common_question([means[0].question for means in known])
    used = tuple(one for means in known for one in means if one.answers == asked)
    if len(used) < 2:
        return CropSeason(crop, tuple(group), None)
    try:
        from trialkit.gardens.season import combine

        answer: SeasonAnswer | str = combine(used)
    except Exception:  # a fault here must not take the reports of all trials with it
        answer = "What the gardens say together could not be worked out: a fault in trialkit."
    return CropSeason(crop, tuple(group), answer, len(group) - len(used), used)


def _means(trial: Placed) -> list[TrialMeans]:
    """The trial's means, of its own question first where it has them; none where they were kept
    by another trialkit."""
    try:
        return [replace(from_json(plain), folder=f"trial {trial.number}")
                for plain in trial.facts.get("means") or ()]
    except (TypeError, ValueError, LookupError):
        return []


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
        means = json.dumps([to_json(one) for one in crop.means])
        key = hashlib.sha256(f"{program_print()} {means}".encode()).hexdigest()[:32]
        if old.seasons.get(crop.page) == key and old.as_written(crop.page):
            html = (old.site / crop.page).read_text(encoding="utf-8")
        else:
            html = _made(means)
        if html:
            keys[crop.page] = key
        whole.append(crop._replace(html=html))
    return whole, keys


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
