"""DEVELOPERS.md names files that are there, and every module of the parts it goes through."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
NAMED = set(re.findall(r"`((?:[\w.-]+/)*[\w*-]+\.(?:py|md|toml|R))`?", TEXT))


def test_the_files_it_names_are_there():
    assert len(NAMED) > 80
    missing = [one for one in NAMED if not list(ROOT.glob(one))
               and not list(ROOT.glob(f"trialkit/**/{one}"))]
    # Written by the program, not part of it.
    assert sorted(missing) == ["spread.toml", "trial.toml"]


@pytest.mark.parametrize("part", ["mixed", "models", "decide", "records", "gardens"])
def test_every_module_of_a_part_is_told_of(part):
    modules = {path.name for path in (ROOT / "trialkit" / part).glob("[a-z]*.py")}
    assert modules - {Path(one).name for one in NAMED} == set()
