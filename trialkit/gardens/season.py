"""From trial folders to the season's answer: stage 1 by folder, stage 2 over all."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Protocol, TypeVar

import numpy as np
import pandas as pd

from trialkit.gardens.answer import SeasonAnswer, in_words, method, no_new_garden
from trialkit.gardens.differences import (
    Differences,
    at_least,
    chance_best,
    comparisons,
    fitted_differences,
    new_df,
    new_garden,
    undetermined,
)
from trialkit.gardens.gathered import GatheredTrial, trials_of
from trialkit.gardens.interaction import Additive, additive, by_garden, flips, stability
from trialkit.gardens.stage_one import (
    Failed,
    OwnAnswer,
    TrialMeans,
    common_question,
    in_own_unit,
    trial_means,
)
from trialkit.gardens.stage_two import MeansTable, StageTwo, gather, shared_varieties, spare_df
from trialkit.gardens.workers import Fault
from trialkit.mixed import MixedModelError
from trialkit.models.results import MethodNote
from trialkit.reading.spelling import folded
from trialkit.wording import rounded

NEW_GARDEN = 3
"""Gardens from which on it is said what another garden may see."""

T = TypeVar("T")
R = TypeVar("R")


class Mapper(Protocol):
    """Like `map`: applies a picklable function to every trial, results in the trials' order."""

    def __call__(self, function: Callable[[T], R], items: Sequence[T], /) -> Iterable[R | Fault]:
        ...


def season(
    folders: Sequence[Path],
    until: date | None = None,
    mapper: Mapper = map,
    *,
    trait: str = "auto",
    worded: bool = False,
) -> SeasonAnswer:
    """The answer of several trial folders together.

    folders: of trials, or of gathered records (see `gathered`).  trait: a question, or a trait of
    the gardeners' own (see `stage_one.trial_means`); "auto" answers what most of the trials ask
    for.  until: leave out what was recorded later.  mapper: runs stage 1, `map` by default;
    `workers.mapper` sends the trials to other processes or machines.  worded: also word each
    trial's own answer; a single trial's always is, since one trial has one answer, its report's.
    Never raises for what was recorded; a folder that fails is in `failed`.  Raises
    GatheredProblem where gathered
    records are spoilt, or not as of `until`.
    """
    trials = trials_of(folders, until)
    alone = worded or len(trials) == 1

    def worked(some: Sequence[Path | GatheredTrial], asked: str, words: bool
               ) -> list[TrialMeans | Failed]:
        work = partial(trial_means, trait=asked, until=until, words=words)
        return [_outcome(trial, result)
                for trial, result in zip(some, mapper(work, some), strict=True)]

    results = worked(trials, trait, alone)
    asked = common_question([result.question for result in results if result.question])
    if trait == "auto":  # those that ask for something else are asked for what the others are
        trait = asked
        others = [at for at, result in enumerate(results) if result.question not in ("", asked)]
        again = worked([trials[at] for at in others], asked, alone) if others else []
        for at, result in zip(others, again, strict=True):
            results[at] = result
    good = [result for result in results if isinstance(result, TrialMeans)]
    failed = [result for result in results if isinstance(result, Failed)]
    if len(good) == 1 and not alone:  # the others gave nothing
        again = worked([trials[results.index(good[0])]], trait, True)
        good = [result for result in again if isinstance(result, TrialMeans)] or good
    return combine(good, failed)


def _outcome(
    trial: Path | GatheredTrial, result: TrialMeans | Failed | Fault
) -> TrialMeans | Failed:
    """A result, or what kept a worker from giving one."""
    if not isinstance(result, Fault):
        return result
    name = trial.folder if isinstance(trial, GatheredTrial) else trial.resolve().name
    return Failed(name, f"it could not be worked out: {result.message}")


def combine(
    trials: Sequence[TrialMeans], failed: Sequence[Failed] = (), seed: int = 20
) -> SeasonAnswer:
    """Put the trials together.  Never raises for what they hold.

    failed: folders that gave nothing, carried along.  seed: of the draws behind the chances.
    """
    means = _sharing(gather(in_own_unit(trials)))
    if not means.trials:
        return _nothing(means, tuple(failed))
    table = additive(means.table, means.main)
    fit, differences, why = _fitted(means, table)
    ratio = means.trials[0].scale == "log"
    together = comparisons(differences)
    places = means.table.loc[table.rows, "place"].nunique()
    interaction = fit.interaction if fit else float("nan")
    new_why = why or no_new_garden(places, NEW_GARDEN)
    alone = by_garden(means, table)
    overall = _overall(means, table, together, differences, fit, places, bool(new_why), seed)
    answer = SeasonAnswer(
        trials=means.trials, failed=tuple(failed), aside=means.aside, crop=means.trials[0].crop,
        trait=means.trials[0].trait, label=means.trials[0].label, unit=means.trials[0].unit,
        scale=means.trials[0].scale, check=means.check,
        overall=_shown(overall, ratio, ["estimate", "low", "high", "new_low", "new_high"]),
        by_garden=_shown(alone, ratio, ["estimate", "low", "high"]),
        stability=stability(table, means.table.loc[table.rows, "y"].to_numpy(dtype=np.float64)),
        flips=_shown(flips(alone, together, interaction), ratio, ["estimate", "low", "high"]),
        groups=means.groups, shared=shared_varieties(means),
        variances=dict(fit.terms) if fit else {},
        levels=_levels(means, table), means=means.table.loc[table.rows, ["trial", "variety", "y"]],
        supported=not why, why_not=why, new_supported=not new_why, new_why_not=new_why,
        answer="", how_sure="", next_step="", cannot_tell=(), state="",
        method=method(means, fit, differences), fingerprint=_fingerprint(means.trials),
        notes=means.notes,
    )
    answer = in_words(answer)
    if means.trials[0].better == "":
        return _unvalued(answer)
    own = means.trials[0].own
    return answer if own is None or len(means.trials) > 1 else _as_reported(answer, own)


def _unvalued(answer: SeasonAnswer) -> SeasonAnswer:
    """A trait of which nobody says which end is better: figures, and no advice on what to grow."""
    table = answer.overall.assign(best=np.nan, best_here=np.nan)
    unit = " times" if answer.scale == "log" else f" {answer.unit}".rstrip()
    others = table.loc[~table["check"], ["variety", "estimate", "low", "high"]]
    said = [f"{variety} {rounded(value)}{unit}"
            + (f" ({rounded(low)} to {rounded(high)})" if pd.notna(low) else "")
            for variety, value, low, high in others.itertuples(index=False)]
    against = answer.check or "the mean of all varieties"
    return replace(
        answer, overall=table, next_step="", cannot_tell=(),
        answer=f"{answer.label.capitalize()}, against {against}: {'; '.join(said)}.",
        how_sure=f"No ranges: {answer.why_not}." if answer.why_not else
        "In brackets the likely ranges, holding for all varieties together.")


def _as_reported(answer: SeasonAnswer, own: OwnAnswer) -> SeasonAnswer:
    """One trial has one answer: its report's, with what a single garden cannot tell added."""
    figures = pd.DataFrame(list(own.against), columns=["variety", "estimate", "low", "high"])
    none = 1.0 if answer.scale == "log" else 0.0
    if figures["estimate"].isna().all():  # no check: the season's averages, without limits
        figures = answer.overall[["variety", "estimate"]].assign(low=np.nan, high=np.nan)
    table = answer.overall.drop(columns=["estimate", "low", "high"]).assign(p=np.nan, df=np.nan)
    table = figures.merge(table, on="variety", how="inner")[list(answer.overall.columns)]
    table.loc[table["check"], ["estimate", "low", "high"]] = none
    table[["best", "best_here"]] = np.nan
    stays = tuple(line for line in answer.cannot_tell if line not in own.cannot_tell)
    return replace(answer, overall=table, answer=own.answer, how_sure=own.how_sure,
                   next_step=own.next_step, cannot_tell=(*own.cannot_tell, *stays),
                   state=own.state)


def _sharing(means: MeansTable) -> MeansTable:
    """Without the trials that have neither repeats nor enough varieties in common with others,
    where the rest can do without them."""
    single = [trial for trial in means.trials if not trial.replicated]
    if not single or len(single) == len(means.trials) or _spare(means) >= 1:
        return means
    rest = gather([trial for trial in means.trials if trial.replicated])
    reason = ("its own plots can't tell variety from place, and it shares too few varieties with "
              "the others")
    aside = tuple(Failed(trial.folder, reason) for trial in single)
    return replace(rest, aside=(*means.aside, *aside))


def _spare(means: MeansTable) -> float:
    return spare_df(means.table, len(means.groups))


