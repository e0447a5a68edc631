"""README's commands exist with the options it gives them, and what it links to is there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import typer

from trialkit.cli import app

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(set(re.findall(r"\.venv/bin/trialkit ([a-z][^`\n]*)", TEXT)))


@pytest.mark.parametrize("line", COMMANDS)
def test_a_command_of_the_readme_is_understood(line):
    name, *words = shlex.split(line)
    command = typer.main.get_command(app).commands[name]  # type: ignore[attr-defined]
    with command.make_context(name, words) as context:
        assert context.params


def test_every_command_but_export_is_in_the_readme():
    # export is for thousands of gardens: DEVELOPERS.md
    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    names = {name for name, command in commands.items() if not command.hidden}
    assert names - {line.split()[0] for line in COMMANDS} == {"export"}


def test_what_the_readme_links_to_is_there():
    links = re.findall(r"\]\(([^)]+)\)", TEXT)
    assert len(links) > 8
    assert [one for one in links if not (ROOT / one).exists()] == []
