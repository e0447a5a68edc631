"""The season in words: two sentences, how sure, what next, what stays open.

Every number comes from the frames of the answer.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.decide.verdict import TOO_WIDE
from trialkit.gardens.fitting import YEAR
from trialkit.reading.spelling import folded
from trialkit.wording import counted, few, figure, listed, percent, span, times

if TYPE_CHECKING:
    from trialkit.gardens.apart import Apart
    from trialkit.gardens.second import SeasonAnswer

SETTLED, OPEN, DESCRIPTION = "settled", "open", "description only"
AVERAGE = "the average variety"


def no_new_garden(places: int, needed: int) -> str:
    """Why nothing is said of another garden; empty where enough gardens took part."""
    if places >= needed:
        return ""
    if places == 1:
        return "only one garden took part, and another may differ by any amount"
    return f"{counted(places, 'garden')} are too few to show how much gardens differ"


def scope(answer: SeasonAnswer) -> str:
    """`12 trials in 6 gardens and 2 years`, `one garden`."""
    firsts = answer.firsts
    gardens = len({one.place for one in firsts})
    years = len({one.year for one in firsts})
    if len(firsts) == 1:
        return "one trial in one garden"
    trials = f"{counted(len(firsts), 'trial')} in " if len(firsts) != gardens else ""
    places = "one garden" if gardens == 1 else f"{gardens} gardens"
    return f"{trials}{places}" + (f" and {years} years" if years > 1 else "")


def worded(answer: SeasonAnswer, found: Apart) -> dict[str, Any]:
    """The fields of the answer that are words."""
    best, clear, state = _outcome(answer)
    nothing = barren(answer)
    second = nothing or _second(answer, best)
    if nothing and state == SETTLED and str(best["variety"]) in bare_in(answer):
        state, clear = OPEN, False
    return {
        "answer": f"{_first(answer, best, clear)} {second}", "state": state,
        "how_sure": _how_sure(answer, found, state), "next_step": _next(answer, state),
        "cannot_tell": _cannot_tell(answer),
    }


def size(answer: SeasonAnswer, row: Any, to: str, *, ends: tuple[str, str] = ("low", "high")
         ) -> str:
    """`1.4 times (1.1 to 1.8) the pods of TO` or `5.1 bushels an acre (1.2 to 9) more than TO`."""
    value, low, high = (float(row[name]) for name in ("estimate", *ends))
    if answer.scale == "log":
        ends_said = span(low, high) if within(answer, low, high) else ""
        return f"{times(value)}{ends_said} the {answer.firsts[0].counted} of {to}"
    word = "more" if value >= 0 else "less"
    if value < 0:
        value, low, high = -value, -high, -low
    return f"{figure(value)} {answer.unit}{_signed_span(low, high)} {word} than {to}"


def within(answer: SeasonAnswer, low: float, high: float) -> bool:
    """Whether an interval says anything: ratios whose ends are a hundredfold apart do not."""
    if not (np.isfinite(low) and np.isfinite(high)):
        return False
    return answer.scale == "linear" or bool(np.log(high) - np.log(low) < TOO_WIDE)


def _signed_span(low: float, high: float) -> str:
    if pd.isna(low) or pd.isna(high):
        return ""
    return f" ({signed(low)} to {signed(high)})"


def signed(value: float) -> str:
    """A figure with its sign where it is below zero."""
    return f"\N{MINUS SIGN}{figure(-value)}" if value < 0 else figure(value)


def _outcome(answer: SeasonAnswer) -> tuple[Any, bool, str]:
    """The row to speak of, whether it is clearly above the check (or the mean), and the state."""
    rows = answer.overall[answer.overall["group"] == 0]
    zero = 1.0 if answer.scale == "log" else 0.0
    others = rows[~rows["check"]]
    best = (others if len(others) else rows).iloc[0]
    clear = bool(best["low"] > zero)
    if not answer.supported:
        return best, False, DESCRIPTION
    below = bool((others["high"] < zero).all())
    return best, clear, SETTLED if clear or below else OPEN


def _first(answer: SeasonAnswer, best: Any, clear: bool) -> str:
    where = f"Over {scope(answer)}" if len(answer.firsts) > 1 else f"In {scope(answer)}"
    zero = 1.0 if answer.scale == "log" else 0.0
    to = f"{answer.check}, the check" if answer.check else AVERAGE
    name, row = best["variety"], size(answer, best, to)
    if len(answer.overall) == 1:
        return f"{where} there is only one variety, {name}, so that there is nothing to compare."
    if not answer.supported:
        return f"{where} {name} gave {row}, but there is nothing to judge that by."
    if clear:
        return f"{where} {name} gave {row}."
    if not within(answer, float(best["low"]), float(best["high"])):
        return (f"{where} {name} gave {row}, too early to say within what limits; that may well "
                "be chance.")
    if best["estimate"] >= zero:
        return f"{where} {name} is ahead, at {row}, but that may still be chance."
    return f"{where} no variety gave more than {to}; next is {name}, with {row}."


def bare_in(answer: SeasonAnswer) -> dict[str, list[str]]:
    """Varieties that gave nothing at all in a trial, each with the gardens and years."""
    spelt = {folded(str(name)): str(name) for name in answer.overall["variety"]}
    out: dict[str, list[str]] = {}
    for one in answer.firsts:
        for name in one.barren:
            out.setdefault(spelt.get(folded(name), name), []).append(f"{one.garden}, {one.year}")
    return out


def barren(answer: SeasonAnswer) -> str:
    """`X gave nothing at all in GARDEN, YEAR: its figure comes from the other gardens alone.`"""
    bare = bare_in(answer)
    if not bare:
        return ""
    parts = [f"{name} gave nothing at all in {listed(where[:3])}"
             + (f" and {len(where) - 3} more" if len(where) > 3 else "")
             for name, where in list(bare.items())[:3]]
    more = f", as did {counted(len(bare) - 3, 'other variety', 'other varieties')}" * (
        len(bare) > 3)
    figures = "its figure comes" if len(bare) == 1 else "their figures come"
    return f"{'; '.join(parts)}{more}: {figures} from the other gardens alone."


def _second(answer: SeasonAnswer, best: Any) -> str:
    if not answer.supported:
        return f"No interval can be given: {answer.why_not}."
    if not answer.new_supported:
        return f"What another garden would see cannot be said: {answer.new_why_not}."
    group = answer.overall[answer.overall["group"] == 0]
    where = "In another garden"
    if not any(one.replicated for one in answer.firsts):
        where = "From one row of each in another garden"
    if pd.isna(best["best"]):
        return f"{where} expect {_expected(answer, best)}."
    rival = group.sort_values("best", ascending=False, kind="stable").iloc[0]
    chance = (f"with a chance of {percent(float(best['best']))} that it comes out best of the "
              f"{len(group)}")
    if rival["variety"] != best["variety"]:
        chance += f" (for {rival['variety']} {percent(float(rival['best']))})"
    return f"{where} expect {_expected(answer, best)}, {chance}."


def _expected(answer: SeasonAnswer, best: Any) -> str:
    """`0.9 to 2.1 times`, `5.1 g less to 15 g more`, `2 to 9 g more`."""
    low, high = float(best["new_low"]), float(best["new_high"])
    if not within(answer, low, high):
        return "anything, more or less,"
    if answer.scale == "log":
        return f"{figure(low)} to {figure(high)} times"
    if low < 0 < high:
        return f"{figure(-low)} less to {figure(high)} more"
    near, far = sorted((abs(low), abs(high)))
    return f"{figure(near)} to {figure(far)} {'more' if high > 0 else 'less'}"


def _how_sure(answer: SeasonAnswer, found: Apart, state: str) -> str:
    if state == DESCRIPTION:
        return "Not sure at all: these are the figures as they came."
    single = [one for one in answer.firsts if not one.replicated]
    said = ["Sure enough to say so: the intervals in brackets hold for all varieties at once "
            "(95 %)." if state == SETTLED else
            "Not sure: these trials can't separate them."]
    if single and len(single) == len(answer.firsts):
        said.append("Each trial counts as one block, as every variety stood in one plot there: "
                    f"together they are one trial in blocks, with {round(found.df, 1):g} degrees "
                    "of freedom.")
    elif single:
        said.append(f"{len(single)} of the {len(answer.firsts)} trials had one plot of each "
                    "variety; each of those counts as one block.")
    differ = sum(sd**2 for name, sd in answer.variances.items() if name.startswith("variety"))
    if answer.new_supported and not single:
        said.append(_gardens_differ(answer, differ))
    if len(answer.firsts) == 1:
        said.append("It holds for that garden and that year alone.")
    return " ".join(said)


def _gardens_differ(answer: SeasonAnswer, variance: float) -> str:
    from math import exp, sqrt

    apart = sqrt(2.0 * variance)
    if answer.scale == "log":
        factor = exp(apart)
        if factor < 1.05:
            return "From garden to garden the ratios differ no more than chance would have it."
        return (f"In two gardens of three a ratio is within {figure(factor)} times, up or down, "
                "of what it is overall.")
    if apart < 0.02 * max(abs(float(answer.means["y"].mean())), 1e-12):
        return "From garden to garden the differences vary no more than chance would have it."
    return (f"In two gardens of three a difference is within {figure(apart)} {answer.unit} of "
            "what it is overall.")


def _next(answer: SeasonAnswer, state: str) -> str:
    check = answer.check or "one variety"
    gardens = len({one.place for one in answer.firsts})
    keep = f"Next year keep {check} in every garden, so that gardens and years stay linked."
    if gardens == 1:
        among = f", {answer.check} among them" if answer.check else ""
        return (f"Ask others to plant the same varieties{among}: one row of each in a second "
                "garden already counts as a second block.")
    if state == DESCRIPTION:
        return ("Agree on varieties that every garden plants; with two of them in common, gardens "
                "can repeat each other. " + keep)
    if state == OPEN:
        return "More gardens settle it sooner than more plots in the same ones. " + keep
    return keep


def _cannot_tell(answer: SeasonAnswer) -> tuple[str, ...]:
    out = []
    if not answer.new_supported:
        out.append(f"What another garden would see: {answer.new_why_not}.")
    years = {one.year for one in answer.firsts}
    if len(years) == 1:
        out.append(f"What another year would bring: all of it is from {min(years)}.")
    elif len(years) == 2:
        out.append("How much years differ: two of them say little about that.")
    known = any(name == YEAR for name in answer.variances)
    if len(years) > 1 and answer.supported and not known:
        out.append("Whether the order of varieties differs from year to year: too little was grown "
                   "in several years, so that the intervals are for these years alone.")
    main = answer.groups[0] if answer.groups else ()
    for other in answer.groups[1:]:
        out.append(f"How {few(other)} would do against {answer.check or few(main)}: no garden "
                   "links them, directly or through a third variety.")
    single = [one for one in answer.firsts if not one.replicated]
    if single and len(answer.firsts) > 1:
        out.append("Whether a garden with one row of each variety differs from the others, or the "
                   "row does: in such a garden variety and row are the same thing.")
    if answer.check:
        without = answer.shared[~answer.shared["check"] & (answer.shared["group"] == 0)]["trial"]
        if len(without):
            out.append(f"How {answer.check} would have done in {few(list(without))}, where it was "
                       "not grown; those count through the other varieties.")
    rows = answer.overall
    once = list(rows[(rows["gardens"] == 1) & (rows["group"] == 0)]["variety"])
    if once and len({one.place for one in answer.firsts}) > 1:
        out.append(f"Whether {few(once)} {'does' if len(once) == 1 else 'do'} as well elsewhere: "
                   "grown in one garden only.")
    chance = answer.flips[~answer.flips["supported"]] if len(answer.flips) else answer.flips
    if len(chance) and answer.supported:
        where = listed(list(dict.fromkeys(chance["variety"]))[:4])
        out.append(f"Whether the order of {where} against {answer.check or AVERAGE} was truly the "
                   "other way round where it looked so: that could be chance.")
    return tuple(out)
