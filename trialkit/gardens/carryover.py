"""Next season's trial from what earlier ones showed: check, settings, spreads, and which varieties
might stay.  Every variety is carried over; what might go is said beside it, for the grower to
delete.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from trialkit.decide import Conclusion, conclude
from trialkit.gardens.components import KINDS, Components, components, pooled
from trialkit.gardens.spreadfile import FILE, said, spread_text
from trialkit.gardens.staying import Proposal, proposals
from trialkit.models import Missing
from trialkit.reading.spelling import folded
from trialkit.records import Records, read_records
from trialkit.records.description import Description, description_text, toml_value
from trialkit.records.folder import DESCRIPTION
from trialkit.records.starter import start_trial, starter_texts
from trialkit.trial import Trial

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
    read = _newest_first([read_records(Path(one)) for one in earlier])
    trials = [(name, conclude(records)) for name, records in read]
    found = [(name, components(conclusion.analysis)) for name, conclusion in trials]
    known = [(name, one) for name, one in found if isinstance(one, Components)]
    learned = pooled([one for _, one in known]) if known else None
    proposed = proposals(trials)
    texts = starter_texts(folder)
    if learned is not None:
        texts[FILE] = spread_text(learned, known)
    # Last, so that a folder half made is not taken for a trial.
    texts.pop(DESCRIPTION)
    texts[DESCRIPTION] = trial_text(folder, trials, proposed, learned is not None)
    made = start_trial(folder, texts)
    return Carried(tuple(made), tuple(proposed), learned, tuple(_told(n, o) for n, o in found))


def _newest_first(read: Sequence[Records]) -> list[tuple[str, Records]]:
    if not read:
        raise ValueError("Name at least one earlier trial.")
    crops = {folded(one.trial.crop): one.trial.crop for one in read}
    if len(crops) > 1:
        raise ValueError(f"The trials are of several crops: {', '.join(crops.values())}.")
    ordered = sorted(read, key=lambda one: one.trial.planted, reverse=True)
    return [(one.folder.resolve().name, one) for one in ordered]


def _told(name: str, found: Components | Missing) -> str:
    if isinstance(found, Missing):
        return f"{name}: teaches no spread, since {found.reason}"
    return f"{name}: " + ", ".join(f"{kind} {said(found.of(kind))}" for kind in KINDS)


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
    return head + "\n".join(_part(one) for one in proposed) + "\n" + _NEW


def _described(title: str, about: Trial, proposed: Sequence[Proposal]) -> Description:
    layout = about.layout
    found = Description(
        title=title, crop=about.crop, garden=about.garden, counted=about.counted,
        reach=None if about.reach_cm is None else f"{about.reach_cm:.6g} cm",
        threshold_per_week=about.threshold_per_week, height_unit=about.height_unit,
        weight_unit=about.weight_unit, varieties=tuple(one.variety for one in proposed),
        row_cm=layout.row_spacing_cm, plant_cm=layout.plant_spacing_cm, sun=layout.sun,
        shade=layout.shade,
    )  # fmt: skip
    return found if about.looks is None else replace(found, looks=about.looks)


def _with_settings(head: str, about: Trial) -> str:
    """Two settings that a new trial seldom needs: the harvest's own unit, the order of dates."""
    if about.harvest_unit:
        line = f"weight = {toml_value(about.weight_unit)}\n"
        head = head.replace(line, f"{line}harvest = {toml_value(about.harvest_unit)}\n", 1)
    if about.day_order:
        line = f'# dates = "{about.day_order}"\n'
        head = head.replace(line, line.removeprefix("# "), 1)
    return head


def _part(one: Proposal) -> str:
    proposed = "Proposed to stay" if one.keep else "Proposed to leave out; it is your choice"
    lines = _note(f"{proposed}: {'; '.join(one.reasons)}.")
    lines += ["[[varieties]]", f"name = {toml_value(one.variety)}"]
    return "\n".join([*lines, *(["check = true"] if one.check else []), ""])


def _note(text: str) -> list[str]:
    """As comment lines; what a comment may not hold (TOML 1.0, Comment) is left out."""
    tidy = "".join(c if c.isprintable() else " " for c in text)
    return textwrap.wrap(" ".join(tidy.split()), WIDTH, initial_indent="# ",
                         subsequent_indent="# ", break_long_words=False)  # fmt: skip
