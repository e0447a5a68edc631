"""The season's answer on a club's pages: trials of one crop taken together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from trialkit.gardens.first import Failed, FirstStage, Spreads
from trialkit.reading.spelling import folded
from trialkit.reporting.clubfolder import Placed

if TYPE_CHECKING:
    from trialkit.gardens.second import SeasonAnswer


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
        from trialkit.gardens.second import second_stage

        answer: SeasonAnswer | str = second_stage(firsts)
    except Exception:  # a fault here must not take the reports of all trials with it
        answer = "What the gardens say together could not be worked out: a fault in trialkit."
    return CropSeason(crop, tuple(group), answer, len(group) - len(firsts))


def _first(one: Placed) -> FirstStage | None:
    """The trial's means; None where it has none, or they were kept by another trialkit."""
    try:
        plain = one.facts.get("first")
        return replace(from_json(plain), folder=f"trial {one.number}") if plain else None
    except (TypeError, ValueError, LookupError):
        return None


def to_json(first: FirstStage | Failed) -> dict[str, Any] | None:
    """A trial's means as plain JSON, NaN as None; None for a trial without any."""
    if isinstance(first, Failed):
        return None
    plain = asdict(first)
    plain["estimates"] = first.estimates.tolist()
    plain["covariance"] = None if first.covariance is None else first.covariance.tolist()
    found: dict[str, Any] = _without_nan(plain)
    return found


def from_json(plain: Mapping[str, Any]) -> FirstStage:
    """Back from `to_json`.  Raises TypeError, ValueError or LookupError for anything else."""
    values: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value
                              for name, value in plain.items()}  # fmt: skip
    joint = values["covariance"]
    values["covariance"] = None if joint is None else np.array(joint, dtype=np.float64)
    values["estimates"] = np.array(values["estimates"], dtype=np.float64)
    values["df"] = _nan(values["df"])
    values["spreads"] = Spreads(**{k: _nan(v) for k, v in values["spreads"].items()})
    return FirstStage(**values)


def _nan(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(one) for one in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value
