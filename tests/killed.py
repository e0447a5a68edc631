"""Work that is killed part way, for tests of what it leaves behind."""

from __future__ import annotations

import os
import signal
import traceback
from collections.abc import Callable


def killed_before_move(number: int, work: Callable[[], object]) -> bool:
    """Do `work` in a process of its own that is killed (SIGKILL) before its file or folder
    `number`, from 0, is moved into place; False where it came to its end before that."""
    child = os.fork()
    if child == 0:
        moved = [0]

        def die(real):
            def step(source, target, *more):
                if moved[0] == number:
                    os.kill(os.getpid(), signal.SIGKILL)
                moved[0] += 1
                return real(source, target, *more)

            return step

        os.replace, os.rename = die(os.replace), die(os.rename)
        try:
            work()
        except BaseException:  # noqa: BLE001  (the child must end here, whatever happened)
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the work itself failed"
    return os.WIFSIGNALED(status)
