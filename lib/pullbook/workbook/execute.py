"""Execute a notebook with checked parameters and put its outputs in place: all or nothing, one run at a time."""

from __future__ import annotations

import ast
import contextlib
import difflib
import hashlib
import logging
import math
import os
import shutil
import sys
import threading
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from pullbook.errors import ExperimentError, PullbookError
from pullbook.quantities import typed
from pullbook.settings.files import LIBRARY, NO_ROOM, check_place
from pullbook.settings.privacy import scrub
from pullbook.settings.safe_path import safe_children
from pullbook.settings.share import fit_to_share, packed_library
from pullbook.settings.together import MANIFEST, finish
from pullbook.text import readable

if TYPE_CHECKING:
    from nbformat import NotebookNode

LONGEST_WAIT_S = 600.0
# Most of what a kernel makes in its first seconds stays; collecting garbage then takes a fifth of the time.
FEWER_COLLECTIONS = '__import__("gc").set_threshold(100_000, 20, 20)'

LOGGER = logging.getLogger("pullbook")

Scalar = str | bool | int | float
Check = Callable[[Any], None]


def notebook_path(name: str) -> Path:
    """Return a notebook as it is stored: in the checkout, or in an installed package.

    Raises
    ------
    ExperimentError
        When it is in neither.
    """
    for folder in (LIBRARY.parents[1] / "notebooks", LIBRARY / "notebooks"):
        if (folder / name).is_file():
            return folder / name
    raise ExperimentError(f"{name} is not installed beside the library. Install pullbook again")


# --- parameters --------------------------------------------------------------------------------------------------


def read_parameters(
    template: Path,
    given: Sequence[str],
    *,
    elsewhere: Mapping[str, str] | None = None,
    checks: Mapping[str, Check] | None = None,
    paths: Collection[str] = (),
) -> dict[str, Scalar]:
    """Read ``name=value`` settings for the tagged ``parameters`` cell of a notebook.

    Parameters
    ----------
    template : Path
        The notebook.
    given : sequence of str
        Each ``name=value``; the value is of the type that the notebook's own value has.
    elsewhere : mapping, optional
        Parameters that are set in another way, with the words that say how.
    checks : mapping, optional
        For a parameter, what refuses a value that is out of range.
    paths : collection of str
        Parameters that are files: given from where the person stands, not from where the notebook lies.

    Returns
    -------
    dict
        The settings that differ from what the notebook holds.

    Raises
    ------
    ExperimentError
        When a setting is not known, given twice or of the wrong type.
    PullbookError
        When a check refuses a value.
    """
    if not given:
        return {}
    stored = stored_parameters(template)
    found: dict[str, Scalar] = {}
    for setting in given:
        name, equals, text = (part.strip() for part in setting.partition("="))
        if not equals or not name:
            raise ExperimentError(f"-p {setting}: allowed: name=value, such as -p level=0.9")
        if elsewhere and name in elsewhere:
            raise ExperimentError(f"-p {name}: {elsewhere[name]}")
        if name not in stored:
            raise ExperimentError(f"-p {name}: no such parameter. {_allowed(name, [*stored], elsewhere or {})}")
        if name in found:
            raise ExperimentError(f"-p {name}: given twice. Give it once")
        found[name] = _value(name, text, stored[name])
        if checks and name in checks:
            checks[name](found[name])
        if name in paths and text:
            found[name] = str(Path(text).resolve())
    return {name: value for name, value in found.items() if value != stored[name]}


def stored_parameters(template: Path) -> dict[str, Scalar]:
    """Return the parameters that a notebook names, with the values it holds."""
    with block_import("rfc3987_syntax"):
        from papermill import inspect_notebook

    found = inspect_notebook(_literal(template))
    return {name: ast.literal_eval(parameter["default"]) for name, parameter in found.items()}


def _allowed(name: str, stored: Sequence[str], elsewhere: Mapping[str, str]) -> str:
    names = [known for known in stored if known not in elsewhere]
    near = difflib.get_close_matches(name, names, n=1)
    return f"allowed: {', '.join(names)}." + (f" Did you mean {near[0]}?" if near else "")


_UNITS = {"ml": "ml", "km": "km"}  # that the names of parameters end in


def _value(name: str, text: str, stored: Scalar) -> Scalar:
    """Read a value as the type of the one that the notebook holds."""
    if isinstance(stored, str):
        if not text.isprintable():
            raise ExperimentError(f"-p {name}: given {text[:60]!r}. Allowed: text on one line")
        return text
    if isinstance(stored, bool):
        if text.lower() not in ("true", "false"):
            raise ExperimentError(f"-p {name}: given {text[:60]!r}. Allowed: true or false")
        return text.lower() == "true"
    if isinstance(stored, float) and (unit := _UNITS.get(name.rpartition("_")[2])):
        try:
            return float(typed(text, unit))
        except ValueError as fault:
            raise ExperimentError(f"-p {name}: {fault}") from None
    kind, words = (int, "a whole number") if isinstance(stored, int) else (float, "a number")
    with contextlib.suppress(ValueError):
        value = kind(text)
        if math.isfinite(value):
            return value
    raise ExperimentError(f"-p {name}: given {text[:60]!r}. Allowed: {words}, such as {stored}")


