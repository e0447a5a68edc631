"""A kernel ends with the process that started it, however that ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

STARTS = """
import sys, tempfile, time
from pathlib import Path
from trialkit.engine import run
with tempfile.TemporaryDirectory() as folder, run.started(Path(folder), sys.argv[1]) as one:
    print(one.provisioner.pid, flush=True)
    time.sleep(120)
"""


def _alive(pid: int) -> bool:
    """Whether it runs: one that ended and was not asked after yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes in /proc")
@pytest.mark.parametrize("wait", [0.0, 3.0], ids=["still loading", "in a cell"])
def test_a_kernel_ends_with_a_parent_that_was_killed(wait):
    busy = "while True: pass"
    with subprocess.Popen([sys.executable, "-c", STARTS, busy], stdout=subprocess.PIPE,
                          text=True) as parent:  # fmt: skip
        child = int(parent.stdout.readline())
        time.sleep(wait)
        assert _alive(child)
        parent.send_signal(signal.SIGKILL)
        parent.wait()
    try:
        until = time.monotonic() + 20
        while _alive(child) and time.monotonic() < until:
            time.sleep(0.1)
        assert not _alive(child)
    finally:
        if _alive(child):
            os.kill(child, signal.SIGKILL)
