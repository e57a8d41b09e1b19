"""Runs killed at random moments, and full disks: what is believed is whole, and the next run mends the rest."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import nbformat
import numpy as np

from helpers.samples import copy_sample
from pullbook import Experiment
from pullbook.settings.fingerprint import inputs_sha256
from pullbook.settings.together import MANIFEST, made_whole
from pullbook.workbook import run
from pullbook.workbook.run import OUTPUTS, run_workbook

FILE_EVENTS = {"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.scandir", "os.listdir", "os.chmod"}

# Stands for the kernel: the same files, at once, with the parameter in each so that two runs cannot be mistaken.
KERNEL_S = 0.0


def _instead_of_the_kernel(template: Path, parameters: Mapping[str, Any], **_: object) -> Any:
    """Write what the workbook would, marked with the run's own level."""
    out, level = Path(parameters["out"]), parameters.get("level", 0.95)
    inputs = inputs_sha256(Experiment.load(parameters["experiment"]))
    (out / "results.json").write_text(
        f'{{"sessions": {{}}, "inputs_sha256": "{inputs}", "findings": [], "level": {level}, '
        f'"comparison": {{"verdict": "improved", "sentence": "At level={level}."}}}}',
        encoding="utf-8",
    )
    for name in ("runs.csv", "post.md", "post.bbcode.txt"):
        (out / name).write_text(f"level={level} " * 2000, encoding="utf-8")
    drawn = f"level={level} ".encode() * 2000
    (out / "card.png").write_bytes(b"\x89PNG\r\n\x1a\n" + struct.pack(">I4s", len(drawn), b"IDAT") + drawn + b"0000")
    time.sleep(KERNEL_S)
    cell = nbformat.v4.new_markdown_cell(f"level={level}", id="only")
    return nbformat.v4.new_notebook(cells=[cell])


def levels_of(target: Path) -> set[str]:
    """Return the levels that the files in a folder were made with: one, unless they are mixed."""
    found = set()
    for name in OUTPUTS:
        text = (target / name).read_text(encoding="utf-8", errors="replace")
        found |= {level for level in ("0.95", "0.9", "0.8") if f"level={level} " in text or f"level={level}." in text}
        found |= {level for level in ("0.95", "0.9", "0.8") if f"level={level}<" in text or f'level={level}"' in text}
    return found


def _as_a_child(act: Callable[[], object], before: Callable[[], object]) -> int:
    """Do something in a fork of this process; return its status as `os.waitpid` has it."""
    child = os.fork()
    if child == 0:
        devnull = os.open(os.devnull, os.O_WRONLY)
        os.dup2(devnull, 1)
        os.dup2(devnull, 2)
        try:
            before()
            act()
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitpid(child, 0)[1]


def _killed_at(step: int, folder: Path) -> None:
    """Have this process killed at its n-th access to files around an experiment."""
    seen = 0

    def count(event: str, arguments: tuple[Any, ...]) -> None:
        nonlocal seen
        if event in FILE_EVENTS and any(isinstance(a, (str, os.PathLike)) and str(folder) in str(a) for a in arguments):
            seen += 1
            if seen == step:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)


def kills(count: int, *, seed: int, work: Path) -> Counter[str]:
    """Kill so many runs at random accesses to files, and look each time at what is believed.

    Returns
    -------
    Counter
        How they ended; anything that begins with "WRONG" must not be.
    """
    folder = copy_sample("two_evenings", work / "experiment")
    target = folder / "rendered"
    rng = np.random.default_rng(seed)
    ended: Counter[str] = Counter()
    true = run.execute
    run.execute = _instead_of_the_kernel  # type: ignore[assignment]
    try:
        run_workbook(folder, progress=False)
        (target / "mine.txt").write_text("my own notes", encoding="utf-8")
        for k in range(count):
            level = ("0.9", "0.8")[k % 2]
            again = lambda level=level: run_workbook(folder, settings=[f"level={level}"], progress=False)  # noqa: E731
            step = int(rng.integers(1, 90))
            status = _as_a_child(again, lambda step=step: _killed_at(step, folder))  # type: ignore[misc]
            ended["killed" if os.WIFSIGNALED(status) else "done before"] += 1
            for fault in _looked_at(folder, target, level):
                ended[f"WRONG: {fault}"] += 1
    finally:
        run.execute = true
    return ended


