"""The scores of a tasting and its key, read and checked: taster, code, trait, score.

They stand in the folder `tasting` of a trial: key.csv, triangle.csv, and any number of files of
scores, scores.csv among them, so that each phone's file is put there as it came.  A score that
stands in two files alike is one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from trialkit.reading.amounts import is_blank, number, whole_number
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import did_you_mean, folded
from trialkit.records.csvfile import read_csv
from trialkit.records.files import read_file
from trialkit.records.findings import Findings, RecordsError
from trialkit.records.incoming.entries import judge_checks, texts_of

PLACE, SCORES, KEY, TRIANGLES = "tasting", "scores.csv", "key.csv", "triangle.csv"
RESULT = "result.html"
LOWEST, HIGHEST = 1, 9
COLUMNS = ("taster", "code", "trait", "score")
CODED = ("code", "variety")
TRIANGLE = ("first", "second", "right", "tasted")
MOST_TASTERS = 10_000
LONGEST_NAME = 200
_NAME = f"a name of at most {LONGEST_NAME} letters"


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

    @property
    def empty(self) -> bool:
        """Whether nothing has been tasted."""
        return not len(self.scores) and not self.triangles


def read_tasting(place: Path, varieties: Sequence[str] = ()) -> Tasted:
    """All that was written down at a tasting; a blank score is left out.

    place : the folder `tasting` of a trial.  varieties : the trial's, as which names that differ in
    case or spaces alone are read.  Raises RecordsError with every problem of all files.
    """
    findings = Findings()
    known = _key(place / KEY, varieties, findings)
    files = [place / SCORES, *sorted(
        path for path in place.glob("*.csv")
        if path.name.casefold() not in (SCORES, KEY, TRIANGLES))]
    read = _scores([path for path in files if path.exists()], known, findings)
    triangles = place / TRIANGLES
    tests = _triangles(triangles, varieties, findings) if triangles.exists() else ()
    if findings.errors:
        raise RecordsError(findings.problems)
    return Tasted(read, tests)


def _key(path: Path, varieties: Sequence[str], findings: Findings) -> dict[str, str]:
    """The variety of each code."""
    known: dict[str, str] = {}
    named: dict[str, int] = {}
    for line, (code, variety) in _lines(path, CODED, findings):
        code = _number_as_written(code)
        if not code:
            findings.error(path.name, line, "code", "", "It is blank.",
                           "the code that stood on the dish")
        elif code in known:
            findings.error(path.name, line, "code", code, "Another line has this code already.",
                           "a code of its own for each variety")
        known[code] = name = _variety(path, line, "variety", variety, varieties, findings)
        if name and named.setdefault(folded(name), line) != line:
            findings.error(path.name, line, "variety", variety, "It stands on line "
                           f"{named[folded(name)]} already.", "one code a variety")
    return known


def _variety(
    path: Path, line: int, column: str, text: str, varieties: Sequence[str], findings: Findings
) -> str:
    """The variety as the trial has it; another that was tasted with them keeps its own name."""
    same = next((name for name in varieties if folded(name) == folded(text)), None)
    if same is not None:
        return same
    accepted = ", ".join(varieties) or _NAME
    hint = did_you_mean(text, varieties) if text and len(text) <= LONGEST_NAME else ""
    if is_blank(text):
        findings.error(path.name, line, column, text, "It is blank.", accepted)
    elif len(text) > LONGEST_NAME:
        findings.error(path.name, line, column, text, "The name is too long.", _NAME)
    elif hint:
        findings.error(path.name, line, column, text, f"The trial has no such variety.{hint}",
                       accepted)
    return text


def _triangles(
    path: Path, varieties: Sequence[str], findings: Findings
) -> tuple[Triangle, ...]:
    out = []
    for line, (first, second, right, tasted) in _lines(path, TRIANGLE, findings):
        if not any((first, second, right, tasted)):
            continue
        pair, odd = (_variety(path, line, column, text, varieties, findings)
                      for column, text in (("first", first), ("second", second)))
        if pair and folded(pair) == folded(odd):
            findings.error(path.name, line, "second", second, "It is the same as the first.",
                           "the two that were in the cups")
        numbers = []
        for column, text in (("right", right), ("tasted", tasted)):
            try:
                numbers.append(int(whole_number(text, accepted="a whole number of tasters")))
            except Unreadable as error:
                findings.error(path.name, line, column, text, error.problem, error.accepted)
        if len(numbers) < 2:
            continue
        if not 1 <= numbers[1] <= MOST_TASTERS:
            findings.error(path.name, line, "tasted", tasted, "So many can't have tasted.",
                           f"1 to {MOST_TASTERS:,} tasters")
        elif not 0 <= numbers[0] <= numbers[1]:
            findings.error(path.name, line, "right", right, f"It is not of {numbers[1]} tasters.",
                           "how many of those who tasted named the odd cup")
        else:
            out.append(Triangle(pair, odd, numbers[0], numbers[1]))
    return tuple(out)


def _scores(files: Iterable[Path], known: dict[str, str], findings: Findings) -> pd.DataFrame:
    out: list[tuple[str, str, str, float]] = []
    first: dict[tuple[str, str, str], tuple[str, int, float]] = {}
    spelled: dict[tuple[str, str], str] = {}
    for path in files:
        for line, (taster, code, trait, text) in _lines(path, COLUMNS, findings):
            if is_blank(text):
                continue
            sound = True
            for column, cell in (("taster", taster), ("trait", trait)):
                if not any(map(str.isalnum, cell)) or len(cell) > LONGEST_NAME:
                    wanted = "the number on the sheet" if column == "taster" else "what is scored"
                    findings.error(path.name, line, column, cell, "It is blank." if not cell
                                   else "It is no name.", wanted)
                    sound = False
            code = _number_as_written(code)
            if code not in known:
                findings.error(path.name, line, "code", code, "No variety has this code.",
                               ", ".join(filter(None, known)) or f"a code of {KEY}")
                sound = False
            value = _score(path, line, text, findings)
            if not sound or value is None:
                continue
            name = _number_as_written(taster)
            who = spelled.setdefault(("taster", folded(name)), name)
            what = spelled.setdefault(("trait", folded(trait)), trait)
            file, at, before = first.setdefault((who, code, what), (path.name, line, value))
            if (file, at) == (path.name, line):
                out.append((who, known[code], what, value))
            elif file == path.name or before != value:
                where = f"line {at}" if file == path.name else f"line {at} of {file}"
                findings.error(path.name, line, "code", code, "This taster's score of it stands on "
                               f"{where} already: {before:g}.", "one line a taster, code and trait")
    return pd.DataFrame(out, columns=["taster", "variety", "trait", "score"])


def _score(path: Path, line: int, text: str, findings: Findings) -> float | None:
    try:
        value = number(text)
        if not LOWEST <= value <= HIGHEST or value != int(value):
            raise Unreadable("It is not on the scale.", f"{LOWEST} to {HIGHEST}, whole")
    except Unreadable as error:
        findings.error(path.name, line, "score", text, error.problem,
                       f"{LOWEST} to {HIGHEST}, or nothing if it was not tasted")
        return None
    return value


def _number_as_written(text: str) -> str:
    """A code or a taster's number as it was on paper, where a spreadsheet made 317.0 of 317."""
    bare = text.removesuffix(".0").removesuffix(",0")
    return bare.lstrip("0") or bare if bare.isascii() and bare.isdigit() else text


def _lines(
    path: Path, columns: tuple[str, ...], findings: Findings
) -> list[tuple[int, tuple[str, ...]]]:
    """The cells of these columns, line by line; an error for each line that is not as a phone
    saved it."""
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
    if columns == COLUMNS and "check" in heading:
        judge_checks(sheet, [heading.index(name) for name in (*columns, "check")], findings,
                           "the file as the phone saved it; to change a score, delete the whole "
                           "column check")
    cells = [texts_of(sheet, heading.index(name)) for name in columns]
    return list(zip(sheet.lines.tolist(), zip(*cells, strict=True), strict=True))
