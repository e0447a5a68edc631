"""Run a notebook from top to bottom with papermill, in a kernel of this very Python.

A kernel comes first: this interpreter and no other. `execute` starts one for one run; a
`KeptKernel` keeps it for the next, a `SharedKernel` for whoever comes next.
"""

from __future__ import annotations

import asyncio
import atexit
import logging
import os
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Protocol

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager, NoSuchKernel
from jupyter_client.manager import KernelManager

from trialkit.errors import TrialkitError

if TYPE_CHECKING:
    from nbformat import NotebookNode
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import NotebookExecutionManager


# ------------------------------------------------------------------------------------------------
# A notebook kernel made of the Python that is running now.
#
# A kernel named "python3" may be missing on this machine, or belong to another Python that has no
# trialkit in it.  Both the report and `trialkit lab` therefore offer one kernel only: this
# interpreter.
# ------------------------------------------------------------------------------------------------

KERNEL_NAME = "python3"
# Leaves a kernel as it was before a notebook ran in it: names, the store of results and the count
# of cells go; what modules have loaded stays, and after the first run is no longer gone through
# when memory is cleared, which would take as long as a fit each time.
WIPE = (
    "get_ipython().reset(new_session=True)\n"
    "[(gc.collect(), gc.get_freeze_count() or gc.freeze()) for gc in [__import__('gc')]]"
)
ANSWER_S = 60.0
# A kernel ends with the process that started it, even one that was killed and could say nothing.
# Whoever loses its parent is given another (POSIX.1-2017, _exit), which a thread of its own sees
# from the first moment on, libraries still being loaded or a cell at work.
LAUNCH = """\
import os, sys, threading, time
def end_with_parent(parent):
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)
if os.name == "posix":
    known = os.environ.get("JPY_PARENT_PID", "")
    parent = int(known) if known.isdigit() else os.getppid()
    threading.Thread(target=end_with_parent, args=(parent,), daemon=True).start()
sys.path[:] = [path for path in sys.path if path]
from ipykernel import kernelapp
kernelapp.launch_new_instance()
"""
# The matrices of a trial are small: one thread each is fastest, and kind to a busy machine.
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class ThisPython(KernelSpecManager):
    """The only kernel on offer is the running interpreter, whatever else is installed."""

    def find_kernel_specs(self) -> dict[str, str]:
        """Names of kernels and the folder of each one's icons."""
        return {KERNEL_NAME: str(Path(__file__).parent)}

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        """The kernel of this interpreter; `NoSuchKernel` for any other name."""
        if kernel_name != KERNEL_NAME:
            raise NoSuchKernel(kernel_name)
        return KernelSpec(
            argv=[sys.executable, "-c", LAUNCH, "-f", "{connection_file}"],
            display_name="Python (this installation)",
            language="python",
            resource_dir=str(Path(__file__).parent),
            env={name: os.environ.get(name, "1") for name in THREADS},
        )


def _transport(folder: Path) -> dict[str, str]:
    """Talk over files only this user can open, where the system has them, not network ports."""
    socket = str(folder / "kernel")
    # A socket's path may be about 100 bytes long (unix(7): sun_path is 108, and a number follows).
    if os.name == "posix" and len(os.fsencode(socket)) < 90:
        return {"transport": "ipc", "ip": socket}
    return {}


@contextmanager
def _stops_waiting() -> Iterator[None]:
    """Ctrl-C and its like wait until the block is done: a kernel half started could neither be
    used nor stopped."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    kinds = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP")
             if hasattr(signal, name)]  # fmt: skip
    before = {kind: signal.signal(kind, lambda kind, _: came.append(kind)) for kind in kinds}
    try:
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, signal.SIG_DFL if handler is None else handler)
    if came:
        signal.raise_signal(came[0])


@contextmanager
def started(folder: Path, first: str = "") -> Iterator[KernelManager]:
    """Start a kernel in `folder` and stop it at the end, whatever happens between.

    folder : an empty folder for the kernel's sockets, its messages on standard error
        (`kernel.log`) and as its working folder, so that no file of a trial can be mistaken for a
        Python module.
    first : a line of Python to run while the caller is still loading its own libraries.
    """
    arguments = ["--HistoryManager.enabled=False"]
    if first:
        arguments.append(f"--IPKernelApp.exec_lines={first}")
    manager = KernelManager(
        kernel_name=KERNEL_NAME,
        kernel_spec_manager=ThisPython(),
        client_class="jupyter_client.asynchronous.AsyncKernelClient",
        connection_file=str(folder / "connection.json"),
        **_transport(folder),
    )
    with open(folder / "kernel.log", "wb") as log:
        try:
            with _stops_waiting():
                manager.start_kernel(
                    cwd=str(folder), extra_arguments=arguments, stdout=log, stderr=log
                )
            yield manager
        finally:
            manager.shutdown_kernel(now=True)
            manager.cleanup_resources()


# ------------------------------------------------------------------------------------------------
# Run a notebook from top to bottom with papermill, in a kernel of this very Python.
#
# `execute` starts a kernel for one run; a `KeptKernel` keeps it for the next, a `SharedKernel` for
# whoever comes next.
# ------------------------------------------------------------------------------------------------

DIED = "DeadKernelError"
CELLS = "import trialkit.report.cells; __import__('gc').freeze()"
"""What the libraries hold is not gone through each time memory is cleared."""

Progress = Callable[[int, int], None]
"""Called with (cells done, cells in all)."""


class Execute(Protocol):
    """What runs a notebook with parameters: `execute`, or a kept kernel's."""

    def __call__(
        self, notebook: Path, parameters: Mapping[str, object], on_progress: Progress | None = None
    ) -> NotebookNode: ...


