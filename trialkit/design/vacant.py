"""Whether a folder may take a plan: one that is new, as `trialkit new` left it, or described in its
trial.toml and nothing more.

What somebody wrote or recorded is never written over; what is in the way is told, all of it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from trialkit.design.planfile import NAME
from trialkit.records.folder import DESCRIPTION, LOG, WORKBOOK
from trialkit.records.schema import TABLES
from trialkit.records.starter import starter_texts

_ENDINGS = {".csv", ".xlsx", ".xls", ".toml", ".tsv", ".txt", ".ods"}
_STEMS = {table.name for table in TABLES} | {Path(n).stem for n in (DESCRIPTION, NAME, LOG)}


def in_the_way(folder: Path, described: bool = False) -> list[str]:
    """What a plan would write over or stand beside, in words; empty where it may be written.

    described : the plan is of what trial.toml says, and leaves that file as it is.
    """
    if folder.exists() and not folder.is_dir():
        return ["a file of that name"]
    starter = starter_texts(folder)
    ours = [p for p in _ours(folder) if not (described and p.name == DESCRIPTION)]
    return [words for path in ours if (words := _words(path, starter))]


def is_described(folder: Path) -> bool:
    """Whether somebody filled in the folder's trial.toml, well or badly."""
    path = folder / DESCRIPTION
    return path.is_file() and _text(path) != starter_texts(folder)[DESCRIPTION]


def left_alone(folder: Path, described: bool = False) -> set[str]:
    """Tables that stand there with a first line of somebody's own and no records yet.

    described : all that stand there but plants.csv, and trial.toml.
    """
    starter = starter_texts(folder)
    if described:
        return {p.name for p in _ours(folder) if p.name in starter and p.name != "plants.csv"}
    return {
        path.name for path in _ours(folder)
        if path.name in starter and _text(path) != starter[path.name]
    }


def _ours(folder: Path) -> Iterator[Path]:
    """Files that are a trial's, whatever their case and ending."""
    if folder.is_dir():
        for path in sorted(folder.iterdir()):
            named = path.stem.lower() in _STEMS and path.suffix.lower() in _ENDINGS
            if named or path.name.lower() == WORKBOOK:
                yield path


def _words(path: Path, starter: dict[str, str]) -> str:
    """What a file holds that a plan would write over; "" where it holds nothing of anybody's."""
    text = _text(path)
    if path.name not in starter or text is None:
        return path.name
    if text == starter[path.name]:
        return ""
    if path.name == DESCRIPTION:
        return f"{path.name} ({_changed(text, starter[path.name])})"
    lines = sum(1 for line in text.splitlines()[1:] if line.strip(" ,;\t\""))
    if lines:
        return f"{path.name} ({lines:,} line{'' if lines == 1 else 's'})"
    return f"{path.name} (a first line of your own)" if path.name == "plants.csv" else ""


def _text(path: Path) -> str | None:
    """A file's text, however its lines end; None where it has none."""
    try:
        return "\n".join(path.read_text(encoding="utf-8-sig").splitlines()) + "\n"
    except (OSError, UnicodeDecodeError):
        return None


def _changed(text: str, starter: str) -> str:
    """The keys that say something else than a new trial's do."""
    try:
        now, before = dict(_keys(tomllib.loads(text))), dict(_keys(tomllib.loads(starter)))
    except tomllib.TOMLDecodeError:
        return "not valid TOML"
    changed = [key for key in {**now, **before} if now.get(key) != before.get(key)]
    return "you filled in " + ", ".join(changed) if changed else "you changed its notes"


def _keys(table: dict[str, Any], where: str = "") -> Iterable[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _keys(value, f"{where}{key}.")
        else:
            yield f"{where}{key}", value
