"""Next season's trial from what earlier ones showed: check, settings, spreads, and which varieties
might stay.  Every variety is carried over; what might go is said beside it, for the grower to
delete.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import pandas as pd

from trialkit.decide import Conclusion, conclude
from trialkit.decide.looks import SETTLED
from trialkit.decide.one_trait import in_own_unit
from trialkit.gardens.components import (
    FILE,
    KINDS,
    Components,
    components,
    limits_text,
    pooled,
    spread_text,
)
from trialkit.models import Missing, TraitResult
from trialkit.reading.spelling import folded
from trialkit.records import Records, read_records
from trialkit.records.files import DESCRIPTION
from trialkit.records.start import (
    Description,
    description_text,
    start_trial,
    starter_texts,
    toml_value,
)
from trialkit.trial import Trial
from trialkit.wording import figure, listed, span, times

if TYPE_CHECKING:
    from trialkit.decide import Conclusion

WIDTH = 96
_NEW = """\
# A variety to try for the first time:
# [[varieties]]
# name = "..."
"""


@dataclass(frozen=True)
class Carried:
    """made: the files of the new trial.  proposals: one a variety.  learned: the spreads of all
    earlier trials together, None where none tells.  told: of each earlier trial, its folder's
    name with the spreads it taught or the reason it taught none."""

    made: tuple[Path, ...]
    proposals: tuple[Proposal, ...]
    learned: Components | None
    told: tuple[str, ...]


def carry_over(folder: str | Path, earlier: Sequence[str | Path]) -> Carried:
    """Begin a trial in `folder` with what the trials in `earlier` showed.

    Raises RecordsError and TrialProblems where an earlier trial has errors, ValueError where the
    trials are of several crops or none is given, and what `start_trial` raises.
    """
    folder = Path(folder)
    read = _newest_first([read_records(Path(trial)) for trial in earlier])
    trials = [(name, conclude(records)) for name, records in read]
    taught = [(name, components(conclusion.analysis)) for name, conclusion in trials]
    known = [(name, own) for name, own in taught if isinstance(own, Components)]
    learned = pooled([own for _, own in known]) if known else None
    proposed = proposals(trials)
    texts = starter_texts(folder)
    if learned is not None:
        texts[FILE] = spread_text(learned, known)
    # Last, so that a folder half made is not taken for a trial.
    texts.pop(DESCRIPTION)
    texts[DESCRIPTION] = trial_text(folder, trials, proposed, learned is not None)
    made = start_trial(folder, texts)
    return Carried(tuple(made), tuple(proposed), learned, tuple(_taught(n, t) for n, t in taught))


def _newest_first(read: Sequence[Records]) -> list[tuple[str, Records]]:
    if not read:
        raise ValueError("Name at least one earlier trial.")
    crops = {folded(records.trial.crop): records.trial.crop for records in read}
    if len(crops) > 1:
        raise ValueError(f"The trials are of several crops: {', '.join(crops.values())}.")
    ordered = sorted(read, key=lambda records: records.trial.planted, reverse=True)
    return [(records.folder.resolve().name, records) for records in ordered]


def _taught(name: str, taught: Components | Missing) -> str:
    if isinstance(taught, Missing):
        return f"{name}: teaches no spread, since {taught.reason}"
    return f"{name}: " + ", ".join(f"{kind} {limits_text(taught.of(kind))}" for kind in KINDS)


def trial_text(
    folder: Path, trials: Sequence[tuple[str, Conclusion]], proposed: Sequence[Proposal],
    learned: bool,
) -> str:
    """The new trial.toml: settings of the newest trial, a part for every variety with the reason
    it might stay or go."""
    about = trials[0][1].analysis.records.trial
    title = "".join(filter(str.isprintable, folder.resolve().name)) or about.title
    text = description_text(_described(title, about, proposed))
    head = text[: text.index("\n[[varieties]]") + 1]
    names = ", ".join(name for name, _ in trials)
    head = _with_settings(head, about) + "\n".join([
        "#",
        *_note(f"Carried over from {names}. Nothing was decided for you: every variety is here, "
               "and above each stands what the records say of it. Delete those that go."),
        *(_note(f"{FILE} holds how much plots, plants and picks differed; trialkit plan reads it "
                "to say what the bed can show.") if learned else []), "", ""])  # fmt: skip
    seed = {variety.name: variety.seed_cost for variety in about.varieties}
    parts = [_part(proposal, seed.get(proposal.variety)) for proposal in proposed]
    return head + "\n".join(parts) + "\n" + _NEW


def _described(title: str, about: Trial, proposed: Sequence[Proposal]) -> Description:
    layout = about.layout
    description = Description(
        title=title, crop=about.crop, garden=about.garden, counted=about.counted,
        reach=None if about.reach_cm is None else f"{about.reach_cm:.6g} cm",
        threshold_per_week=about.threshold_per_week, height_unit=about.height_unit,
        weight_unit=about.weight_unit, varieties=tuple(proposal.variety for proposal in proposed),
        row_cm=layout.row_spacing_cm, plant_cm=layout.plant_spacing_cm, sun=layout.sun,
        shade=layout.shade,
    )  # fmt: skip
    return description if about.looks is None else replace(description, looks=about.looks)


def _with_settings(head: str, about: Trial) -> str:
    """Settings that few trials have: the harvest's own unit, the order of dates, the price."""
    if about.harvest_unit:
        line = f"weight = {toml_value(about.weight_unit)}\n"
        head = head.replace(line, f"{line}harvest = {toml_value(about.harvest_unit)}\n", 1)
    if about.day_order:
        line = f'# dates = "{about.day_order}"\n'
        head = head.replace(line, line.removeprefix("# "), 1)
    if about.price:
        line = f"price = {toml_value(about.price.text)}\n"
        head = head.replace('# price = "3.50 a kg"\n', line, 1)
    return head


