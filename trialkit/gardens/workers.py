"""One function over many gardens: in this process, on all cores, or on a cluster by its address.

What each garden gives does not depend on where it was worked out, to the last digit: everywhere
one linear-algebra thread, and results come back in the order of the items.  A cluster is one of
Dask: processes of this machine for the time of one command, which listen to this machine only and
leave no process and no file behind, or one that runs already.
"""

from __future__ import annotations

import logging
import socket
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from trialkit.errors import TrialkitError
from trialkit.mixed.likelihood import few_threads

if TYPE_CHECKING:
    from distributed import Client, Future

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


T = TypeVar("T")
R = TypeVar("R")
# Called after each part of the work with items done and items in all.
Progress = Callable[[int, int], None]

START = 5.5
"""Seconds that processes of their own cost: 4.6 to the first result, the models loaded in each,
and 1.1 to close (measured on two idle cores).  Work that would gain less than that is done here."""
BATCHES = 16
"""Batches a worker: the last to finish keeps the others waiting a sixteenth of the time at most."""
LARGEST = 64
"""Items a batch at most: what is worked out again when a worker dies."""


@dataclass(frozen=True)
class Fault:
    """What an item gave instead of a result: the kind of error, its message, where it arose."""

    kind: str
    message: str
    traceback: str = ""

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class _Unseen:
    """A worker has not the folder or file of an item."""

    place: str


@dataclass(frozen=True)
class _Batch(Generic[T]):
    """Some of the items; `start` is the place of the first of them among all."""

    start: int
    items: tuple[T, ...]


def for_each(
    function: Callable[[T], R], items: Sequence[T], cluster: str | None = None,
    workers: int | None = None, progress: Progress | None = None,
) -> Iterator[R | Fault]:
    """`function` of every item, in their order; an item that fails gives a `Fault` in its place.

    cluster : address of a running Dask scheduler ("tcp://host:port"); else this machine, with
    `workers` processes (all cores unless said), or none where the work is too little for them.
    Function and items must be picklable.  A relative path is made absolute first.  Where workers
    die their items are worked out again, by others; an item that kills every worker it is given
    to is a `Fault`.

    Processes are started afresh, so a script that calls this needs the usual
    `if __name__ == "__main__":`.

    Raises ClusterProblem where there is no scheduler, no worker, another trialkit on a worker, or
    a folder that workers do not see.
    """
    todo = [_absolute(item) for item in items]
    tell = progress or (lambda done, total: None)
    at = 0
    if cluster is None:
        many = workers or cores()
        for result in _here(function, todo, many):
            at += 1
            tell(at, len(todo))
            yield result
    if at == len(todo):
        return
    connection = local(min(many, len(todo) - at)) if cluster is None else remote(cluster, todo)
    with connection as client:
        yield from _there(client, function, todo, at, tell)


def mapper(
    cluster: str | None = None, workers: int | None = None, progress: Progress | None = None
) -> Callable[[Callable[[T], R], Sequence[T]], Iterator[R | Fault]]:
    """`for_each` with its settings made, to be given where a `map` is asked for."""
    return partial(for_each, cluster=cluster, workers=workers, progress=progress)


