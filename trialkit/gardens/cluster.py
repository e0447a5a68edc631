"""Dask clusters: processes of this machine for the time of one command, or one that runs already.

A cluster of this machine listens to this machine only, and leaves no process and no file behind.
"""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.errors import TrialkitError

if TYPE_CHECKING:
    from distributed import Client

CONNECT = 10.0
"""Seconds to wait for a scheduler, and for its first worker."""
PATIENCE = 60.0
"""Seconds without any worker after which a cluster is given up."""
# Else a worker looks a hundred times a second at what it is doing and keeps the calls it saw:
# measured, 0.8 MB a garden (613 MB after 500) and a tenth of the time.
QUIET = {"distributed.worker.profile.enabled": False}
STOPPED = "The scheduler has stopped before the work was done: start it, and repeat the command."


class ClusterProblem(TrialkitError, RuntimeError):  # noqa: N818  (it is what the grower is told, not a bug)
    """The cluster cannot do the work, and what would mend it."""


def cores() -> int:
    """Cores this process may use, limits of a container included."""
    from dask.system import CPU_COUNT

    return int(CPU_COUNT)


def threads(client: Client) -> int:
    """Threads of all workers."""
    return max(1, sum(int(many) for many in client.nthreads().values()))


@contextmanager
def local(workers: int) -> Iterator[Client]:
    """Processes of this machine that listen to this machine only; gone, with their files, after."""
    from tempfile import TemporaryDirectory

    import dask
    from distributed import Client, LocalCluster

    with (
        TemporaryDirectory(prefix="trialkit-", ignore_cleanup_errors=True) as scratch,
        dask.config.set({**QUIET, "temporary-directory": scratch}),
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, host="127.0.0.1",
            scheduler_kwargs={"dashboard": False}, dashboard_address="127.0.0.1:0",
            local_directory=scratch, silence_logs=logging.CRITICAL,
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield client


@contextmanager
def remote(address: str, items: Sequence[object]) -> Iterator[Client]:
    """A running cluster, whose workers have this trialkit and see the items."""
    from distributed import Client
    from distributed.utils import silence_logging_cmgr

    try:
        client = Client(address, timeout=CONNECT, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ClusterProblem(
            f"No Dask scheduler answers at {address} ({error}). Start one with: dask scheduler"
        ) from None
    # What Dask logs of a scheduler or worker that goes is said in plain words by ClusterProblem.
    with silence_logging_cmgr(logging.CRITICAL), client:
        try:
            client.wait_for_workers(1, timeout=CONNECT)
        except TimeoutError:
            raise ClusterProblem(
                f"The scheduler at {address} has no worker. Start some, on each machine: "
                f"dask worker {address} --nthreads 1"
            ) from None
        _alike(client, items)
        yield client


def _alike(client: Client, items: Sequence[object]) -> None:
    """Raises ClusterProblem for workers with another trialkit, or without the first item."""
    from trialkit import __version__

    place = next((p for p in map(place_of, items) if p is not None and p.exists()), None)
    answers = client.run(_about, place, on_error="return")
    for worker, answer in answers.items():
        if isinstance(answer, Exception):
            raise ClusterProblem(
                f"The worker at {worker} cannot load trialkit ({answer}). Install trialkit "
                f"{__version__} where that worker runs."
            )
        machine, version, sees = answer
        if version != __version__:
            raise ClusterProblem(
                f"The worker at {worker} ({machine}) has trialkit {version}, this is "
                f"{__version__}. Install the same on both, else their answers may differ."
            )
        if not sees:
            raise ClusterProblem(
                f"The worker at {worker} ({machine}) does not see {place}. Workers read the "
                "records themselves: put them on a disk that every machine reaches by the same "
                "path, or leave out --cluster to work them out here."
            )


def _about(place: Path | None) -> tuple[str, str, bool]:
    """Of a worker: its machine, its trialkit, whether it sees a place."""
    from trialkit import __version__

    return socket.gethostname(), __version__, place is None or place.exists()


def still_there(client: Client, last_seen: float) -> float:
    """When workers were last seen.  Raises ClusterProblem after too long without any."""
    if client.status not in ("running", "connecting"):
        raise ClusterProblem(STOPPED)
    if client.status == "running" and client.scheduler_info()["workers"]:
        return time.monotonic()
    if time.monotonic() - last_seen > PATIENCE:
        raise ClusterProblem(
            f"For {PATIENCE:.0f} seconds the cluster has had no worker: start some, and "
            "repeat the command."
        )
    return last_seen


def place_of(item: object) -> Path | None:
    """The folder or file that an item is read from: itself, or its `file` or `folder`."""
    places = (item, getattr(item, "file", None), getattr(item, "folder", None))
    return next((place for place in places if isinstance(place, Path)), None)