def _part(proposal: Proposal, seed_cost: float | None) -> str:
    proposed = "Proposed to stay" if proposal.keep else "Proposed to leave out; it is your choice"
    lines = _note(f"{proposed}: {'; '.join(proposal.reasons)}.")
    lines += ["[[varieties]]", f"name = {toml_value(proposal.variety)}"]
    lines += ["check = true"] if proposal.check else []
    lines += [] if seed_cost is None else [f"seed_cost = {toml_value(seed_cost)}"]
    return "\n".join([*lines, ""])


def _note(text: str) -> list[str]:
    """As comment lines; what a comment may not hold (TOML 1.0, Comment) is left out."""
    tidy = "".join(c if c.isprintable() else " " for c in text)
    return textwrap.wrap(" ".join(tidy.split()), WIDTH, initial_indent="# ",
                         subsequent_indent="# ", break_long_words=False)  # fmt: skip


Finding = Literal["check", "better", "worse", "open", "no ground"]


class Proposal(NamedTuple):
    """A variety: whether to keep it is proposed, and the reasons, one a trial."""

    variety: str
    check: bool
    keep: bool
    reasons: tuple[str, ...]


class Judgement(NamedTuple):
    """What one trial says of one variety: the finding, and it in words."""

    finding: Finding
    words: str


def proposals(trials: Sequence[tuple[str, Conclusion]]) -> list[Proposal]:
    """What to do with each variety of these trials, by folder name, the newest first.

    Proposed to be left out is only what gave clearly less wherever it could be compared, and not
    more within reach.  The check is that of the newest trial that has one.
    """
    check = next((c.analysis.check for _, c in trials if c.analysis.check), None)
    spelt: dict[str, str] = {}
    judgements: dict[str, list[tuple[str, Judgement]]] = {}
    for name, conclusion in trials:
        for variety in conclusion.analysis.order:
            spelt.setdefault(folded(variety), variety)
            judgements.setdefault(folded(variety), []).append(
                (name, _judgement(conclusion, variety))
            )
    return [_proposal(spelt[key], check, own, len(trials) > 1) for key, own in judgements.items()]


def _proposal(
    variety: str, check: str | None, judgements: Sequence[tuple[str, Judgement]], several: bool
) -> Proposal:
    is_check = check is not None and folded(variety) == folded(check)
    compared = [own for _, own in judgements if own.finding not in ("no ground", "check")]
    worse = bool(compared) and all(own.finding == "worse" for own in compared)
    by_words: dict[str, list[str]] = {}
    for name, own in judgements:
        by_words.setdefault(own.words, []).append(name)
    reasons = tuple(f"{listed(names)}: {text}" if several else text
                    for text, names in by_words.items())  # fmt: skip
    return Proposal(variety, is_check, is_check or not worse, reasons)