def not_negative(name: str) -> Check:
    """Return a check for `read_parameters` that refuses a negative value of a parameter."""

    def check(value: float) -> None:
        if value < 0:
            raise ExperimentError(f"-p {name}: given {value:g}. Allowed: 0 or more")

    return check


# --- executing ---------------------------------------------------------------------------------------------------


def execute(
    template: Path, parameters: Mapping[str, Scalar], *, produced: Path, failed: Path, progress: bool
) -> NotebookNode:
    """Execute a notebook by papermill.

    Parameters
    ----------
    template : Path
        The notebook as it is stored.
    parameters : mapping
        For its tagged cell, which has to name them all.
    produced : Path
        Where the executed notebook is written.
    failed : Path
        Where it is kept when a cell fails through a fault of the program.
    progress : bool
        Show a progress bar.

    Returns
    -------
    NotebookNode
        As executed.

    Raises
    ------
    PullbookError
        When a cell refuses its input.
    RuntimeError
        When a cell fails otherwise; names ``failed``.
    """
    for given in (*parameters.values(), str(produced)):
        _check_encodes(given)
    with block_import("rfc3987_syntax"):
        from papermill import execute_notebook
        from papermill.exceptions import PapermillExecutionError

    # What the page needs loads while the kernel works.
    ahead = threading.Thread(target=_load_ahead, daemon=True)
    ahead.start()
    if unknown := parameters.keys() - stored_parameters(template).keys():
        raise ExperimentError(
            f"{template}: its parameters cell does not name {', '.join(sorted(unknown))}. Put the line back"
        )
    try:
        with safe_children():
            notebook: NotebookNode = execute_notebook(
                _literal(template),
                _literal(produced),
                parameters=dict(parameters),
                kernel_name="python3",
                progress_bar=progress,
                cwd=str(template.parent),  # as in JupyterLab; no file of the experiment can pass for a module
                request_save_on_cell_execute=False,
                record_timing=False,  # when it ran stays private
                shutdown_kernel="immediate",  # its cells closed what they wrote; a graceful exit takes 0.7 s
                # The kernel's own messages mean nothing to the person. It imports nothing from the working folder.
                extra_arguments=[
                    "--log-level=CRITICAL",
                    "--InteractiveShellApp.ignore_cwd=True",
                    f"--IPKernelApp.exec_lines={FEWER_COLLECTIONS}",
                ],
            )
    except PapermillExecutionError as error:
        if error.ename in {kind.__name__ for kind in _refusals(PullbookError)}:
            raise PullbookError(error.evalue) from None
        if error.ename == "OSError" and any(error.evalue.startswith(f"[Errno {number}]") for number in NO_ROOM):
            raise ExperimentError(f"{failed.parent}: {_no_room(error.evalue)}") from None
        failed.parent.mkdir(parents=True, exist_ok=True)
        produced.replace(failed)  # never through a link of that name
        raise RuntimeError(f"{error.ename}: {error.evalue}. The failed notebook is kept as {failed}") from None
    ahead.join()
    return notebook


def _check_encodes(given: Scalar) -> None:
    """Refuse a path that a notebook, which is UTF-8, cannot hold."""
    if (shown := readable(str(given))) != str(given):
        raise ExperimentError(f"{shown}: a name in this path is not UTF-8 text. Rename the file or folder")


def _literal(path: Path) -> str:
    """Return a path as papermill takes it, which would fill in anything between braces."""
    return str(path).replace("{", "{{").replace("}", "}}")


@contextlib.contextmanager
def block_import(module: str) -> Iterator[None]:
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
    for name in ("nbconvert.exporters", "pullbook.workbook.page", "plotly.offline"):
        import_module(name)
    packed_library()
    scrub("")  # reads which words are the pages' own


def _refusals(kind: type[PullbookError]) -> Iterator[type[PullbookError]]:
    yield kind
    for narrower in kind.__subclasses__():
        yield from _refusals(narrower)


# --- in place ----------------------------------------------------------------------------------------------------


