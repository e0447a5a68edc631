"""The scores of a tasting and its key, read and checked: taster, code, trait, score."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from trialkit.reading.numbers import is_blank, number, whole_number
from trialkit.reading.problems import Unreadable
from trialkit.records.csvfile import read_csv
from trialkit.records.entries import texts_of
from trialkit.records.findings import Findings, RecordsError
from trialkit.records.folder import read_file

LOWEST, HIGHEST = 1, 9
COLUMNS = ("taster", "code", "trait", "score")
TRIANGLE = ("first", "second", "right", "tasted")


@dataclass(frozen=True)
class Triangle:
    """Of three cups two were of one variety; right : who named the odd one, of so many tasted."""

    first: str
    second: str
    right: int
    tasted: int


@dataclass(frozen=True)
class Tasted:
    """scores : taster, variety, trait, score, a row a score.  triangles : triangle tests."""

    scores: pd.DataFrame
    triangles: tuple[Triangle, ...] = ()


def read_tasting(scores: Path, key: Path, triangles: Path) -> Tasted:
    """All that was written down at a tasting; a blank score is left out.

    triangles : may be missing.  Raises RecordsError with every problem of all files.
    """
    findings = Findings()
    read = _scores(scores, key, findings)
    tests = _triangles(triangles, findings) if triangles.is_file() else ()
    if findings.errors:
        raise RecordsError(findings.problems)
    return Tasted(read, tests)


def _triangles(path: Path, findings: Findings) -> tuple[Triangle, ...]:
    out = []
    for line, (first, second, right, tasted) in _lines(path, TRIANGLE, findings):
        numbers = []
        for column, text in (("right", right), ("tasted", tasted)):
            try:
                numbers.append(int(whole_number(text, accepted="a whole number of tasters")))
            except Unreadable as error:
                findings.error(path.name, line, column, text, error.problem, error.accepted)
        if len(numbers) < 2:
            continue
        if not 0 <= numbers[0] <= numbers[1] or numbers[1] < 1:
            findings.error(path.name, line, "right", right, f"It is not of {numbers[1]} tasters.",
                           "how many of those who tasted named the odd cup")
            continue
        out.append(Triangle(first, second, numbers[0], numbers[1]))
    return tuple(out)


def _scores(scores: Path, key: Path, findings: Findings) -> pd.DataFrame:
    known: dict[str, str] = {}
    for _, (code, variety) in _lines(key, ("code", "variety"), findings):
        known[code] = variety
    out: list[tuple[str, str, str, float]] = []
    first: dict[tuple[str, str, str], int] = {}
    for line, (taster, code, trait, text) in _lines(scores, COLUMNS, findings):
        if is_blank(text):
            continue
        for column, cell in (("taster", taster), ("trait", trait)):
            if not cell:
                wanted = "the number on the sheet" if column == "taster" else "what is scored"
                findings.error(scores.name, line, column, "", "It is blank.", wanted)
        if code not in known:
            findings.error(scores.name, line, "code", code, "No variety has this code.",
                           ", ".join(known) or f"a code of {key.name}")
        before = first.setdefault((taster, code, trait), line)
        if before != line:
            findings.error(scores.name, line, "code", code, "This taster's score of it stands on "
                           f"line {before} already.", "one line a taster, code and trait")
        try:
            value = number(text)
            if not LOWEST <= value <= HIGHEST or value != int(value):
                raise Unreadable("It is not on the scale.", f"{LOWEST} to {HIGHEST}, whole")
        except Unreadable as error:
            findings.error(scores.name, line, "score", text, error.problem,
                           f"{LOWEST} to {HIGHEST}, or nothing if it was not tasted")
            continue
        out.append((taster, known.get(code, ""), trait, value))
    return pd.DataFrame(out, columns=["taster", "variety", "trait", "score"])


def _lines(
    path: Path, columns: tuple[str, ...], findings: Findings
) -> list[tuple[int, tuple[str, ...]]]:
    """The cells of these columns, line by line."""
    file = read_file(path, findings)
    sheet = None if file is None else read_csv(file.name, file.content, findings, lambda _: {})
    if sheet is None:
        return []
    heading = [name.casefold() for name in sheet.heading]
    missing = [name for name in columns if name not in heading]
    if missing:
        findings.error(path.name, sheet.heading_line, ", ".join(missing), "",
                       "There is no such column.", ",".join(columns))
        return []
    cells = [texts_of(sheet, heading.index(name)) for name in columns]
    return list(zip(sheet.lines.tolist(), zip(*cells, strict=True), strict=True))
