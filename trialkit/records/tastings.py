"""The scores of a tasting and its key, read and checked: taster, code, trait, score."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from trialkit.reading.numbers import is_blank, number
from trialkit.reading.problems import Unreadable
from trialkit.records.csvfile import read_csv
from trialkit.records.entries import texts_of
from trialkit.records.findings import Findings, RecordsError
from trialkit.records.folder import read_file

LOWEST, HIGHEST = 1, 9
COLUMNS = ("taster", "code", "trait", "score")


def read_scores(scores: Path, key: Path) -> pd.DataFrame:
    """Columns taster, variety, trait, score, a row a score; a blank score is left out.

    Raises RecordsError with every problem of both files.
    """
    findings = Findings()
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
    if findings.errors:
        raise RecordsError(findings.problems)
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