def render_notebook(
    name: str, parameters: Mapping[str, Scalar], *, out: Path, title: str, progress: bool = True
) -> None:
    """Execute a notebook and write its page as one file, or nothing.

    Parameters
    ----------
    name : str
        The notebook, such as ``ledger.ipynb``.
    parameters : mapping
        Those that differ from what the notebook holds.
    out : Path
        The page; an earlier one is replaced once the new one is whole.
    title : str
        Of the page.
    progress : bool
        Show a progress bar.

    Raises
    ------
    PullbookError, RuntimeError
        As `execute`; then the earlier page is as it was.
    """
    from pullbook.workbook.page import render_page

    check_page_path(out)
    with exclusive(out), stage(out) as work:
        failed = out.with_name(f"{out.stem}-failed.ipynb")
        notebook = execute(notebook_path(name), parameters, produced=work / name, failed=failed, progress=progress)
        page = work / "page.html"
        rendered = render_page(notebook, title=title).encode()
        page.write_bytes(fit_to_share({page.name: rendered})[page.name])
        page.replace(out)


def check_page_path(out: Path) -> None:
    """Refuse a path that a page cannot or should not be written to.

    Raises
    ------
    ExperimentError
        Unless it ends in ``.html`` and lies in a folder that exists.
    """
    if out.suffix.lower() not in (".html", ".htm"):
        raise ExperimentError(f"--out {out}: allowed: a file that ends in .html")
    check_place(out)


def repair(target: Path, names: Collection[str] = ()) -> None:
    """Finish what a killed run had begun to put in place, and remove what it left.

    To be used inside `exclusive`.

    Parameters
    ----------
    target : Path
        The folder that is written to.
    names : collection of str
        The files that belong together there; none where a single file is written.
    """
    for near in (target, *target.parents):  # the stage lies in the first that was there at the time
        for left in near.glob(f".pullbook-{_key(target)}-*"):
            if left.is_symlink():
                continue
            if names:
                finish(left, target, names)
            shutil.rmtree(left, ignore_errors=True)


@contextlib.contextmanager
def stage(target: Path) -> Iterator[Path]:
    """Yield a folder on the target's disk to write in; it is removed afterwards, unless the process is killed.

    To be used inside `exclusive`: what a killed run left for the same target is taken away first.

    Raises
    ------
    ExperimentError
        When the disk has no room.
    """
    repair(target)
    near = next(path for path in (target, *target.parents) if path.is_dir())
    work = near / f".pullbook-{_key(target)}-{uuid4().hex[:8]}"
    try:
        _make(work)
        yield work
    except OSError as error:
        if error.errno not in NO_ROOM:
            raise
        raise ExperimentError(f"{near}: {_no_room(error.strerror)}") from None
    finally:
        if not (work / MANIFEST).exists():  # or it was interrupted while it was put in place: `repair` finishes it
            shutil.rmtree(work, ignore_errors=True)


def _no_room(said: str | None) -> str:
    return f"can't be written to ({said}). Make room or give another --out. What was written earlier is unchanged"


def _make(work: Path) -> None:
    try:
        work.mkdir(mode=0o700)
    except OSError as error:
        raise ExperimentError(f"{work.parent}: can't be written to ({error.strerror}). Give another --out") from None


@contextlib.contextmanager
def exclusive(target: Path, *, longest_wait_s: float = LONGEST_WAIT_S) -> Iterator[None]:
    """Wait until no other run of this user writes to a target, then keep others waiting.

    The second run waits instead of refusing: a scheduled one then finds what the first has made, and with
    ``--if-changed`` has nothing left to do. The lock is the system's own on an open file, so it goes with its process,
    however that ends. It lies in Jupyter's runtime folder, which is the user's own, and not beside the target, where
    nothing but results belongs; runs on two machines into one shared folder do not see each other's.

    Parameters
    ----------
    target : Path
        File or folder.
    longest_wait_s : float
        [s]

    Raises
    ------
    ExperimentError
        When the other run takes longer than ``longest_wait_s``.
    """
    from filelock import FileLock, Timeout
    from jupyter_core.paths import jupyter_runtime_dir

    lock = Path(jupyter_runtime_dir(), f"pullbook-{_key(target)}.lock")
    held = FileLock(lock)
    try:
        lock.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            held.acquire(timeout=0)
        except Timeout:
            LOGGER.warning("%s: another run is writing there; waiting for it", target)
            held.acquire(timeout=longest_wait_s)
    except Timeout:
        raise ExperimentError(
            f"{target}: another run has been writing there for {longest_wait_s:.0f} s. Wait for it, end it, "
            "or give another --out"
        ) from None
    except OSError as error:
        raise ExperimentError(
            f"{lock.parent}: can't be written to ({error.strerror}). Jupyter needs it too, so set "
            "JUPYTER_RUNTIME_DIR to a folder of yours"
        ) from None
    try:
        yield
    finally:
        held.release()


def _key(target: Path) -> str:
    return hashlib.sha256(os.path.normcase(target).encode("utf-8", "surrogateescape")).hexdigest()[:16]
