"""Stage 1: one trial by its own model, boiled down to what the season needs of it.

Two-stage analysis after Piepho, Moehring, Schulz-Streeck & Ogutu (2012, Biometrical Journal
54:844): the variety means of a trial go on with their full covariance matrix, the records stay
behind.  A result is a few kilobytes however many picks a trial has.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from trialkit.mixed import LMM, MixedModelError
from trialkit.mixed.terms import marginal_rows
from trialkit.models import Missing, analyse
from trialkit.models.harvest import HarvestResult
from trialkit.models.own import OwnResult
from trialkit.models.pods import PodsResult
from trialkit.reading.spelling import folded
from trialkit.reading.units import own_weight
from trialkit.records import Records, RecordsError, read_records
from trialkit.trial import TrialProblems

if TYPE_CHECKING:
    from trialkit.models.analysis import Analysis

Floats = npt.NDArray[np.float64]
Scale = Literal["log", "linear"]
TRAITS = ("auto", "pods", "harvest")


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of one trial on the model's scale; NaN where it has no such term.

    For counts they are of the logarithm, `dispersion` is that of the negative binomial beside
    them; for a harvest they are in its unit, and the residual is the plant's (the plot's, where
    a plot is one record).
    """

    block: float = float("nan")
    plot: float = float("nan")
    plant: float = float("nan")
    pick: float = float("nan")
    dispersion: float = float("nan")


@dataclass(frozen=True)
class OwnAnswer:
    """What a trial's own report says.

    answer, how_sure, next_step, cannot_tell, state: of `decide.Verdict`.  against: a line a
    variety in the report's order: name, ratio to (or difference from) the check, its low and
    high; NaN where the report gives none.
    """

    answer: str
    how_sure: str
    next_step: str
    cannot_tell: tuple[str, ...]
    state: str
    against: tuple[tuple[str, float, float, float], ...]


@dataclass(frozen=True, eq=False)
class TrialMeans:
    """One trial's variety means and how well they are known.

    folder: the folder's name.  place: the garden's name folded, the same for every year of a
    garden.  scale: "log" (estimates are logarithms of `unit`; differences are ratios) or
    "linear".  estimates: (m,) in the order of `varieties`.  covariance: (m, m), None where the
    layout gives no measure of error.  df: degrees of freedom behind it, NaN without one.  plots:
    (m,) plots a variety was given to.  own: what the trial's own report says, None unless asked
    for.  better: of a trait of the gardener's own "more", "less" or "" for neither; else None.
    notes: what a reader of the season should know of this trial.  barren: varieties that gave
    nothing at all there, which no ratio can show.  weight_unit: what the gardener weighs in
    (estimates of weights are in g all the same; "g" for a harvest in a unit of its own).
    question: what the trial itself was to answer, as trial.toml says.
    """

    folder: str
    title: str
    garden: str
    place: str
    year: int
    crop: str
    counted: str
    trait: str
    label: str
    unit: str
    scale: Scale
    varieties: tuple[str, ...]
    check: str | None
    estimates: Floats
    covariance: Floats | None
    df: float
    replicated: bool
    why_not: str
    blocks: int
    plots: tuple[int, ...]
    spreads: Spreads
    doubts: int
    fingerprint: str
    invented: bool = False
    source: str = ""
    notes: tuple[str, ...] = ()
    barren: tuple[str, ...] = ()
    weight_unit: str = "g"
    own: OwnAnswer | None = None
    better: str | None = None
    question: str = "yield"


@dataclass(frozen=True)
class Failed:
    """A folder that gave no variety means, and why."""

    folder: str
    reason: str


@dataclass(frozen=True)
class StoredTrial(ABC):
    """A trial whose records are kept otherwise than in a folder of its own.

    folder: the name of the folder they came from.
    """

    folder: str

    @abstractmethod
    def read(self, until: date | None = None) -> Records | Failed:
        """Its records."""


