"""How hard the open part of a report is to read: Flesch & Kincaid's grade, by textstat.

Kincaid, Fishburne, Rogers & Chissom 1975, Research Branch Report 8-75, Naval Technical Training:
grade 8 is what a reader of thirteen or fourteen takes in. Lines without a full stop (list items,
captions) are taken as sentences.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from bs4 import BeautifulSoup

sys.path.insert(0, str(Path(__file__).parent))

from test_page_agrees_with_itself import SEASONS  # noqa: E402
from test_traits_told import OPEN, full  # noqa: E402

from trialkit.report import cells  # noqa: E402
from trialkit.report.opentrial import OpenTrial  # noqa: E402

textstat = pytest.importorskip("textstat")

HARDEST = 8.0


@cache
def unchecked() -> OpenTrial:
    """Nobody marked a check."""
    found = full().records
    plain = tuple(replace(one, check=False) for one in found.trial.varieties)
    return OpenTrial(replace(found, trial=replace(found.trial, varieties=plain)), None)


@cache
def feet() -> OpenTrial:
    return full("ft", "lb")


TEN = {**SEASONS, "no check": unchecked, "feet and pounds": feet}


def sentences(html: str) -> list[str]:
    soup = BeautifulSoup(html, "html.parser")
    for drawn in soup.find_all("svg"):
        drawn.decompose()
    texts = [one.get_text(" ", strip=True) for one in soup.find_all(["p", "li", "caption"])]
    return [text if text.endswith((".", "?")) else f"{text}." for text in texts
            if len(text.split()) > 2]


# Two with every change, all ten with the slow ones.
@pytest.mark.parametrize("season", [
    one if one in ("full", "roots") else pytest.param(one, marks=pytest.mark.slow) for one in TEN])
def test_the_open_part_reads_at_grade_eight_at_most(season: str) -> None:
    trial = TEN[season]()
    said = sentences("\n".join(getattr(cells, name)(trial).html for name in OPEN))
    assert len(said) > 8
    assert textstat.flesch_kincaid_grade(" ".join(said)) <= HARDEST
    # The first screen by itself, too.
    first = sentences(cells.answer(trial).html + cells.next_step(trial).html)
    assert textstat.flesch_kincaid_grade(" ".join(first)) <= HARDEST
