"""Run a notebook from top to bottom with papermill, in a kernel of this very Python."""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.reporting import kernel

if TYPE_CHECKING:
    from jupyter_client.manager import KernelManager
    from nbformat import NotebookNode

Progress = Callable[[int, int], None]
"""Called with (cells done, cells in all)."""


class NotebookStopped(Exception):
    """A cell failed, or the kernel died.

    name : the error's class name, as the cell gave it.
    message : what to tell the user; no traceback.
    own : True where the message is one of the package's own (a `cells.CellStop`).
    partial : the notebook as far as it got, error included.
    """

    def __init__(self, name: str, message: str, own: bool, partial: NotebookNode) -> None:
        super().__init__(message)
        self.name = name
        self.message = message
        self.own = own
        self.partial = partial


def execute(
    notebook: Path,
    parameters: Mapping[str, str],
    on_progress: Progress | None = None,
    first: str = "import trialkit.reporting.cells",
) -> NotebookNode:
    """Run `notebook` with `parameters` put in after its cell tagged `parameters`.

    Returns the executed notebook; writes nothing outside a temporary folder.
    first : Python that the kernel runs while papermill is being imported here.
    Raises NotebookStopped when a cell fails or the kernel dies.
    """
    with tempfile.TemporaryDirectory(prefix="trialkit-") as name:
        folder = Path(name)
        with kernel.started(folder, first) as manager:
            # Imported late: the kernel wakes up on another core meanwhile.
            return _papermill(notebook, parameters, folder, manager, on_progress)


def _papermill(
    notebook: Path,
    parameters: Mapping[str, str],
    folder: Path,
    manager: KernelManager,
    on_progress: Progress | None,
) -> NotebookNode:
    import nbformat
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError
    from papermill.execute import execute_notebook

    logging.getLogger("papermill").setLevel(logging.ERROR)
    _register_engine()
    # Papermill reads {braces} in a path as a pattern, so it gets a copy with a plain name.
    source, result = folder / "job.ipynb", folder / "result.ipynb"
    source.write_bytes(notebook.read_bytes())
    running: list[NotebookNode] = []
    try:
        done: NotebookNode = execute_notebook(
            str(source),
            str(result),
            parameters=dict(parameters),
            engine_name="trialkit",
            kernel_name=kernel.NAME,
            progress_bar=False,
            request_save_on_cell_execute=False,
            autosave_cell_every=0,
            manager=manager,
            on_progress=on_progress,
            running=running,
        )
        return done
    except PapermillExecutionError as error:
        partial = nbformat.read(result, as_version=4)
        own, message = _told(error.ename, error.evalue, error.traceback)
        raise NotebookStopped(error.ename, message, own, partial) from None
    except DeadKernelError:
        partial = running[0] if running else nbformat.read(source, as_version=4)
        log = (folder / "kernel.log").read_text(errors="replace")[-2000:].strip()
        message = f"Python stopped in mid-notebook (out of memory, perhaps).\n{log}".strip()
        raise NotebookStopped("DeadKernelError", message, False, partial) from None


def _told(name: str, value: str, traceback: list[str]) -> tuple[bool, str]:
    """(is it the package's own message?, the message without a traceback)."""
    if name.endswith("CellStop"):
        return True, value
    return False, f"{name}: {value}" if value else name


def _register_engine() -> None:
    """Teach papermill to use a kernel that already runs, and to report each finished cell."""
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import Engine, papermill_engines

    class RunningKernel(Engine):  # type: ignore[misc]
        """A papermill engine over a started kernel manager."""

        @classmethod
        def execute_managed_notebook(
            cls,
            nb_man: Any,
            kernel_name: str,
            manager: KernelManager,
            running: list[NotebookNode],
            on_progress: Progress | None = None,
            **_: Any,
        ) -> None:
            running.append(nb_man.nb)
            total = len(nb_man.nb.cells)
            hooks: dict[str, Any] = {}
            if on_progress is not None:
                on_progress(0, total)
                hooks["on_cell_complete"] = lambda cell, cell_index: on_progress(
                    cell_index + 1, total
                )
            client = PapermillNotebookClient(nb_man, km=manager, kernel_name=kernel_name, **hooks)
            try:
                client.execute()
                if on_progress is not None:
                    on_progress(total, total)
            finally:
                if client.kc is not None:
                    client.kc.stop_channels()

    papermill_engines.register("trialkit", RunningKernel)
