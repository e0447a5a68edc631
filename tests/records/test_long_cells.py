"""Cells made to keep a reader busy: what each reader costs grows no faster than the cell."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from time import process_time

import pytest

from trialkit.reading.amounts import length_cm, number, unit_name, weight_g, whole_number
from trialkit.reading.dates import read_date
from trialkit.reading.problems import Unreadable
from trialkit.reading.spelling import folded, nearest, plain
from trialkit.records.files import plain_cell, safe_cell
from trialkit.records.schema import PLANTS, TABLES
from trialkit.records.tables import READERS, Reading, match_headings
from trialkit.trial import draft_trial, parse_trial

# What a cell may be made of: a beginning, something again and again, an end.
CELLS = [
    ("", "1", ""), ("", " ", ""), ("5'", " ", "x"), ("", "_", ""), ("", "1 ", "x"),
    ("[", " ", ""), ("a", " ", "(x"), ("", "1.", ""), ("", "1,", "x"), ("21", " ", "F x"),
    ("", "(", ""), ("", "'", "="), ("2026-07-03 ", "0", "x"), ("", "ab ", "1"), ("", "½", ""),
]  # fmt: skip
READ: dict[str, Callable[[str], object]] = {
    "number": number, "count": whole_number, "date": read_date, "plain": plain, "folded": folded,
    "length": lambda text: length_cm(text, "cm"), "weight": lambda text: weight_g(text, "g"),
    "unit": unit_name, "near": lambda text: nearest(text, ["plant", "variety"]),
    "heading": lambda text: [match_headings(table, [text], "pods") for table in TABLES],
    "guard": lambda text: plain_cell(str(safe_cell(text))),
    "toml line": lambda text: draft_trial(text),
    "toml value": lambda text: draft_trial(f'title = "{text}"'),
    **{f"cell {kind}": lambda text, read=read: read(text, Reading("cm"))
       for kind, read in READERS.items() if kind not in ("length", "weight")},
}
SMALL = 20_000


def seconds(read: Callable[[str], object], text: str) -> float:
    """Processor time of the best of three."""
    best = float("inf")
    for _ in range(3):
        before = process_time()
        with suppress(Unreadable, KeyError):
            read(text)
        best = min(best, process_time() - before)
    return best


@pytest.mark.parametrize("name", READ)
def test_twice_the_cell_takes_little_more_than_twice_as_long(name: str) -> None:
    """A ratio of 4 is what a pattern that goes back once over all it saw would take."""
    for start, again, end in CELLS:
        one, two = (
            seconds(READ[name], start + again * n + end) for n in (SMALL, 2 * SMALL)
        )
        assert two < 3.2 * one + 0.02, f"{start}{again}...{end}: {one:.3f} s, {two:.3f} s"


def test_a_heading_too_long_is_no_column() -> None:
    assert match_headings(PLANTS, ["plant" + "_" * 100_000])[0] == {}


def test_figures_without_end_in_words_of_the_bed() -> None:
    text = 'title = "T"\ncrop = "b"\nplanted = 2026-05-24\n[layout]\n'
    many = f'shade = "{"1" * 40}"\nsun = "{"2" * 40} m"\n[[varieties]]\nname = "A"\n'
    assert parse_trial(text + many).layout.shade == "1" * 40
