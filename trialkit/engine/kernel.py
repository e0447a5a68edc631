"""A notebook kernel made of the Python that is running now.

A kernel named "python3" may be missing on this machine, or belong to another Python that has no
trialkit in it.  Both the report and `trialkit lab` therefore offer one kernel only: this
interpreter.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager, NoSuchKernel
from jupyter_client.manager import KernelManager

NAME = "python3"
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
        return {NAME: str(Path(__file__).parent)}

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        """The kernel of this interpreter; `NoSuchKernel` for any other name."""
        if kernel_name != NAME:
            raise NoSuchKernel(kernel_name)
        return KernelSpec(
            argv=[sys.executable, "-c", LAUNCH, "-f", "{connection_file}"],
            display_name="Python (this installation)",
            language="python",
            resource_dir=str(Path(__file__).parent),
            env={name: os.environ.get(name, "1") for name in THREADS},
        )


def _transport(folder: Path) -> dict[str, Any]:
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
        kernel_name=NAME,
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