def _fitted(means: MeansTable, table: Additive) -> tuple[StageTwo | None, Differences, str]:
    """The fit and the differences in it, or means alone and why there are no more."""
    bare = undetermined(table.varieties, table.effect, means.check)
    if not any(trial.replicated for trial in means.trials) and _spare(means) < 1:
        alone = len(means.trials) == 1
        return None, bare, means.trials[0].why_not if alone else (
            "no trial repeats its varieties, and they share too few to repeat each other")
    if len(means.main) < 2:
        return None, bare, "there is only one variety"
    try:
        with np.errstate(all="ignore"):
            fit, differences = fitted_differences(means)
    except (MixedModelError, np.linalg.LinAlgError) as error:
        return None, bare, f"the model could not be fitted: {error}"
    if differences.judged:
        return fit, differences, ""
    why = "the trials share too few varieties to judge any difference by"
    return None, undetermined(table.varieties, differences.mean, means.check), why


def _overall(
    means: MeansTable, table: Additive, together: pd.DataFrame, differences: Differences,
    fit: StageTwo | None, places: int, not_new: bool, seed: int,
) -> pd.DataFrame:
    grown = means.table.groupby("variety").agg(
        gardens=("place", "nunique"), years=("year", "nunique"), trials=("at", "nunique"))
    group = {v: g for g, part in enumerate(means.groups) for v in part}
    out = together.assign(
        check=together["variety"] == means.check, mean=differences.mean + table.level.mean(),
        best_here=np.nan, best=np.nan, new_low=np.nan, new_high=np.nan)
    less = means.trials[0].better == "less"
    bar = together.drop(together.index[together["variety"] == means.check])
    above, below = (bar["low"] > 0, bar["high"] < 0)[::-1 if less else 1]
    clear = bool(above.any() or below.all())
    if clear:  # where nothing is settled a chance of being best mostly tells who was lucky
        out = out.assign(best_here=chance_best(differences, 0.0, differences.df, seed, less=less))
    if fit is not None and not not_new:
        interaction = at_least(fit.interaction, fit.error, fit.df)
        df = new_df(differences, interaction, fit.error, places, fit.df)
        new = new_garden(differences, interaction, df)
        out = out.assign(new_low=new["low"], new_high=new["high"])
        if clear:
            out = out.assign(
                best=chance_best(differences, interaction, fit.df, seed, less=less)
            )
    bare = _barren(means)
    out.loc[out["variety"].isin(bare), ["new_low", "new_high"]] = np.nan
    if bare:
        out = out.assign(best=np.nan, best_here=np.nan)
    out = out.sort_values("mean", ascending=less, kind="stable")
    others = [v for v in means.varieties if v not in set(out["variety"])]
    rest = pd.DataFrame({"variety": others, "check": [False] * len(others)})
    out = pd.concat([out, rest.reindex(columns=out.columns)], ignore_index=True) if others else out
    out = out.assign(group=out["variety"].map(group).astype(int),
                     check=out["check"].astype(bool))
    return out.merge(grown.reset_index(), on="variety", how="left").reset_index(drop=True)


def _barren(means: MeansTable) -> set[str]:
    """Varieties, as the table spells them, that gave nothing at all in a trial."""
    spelt = {folded(name): name for name in means.varieties}
    return {spelt.get(folded(name), name) for trial in means.trials for name in trial.barren}


def _shown(frame: pd.DataFrame, ratio: bool, columns: list[str]) -> pd.DataFrame:
    if not ratio:
        return frame
    # Ends beyond e^100 mean no limit; they stay numbers.
    values = np.exp(np.clip(frame[columns].to_numpy(dtype=np.float64), -100.0, 100.0))
    return frame.assign(**{name: values[:, i] for i, name in enumerate(columns)})


def _levels(means: MeansTable, table: Additive) -> pd.DataFrame:
    about = means.table.drop_duplicates("at").set_index("at").loc[table.trials]
    return pd.DataFrame({"trial": about["trial"].to_numpy(), "garden": about["garden"].to_numpy(),
                         "year": about["year"].to_numpy(), "level": table.level})


def _fingerprint(trials: Sequence[TrialMeans]) -> str:
    """One for all: of the trials' own, in order of the folders."""
    text = " ".join(trial.fingerprint for trial in trials)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _nothing(means: MeansTable, failed: tuple[Failed, ...]) -> SeasonAnswer:
    empty = pd.DataFrame()
    why = "no folder gave a result"
    return SeasonAnswer(
        (), failed, means.aside, "", "", "", "", "log", None, empty, empty, empty, empty, (), empty,
        {}, empty, empty, False, why, False, why, "There is nothing to put together: "
        + why + ".", "", "Mend the folders listed below and run this again.", (), "nothing",
        MethodNote("", ""), "", (),
    )
