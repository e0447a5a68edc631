"""Running a notebook: which Python it runs in, what a failure leaves, what it says."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook

from trialkit.engine import run

pytestmark = pytest.mark.own_kernel


def _book(folder: Path, *sources: str) -> Path:
    cells = [new_code_cell('folder = ""\nuntil = ""', metadata={"tags": ["parameters"]})]
    cells += [new_code_cell(source) for source in sources]
    book = new_notebook(cells=cells)
    book.metadata.kernelspec = {"name": "python3", "language": "python", "display_name": "x"}
    path = folder / "a book {with} braces.ipynb"
    nbformat.write(book, path)
    return path


def _text(output) -> str:
    return output.get("text") or output["data"]["text/plain"]


def test_the_kernel_is_this_python_even_where_another_kernel_has_its_name(tmp_path, monkeypatch):
    impostor = tmp_path / "kernels" / "python3"
    impostor.mkdir(parents=True)
    spec = {"argv": ["/bin/false"], "display_name": "not this one", "language": "python"}
    (impostor / "kernel.json").write_text(json.dumps(spec))
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path))
    monkeypatch.setenv("JUPYTER_PREFER_ENV_PATH", "0")
    nasty = 'a "quoted" \\ folder\nof two lines, and $x'
    told = []
    book = _book(tmp_path, "import sys; print(sys.executable)", "print(repr(folder), repr(until))")
    done = run.execute(
        book,
        {"folder": nasty, "until": "2025-07-20"},
        on_progress=lambda n, total: told.append((n, total)),
        first="",
    )
    assert _text(done.cells[-2].outputs[0]).strip() == sys.executable
    assert _text(done.cells[-1].outputs[0]).strip() == f"{nasty!r} '2025-07-20'"
    assert told[0] == (0, 4)
    assert told[-1] == (4, 4)


STOP = """class BeansCellStop(Exception):
    def _render_traceback_(self):
        return str(self).splitlines()
raise BeansCellStop("picks.csv, line 3: what was written there")"""


@pytest.mark.parametrize(
    ("cell", "own", "name", "message"),
    [
        (STOP, True, "BeansCellStop", "picks.csv, line 3: what was written there"),
        ("{}['pods']", False, "KeyError", "KeyError: 'pods'"),
    ],
)
def test_a_failing_cell_gives_its_message_and_the_notebook_so_far(
    tmp_path, cell, own, name, message
):
    book = _book(tmp_path, "print('this far')", cell, "print('not this far')")
    with pytest.raises(run.NotebookStopped) as caught:
        run.execute(book, {"folder": "x"}, first="")
    stop = caught.value
    assert (stop.own, stop.name, stop.message) == (own, name, message)
    said = [_text(o) for c in stop.partial.cells if c.cell_type == "code" for o in c.outputs
            if o.output_type == "stream"]  # fmt: skip
    assert said == ["this far\n"]


def test_a_kernel_that_dies_is_told_apart_and_leaves_no_process(tmp_path):
    pid = tmp_path / "pid"
    book = _book(
        tmp_path,
        f"import os; open({str(pid)!r}, 'w').write(str(os.getpid())); print('this far')",
        "os.kill(os.getpid(), 9)",
    )
    with pytest.raises(run.NotebookStopped, match="Python stopped") as caught:
        run.execute(book, {"folder": "x"}, first="")
    assert not caught.value.own
    assert "this far" in nbformat.writes(caught.value.partial)
    assert not Path(f"/proc/{pid.read_text()}").exists()


def test_no_kernel_is_left_behind_by_a_run_that_ends_well(tmp_path):
    done = run.execute(_book(tmp_path, "import os; print(os.getpid())"), {"folder": "x"}, first="")
    assert not Path(f"/proc/{_text(done.cells[-1].outputs[0]).strip()}").exists()


def test_the_parent_of_a_run_loads_no_statistics(tmp_path):
    """Start-up time: what only the kernel needs is not imported twice."""
    code = (
        "import sys; import trialkit.cli; from trialkit.engine import run, page, publish;"
        "heavy = {'pandas', 'scipy', 'seaborn', 'matplotlib', 'statsmodels'} & set(sys.modules);"
        "sys.exit(' '.join(sorted(heavy)) or 0)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr


def test_a_run_does_not_wait_for_a_grammar_of_web_addresses():
    """The check of addresses is not loaded with notebooks, and whoever wants it still has it."""
    code = (
        "import sys; from trialkit.engine import run; run.notebook_format(); import jsonschema;"
        "sys.exit('rfc3987_syntax' in sys.modules)"  # neither loaded nor still held back
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr


def test_a_page_is_laid_out_and_written_without_tables():
    """The kernel has pandas; to load it here too would take a second of every report."""
    code = (
        "import sys; from trialkit.engine import page, publish, run; run.notebook_format();\n"
        "with run._held_back('pyarrow'):\n    import papermill.execute\n"
        "page.load(); import trialkit.records.files\n"
        "sys.exit(' '.join({'pandas', 'pyarrow', 'numpy'} & set(sys.modules)) or 0)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr
