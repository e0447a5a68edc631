"""How long the whole report takes, against the least it could, and a re-run under watch against it.

    python tests/bench/bench_report.py

The floor: papermill on a notebook that imports the same libraries and draws one line, then
nbconvert.  The job: `trialkit report` on the demo trial, records to HTML.  Both are timed in turn,
as whole commands in new processes, and the ratio of the two medians is printed.  It should be at
most 1.5.  A re-run of `trialkit watch`, in the kernel it keeps, is timed in turn with them, what it
does to leave that kernel clean included; it should cost at most half of `trialkit report`.  The
exit code says whether both hold by the clock.  Processor time is printed too: on a busy machine it
says more than the clock.

The sheet and the pictures that `report --handout` makes in the same run are timed in turn too: the
processor time they add should be at most a fifth of a report's.  Once each, and only printed:
`trialkit handout` by itself on the same trial, in floors; and with --big the report of an invented
trial of 300 plants and 60 picks, in floors.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_notebook

from trialkit import shipped
from trialkit.engine import run
from trialkit.engine.publish import publish_latest

sys.path.insert(0, str(Path(__file__).parents[2] / "data"))

from invented_records import simulate_trial  # noqa: E402
from make_invented_trial import write_trial  # noqa: E402

ROUNDS = 5
LIMIT = 1.5
WARM_LIMIT = 0.5
ADDED_LIMIT = 0.2
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


def _again(kept: run.KeptKernel, trial: Path) -> tuple[float, float]:
    """(seconds by the clock, of processor) of a re-run: this process and the kernel it keeps."""
    start, before = time.perf_counter(), time.process_time() + _used_by(kept)
    publish_latest(trial, execute=kept.execute)
    used = time.process_time() + _used_by(kept) - before
    return time.perf_counter() - start, used


def _used_by(kept: run.KeptKernel) -> float:
    """Seconds of processor the kept kernel has used so far (proc(5): utime and stime)."""
    told = Path(f"/proc/{kept.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return sum(map(int, told[11:13])) / os.sysconf("SC_CLK_TCK")


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
        floors, jobs, sheets, warm = [], [], [], []
        with run.KeptKernel() as kept:
            _again(kept, folder / "trial")
            for _ in range(ROUNDS):
                floors.append(_timed(*floor_commands))
                jobs.append(_timed(job_command))
                sheets.append(_timed([*job_command, "--handout", "A4"]))
                warm.append(_again(kept, folder / "trial"))
        sheet = _timed([python, "-m", "trialkit.cli", "handout", str(folder / "trial")])[1]
        print(f"handout, s of processor: {sheet:.2f}, "
              f"{sheet / statistics.median(one[1] for one in floors):.2f} floors")
        if "--big" in sys.argv:
            write_trial(folder / "big", simulate_trial(
                3, blocks=6, plants_per_plot=10, picks=60, fade_day=240, topped=None))
            big = _timed([python, "-m", "trialkit.cli", "report", str(folder / "big")])[1]
            print(f"300 plants x 60 picks, s of processor: {big:.2f}, "
                  f"{big / statistics.median(one[1] for one in floors):.2f} floors")
        size = (folder / "trial" / "report" / "trial.html").stat().st_size
    print(f"report: {size / 1000:.0f} kB; limits of the ratios: {LIMIT} and {WARM_LIMIT}")
    job, both = (statistics.median(one[1] for one in runs) for runs in (jobs, sheets))
    added = both / job - 1.0
    print(f"with handout, s of processor: {both:.2f}, {added:.2f} of a report added "
          f"(limit {ADDED_LIMIT})")
    ratios = []
    for at, what in enumerate(("by the clock", "of processor")):
        floor, job, again = ([one[at] for one in runs] for runs in (floors, jobs, warm))
        middle = statistics.median(job)
        ratios.append((middle / statistics.median(floor), statistics.median(again) / middle))
        print(f"floor, s {what}:  " + " ".join(f"{t:.2f}" for t in floor))
        print(f"report, s {what}: " + " ".join(f"{t:.2f}" for t in job))
        print(f"re-run, s {what}: " + " ".join(f"{t:.2f}" for t in again))
        print(f"ratio of the medians, {what}: report to floor {ratios[-1][0]:.2f}, "
              f"re-run to report {ratios[-1][1]:.2f}")  # fmt: skip
    holds = ratios[0][0] <= LIMIT and ratios[0][1] <= WARM_LIMIT and added <= ADDED_LIMIT
    return 0 if holds else 1


if __name__ == "__main__":
    sys.exit(main())
