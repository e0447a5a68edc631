"""What happens to records when things go wrong, with figures.

    python tests/faults/fault_records.py [kills] [inputs]

Kills a process that brings in records at random moments (200), lets two bring in at once, takes
away the right to write and the room to write in, sets the clock back, and reads thousands of spoilt
files (10,000).  Prints a line a fault; exits with 1 if a record was lost or half written, or if
anything but a clear error came out.
"""

from __future__ import annotations

import csv
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from unittest import mock

sys.path.insert(0, str(Path(__file__).parents[1] / "records"))

from fuzzed import (  # noqa: E402
    SOUND,
    added_file,
    spoilt,
    spoilt_tasting,
    spoilt_trial,
    workbook_bytes,
)
from hypothesis import HealthCheck, given, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from trialkit.records import RecordsError, read_records  # noqa: E402
from trialkit.records.incoming.add import add_files, undo_last
from trialkit.records.tastings import read_tasting  # noqa: E402
from trialkit.trial import TrialProblems  # noqa: E402

PLANTS = 40
HEADING = "record_id,recorded_at,date,plant,kind,value,unit,note,device\n"
NOBODY = 65534


@contextmanager
def trial(exports: int, device: str = "A") -> Iterator[tuple[Path, list[Path]]]:
    """A trial and exports of a phone, one a day, each with a record a plant."""
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        folder = Path(name) / "trial"
        folder.mkdir()
        (folder / "trial.toml").write_bytes(SOUND["trial.toml"])
        (folder / "plants.csv").write_text(
            "plant,variety\n"
            + "".join(f"P{i},{'AC'[i % 2]}\n" for i in range(PLANTS))
            .replace(",A\n", ",Ambrel\n")
            .replace(",C\n", ",Costry\n")
        )
        (folder / "picks.csv").write_bytes(b"date,plant,count\n2026-06-01,P1,2\n")
        yield folder, [export(Path(name), day, device) for day in range(exports)]


def export(where: Path, day: int, device: str) -> Path:
    date = (datetime(2026, 6, 2) + timedelta(day)).date()
    path = where / f"{device}{day}.csv"
    path.write_text(
        HEADING
        + "".join(
            f"{device}{day}-{i},{date}T10:00:00+02:00,{date},P{i},count,{i % 7},,,{device}\n"
            for i in range(PLANTS)
        )
    )
    return path


def in_log(folder: Path) -> list[str]:
    """Ids of the records in the log; a line that is not whole is an error."""
    path = folder / "log.csv"
    if not path.exists():
        return []
    content = path.read_text()
    assert content.endswith("\n"), "half a line"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert all(None not in row and None not in row.values() for row in rows), "half a line"
    entries = [int(row["entry"]) for row in rows]
    assert entries == list(range(1, len(rows) + 1)), "numbers are not in order"
    return [row["record_id"] for row in rows]


def forked(work: Callable[[int], None]) -> tuple[int, int]:
    """A child that does the work, given a pipe to confirm into; its id and the pipe's other end."""
    out, into = os.pipe()
    child = os.fork()
    if child:
        os.close(into)
        return child, out
    code = 1
    try:
        os.close(out)
        work(into)
        code = 0
    finally:
        os._exit(code)


def all_of(pipe: int) -> bytes:
    with os.fdopen(pipe, "rb") as file:
        return file.read()


def killed_at_random(times: int) -> str:
    """kill -9 while records come in: what was confirmed is there, the rest whole or not at all."""
    chance = random.Random(1)
    lost = half = confirmed = partial = left = midway = 0
    for _ in range(times):
        with trial(8) as (folder, exports):

            def work(into: int, folder: Path = folder, exports: list[Path] = exports) -> None:
                for i, path in enumerate(exports):
                    add_files(folder, [path])
                    os.write(into, bytes([i]))

            child, pipe = forked(work)
            time.sleep(chance.uniform(0.0, 0.25))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            done = len(all_of(pipe))
            confirmed += done
            midway += done < len(exports)
            left += len(list(folder.glob(".log.csv.*")))
            try:
                ids = in_log(folder)
            except AssertionError:
                half += 1
                continue
            if len(ids) % PLANTS:
                partial += 1
            lost += sum(f"A{d}-{i}" not in set(ids) for d in range(done) for i in range(PLANTS))
            # Going on: everything comes in once, and what the killed writer left is gone.
            add_files(folder, exports)
            whole = in_log(folder)
            lost += len(exports) * PLANTS - len(set(whole))
            half += len(whole) != len(set(whole)) or bool(list(folder.glob(".log.csv.*")))
            read_records(folder)
    assert not lost
    assert not half
    assert not partial
    return (
        f"{times} kills ({midway} before the end), {confirmed} files confirmed before, {left} "
        f"temporary files left and swept: {lost} records lost, {half} half files, {partial} files "
        "in part"
    )


