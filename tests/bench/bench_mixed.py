"""How fast are the mixed models?  One command, one table:

    python tests/bench/bench_mixed.py            (R is timed too where Rscript is found)
    python tests/bench/bench_mixed.py --small    (without the million records)

Every ratio is of times measured in the same run.  Optional peers, timed where they can be imported
and never needed: ``pip install mixedlm==1.3.0 interlace-lme==0.3.2``.
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
import tracemalloc
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rich.console import Console
from rich.table import Table

from trialkit.mixed import fit_glmm, fit_lmm

GROUPS = ["block", "plot", "plant", "date"]
R_SCRIPT = Path(__file__).with_name("bench_lme4.R")
Row = tuple[str, str, str, str]


def layout(varieties: int, blocks: int, plants: int, dates: int, seed: int = 1) -> pd.DataFrame:
    """Every plant of every plot looked at on every date: dates crossed with all else."""
    rng = np.random.default_rng(seed)
    shape = [np.arange(k) for k in (varieties, blocks, plants, dates)]
    v, b, p, t = (a.ravel() for a in np.meshgrid(*shape, indexing="ij"))
    plot = v * blocks + b
    plant = plot * plants + p

    def effect(codes: np.ndarray, sd: float) -> np.ndarray:
        return rng.normal(0.0, sd, codes.max() + 1)[codes]

    def label(letter: str, codes: np.ndarray) -> np.ndarray:
        return np.array([f"{letter}{i:04d}" for i in range(codes.max() + 1)], dtype=object)[codes]

    eta = 1.0 + effect(v, 0.3) + effect(b, 0.2) + effect(plot, 0.2) + effect(plant, 0.3)
    eta += effect(t, 0.4)
    names = {"variety": v, "block": b, "plot": plot, "plant": plant, "date": t}
    letters = {"variety": "v", "block": "b", "plot": "q", "plant": "p", "date": "d"}
    data = pd.DataFrame({name: label(letters[name], codes) for name, codes in names.items()})
    data["y"] = np.round(eta + rng.normal(0.0, 0.5, len(v)), 4)
    data["log_days"] = np.round(np.log(3.0), 6)
    data["count"] = rng.poisson(rng.gamma(3.0, np.exp(eta) / 3.0))
    return data


def timed(run: Callable[[], Any], times: int = 5) -> tuple[float, Any]:
    """Least seconds of several runs, and the last value."""
    best, value = np.inf, None
    for _ in range(times):
        start = time.perf_counter()
        value = run()
        best = min(best, time.perf_counter() - start)
        if best > 2.0:
            break
    return best, value


def cold(fit: Any) -> Any:
    """The fit without anything that was worked out after it, so that every run starts alike."""
    return replace(fit, optimum=replace(fit.optimum, solved=replace(fit.solved)))


def ours(data: pd.DataFrame) -> dict[str, float]:
    lmm, fit = timed(lambda: fit_lmm("y ~ variety", data, groups=GROUPS))

    def all_pairs() -> Any:
        return cold(fit).compare("variety", df="kenward-roger")

    pairs, _ = timed(all_pairs)
    counts, nb = timed(
        lambda: fit_glmm("count ~ variety", data, "negative-binomial", offset="log_days",
                         groups=GROUPS), 3)  # fmt: skip
    return {"lmm": lmm, "pairs": pairs, "nb": counts, "objective": fit.objective,
            "log_likelihood": -0.5 * nb.objective}  # fmt: skip


def in_r(data: pd.DataFrame) -> dict[str, Any]:
    """Times of lme4, pbkrtest and glmmTMB on the same file; says why where there are none."""
    if shutil.which("Rscript") is None:
        return {"why": "Rscript is not installed"}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "layout.csv"
        data.to_csv(path, index=False)
        done = subprocess.run(["Rscript", str(R_SCRIPT), str(path), "7"], capture_output=True,
                              text=True, check=False)  # fmt: skip
    if done.returncode:
        return {"why": f"R stopped: {done.stderr.strip().splitlines()[-1]}"}
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def some(data: pd.DataFrame) -> pd.DataFrame:
    """1,920 of the 7,200 records: eight plants a plot and ten of the dates."""
    plants = data.groupby("plot")["plant"].transform(lambda s: pd.factorize(s)[0]) < 8
    return data[plants & data["date"].isin(data["date"].unique()[::3])].reset_index(drop=True)


def by_statsmodels(data: pd.DataFrame) -> tuple[float, float]:
    """Seconds and -2 log restricted likelihood; every grouping as a variance component."""
    import statsmodels.formula.api as smf

    parts = {g: f"0 + C({g})" for g in GROUPS}
    model = smf.mixedlm("y ~ variety", data, groups=np.ones(len(data)), vc_formula=parts)
    seconds, fit = timed(lambda: model.fit(reml=True), 1)
    return seconds, -2.0 * fit.llf


def by_peers(data: pd.DataFrame) -> list[tuple[str, float | str]]:
    def mixedlm() -> Any:
        import mixedlm as package

        random = " + ".join(f"(1 | {g})" for g in GROUPS)
        return timed(lambda: package.lmer(f"y ~ variety + {random}", data), 3)[0]

    def interlace() -> Any:
        from interlace import fit

        return timed(lambda: fit(formula="y ~ variety", data=data, groups=GROUPS), 3)[0]

    out: list[tuple[str, float | str]] = []
    for name, run in (("mixedlm 1.3.0", mixedlm), ("interlace-lme 0.3.2", interlace)):
        try:
            out.append((name, float(run())))
        except ImportError:
            out.append((name, "not installed"))
        except Exception as err:  # a peer's failure must not stop the table
            out.append((name, f"failed: {type(err).__name__}"))
    return out


def million(path: str) -> None:
    """Run in a process of its own: one JSON line of times and of peak memory, all in one run."""
    # turn and turn about, so that a busy spell of the machine falls on both; least of each
    marks = []
    for _ in range(5):
        at = [(time.perf_counter(), time.process_time())]
        data = pd.read_csv(path)
        at.append((time.perf_counter(), time.process_time()))
        fit = fit_lmm("y ~ variety", data, groups=GROUPS)
        at.append((time.perf_counter(), time.process_time()))
        fit.compare("variety")
        at.append((time.perf_counter(), time.process_time()))
        marks.append(np.diff(np.array(at), axis=0))
    (read, read_cpu), (fit_s, fit_cpu), (pairs_s, pairs_cpu) = np.min(marks, axis=0).tolist()
    del fit
    tracemalloc.start()
    fit_lmm("y ~ variety", data, groups=GROUPS).compare("variety")
    peak = tracemalloc.get_traced_memory()[1]
    frame = int(data.memory_usage(deep=True).sum())
    print(json.dumps({"records": len(data), "read": read, "fit": fit_s, "pairs": pairs_s,
                      "cpu_ratio": fit_cpu / read_cpu,
                      "cpu_both": (fit_cpu + pairs_cpu) / read_cpu, "peak": peak,
                      "frame": frame}))  # fmt: skip


def large() -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "million.csv"
        layout(25, 4, 50, 200).to_csv(path, index=False)
        command = [sys.executable, __file__, "--million", str(path)]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def verdict(ratio: float, goal: float) -> str:
    return f"{ratio:.3g} (goal {goal:g}: {'met' if ratio <= goal else 'MISSED'})"


def small_rows() -> list[Row]:
    data = layout(6, 4, 10, 30)
    mine, r = ours(data), in_r(data)
    rows: list[Row] = [
        ("LMM, 7,200 records", f"{mine['lmm']:.3f}", "trialkit", ""),
        ("KR all pairs", f"{mine['pairs']:.3f}", "trialkit, of our fit",
         verdict(mine["pairs"] / mine["lmm"], 2.0)),
        ("NB GLMM", f"{mine['nb']:.3f}", "trialkit", ""),
    ]  # fmt: skip
    if "why" in r:
        rows.append(("R", "-", r["why"], ""))
    else:
        gap = mine["objective"] - r["lmm_objective"]
        gap_nb = mine["log_likelihood"] - r["glmm_nb_log_likelihood"]
        rows += [
            ("LMM", f"{r['lmm_s']:.3f}", f"lme4 {r['lme4']}; objective apart {gap:.1e}",
             verdict(mine["lmm"] / r["lmm_s"], 0.1)),
            ("NB GLMM", f"{r['glmm_nb_s']:.3f}",
             f"glmmTMB {r['glmmTMB']}; log likelihood apart {gap_nb:.1e}",
             verdict(mine["nb"] / r["glmm_nb_s"], 0.1)),
            (f"KR F, {r['kr_records']:,} records", f"{r['kr_s']:.3f}", f"pbkrtest {r['pbkrtest']}",
             "inverts n x n"),
        ]  # fmt: skip
    part = some(data)
    own, fit = timed(lambda: fit_lmm("y ~ variety", part, groups=GROUPS))
    theirs, objective = by_statsmodels(part)
    rows += [
        (f"LMM, {len(part):,} records", f"{own:.3f}", "trialkit", ""),
        (f"LMM, {len(part):,} records", f"{theirs:.3f}",
         f"statsmodels; objective apart {fit.objective - objective:.1e}", f"{own / theirs:.3g}"),
    ]  # fmt: skip
    for name, seconds in by_peers(data):
        known = isinstance(seconds, float)
        shown = (f"{seconds:.3f}", name, f"{mine['lmm'] / seconds:.3g}") if known else (
            "-", f"{name}: {seconds}", "")  # fmt: skip
        rows.append(("LMM", *shown))
    return rows


def large_rows() -> list[Row]:
    found = large()
    read, memory = found["read"], found["peak"] / found["frame"]
    return [
        (f"CSV read, {found['records']:,} records", f"{read:.3f}", "pandas", ""),
        ("LMM", f"{found['fit']:.3f}", f"trialkit, of the CSV read (cpu {found['cpu_ratio']:.2g})",
         verdict(found["fit"] / read, 3.0)),
        ("KR all pairs of 25", f"{found['pairs']:.3f}",
         f"trialkit; fit and KR {(found['fit'] + found['pairs']) / read:.2g} of the read, in cpu:",
         verdict(found["cpu_both"], 4.0)),
        ("fit and KR, peak MB", f"{found['peak'] / 1e6:.0f}",
         f"of the frame's {found['frame'] / 1e6:.0f} MB", verdict(memory, 2.0)),
    ]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", action="store_true", help="leave out the million records")
    parser.add_argument("--million", metavar="CSV", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.million:
        million(chosen.million)
        return
    warnings.simplefilter("ignore")
    table = Table("what", "seconds", "by", "ratio", title=f"Mixed models, {os.cpu_count()} cores")
    for row in [*small_rows(), *([] if chosen.small else large_rows())]:
        table.add_row(*row)
    Console(width=110).print(table)


if __name__ == "__main__":
    main()
