"""What a LooksResult says, in one line and in full, for a grower."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trialkit.wording import percent

if TYPE_CHECKING:
    from trialkit.decide.looks import LooksResult


MORE_PLOTS = "More plots next year, rather than more picks, would settle it."


def one_line(result: LooksResult) -> str:
    """One sentence: the state and the number that carries it."""
    left, right = result.names
    if math.isnan(result.estimate):
        return "No comparison can be made yet: keep picking."
    if result.state == "settled":
        ahead, behind = (left, right) if result.direction > 0 else (right, left)
        return f"Settled: {ahead} is ahead of {behind}, {_size(result)}."
    if result.alike:
        return f"{left} and {right} are alike: {_size(result)}."
    if result.state == "keep picking":
        return f"Not settled yet, keep picking: {left} to {right}, {_size(result)}."
    return f"Will not be settled this season: {left} to {right}, {_size(result)}."


def full_text(result: LooksResult) -> str:
    """A paragraph: the state, why, what the interval means, and what to expect of more picks."""
    parts = [one_line(result), _rule(result)]
    if not math.isnan(result.estimate):
        parts.append(_check_on_settled(result))
        parts.append(_what_more_picks_bring(result))
    return " ".join(part for part in parts if part)


def _size(result: LooksResult) -> str:
    """The estimate with its interval, from the side of the one ahead once settled."""
    estimate, low, high = result.estimate, result.low, result.high
    if result.direction < 0:
        estimate, low, high = -estimate, -high, -low
    if not _worth_showing(result, low, high):
        return f"{_number(result, estimate)} so far, too early to say within what limits"
    return f"{_number(result, estimate)} ({_bare(result, low)} to {_bare(result, high)})"


def _worth_showing(result: LooksResult, low: float, high: float) -> bool:
    """Whether the limits say anything: a ratio known to worse than 100 times does not."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return False
    return result.scale != "ratio" or (high - low) / 2.0 < math.log(100.0)


def _number(result: LooksResult, value: float) -> str:
    if result.scale == "ratio":
        return f"{_bare(result, value)} times"
    unit = f" {result.unit}" if result.unit else ""
    return f"{_bare(result, value)}{unit}"


def _bare(result: LooksResult, value: float) -> str:
    """Two figures: 0.27, 1.4, 23."""
    shown = math.exp(value) if result.scale == "ratio" else value
    size = abs(shown)
    if size == 0.0 or not math.isfinite(size):
        return f"{shown:.0f}"
    places = max(0, 1 - math.floor(math.log10(size)))
    return f"{shown:.{min(places, 4)}f}"


def _rule(result: LooksResult) -> str:
    """Which rule decided, and what its interval promises."""
    error = f"{100 * result.alpha:.3g} %"
    if result.shared_by > 1:
        error = (
            f"{error} of the time ({100 * result.together:.3g} % for all "
            f"{result.shared_by} comparisons together)"
        )
    else:
        error += " of the time"
    if result.planned is None:
        return (
            "The number of looks was not planned, so the interval is one that holds however "
            f"often and whenever you look: over all looks together it misses the truth at most "
            f"{error}. An interval for a single look would be narrower and, looked "
            "at after every pick, would too often name a winner that is none."
        )
    over = result.looks > result.planned
    beyond = (
        f" All {result.planned} planned looks are used up; a later look is judged by the "
        "interval that holds however many there are."
        if over
        else ""
    )
    return (
        f"This is look {result.looks} of {result.planned} planned. The interval is widened so that "
        f"over all planned looks together a difference is claimed where there is none at most "
        f"{error}; early looks must be much clearer than late ones.{beyond}"
    )


def _check_on_settled(result: LooksResult) -> str:
    """Since when the looks have said so."""
    if result.state != "settled" or result.settled_on is None:
        return ""
    return f"So since {result.settled_on.day} {result.settled_on:%B %Y}."


def _what_more_picks_bring(result: LooksResult) -> str:
    """Conditional power in words."""
    if result.state == "settled":
        return ""
    if result.alike and result.alike_within is not None:
        return (
            f"Whatever difference there is, it is smaller than the "
            f"{_number(result, result.alike_within)} that would matter."
        )
    if result.over:
        return f"No look is left. {MORE_PLOTS}"
    if result.chance_at_trend is None:
        return "It is too early to say what more picks will bring."
    horizon = "by the last planned look" if result.planned else "with many more picks"
    chance = (
        f"If things go on as they are, the chance of settling it {horizon} is "
        f"{_percent(result.chance_at_trend)}"
    )
    if result.chance_if_worthwhile is not None and result.worthwhile is not None:
        size = _number(result, result.worthwhile)
        chance += f"; if the true difference were {size}, {_percent(result.chance_if_worthwhile)}"
    return f"{chance}." if result.state == "keep picking" else f"{chance}. {MORE_PLOTS}"


def _percent(chance: float) -> str:
    said = percent(chance)
    return f"about {said}" if said[0].isdigit() else said
