"""Speed as ratios within one run: the workbook against an empty notebook. Run by ``make bench``; never a timed test."""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat

ROOT = Path(__file__).parents[2]
TURNS = 5


def seconds(command: list[str]) -> float:
    """Time one command, its start included."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> int:
    """Print the ratio of ``pullbook run`` on the main sample to papermill with nothing in it."""
    scripts = Path(sys.executable).parent
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        empty = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("")])
        empty.metadata["kernelspec"] = {"display_name": "Python 3", "language": "python", "name": "python3"}
        nbformat.write(empty, work / "empty.ipynb")
        shutil.copytree(ROOT / "sample_runs" / "fin_wash", work / "fin_wash", ignore=shutil.ignore_patterns("rendered"))
        nothing = [str(scripts / "papermill"), "--no-progress-bar", str(work / "empty.ipynb"), str(work / "out.ipynb")]
        workbook = [str(scripts / "pullbook"), "run", "--quiet", str(work / "fin_wash")]
        seconds(nothing), seconds(workbook)  # warm the disk
        pairs = [(seconds(nothing), seconds(workbook)) for _ in range(TURNS)]  # taken in turn, so that load hits both
    base, ours = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"median of {TURNS}, in turn")
    print(f"papermill, empty notebook   {base:6.2f} s")
    print(f"pullbook run fin_wash       {ours:6.2f} s   ratio {ours / base:.2f} (at most 1.7)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
