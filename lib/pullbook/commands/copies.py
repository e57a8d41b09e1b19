"""Copies of logs inside an experiment: named so that no two clash, and taken back if anything goes wrong."""

from __future__ import annotations

import contextlib
import re
import shutil
from collections.abc import Container, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from pullbook.errors import ExperimentError
from pullbook.settings.experiment import FILE_NAME, LOG_SUFFIXES
from pullbook.settings.places import check_no_link


def targets_for(folder: Path, sources: Sequence[Path], *, figures: Container[Path] = ()) -> list[str]:
    """Name the logs inside the folder: as they are if they are there already, else as copies with distinct names.

    Parameters
    ----------
    folder : Path
        Of the experiment; need not be there yet.
    sources : sequence of Path
    figures : container of Path
        Those that are tables of figures, no logs; they have a folder of their own.

    Returns
    -------
    list of str
        Paths from the folder on.
    """
    home = folder.resolve()
    targets: list[str] = []
    for source in sources:
        plain = _plain_name(source.name)
        if source.resolve().is_relative_to(home) and source.name == plain:
            targets.append(source.resolve().relative_to(home).as_posix())
            continue
        home_of, k = "figures" if source in figures else "logs", 1
        target = f"{home_of}/{plain}"
        while target in targets or (folder / target).exists():
            k += 1
            target = f"{home_of}/{k}-{plain}"
        targets.append(target)
    return targets


def _plain_name(name: str) -> str:
    """Return a file name of plain characters with an ending that is allowed."""
    packed = ".gz" if name.lower().endswith(".gz") else ""
    stem = name.removesuffix(name[-3:]) if packed else name
    if not re.fullmatch(r"[\w.-]+", stem):
        stem = re.sub(r"-?\.-?", ".", re.sub(r"[^\w.]+", "-", stem))
    stem = stem.strip("-.") or "log"
    return (stem if stem.lower().endswith(LOG_SUFFIXES) else f"{stem}.csv") + packed


@contextmanager
def reserved(folder: Path) -> Iterator[None]:
    """Reserve a folder for one draft while this lasts: a second one at the same time is refused and touches nothing.

    Parameters
    ----------
    folder : Path
        Made if need be, and taken away again if what is done inside fails.

    Raises
    ------
    ExperimentError
        When it holds an experiment, or another draft is being written there.
    """
    place = folder / FILE_NAME
    made = [part for part in (*reversed(folder.parents), folder) if not part.exists()]
    ours = False
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with place.open("x", encoding="utf-8") as stream:  # x: only one of two can
            ours = True
            stream.write("# pullbook new was stopped before it had written this. Delete the file and start again.\n")
        yield
    except BaseException as fault:
        with contextlib.suppress(OSError):
            if ours:
                place.unlink()
        _take_back(made)
        if isinstance(fault, FileExistsError) and not ours and folder.is_dir():
            raise ExperimentError(
                f"{folder}: already holds {FILE_NAME}. Give another folder, or edit that one"
            ) from None
        if isinstance(fault, OSError):
            raise _unwritable(folder, fault) from None
        raise


@contextmanager
def copied(folder: Path, sources: Sequence[Path], targets: Sequence[str]) -> Iterator[None]:
    """Copy logs into a folder for what is done inside this; if that fails, the folder is as it was before.

    Parameters
    ----------
    folder : Path
        Made if need be.
    sources : sequence of Path
    targets : sequence of str
        From `targets_for`; one that is there already is left alone.

    Raises
    ------
    ExperimentError
        When a target is a link or lies behind one, or the folder cannot be written to.
    """
    for target in targets:
        check_no_link(folder / target, below=folder)
    homes = dict.fromkeys((folder / target).parent for target in targets if not (folder / target).exists())
    wanted = [folder, *(home for home in homes if home != folder)]
    made = [part for part in (*reversed(folder.parents), *wanted) if not part.exists()]
    new: list[Path] = []
    try:
        for part in wanted:
            part.mkdir(parents=True, exist_ok=True)
        for source, target in zip(sources, targets, strict=True):
            path = folder / target
            if not path.exists():
                new.append(path)
                shutil.copyfile(source, path)
        yield
    except BaseException as fault:
        for path in new:
            with contextlib.suppress(OSError):
                path.unlink()
        _take_back(made)
        if isinstance(fault, OSError):
            raise _unwritable(folder, fault) from None
        raise


def _take_back(made: Sequence[Path]) -> None:
    """Remove the folders that were made, the innermost first; one that now holds something else stays."""
    for part in reversed(made):
        with contextlib.suppress(OSError):
            part.rmdir()


def _unwritable(folder: Path, fault: OSError) -> ExperimentError:
    return ExperimentError(f"{folder}: can't be written to ({fault.strerror}). Give another folder, or make room")
