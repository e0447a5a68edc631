"""Stage 1: one trial by its own model, boiled down to what the season needs of it.

Two-stage analysis after Piepho, Moehring, Schulz-Streeck & Ogutu (2012, Biometrical Journal
54:844): the variety means of a trial go on with their full covariance matrix, the records stay
behind.  A result is a few kilobytes however many picks a trial has.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from trialkit.decide.conclude import Conclusion
from trialkit.decide.series import fit_newest
from trialkit.mixed import MixedModelError
from trialkit.models import Missing, analyse
from trialkit.models.harvest import HarvestResult
from trialkit.models.own import OwnResult
from trialkit.models.picked import PodsResult
from trialkit.models.results import variety_levels
from trialkit.models.totals import PlotTotals
from trialkit.models.window import EarlyResult
from trialkit.reading.amounts import own_weight
from trialkit.reading.spelling import folded
from trialkit.records import Records, RecordsError, read_records
from trialkit.trial import EARLY, QUESTIONS, WITHIN_REACH, YIELD, TrialProblems
from trialkit.wording import day

if TYPE_CHECKING:
    from trialkit.models.analysis import Analysis

Floats = npt.NDArray[np.float64]
Scale = Literal["log", "linear"]
TRAITS = ("auto", *QUESTIONS, "pods", "harvest")


@dataclass(frozen=True)
class OwnAnswer:
    """What a trial's own report says.

    answer, how_sure, next_step, cannot_tell, state: of `decide.Conclusion` and its verdict.
    against: a line a variety in the report's order: name, ratio to (or difference from) the
    check, its low and high; NaN where the report gives none.
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
    for.  better: of the days of earliness and of a trait of the gardener's own, "more", "less" or
    "" for neither; else None.  notes: what a reader of the season should know of this trial.
    barren: varieties that gave nothing at all there, which no ratio can show.  weight_unit: what
    the gardener weighs in (estimates of weights are in g all the same; "g" for a harvest in a unit
    of its own).  question: what the trial itself was to answer, as trial.toml says.  answers: the
    question that these means answer.  going_on: its season is not over, so that more is to come.
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
    doubts: int
    fingerprint: str
    invented: bool = False
    source: str = ""
    notes: tuple[str, ...] = ()
    barren: tuple[str, ...] = ()
    weight_unit: str = "g"
    own: OwnAnswer | None = None
    better: str | None = None
    question: str = YIELD
    answers: str = YIELD
    going_on: bool = False