def two_at_once() -> str:
    """Two writers and a third that undoes: all records of both, none twice, numbers in order."""
    with trial(25, "A") as (folder, first):
        second = [export(first[0].parent, day, "B") for day in range(25)]

        def writer(exports: list[Path]) -> Callable[[int], None]:
            def work(into: int) -> None:
                for path in exports:
                    add_files(folder, [path])

            return work

        children = [forked(writer(some)) for some in (first, second)]
        codes = [os.waitpid(child, 0)[1] for child, _ in children]
        for _, pipe in children:
            os.close(pipe)
        ids = in_log(folder)
    assert codes == [0, 0]
    assert len(ids) == len(set(ids)) == 50 * PLANTS
    return f"two writers, 25 files each: {len(ids):,} records of {50 * PLANTS:,}, none twice"


def as_nobody(work: Callable[[], None]) -> str:
    """What comes of the work done without the rights of root."""

    def do(into: int) -> None:
        if os.getuid() == 0:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        try:
            work()
            os.write(into, b"no error")
        except Exception as error:
            os.write(into, f"{type(error).__name__}: {error}".encode())

    child, pipe = forked(do)
    said = all_of(pipe).decode()
    os.waitpid(child, 0)
    return said


def read_only() -> str:
    """A folder that cannot be written to: a clear error, and reading goes on."""
    with trial(2) as (folder, exports):
        add_files(folder, exports[:1])
        before = {p.name: p.read_bytes() for p in folder.iterdir()}
        folder.chmod(0o555)
        said = [
            as_nobody(lambda: add_files(folder, exports[1:])),
            as_nobody(lambda: undo_last(folder)),
            as_nobody(lambda: read_records(folder)),
        ]
        folder.chmod(0o755)
        assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert "Permission" in said[0]
    assert "Permission" in said[1]
    assert said[2] == "no error"
    return f"read-only folder: nothing changed; it says {said[0]!r}"


def full_disk() -> str:
    """No room: a clear error, the log as it was; and room again: everything comes in."""
    done = []
    for way in (_limited, _tiny_disk):
        with trial(6) as (folder, exports):
            done.append(way(folder, exports))
    return "full disk: " + "; ".join(done)


def _limited(folder: Path, exports: list[Path]) -> str:
    add_files(folder, exports[:1])
    before = in_log(folder)
    size = (folder / "log.csv").stat().st_size
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100, hard))
    try:
        add_files(folder, exports[1:])
    except OSError as error:
        said = str(error)
    else:
        raise AssertionError("no error")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, handler)
    assert in_log(folder) == before
    assert not list(folder.glob(".log.csv.*"))
    add_files(folder, exports)
    assert len(in_log(folder)) == len(exports) * PLANTS
    return f"by a limit on sizes, {said.partition(':')[0]!r}, log as it was, then complete"


def _tiny_disk(folder: Path, exports: list[Path]) -> str:
    disk = folder.parent / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=28k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        return "by a tiny disk: not possible here (no right to mount)"
    try:
        small = disk / "trial"
        shutil.copytree(folder, small)
        said, came = "", 0
        for path in exports:
            before = in_log(small)
            try:
                came += add_files(small, [path]).added
            except OSError as error:
                said = str(error)
                assert in_log(small) == before
                assert not list(small.glob(".log.csv.*"))
                break
        assert said
        assert len(in_log(small)) == came
    finally:
        subprocess.run(["umount", str(disk)], check=True)
    return f"by a disk of 28 kB, {said.partition(':')[0]!r}, {came} records kept"


