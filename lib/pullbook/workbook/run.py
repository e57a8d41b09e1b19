"""Execute the workbook for an experiment and put its results in place, all or nothing."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pullbook.errors import ExperimentError
from pullbook.settings.files import LIBRARY, RENDERED, RESULTS, sweep
from pullbook.settings.places import place_for
from pullbook.settings.privacy import scrub, undated_text
from pullbook.settings.share import fit_to_share
from pullbook.settings.together import MANIFEST, commit, made_whole
from pullbook.statistics.uncertainty import check_level
from pullbook.statistics.verdict import sentence_shown
from pullbook.workbook.execute import Scalar, exclusive, execute, notebook_path, read_parameters, repair, stage

if TYPE_CHECKING:
    from nbformat import NotebookNode

    from pullbook.settings.experiment import Experiment

NAME = "workbook.ipynb"
POSTS = ("post.md", "post.bbcode.txt", "card.png")
NOT_FOR_SHARING = "Private, not for sharing"
ELSEWHERE = {
    "experiment": "it is the folder: pullbook run DIR",
    "out": "give the folder to write to with --out",
    "interactive": "the controls need JupyterLab: pullbook lab DIR",
}
OUTPUTS = ("runs.csv", *POSTS, NAME, "workbook.html", RESULTS)  # `MANIFEST` beside them says that they belong together


@dataclass(frozen=True)
class Rendered:
    """Where a workbook was written, and the verdict it reached.

    Attributes
    ----------
    folder : Path
    verdict, sentence : str
    warnings : tuple of str
        Messages.
    fresh : bool
        Executed now, not before.
    """

    folder: Path
    verdict: str
    sentence: str
    warnings: tuple[str, ...]
    fresh: bool


def workbook_path() -> Path:
    """Return the workbook template: in the checkout, or in an installed package."""
    return notebook_path(NAME)


def run_workbook(
    folder: str | Path,
    out: str | Path | None = None,
    *,
    settings: Sequence[str] = (),
    relative_dates: bool = False,
    if_changed: bool = False,
    private: bool = False,
    progress: bool = True,
) -> Rendered:
    """Execute the workbook for an experiment.

    Parameters
    ----------
    folder : path
        The experiment.
    out : path, optional
        Where to write; by default ``rendered`` inside the experiment.
    settings : sequence of str
        Each ``name=value``, for the parameters cell of the workbook.
    relative_dates : bool
        Write no absolute date: days from the service instead.
    if_changed : bool
        Do nothing when the results there come from the same inputs, the same parameters, the same library and the
        same workbook.
    private : bool
        Leave page, notebook and numbers as they are, for use at home; otherwise everything is made fit to share.
    progress : bool
        Show a progress bar.

    Returns
    -------
    Rendered

    Raises
    ------
    PullbookError
        When the experiment is refused; what was written earlier stays as it was.
    RuntimeError
        When a cell fails through a fault of the program; the failed notebook is kept beside and named.
    """
    from pullbook.settings.experiment import FILE_NAME, Experiment
    from pullbook.settings.fingerprint import program_sha256

    experiment = Experiment.load(folder)
    folder = Path(folder).resolve()
    target = place_for(out, folder / RENDERED)
    _check_target(experiment, target)
    parameters = _parameters(settings, relative_dates=relative_dates)
    relative = os.path.relpath(folder, target) if target.is_relative_to(folder) else folder.name
    dated = not parameters.get("relative_dates")
    shown = {"experiment": scrub(relative, dates=not dated), "out": "", **parameters}
    made_from = {
        "program_sha256": program_sha256(LIBRARY, workbook_path()), "parameters": shown, "private": private,
        "units": experiment.units,
    }  # fmt: skip
    with exclusive(target):
        experiment = Experiment.load(folder)  # as it is now: waiting may have taken minutes
        sweep(folder / FILE_NAME)
        repair(target, OUTPUTS)
        if if_changed and (earlier := _unchanged(experiment, made_from, target)) is not None:
            return earlier
        with stage(target) as work:
            notebook = execute(
                workbook_path(),
                {"experiment": str(folder), "out": str(work), "interactive": False, **parameters},
                produced=work / NAME,
                failed=target.with_name(f"{target.name}-failed.ipynb"),
                progress=progress,
            )
            title = experiment.title if dated else undated_text(experiment.title)
            _write_page(notebook, work, title=f"{NOT_FOR_SHARING}: {title}" if private else title)
            _without_paths(notebook, shown)
            _write_notebook(notebook, work / NAME)
            _make_fit_to_share(work, private=private)
            results = json.loads((work / RESULTS).read_text(encoding="utf-8"))
            commit(work, target, OUTPUTS, made_from | {"inputs_sha256": results["inputs_sha256"]})
    return _rendered(experiment, target, results, fresh=True)


def _parameters(settings: Sequence[str], *, relative_dates: bool) -> dict[str, Scalar]:
    """Return the parameters that differ from the workbook's own, checked before anything is executed."""
    elsewhere = ELSEWHERE | (
        {"relative_dates": "--relative-dates already sets it. Give one of the two"} if relative_dates else {}
    )
    found = read_parameters(workbook_path(), settings, elsewhere=elsewhere, checks={"level": check_level})
    return found | ({"relative_dates": True} if relative_dates else {})


def _rendered(experiment: Experiment, target: Path, results: dict[str, Any], *, fresh: bool) -> Rendered:
    comparison = results["comparison"]
    return Rendered(
        folder=target,
        verdict=comparison["verdict"],
        sentence=sentence_shown(
            comparison, experiment.outcome_spec, worthwhile=experiment.worthwhile_change, shown=experiment.shown
        ),
        warnings=tuple(experiment.shown.text(f["message"]) for f in results["findings"] if f["severity"] == "warning"),
        fresh=fresh,
    )


def _check_target(experiment: Experiment, target: Path) -> None:
    """Refuse a place that cannot hold the outputs, before any work is done."""
    for path in (target, *target.parents):
        if path.exists() and not path.is_dir():
            raise ExperimentError(f"{path}: is a file. Give a folder to write to with --out")
    for name in (*OUTPUTS, MANIFEST):
        experiment.keep_from(target / name)
        if (target / name).is_dir():
            raise ExperimentError(
                f"{target / name}: is a folder, but a file is to be written there. Give another --out"
            )


def _unchanged(experiment: Experiment, made_from: Mapping[str, Any], target: Path) -> Rendered | None:
    from pullbook.settings.fingerprint import inputs_sha256

    if not made_whole(target, OUTPUTS, {**made_from, "inputs_sha256": inputs_sha256(experiment)}):
        return None
    return _rendered(experiment, target, json.loads((target / RESULTS).read_text(encoding="utf-8")), fresh=False)


def _write_page(notebook: NotebookNode, stage: Path, *, title: str) -> None:
    from pullbook.workbook.page import render_page

    (stage / "workbook.html").write_text(render_page(notebook, title=title), encoding="utf-8")


def _write_notebook(notebook: NotebookNode, path: Path) -> None:
    import nbformat

    path.write_text(str(nbformat.writes(notebook)), encoding="utf-8")  # type: ignore[no-untyped-call]


def _make_fit_to_share(work: Path, *, private: bool) -> None:
    """Scrub the finished files, or say on the page that they were not."""
    if private:
        page = work / "workbook.html"
        mark = f'<p role="note"><strong>{NOT_FOR_SHARING}.</strong> Names, places and numbers are left in.</p>'
        marked = re.sub("<main[^>]*>", lambda main: f"{main[0]}\n{mark}", page.read_text(encoding="utf-8"), count=1)
        page.write_text(marked, encoding="utf-8")
        return
    for name, content in fit_to_share({name: (work / name).read_bytes() for name in OUTPUTS}).items():
        (work / name).write_bytes(content)


def _without_paths(notebook: NotebookNode, parameters: Mapping[str, Scalar]) -> None:
    """Take folders and user name out of the executed notebook; beside the experiment it still finds it."""
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            lines = [
                f"{name} = {json.dumps(value) if isinstance(value, str) else repr(value)}\n"
                for name, value in parameters.items()
            ]
            cell.source = "".join(["# Parameters\n", *lines])
            cell.id = "injected-parameters"  # papermill draws one; two runs are to give the same bytes
