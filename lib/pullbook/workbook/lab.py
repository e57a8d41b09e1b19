"""Open JupyterLab on the workbook for one experiment."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pullbook.errors import ExperimentError
from pullbook.settings.experiment import Experiment
from pullbook.settings.files import write_whole
from pullbook.settings.safe_path import safe_children
from pullbook.workbook.execute import block_import
from pullbook.workbook.run import workbook_path

LONGEST_LABEL = 50  # characters of a folder's name in the copy's; at four bytes each they fit any disk
SETTINGS = {
    # The lab asks the network for nothing by itself.
    "@jupyterlab/apputils-extension:notification": {"checkForUpdates": False, "fetchNews": "false"},
    # Nor does it ask the person which kernel: there is one. A page this short is laid out whole, so that what changes
    # above does not move what stands below.
    "@jupyterlab/notebook-extension:tracker": {"autoStartDefaultKernel": True, "windowingMode": "none"},
}
# What this workbook does not need, and each start would wait for: language servers, a search for extensions, news,
# and the question whether the lab itself has to be built again.
PAGE = {
    "buildCheck": False,
    "buildAvailable": False,
    "disabledExtensions": [
        "@jupyterlab/apputils-extension:announcements",
        "@jupyterlab/extensionmanager-extension",
        "@jupyterlab/lsp-extension",
        "@jupyterlab/fileeditor-extension:language-server",
        "@jupyterlab/notebook-extension:language-server",
    ],
}


def lab_home() -> Path:
    """Return the folder that holds the person's own copies of the workbook, one for each experiment.

    Not the experiment's own folder: a notebook's working folder can be imported from, and an experiment is data.
    """
    from jupyter_core.paths import jupyter_data_dir

    return Path(jupyter_data_dir()) / "pullbook"


def own_copy(folder: str | Path, home: Path) -> tuple[Path, bool]:
    """Return the person's copy of the workbook for an experiment.

    A copy whose cells were never edited is written anew, so that it keeps up with the library; one that was edited
    stays as it is.

    Parameters
    ----------
    folder : path
        The experiment.
    home : Path
        Where the copies lie.

    Returns
    -------
    Path
        The copy.
    bool
        Whether it is as this version would write it.

    Raises
    ------
    ExperimentError
        When the experiment is refused, or the copy cannot be written.
    """
    experiment = Experiment.load(folder)
    place = experiment.folder.resolve()
    notebook = json.loads(workbook_path().read_text(encoding="utf-8"))
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            cell["metadata"]["jupyter"] = {"source_hidden": True}  # one click opens it
        if "parameters" in cell["metadata"].get("tags", []):
            cell["source"] = _opened_with(_joined(cell["source"]), place)
    written = _sources_sha256(notebook)
    notebook["metadata"]["pullbook"] = {"sources_sha256": written}
    label = "".join(c if c.isprintable() else "-" for c in place.name)[:LONGEST_LABEL]
    copy = home / f"{label}-{hashlib.sha256(os.fsencode(place)).hexdigest()[:8]}.ipynb"
    if copy.is_file() and _edited(copy):
        return copy, False
    try:
        home.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ExperimentError(f"{home}: can't be written to ({error.strerror}). Check the folder") from None
    write_whole(copy, json.dumps(notebook, indent=1, ensure_ascii=False) + "\n")
    return copy, True


def open_lab(copy: Path, options: Sequence[str] = ()) -> None:
    """Start JupyterLab on a notebook and return when it ends.

    Parameters
    ----------
    copy : Path
        The notebook; its folder is all that the lab shows.
    options : sequence of str
        Further options of ``jupyter lab``, such as ``--no-browser``.
    """
    from tempfile import TemporaryDirectory

    with block_import("rfc3987_syntax"):
        from jupyterlab.labapp import LabApp

    with TemporaryDirectory(prefix="pullbook-lab-") as settings, safe_children():
        for name, content in {"overrides.json": SETTINGS, "page_config.json": PAGE}.items():
            (Path(settings) / name).write_text(json.dumps(content), encoding="utf-8")
        LabApp.launch_instance(
            argv=[
                str(copy),
                f"--ServerApp.root_dir={copy.parent}",
                f"--ServerApp.custom_display_url=/lab/tree/{quote(copy.name)}",  # the address that is printed first
                "--ServerApp.contents_manager_class=pullbook.workbook.opened.Opened",
                f"--Opened.run_first={copy.name}",
                f"--LabApp.app_settings_dir={settings}",
                "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
                "--LabApp.news_url=",
                *options,
            ]
        )


def _opened_with(source: str, place: Path) -> str:
    """Set in the parameters cell which experiment it is, and that its controls are shown."""
    own = {
        "experiment =": f"experiment = {str(place)!r}  # the experiment folder\n",
        "interactive =": "interactive = True  # controls to choose experiment, runs and settings\n",
    }
    lines = source.splitlines(keepends=True)
    return "".join(next((new for old, new in own.items() if line.startswith(old)), line) for line in lines)


def _edited(copy: Path) -> bool:
    """Say whether a person changed the cells of their copy; what is no notebook any more counts as changed."""
    try:
        notebook = json.loads(copy.read_text(encoding="utf-8"))
        return bool(_sources_sha256(notebook) != notebook["metadata"]["pullbook"]["sources_sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return True


def _sources_sha256(notebook: dict[str, Any]) -> str:
    sources = [[cell["cell_type"], _joined(cell["source"])] for cell in notebook["cells"]]
    return hashlib.sha256(json.dumps(sources).encode()).hexdigest()


def _joined(source: str | list[str]) -> str:
    return source if isinstance(source, str) else "".join(source)
