"""Plants in plots in blocks, with and without a crossed date, beside R and statsmodels.

    python tests/bench/bench_nested.py                      (500, 2,000 and 5,000 plots)
    python tests/bench/bench_nested.py --plots 500 100000   (others; R only up to 5,000)
    python tests/bench/bench_nested.py --growth             (5,000, 20,000 and 100,000 plots)
    python tests/bench/bench_nested.py --errors             (serial correlation beside nlme)
    python tests/bench/bench_nested.py --counts             (counts, slopes at two levels)

Four plants a plot, five dates.  Every fit is a process of its own on one thread, one after the
other; memory is the rise of the process's peak while it fits.  Goals: at most half of lme4's time
and twice its memory; all pairs by Kenward-Roger within three fits.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

R_SCRIPT = Path(__file__).with_name("bench_nested.R")
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
LARGEST_IN_R, LARGEST_ELSEWHERE = 5000, 500
PATIENCE = 300


def nested(plots: int, plants: int = 4, dates: int = 5, seed: int = 3) -> pd.DataFrame:
    """Five varieties, a plot of each a block."""
    rng = np.random.default_rng(seed)
    plant = np.repeat(np.arange(plots * plants), dates)
    date = np.tile(np.arange(dates), plots * plants)
    plot = plant // plants
    y = 5.0 + 0.2 * (plot % 5) + rng.normal(0.0, 0.4, dates)[date]
    for codes, sd in ((plot // 5, 0.5), (plot, 0.6), (plant, 0.7), (np.arange(len(plant)), 1.0)):
        y = y + rng.normal(0.0, sd, codes.max() + 1)[codes]
    columns = {"block": plot // 5, "plot": plot, "plant": plant, "date": date}
    data = pd.DataFrame({name: np.char.add(name[:2], codes.astype(str))
                         for name, codes in columns.items()})  # fmt: skip
    data["variety"] = np.char.add("v", (plot % 5).astype(str))
    data["y"] = np.round(y, 4)
    return data


def peak_mb() -> float:
    """Highest resident memory of this process so far."""
    line = next(x for x in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in x)
    return float(line.split()[1]) / 1024.0


def one_fit(path: str, by: str, groups: list[str]) -> None:
    """Run in a process of its own: one JSON line."""
    data = pd.read_csv(path)
    if by == "statsmodels":
        import statsmodels.formula.api as smf

        before, start = peak_mb(), time.perf_counter()
        parts = {g: f"0 + C({g})" for g in groups if g != "block"}
        model = smf.mixedlm("y ~ variety", data, groups="block", re_formula="1", vc_formula=parts)
        fit = model.fit(reml=True)
        print(json.dumps({"seconds": time.perf_counter() - start, "objective": -2.0 * fit.llf,
                          "mb": peak_mb() - before}))  # fmt: skip
        return
    from bench_mixed import cold

    from trialkit.mixed import fit_lmm

    fit_lmm("y ~ variety", data.head(200), groups=["plant"])  # imports, not timed
    before, start = peak_mb(), time.perf_counter()
    own = fit_lmm("y ~ variety", data, groups=groups)
    seconds = time.perf_counter() - start
    rise = peak_mb() - before
    start = time.perf_counter()
    cold(own).compare("variety", df="kenward-roger")
    pairs = time.perf_counter() - start
    print(json.dumps({"seconds": seconds, "objective": own.objective, "mb": rise, "pairs": pairs,
                      "with_pairs": peak_mb() - before}))  # fmt: skip


def child(command: list[str]) -> dict[str, Any]:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False,
                              timeout=PATIENCE, env=os.environ | ONE_THREAD)  # fmt: skip
    except subprocess.TimeoutExpired:
        return {"why": f"not done in {PATIENCE} s"}
    if done.returncode:
        return {"why": (done.stderr.strip().splitlines() or ["no message"])[-1][:60]}
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def verdict(ratio: float, goal: float) -> str:
    return f"{ratio:.2g} (goal {goal:g}: {'met' if ratio <= goal else 'MISSED'})"


def lines_of(plots: int, with_date: bool) -> list[list[str]]:
    groups = ["block", "plot", "plant"] + ["date"] * with_date
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "nested.csv")
        nested(plots).to_csv(path, index=False)
        own = min((child([sys.executable, __file__, "--fit", path, "trialkit", *groups])
                   for _ in range(2)), key=lambda x: float(x.get("seconds", np.inf)))  # fmt: skip
        peers = {}
        if shutil.which("Rscript") and plots <= LARGEST_IN_R:
            for name in ("lme4", "glmmTMB"):
                extra = ["date"] * with_date
                peers[name] = child(["Rscript", str(R_SCRIPT), path, name, *extra])
        if plots <= LARGEST_ELSEWHERE and not with_date:
            peers["statsmodels"] = child([sys.executable, __file__, "--fit", path, "statsmodels",
                                          *groups])  # fmt: skip
    what = f"{plots:,} plots{', date' if with_date else ''}"
    if "why" in own:
        return [[what, "trialkit", own["why"], "", "", ""]]
    out = [[what, "trialkit", f"{own['seconds']:.2f}", f"{own['mb']:.0f}",
            f"KR all pairs {own['pairs']:.2f} s ({own['with_pairs']:.0f} MB)",
            verdict(own["pairs"] / own["seconds"], 3.0)]]  # fmt: skip
    for name, peer in peers.items():
        if "why" in peer:
            out.append([what, name, peer["why"], "", "", ""])
            continue
        apart = f"objective apart {own['objective'] - peer['objective']:.1e}"
        share = own["seconds"] / peer["seconds"]
        memory = own["mb"] / max(peer["mb"], 1.0)
        told = (f"{verdict(share, 0.5)}, memory {verdict(memory, 2.0)}" if name == "lme4"
                else f"{share:.2g}, memory {memory:.2g}")  # fmt: skip
        out.append([what, name, f"{peer['seconds']:.2f}", f"{peer['mb']:.0f}", apart, told])
    return out


def growth_lines(sizes: tuple[int, ...] = (5000, 20_000, 100_000)) -> list[list[str]]:
    """Processor time of a fit and of all pairs by the number of plots, beside the least size's; a
    tenth of the records is missing, so that there is a search, told by the number of its steps."""
    from bench_mixed import cold

    from trialkit.mixed import fit_lmm

    out: list[list[str]] = []
    least: dict[str, float] = {}
    for with_date in (False, True):
        for plots in sizes:
            data = nested(plots)
            there = np.random.default_rng(1).uniform(size=len(data)) > 0.1
            data = data[there].reset_index(drop=True)
            groups = ["block", "plot", "plant"] + ["date"] * with_date
            seconds = []
            for _ in range(3):
                marks = [time.process_time()]
                fit = fit_lmm("y ~ variety", data, groups=groups)
                marks.append(time.process_time())
                cold(fit).compare("variety")
                marks.append(time.process_time())
                seconds.append(np.diff(marks))
            whole, pairs = np.min(seconds, axis=0)
            steps = fit.optimum.evaluations
            own = {"fit": whole / plots, "pairs": pairs / plots}
            if plots == sizes[0]:
                least = own
            told = ", ".join(f"{name} {own[name] / least[name]:.2f}" for name in own)
            out.append([f"{plots:,} plots{', date' * with_date}", "trialkit", f"{whole:.2f}", "",
                        f"{steps} steps; KR all pairs {pairs:.2f} s",
                        f"a plot, to {sizes[0]:,}: {told}"])  # fmt: skip
    return out


SERIAL_IN_R = """
suppressPackageStartupMessages(library(nlme))
d <- read.csv(commandArgs(TRUE)[1], stringsAsFactors = TRUE)
s <- proc.time()[["elapsed"]]
m <- lme(y ~ variety, d, random = ~ 1 | plot/plant,
         correlation = corAR1(form = ~ pick | plot/plant))