def _judgement(conclusion: Conclusion, variety: str) -> Judgement:
    analysis = conclusion.analysis
    if variety == analysis.check:
        return Judgement("check", "the check, which the others are set against")
    if conclusion.own is not None:
        return Judgement("no ground", f"no ground to drop it: the trial asked for "
                         f"{conclusion.question}, which its own report answers")
    main: TraitResult | Missing = analysis.pods
    if isinstance(main, Missing) and isinstance(analysis.harvest, TraitResult):
        main = in_own_unit(analysis.harvest, analysis.records.trial)
    if isinstance(main, Missing):
        return Judgement("no ground", f"no ground to drop it: {main.reason}")
    if not main.supported:
        return Judgement("no ground", f"no ground to drop it: {main.why_not}")
    if analysis.check is None:
        return _against_best(main, variety)
    if conclusion.looks is not None:
        return _by_looks(conclusion, variety, str(analysis.check))
    return _by_interval(main, variety, str(analysis.check))


def _by_looks(conclusion: Conclusion, variety: str, check: str) -> Judgement:
    """By the interval that holds however often was looked."""
    looks = conclusion.looks
    result = None if looks is None else looks.results.get((variety, check))
    rows = conclusion.table.set_index("variety")
    row = rows.loc[variety]
    if result is None or pd.isna(row["ratio"]):
        return Judgement("no ground", f"no ground to drop it: it was not compared with {check}")
    size = f"{times(row['ratio'])}{span(row['ratio_low'], row['ratio_high'])} {check}"
    if result.state != SETTLED:
        return Judgement("open", f"not settled: {size}")
    if result.direction > 0:
        return Judgement("better", f"clearly better: {size}")
    window = conclusion.analysis.window
    if isinstance(window, TraitResult) and window.supported:
        within = window.means.set_index("variety")["estimate"].astype(float)
        own, other = within.get(variety, np.nan), within.get(check, np.nan)
        if own > other:
            return Judgement("open", f"clearly less, {size}, but more within reach than {check}: "
                                 f"{own:.2g} against {other:.2g} a plant a week")  # fmt: skip
    return Judgement("worse", f"clearly worse: {size}")


def _by_interval(main: TraitResult, variety: str, check: str) -> Judgement:
    rows = main.against_check
    row = rows[rows["variety"] == variety]
    return _judged(row, main, check)


def _against_best(main: TraitResult, variety: str) -> Judgement:
    """Without a check: against the variety that gave most, all pairs allowed for."""
    means = main.means.dropna(subset=["estimate"]).set_index("variety")["estimate"]
    best = str(means.idxmax())
    if variety == best:
        return Judgement("better", "gave most")
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


def _judged(row: pd.DataFrame, main: TraitResult, other: str) -> Judgement:
    if row.empty or not np.isfinite(row[["low", "high"]].to_numpy(dtype=float)).all():
        return Judgement(
            "no ground", f"no ground to drop it: it could not be compared with {other}"
        )
    low, high = float(row["low"].iloc[0]), float(row["high"].iloc[0])
    estimate = float(row["estimate"].iloc[0])
    if main.scale == "ratio":
        none, size = 1.0, f"{times(estimate)}{span(low, high)} {other}"
    else:
        none = 0.0
        size = (f"{_signed(estimate, high - low)} {main.unit} against {other} "
                f"({_signed(low)} to {_signed(high)})")  # fmt: skip
    if low > none:
        return Judgement("better", f"clearly better: {size}")
    return Judgement("worse", f"clearly worse: {size}") if high < none else Judgement(
        "open", f"not settled: {size}")


def _signed(value: float, against: float = 0.0) -> str:
    """With its sign; nothing where it is nothing beside the width of its interval."""
    if abs(value) <= 1e-6 * against:
        return "0"
    return f"-{figure(-value)}" if value < 0 else figure(value)
