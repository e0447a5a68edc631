"""The notebooks outside papermill: `jupyter nbconvert --execute`, and JupyterLab's server."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request

import nbformat
import pytest

from trialkit import shipped
from trialkit.engine import lab

pytestmark = pytest.mark.own_kernel


@pytest.mark.parametrize("stem", [
    "explore",
    # The others run under papermill with every change: the demo's report, plans, seasons.
    *(pytest.param(stem, marks=pytest.mark.slow) for stem in ("check", "report", "season"))])
def test_a_notebook_runs_on_its_own_and_takes_the_demo_trial(stem, tmp_path):
    source = shipped.notebook(stem)
    command = [sys.executable, "-m", "nbconvert", "--to", "notebook", "--execute", str(source),
               "--output-dir", str(tmp_path)]  # fmt: skip
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    book = nbformat.read(tmp_path / source.name, as_version=4)
    shown = [o for c in book.cells if c.cell_type == "code" for o in c.outputs]
    assert shown
    assert not [o for o in shown if o.output_type == "error"]
    assert not [o for o in shown if o.output_type == "stream"], "nothing is printed by the way"


def test_jupyterlab_opens_the_notebooks_with_this_python_as_the_only_kernel(demo):
    lab.prepare(demo)
    command = lab.command(demo, browser=False, options=["--allow-root", "--port-retries=50"])
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True)
    try:
        address = token = ""
        for line in server.stderr:
            found = re.search(r"(http://127\.0\.0\.1:\d+)/\S*token=(\w+)", line)
            if found:
                address, token = found.groups()
                break
        header = {"Authorization": f"token {token}"}

        def ask(path: str):
            for _ in range(50):
                try:
                    request = urllib.request.Request(address + path, headers=header)
                    return json.load(urllib.request.urlopen(request, timeout=10))
                except OSError:
                    time.sleep(0.2)
            raise AssertionError(f"no answer at {path}")

        kernels = ask("/api/kernelspecs")["kernelspecs"]
        assert [k["spec"]["argv"][0] for k in kernels.values()] == [sys.executable]
        names = {item["name"] for item in ask("/api/contents")["content"]}
        assert {path.name for path in shipped.notebooks()} <= names
    finally:
        os.killpg(server.pid, signal.SIGTERM)
        server.wait(20)
