"""All traits of one trial, each a result or the reason there is none."""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pandas as pd

from trialkit.mixed import MixedModelError
from trialkit.models.harvest import HarvestResult, harvest_trait
from trialkit.models.height import HeightResult, height_trait
from trialkit.models.own import OwnResult, own_trait
from trialkit.models.picked import (
    Diagnostics,
    PodsResult,
    WeightsResult,
    diagnose,
    picking_trait,
    pods_trait,
    weights_trait,
)
from trialkit.models.position import PositionResult, position_trait
from trialkit.models.rate import RateResult, Warmth, hot_spells, rate_trait, warmth
from trialkit.models.results import Missing, TraitResult
from trialkit.models.season_yield import SeasonResult, Worth, season_trait, worth_of
from trialkit.models.stand import StandResult, stand_trait
from trialkit.models.support import Support, support
from trialkit.models.totals import (
    Harvested,
    Measured,
    PlotTotals,
    Tally,
    counted_looks,
    harvested_of,
    measured_of,
    plot_totals,
    tally_of,
)
from trialkit.models.window import FIRST, HALF, EarlyResult, WindowResult, early_trait, window_trait
from trialkit.records import Records
from trialkit.records.owntraits import values_of
from trialkit.records.schema import TRAITS, Trait

if TYPE_CHECKING:
    from trialkit.design.audit import Audit
    from trialkit.trial import OwnTrait

T = TypeVar("T")

