"""What many gardens cost: 5 varieties x 3 blocks x 3 plants x 20 picks each, made up.

    python tests/bench/bench_gardens.py [gardens ...]        (100 300 1000 unless said)

Stage 1 in one process and on all cores (the answers must be the same to the last digit), the
records gathered as Parquet, stage 2, a garden's page; time, memory and disk; the growth from the
first number of gardens to the last; and from these figures a plan for 100,000 gardens.  The
smaller seasons are the first gardens of the largest, and are timed on the way.  Folders go to the
temporary folder and are gone after.  Exits with 1 where answers differ or growth is more than
`MOST` of linear.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import resource
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "gardens"))

from made_gardens import Size, make_gardens
from same import same_stage

from trialkit.gardens.gathered import gather, read_gathered
from trialkit.gardens.season import combine
from trialkit.gardens.stage_one import trial_means
from trialkit.gardens.workers import cores, for_each
from trialkit.records import read_records

SIZE = Size(varieties=5, blocks=3, plants=3, picks=20)
MOST = 1.15
PLANNED = 100_000
MEGA = 1e6


def usage(who: int = resource.RUSAGE_SELF) -> dict[str, float]:
    """Seconds of processor time so far, and the most memory ever held, in MB (Linux)."""
    used = resource.getrusage(who)
    return {"cpu": used.ru_utime + used.ru_stime, "memory": used.ru_maxrss * 1024 / MEGA}


def stage_one(base: Path, workers: int, marks: list[int], to: Path) -> list[dict[str, float]]:
    """Stage 1 of all gardens; a row of figures each time so many are done."""
    folders = sorted((base / "gardens").iterdir())
    rows, found = [], []
    before, began = usage(), time.perf_counter()
    work = partial(trial_means, words=False)
    for result in for_each(work, folders, workers=workers):
        found.append(result)
        if len(found) in marks:
            row = {"wall": time.perf_counter() - began, **usage()}
            rows.append({**row, "cpu": row["cpu"] - before["cpu"]})
            print(f"{len(found):,} gardens, {workers} at a time: {row['wall']:.0f} s",
                  file=sys.stderr)
    children = usage(resource.RUSAGE_CHILDREN)
    rows[-1] |= {"children_cpu": children["cpu"], "child_memory": children["memory"],
                 "kept": len(pickle.dumps(found)) / MEGA}
    to.write_bytes(pickle.dumps(found))
    return rows


def stage_two(base: Path, gardens: int) -> dict[str, float]:
    firsts = pickle.loads((base / "one").read_bytes())[:gardens]
    combine(firsts[:20])  # what is loaded on first use is not counted
    before = usage()
    combine(firsts)
    after = usage()
    return {"cpu": after["cpu"] - before["cpu"], "memory": after["memory"]}


def parquet(base: Path) -> dict[str, float]:
    """Gathering, and reading against reading the folders."""
    folders = sorted((base / "gardens").iterdir())
    clock = time.process_time
    read_records(folders[0])
    start = clock()
    gather(folders, base / "gathered", workers=1)
    gathering = clock() - start
    start = clock()
    for trial in read_gathered(base / "gathered"):
        trial.read()
    from_parquet = clock() - start
    start = clock()
    for folder in folders[:100]:
        read_records(folder)
    return {
        "gather": gathering / len(folders), "read": from_parquet / len(folders),
        "folder": (clock() - start) / len(folders[:100]),
        "folders_kb": size_of(base / "gardens") / len(folders) / 1e3,
        "parquet_kb": size_of(base / "gathered") / len(folders) / 1e3,
    }


def reports(base: Path) -> dict[str, float]:
    """A garden's own page, worked out and laid out in a process started for it, as `club` does."""
    from trialkit.club.trial import Job, Made, make_report
    from trialkit.report.opentrial import Showing

    def spent() -> float:
        return sum(usage(who)["cpu"] for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))

    jobs = [Job(folder, "1", Showing()) for folder in sorted((base / "gardens").iterdir())[:4]]
    size, start = 0, 0.0
    for i, job in enumerate(jobs):
        if i == 1:  # what is loaded on first use is not counted
            start = spent()
        made = make_report(job)
        assert isinstance(made, Made), made.private
        size += len(made.html.encode())
    return {"cpu": (spent() - start) / (len(jobs) - 1), "kb": size / len(jobs) / 1e3}


def size_of(folder: Path) -> int:
    """Bytes on the disk, in whole blocks."""
    return sum(path.lstat().st_blocks * 512 for path in [folder, *folder.rglob("*")])


def pairwise_differences(base: Path, *what: object) -> Any:
    """A part of the bench in a process of its own, so that its memory is its own."""
    command = [sys.executable, __file__, "--part", str(base), *map(str, what)]
    one_thread = {f"{name}_NUM_THREADS": "1" for name in ("OPENBLAS", "OMP", "MKL")}
    ran = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True,
                         env={**os.environ, **one_thread})
    return json.loads(ran.stdout.splitlines()[-1])


def part(base: Path, what: str, *rest: str) -> object:
    if what == "stage_one":
        return stage_one(base, int(rest[0]), [int(n) for n in rest[2:]], base / rest[1])
    if what == "stage_two":
        return stage_two(base, int(rest[0]))
    return {"parquet": parquet, "reports": reports}[what](base)


def table(rows: list[list[str]]) -> None:
    """Rows below a heading, columns as wide as they need."""
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        print("  ".join(cell.rjust(w) for cell, w in zip(row, wide, strict=True)))