def _looked_at(folder: Path, target: Path, level: str) -> list[str]:
    """Say what is wrong after a kill, and after the run that follows it."""
    faults = []
    believed = [said for said in ("0.95", "0.9", "0.8") if _believed(folder, target, said)]
    mixed = levels_of(target)
    if believed and mixed != set(believed):
        faults.append("a mixture was believed")
    rendered = run_workbook(folder, settings=[f"level={level}"], if_changed=True, progress=False)
    if levels_of(target) != {level} or f"level={level}" not in rendered.sentence:
        faults.append("the next run left a mixture")
    if {path.name for path in target.iterdir()} != {*OUTPUTS, MANIFEST, "mine.txt"}:
        faults.append("files were left or lost")
    if list(folder.glob(".pullbook-*")) or list(target.glob(".pullbook-*")):
        faults.append("a stage was left")
    if (target / "mine.txt").read_text(encoding="utf-8") != "my own notes":
        faults.append("a file of the person's was touched")
    return faults


def _believed(folder: Path, target: Path, level: str) -> bool:
    parameters = {"experiment": "..", "out": ""} | ({} if level == "0.95" else {"level": float(level)})
    made_from = {
        "program_sha256": run_program(), "parameters": parameters, "private": False,
        "inputs_sha256": inputs_sha256(Experiment.load(folder)),
    }  # fmt: skip
    return made_whole(target, OUTPUTS, made_from)


def run_program() -> str:
    """Return the hash of the program that runs here."""
    from pullbook.settings.fingerprint import program_sha256

    return program_sha256(run.LIBRARY, run.workbook_path())


def whole_runs(count: int, *, seed: int, work: Path) -> Counter[str]:
    """Kill so many runs of the command itself, kernel and all, at random moments; then let one finish."""
    folder = copy_sample("two_evenings", work / "whole")
    rng = np.random.default_rng(seed)
    ended: Counter[str] = Counter()
    command = [sys.executable, "-m", "pullbook.commands.cli", "run", str(folder), "--quiet"]
    started = time.monotonic()
    subprocess.run(command, capture_output=True, check=True, timeout=600)
    usual_s = time.monotonic() - started
    first = {name: (folder / "rendered" / name).read_bytes() for name in (*OUTPUTS, MANIFEST)}
    for _ in range(count):
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        try:
            process.wait(timeout=usual_s * rng.uniform(0.02, 1.0))
            ended["done before"] += 1
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)  # the kernel as well; it was started by us
            process.wait()
            ended["killed"] += 1
        if {name: (folder / "rendered" / name).read_bytes() for name in first} != first:
            ended["WRONG: other bytes than the first run's"] += 1  # all runs have the same inputs
    last = subprocess.run([*command, "--if-changed"], capture_output=True, text=True, check=False, timeout=600)
    if last.returncode != 0 or "Unchanged" not in last.stdout or list(folder.rglob(".pullbook-*")):
        ended["WRONG: the last run did not find everything in place"] += 1
    shutil.rmtree(folder)
    return ended


def full_disks(count: int, *, seed: int, work: Path) -> Counter[str]:
    """Run the commands with no room beyond a random size of file; what was there before has to stay.

    Returns
    -------
    Counter
        By command and exit status; anything that begins with "WRONG" must not be, a status of 1 is a fault.
    """
    from pullbook.commands.cli import main

    folder = copy_sample("two_evenings", work / "full")
    rng = np.random.default_rng(seed)
    ended: Counter[str] = Counter()
    true = run.execute
    run.execute = _instead_of_the_kernel  # type: ignore[assignment]
    numbers, table = work / "numbers.json", work / "batch"
    commands = {
        "run": ["run", str(folder), "--quiet", "-p", "level=0.9"],
        "analyse": ["analyse", str(folder), "--out", str(numbers)],
        "batch": ["batch", str(folder), "--out", str(table), "--quiet", "--workers", "1"],
    }
    try:
        run_workbook(folder, progress=False)
        numbers.write_text("earlier", encoding="utf-8")
        before = {p: p.read_bytes() for p in (folder / "rendered").iterdir()}
        for k in range(count):
            name = [*commands][k % len(commands)]
            limit = int(rng.integers(0, 20_000))

            def cramped(limit: int = limit) -> None:
                # Python would write cut bytecode, here and in the batch's workers, and stumble over it next time.
                sys.dont_write_bytecode, os.environ["PYTHONDONTWRITEBYTECODE"] = True, "1"
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

            status = _as_a_child(lambda name=name: os._exit(main(commands[name])), cramped)  # type: ignore[misc]
            ended[f"{name}: status {os.waitstatus_to_exitcode(status)}"] += 1
            if {p: p.read_bytes() for p in before} != before or list(folder.rglob(".pullbook-*")):
                ended["WRONG: earlier results changed, or half-done work was left"] += 1
            if numbers.read_text(encoding="utf-8") != "earlier":
                ended["WRONG: earlier numbers changed"] += 1
    finally:
        run.execute = true
    return ended
