"""Files in an experiment's folder that would sing if anything executed them; links that must not be followed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

from helpers.samples import copy_sample

# Modules and settings that Python, Jupyter and what they load look for by name.
MODULES = (
    "sitecustomize", "usercustomize", "multiprocessing", "json", "numpy", "pandas", "plotly", "scipy", "statsmodels",
    "pydantic", "ruamel", "papermill", "nbconvert", "nbformat", "ipykernel", "IPython", "tqdm", "PIL", "encodings",
    "readline", "pullbook", "conftest", "ipython_config", "ipython_kernel_config", "jupyter_config",
    "jupyter_notebook_config", "jupyter_server_config", "jupyter_lab_config", "jupyter_nbconvert_config", "matplotlib",
    "traitlets", "zmq", "tornado", "filelock", "lxml", "pyarrow", "dask", "distributed", "argparse", "metar", "gpxpy",
)  # fmt: skip
STARTED = (
    ".ipython/profile_default/startup/00.py", "profile_default/startup/00.py", "profile_default/ipython_config.py",
    ".jupyter/jupyter_server_config.py", "notebooks/plan.py",
)  # fmt: skip
TEMPLATES = ("lab", "base", "classic", "page_template", "nbconvert/templates/lab")
KERNELS = ("share/jupyter/kernels/python3", ".local/share/jupyter/kernels/python3", "kernels/python3")
NOTEBOOKS = ("workbook.ipynb", "notebooks/workbook.ipynb", "plan.ipynb")
COMMANDS = {
    "check": ["check", "."],
    "analyse": ["analyse", "."],
    "run": ["run", ".", "--quiet", "--if-changed"],
    "batch": ["batch", ".", "--workers", "1", "--quiet"],
    "plan": ["plan", "."],
}


def _plant(folder: Path, sung: Path) -> int:
    """Plant what is no module: templates, kernels, notebooks, styles of pictures."""
    files = {name: f"open({str(sung / 'started')!r}, 'w').close()\n" for name in STARTED}
    steps = "cycler.__init__.__globals__.os"  # from a template to the system
    files |= {f"{name}/index.html.j2": f"{{{{ {steps}.mkdir('{sung / 'template'}') }}}}" for name in TEMPLATES}
    command = ["/bin/sh", "-c", f"touch {sung / 'kernel'}"]
    kernel = json.dumps({"argv": command, "display_name": "Python 3", "language": "python"})
    files |= {f"{name}/kernel.json": kernel for name in KERNELS}
    cell = {
        "cell_type": "code", "id": "a", "metadata": {"tags": ["parameters"]}, "outputs": [], "execution_count": None,
        "source": f"open({str(sung / 'notebook')!r}, 'w')",
    }  # fmt: skip
    notebook = json.dumps({"cells": [cell], "metadata": {}, "nbformat": 4, "nbformat_minor": 5})
    files |= dict.fromkeys(NOTEBOOKS, notebook)
    files["matplotlibrc"] = "backend: module://conftest\ntext.usetex: True\nfigure.facecolor: ff00ff\n"
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return len(files)


def canaries(*, work: Path, commands: tuple[str, ...] = (*COMMANDS,)) -> Counter[str]:
    """Run commands inside a folder full of canaries.

    Returns
    -------
    Counter
        How many were planted, and each that sang as "WRONG".
    """
    folder = copy_sample("two_evenings", work / "aviary")
    sung = work / "sung"
    sung.mkdir()
    for name in MODULES:
        (folder / f"{name}.py").write_text(f"open({str(sung / name)!r}, 'w').close()\n", encoding="utf-8")
    (folder / "canary.pth").write_text(f"import os; open({str(sung / 'pth')!r}, 'w').close()\n", encoding="utf-8")
    planted = _plant(folder, sung)
    outside = work / "outside.txt"
    outside.write_text("not to be touched", encoding="utf-8")
    (folder / "rendered").mkdir()
    (folder / "rendered" / "runs.csv").symlink_to(outside)
    os.mkfifo(folder / "rendered" / "made_by.json")  # nobody will ever write to it
    ended = Counter({"planted": len(MODULES) + 3 + planted})
    command = Path(sys.executable).with_name("pullbook")
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    for name in commands:
        subprocess.run(
            [str(command), *COMMANDS[name], *(["--out", str(work / "batch")] if name == "batch" else [])],
            cwd=folder, env=environment, capture_output=True, check=False, timeout=600,
        )  # fmt: skip
        for song in sorted(sung.iterdir()):
            ended[f"WRONG: {name} executed {song.name}"] += 1
            song.rmdir() if song.is_dir() else song.unlink()
        if outside.read_text(encoding="utf-8") != "not to be touched":
            ended[f"WRONG: {name} wrote through a link"] += 1
            outside.write_text("not to be touched", encoding="utf-8")
    return ended
