"""Imports point one way and never in a circle, so that the mixed-model core knows nothing of
gardens and the records nothing of models; and a file's name says what is inside."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse.csgraph import connected_components

PACKAGE = Path(__file__).parents[1] / "trialkit"

# What each part may import of the package, itself aside; lazy imports count too.
BELOW: dict[str, set[str]] = {
    "errors": set(),
    "wording": set(),
    "reading": set(),
    "cautions": set(),
    "shipped": set(),
    "trial": {"reading"},
    "records": {"trial", "reading", "cautions", "wording"},
    "design": {"records", "trial", "reading", "cautions", "wording"},
    "recording": {"records", "trial", "reading", "design", "cautions", "wording"},
    "mixed": set(),
}
BELOW["models"] = BELOW["design"] | {"design", "mixed"}
BELOW["decide"] = BELOW["models"] | {"models"}
BELOW["power"] = BELOW["decide"] | {"decide"}
BELOW["plots"] = BELOW["power"] | {"power"}
BELOW["gardens"] = BELOW["plots"] | {"plots"}
BELOW["report"] = BELOW["gardens"] | {"gardens", "recording", "shipped"}
BELOW["engine"] = BELOW["report"] | {"report"}
BELOW["club"] = BELOW["engine"] | {"engine"}
BELOW["public"] = BELOW["engine"] | {"engine"}
BELOW["commands"] = BELOW["club"] | {"club"}
BELOW["cli"] = BELOW["commands"] | {"commands"}
BELOW = {part: below | {"errors"} for part, below in BELOW.items()}


def part_of(module: str) -> str | None:
    pieces = module.split(".")
    return pieces[1] if len(pieces) > 1 and pieces[0] == "trialkit" else None


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module == "trialkit":
            found |= {alias.name for alias in node.names if not alias.name.startswith("__")}
        elif isinstance(node, ast.ImportFrom) and node.module and part_of(node.module):
            found.add(str(part_of(node.module)))
        elif isinstance(node, ast.Import):
            found |= {str(part_of(a.name)) for a in node.names if part_of(a.name)}
    return found


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: p.stem)
def test_imports_point_down(path: Path) -> None:
    own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if own == "__init__":  # the public names, loaded when first used
        assert imports(path) <= {"errors", "mixed", "public"}
        return
    assert own in BELOW, f"{own} has no place in the order of the parts"
    assert imports(path) <= BELOW[own] | {own}


def test_the_check_sees_a_wrong_import(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("def f():\n    from trialkit.models import analyse\n")
    assert imports(wrong) == {"models"}


MODULES = {
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): path
    for path in sorted(PACKAGE.rglob("*.py")) if path.name != "__init__.py"
}


def modules_imported(path: Path) -> set[str]:
    """The package's modules that a file imports, for type checks alone and inside functions too."""
    out: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ImportFrom) and node.module:
            inside = {f"{node.module}.{alias.name}" for alias in node.names}
            out |= (inside | {node.module}) & MODULES.keys()
        elif isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names} & MODULES.keys()
    return out


def circles(imported: dict[str, set[str]]) -> list[set[str]]:
    """Modules that import one another, directly or through others."""
    names = sorted(imported)
    at = {name: i for i, name in enumerate(names)}
    graph = np.zeros((len(names), len(names)))
    for name, others in imported.items():
        graph[at[name], [at[other] for other in others if other in at]] = 1
    _, part = connected_components(graph, directed=True, connection="strong")
    groups = [{names[i] for i in np.flatnonzero(part == p)} for p in np.unique(part)]
    return [group for group in groups if len(group) > 1]


def test_no_modules_import_each_other_in_a_circle() -> None:
    found = circles({name: modules_imported(path) for name, path in MODULES.items()})
    assert found == []


def test_the_check_sees_a_circle() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == [{"a", "b", "c"}]


VAGUE = {"account", "apart", "drawn", "first", "found", "further", "given", "helpers", "kept",
         "lived", "misc", "newcomers", "one", "opened", "rows", "saying", "second", "staying",
         "telling", "utils"}  # fmt: skip
def test_a_files_name_says_what_is_inside() -> None:
    vague = {path.relative_to(PACKAGE).with_suffix("").as_posix()
             for path in MODULES.values() if path.stem in VAGUE}
    assert vague == set()


SAME_IDEA = {
    "answer": "the answer of several trials, and the part of the page read first",
    "bed": "a bed, and its picture", "check": "the checks, and their command",
    "errors": "the errors raised", "handout": "the sheet and pictures, and their command",
    "folder": "a folder of files", "page": "a page of HTML",
    "phone": "the phone's page, and what it sends", "trial": "one trial",
    "tasting": "a tasting: its model, the tasters' page, and their command",
    "season": "a season: one trial's, several trials', and their command",
}  # fmt: skip


def test_files_of_one_name_in_two_rooms_are_one_idea() -> None:
    names = [path.stem for path in MODULES.values()]
    twice = {name for name in names if names.count(name) > 1}
    assert twice <= SAME_IDEA.keys()
