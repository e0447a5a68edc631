"""The numbered notebooks beside a trial, ready to run on it in JupyterLab."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit import shipped

if TYPE_CHECKING:
    from nbformat import NotebookNode


def prepare(folder: Path) -> tuple[Path, ...]:
    """Copy the numbered notebooks into `folder/notebooks`, set to that trial; return their paths.

    The page of methods goes beside them.  What is there already is left as it is: it may hold
    someone's own work.
    """
    from trialkit.engine.run import notebook_format
    from trialkit.records.files import write_text

    nbformat = notebook_format()

    target = folder / "notebooks"
    made = []
    for source in shipped.notebooks():
        copy = target / source.name
        if not copy.exists():
            target.mkdir(exist_ok=True)
            document = nbformat.read(source, as_version=4)
            point_at(document, folder.resolve())
            write_text(copy, nbformat.writes(document) + "\n")
        made.append(copy)
    page = target / shipped.methods().name
    if not page.exists():
        write_text(page, shipped.methods().read_text(encoding="utf-8"))
    return tuple(made)


def point_at(document: NotebookNode, folder: Path) -> None:
    """Set `folder` in the cell tagged `parameters`, or `folders` to that one trial.

    The notebook of several trials so opens on one; the user writes the others beside it.
    """
    ready = {"folder": repr(str(folder)), "folders": f"[{str(folder)!r}]"}
    for cell in document.cells:
        if "parameters" in cell.metadata.get("tags", []):
            lines = []
            for line in cell.source.splitlines():
                name = line.partition(" = ")[0]
                if name in ready:
                    # What the comment says of an empty value is true of no other.
                    line = f"{name} = {ready[name]}"
                    line += "  # add the folders of other trials" if name == "folders" else ""
                lines.append(line)
            cell.source = "\n".join(lines)


ALLOW_ROOT = "--allow-root"


def needs_allowing(options: Sequence[str]) -> bool:
    """Whether JupyterLab would refuse, since the superuser runs it and nothing allows that."""
    superuser = hasattr(os, "geteuid") and os.geteuid() == 0
    return superuser and not any(ALLOW_ROOT in flag or "allow_root" in flag for flag in options)


def open_lab(folder: Path, browser: bool = True, options: Sequence[str] = ()) -> int:
    """Run JupyterLab on the trial's notebooks until the user stops it; return its exit code.

    It is bound to this machine alone, looks for no updates, and offers one kernel: the Python
    that runs trialkit.  options : further options of `jupyter lab`.
    """
    prepare(folder)
    return subprocess.call(command(folder, browser, options))


def command(folder: Path, browser: bool, options: Sequence[str]) -> list[str]:
    """The command line that opens the notebooks of `folder`."""
    return [
        sys.executable,
        "-m",
        "jupyterlab",
        str(folder / "notebooks"),
        "--ServerApp.kernel_spec_manager_class=trialkit.engine.run.ThisPython",
        "--ServerApp.ip=127.0.0.1",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        *([] if browser else ["--no-browser"]),
        *options,
    ]
