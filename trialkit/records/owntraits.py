"""Traits of one's own: what their values may be, and the table that holds them.

In traits.csv a value is kept as it was written and read when it is used, so that nothing is lost by
a change of trial.toml.  In the log a trait goes under the kind "trait:" and its name, each value in
one way of writing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from trialkit.reading.amounts import Mark, is_blank, number, whole_number
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import did_you_mean, folded
from trialkit.records.findings import LISTED, Findings, Located
from trialkit.records.log import Conflict, joined
from trialkit.records.schema import OWN_KIND
from trialkit.trial import OwnTrait, Trial

YES = frozenset({"yes", "y", "true", "1", "x", "ja", "si", "oui"})
NO = frozenset({"no", "n", "false", "0"})
LONGEST = 60


def accepted(trait: OwnTrait) -> str:
    """What a cell of this trait may hold."""
    if trait.kind == "score" and trait.words:
        return ", ".join(trait.words) + f", or a whole number from 1 to {len(trait.words)}"
    return {
        "score": f"a whole number from {trait.low} to {trait.high}",
        "count": "a whole number from 0",
        "measure": "a number" + (f", in {trait.unit}, without the unit" if trait.unit else ""),
        "yes or no": "yes or no",
        "day": "yes on the day it was first seen, no while it is not, or nothing for yes",
        "share": "how many of how many, such as 3/20, or a percentage such as 15 %",
    }[trait.kind]


def read_value(
    trait: OwnTrait, text: str, mark: Mark | None = "."
) -> tuple[float, float]:
    """A value as a number, and of how many it is (1 but for a share n/N; NaN for a percentage).

    A score: its number; yes 1 and no 0.  mark : what the table writes before decimals.  Raises
    Unreadable.
    """
    tidied = " ".join(text.split())
    what = accepted(trait)
    if len(tidied) > LONGEST:
        raise Unreadable("It is too long for a value.", what)
    if trait.kind in ("yes or no", "day"):
        word = folded(tidied)
        if word in YES or (trait.kind == "day" and not tidied):
            return 1.0, 1.0
        if word in NO:
            return 0.0, 1.0
        raise Unreadable("It is neither yes nor no.", what)
    if not tidied:
        raise Unreadable("It is blank.", what)
    if trait.kind == "score":
        return _score(trait, tidied, what), 1.0
    if trait.kind == "share":
        return _share(tidied, what, mark)
    value = whole_number(tidied, accepted=what) if trait.kind == "count" else number(
        _without_unit(trait, tidied), mark=mark, accepted=what)
    if trait.kind == "count" and value < 0:
        raise Unreadable("A count cannot be below zero.", what)
    return float(value), 1.0


def _without_unit(trait: OwnTrait, text: str) -> str:
    """A measure without the unit that trial.toml gives it: "34 mm" is 34 where that is mm."""
    bare = text.casefold().removesuffix(trait.unit.casefold()).rstrip() if trait.unit else text
    return bare or text


def _score(trait: OwnTrait, text: str, what: str) -> float:
    words = {folded(word): place for place, word in enumerate(trait.words, start=1)}
    if folded(text) in words:
        return float(words[folded(text)])
    ends = {folded(end): value for end, value in zip(trait.ends, (trait.low, trait.high),
                                                     strict=False)}
    if folded(text) in ends:
        return float(ends[folded(text)])
    try:
        value = whole_number(text, accepted=what)
    except Unreadable:
        raise Unreadable("It is not on the scale.", what) from None
    if not trait.low <= value <= trait.high:
        raise Unreadable(f"The scale goes from {trait.low} to {trait.high}.", what)
    return float(value)


def _share(text: str, what: str, mark: Mark | None = ".") -> tuple[float, float]:
    part, sep, whole = text.replace(" of ", "/").partition("/")
    if not sep:
        value = number(text.rstrip("% "), mark=mark, accepted=what)
        if not 0 <= value <= 100:
            raise Unreadable("A percentage lies between 0 and 100.", what)
        if "%" not in text:
            raise Unreadable("Of how many?", what)
        return value / 100.0, float("nan")
    n, of = whole_number(part.strip(), accepted=what), whole_number(whole.strip(), accepted=what)
    if not 0 <= n <= of or of < 1:
        raise Unreadable("The first number is of the second.", what)
    return n / of, float(of)


def own_of(name: str, trial: Trial) -> OwnTrait | None:
    """The trait of that name, or of that kind in the log; None where trial.toml has none."""
    key = folded(name.removeprefix(OWN_KIND))
    return next((trait for trait in trial.traits if folded(trait.name) == key), None)


def kept_value(trait: OwnTrait, text: str, mark: Mark | None = ".") -> str:
    """A value as the log keeps it, one way of writing for each.  Raises Unreadable."""
    amount, of = read_value(trait, text, mark)
    if trait.kind in ("yes or no", "day"):
        return "yes" if amount else "no"
    if trait.kind == "share":
        return f"{100 * amount:.12g} %" if np.isnan(of) else f"{amount * of:.0f}/{of:.0f}"
    if trait.kind == "score" and trait.words:
        return trait.words[int(amount) - trait.low]
    return f"{amount:.15g}"


def with_logged(
    trial: Trial, own: Located, logged: Located, findings: Findings
) -> tuple[Located, list[Conflict]]:
    """traits.csv with the log's records beside it, and where the two differ: then neither is used.

    Records of a trait that trial.toml does not declare (any more), or not with such values, are
    left out, with a doubt; they stay in the log.
    """
    frame = logged.frame
    if not len(frame):
        return own, []
    here: dict[tuple[object, object, str], list[int]] = {}
    for i, (day, plant, name) in enumerate(zip(own.frame["date"], own.frame["plant"],
                                               own.frame["trait"], strict=True)):
        here.setdefault((day, plant, folded(str(name))), []).append(i)
    values = own.frame["value"].to_list()
    fresh, used = np.ones(len(frame), dtype=bool), np.ones(len(own.frame), dtype=bool)
    conflicts: list[Conflict] = []
    names: list[str] = []
    for j, (day, plant, name, value) in enumerate(zip(
            frame["date"], frame["plant"], frame["trait"], frame["value"], strict=True)):
        trait, why = _as_declared(trial, name, value)
        names.append(name if trait is None else trait.name)
        file, line = logged.where(j)
        if trait is None:
            findings.doubt(file, line, name, value, f"left out: {why}")
            fresh[j] = False
            continue
        same = here.get((day, plant, folded(trait.name)), [])
        fresh[j] = not same
        other = next((i for i in same if _differs(trait, values[i], value)), None)
        if other is not None:
            used[same] = False
            written = "yes" if pd.isna(values[other]) else str(values[other])
            conflicts.append(Conflict(day.date(), plant, trait.name, written,
                                      "{} line {}".format(*own.where(other)), value,
                                      f"{file} line {line}", line))
    spelled = logged.having(trait=pd.Series(names, dtype="str"))
    return joined(own.keep(used), spelled.keep(fresh)), conflicts


def _as_declared(trial: Trial, name: str, value: str) -> tuple[OwnTrait | None, str]:
    """The trait of a record of the log; None, and why, where trial.toml has it otherwise now."""
    trait = own_of(name, trial)
    if trait is None:
        return None, "trial.toml declares no such trait"
    try:
        kept_value(trait, value)
    except Unreadable as error:
        return None, f"as trial.toml declares the trait now, it may be {error.accepted}"
    return trait, ""


def _differs(trait: OwnTrait, written: str | None, value: str) -> bool:
    """Whether a cell of traits.csv says something else; a blank one does not, but of a day yes."""
    blank = bool(pd.isna(written))
    if blank and trait.kind != "day":
        return False
    try:
        return kept_value(trait, "" if blank else str(written)) != kept_value(trait, value)
    except Unreadable:
        return False  # told as an error already


def check_traits(trial: Trial, rows: Located, findings: Findings) -> Located:
    """Note what is wrong with the rows of traits.csv; return them with traits as trial.toml has
    them, and numbers with a decimal point where the file may write a comma."""
    frame = rows.frame
    if not len(frame):
        return rows
    own = {folded(trait.name): trait for trait in trial.traits}
    unknown = [i for i, name in enumerate(frame["trait"]) if not pd.isna(name)
               and folded(str(name)) not in own]
    at = np.array(unknown, dtype=np.intp)
    named = ", ".join(trait.name for trait in trial.traits) or "a trait declared under [[traits]]"
    findings.errors_at(
        rows, at, "trait", [str(frame["trait"].iloc[i]) for i in at[:LISTED]],
        ["trial.toml declares no such trait."
         + did_you_mean(str(frame["trait"].iloc[i]), [t.name for t in trial.traits])
         for i in at[:LISTED]], named)
    wrong: dict[str, list[tuple[int, str]]] = {}
    values = frame["value"].to_list()
    for i, (name, value) in enumerate(zip(frame["trait"], frame["value"], strict=True)):
        trait = own.get(folded(str(name)))
        if trait is None:
            continue
        mark = "." if str(value) in rows.settled else rows.mark
        try:
            if trait.kind != "day" and is_blank(str(value)):
                values[i] = None
            elif not pd.isna(value):
                stored = kept_value(trait, str(value), mark)
                values[i] = value if mark == "." else stored
        except Unreadable as error:
            wrong.setdefault(error.accepted, []).append((i, error.problem))
    for what, cells in wrong.items():
        at = np.array([i for i, _ in cells], dtype=np.intp)
        findings.errors_at(rows, at, "value", [str(frame["value"].iloc[i]) for i in at[:LISTED]],
                           [problem for _, problem in cells[:LISTED]], what)
    spelled = frame["trait"].map(
        lambda name: own[folded(str(name))].name if folded(str(name)) in own else name,
        na_action="ignore")
    return rows.having(trait=spelled.astype("str").where(spelled.notna(), None),
                       value=pd.Series(values, dtype=frame["value"].dtype))


def values_of(traits: pd.DataFrame, trait: OwnTrait) -> pd.DataFrame:
    """The rows of one trait with `amount` and `of` (see `read_value`); blanks left out, but for a
    day, where nothing written means yes."""
    rows = traits[traits["trait"] == trait.name]
    if trait.kind != "day":
        rows = rows[rows["value"].notna()]
    known: Mapping[str, tuple[float, float]] = {
        text: read_value(trait, text) for text in rows["value"].fillna("").unique()}
    read = [known[text] for text in rows["value"].fillna("")]
    return rows.assign(amount=[a for a, _ in read], of=[n for _, n in read])