def _here(function: Callable[[T], R], items: list[T], workers: int) -> Iterator[R | Fault]:
    """Results worked out in this process, until what is left is worth starting others for."""
    began = 0.0
    for at, item in enumerate(items):
        if at == 1:  # the first item loads the models, which says nothing of the others
            began = time.perf_counter()
        if at > 1:
            each = (time.perf_counter() - began) / (at - 1)
            left = len(items) - at
            rounds = -(-left // min(workers, left))
            if each * (left - rounds) > START:
                return
        yield _attempt(function, item)


def _there(
    client: Client, function: Callable[[T], R], items: list[T], start: int, tell: Progress
) -> Iterator[R | Fault]:
    """Results from a cluster, in order, from item `start` on."""
    size = max(1, min(LARGEST, (len(items) - start) // (BATCHES * threads(client))))
    batches = [
        _Batch(at, tuple(items[at : at + size]))
        for at in range(start, len(items), size)
    ]
    waiting: dict[int, list[R | Fault]] = {}
    done = next_ = start
    for batch, results in _together_or_alone(client, function, batches):
        waiting[batch.start] = results
        done += len(results)
        tell(done, len(items))
        while next_ in waiting:
            ready = waiting.pop(next_)
            next_ += len(ready)
            yield from ready


def _together_or_alone(
    client: Client, function: Callable[[T], R], batches: list[_Batch[T]]
) -> Iterator[tuple[_Batch[T], list[R | Fault]]]:
    """Batches with their results as they come; last, item by item, those that failed whole.

    A worker that dies takes with it whatever waits there, and the blame falls on all of it.
    Only an item that nothing else runs beside is known to be the one.
    """
    failed = []
    for batch, future in _finished(client, function, batches):
        if future.status == "finished":
            yield batch, _received(function, batch, future)
        else:
            failed.append(batch)
    for batch in failed:
        for i, item in enumerate(batch.items):
            single = _Batch(batch.start + i, (item,))
            for alone, future in _finished(client, function, [single]):
                yield alone, _received(function, alone, future)


def _finished(
    client: Client, function: Callable[[T], R], batches: list[_Batch[T]]
) -> Iterator[tuple[_Batch[T], Future[list[R | Fault | _Unseen]]]]:
    """Batches with their finished or failed futures as they come."""
    from queue import Empty, Queue

    queue: Queue[Future[list[R | Fault | _Unseen]]] = Queue()
    # No key is used twice: a folder may have changed since it was last asked for.
    futures = client.map(_run, [function] * len(batches), batches, pure=False)
    # A future let go of is work called off, a future kept is a result kept in some worker.
    open_ = {future.key: (future, batch) for future, batch in zip(futures, batches, strict=True)}
    for future in futures:
        future.add_done_callback(queue.put)
    del futures
    last_seen = time.monotonic()
    while open_:
        try:
            future = queue.get(timeout=2.0)
        except Empty:
            last_seen = still_there(client, last_seen)
            continue
        last_seen = time.monotonic()
        if future.status == "cancelled":
            raise ClusterProblem(STOPPED)
        _, batch = open_.pop(future.key)
        yield batch, future


def _received(
    function: Callable[[T], R], batch: _Batch[T], future: Future[list[R | Fault | _Unseen]]
) -> list[R | Fault]:
    """The results of a batch, or of an item alone its error."""
    if future.status == "finished":
        return [_seen(function, item, results)
                for item, results in zip(batch.items, future.result(), strict=True)]
    error = future.exception()
    what = type(error).__name__
    if what == "KilledWorker":
        return [Fault(what, "every worker that took it on died; it may need more memory")]
    return [Fault(what, str(error))]


def _seen(function: Callable[[T], R], item: T, results: R | Fault | _Unseen) -> R | Fault:
    """A result; of an item that its worker did not find, worked out here.

    All workers saw the first item, or the work had not begun: this one is missing everywhere, in
    which case the function says so itself, or came late to a shared disk.
    """
    return _attempt(function, item) if isinstance(results, _Unseen) else results


def _run(function: Callable[[T], R], batch: _Batch[T]) -> list[R | Fault | _Unseen]:
    """A batch on a worker."""
    out: list[R | Fault | _Unseen] = []
    for item in batch.items:
        place = place_of(item)
        missing = place is not None and not place.exists()
        out.append(_Unseen(str(place)) if missing else _attempt(function, item))
    return out


def _attempt(function: Callable[[T], R], item: T) -> R | Fault:
    try:
        with few_threads():
            return function(item)
    except Exception as error:  # whatever it is, the other gardens have their answer
        return Fault(type(error).__name__, str(error), traceback.format_exc())


def _absolute(item: T) -> T:
    return item.absolute() if isinstance(item, Path) else item