class NotebookStopped(TrialkitError):
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

    @property
    def died(self) -> bool:
        """Whether the kernel died, rather than a cell failed."""
        return self.name == DIED


def execute(
    notebook: Path,
    parameters: Mapping[str, object],
    on_progress: Progress | None = None,
    first: str = CELLS,
) -> NotebookNode:
    """Run `notebook` with `parameters` put in after its cell tagged `parameters`.

    Returns the executed notebook; writes nothing outside a temporary folder.
    first : Python that the kernel runs while papermill is being imported here.
    Raises NotebookStopped when a cell fails or the kernel dies.
    """
    with tempfile.TemporaryDirectory(prefix="trialkit-") as name:
        folder = Path(name)
        with started(folder, first) as manager:
            # Imported late: the kernel wakes up on another core meanwhile.
            return _papermill(notebook, parameters, folder, manager, on_progress)


class KeptKernel:
    """One kernel for many runs, so that the libraries are loaded once.

    Each run finds it as the first did: what a notebook named is wiped out before the next.  A
    kernel that died is replaced; where one that ran before dies in a run, or will not be wiped, the
    notebook is run again in a new one.  Use it in a `with` statement: no process is left behind.
    """

    def __init__(self, first: str = CELLS) -> None:
        self._first = first
        self._held = ExitStack()
        self._folder = Path()
        self._manager: KernelManager | None = None
        self._used = False

    def __enter__(self) -> KeptKernel:
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop()

    @property
    def pid(self) -> int | None:
        """The kernel's process; None where none is running."""
        provisioner = self._manager.provisioner if self._manager else None
        return getattr(provisioner, "pid", None)

    def execute(
        self, notebook: Path, parameters: Mapping[str, object], on_progress: Progress | None = None
    ) -> NotebookNode:
        """As the function `execute`, in the kernel kept."""
        manager = self._manager if self._manager and self._manager.is_alive() else self._start()
        used = self._used
        try:
            return self._once(notebook, parameters, manager, on_progress)
        except NotebookStopped as stop:
            # Killed from outside, or out of memory after many runs: worth another go.
            if not (stop.died and used):
                raise
        return self._once(notebook, parameters, self._start(), on_progress)

    def _once(
        self,
        notebook: Path,
        parameters: Mapping[str, object],
        manager: KernelManager,
        on_progress: Progress | None,
    ) -> NotebookNode:
        again, self._used = self._used, True
        try:
            return _papermill(notebook, parameters, self._folder, manager, on_progress, again)
        except NotebookStopped:
            raise
        except BaseException:
            # Interrupted, perhaps in the middle of a cell: nobody knows what it is doing.
            self._stop()
            raise

    def _start(self) -> KernelManager:
        self._stop()
        name = self._held.enter_context(tempfile.TemporaryDirectory(prefix="trialkit-"))
        self._folder = Path(name)
        self._manager = self._held.enter_context(started(self._folder, self._first))
        self._used = False
        return self._manager

    def _stop(self) -> None:
        self._manager = None
        self._held.close()


