"""The verdict for a crop dug or cut once: one look, so the plain comparison decides."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit.decide.looks import SETTLED, UNSETTLED
from trialkit.decide.verdict import DESCRIPTION, Verdict
from trialkit.design.audit import RowsExplain, grouped_in
from trialkit.models.analysis import Analysis
from trialkit.models.results import TraitResult
from trialkit.reading.units import own_weight
from trialkit.trial import Trial
from trialkit.wording import counted, few, figure

ALPHA = 0.05


def harvested(
    analysis: Analysis, open_questions: tuple[str, ...], rows: RowsExplain | None = None
) -> Verdict:
    """Word the single harvest: the best variety against the check, or against the next."""
    assert isinstance(analysis.harvest, TraitResult)
    result = in_own_unit(analysis.harvest, analysis.records.trial)
    order = list(result.means.sort_values("estimate", ascending=False)["variety"])
    best = order[0]
    level = f"{figure(float(result.of(best)['estimate']))} {result.unit}"
    if not result.supported:
        said = [f"{v} {figure(float(result.of(v)['estimate']))}" for v in order]
        return Verdict(
            f"The {result.label} was, in {result.unit}: {few(said, 6)}. Which variety is better "
            f"this trial cannot say: {result.why_not.rstrip('.')}.",
            "No interval or test is given." + ("" if rows is None else f" {rows.full}"),
            "Next year give every variety at least three plots, drawn by lot within blocks.",
            open_questions, DESCRIPTION, "No comparison",
            f"{best} gave most, {level}, but soil or light may explain that.", tuple(order[:2]))
    told = result.pairs[result.pairs["p"] < ALPHA]
    other = analysis.check if analysis.check in order and analysis.check != best else order[1]
    estimate, low, high, p = _pair(analysis, result, best, str(other))
    named = f"{other}, the check" if other == analysis.check else other
    size = (f"{figure(estimate)} {result.unit} ({_signed(low)} to {_signed(high)}) more than "
            f"{named}")
    if abs(estimate) < 1e-6 * abs(float(result.of(best)["estimate"])):
        size = f"the same as {named}"
    lead = (f"{best} gave most, {level}, {size}." if p < ALPHA else
            f"{best} gave most, {level}, but its lead, {size}, may be chance.")
    if size.startswith("the same"):
        lead = f"{best} and {other} gave most, {level} each."
    pairs = counted(len(told), "pair")
    second = (f"{pairs} of the {len(result.pairs)} can be told apart." if len(told) else
              f"None of the {counted(len(order), 'variety', 'varieties')} can be told from "
              "another.")
    within = grouped_in(analysis.ground.units, analysis.ground.by)
    sure = (f"The intervals are simultaneous: over all comparisons at most one time in twenty is a "
            f"difference claimed that is none. They rest on "
            f"{figure(float(result.means['df'].iloc[0]))} degrees of freedom between plots"
            f"{' in ' if within else ''}{within}.")
    state = SETTLED if p < ALPHA else UNSETTLED
    gap = figure(float(result.of(str(other))["estimate"]))
    role = ", your check," if other == analysis.check else ""
    sentence = f"{best} gave {level} and {other}{role} {gap}"
    sentence += "." if p < ALPHA else ": too close to call."
    step = ("Grow the best again beside the check to see whether it holds in another year."
            if state == SETTLED else
            "To see a difference this size next time, plant more blocks of the same varieties.")
    return Verdict(f"{lead} {second}", sure, step, open_questions, state,
                   "Firm" if state == SETTLED else "Leaning", sentence, (best, str(other)))


def in_own_unit(result: TraitResult, about: Trial) -> TraitResult:
    """A harvest with its means and differences in the gardener's unit of weights."""
    if result.unit == about.harvest_unit:
        return result
    scale, unit = own_weight(result.unit, about.weight_unit)

    def told(frame: pd.DataFrame) -> pd.DataFrame:
        names = [name for name in ("estimate", "se", "low", "high") if name in frame]
        return frame.assign(**{name: frame[name].astype(float) / scale for name in names})

    return replace(result, unit=unit, means=told(result.means), pairs=told(result.pairs),
                   against_check=told(result.against_check))


def _pair(
    analysis: Analysis, result: TraitResult, best: str, other: str
) -> tuple[float, float, float, float]:
    """Estimate, low, high, p of best less other: Dunnett's where other is the check."""
    if other == analysis.check and len(result.against_check):
        row: Any = result.against_check.set_index("variety").loc[best]
        return float(row["estimate"]), float(row["low"]), float(row["high"]), float(row["p"])
    pairs = result.pairs
    row = pairs[((pairs["left"] == best) & (pairs["right"] == other))
                | ((pairs["left"] == other) & (pairs["right"] == best))].iloc[0]
    ends = np.array([row["low"], row["high"]], dtype=float)
    sign = 1.0 if row["left"] == best else -1.0
    low, high = sorted(float(e) for e in sign * ends)
    return sign * float(row["estimate"]), low, high, float(row["p"])


def _signed(value: float) -> str:
    if not math.isfinite(value):
        return figure(value)
    return f"-{figure(-value)}" if value < 0 else figure(value)
