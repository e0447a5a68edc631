"""DEVELOPERS.md: the files it names are there, every room is in its picture, each term has one
meaning, and it stays short enough to be read."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NAMED = set(re.findall(r"(?:[\w.*-]+/)*[\w*-]+\.(?:py|md|toml|R|ipynb)\b", TEXT))
WRITTEN = {"trial.toml"}
"""Files a trial holds, not the program."""


def test_the_files_it_names_are_there():
    assert len(NAMED) > 15
    missing = [name for name in NAMED - WRITTEN
               if not list(ROOT.glob(name)) and not list(ROOT.glob(f"trialkit/**/{name}"))]
    assert missing == []


def test_every_room_is_in_the_picture():
    picture = TEXT.split("```")[1]
    rooms = {path.parent.name for path in (ROOT / "trialkit").glob("*/__init__.py")}
    assert {name for name in rooms if f"{name}/" not in picture} == set()
    loose = {path.name for path in (ROOT / "trialkit").glob("[a-z]*.py")}
    assert {name for name in loose if name not in picture} == set()


def test_the_rooms_stand_in_the_order_that_imports_keep():
    from test_import_direction import BELOW

    picture = TEXT.split("```")[1]
    place = {part: at for part in BELOW
             if (at := max(picture.find(f"{part}/"), picture.find(f"{part}.py"))) >= 0}
    assert len(place) > 15
    wrong = [(part, under) for part in place for under in BELOW[part]
             if under in place and place[under] < place[part]]
    assert wrong == []


def test_each_term_of_the_trade_has_its_meaning():
    for term in ("plot", "pick", "look", "check", "trait", "claim"):
        assert len(re.findall(rf"^\| {term} \|", TEXT, re.MULTILINE)) == 1, term


def test_it_is_short():
    assert len(TEXT.splitlines()) <= 100
