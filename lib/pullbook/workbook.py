"""Execute the workbook for an experiment and put its results in place, all or nothing."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook import __version__
from pullbook.errors import ExperimentError, PullbookError

if TYPE_CHECKING:
    from nbformat import NotebookNode

NAME = "workbook.ipynb"
RESULTS = "results.json"
OUTPUTS = ("runs.csv", "workbook.ipynb", "workbook.html", RESULTS)  # the results last: they say that the rest is there


@dataclass(frozen=True)
class Rendered:
    """Where a workbook was written, and the verdict it reached."""

    folder: Path
    verdict: str
    sentence: str
    warnings: tuple[str, ...]
    fresh: bool


def workbook_path() -> Path:
    """Return the workbook template: in the checkout, or in an installed package."""
    here = Path(__file__).resolve().parent
    for folder in (here.parents[1] / "notebooks", here / "notebooks"):
        if (folder / NAME).is_file():
            return folder / NAME
    raise ExperimentError(f"{NAME} is not installed beside the library; install pullbook again")


def run_workbook(
    folder: str | Path, out: str | Path | None = None, *, if_changed: bool = False, progress: bool = True
) -> Rendered:
    """Execute the workbook for an experiment.

    Parameters
    ----------
    folder : path
        The experiment.
    out : path, optional
        Where to write; by default ``rendered`` inside the experiment.
    if_changed : bool
        Do nothing when the results there come from the same inputs and the same version.
    progress : bool
        Show a progress bar.

    Raises
    ------
    PullbookError
        When the experiment is refused; what was written earlier stays as it was.
    RuntimeError
        When a cell fails through a fault of the program; the failed notebook is kept beside and named.
    """
    from pullbook.experiment import Experiment

    experiment = Experiment.load(folder)
    folder = Path(folder).resolve()
    target = Path(out).resolve() if out is not None else folder / "rendered"
    if target.exists() and not target.is_dir():
        raise ExperimentError(f"{target}: is a file; give a folder to write to")
    if if_changed and (earlier := _unchanged(experiment, target)) is not None:
        return earlier
    target.parent.mkdir(parents=True, exist_ok=True)
    with _stage(target) as stage:
        notebook = _execute(folder, stage, target, progress=progress)
        _write_page(notebook, stage, title=experiment.title)
        _without_paths(notebook, folder, target)
        _write_notebook(notebook, stage / NAME)
        results = json.loads((stage / RESULTS).read_text(encoding="utf-8"))
        target.mkdir(exist_ok=True)
        for name in OUTPUTS:
            os.replace(stage / name, target / name)
    return _rendered(target, results, fresh=True)


def _rendered(target: Path, results: dict[str, Any], *, fresh: bool) -> Rendered:
    comparison = results["comparison"]
    return Rendered(
        folder=target,
        verdict=comparison["verdict"],
        sentence=comparison["sentence"],
        warnings=tuple(f["message"] for f in results["findings"] if f["severity"] == "warning"),
        fresh=fresh,
    )


def _unchanged(experiment: Any, target: Path) -> Rendered | None:
    from pullbook.inputs import inputs_sha256

    try:
        results = json.loads((target / RESULTS).read_text(encoding="utf-8"))
        same = results["inputs_sha256"] == inputs_sha256(experiment) and results["pullbook_version"] == __version__
        complete = all((target / name).is_file() for name in OUTPUTS)
        return _rendered(target, results, fresh=False) if same and complete else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


@contextlib.contextmanager
def _stage(target: Path) -> Iterator[Path]:
    """Give a folder on the same disk to write in; it is gone afterwards, whatever happens."""
    stage = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        yield stage
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _execute(folder: Path, stage: Path, target: Path, *, progress: bool) -> NotebookNode:
    with _absent("rfc3987_syntax"):
        from papermill import execute_notebook
        from papermill.exceptions import PapermillExecutionError

    # What the page needs loads while the kernel works.
    ahead = threading.Thread(target=_load_ahead, daemon=True)
    ahead.start()
    produced = stage / NAME
    try:
        notebook = execute_notebook(
            str(workbook_path()),
            str(produced),
            parameters={"experiment": str(folder), "out": str(stage)},
            kernel_name="python3",
            progress_bar=progress,
            cwd=str(stage),
            request_save_on_cell_execute=False,
        )
    except PapermillExecutionError as error:
        if error.ename in {kind.__name__ for kind in _refusals(PullbookError)}:
            raise PullbookError(error.evalue) from None
        kept = target.parent / f"{target.name}-failed.ipynb"
        if produced.is_file():
            shutil.copy(produced, kept)
        raise RuntimeError(f"{error.ename}: {error.evalue}. The failed notebook is kept as {kept}") from None
    ahead.join()
    return notebook


@contextlib.contextmanager
def _absent(module: str) -> Iterator[None]:
    """Let an optional import fail: this one builds a URI grammar for most of a second, which no notebook needs."""
    hidden = module not in sys.modules
    if hidden:
        sys.modules[module] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if hidden:
            del sys.modules[module]


def _load_ahead() -> None:
    for name in ("nbconvert.exporters", "pullbook.page", "plotly.offline"):
        import_module(name)


def _refusals(kind: type[PullbookError]) -> Iterator[type[PullbookError]]:
    yield kind
    for narrower in kind.__subclasses__():
        yield from _refusals(narrower)


def _write_page(notebook: NotebookNode, stage: Path, *, title: str) -> None:
    from pullbook.page import render_page

    (stage / "workbook.html").write_text(render_page(notebook, title=title), encoding="utf-8")


def _write_notebook(notebook: NotebookNode, path: Path) -> None:
    import nbformat

    path.write_text(nbformat.writes(notebook), encoding="utf-8")


def _without_paths(notebook: NotebookNode, folder: Path, target: Path) -> None:
    """Take folders and user name out of the executed notebook; it still finds the experiment beside it."""
    relative = os.path.relpath(folder, target) if target.is_relative_to(folder) else folder.name
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = f'# Parameters\nexperiment = {json.dumps(relative)}\nout = ""\n'