cat(proc.time()[["elapsed"]] - s, format(-2 * as.numeric(logLik(m)), digits = 15))
"""


def serial_lines(plots: int) -> list[list[str]]:
    """Serial correlation within plants over 15 picks, beside nlme."""
    from trialkit.mixed import fit_structured

    data = nested(plots, dates=15)
    data["pick"] = data.groupby("plant").cumcount()
    rng = np.random.default_rng(1)
    errors = rng.normal(size=(plots * 4, 15))
    for t in range(1, 15):
        errors[:, t] = 0.5 * errors[:, t - 1] + np.sqrt(0.75) * errors[:, t]
    data["y"] += errors.ravel()
    start = time.perf_counter()
    fit = fit_structured("y ~ variety", data, ["plot", "plant"], serial={"plant": "pick"})
    seconds = time.perf_counter() - start
    start = time.perf_counter()
    fit.compare("variety")
    pairs = time.perf_counter() - start
    what = f"serial, {len(data):,} records"
    out = [[what, "trialkit", f"{seconds:.2f}", "", f"KR all pairs {pairs:.2f} s", ""]]
    if shutil.which("Rscript"):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "serial.csv"
            data.to_csv(path, index=False)
            done = subprocess.run(["Rscript", "-e", SERIAL_IN_R, str(path)], capture_output=True,
                                  text=True, check=False, env=os.environ | ONE_THREAD)  # fmt: skip
        if done.returncode:
            return [*out, [what, "nlme", done.stderr.strip()[-60:], "", "", ""]]
        theirs, objective = (float(x) for x in done.stdout.split())
        out.append([what, "nlme", f"{theirs:.2f}", "",
                    f"objective apart {fit.objective - objective:.1e}",
                    f"{seconds / theirs:.2g}"])  # fmt: skip
    return out


COUNTS_IN_R = """
a <- commandArgs(TRUE)
suppressPackageStartupMessages(library(a[2], character.only = TRUE))
d <- read.csv(a[1], stringsAsFactors = TRUE)
s <- proc.time()[["elapsed"]]
f <- as.formula(a[3])
m <- if (a[4] == "gaussian" && a[2] == "lme4") {
  lmer(f, d, control = lmerControl(calc.derivs = FALSE, check.conv.singular = "ignore"))
} else if (a[4] == "gaussian") {
  glmmTMB(f, d, REML = TRUE)
} else glmmTMB(f, d, family = if (a[4] == "poisson") poisson() else nbinom2())
least <- if (a[2] == "lme4") REMLcrit(m) else 2 * m$fit$objective
cat(proc.time()[["elapsed"]] - s, format(least, digits = 15))
"""


def count_lines(plots: int) -> list[list[str]]:
    """Counts nested in plants, plots and blocks, and slopes in the day of plot and of plant."""
    from trialkit.mixed import fit_glmm, fit_lmm

    data = nested(plots)
    data["day"] = data["date"].str[2:].astype(float)
    rng = np.random.default_rng(5)
    rate = np.exp(0.2 * data["y"].to_numpy())
    data["pods"], data["beans"] = rng.poisson(rate), rng.poisson(rng.gamma(2.0, rate / 2.0))
    for group, sd in (("plot", 0.2), ("plant", 0.15)):
        names = data[group].unique()
        lines = dict(zip(names, rng.normal(0.0, sd, len(names)), strict=True))
        data["y"] += data["day"] * data[group].map(lines)
    bars = "(1 | block) + (1 | plot) + (1 | plant)"
    groups = ["block", "plot", "plant"]
    slopes = {"plot": ["day"], "plant": ["day"]}
    cases: dict[str, tuple[Callable[[], Any], str, str, tuple[str, ...]]] = {
        "Poisson": (lambda: fit_glmm("pods ~ variety", data, "poisson", groups=groups),
                    f"pods ~ variety + {bars}", "poisson", ("glmmTMB",)),
        "negative binomial": (
            lambda: fit_glmm("beans ~ variety", data, "negative-binomial", groups=groups),
            f"beans ~ variety + {bars}", "nb", ("glmmTMB",)),
        "slopes": (lambda: fit_lmm("y ~ variety + day", data, ["block"], slopes),
                   "y ~ variety + day + (1 | block) + (day | plot) + (day | plant)", "gaussian",
                   ("lme4", "glmmTMB")),
    }  # fmt: skip
    out = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "counts.csv"
        data.to_csv(path, index=False)
        for name, (fit, formula, family, peers) in cases.items():
            start = time.perf_counter()
            own = fit()
            seconds = time.perf_counter() - start
            what = f"{name}, {plots:,} plots"
            out.append([what, "trialkit", f"{seconds:.2f}", "", "", ""])
            for peer in peers if shutil.which("Rscript") else ():
                try:
                    done = subprocess.run(
                        ["Rscript", "-e", COUNTS_IN_R, str(path), peer, formula, family],
                        capture_output=True, text=True, check=True, timeout=PATIENCE,
                        env=os.environ | ONE_THREAD)  # fmt: skip
                except subprocess.TimeoutExpired:
                    out.append([what, peer, f"not done in {PATIENCE} s", "", "", ""])
                    continue
                theirs, objective = (float(x) for x in done.stdout.split())
                apart = f"objective apart {own.objective - objective:.1e}"
                out.append([what, peer, f"{theirs:.2f}", "", apart, f"{seconds / theirs:.2g}"])
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plots", nargs="+", type=int, default=[500, 2000, 5000])
    parser.add_argument("--growth", action="store_true", help="cost of a plot by size instead")
    parser.add_argument("--errors", action="store_true", help="serial correlation instead")
    parser.add_argument("--counts", action="store_true", help="counts and slopes instead")
    parser.add_argument("--fit", nargs="+", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.fit:
        one_fit(chosen.fit[0], chosen.fit[1], chosen.fit[2:])
        return
    table = Table("what", "by", "seconds", "MB", "", "ratio, trialkit to it",
                  title="Nested layouts, one thread")  # fmt: skip
    if chosen.growth:
        rows = growth_lines()
    elif chosen.errors:
        rows = [line for plots in (24, 120) for line in serial_lines(plots)]
    elif chosen.counts:
        rows = [line for plots in (100, 500, 2000) for line in count_lines(plots)]
    else:
        rows = [line for plots in chosen.plots for date in (False, True)
                for line in lines_of(plots, date)]  # fmt: skip
    for row in rows:
        table.add_row(*row)
    Console(width=150).print(table)


if __name__ == "__main__":
    main()
