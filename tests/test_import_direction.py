"""Imports point one way, so that the mixed-model core knows nothing of gardens and the records
nothing of models."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

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


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
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
