"""From a trial folder to the page on disk: run the report notebook, lay it out, write both.

A run that fails writes neither: the last good report stays, and the notebook as far as it got is
kept beside it under a name of its own. A page that is to be live reloads itself in a browser when
it is made anew (the last part of this file).
"""

from __future__ import annotations

import ast
import base64
import errno
import glob
import hashlib
import json
import re
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from trialkit import shipped
from trialkit.engine import page, run
from trialkit.errors import TrialkitError

if TYPE_CHECKING:
    from nbformat import NotebookNode


LEFT_S = 3600.0
"""A half written file older than this was left by a run that was killed."""


@dataclass(frozen=True)
class Published:
    """Where the report lies, what its cells handed over (`title`, `answer`, ...), and where the
    sheet to pin up and the pictures lie, if asked for."""

    page: Path
    notebook: Path
    facts: dict[str, object]
    handout: tuple[Path, ...] = ()


class ReportStopped(TrialkitError):
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

    @property
    def by_records(self) -> bool:
        """Whether errors in the records stopped it."""
        return self.stop.name == "RecordsCellStop"

    @property
    def told(self) -> str:
        """What to tell the user, in lines."""
        lines = [self.stop.message]
        if not self.stop.own:
            lines.insert(0, "The report stopped part way, by a fault in trialkit:")
        lines.append(f"The notebook as far as it got: {self.partial}")
        if self.last_good:
            lines.append(f"The report of an earlier run is untouched: {self.last_good}")
        return "\n".join(lines)


def publish(
    folder: Path,
    out: Path | None = None,
    until: date | None = None,
    on_progress: run.Progress | None = None,
    full: bool = False,
    live: bool = False,
    handout: str = "",
    address: str = "",
) -> Published:
    """Make the report of the trial in `folder`.

    out : the HTML file to write, or a folder for it; `destination` says what None means.
    until : leave out everything recorded after that day, as if it were that day.
    full : with the method unfolded, so that it is printed too.
    live : in a browser the page reloads itself when it is made anew.
    handout : "A4" or "Letter" for a sheet to pin up and pictures for a chat besides, in
    `folder/handout`; address : of the report on the web, printed on the sheet as a code to scan.
    Raises ReportStopped when a cell fails, OSError when the files cannot be written.
    """
    target = destination(folder, out, until)
    job = _report_of(folder, until)
    if handout:
        job.parameters.update(handout=handout, address=address)
    done = _run(job, target, on_progress, run.execute)
    coded = page.take(done, "handout")
    made = _write_both(done, target, full, live)
    files = {str(ending): base64.b64decode(content) for ending, content in coded.items()} if (
        isinstance(coded, dict)) else {}
    return replace(made, handout=write_handout(folder, files))


def write_handout(
    folder: Path, files: Mapping[str, bytes], place: Path | None = None
) -> tuple[Path, ...]:
    """Write the sheet and the pictures of the trial in `folder`, each whole or not at all.

    files : the end of each file's name, and what is in it.  place : the folder to write to, else
    `folder/handout`.
    Raises OSError where they cannot be written.
    """
    from trialkit.records.files import write_bytes

    place = place or folder / "handout"
    if files:
        place.mkdir(parents=True, exist_ok=True)
    paths = []
    for ending, content in files.items():
        paths.append(place / f"{folder.resolve().name}{ending}")
        write_bytes(paths[-1], content)
    return tuple(paths)


def publish_season(
    folders: Sequence[Path],
    out: Path,
    until: date | None = None,
    cluster: str = "",
    on_progress: run.Progress | None = None,
    trait: str = "",
) -> Published:
    """Make the report of several trials together, in the HTML file `out`.

    cluster : address of a running Dask scheduler for the trials' own models.  trait : what to
    compare; else what the trials' question asks.
    Raises as `publish` does.
    """
    job = _Job("season", {
        "folders": [str(folder.resolve()) for folder in folders],
        "until": until.isoformat() if until else "",
        "cluster": cluster, "trait": trait,
    })  # fmt: skip
    return _write_both(_run(job, out, on_progress, run.execute), out)


