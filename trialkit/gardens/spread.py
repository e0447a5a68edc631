"""One function over many gardens: in this process, on all cores, or on a cluster by its address.

What each garden gives does not depend on where it was worked out, to the last digit: everywhere
one linear-algebra thread, and results come back in the order of the items.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from trialkit.gardens.cluster import (
    STOPPED,
    ClusterProblem,
    cores,
    local,
    place_of,
    remote,
    still_there,
    threads,
)
from trialkit.mixed.threads import few_threads

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["ClusterProblem", "Fault", "Progress", "spread", "spreading"]

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
    """Some of the items; `first` is the place of the first of them among all."""

    first: int
    items: tuple[T, ...]


def spread(
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
    opened = local(min(many, len(todo) - at)) if cluster is None else remote(cluster, todo)
    with opened as client:
        yield from _there(client, function, todo, at, tell)


def spreading(
    cluster: str | None = None, workers: int | None = None, progress: Progress | None = None
) -> Callable[[Callable[[T], R], Sequence[T]], Iterator[R | Fault]]:
    """`spread` with its settings made, to be given where a `map` is asked for."""
    return partial(spread, cluster=cluster, workers=workers, progress=progress)


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
        yield _one(function, item)


def _there(
    client: Client, function: Callable[[T], R], items: list[T], start: int, tell: Progress
) -> Iterator[R | Fault]:
    """Results from a cluster, in order, from item `start` on."""
    size = max(1, min(LARGEST, (len(items) - start) // (BATCHES * threads(client))))
    batches = [
        _Batch(first, tuple(items[first : first + size]))
        for first in range(start, len(items), size)
    ]
    waiting: dict[int, list[R | Fault]] = {}
    done = next_ = start
    for batch, found in _first_or_alone(client, function, batches):
        waiting[batch.first] = found
        done += len(found)
        tell(done, len(items))
        while next_ in waiting:
            ready = waiting.pop(next_)
            next_ += len(ready)
            yield from ready


def _first_or_alone(
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
            single = _Batch(batch.first + i, (item,))
            for one, future in _finished(client, function, [single]):
                yield one, _received(function, one, future)


def _finished(
    client: Client, function: Callable[[T], R], batches: list[_Batch[T]]
) -> Iterator[tuple[_Batch[T], Any]]:
    """Batches with their finished or failed futures as they come."""
    from queue import Empty, Queue

    queue: Queue[Any] = Queue()
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


def _received(function: Callable[[T], R], batch: _Batch[T], future: Any) -> list[R | Fault]:
    """The results of a batch, or of an item alone its error."""
    if future.status == "finished":
        return [_seen(function, item, found)
                for item, found in zip(batch.items, future.result(), strict=True)]
    error = future.exception()
    what = type(error).__name__
    if what == "KilledWorker":
        return [Fault(what, "every worker that took it on died; it may need more memory")]
    return [Fault(what, str(error))]


def _seen(function: Callable[[T], R], item: T, found: R | Fault | _Unseen) -> R | Fault:
    """A result; of an item that its worker did not find, worked out here.

    All workers saw the first item, or the work had not begun: this one is missing everywhere, in
    which case the function says so itself, or came late to a shared disk.
    """
    return _one(function, item) if isinstance(found, _Unseen) else found


def _run(function: Callable[[T], R], batch: _Batch[T]) -> list[R | Fault | _Unseen]:
    """A batch on a worker."""
    out: list[R | Fault | _Unseen] = []
    for item in batch.items:
        place = place_of(item)
        missing = place is not None and not place.exists()
        out.append(_Unseen(str(place)) if missing else _one(function, item))
    return out


def _one(function: Callable[[T], R], item: T) -> R | Fault:
    try:
        with few_threads():
            return function(item)
    except Exception as error:  # whatever it is, the other gardens have their answer
        return Fault(type(error).__name__, str(error), traceback.format_exc())


def _absolute(item: T) -> T:
    return item.absolute() if isinstance(item, Path) else item