def trial_means(
    folder: Path | StoredTrial, trait: str = "auto", until: date | None = None, *,
    words: bool = True,
) -> TrialMeans | Failed:
    """Work out one trial.  Never raises for what was recorded: the reason comes back instead.

    trait: "pods" (counts, a log scale), "harvest" (dug or cut once, in its own unit), the name of
    a trait of the gardener's own (its model's scale: odds and ratios as logarithms), or "auto":
    pods where any were counted.  until: leave out what was recorded later.  words: also word the
    trial's own answer, which takes as long again.
    """
    name = folder.folder if isinstance(folder, StoredTrial) else Path(folder).resolve().name
    try:
        records = read_trial(folder, until)
        if isinstance(records, Failed):
            return records
        return _worked_out(name, analyse(records), trait, words)
    except Exception as fault:  # noqa: BLE001  (a fault in one trial must not end the others)
        return Failed(name, f"a fault in trialkit: {type(fault).__name__}: {fault}")


def read_trial(trial: Path | StoredTrial, until: date | None = None) -> Records | Failed:
    """The records of a trial folder or of a trial kept elsewhere, or why there are none."""
    if isinstance(trial, StoredTrial):
        return trial.read(until)
    name = Path(trial).resolve().name
    if not (Path(trial) / "trial.toml").is_file():
        return Failed(name, "there is no trial in it: it has no trial.toml")
    try:
        return read_records(Path(trial), until=until)
    except (RecordsError, TrialProblems) as problems:
        return Failed(name, f"its records have errors. {problems}")
    except OSError as error:
        return Failed(name, f"it cannot be read: {error}")


def means_of(analysis: Analysis, name: str, trait: str = "auto") -> TrialMeans | Failed:
    """Stage 1 of a trial that is analysed already; `name` stands for its folder."""
    return _worked_out(name, analysis, trait, words=False)


def _worked_out(name: str, analysis: Analysis, trait: str, words: bool) -> TrialMeans | Failed:
    try:
        result = _trait(analysis, trait)
        if isinstance(result, Missing):
            return Failed(name, result.reason)
        varieties, estimates, covariance, df = _means(result)
        spreads = _spreads(result)
        own = _own_answer(analysis, result) if words else None
    except (MixedModelError, np.linalg.LinAlgError) as error:
        return Failed(name, f"its model could not be fitted: {error}")
    if not varieties or not np.isfinite(estimates).all():
        return Failed(name, "no variety has a mean that could be worked out")
    about, records = analysis.records.trial, analysis.records
    means = result.means.set_index("variety")["plots"]
    return TrialMeans(
        folder=name, title=about.title, garden=about.garden or name,
        place=folded(about.garden or name), year=about.planted.year, crop=about.crop,
        counted=about.counted, trait=result.trait, label=result.label, unit=result.unit,
        scale="linear" if result.scale == "difference" else "log", varieties=varieties,
        check=about.check, estimates=estimates, covariance=covariance, df=df,
        replicated=covariance is not None, why_not=result.why_not,
        blocks=int(analysis.ground.units["block"].nunique()),
        plots=tuple(int(means[v]) for v in varieties), spreads=spreads,
        doubts=len(records.doubts), fingerprint=records.fingerprint, invented=about.invented,
        source=about.source, notes=tuple(result.notes),
        barren=tuple(str(v) for v in means.index if v not in varieties and means[v] > 0),
        weight_unit="g" if about.harvest_unit or isinstance(result, OwnResult)
        else about.weight_unit, own=own,
        better=result.better if isinstance(result, OwnResult) else None,
        question=about.question,
    )


def _trait(analysis: Analysis, trait: str) -> PodsResult | HarvestResult | OwnResult | Missing:
    if trait == "harvest":
        return analysis.harvest
    if trait not in TRAITS:
        own = {folded(name): result for name, result in analysis.own.items()}
        none = Missing(trait, f"its trial.toml declares no trait {trait!r}; there are "
                       + ", ".join((*TRAITS, *analysis.own)))
        found = own.get(folded(trait), none)
        return found if isinstance(found, OwnResult | Missing) else none
    pods = analysis.pods
    if trait == "auto" and isinstance(pods, Missing) and not isinstance(analysis.harvest, Missing):
        return analysis.harvest
    return pods


