"""A real scheduler and real workers, each a process of its own, on this machine only."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).parent
PLAIN = ("--host", "127.0.0.1", "--no-dashboard", "--dashboard-address", "127.0.0.1:0")


class RealCluster:
    """A scheduler that runs, and what is needed to start workers for it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[bytes]] = []
        told = folder / "scheduler.json"
        self._start("scheduler", *PLAIN, "--port", "0", "--scheduler-file", str(told))
        self.address = str(json.loads(_when_written(told))["address"])

    def worker(self, sitecustomize: str = "") -> subprocess.Popen[bytes]:
        """Start a worker; `sitecustomize`: Python that it runs first, to be unlike the others."""
        special = self.folder / f"worker-{len(self.processes)}"
        special.mkdir()
        (special / "sitecustomize.py").write_text(sitecustomize)
        return self._start(
            "worker", self.address, *PLAIN, "--nthreads", "1", "--no-nanny",
            "--local-directory", str(self.folder), path=special,
        )

    def _start(self, *command: str, path: Path | None = None) -> subprocess.Popen[bytes]:
        places = [str(HERE), *([str(path)] if path else [])]
        with (self.folder / f"log-{len(self.processes)}.txt").open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "dask", *command], stdout=log, stderr=log,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(places)},
            )
        self.processes.append(process)
        return process

    def waits_for(self, workers: int) -> None:
        """Until so many workers are there."""
        from distributed import Client

        with Client(self.address, timeout=20, set_as_default=False) as client:
            end = time.monotonic() + 30
            while len(client.scheduler_info()["workers"]) != workers:
                assert time.monotonic() < end, f"there are not {workers} workers"
                time.sleep(0.05)

    def end(self) -> None:
        """End every process that was started; they have nothing to put in order."""
        for process in reversed(self.processes):
            process.kill()
        for process in self.processes:
            process.wait()


@contextmanager
def real_cluster(folder: Path) -> Iterator[RealCluster]:
    """A scheduler without workers, ended with all that was started for it."""
    folder.mkdir(parents=True, exist_ok=True)
    cluster = RealCluster(folder)
    try:
        yield cluster
    finally:
        cluster.end()


def _when_written(path: Path) -> str:
    end = time.monotonic() + 30
    while not path.exists() or not path.read_text():
        assert time.monotonic() < end, "the scheduler does not start"
        time.sleep(0.05)
    return path.read_text()
