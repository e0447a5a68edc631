"""Which number and which garden a trial has on a club's pages, the same from run to run."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from trialkit.club.folder import Manifest, Placed
from trialkit.club.memory import Memory
from trialkit.club.trial import TRIALS, identity
from trialkit.reading.spelling import folded


def place_all(folders: Sequence[Path], old: Manifest, memory: Memory) -> list[Placed]:
    """A place for every folder.

    A trial is known again by its folder, else by what was planted; a new one takes the next
    number.  Trials whose gardens have the same name share one garden number.
    """
    read = [identity(folder) for folder in folders]
    known = _known(folders, [id_ for id_, _ in read], old, memory)
    gardens: dict[str, int] = {}
    for entry, (_, garden) in zip(known, read, strict=True):
        if entry and garden.strip():
            gardens.setdefault(folded(garden), int(entry["garden"]))
    earlier = [*old.entries, *memory.known.values()]
    number = max((int(e["number"]) for e in earlier), default=0)
    last_garden = max((int(e["garden"]) for e in earlier), default=0)
    taken = {str(e["id"]) for e in known if e} | {str(e["id"]) for e in earlier}
    placed = []
    for folder, entry, (id_, garden) in zip(folders, known, read, strict=True):
        name = folded(garden) if garden.strip() else ""
        if entry is None:
            number += 1
            entry = {"number": number, "id": _unique(id_ or str(number), taken), "garden": 0}
            taken.add(str(entry["id"]))
        where = gardens.get(name, 0) or int(entry["garden"])
        if not where:
            last_garden += 1
            where = last_garden
        if name:
            gardens.setdefault(name, where)
        placed.append(Placed(folder, int(entry["number"]), str(entry["id"]), where))
    return placed


def _known(
    folders: Sequence[Path], ids: Sequence[str], old: Manifest, memory: Memory
) -> list[Mapping[str, Any] | None]:
    """What is known of each folder: by its path, then by what was planted, each entry once."""
    entries: list[Mapping[str, Any] | None] = [
        memory.known.get(str(folder.resolve())) for folder in folders
    ]
    used = {str(entry["id"]) for entry in entries if entry}
    for at, id_ in enumerate(ids):
        entry = None if entries[at] is not None else old.entry(id_)
        if entry is not None and id_ not in used:
            entries[at] = entry
            used.add(id_)
    return entries


def _unique(id_: str, taken: set[str]) -> str:
    """The id, or one made from it where another trial with the very same planting has it."""
    if not id_.startswith("urn:uuid:"):
        id_ = uuid.uuid5(TRIALS, f"unread {id_}").urn
    made, again = id_, 1
    while made in taken:
        again += 1
        made = uuid.uuid5(TRIALS, f"{id_} {again}").urn
    return made
