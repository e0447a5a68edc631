"""Stage 2: the trials together, weighted by how well each knows its means."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from html import escape

import numpy as np
import pandas as pd

from trialkit.gardens import saying
from trialkit.gardens.account import method
from trialkit.gardens.additive import Additive, additive
from trialkit.gardens.apart import Apart, against, fitted_apart, undetermined
from trialkit.gardens.first import Failed, FirstStage, OwnAnswer, Scale
from trialkit.gardens.fitting import SecondFit, spare_df
from trialkit.gardens.newgarden import at_least, chance_best, new_df, new_garden
from trialkit.gardens.order import by_garden, flips
from trialkit.gardens.ownunits import in_own_unit
from trialkit.gardens.rows import Rows, gather, shared_varieties
from trialkit.gardens.stability import stability
from trialkit.mixed import MixedModelError
from trialkit.models.results import MethodNote
from trialkit.reading.spelling import folded

SHOWN = ("variety", "gardens", "trials", "estimate", "low", "high", "new_low", "new_high")
"""Columns of `SeasonAnswer.overall` that a notebook shows."""
NEW_GARDEN = 3
"""Gardens from which on it is said what another garden may see."""


@dataclass(frozen=True, eq=False, repr=False)
class SeasonAnswer:
    """What several trials say together; frozen and picklable.

    firsts: the trials used.  failed: folders without a result.  aside: trials that cannot be put
    together with the rest, and why.  check: the variety the others are set against; None, and
    then it is the mean of all varieties.  scale: "log" (`overall` holds ratios) or "linear"
    (differences in `unit`).
    overall: one row a variety, best first: variety, check (bool), gardens, years, trials, group
    (0, 1, ...: varieties of different groups cannot be compared), mean (model scale), estimate
    (ratio or difference to the check), low, high, p, df (simultaneous over the varieties),
    new_low, new_high (in a garden not among these), best (chance of being the best one there),
    best_here (of being the best on average over these gardens); both chances NaN where nothing
    is settled.
    by_garden: one row a variety and trial, that trial alone, as `order.by_garden` gives it, but
    ratios where `overall` holds ratios.
    stability: variety, trials, slope, slope_se, slope_low, slope_high, deviation (sd about the
    line), variance (Shukla 1972), words.
    flips: trial, garden, year, variety, estimate, low, high, chance, supported, words; see
    `order.flips`.
    groups: varieties that trials link; only those of the first can be compared with the check.
    shared: who shares varieties with whom, see `rows.shared_varieties`.
    variances: standard deviations by term, on the model's scale.  levels: trial, level (the mean
    of all varieties there, model scale) and means: trial, variety, y, for the picture of them.
    supported: intervals of `overall` hold; if not, `why_not`.  new_supported: those of a new
    garden; if not, `new_why_not`.  Where unsupported the columns are NaN.
    answer: two sentences.  how_sure, next_step: sentences.  cannot_tell: what stays open.
    state: "settled", "open", "description only", "nothing".
    """

    firsts: tuple[FirstStage, ...]
    failed: tuple[Failed, ...]
    aside: tuple[Failed, ...]
    crop: str
    trait: str
    label: str
    unit: str
    scale: Scale
    check: str | None
    overall: pd.DataFrame
    by_garden: pd.DataFrame
    stability: pd.DataFrame
    flips: pd.DataFrame
    groups: tuple[tuple[str, ...], ...]
    shared: pd.DataFrame
    variances: dict[str, float]
    levels: pd.DataFrame
    means: pd.DataFrame
    supported: bool
    why_not: str
    new_supported: bool
    new_why_not: str
    answer: str
    how_sure: str
    next_step: str
    cannot_tell: tuple[str, ...]
    state: str
    method: MethodNote
    fingerprint: str = ""
    notes: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return f"{self.answer}\n{self.how_sure}"

    def _repr_html_(self) -> str:
        table = self.overall[[name for name in SHOWN if name in self.overall]]
        return (f"<p><b>{escape(self.answer)}</b></p><p>{escape(self.how_sure)}</p>"
                f"{table.to_html(index=False, escape=True)}")


def second_stage(
    firsts: Sequence[FirstStage], failed: Sequence[Failed] = (), seed: int = 20
) -> SeasonAnswer:
    """Put the trials together.  Never raises for what they hold.

    failed: folders that gave nothing, carried along.  seed: of the draws behind the chances.
    """
    rows = _sharing(gather(in_own_unit(firsts)))
    if not rows.firsts:
        return _nothing(rows, tuple(failed))
    table = additive(rows.table, rows.main)
    second, found, why = _fitted(rows, table)
    ratio = rows.firsts[0].scale == "log"
    together = against(found)
    places = rows.table.loc[table.rows, "place"].nunique()
    interaction = second.interaction if second else float("nan")
    new_why = why or saying.no_new_garden(places, NEW_GARDEN)
    alone = by_garden(rows, table)
    overall = _overall(rows, table, together, found, second, places, bool(new_why), seed)
    answer = SeasonAnswer(
        firsts=rows.firsts, failed=tuple(failed), aside=rows.aside, crop=rows.firsts[0].crop,
        trait=rows.firsts[0].trait, label=rows.firsts[0].label, unit=rows.firsts[0].unit,
        scale=rows.firsts[0].scale, check=rows.check,
        overall=_shown(overall, ratio, ["estimate", "low", "high", "new_low", "new_high"]),
        by_garden=_shown(alone, ratio, ["estimate", "low", "high"]),
        stability=stability(table, rows.table.loc[table.rows, "y"].to_numpy(dtype=np.float64)),
        flips=_shown(flips(alone, together, interaction), ratio, ["estimate", "low", "high"]),
        groups=rows.groups, shared=shared_varieties(rows),
        variances=dict(second.terms) if second else {},
        levels=_levels(rows, table), means=rows.table.loc[table.rows, ["trial", "variety", "y"]],
        supported=not why, why_not=why, new_supported=not new_why, new_why_not=new_why,
        answer="", how_sure="", next_step="", cannot_tell=(), state="",
        method=method(rows, second, found), fingerprint=_fingerprint(rows.firsts),
        notes=rows.notes,
    )
    answer = replace(answer, **saying.worded(answer, found))
    own = rows.firsts[0].own
    return answer if own is None or len(rows.firsts) > 1 else _as_reported(answer, own)


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


def _sharing(rows: Rows) -> Rows:
    """Without the trials that have neither repeats nor enough varieties in common with others,
    where the rest can do without them."""
    single = [one for one in rows.firsts if not one.replicated]
    if not single or len(single) == len(rows.firsts) or _spare(rows) >= 1:
        return rows
    rest = gather([one for one in rows.firsts if one.replicated])
    reason = "it has one plot of each variety and shares too few varieties with the others"
    aside = tuple(Failed(one.folder, reason) for one in single)
    return replace(rest, aside=(*rows.aside, *aside))


def _spare(rows: Rows) -> float:
    return spare_df(rows.table, len(rows.groups))


def _fitted(rows: Rows, table: Additive) -> tuple[SecondFit | None, Apart, str]:
    """The fit and the differences in it, or means alone and why there are no more."""
    means = undetermined(table.varieties, table.effect, rows.check)
    if not any(one.replicated for one in rows.firsts) and _spare(rows) < 1:
        alone = len(rows.firsts) == 1
        return None, means, rows.firsts[0].why_not if alone else (
            "no trial repeats its varieties, and they share too few to repeat each other")
    if len(rows.main) < 2:
        return None, means, "there is only one variety"
    try:
        with np.errstate(all="ignore"):
            second, found = fitted_apart(rows)
    except (MixedModelError, np.linalg.LinAlgError) as error:
        return None, means, f"the model could not be fitted: {error}"
    if found.judged:
        return second, found, ""
    why = "the trials share too few varieties to judge any difference by"
    return None, undetermined(table.varieties, found.mean, rows.check), why


def _overall(
    rows: Rows, table: Additive, together: pd.DataFrame, found: Apart,
    second: SecondFit | None, places: int, not_new: bool, seed: int,
) -> pd.DataFrame:
    grown = rows.table.groupby("variety").agg(
        gardens=("place", "nunique"), years=("year", "nunique"), trials=("at", "nunique"))
    group = {v: g for g, part in enumerate(rows.groups) for v in part}
    out = together.assign(
        check=together["variety"] == rows.check, mean=found.mean + table.level.mean(),
        best_here=np.nan, best=np.nan, new_low=np.nan, new_high=np.nan)
    clear = bool((together["low"] > 0).any() or (together["high"].drop(
        together.index[together["variety"] == rows.check]) < 0).all())
    if clear:  # where nothing is settled a chance of being best mostly tells who was lucky
        out = out.assign(best_here=chance_best(found, 0.0, found.df, seed))
    if second is not None and not not_new:
        interaction = at_least(second.interaction, second.error, second.df)
        df = new_df(found, interaction, second.error, places, second.df)
        new = new_garden(found, interaction, df)
        out = out.assign(new_low=new["low"], new_high=new["high"])
        if clear:
            out = out.assign(best=chance_best(found, interaction, float(np.nanmedian(df)), seed))
    bare = _barren(rows)
    out.loc[out["variety"].isin(bare), ["new_low", "new_high"]] = np.nan
    if bare:
        out = out.assign(best=np.nan, best_here=np.nan)
    out = out.sort_values("mean", ascending=False, kind="stable")
    others = [v for v in rows.varieties if v not in set(out["variety"])]
    rest = pd.DataFrame({"variety": others, "check": [False] * len(others)})
    out = pd.concat([out, rest.reindex(columns=out.columns)], ignore_index=True) if others else out
    out = out.assign(group=out["variety"].map(group).astype(int),
                     check=out["check"].astype(bool))
    return out.merge(grown.reset_index(), on="variety", how="left").reset_index(drop=True)


def _barren(rows: Rows) -> set[str]:
    """Varieties, as the table spells them, that gave nothing at all in a trial."""
    spelt = {folded(name): name for name in rows.varieties}
    return {spelt.get(folded(name), name) for one in rows.firsts for name in one.barren}


def _shown(frame: pd.DataFrame, ratio: bool, columns: list[str]) -> pd.DataFrame:
    if not ratio:
        return frame
    # Ends beyond e^100 mean no limit; they stay numbers.
    values = np.exp(np.clip(frame[columns].to_numpy(dtype=np.float64), -100.0, 100.0))
    return frame.assign(**{name: values[:, i] for i, name in enumerate(columns)})


def _levels(rows: Rows, table: Additive) -> pd.DataFrame:
    about = rows.table.drop_duplicates("at").set_index("at").loc[table.trials]
    return pd.DataFrame({"trial": about["trial"].to_numpy(), "garden": about["garden"].to_numpy(),
                         "year": about["year"].to_numpy(), "level": table.level})


def _fingerprint(firsts: Sequence[FirstStage]) -> str:
    """One for all: of the trials' own, in order of the folders."""
    text = " ".join(one.fingerprint for one in firsts)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _nothing(rows: Rows, failed: tuple[Failed, ...]) -> SeasonAnswer:
    empty = pd.DataFrame()
    why = "no folder gave a result"
    return SeasonAnswer(
        (), failed, rows.aside, "", "", "", "", "log", None, empty, empty, empty, empty, (), empty,
        {}, empty, empty, False, why, False, why, "There is nothing to put together: "
        + why + ".", "", "Mend the folders listed below and run this again.", (), "nothing",
        MethodNote("", ""), "", (),
    )
