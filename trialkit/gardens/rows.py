"""The trials' means in one table: who may be put together with whom, under one name a variety."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from trialkit.gardens.first import Failed, FirstStage
from trialkit.reading.spelling import folded


@dataclass(frozen=True, eq=False)
class Rows:
    """table: one row a variety and trial: trial (name), at (index into `firsts`), within (index
    into its estimates), garden, place, year (text), variety, y, replicated.  groups: varieties
    that gardens link, the main group first.  check: shared by the trials, or None."""

    firsts: tuple[FirstStage, ...]
    aside: tuple[Failed, ...]
    table: pd.DataFrame
    varieties: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    check: str | None
    notes: tuple[str, ...]

    @property
    def main(self) -> tuple[str, ...]:
        """The varieties that are compared: those linked with the check, else the most."""
        return self.groups[0] if self.groups else ()


def gather(firsts: Sequence[FirstStage]) -> Rows:
    """Put the trials together that measure the same thing on the same crop; set the others aside.

    The kind most trials are of is kept (the first of them where two are as common).
    """
    kinds = [_kind(one) for one in firsts]
    common = Counter(kinds)
    kept = max(common, key=lambda k: (common[k], -kinds.index(k))) if kinds else ()
    used = tuple(one for one, kind in zip(firsts, kinds, strict=True) if kind == kept)
    aside = tuple(
        Failed(one.folder, f"it cannot be put together with the others: {_differs(one, used[0])}")
        for one, kind in zip(firsts, kinds, strict=True) if kind != kept
    )
    names, notes = _one_spelling(used)
    table = _table(used, names)
    varieties = tuple(dict.fromkeys(names[folded(v)] for one in used for v in one.varieties))
    check = _check(used, names, table)
    return Rows(used, aside, table, varieties, _groups(table, varieties, check), check,
                (*notes, *_twice(used)))


def _kind(one: FirstStage) -> tuple[str, ...]:
    # Ratios need no unit: pods and fruit counted alike compare varieties of one crop.
    unit = "" if one.scale == "log" else folded(one.unit)
    return folded(one.crop), one.trait, unit


def _differs(one: FirstStage, kept: FirstStage) -> str:
    if folded(one.crop) != folded(kept.crop):
        return f"its crop is {one.crop}, theirs {kept.crop}"
    if one.trait != kept.trait:
        return f"it measures {one.label}, they {kept.label}"
    return f"its unit is {one.unit}, theirs {kept.unit}"


def _one_spelling(used: Sequence[FirstStage]) -> tuple[dict[str, str], list[str]]:
    """Folded name -> the spelling most trials use, and a note where they differ."""
    spelt: dict[str, Counter[str]] = {}
    for one in used:
        for variety in one.varieties:
            spelt.setdefault(folded(variety), Counter())[variety] += 1
    names = {key: count.most_common(1)[0][0] for key, count in spelt.items()}
    notes = [
        f"{' and '.join(sorted(count))} are taken to be one variety"
        for count in spelt.values() if len(count) > 1
    ]
    return names, notes


def _twice(used: Sequence[FirstStage]) -> list[str]:
    """The same records under two folders would count twice."""
    seen = Counter(one.fingerprint for one in used)
    return [
        "The same records came from " + " and ".join(o.folder for o in used if o.fingerprint == f)
        + ": they count as often as they were given"
        for f, n in seen.items() if n > 1 and f
    ]


def trial_names(used: Sequence[FirstStage]) -> list[str]:
    """A name a trial, told apart where two folders share one."""
    count = Counter(one.folder for one in used)
    so_far: Counter[str] = Counter()
    out = []
    for one in used:
        so_far[one.folder] += 1
        again = f" ({so_far[one.folder]})" if count[one.folder] > 1 else ""
        out.append(one.folder + again)
    return out


def _table(used: Sequence[FirstStage], names: dict[str, str]) -> pd.DataFrame:
    rows = [
        (trial, at, within, one.garden, one.place, str(one.year), names[folded(variety)],
         float(one.estimates[within]), one.replicated)
        for at, (trial, one) in enumerate(zip(trial_names(used), used, strict=True))
        for within, variety in enumerate(one.varieties)
    ]
    columns = ["trial", "at", "within", "garden", "place", "year", "variety", "y", "replicated"]
    return pd.DataFrame(rows, columns=columns)


def _check(
    used: Sequence[FirstStage], names: dict[str, str], table: pd.DataFrame
) -> str | None:
    """The variety most trials mark as their check, the one grown in more trials at a tie."""
    marked = Counter(names[folded(one.check)] for one in used
                     if one.check and folded(one.check) in names)
    if not marked:
        return None
    grown = table["variety"].value_counts()
    return max(marked, key=lambda v: (marked[v], int(grown[v])))


def _groups(
    table: pd.DataFrame, varieties: Sequence[str], check: str | None
) -> tuple[tuple[str, ...], ...]:
    """Varieties linked through trials they share: the connected parts of the graph with an edge
    between a variety and every trial it stood in (Weeks & Williams 1964, Technometrics 6:319)."""
    if table.empty:
        return ()
    v = len(varieties)
    index = {name: i for i, name in enumerate(varieties)}
    left = table["variety"].map(index).to_numpy()
    right = v + table["at"].to_numpy()
    size = v + int(table["at"].max()) + 1
    graph = sparse.coo_array((np.ones(len(table)), (left, right)), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    parts: dict[int, list[str]] = {}
    for name in varieties:
        parts.setdefault(int(label[index[name]]), []).append(name)
    return tuple(tuple(part) for part in
                 sorted(parts.values(), key=lambda p: (check not in p, -len(p))))


def shared_varieties(rows: Rows) -> pd.DataFrame:
    """Who shares varieties with whom: trial, garden, year, varieties, check (bool, grown there),
    shared (varieties that another trial has too), group."""
    grown = {at: set(part["variety"]) for at, part in rows.table.groupby("at")}
    group_of = {v: g for g, part in enumerate(rows.groups) for v in part}
    count = rows.table["variety"].value_counts()
    out = []
    for at, (trial, one) in enumerate(zip(trial_names(rows.firsts), rows.firsts, strict=True)):
        own = grown[at]
        out.append((trial, one.garden, one.year, len(own), rows.check in own,
                    sum(int(count[v]) > 1 for v in own), group_of[min(own)]))
    return pd.DataFrame(out, columns=["trial", "garden", "year", "varieties", "check", "shared",
                                      "group"])
