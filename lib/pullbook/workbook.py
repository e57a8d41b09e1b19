"""Execute the workbook for an experiment and put its results in place, all or nothing."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from pullbook.errors import ExperimentError, PullbookError
from pullbook.privacy import scrub

if TYPE_CHECKING:
    from nbformat import NotebookNode

    from pullbook.experiment import Experiment

LIBRARY = Path(__file__).resolve().parent
NAME = "workbook.ipynb"
RESULTS = "results.json"
POSTS = ("post.md", "post.bbcode.txt", "card.png")
OUTPUTS = ("runs.csv", *POSTS, NAME, "workbook.html", RESULTS)  # the results last: they say that the rest is there


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
    for folder in (LIBRARY.parents[1] / "notebooks", LIBRARY / "notebooks"):
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
        Do nothing when the results there come from the same inputs, the same library and the same workbook.
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
    from pullbook.inputs import program_sha256

    experiment = Experiment.load(folder)
    folder = Path(folder).resolve()
    target = Path(out).resolve() if out is not None else folder / "rendered"
    _check_target(experiment, target)
    program = program_sha256(LIBRARY, workbook_path())
    if if_changed and (earlier := _unchanged(experiment, program, target)) is not None:
        return earlier
    with _stage(target) as stage:
        notebook = _execute(folder, stage, target, progress=progress)
        _write_page(notebook, stage, title=scrub(experiment.title))
        _without_paths(notebook, folder, target)
        notebook.metadata["pullbook"] = {"program_sha256": program}
        _write_notebook(notebook, stage / NAME)
        results = json.loads((stage / RESULTS).read_text(encoding="utf-8"))
        target.mkdir(parents=True, exist_ok=True)
        for name in OUTPUTS:
            (stage / name).replace(target / name)
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


def _check_target(experiment: Experiment, target: Path) -> None:
    """Refuse, before any work is done, a place that the outputs cannot be put in."""
    for path in (target, *target.parents):
        if path.exists() and not path.is_dir():
            raise ExperimentError(f"{path}: is a file; give a folder to write to with --out")
    for name in OUTPUTS:
        experiment.keep_from(target / name)
        if (target / name).is_dir():
            raise ExperimentError(f"{target / name}: is a folder, where a file is to be written; give another --out")


def _unchanged(experiment: Experiment, program: str, target: Path) -> Rendered | None:
    from pullbook.inputs import inputs_sha256

    inputs = inputs_sha256(experiment)
    try:
        results = json.loads((target / RESULTS).read_text(encoding="utf-8"))
        made_by = json.loads((target / NAME).read_text(encoding="utf-8"))["metadata"]["pullbook"]
        same = results["inputs_sha256"] == inputs and made_by["program_sha256"] == program
        complete = all((target / name).is_file() for name in OUTPUTS)
        return _rendered(target, results, fresh=False) if same and complete else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


@contextlib.contextmanager
def _stage(target: Path) -> Iterator[Path]:
    """Give a folder on the target's disk to write in; it is gone afterwards, whatever happens."""
    near = next(path for path in (target, *target.parents) if path.is_dir())
    stage = near / f".pullbook-{uuid4().hex[:12]}"
    try:
        _make(stage)
        yield stage
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _make(stage: Path) -> None:
    try:
        stage.mkdir(mode=0o700)
    except OSError as error:
        raise ExperimentError(f"{stage.parent}: cannot be written to ({error.strerror}); give another --out") from None


def _execute(folder: Path, stage: Path, target: Path, *, progress: bool) -> NotebookNode:
    with _absent("rfc3987_syntax"):
        from papermill import execute_notebook, inspect_notebook
        from papermill.exceptions import PapermillExecutionError

    # What the page needs loads while the kernel works.
    ahead = threading.Thread(target=_load_ahead, daemon=True)
    ahead.start()
    produced = stage / NAME
    template = _literal(workbook_path())
    parameters = {"experiment": str(folder), "out": str(stage)}
    if unknown := parameters.keys() - inspect_notebook(template).keys():
        raise ExperimentError(
            f"{workbook_path()}: its parameters cell does not name {', '.join(sorted(unknown))}; put the line back"
        )
    try:
        notebook = execute_notebook(
            template,
            _literal(produced),
            parameters=parameters,
            kernel_name="python3",
            progress_bar=progress,
            cwd=str(workbook_path().parent),  # as in JupyterLab; no file of the experiment can pass for a module
            request_save_on_cell_execute=False,
            extra_arguments=["--log-level=CRITICAL"],  # what the kernel says of itself is no news to the person
        )
    except PapermillExecutionError as error:
        if error.ename in {kind.__name__ for kind in _refusals(PullbookError)}:
            raise PullbookError(error.evalue) from None
        kept = target.with_name(f"{target.name}-failed.ipynb")
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(produced, kept)
        raise RuntimeError(f"{error.ename}: {error.evalue}. The failed notebook is kept as {kept}") from None
    ahead.join()
    executed: NotebookNode = notebook
    return executed


def _literal(path: Path) -> str:
    """Return a path as papermill takes it, which would fill in anything between braces."""
    return str(path).replace("{", "{{").replace("}", "}}")


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

    path.write_text(str(nbformat.writes(notebook)), encoding="utf-8")  # type: ignore[no-untyped-call]


def _without_paths(notebook: NotebookNode, folder: Path, target: Path) -> None:
    """Take folders and user name out of the executed notebook; it still finds the experiment beside it."""
    relative = os.path.relpath(folder, target) if target.is_relative_to(folder) else folder.name
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = f'# Parameters\nexperiment = {json.dumps(relative)}\nout = ""\n'
