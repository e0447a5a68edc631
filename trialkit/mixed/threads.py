"""One linear-algebra thread for small matrices.

The matrices of a fit are small; sharing them between threads costs more than it gains, and on a
busy machine a hundred times more.  Large ones (over ``LARGE`` rows) keep all threads.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from functools import lru_cache, wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

LARGE = 600

P = ParamSpec("P")
R = TypeVar("R")


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def few_threads(size: int = 0) -> AbstractContextManager[object]:
    """A context in which BLAS uses one thread, unless ``size`` is large."""
    if size > LARGE:
        return nullcontext()
    limited: AbstractContextManager[object] = _controller().limit(limits=1, user_api="blas")
    return limited


def single_threaded(function: Callable[P, R]) -> Callable[P, R]:
    """Run a function with one BLAS thread."""

    @wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        with few_threads():
            return function(*args, **kwargs)

    return run