class SharedKernel:
    """One kernel for whoever in this process asks, one at a time: started when first wanted, and
    stopped when nothing was asked of it for a while, when told to, or at the end of the process.
    """

    def __init__(self, first: str = CELLS, idle_s: float = 30.0) -> None:
        self._first = first
        self._idle_s = idle_s
        self._turn = threading.RLock()
        self._kept: KeptKernel | None = None
        self._timer: threading.Timer | None = None

    def execute(
        self, notebook: Path, parameters: Mapping[str, object], on_progress: Progress | None = None
    ) -> NotebookNode:
        """As the function `execute`, in the shared kernel."""
        with self._turn:
            self._wait_no_more()
            if self._kept is None:
                self._kept = KeptKernel(self._first).__enter__()
                atexit.register(self.stop)
            try:
                return self._kept.execute(notebook, parameters, on_progress)
            finally:
                self._timer = threading.Timer(self._idle_s, self.stop)
                self._timer.daemon = True
                self._timer.start()

    def stop(self) -> None:
        """Stop the kernel, if there is one; the next to ask has a new one."""
        with self._turn:
            self._wait_no_more()
            kernel, self._kept = self._kept, None
            if kernel is not None:
                atexit.unregister(self.stop)
                kernel.__exit__()

    def _wait_no_more(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def _papermill(
    notebook: Path,
    parameters: Mapping[str, object],
    folder: Path,
    manager: KernelManager,
    on_progress: Progress | None,
    again: bool = False,
) -> NotebookNode:
    """Run it in the kernel of `manager`; again : a notebook ran there before, to be wiped out."""
    nbformat = notebook_format()
    # Papermill looks for a store of files far away, which no trial is in, in a large library.
    with _held_back("pyarrow"):
        from papermill.execute import execute_notebook
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

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
            kernel_name=KERNEL_NAME,
            progress_bar=False,
            request_save_on_cell_execute=False,
            autosave_cell_every=0,
            manager=manager,
            on_progress=on_progress,
            running=running,
            again=again,
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
        raise NotebookStopped(DIED, message, False, partial) from None


def notebook_format() -> ModuleType:
    """The module nbformat.

    Loaded without the check of international web addresses, where it was not loaded before: with
    that its library compiles a grammar, which takes as long as all of a trial's models, and no
    notebook has an address checked.
    """
    with _held_back("rfc3987_syntax"):
        import nbformat
    return nbformat


@contextmanager
def _held_back(library: str) -> Iterator[None]:
    """What is imported meanwhile finds that library missing, unless it is loaded already."""
    held_back = library not in sys.modules
    if held_back:
        sys.modules[library] = None  # type: ignore[assignment]  # to import it is an ImportError
    try:
        yield
    finally:
        if held_back:
            del sys.modules[library]


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
            nb_man: NotebookExecutionManager,
            kernel_name: str,
            manager: KernelManager,
            running: list[NotebookNode],
            again: bool,
            on_progress: Progress | None = None,
            **_: object,
        ) -> None:
            running.append(nb_man.nb)
            total = len(nb_man.nb.cells)
            hooks: dict[str, object] = {}
            if on_progress is not None:
                on_progress(0, total)
                hooks["on_cell_complete"] = lambda cell, cell_index: on_progress(
                    cell_index + 1, total
                )
            client = PapermillNotebookClient(nb_man, km=manager, kernel_name=kernel_name, **hooks)
            try:
                _greet(client, again)
                client.execute()
                if on_progress is not None:
                    on_progress(total, total)
            except KeyboardInterrupt:
                _drop_tasks()
                raise
            finally:
                if client.kc is not None:
                    client.kc.stop_channels()

    papermill_engines.register("trialkit", RunningKernel)


def _greet(client: PapermillNotebookClient, again: bool) -> None:
    """Wait for the kernel to answer, and wipe out what ran in it before.

    Raises DeadKernelError where it died, never answers or cannot be wiped.
    """
    from jupyter_core.utils import run_sync
    from nbclient.exceptions import DeadKernelError

    async def wipe() -> dict[str, dict[str, object]]:
        reply = client.kc.execute(WIPE, silent=True, reply=True, timeout=ANSWER_S)
        return dict(await reply)

    try:
        client.start_new_kernel_client()
        if again and run_sync(wipe)()["content"]["status"] != "ok":
            raise RuntimeError("What the notebook before left could not be cleared away.")
    except (RuntimeError, TimeoutError) as error:
        raise DeadKernelError(str(error)) from None


def _drop_tasks() -> None:
    """Let go of what was waited for when the user interrupted, or it complains at the very end."""
    from jupyter_core.utils import ensure_event_loop

    loop = ensure_event_loop()
    tasks = asyncio.all_tasks(loop)
    for task in tasks:
        task.cancel()
    loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