def _means(
    result: PodsResult | HarvestResult | OwnResult,
) -> tuple[tuple[str, ...], Floats, Floats | None, float]:
    """Varieties, their means on the model's scale, full covariance and its df."""
    if isinstance(result, PodsResult):
        joint = result.covariance if result.supported else None
        # A day's rate becomes a week's, the unit the report speaks in.
        return result.varieties, result.log_rate + np.log(7.0), joint, result.df
    if isinstance(result, OwnResult):
        return _own_means(result)
    means = result.means.dropna(subset=["estimate"])
    varieties = tuple(str(v) for v in means["variety"])
    estimates = means["estimate"].to_numpy(dtype=np.float64)
    if not result.supported or result.fit is None:
        return varieties, estimates, None, float("nan")
    labels, rows = marginal_rows(result.fit.part, "variety")
    at = [list(labels["variety"]).index(v) for v in varieties]
    rows = rows[:, result.fit.part.kept][at]
    joint = rows @ result.fit.cov_fixed.to_numpy() @ rows.T
    return varieties, estimates, joint, float(means["df"].min())


def _own_means(
    result: OwnResult,
) -> tuple[tuple[str, ...], Floats, Floats | None, float]:
    """Of a trait of one's own: on the scale of its model; plain means where none was fitted, which
    of scores, shares and counts are none to set beside other gardens'."""
    means = result.means
    if result.level is not None and result.supported:
        varieties = tuple(str(v) for v in means["variety"])
        return varieties, result.level, result.covariance, float(means["df"].min())
    plain = means.dropna(subset=["estimate"])
    if result.scale != "difference":
        return (), np.zeros(0), None, float("nan")
    return (tuple(str(v) for v in plain["variety"]), plain["estimate"].to_numpy(np.float64), None,
            float("nan"))


def _spreads(result: PodsResult | HarvestResult | OwnResult) -> Spreads:
    if isinstance(result, OwnResult):
        return Spreads()
    fit = result.fit
    if fit is None:
        return Spreads()
    sd = {str(name): float(value) for name, value in fit.group_sd.items()}
    nan = float("nan")
    plot = sd.get("unit", sd.get("main", nan))
    if isinstance(fit, LMM):
        alone = np.isnan(plot)  # a plot is one record, so that its spread is the residual
        return Spreads(sd.get("block", nan), fit.residual_sd if alone else plot,
                       nan if alone else fit.residual_sd)
    return Spreads(sd.get("block", nan), plot, sd.get("plant", nan), sd.get("pick", nan),
                   float(fit.dispersion))


def _own_answer(
    analysis: Analysis, result: PodsResult | HarvestResult | OwnResult
) -> OwnAnswer | None:
    if isinstance(result, OwnResult):
        return None  # the report's answer is about another thing
    from trialkit.decide import Conclusion
    from trialkit.reading.units import own_weight

    # A season of yields tells the trial's yield, whatever else the trial asked for.
    conclusion = Conclusion(analysis.records, analysis).of_yield
    verdict, about = conclusion.verdict, analysis.records.trial
    scale = 1.0  # the report's differences are in g, its page's in the gardener's own unit
    if result.scale != "ratio" and not about.harvest_unit:
        scale, _ = own_weight(result.unit, about.weight_unit)
    table = conclusion.table
    against = tuple(
        (str(name), float(ratio) / scale, float(low) / scale, float(high) / scale)
        for name, ratio, low, high in zip(table["variety"], table["ratio"], table["ratio_low"],
                                          table["ratio_high"], strict=True)
    )
    return OwnAnswer(
        verdict.answer,
        verdict.how_sure,
        verdict.next_step,
        tuple(verdict.cannot_tell),
        verdict.state,
        against,
    )


def in_own_unit(trials: Sequence[TrialMeans]) -> list[TrialMeans]:
    """Trials weighed in one unit given in it; in grams where gardeners use different ones.

    Ratios need no unit and stay.  A change of scale alters no test: estimates are divided by it,
    their covariance by its square.
    """
    weighed = {trial.weight_unit for trial in trials if trial.scale == "linear"}
    if len(weighed) != 1:
        return list(trials)
    (unit,) = weighed
    return [_scaled(trial, *own_weight(trial.unit, unit)) for trial in trials]


def _scaled(trial: TrialMeans, scale: float, unit: str) -> TrialMeans:
    if trial.scale != "linear" or scale == 1.0:
        return trial
    s, joint = trial.spreads, trial.covariance
    return replace(
        trial, unit=unit, estimates=trial.estimates / scale,
        covariance=None if joint is None else joint / scale**2,
        spreads=replace(s, block=s.block / scale, plot=s.plot / scale, plant=s.plant / scale),
    )
