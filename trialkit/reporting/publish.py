"""From a trial folder to the page on disk: run the report notebook, lay it out, write both.

A run that fails writes neither: the last good report stays, and the notebook as far as it got is
kept beside it under a name of its own.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.reporting import page, run, shipped

if TYPE_CHECKING:
    from nbformat import NotebookNode


@dataclass(frozen=True)
class Published:
    """Where the report lies, and what its cells handed over (`title`, `answer`, ...)."""

    page: Path
    notebook: Path
    facts: dict[str, Any]


class ReportStopped(Exception):
    """The report notebook failed part way.

    stop : what the notebook said.
    partial : where the partial notebook was kept.
    last_good : the report of an earlier run, untouched, or None.
    """

    def __init__(self, stop: run.NotebookStopped, partial: Path, last_good: Path | None) -> None:
        super().__init__(stop.message)
        self.stop = stop
        self.partial = partial
        self.last_good = last_good


def publish(
    folder: Path,
    out: Path | None = None,
    until: date | None = None,
    on_progress: run.Progress | None = None,
) -> Published:
    """Make the report of the trial in `folder`.

    out : the HTML file to write, or a folder for it; `destination` says what None means.
    until : leave out everything recorded after that day, as if it were that day.
    Raises ReportStopped when a cell fails, OSError when the files cannot be written.
    """
    target = destination(folder, out, until)
    _writable(target)
    parameters = {"folder": str(folder.resolve()), "until": until.isoformat() if until else ""}
    partial = target.with_suffix(".partial.ipynb")
    try:
        notebook = run.execute(shipped.notebook("report"), parameters, on_progress)
    except run.NotebookStopped as stop:
        _write(partial, _notebook_text(stop.partial))
        last_good = target if target.exists() else None
        raise ReportStopped(stop, partial, last_good) from None
    html = page.render(notebook)
    _write(target.with_suffix(".ipynb"), _notebook_text(notebook))
    _write(target, html)
    partial.unlink(missing_ok=True)
    return Published(target, target.with_suffix(".ipynb"), page.facts(notebook))


def destination(folder: Path, out: Path | None = None, until: date | None = None) -> Path:
    """Where the report of `folder` goes: `folder/report/<folder's name>.html` unless `out` is set.

    As of a past day the name carries that day, so that the newest report is never written over.
    """
    name = folder.resolve().name + (f"-{until.isoformat()}" if until else "")
    if out is None:
        return folder / "report" / f"{name}.html"
    if out.is_dir() or out.suffix.lower() not in (".html", ".htm"):
        return out / f"{name}.html"
    return out


def _writable(target: Path) -> None:
    """Find out before the work, not after it, that the report cannot be written there."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryFile(dir=target.parent):
        pass


def _write(path: Path, text: str) -> None:
    from trialkit.records.write import write_text

    write_text(path, text)


def _notebook_text(notebook: NotebookNode) -> str:
    import nbformat

    # What the runner noted for itself names temporary files of this machine; nobody needs them.
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
    return str(nbformat.writes(notebook)) + "\n"
