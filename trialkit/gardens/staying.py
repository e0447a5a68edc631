"""Which varieties might stay for another season, and why: proposals, never decisions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import pandas as pd

from trialkit.decide.harvested import in_own_unit
from trialkit.decide.looks import SETTLED
from trialkit.models import Missing, TraitResult
from trialkit.reading.spelling import folded
from trialkit.wording import figure, listed, span, times

if TYPE_CHECKING:
    from trialkit.decide import Conclusion

Finding = Literal["check", "better", "worse", "open", "no ground"]


class Proposal(NamedTuple):
    """A variety: whether to keep it is proposed, and the reasons, one a trial."""

    variety: str
    check: bool
    keep: bool
    reasons: tuple[str, ...]


class Found(NamedTuple):
    """What one trial says of one variety: the finding, and it in words."""

    finding: Finding
    words: str


def proposals(trials: Sequence[tuple[str, Conclusion]]) -> list[Proposal]:
    """What to do with each variety of these trials, by folder name, the newest first.

    Proposed to be left out is only what gave clearly less wherever it could be compared, and not
    more within reach.  The check is that of the newest trial that has one.
    """
    check = next((c.analysis.check for _, c in trials if c.analysis.check), None)
    seen: dict[str, str] = {}
    found: dict[str, list[tuple[str, Found]]] = {}
    for name, conclusion in trials:
        for variety in conclusion.analysis.order:
            seen.setdefault(folded(variety), variety)
            found.setdefault(folded(variety), []).append((name, _found(conclusion, variety)))
    return [_proposal(seen[key], check, said, len(trials) > 1) for key, said in found.items()]


def _proposal(
    variety: str, check: str | None, said: Sequence[tuple[str, Found]], several: bool
) -> Proposal:
    is_check = check is not None and folded(variety) == folded(check)
    compared = [one for _, one in said if one.finding not in ("no ground", "check")]
    worse = bool(compared) and all(one.finding == "worse" for one in compared)
    by_words: dict[str, list[str]] = {}
    for name, one in said:
        by_words.setdefault(one.words, []).append(name)
    reasons = tuple(f"{listed(names)}: {text}" if several else text
                    for text, names in by_words.items())  # fmt: skip
    return Proposal(variety, is_check, is_check or not worse, reasons)


def _found(conclusion: Conclusion, variety: str) -> Found:
    analysis = conclusion.analysis
    if variety == analysis.check:
        return Found("check", "the check, which the others are set against")
    main: TraitResult | Missing = analysis.pods
    if isinstance(main, Missing) and isinstance(analysis.harvest, TraitResult):
        main = in_own_unit(analysis.harvest, analysis.records.trial)
    if isinstance(main, Missing):
        return Found("no ground", f"no ground to drop it: {main.reason}")
    if not main.supported:
        return Found("no ground", f"no ground to drop it: {main.why_not}")
    if analysis.check is None:
        return _against_best(main, variety)
    if conclusion.looks is not None:
        return _by_looks(conclusion, variety, str(analysis.check))
    return _by_interval(main, variety, str(analysis.check))


def _by_looks(conclusion: Conclusion, variety: str, check: str) -> Found:
    """By the interval that holds however often was looked."""
    looks = conclusion.looks
    result = None if looks is None else looks.results.get((variety, check))
    rows = conclusion.table.set_index("variety")
    row = rows.loc[variety]
    if result is None or pd.isna(row["ratio"]):
        return Found("no ground", f"no ground to drop it: it was not compared with {check}")
    size = f"{times(row['ratio'])}{span(row['ratio_low'], row['ratio_high'])} {check}"
    if result.state != SETTLED:
        return Found("open", f"not settled: {size}")
    if result.direction > 0:
        return Found("better", f"clearly better: {size}")
    window = conclusion.analysis.window
    if isinstance(window, TraitResult) and window.supported:
        within = window.means.set_index("variety")["estimate"].astype(float)
        own, other = within.get(variety, np.nan), within.get(check, np.nan)
        if own > other:
            return Found("open", f"clearly less, {size}, but more within reach than {check}: "
                                 f"{own:.2g} against {other:.2g} a plant a week")  # fmt: skip
    return Found("worse", f"clearly worse: {size}")


def _by_interval(main: TraitResult, variety: str, check: str) -> Found:
    rows = main.against_check
    row = rows[rows["variety"] == variety]
    return _judged(row, main, check)


def _against_best(main: TraitResult, variety: str) -> Found:
    """Without a check: against the variety that gave most, all pairs allowed for."""
    means = main.means.dropna(subset=["estimate"]).set_index("variety")["estimate"]
    best = str(means.idxmax())
    if variety == best:
        return Found("better", "gave most")
    pairs = main.pairs
    straight = pairs[(pairs["left"] == variety) & (pairs["right"] == best)]
    if len(straight):
        return _judged(straight, main, best)
    turned = pairs[(pairs["left"] == best) & (pairs["right"] == variety)]
    if main.scale == "ratio":
        flipped = turned.assign(estimate=1 / turned["estimate"], low=1 / turned["high"],
                                high=1 / turned["low"])  # fmt: skip
    else:
        flipped = turned.assign(estimate=-turned["estimate"], low=-turned["high"],
                                high=-turned["low"])  # fmt: skip
    return _judged(flipped, main, best)


def _judged(row: pd.DataFrame, main: TraitResult, other: str) -> Found:
    if row.empty or not np.isfinite(row[["low", "high"]].to_numpy(dtype=float)).all():
        return Found("no ground", f"no ground to drop it: it could not be compared with {other}")
    low, high = float(row["low"].iloc[0]), float(row["high"].iloc[0])
    estimate = float(row["estimate"].iloc[0])
    if main.scale == "ratio":
        none, size = 1.0, f"{times(estimate)}{span(low, high)} {other}"
    else:
        none = 0.0
        size = (f"{_signed(estimate, high - low)} {main.unit} against {other} "
                f"({_signed(low)} to {_signed(high)})")  # fmt: skip
    if low > none:
        return Found("better", f"clearly better: {size}")
    return Found("worse", f"clearly worse: {size}") if high < none else Found(
        "open", f"not settled: {size}")


def _signed(value: float, against: float = 0.0) -> str:
    """With its sign; nothing where it is nothing beside the width of its interval."""
    if abs(value) <= 1e-6 * against:
        return "0"
    return f"-{figure(-value)}" if value < 0 else figure(value)