def season_folders(page: Path) -> list[str] | None:
    """The trials an earlier run put together in that page; None where the notebook beside it does
    not say."""
    try:
        written = json.loads(page.with_suffix(".ipynb").read_text(encoding="utf-8"))
        for cell in written["cells"]:
            if "injected-parameters" in cell["metadata"].get("tags", []):
                for line in ast.parse("".join(cell["source"])).body:
                    if isinstance(line, ast.Assign) and ast.unparse(line.targets[0]) == "folders":
                        return [str(folder) for folder in ast.literal_eval(line.value)]
    except (OSError, ValueError, LookupError, TypeError, AttributeError, SyntaxError):
        pass
    return None


def publish_latest(
    folder: Path, on_progress: run.Progress | None = None, execute: run.Execute = run.execute,
    live: bool = False,
) -> Published:
    """Make the report of the trial as it stands, under the day of its last pick.

    Written to `folder/report/<folder's name>-<day>.html`, and the same page to `latest.html` beside
    it; to `latest.html` alone before the first pick.  execute : what runs the notebook.  live : in
    a browser `latest.html` reloads itself when it is made anew.
    Raises as `publish` does.
    """
    newest = latest(folder)
    notebook = _run(_report_of(folder), newest, on_progress, execute)
    day = page.facts(notebook).get("last_pick")
    if not day:
        return _write_both(notebook, newest, live=live)
    made = _write_both(notebook, newest.with_name(f"{folder.resolve().name}-{day}.html"))
    _write_page(newest, made.page.read_text(encoding="utf-8"), live)
    _partial(newest).unlink(missing_ok=True)
    return made


def not_written(error: OSError, report: Path) -> str:
    """Why a report could not be written, and what became of the one before, for the user."""
    why = error.strerror or str(error)
    where = f" ({error.filename})" if error.filename else ""
    lines = [f"Could not write the report {report}: {why}{where}."]
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        lines.append(f"It needs a few MB there, and in {tempfile.gettempdir()} while it works.")
    if report.is_file():
        lines.append("The report of an earlier run is untouched.")
    return "\n".join(lines)


def destination(folder: Path, out: Path | None = None, until: date | None = None) -> Path:
    """Where the report of `folder` goes: `folder/report/<folder's name>.html` unless `out` is set.

    As of a past day the name says so and carries that day: neither the newest report nor the one
    that `publish_latest` made of that day's pick is written over.
    """
    name = folder.resolve().name + (f"-as-of-{until.isoformat()}" if until else "")
    if out is None:
        return folder / "report" / f"{name}.html"
    if out.is_dir() or out.suffix.lower() not in (".html", ".htm"):
        return out / f"{name}.html"
    return out


def latest(folder: Path) -> Path:
    """Where `publish_latest` puts the newest report, whatever its day."""
    return destination(folder).with_name("latest.html")


class _Job(NamedTuple):
    """A notebook by its name, and what to run it with."""

    notebook: str
    parameters: dict[str, object]


def _report_of(folder: Path, until: date | None = None) -> _Job:
    return _Job("report", {
        "folder": str(folder.resolve()), "until": until.isoformat() if until else "",
    })  # fmt: skip


def _run(
    job: _Job, target: Path, on_progress: run.Progress | None, execute: run.Execute
) -> NotebookNode:
    """The executed notebook; where it stops, as far as it got, beside the target.

    While the kernel is at work, what lays the page out is loaded here.
    """
    _writable(target)
    layout = threading.Thread(target=page.load, name="layout")

    def progress(done: int, total: int) -> None:
        if layout.ident is None:
            layout.start()
        if on_progress is not None:
            on_progress(done, total)

    try:
        return execute(shipped.notebook(job.notebook), job.parameters, progress)
    except run.NotebookStopped as stop:
        _write(_partial(target), _notebook_text(stop.partial))
        last_good = target if target.exists() else None
        raise ReportStopped(stop, _partial(target), last_good) from None
    finally:
        if layout.ident is not None:
            layout.join()


def _write_both(
    notebook: NotebookNode, target: Path, full: bool = False, live: bool = False
) -> Published:
    html = page.render(notebook, full)
    _write(target.with_suffix(".ipynb"), _notebook_text(notebook))
    _write_page(target, html, live)
    _partial(target).unlink(missing_ok=True)
    return Published(target, target.with_suffix(".ipynb"), page.facts(notebook))