def main(sizes: list[int]) -> int:
    many = max(2, cores())
    with tempfile.TemporaryDirectory(prefix="bench-gardens-") as name:
        base = Path(name)
        start = time.process_time()
        make_gardens(base / "gardens", sizes[-1], SIZE)
        print(f"{sizes[-1]:,} gardens made, {time.process_time() - start:.1f} s; "
              f"{cores()} cores, load before it began {os.getloadavg()[0]:.1f}\n", flush=True)
        one = pairwise_differences(base, "stage_one", 1, "one", *sizes)
        all_ = pairwise_differences(base, "stage_one", many, "all", *sizes)
        two = [pairwise_differences(base, "stage_two", size) for size in sizes]
        store = pairwise_differences(base, "parquet")
        page = pairwise_differences(base, "reports")
        left, right = (pickle.loads((base / name).read_bytes()) for name in ("one", "all"))
    for first, second in zip(left, right, strict=True):
        same_stage(first, second)
    return shown(sizes, many, one, all_, two, store, page)


def shown(
    sizes: list[int], many: int, one: list[dict[str, float]], all_: list[dict[str, float]],
    two: list[dict[str, float]], store: dict[str, float], page: dict[str, float],
) -> int:
    rows = [["gardens", "one process, s", "cpu s", "ms a garden", "memory, MB",
             f"{many} processes, s", "times as fast", "stage 2, s", "memory, MB"]]
    for i, size in enumerate(sizes):
        rows.append([
            f"{size:,}", f"{one[i]['wall']:.1f}", f"{one[i]['cpu']:.1f}",
            f"{1e3 * one[i]['cpu'] / size:.0f}", f"{one[i]['memory']:.0f}",
            f"{all_[i]['wall']:.1f}", f"{one[i]['wall'] / all_[i]['wall']:.2f}",
            f"{two[i]['cpu']:.2f}", f"{two[i]['memory']:.0f}",
        ])
    table(rows)
    last, size = one[-1], sizes[-1]
    spent = all_[-1]["cpu"] + all_[-1]["children_cpu"]
    efficiency = last["cpu"] / spent
    growth = (last["cpu"] / size) / (one[0]["cpu"] / sizes[0])
    growth_two = (two[-1]["cpu"] / size) / (two[0]["cpu"] / sizes[0])
    print(f"\nThe same answers to the last digit in one process and in {many}: {size:,} gardens.")
    print(f"Cost a garden, {size:,} against {sizes[0]:,}: stage 1 {growth:.2f}, "
          f"stage 2 {growth_two:.2f} (1 is linear).")
    print(f"Processor time in one process over that of {many} processes, all they do included: "
          f"{100 * efficiency:.0f} %.")
    print(f"A worker held at most {all_[-1]['child_memory']:.0f} MB, the one that collects "
          f"{all_[-1]['memory']:.0f} MB.")
    print(f"Parquet: gathering {1e3 * store['gather']:.0f} ms a garden, reading "
          f"{1e3 * store['read']:.1f} ms against {1e3 * store['folder']:.1f} ms from a folder; "
          f"{store['parquet_kb']:.1f} kB a garden against {store['folders_kb']:.0f} kB.")
    print(f"A garden's own page: {page['cpu']:.1f} s of processor time, {page['kb']:.0f} kB.\n")
    plan(last["cpu"] / size / efficiency, two, sizes, all_[-1], store, page)
    return 0 if growth < MOST and growth_two < MOST else 1


def plan(
    each: float, two: list[dict[str, float]], sizes: list[int], all_: dict[str, float],
    store: dict[str, float], page: dict[str, float],
) -> None:
    """What `PLANNED` gardens need, from seconds a garden on a worker and the growth measured."""
    hours, pages = each * PLANNED / 3600, page["cpu"] * PLANNED / 3600
    print(f"Plan for {PLANNED:,} gardens, extrapolated:")
    rows = [["cores", "stage 1, h", "every garden's page, h", "memory of the workers, GB"]]
    rows += [[str(n), f"{hours / n:.2f}", f"{pages / n:.1f}",
              f"{n * all_['child_memory'] / 1e3:.1f}"]
             for n in (2, 8, 32, 128)]
    table(rows)
    held, seconds = (
        two[0][what] + (two[-1][what] - two[0][what]) / (sizes[-1] - sizes[0]) * PLANNED
        for what in ("memory", "cpu")
    )
    print(f"Stage 2: {seconds / 60:.1f} min and {held / 1e3:.1f} GB in one process; stage 1 hands "
          f"it {all_['kept'] / sizes[-1] * PLANNED:.0f} MB.")
    print(f"Disk: {store['folders_kb'] * PLANNED / MEGA:.1f} GB as folders "
          f"(four files each), {store['parquet_kb'] * PLANNED / MEGA:.2f} GB as Parquet "
          f"(gathered in {store['gather'] * PLANNED / 3600:.1f} core hours), "
          f"{page['kb'] * PLANNED / MEGA:.0f} GB of pages.")


if __name__ == "__main__":
    if "--part" in sys.argv:
        base, what, *rest = sys.argv[2:]
        print(json.dumps(part(Path(base), what, *rest)))
    else:
        parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
        parser.add_argument("gardens", nargs="*", type=int)
        wanted = sorted(set(parser.parse_args().gardens)) or [100, 300, 1000]
        if len(wanted) < 2:
            parser.error("name two numbers of gardens or more, for the growth")
        sys.exit(main(wanted))
