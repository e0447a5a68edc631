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
from trialkit.decide.series import Looks, looks_so_far
from trialkit.decide.verdict import Verdict, verdict
from trialkit.design.audit import RowsExplain
from trialkit.models.analysis import Analysis, analyse
from trialkit.models.height import HeightResult
from trialkit.models.results import MethodNote, Missing, TraitResult
from trialkit.records import Records

TABLE = [
    "variety", "check", "within_reach", "within_low", "within_high", "ratio", "ratio_low",
    "ratio_high", "state", "as_of", "out_of_reach", "out_low", "out_high", "lost", "planted",
]

WIDEST = float(np.log(100.0))
"""An interval whose ends are a hundredfold apart says nothing yet, and is not shown."""


@dataclass(frozen=True)
class Conclusion:
    """What the report reads from; each part is worked out when first asked for, once."""

    records: Records
    analysis: Analysis = field(repr=False)
    seen: SeenRows | None = None

    @cached_property
    def looks(self) -> Looks | None:
        """Every comparison as looked at after every pick; None where none can be made."""
        return looks_so_far(self.analysis)

    @cached_property
    def looks_method(self) -> MethodNote | None:
        """How the comparisons were looked at; None where none can be made."""
        return None if self.looks is None else looks_method(self.analysis, self.looks)

    @cached_property
    def verdict(self) -> Verdict:
        """The answer, how sure it is, the next step, and what cannot be told."""
        open_questions = cannot_tell(self.analysis, self.looks)
        return verdict(self.analysis, self.looks, self.table, open_questions, self.rows)

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

        variety, check (bool); within_reach, within_low, within_high: pods a plant a week within
        reach (of the weight or count harvested, for a crop dug once); ratio, ratio_low,
        ratio_high: season yield over the check's, from the plots' totals, its interval good for
        looking after every pick (NaN while it is too early for one)
        (difference for a crop dug once); state: of that comparison, "" for the check; as_of: the
        look that ratio and interval are of, where it is settled and the newest look would not
        bear it out (beyond the plan, or less clear again), else NaT;
        out_of_reach, out_low, out_high: dates, NaT for not by the last measurement; lost,
        planted: plants.  NaN where not known.
        """
        return _table(self.analysis, self.looks)

    @property
    def ratio_is(self) -> str:
        """What `ratio` of the table is: "ratio" or "difference"."""
        return "difference" if isinstance(self.analysis.pods, Missing) and isinstance(
            self.analysis.harvest, TraitResult) else "ratio"


def conclude(records: Records, seen: SeenRows | None = None) -> Conclusion:
    """The conclusion of a trial so far.  Never raises for what was recorded.

    seen: how much rows or plots differed in the grower's own replicated trials, where known."""
    return Conclusion(records, analyse(records), seen)


def _table(analysis: Analysis, looks: Looks | None) -> pd.DataFrame:
    check = analysis.check
    out = pd.DataFrame({"variety": analysis.order})
    out["check"] = out["variety"] == check
    main: TraitResult | Missing = analysis.window
    yields: TraitResult | Missing = analysis.season
    if isinstance(main, Missing) and isinstance(analysis.harvest, TraitResult):
        main = yields = analysis.harvest
    for column, source in (("within_reach", "estimate"), ("within_low", "low"),
                           ("within_high", "high")):
        out[column] = _mapped(out["variety"], None if isinstance(main, Missing) else main.means,
                              source)
    for column, source in (("ratio", "estimate"), ("ratio_low", "low"), ("ratio_high", "high")):
        table = None if isinstance(yields, Missing) else yields.against_check
        out[column] = _mapped(out["variety"], table, source)
    out["state"], out["as_of"] = "", pd.NaT
    if looks is not None and looks.against_check:
        for at, variety in enumerate(out["variety"]):
            found = looks.results.get((variety, str(check)))
            if found is None:
                continue
            shown = found.claim or found
            if found.claim is not None and not found.claim.newest:
                out.loc[at, "as_of"] = pd.Timestamp(found.claim.date)
            if np.isfinite(shown.estimate):
                out.loc[at, "ratio"] = np.exp(shown.estimate)
            told = np.isfinite(shown.low) and shown.high - shown.low < WIDEST
            ends = np.exp([shown.low, shown.high]) if told else [np.nan, np.nan]
            out.loc[at, ["ratio_low", "ratio_high"]] = ends
            out.loc[at, "state"] = found.state
    if not isinstance(yields, Missing) and check in set(yields.means["variety"]):
        out.loc[out["check"], "ratio"] = 1.0 if yields.scale == "ratio" else 0.0
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
    by = "within_reach" if out["within_reach"].notna().any() else "ratio"
    return out.sort_values(by, ascending=False, kind="stable", na_position="last")[
        TABLE].reset_index(drop=True)


def _mapped(names: pd.Series, frame: pd.DataFrame | None, column: str) -> pd.Series:
    if frame is None or frame.empty:
        return pd.Series(np.nan, index=names.index)
    return names.map(frame.set_index("variety")[column]).astype(float)