def clock_back() -> str:
    """The clock goes back ten years between two corrections: the later line holds."""
    with trial(1) as (folder, exports):
        add_files(folder, exports)
        text = exports[0].read_text()
        day = text.splitlines()[1].split(",")[2]
        changed = exports[0].with_name("again.csv")
        changed.write_text(f"{text}late,2016-01-01T00:00:00Z,{day},P3,count,99,,,A\n")
        real = datetime.now()
        with mock.patch("trialkit.records.incoming.entries.datetime") as clock:
            clock.now.return_value = real - timedelta(days=3650)
            add_files(folder, [changed])
        picks = read_records(folder).picks
        held = picks.loc[(picks["plant"] == "P3") & (picks["date"] == day), "count"].tolist()
        with mock.patch("trialkit.records.incoming.entries.datetime") as clock:
            clock.now.return_value = real - timedelta(days=7300)
            undone = undo_last(folder)
        picks = read_records(folder).picks
        again = picks.loc[(picks["plant"] == "P3") & (picks["date"] == day), "count"].tolist()
        in_log(folder)
    assert held == [99]
    assert undone.records == 1
    assert again == [3]
    return "clock set back ten years and twenty: the last line holds, the last batch is undone"


def spoilt_inputs(inputs: int) -> str:
    """Spoilt CSV, XLSX and TOML: only clear errors, in bounded time and memory."""
    slowest = 0.0
    seen: dict[str, int] = {}

    def tried(work: Callable[[], object]) -> None:
        nonlocal slowest
        start = time.perf_counter()
        try:
            work()
            outcome = "read"
        except (RecordsError, TrialProblems) as error:
            outcome = type(error).__name__
            assert str(error)  # noqa: PT017
        slowest = max(slowest, time.perf_counter() - start)
        seen[outcome] = seen.get(outcome, 0) + 1

    with tempfile.TemporaryDirectory() as name:
        folder, outside = Path(name) / "trial", Path(name) / "outside"
        outside.mkdir()

        def fresh(files: dict[str, bytes]) -> None:
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            for file, content in files.items():
                (folder / file).write_bytes(content)

        def tables(files: dict[str, bytes]) -> None:
            fresh(files)
            tried(lambda: read_records(folder))

        def description(content: bytes) -> None:
            tables({**SOUND, "trial.toml": content})

        def book(content: bytes) -> None:
            tables({**{k: v for k, v in SOUND.items() if k != "picks.csv"}, "picks.xlsx": content})

        def tasting(files: dict[str, bytes]) -> None:
            fresh(files)
            tried(lambda: read_tasting(folder, ["Ambrel", "Costry"]))

        def added(file: tuple[str, bytes]) -> None:
            fresh(SOUND)
            path = outside / file[0]
            path.write_bytes(file[1])
            tried(lambda: (add_files(folder, [path]), read_records(folder)))

        for share, strategy, test in (
            (0.3, spoilt_trial(), tables),
            (0.1, spoilt_tasting(), tasting),
            (0.2, spoilt(SOUND["trial.toml"]), description),
            (0.2, workbook_bytes(), book),
            (0.15, added_file(), added),
            (0.05, st.binary(max_size=2000).map(lambda b: {**SOUND, "picks.csv": b}), tables),
        ):
            settings(
                max_examples=int(inputs * share),
                deadline=None,
                database=None,
                suppress_health_check=list(HealthCheck),
            )(given(strategy)(test))()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    outcomes = ", ".join(f"{n:,} {what}" for what, n in sorted(seen.items()))
    return (
        f"{sum(seen.values()):,} spoilt inputs: {outcomes}, nothing else; the slowest took "
        f"{slowest:.2f} s, the whole process {peak:.0f} MB"
    )


def main(kills: int, inputs: int) -> int:
    failed = 0
    for fault in (
        lambda: killed_at_random(kills),
        two_at_once,
        read_only,
        full_disk,
        clock_back,
        lambda: spoilt_inputs(inputs),
    ):
        start = time.perf_counter()
        try:
            said = fault()
        except Exception as error:
            failed += 1
            said = f"FAILED: {type(error).__name__}: {error}"
        print(f"{said} [{time.perf_counter() - start:.0f} s]", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    sys.exit(main(*(numbers + [200, 10_000][len(numbers) :])))
