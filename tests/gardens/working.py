"""Functions that workers run in the tests of `trialkit.gardens.workers`."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from trialkit.gardens.stage_one import Failed, TrialMeans, trial_means


def size_of(folder: Path) -> int:
    """Length of the folder's file; fails where there is none."""
    return len((folder / "trial.toml").read_text())


def root(number: int) -> float:
    """Takes a moment; fails for a negative number."""
    time.sleep(0.001)
    if number < 0:
        raise ValueError(f"{number} has no root")
    return float(number) ** 0.5


def slow_root(number: int) -> float:
    time.sleep(0.2)
    return root(number)


def process(number: int) -> int:
    """The process that works an item out; slow, so that several take part."""
    time.sleep(0.3)
    return os.getpid()


def deadly(number: int) -> int:
    """Number 7 takes its process with it."""
    if number == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.05)
    return number


def signed_stage(signatures: Path, folder: Path) -> TrialMeans | Failed:
    """Stage 1; leaves a file of the folder's name and the process that took it on."""
    (signatures / f"{folder.name}.{os.getpid()}").touch()
    time.sleep(0.1)
    return trial_means(folder, words=False)
