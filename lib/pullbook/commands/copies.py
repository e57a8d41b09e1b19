"""Copies of logs inside an experiment: named so that no two clash, and taken back if anything goes wrong."""

from __future__ import annotations

import contextlib
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from pullbook.errors import ExperimentError
from pullbook.settings.experiment import LOG_SUFFIXES
from pullbook.settings.places import check_no_link


def targets_for(folder: Path, sources: Sequence[Path]) -> list[str]:
    """Name the logs inside the folder: as they are if they lie there already, else as copies no two alike.

    Parameters
    ----------
    folder : Path
        Of the experiment; need not be there yet.
    sources : sequence of Path

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
        target, k = f"logs/{plain}", 1
        while target in targets or (folder / target).exists():
            k += 1
            target = f"logs/{k}-{plain}"
        targets.append(target)
    return targets


def _plain_name(name: str) -> str:
    """Return a file name of plain characters with an ending that is allowed."""
    packed = ".gz" if name.lower().endswith(".gz") else ""
    stem = re.sub(r"[^\w.-]+", "-", name.removesuffix(name[-3:]) if packed else name).strip("-.") or "log"
    return (stem if stem.lower().endswith(LOG_SUFFIXES) else f"{stem}.csv") + packed


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
    wanted = [folder, folder / "logs"] if any(not (folder / target).exists() for target in targets) else [folder]
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
        for part in reversed(made):
            with contextlib.suppress(OSError):
                part.rmdir()
        if isinstance(fault, OSError):
            reason = f"{folder}: can't be written to ({fault.strerror}). Give another folder, or make room"
            raise ExperimentError(reason) from None
        raise
