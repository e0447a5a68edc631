"""From a trial's records to the answer: what is shown, how surely, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from trialkit.decide.changes import since_last
from trialkit.decide.limits import cannot_tell
from trialkit.decide.looks_method import looks_method
from trialkit.decide.rowsalone import SeenRows, rows_alone
from trialkit.decide.series import Looks, looks_so_far, means_so_far, season_over, totals_so_far
from trialkit.decide.verdict import TOO_WIDE, Verdict, verdict
from trialkit.design.audit import RowsExplain
from trialkit.models.analysis import Analysis, analyse
from trialkit.models.height import HeightResult
from trialkit.models.results import MethodNote, Missing, TraitResult
from trialkit.models.totals import PlotTotals
from trialkit.records import Records
from trialkit.wording import day

TABLE = [
    "variety", "check", "gave", "gave_low", "gave_high", "ratio", "ratio_low", "ratio_high",
    "state", "out_of_reach", "out_low", "out_high", "lost", "planted",
]

@dataclass(frozen=True)
class Quantity:
    """What the answer is about: its label, its unit, and whether varieties may be compared."""

    label: str
    unit: str
    supported: bool


@dataclass(frozen=True)
class Conclusion:
    """What the report reads from; each part is worked out when first asked for, once."""

    records: Records
    analysis: Analysis = field(repr=False)
    seen: SeenRows | None = None

    @cached_property
    def looks(self) -> Looks | None:
        """Every comparison as looked at after every pick; None where none can be made."""
        return looks_so_far(self.analysis, self.totals)

    @cached_property
    def totals(self) -> PlotTotals | None:
        """Pods a plot up to each look; None where nothing was counted."""
        return totals_so_far(self.analysis)

    @property
    def season_over(self) -> bool:
        """Whether the totals are those of the whole season."""
        return self.totals is not None and season_over(self.analysis)

    @property
    def as_of(self) -> pd.Timestamp | None:
        """The day the totals are up to; None where nothing was counted."""
        return None if self.totals is None else self.totals.day[-1]

    @cached_property
    def looks_method(self) -> MethodNote | None:
        """How the comparisons were looked at; None where none can be made."""
        return None if self.looks is None else looks_method(self.analysis, self.looks)

    @cached_property
    def verdict(self) -> Verdict:
        """The answer, how sure it is, the next step, and what cannot be told."""
        open_questions = cannot_tell(self.analysis, self.looks)
        return verdict(self.analysis, self.looks, self.totals, self.table, open_questions,
                       self.rows)

    @cached_property
    def rows(self) -> RowsExplain | None:
        """How unlike rows would have to be to explain it all; None unless each stood alone."""
        return rows_alone(self.analysis, self.seen)

    @cached_property
    def since_last(self) -> tuple[str, ...]:
        """What changed since the pick before the last, in sentences."""
        return since_last(self.analysis, self.looks)

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row a variety, best first.

        variety, check (bool); gave, gave_low, gave_high: picked a plant planted up to `as_of`,
        losses counted (of the weight or count harvested, for a crop dug once); ratio, ratio_low,
        ratio_high: that over the check's, its interval good for looking after every pick (NaN
        while it is too early for one) (difference for a crop dug once); state: of that
        comparison at the newest look, "" for the check;
        out_of_reach, out_low, out_high: dates, NaT for not by the last measurement; lost,
        planted: plants.  NaN where not known.
        """
        return _table(self.analysis, self.looks, self.totals)

    @property
    def quantity(self) -> Quantity | None:
        """What `gave` of the table is; None where nothing was counted, weighed or measured."""
        harvest = self.analysis.harvest
        if isinstance(self.analysis.pods, Missing) and isinstance(harvest, TraitResult):
            return Quantity(harvest.label, harvest.unit, harvest.supported)
        if self.totals is None:
            return None
        counted = self.analysis.counted
        upto = "whole season" if self.season_over else f"up to {day(self.totals.day[-1])}"
        return Quantity(f"{counted} per plant planted, {upto}", f"{counted} a plant",
                        self.looks is not None)

    @property
    def ratio_is(self) -> str:
        """What `ratio` of the table is: "ratio" or "difference"."""
        return "difference" if isinstance(self.analysis.pods, Missing) and isinstance(
            self.analysis.harvest, TraitResult) else "ratio"


def conclude(records: Records, seen: SeenRows | None = None) -> Conclusion:
    """The conclusion of a trial so far.  Never raises for what was recorded.

    seen: how much rows or plots differed in the grower's own replicated trials, where known."""
    return Conclusion(records, analyse(records), seen)


def _table(
    analysis: Analysis, looks: Looks | None, totals: PlotTotals | None
) -> pd.DataFrame:
    check = analysis.check
    out = pd.DataFrame({"variety": analysis.order})
    out["check"] = out["variety"] == check
    yields: TraitResult | Missing = analysis.season
    gave = None if totals is None else means_so_far(totals, looks is not None)
    if isinstance(yields, Missing) and isinstance(analysis.harvest, TraitResult):
        yields, gave = analysis.harvest, analysis.harvest.means
    for column, source in (("gave", "estimate"), ("gave_low", "low"), ("gave_high", "high")):
        out[column] = _mapped(out["variety"], gave, source)
    dug = yields if yields is analysis.harvest and isinstance(yields, TraitResult) else None
    for column, source in (("ratio", "estimate"), ("ratio_low", "low"), ("ratio_high", "high")):
        out[column] = _mapped(out["variety"], None if dug is None else dug.against_check, source)
    out["state"] = ""
    if looks is not None and looks.against_check:
        for at, variety in enumerate(out["variety"]):
            result = looks.results.get((variety, str(check)))
            if result is None:
                continue
            # A variety that gave nothing has no ratio; only its limits say something.
            if np.isfinite(result.estimate) and not _nothing(out, variety, str(check)):
                out.loc[at, "ratio"] = np.exp(result.estimate)
            narrow = np.isfinite(result.low) and result.high - result.low < TOO_WIDE
            ends = np.exp([result.low, result.high]) if narrow else [np.nan, np.nan]
            out.loc[at, ["ratio_low", "ratio_high"]] = ends
            out.loc[at, "state"] = result.state
    if dug is not None or (looks is not None and looks.against_check):
        out.loc[out["check"], "ratio"] = 1.0 if dug is None or dug.scale == "ratio" else 0.0
    height = analysis.height
    for column in ("out_of_reach", "out_low", "out_high"):
        out[column] = pd.NaT
    if isinstance(height, HeightResult) and len(height.reach):
        reach = height.reach.set_index("variety")
        for column, source in (("out_of_reach", "date"), ("out_low", "low"), ("out_high", "high")):
            out[column] = out["variety"].map(reach[source])
    plants = analysis.records.plants.drop_duplicates("plant")
    grouped = plants.groupby("variety")
    out["lost"] = out["variety"].map(grouped["lost"].count()).fillna(0).astype(int)
    out["planted"] = out["variety"].map(grouped.size()).fillna(0).astype(int)
    by = "gave" if out["gave"].notna().any() else "ratio"
    return out.sort_values(by, ascending=False, kind="stable", na_position="last")[
        TABLE].reset_index(drop=True)


def _nothing(table: pd.DataFrame, *names: str) -> bool:
    """Whether one of these varieties gave nothing."""
    return bool((table.loc[table["variety"].isin(names), "gave"] == 0).any())


def _mapped(names: pd.Series, frame: pd.DataFrame | None, column: str) -> pd.Series:
    if frame is None or frame.empty:
        return pd.Series(np.nan, index=names.index)
    return names.map(frame.set_index("variety")[column]).astype(float)
