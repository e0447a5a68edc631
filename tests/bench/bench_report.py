"""How long the whole report takes, against the least it could.

    python tests/bench/bench_report.py

The floor: papermill on a notebook that imports the same libraries and draws one line, then
nbconvert.  The job: `trialkit report` on the demo trial, records to HTML.  Both are timed in turn,
as whole commands in new processes, and the ratio of the two medians is printed.  It should be at
most 1.5; the exit code says whether it is.  Processor time is printed too: on a busy machine it
says more than the clock.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_notebook

from trialkit.reporting import shipped

ROUNDS = 5
LIMIT = 1.5
LINE = """import numpy, scipy.stats, scipy.optimize, pandas, seaborn, formulaic
import matplotlib.pyplot as plt
plt.plot([1, 2], [1, 2])"""


def _timed(*commands: list[str]) -> tuple[float, float]:
    """(seconds by the clock, seconds of processor) of commands run one after the other."""
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    for command in commands:
        subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, used


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        book = new_notebook(
            cells=[
                new_code_cell('folder = ""', metadata={"tags": ["parameters"]}),
                new_code_cell(LINE),
            ]
        )
        book.metadata.kernelspec = {"name": "python3", "language": "python", "display_name": "x"}
        nbformat.write(book, folder / "line.ipynb")
        shipped.copy_trial(shipped.demo(), folder / "trial")
        python = sys.executable
        line, done = str(folder / "line.ipynb"), str(folder / "done.ipynb")
        floor_commands = (
            [python, "-m", "papermill", "-p", "folder", "x", line, done],
            [python, "-m", "nbconvert", "--to", "html", done],
        )
        job_command = [python, "-m", "trialkit.cli", "report", str(folder / "trial")]
        _timed(*floor_commands)
        _timed(job_command)
        floors, jobs = [], []
        for _ in range(ROUNDS):
            floors.append(_timed(*floor_commands))
            jobs.append(_timed(job_command))
        size = (folder / "trial" / "report" / "trial.html").stat().st_size
    print(f"report: {size / 1000:.0f} kB; limit of the ratio: {LIMIT}")
    ratios = []
    for at, what in enumerate(("by the clock", "of processor")):
        floor, job = ([run[at] for run in runs] for runs in (floors, jobs))
        ratios.append(statistics.median(job) / statistics.median(floor))
        print(f"floor, s {what}:  " + " ".join(f"{t:.2f}" for t in floor))
        print(f"report, s {what}: " + " ".join(f"{t:.2f}" for t in job))
        print(f"ratio of the medians, {what}: {ratios[-1]:.2f}")
    return 0 if ratios[0] <= LIMIT else 1


if __name__ == "__main__":
    sys.exit(main())