@dataclass(frozen=True)
class Failed:
    """A folder that gave no variety means, and why.  question: what its trial.toml asks for; ""
    where that is not known."""

    folder: str
    reason: str
    question: str = field(default="", compare=False)


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

    trait: a question ("yield", "within reach", "early"), the name of a trait of the gardener's own
    (its model's scale: odds and ratios as logarithms), or "auto": what the trial itself asks for.
    A yield is what the ground gave a plant planted up to the newest look, as the trial's own
    answer compares it; of a crop dug or cut once its harvest ("harvest", in its own unit).
    "pods": the rate of a living plant by the model of every record.  until: leave out what was
    recorded later.  words: also word the trial's own answer, which takes as long again.
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


def common_question(questions: Sequence[str]) -> str:
    """What most trials ask for; where as many ask for two things, for yields, else the first."""
    many = Counter(questions)
    return max(many, key=lambda asked: (many[asked], asked == YIELD, -questions.index(asked)),
               default=YIELD)


@dataclass(frozen=True, eq=False)
class _Measured:
    """What one trial says of one trait, the fields as in TrialMeans; plots by variety."""

    trait: str
    label: str
    unit: str
    scale: Scale
    varieties: tuple[str, ...]
    estimates: Floats
    covariance: Floats | None
    df: float
    plots: Mapping[str, int]
    why_not: str = ""
    notes: tuple[str, ...] = ()
    barren: tuple[str, ...] = ()
    better: str | None = None
    counted: str | None = None
    answers: str = YIELD
    going_on: bool = False


def _worked_out(name: str, analysis: Analysis, trait: str, words: bool) -> TrialMeans | Failed:
    about, records = analysis.records.trial, analysis.records
    asked = about.question if trait == "auto" else trait
    try:
        seen = _measured(analysis, asked)
        if isinstance(seen, Missing):
            return Failed(name, seen.reason, about.question)
        own = _own_answer(analysis, seen) if words else None
    except (MixedModelError, np.linalg.LinAlgError) as error:
        return Failed(name, f"its model could not be fitted: {error}", about.question)
    if not seen.varieties or not np.isfinite(seen.estimates).all():
        return Failed(name, "no variety has a mean that could be worked out", about.question)
    return TrialMeans(
        folder=name, title=about.title, garden=about.garden or name,
        place=folded(about.garden or name), year=about.planted.year, crop=about.crop,
        counted=seen.counted or about.counted, trait=seen.trait, label=seen.label, unit=seen.unit,
        scale=seen.scale, varieties=seen.varieties, check=about.check, estimates=seen.estimates,
        covariance=seen.covariance, df=seen.df, replicated=seen.covariance is not None,
        why_not=seen.why_not, blocks=int(analysis.ground.units["block"].nunique()),
        plots=tuple(int(seen.plots[v]) for v in seen.varieties),
        doubts=len(records.doubts), fingerprint=records.fingerprint, invented=about.invented,
        source=about.source, notes=seen.notes, barren=seen.barren,
        weight_unit=about.weight_unit if seen.trait == "harvest" and not about.harvest_unit
        else "g", own=own, better=seen.better, question=about.question, answers=seen.answers,
        going_on=seen.going_on,
    )


def _measured(analysis: Analysis, asked: str) -> _Measured | Missing:
    """What the trial says of a question, "pods", "harvest" or a trait of the gardener's own."""
    if asked == "pods":
        return _of_rates(analysis.pods)
    if asked == "harvest" or (asked == YIELD and analysis.totals is None):
        dug = analysis.harvest
        return _of_harvest(dug) if asked == "harvest" or not isinstance(dug, Missing) else Missing(
            YIELD, "nothing has been counted, weighed or dug yet")
    if asked == YIELD:
        return _of_totals(analysis, analysis.totals, asked)
    if asked == WITHIN_REACH:
        return _of_totals(analysis, analysis.totals_within_reach, asked)
    if asked == EARLY:
        return _of_days(analysis)
    own = {folded(name): result for name, result in analysis.own.items()}
    none = Missing(asked, f"its trial.toml declares no trait {asked!r}; there are "
                   + ", ".join((*TRAITS, *analysis.own)))
    result = own.get(folded(asked), none)
    return _of_own(result) if isinstance(result, OwnResult) else (
        result if isinstance(result, Missing) else none)


def _of_totals(analysis: Analysis, totals: PlotTotals | None, asked: str) -> _Measured | Missing:
    """What the ground gave a plant planted, as the trial's own answer compares it: a log scale."""
    if totals is None:
        return Missing(asked, "what was picked within reach cannot be told: it takes bears and "
                       "reach in trial.toml, and heights" if asked == WITHIN_REACH
                       and analysis.totals is not None else "nothing has been counted yet")
    if totals.zeros_unsure:
        return Missing(asked, "at some picks plants were passed over and no zero is written: "
                       "write zeros = \"left out\" or \"written\" into its trial.toml")
    there = [v for v in analysis.order if v in set(totals.plots["variety"])]
    newest = fit_newest(totals, there)
    if newest is None or not newest.bearing:
        return Missing(asked, "nothing but zeros has been counted")
    supported = analysis.ground.supported and newest.covariance is not None
    what = "weight" if analysis.weighed else analysis.counted
    reach = " within reach" if asked == WITHIN_REACH else ""
    notes = [] if analysis.season_over else [
        f"what was picked up to {day(totals.day[-1])}: its season is not over"]
    if analysis.season_over and not supported and analysis.ground.supported:
        notes.append("too few plots to measure how plots differ")
    return _Measured(
        f"{asked} by weight" if analysis.weighed else asked,
        f"{what}{reach} per plant planted", f"{'g' if analysis.weighed else what} a plant", "log",
        newest.bearing, newest.level if supported else newest.plain,
        newest.covariance if supported else None, newest.df if supported else float("nan"),
        _plots(analysis),
        analysis.ground.why_not if not analysis.ground.supported else
        "" if supported else "there are too few plots to tell varieties from plots",
        tuple(notes), tuple(v for v in there if v not in newest.bearing), counted=what,
        answers=asked, going_on=not analysis.season_over,
    )


def _plots(analysis: Analysis) -> dict[str, int]:
    return {str(name): int(many) for name, many in analysis.ground.plots_of.items()}


def _plots_in(means: pd.DataFrame) -> dict[str, int]:
    return {str(name): int(many) for name, many in zip(means["variety"], means["plots"],
                                                       strict=True)}


def _of_days(analysis: Analysis) -> _Measured | Missing:
    """Days from planting to half of the season's harvest; to the first pick while it lasts."""
    result = analysis.earliness
    if isinstance(result, Missing):
        return result
    if result.waiting:
        return Missing(EARLY, result.why_not)
    planted = set(analysis.ground.units["variety"])
    none = tuple(v for v in analysis.order if v in planted and v not in result.varieties)
    joint = result.covariance if result.supported else None
    return _Measured(
        result.trait, result.label, "days", "linear", result.varieties, result.level, joint,
        float(result.means["df"].min()) if result.supported else float("nan"), _plots(analysis),
        result.why_not, tuple(result.notes), none, "less", answers=EARLY,
    )


def _of_rates(pods: PodsResult | Missing) -> _Measured | Missing:
    """Rates of living plants by the model of every record: a log scale."""
    if isinstance(pods, Missing):
        return pods
    plots = _plots_in(pods.means)
    none = tuple(v for v, many in plots.items() if v not in pods.varieties and many > 0)
    # A day's rate becomes a week's, the unit the report speaks in.
    return _Measured(
        pods.trait, pods.label, pods.unit, "log", pods.varieties, pods.log_rate + np.log(7.0),
        pods.covariance if pods.supported else None, pods.df, plots, pods.why_not,
        tuple(pods.notes), none,
    )


def _of_harvest(result: HarvestResult | Missing) -> _Measured | Missing:
    """Dug or cut once, in the unit of the harvest."""
    if isinstance(result, Missing):
        return result
    means = result.means.dropna(subset=["estimate"])
    varieties = tuple(str(v) for v in means["variety"])
    estimates = means["estimate"].to_numpy(dtype=np.float64)
    plots = _plots_in(result.means)
    none = tuple(v for v, many in plots.items() if v not in varieties and many > 0)
    joint, df = None, float("nan")
    if result.supported and result.fit is not None:
        _, joint = variety_levels(result.fit, list(varieties))
        df = float(means["df"].min())
    return _Measured(
        result.trait, result.label, result.unit,
        "linear" if result.scale == "difference" else "log", varieties, estimates, joint, df,
        plots, result.why_not, tuple(result.notes), none,
    )


def _of_own(result: OwnResult) -> _Measured | Missing:
    varieties, estimates, joint, df = _own_means(result)
    return _Measured(
        result.trait, result.label, result.unit,
        "linear" if result.scale == "difference" else "log", varieties, estimates, joint, df,
        _plots_in(result.means), result.why_not, tuple(result.notes), (),
        result.better, "odds" if result.scale == "odds" else result.trait, result.trait,
    )


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


def _own_answer(analysis: Analysis, seen: _Measured) -> OwnAnswer | None:
    """What the trial's report says of the question; None of a trait that it does not ask for."""
    if seen.answers not in (*QUESTIONS, analysis.records.trial.question):
        return None
    trial = replace(analysis.records.trial, question=seen.answers)
    asked = Conclusion(replace(analysis.records, trial=trial), analysis)
    verdict, table = asked.verdict, asked.table
    scale = 1.0  # the report's differences are in g, its page's in the gardener's own unit
    if seen.trait == "harvest" and not trial.harvest_unit:
        scale, _ = own_weight(seen.unit, trial.weight_unit)
    figures = table[["variety", "ratio", "ratio_low", "ratio_high"]]
    if seen.answers == EARLY:
        days = analysis.earliness
        gaps = days.against_check if isinstance(days, EarlyResult) else None
        figures = table[["variety"]] if gaps is None else table[["variety"]].merge(
            gaps[["variety", "estimate", "low", "high"]], on="variety", how="left")
        figures = figures.reindex(columns=["variety", "estimate", "low", "high"])
    against = tuple(
        (str(name), float(value) / scale, float(low) / scale, float(high) / scale)
        for name, value, low, high in figures.itertuples(index=False))
    return OwnAnswer(verdict.answer, verdict.how_sure, verdict.next_step,
                     asked.cannot_tell, verdict.state, against)


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
    joint = trial.covariance
    return replace(
        trial, unit=unit, estimates=trial.estimates / scale,
        covariance=None if joint is None else joint / scale**2,
    )