FAULT = "it could not be worked out"
"""Begins the reason of a trait that ended in a fault of the program."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Analysis:
    """What the records of a trial show.  Traits are worked out when first asked for, once."""

    records: Records

    @cached_property
    def audit(self) -> Audit:
        """What the layout can support; comes before any number."""
        from trialkit.design.audit import audit

        return audit(self.records)

    @cached_property
    def ground(self) -> Support:
        return support(self.records, self.audit)

    @cached_property
    def looks(self) -> pd.DataFrame:
        """One row a look at a plant; see `totals.counted_looks`."""
        return counted_looks(self.records)

    @cached_property
    def tally(self) -> Tally:
        """The looks placed in the layout, and their sums."""
        return tally_of(self.looks, self.ground)

    @cached_property
    def heights(self) -> Measured:
        """Every height that was measured, cm."""
        return measured_of(self.records, self.ground,
                           self.records.heights.dropna(subset=["height_cm"]), "height_cm")

    @cached_property
    def harvested(self) -> Harvested | str:
        """What was dug or cut once, added up; why there is nothing."""
        return harvested_of(self.records, self.ground)

    @property
    def check(self) -> str | None:
        return self.records.trial.check

    @property
    def counted(self) -> str:
        return self.records.trial.counted or "pods"

    @property
    def order(self) -> list[str]:
        """Varieties as the trial lists them."""
        return list(self.records.trial.variety_names)

    @property
    def season_over(self) -> bool:
        """Whether no look will follow: trial.toml says when the trial ended, or no plant is left.

        A report of an earlier day (`until`) is not over, nor is a trial picked again after the
        day it is said to have ended.
        """
        records = self.records
        last = pd.Timestamp(self.yields["date"].max())
        ended = records.trial.ended
        if ended is not None and (records.until is None or records.until >= ended):
            return bool(last <= pd.Timestamp(ended))
        lost = self.ground.plants["lost"]
        return bool(len(lost) and lost.notna().all())

    @cached_property
    def yields(self) -> pd.DataFrame:
        """One row a look at a plant with what was picked (`pods`): counts, or grams where picks
        were weighed and never counted."""
        if len(self.looks) or not self.weighed:
            return self.looks
        looks = self.weights.seen.rename(  # type: ignore[union-attr]
            columns={"weight_g": "pods"}).drop(columns=["count"])
        return looks.sort_values(["date", "plant"], kind="stable").reset_index(drop=True)

    @property
    def weighed(self) -> bool:
        """Whether what was picked is known by weight alone."""
        return self.looks.empty and isinstance(self.weights, WeightsResult)

    @cached_property
    def totals(self) -> PlotTotals | None:
        """What each plot had given up to each look, in pods, or g where only weights are known;
        None where nothing has been counted or weighed."""
        return plot_totals(self.yields, self.records, self.ground, over=self.season_over)

    @cached_property
    def totals_within_reach(self) -> PlotTotals | None:
        """The same without what was picked above reach; None where it cannot be told: heights,
        the reach, or where the crop bears are not known."""
        trial = self.records.trial
        if self.yields.empty or trial.bears is None or trial.reach_cm is None or (
                self.heights.data.empty):
            return None
        if trial.bears == "along":
            return self.totals
        return plot_totals(self.yields, self.records, self.ground, over=self.season_over,
                           heights=self.heights)

    @cached_property
    def first_pick(self) -> EarlyResult | Missing:
        """Days from planting to the first pick with something."""
        return self._early(FIRST)

    @cached_property
    def halfway(self) -> EarlyResult | Missing:
        """Days from planting to half of the season's harvest; exists once the season is over."""
        return self._early(HALF)

    @property
    def earliness(self) -> EarlyResult | Missing:
        """How early each variety is: by the day half of the season's harvest was in, by the first
        pick while the season lasts."""
        return self.halfway or self.first_pick

    def _early(self, which: str) -> EarlyResult | Missing:
        planted = pd.Timestamp(self.records.trial.planted)
        return _tried(which, lambda: early_trait(
            self.totals, which, planted, self.order, self.check, self.ground.supported,
            self.ground.why_not, self.season_over))

    @cached_property
    def pods(self) -> PodsResult | Missing:
        return _tried("pods", lambda: pods_trait(
            self.tally, self.ground, self.order, self.check, self.counted))

    @cached_property
    def picks_per_week(self) -> TraitResult | Missing:
        return _tried("picks_per_week", lambda: picking_trait(
            self.tally, self.ground, self.order, self.check))

    @cached_property
    def season(self) -> SeasonResult | Missing:
        pods = self.pods
        if isinstance(pods, Missing):
            return Missing("season", pods.reason)
        return _tried("season", lambda: season_trait(
            self.records, pods, self.check, self.counted, self.ground))

    @cached_property
    def height(self) -> HeightResult | Missing:
        return _tried("height", lambda: height_trait(
            self.records, self.heights, self.ground, self.order, self.check))

    @cached_property
    def hot(self) -> tuple[tuple[pd.Timestamp, pd.Timestamp], ...]:
        """First and last day of each hot spell since planting; empty without weather."""
        return hot_spells(self.records.weather)

    @cached_property
    def warmth(self) -> Warmth | None:
        """Growing degree days since planting; None without weather."""
        return warmth(self.records.weather, self.records.trial.planted)

    @cached_property
    def rate(self) -> RateResult | Missing:
        pods = self.pods
        if isinstance(pods, Missing):
            return Missing("rate", pods.reason)
        return _tried("rate", lambda: rate_trait(pods, self.ground, self.hot, self.counted))

    @cached_property
    def window(self) -> WindowResult | Missing:
        pods = self.pods
        if isinstance(pods, Missing):
            return Missing("window", pods.reason)
        return _tried("window", lambda: window_trait(
            self.records, pods, self.height, self.rate, self.check, self.counted))

    @cached_property
    def position(self) -> PositionResult | Missing:
        pods = self.pods
        if isinstance(pods, Missing):
            return Missing("position", pods.reason)
        return _tried("position", lambda: position_trait(
            self.records, pods, self.ground, self.check, self.counted))

    @cached_property
    def stand(self) -> StandResult | Missing:
        return _tried("stand", lambda: stand_trait(
            self.records, self.ground, self.order, self.check))

    @cached_property
    def harvest(self) -> HarvestResult | Missing:
        return _tried("harvest", lambda: harvest_trait(
            self.records, self.harvested, self.order, self.check))

    @cached_property
    def weights(self) -> WeightsResult | Missing:
        return _tried("weights", lambda: weights_trait(
            self.records, self.ground, self.order, self.check, self.counted))

    @cached_property
    def worth(self) -> Worth | Missing | None:
        """Money a metre of row; None where trial.toml gives no price."""
        return _tried("worth", lambda: worth_of(
            self.records, self.ground, self.season, self.weights, self.harvest))

    @cached_property
    def diagnostics(self) -> Diagnostics:
        """Of the pods model, for the variety furthest from the check."""
        pods = self.pods
        if isinstance(pods, Missing):
            return Diagnostics(remarks=(f"There is nothing to diagnose: {pods.reason}.",))
        against = pods.against_check
        headline = None
        if len(against):
            headline = str(against["variety"].iloc[int(against["estimate"].to_numpy().argmax())])
        diagnosis = _tried("diagnostics", lambda: diagnose(
            self.records, pods, self.ground, headline, self.check))
        if isinstance(diagnosis, Missing):
            return Diagnostics(remarks=(f"Of the diagnostics, {diagnosis.reason}.",))
        return diagnosis

    @property
    def traits(self) -> dict[str, TraitResult | Missing]:
        """Every trait by name, in the order of the report (`records.schema.TRAITS`)."""
        return {trait.name: self.trait(trait) for trait in TRAITS} | self.own

    def trait(self, trait: Trait) -> TraitResult | Missing:
        """One trait: worked out above where others build on it, else by its model alone."""
        if hasattr(type(self), trait.name):
            held: TraitResult | Missing = getattr(self, trait.name)
            return held
        if trait.name not in self._worked_out:
            def work() -> TraitResult | Missing:
                model = import_module(f"trialkit.models.{trait.model}")
                result: TraitResult | Missing = getattr(model, f"{trait.name}_trait")(self)
                return result

            self._worked_out[trait.name] = _tried(trait.name, work)
        return self._worked_out[trait.name]

    @cached_property
    def own(self) -> dict[str, TraitResult | Missing]:
        """The traits of the gardener's own, as trial.toml lists them."""
        def work(trait: OwnTrait) -> OwnResult | Missing:
            measured = measured_of(self.records, self.ground,
                                   values_of(self.records.traits, trait))
            return own_trait(measured, pd.Timestamp(self.records.trial.planted), self.ground,
                             self.order, self.check, trait)

        return {trait.name: _tried(trait.name, partial(work, trait))
                for trait in self.records.trial.traits}

    @cached_property
    def _worked_out(self) -> dict[str, TraitResult | Missing]:
        return {}

    @property
    def missing(self) -> tuple[Missing, ...]:
        """The traits there are no records for, and why."""
        return tuple(t for t in self.traits.values() if isinstance(t, Missing))


