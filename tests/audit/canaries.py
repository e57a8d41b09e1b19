"""Files in an experiment's folder that would sing if anything executed them; links that must not be followed."""

from __future__ import annotations

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
    "readline", "pullbook", "conftest", "ipython_config", "jupyter_config", "jupyter_notebook_config",
)  # fmt: skip
COMMANDS = {
    "check": ["check", "."],
    "analyse": ["analyse", "."],
    "run": ["run", ".", "--quiet"],
    "batch": ["batch", ".", "--workers", "1", "--quiet"],
    "plan": ["plan", "."],
}


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
    outside = work / "outside.txt"
    outside.write_text("not to be touched", encoding="utf-8")
    (folder / "rendered").mkdir()
    (folder / "rendered" / "runs.csv").symlink_to(outside)
    ended = Counter({"planted": len(MODULES) + 2})
    command = Path(sys.executable).with_name("pullbook")
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    for name in commands:
        subprocess.run(
            [str(command), *COMMANDS[name], *(["--out", str(work / "batch")] if name == "batch" else [])],
            cwd=folder, env=environment, capture_output=True, check=False, timeout=600,
        )  # fmt: skip
        for song in sorted(sung.iterdir()):
            ended[f"WRONG: {name} executed {song.name}"] += 1
            song.unlink()
        if outside.read_text(encoding="utf-8") != "not to be touched":
            ended[f"WRONG: {name} wrote through a link"] += 1
            outside.write_text("not to be touched", encoding="utf-8")
    return ended
