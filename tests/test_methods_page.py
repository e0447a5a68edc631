"""The expert's page against the code: its defaults, its sources and the figures it quotes."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import trialkit
from trialkit import shipped

ROOT = Path(__file__).parents[1]
PACKAGE = Path(trialkit.__file__).parent
TEXT = shipped.methods().read_text(encoding="utf-8")

# `module.NAME`, `module.Class.field` or `module.function(argument)`, its value, and why.
DEFAULT = re.compile(r"^\| `(?P<name>[\w.]+)(?:\((?P<argument>\w+)\))?` \| (?P<value>[^|]+) \|"
                     r" (?P<why>[^|]+) \|$", re.M)
DEFAULTS = [found.groupdict() for found in DEFAULT.finditer(TEXT)]

_NAME = r"[A-Z][\w’-]*[a-z][\w-]*"
SOURCE = re.compile(rf"(?P<authors>{_NAME}(?:, {_NAME})*(?:,? (?:&|and) {_NAME})*)"
                    r"(?P<more> et al\.)?(?:'s)?,? \(?(?P<year>(?:19|20)\d\d)\b(?!-)")
MONTHS = {"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"}

Cited = tuple[tuple[str, ...], str]

# Where every number is one of statistics and so belongs on the page.
STATISTICS = ("decide/*.py", "models/*.py", "mixed/*.py", "gardens/*.py",
              "design/experimental_units.py", "design/rules.py", "design/audit.py", "power/*.py",
              "records/check.py")
# Constants of mathematics, seeds, widths of text, waiting times, and the grid of a search.
OTHER_NUMBERS = {
    "mixed.likelihood.LOG_2PI", "models.totals.WEEK", "models.stand.SEED",
    "gardens.components.RISE", "gardens.components.STEEP", "gardens.carryover.WIDTH",
    "gardens.workers.CONNECT", "gardens.workers.PATIENCE", "gardens.gathered.TRIALS_A_GROUP",
    "mixed.intervals.STEP", "mixed.intervals.SMALLEST", "mixed.intervals.LARGEST",
    "mixed.intervals.STEPS", "mixed.intervals.HALVINGS",
}  # fmt: skip


def cited(text: str) -> set[Cited]:
    """Authors and year of every source named in prose."""
    plain = re.sub(r"\s+", " ", text)
    found = set()
    for one in SOURCE.finditer(plain):
        authors = tuple(re.split(r",? (?:&|and) |, ", one["authors"]))
        authors = tuple(name.removesuffix("'s") for name in authors)
        authors += ("et al.",) if one["more"] else ()
        if authors[0][:3] not in MONTHS:
            found.add((authors, one["year"]))
    return found


def prose(path: Path) -> str:
    """A module's docstrings, its other texts and its comments."""
    source = path.read_text(encoding="utf-8")
    texts = [str(node.value) for node in ast.walk(ast.parse(source))
             if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    comments = re.sub(r"(?m)^\s*# ?", "\n", "\n".join(
        line for line in source.splitlines() if line.lstrip().startswith("#")))
    return "\n\x00\n".join([*texts, comments])


@cache
def code_sources() -> dict[Cited, str]:
    found: dict[Cited, str] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        for one in cited(prose(path)):
            found.setdefault(one, str(path.relative_to(PACKAGE)))
    return found


def listed() -> set[Cited]:
    """The page's list of sources: a line each."""
    lines = re.findall(r"(?m)^- (.+?)\. ", TEXT.split("## 14. Sources")[1])
    found = [cited(line) for line in lines]
    assert all(len(one) == 1 for one in found), [
        line for line, one in zip(lines, found, strict=True) if len(one) != 1]
    return set().union(*found)


def stands_for(short: Cited, full: Cited) -> bool:
    """Whether a citation, perhaps of the first author "et al.", is this source."""
    (names, year), (authors, when) = short, full
    return year == when and (names == authors or names == (authors[0], "et al."))


@pytest.mark.parametrize("row", DEFAULTS, ids=lambda row: row["name"] + (
    f"({row['argument']})" if row["argument"] else ""))
def test_a_default_on_the_page_is_that_of_the_code(row):
    assert code_value(row["name"], row["argument"]) == pytest.approx(page_value(row["value"]))
    assert len(row["why"]) > 5


def page_value(text: str) -> float:
    inside = re.fullmatch(r"log\((.+)\)", text.strip())
    value = float(ast.literal_eval(inside[1] if inside else text.strip()))
    return float(np.log(value)) if inside else value


def code_value(name: str, argument: str | None) -> float:
    parts = name.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            found = importlib.import_module("trialkit." + ".".join(parts[:cut]))
        except ModuleNotFoundError:
            continue
        for part in parts[cut:]:
            found = getattr(found, part)
        if argument is not None:
            found = inspect.signature(found).parameters[argument].default
        return float(found)
    raise AssertionError(f"there is no trialkit.{name}")


def numbers_of_statistics() -> set[str]:
    """Public numbers in capitals that a statistical module defines itself."""
    found = set()
    for pattern in STATISTICS:
        for path in PACKAGE.glob(pattern):
            name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
            module = importlib.import_module(f"trialkit.{name}")
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.Assign | ast.AnnAssign):
                    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                    for one in (n for t in targets for n in ast.walk(t)):
                        if isinstance(one, ast.Name) and one.id.isupper() and one.id[0] != "_":
                            value = getattr(module, one.id)
                            if isinstance(value, int | float) and not isinstance(value, bool):
                                found.add(f"{name}.{one.id}")
    return found


def test_every_number_of_the_statistics_is_on_the_page():
    names = numbers_of_statistics()
    assert len(names) > 50
    on_page = {row["name"] for row in DEFAULTS}
    assert names - OTHER_NUMBERS - on_page == set()
    assert OTHER_NUMBERS - names == set()


def test_every_source_the_code_names_is_on_the_page():
    sources, here = code_sources(), listed()
    assert len(sources) > 80
    missing = {one: where for one, where in sources.items()
               if not any(stands_for(one, full) for full in here)}
    assert missing == {}


def test_every_source_on_the_page_is_named_by_the_code():
    sources = code_sources()
    assert {full for full in listed()
            if not any(stands_for(one, full) for one in sources)} == set()


def test_what_the_sections_cite_is_in_the_list():
    here, sections = listed(), TEXT.split("## 14. Sources")[0]
    assert {one for one in cited(sections)
            if not any(stands_for(one, full) for full in here)} == set()


def test_the_search_for_sources_finds_them():
    found = cited("By Lan, Simon &\nHalperin 1982 (Satterthwaite's (1946)) and Howard et al. 2021; "
                  "Lan & DeMets (1983, Biometrika 70:659), on 17 December 2015, 3 Jul 2026.")
    assert found == {(("Lan", "Simon", "Halperin"), "1982"), (("Satterthwaite",), "1946"),
                     (("Howard", "et al."), "2021"), (("Lan", "DeMets"), "1983")}


def test_figures_quoted_stand_in_the_studies_tables():
    tables = "\n".join(path.read_text(encoding="utf-8")
                       for path in sorted(ROOT.glob("tests/*/README.md")))
    part = TEXT.split("## 11.")[1].split("## 12.")[0]
    rows = [line for line in part.splitlines() if re.match(r"\| (?!---|what|blocks|garden)", line)]
    assert len(rows) > 12
    assert [row for row in rows if row not in tables.splitlines()] == []