def _write_page(target: Path, html: str, live: bool) -> None:
    """The page, and then the word to an open one that there is a newer."""
    _write(target, made_live(html, target) if live else html)
    notice = beside(target)
    if live or notice.exists():
        _write(notice, live_line(html))


def _partial(target: Path) -> Path:
    return target.with_suffix(".partial.ipynb")


def _writable(target: Path) -> None:
    """Find out before the work, not after it, that the report cannot be written there."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryFile(dir=target.parent):
        pass


def _write(path: Path, text: str) -> None:
    """Write it whole or not at all, and take away what a run that was killed left of it."""
    from trialkit.records.files import TEMPORARY, write_text

    write_text(path, text)
    for left in path.parent.glob(f".{glob.escape(path.name)}.*{TEMPORARY}"):
        # A young one may belong to a run beside this one.
        with suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime > LEFT_S:
                left.unlink()


def _notebook_text(notebook: NotebookNode) -> str:
    import nbformat

    # What the runner noted for itself names temporary files of this machine; nobody needs them.
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
    return str(nbformat.writes(notebook)) + "\n"


# ------------------------------------------------------------------------------------------------
# A page that reloads itself in a browser when its report is made anew; no server, no network.
#
# A page opened from a file may ask for nothing by name but scripts.  So a line of script lies
# beside it that says which version the newest is, and the page looks at that line every few
# seconds.  Only a page that was asked to be live has any script; its content security policy lets
# in that script, by its hash, and what it loads (Content Security Policy Level 3, `strict-
# dynamic`).
# ------------------------------------------------------------------------------------------------

EVERY_MS = 2000

SCRIPT = """
(() => {
  const own = OWN, file = FILE, kept = "trialkit open parts";
  const folds = () => [...document.querySelectorAll("details")];
  try {
    const open = JSON.parse(sessionStorage.getItem(kept) || "[]");
    folds().forEach((fold, at) => { if (open.includes(at)) fold.open = true; });
    sessionStorage.removeItem(kept);
  } catch (error) { /* no storage for files: parts are folded again */ }
  window.newestReport = version => {
    if (version === own) return;
    try {
      const open = folds().flatMap((fold, at) => fold.open ? [at] : []);
      sessionStorage.setItem(kept, JSON.stringify(open));
    } catch (error) { /* as above */ }
    location.reload();
  };
  setInterval(() => {
    if (document.hidden) return;
    const line = document.createElement("script");
    line.src = file + "?" + Date.now();
    line.onload = line.onerror = () => line.remove();
    document.head.append(line);
  }, EVERY);
})();
"""
"""Parts that stood open stand open again; the browser itself keeps the place on the page."""

_POLICY = re.compile(r"(<meta http-equiv=\"Content-Security-Policy\" content=\"[^\"]*)\"")


def beside(page: Path) -> Path:
    """The file that says which version of `page` is the newest."""
    return page.with_suffix(".live.js")


def live_version(html: str) -> str:
    """Of a page without its script: another for any other content."""
    return hashlib.sha256(html.encode()).hexdigest()[:16]


def live_line(html: str) -> str:
    """The content of the file beside the page `html`, which is given without its script."""
    return f"newestReport({json.dumps(live_version(html))});\n"


def made_live(html: str, page: Path) -> str:
    """The page with the script that watches the file beside it."""
    script = (SCRIPT.replace("OWN", json.dumps(live_version(html)))
              .replace("FILE", _in_script(beside(page).name)).replace("EVERY", str(EVERY_MS)))
    hashed = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    allowed = rf"\1; script-src 'sha256-{hashed}' 'strict-dynamic'" + '"'
    html, done = _POLICY.subn(allowed, html, count=1)
    if not done:
        raise ValueError("The page has no content security policy to let the script in by.")
    head, _, rest = html.rpartition("</body>")
    return f"{head}<script>{script}</script>\n</body>{rest}"


def _in_script(name: str) -> str:
    """A file's name as an address in a script that stands in HTML."""
    from urllib.parse import quote

    return json.dumps(quote(name))