def analyse(records: Records) -> Analysis:
    """Analyse a trial.  Never raises for what was recorded: a trait that cannot be worked out
    is a `Missing` with its reason."""
    return Analysis(records)


def _tried(trait: str, work: Callable[[], T | Missing]) -> T | Missing:
    """The trait, or `Missing` with the reason: the model's own words where it cannot be fitted,
    and for any other exception that it could not be worked out, with a line in the log."""
    try:
        with np.errstate(all="ignore"):
            return work()
    except (MixedModelError, np.linalg.LinAlgError) as error:
        return Missing(trait, f"the model could not be fitted: {error}")
    except Exception as error:  # noqa: BLE001  (one trait's fault must not cost the others)
        where = log_fault(trait, error)
        return Missing(trait, f"{FAULT}: {_in_words(error)}", where)


def log_fault(trait: str, error: Exception) -> str:
    """Log a fault of the program with its trace; -> one line of what it is and where it arose.

    Without a handler the trace goes to standard error, and so below the notebook's cell.
    """
    frames = traceback.extract_tb(error.__traceback__)
    where = f" in {Path(frames[-1].filename).name} line {frames[-1].lineno}" if frames else ""
    line = f"{type(error).__name__}: {error}{where}"
    _log.error("fault of the program, please report it: the trait %s could not be worked out: %s",
               trait, line, exc_info=error)
    return line


def _in_words(error: Exception) -> str:
    said = str(error).strip().split("\n")[0]
    kind = type(error).__name__
    return f"a fault of the program ({f'{kind}: {said}' if said else kind})"
